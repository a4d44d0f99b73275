"""Clear distances between outlines, against all pairs of edges by brute force and against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import cdist

from specimeter.measure.clearance import clear_distances
from specimeter.measure.polygon import Rings, dense

SQUARE = np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]])


def moved(x: float, y: float) -> np.ndarray:
    return SQUARE + np.array([x, y])


def test_squares_in_a_row():
    gaps, nearest = clear_distances(Rings.of([SQUARE, moved(3, 0), moved(4.5, 0), moved(0, 7)]))
    assert gaps == pytest.approx([2.0, 0.5, 0.5, 6.0])
    assert nearest.tolist() == [1, 2, 1, 0]


def test_corner_to_corner():
    gaps, _ = clear_distances(Rings.of([SQUARE, moved(4, 5)]))
    assert gaps == pytest.approx([5.0, 5.0])  # 3, 4, 5


def test_edge_to_corner():
    """The nearest place is amid an edge, far from its ends."""
    long = np.array([[-50, -2], [50, -2], [50, -1], [-50, -1.0]])
    gaps, _ = clear_distances(Rings.of([long, moved(7, 0.25)]))
    assert gaps == pytest.approx([1.25, 1.25])


@pytest.mark.parametrize(
    "other",
    [
        moved(1, 0),
        moved(0.5, 0.5),
        SQUARE * 0.2 + 0.4,
        SQUARE * 10 - 5,
        np.array([[-9, 0.4], [9, 0.5], [9, 0.6], [-9, 0.6]]),
    ],
    ids=["touches", "overlaps", "lies within", "lies around", "crosses without a corner inside"],
)
def test_touching_is_no_distance(other):
    assert clear_distances(Rings.of([SQUARE, other]))[0].tolist() == [0.0, 0.0]


def test_alone_or_none():
    gaps, nearest = clear_distances(Rings.of([SQUARE]))
    assert np.isinf(gaps).all()
    assert nearest.tolist() == [-1]
    assert len(clear_distances(Rings.of([]))[0]) == 0


@settings(deadline=None, max_examples=12)
@given(seed=st.integers(0, 2**31), many=st.integers(2, 12), crowd=st.floats(10, 400))
def test_as_by_brute_force(seed, many, crowd):
    """Against scipy's cdist of outlines sampled at 0.05: too long by less than that."""
    rng = np.random.default_rng(seed)
    polygons = []
    for _ in range(many):
        angle = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(3, 80))))
        shape = np.column_stack([np.cos(angle) * rng.uniform(0.2, 5), np.sin(angle)]) * rng.uniform(0.5, 6)
        polygons.append(shape + rng.uniform(0, crowd, 2))
    rings = Rings.of(polygons)
    gaps, nearest = clear_distances(rings)
    fine = dense(rings, np.full(many, 0.05))
    parts = np.split(fine.points, fine.starts[1:-1])
    each = [min(cdist(parts[i], parts[j]).min() for j in range(many) if j != i) for i in range(many)]
    for gap, brute in zip(gaps, each, strict=True):
        assert gap <= brute + 1e-9
        assert gap == 0 or brute - gap <= 0.08
    for i, j in enumerate(nearest):
        assert gaps[j] <= gaps[i] + 1e-12  # the other is at most as far from its own nearest


def to_segments(points: np.ndarray, starts: np.ndarray, ends: np.ndarray) -> float:
    """Least distance from points to line segments, every pair by the formula of the foot of a perpendicular."""
    way = ends - starts
    share = np.sum((points[:, None] - starts) * way, axis=2) / np.sum(way**2, axis=1)
    foot = starts + np.clip(share, 0, 1)[..., None] * way
    return float(np.hypot(*np.moveaxis(points[:, None] - foot, -1, 0)).min())


@pytest.mark.parametrize("seed", range(2))
def test_long_outlines_exactly_as_by_every_pair_of_edges(seed):
    """Wavy rings of 30 to 500 points that do not meet: the least distance of a corner from an edge is exact for them."""
    rng = np.random.default_rng(seed)
    polygons = []
    for k in range(9):
        turn = np.linspace(0, 2 * np.pi, int(rng.integers(30, 500)), endpoint=False)
        radius = 4 + 0.9 * np.sin(int(rng.integers(2, 9)) * turn + rng.uniform(0, 6)) + 0.05 * rng.random(len(turn))
        shape = np.column_stack([np.cos(turn), np.sin(turn)]) * radius[:, None] * rng.uniform([0.2, 0.6], [1.0, 1.0])
        polygons.append(shape + 11.0 * np.array(divmod(k, 3)) + rng.uniform(-0.4, 0.4, 2))
    ends = [np.roll(one, -1, axis=0) for one in polygons]
    gaps, nearest = clear_distances(Rings.of(polygons))
    for i, mine in enumerate(polygons):
        others = [j for j in range(9) if j != i]
        each = [min(to_segments(mine, polygons[j], ends[j]), to_segments(polygons[j], mine, ends[i])) for j in others]
        assert gaps[i] == pytest.approx(min(each), rel=1e-9)
        assert nearest[i] == others[int(np.argmin(each))]


def test_a_small_one_beside_a_large_one_s_far_end():
    """Middles mislead: the bar's is 90 mm away, other small ones' are near; its end is 0.2 mm from the square."""
    bar = np.array([[0.0, 0.0], [180.0, 0.0], [180.0, 0.5], [0.0, 0.5]])
    small = [moved(180.2, -0.2), *(moved(183.0 + 2.5 * k, 0.0) for k in range(8))]
    gaps, nearest = clear_distances(Rings.of([bar, *small]))
    assert gaps[:2] == pytest.approx([0.2, 0.2])
    assert nearest[:2].tolist() == [1, 0]
    assert gaps[2:] == pytest.approx([1.5] * 8)


def test_of_rings_within_each_other_the_outer_is_touched():
    """What lies within another is as near as can be, even where its outline is far off."""
    gaps, nearest = clear_distances(Rings.of([SQUARE * 100, moved(50, 50), moved(52, 50)]))
    assert gaps.tolist() == [0.0, 0.0, 0.0]
    assert nearest.tolist()[1:] == [0, 0]
