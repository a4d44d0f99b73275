"""Clear distances between outlines, against all pairs of edges by brute force and against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import cdist

from specimeter.measure import clearance
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


@pytest.mark.parametrize("head", range(4))
@pytest.mark.parametrize("other_head", range(3))
def test_with_which_point_an_outline_begins_changes_nothing(head, other_head):
    """A tip 2 away from the middle of a side: nearest is that side alone, be it the first, the last or amid the outline."""
    tip = np.array([[3.0, 0.5], [9.0, 0.0], [9.0, 1.0]])
    gaps, _ = clear_distances(Rings.of([np.roll(SQUARE, head, axis=0), np.roll(tip, other_head, axis=0)]))
    assert gaps.tolist() == [2.0, 2.0]


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


def scattered(seed: int, many: int, spread: float, most: int = 60) -> list[np.ndarray]:
    """Star-shaped rings of unlike size, some drawn out, some within others."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(many):
        turn = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(3, most))))
        shape = np.column_stack([np.cos(turn) * rng.uniform(0.2, 4), np.sin(turn)]) * 10 ** rng.uniform(-1, 1)
        found.append(shape + rng.uniform(0, spread, 2))
    return found


@settings(deadline=None, max_examples=25)
@given(seed=st.integers(0, 2**31), many=st.integers(2, 40), spread=st.floats(5, 200))
def test_which_rings_lie_in_others_by_the_parity_of_crossed_sides(seed, many, spread):
    """The first point of the inner one lies in the outer one, and its box in the outer one's box."""
    rings = scattered(seed, many, spread)

    def holds(outer, point):
        a, b = outer, np.roll(outer, -1, axis=0)
        over = (a[:, 1] > point[1]) != (b[:, 1] > point[1])
        with np.errstate(divide="ignore", invalid="ignore"):
            at = a[:, 0] + (point[1] - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0])
        return np.count_nonzero(over & (at > point[0])) % 2 == 1

    wanted = {
        (i, o)
        for i, inner in enumerate(rings)
        for o, outer in enumerate(rings)
        if i != o
        and (inner.min(axis=0) >= outer.min(axis=0)).all()
        and (inner.max(axis=0) <= outer.max(axis=0)).all()
        and holds(outer, inner[0])
    }
    inner, outer = clearance._nested(Rings.of(rings))
    assert len(inner) == len(wanted)
    assert set(zip(inner.tolist(), outer.tolist(), strict=True)) == wanted


@settings(deadline=None, max_examples=25)
@given(seed=st.integers(0, 2**31), many=st.integers(2, 12), spread=st.floats(5, 200))
def test_the_first_bound_is_between_two_points_of_near_neighbours(seed, many, spread):
    """Of every fourth point and the four nearest middles: from mine nearest to that middle, to that one's nearest to it."""
    rings = scattered(seed, many, spread)
    whole, rings = rings, [ring[::4] for ring in rings]
    middles = np.array([ring.mean(axis=0) for ring in rings])
    bounds = clearance._bounds(Rings.of(whole))
    gaps, _ = clear_distances(Rings.of(whole))
    assert (bounds >= gaps - 1e-9).all()
    for i, bound in enumerate(bounds):
        near = np.argsort(np.hypot(*(middles - middles[i]).T))[:4]
        each = []
        for j in near[near != i]:
            mine = rings[i][np.argmin(np.hypot(*(rings[i] - middles[j]).T))]
            each.append(np.hypot(*(rings[j] - mine).T).min())
        assert bound == pytest.approx(min(each), rel=1e-9)


@settings(deadline=None, max_examples=25)
@given(seed=st.integers(0, 2**31), many=st.integers(2, 25), spread=st.floats(5, 200), most=st.sampled_from([20, 300, 900]))
@example(seed=10146908, many=2, spread=32.0, most=300)  # slantwise farther apart than the bound, along neither axis
def test_boxes_of_runs_that_may_be_near_are_all_those(seed, many, spread, most):
    """Every pair of runs of two polygons whose boxes lie within either's bound of each other, each once, the lesser first;
    none that is farther along an axis."""
    rings = Rings.of(scattered(seed, many, spread, most))
    bound = np.random.default_rng(seed).uniform(0, 20, many)
    runs = clearance._Runs.of(rings, clearance.RUN)
    assert runs.counts.max() <= 24  # edges: boxes stay small however long an outline is
    assert runs.joined(clearance.PART // clearance.RUN).counts.max() <= 192
    assert np.array_equal(np.bincount(runs.owner, runs.counts), rings.counts)
    for owner, start, count, low, high in zip(runs.owner, runs.starts, runs.counts, runs.low, runs.high, strict=True):
        ends = np.concatenate([rings.points[start : start + count], rings.points[rings.after[start : start + count]]])
        assert rings.starts[owner] <= start <= start + count <= rings.starts[owner + 1]
        assert np.array_equal([low, high], [ends.min(axis=0), ends.max(axis=0)])
    gaps = np.maximum(runs.low[:, None] - runs.high[None], runs.low[None] - runs.high[:, None])
    bounds = np.maximum(bound[runs.owner][:, None], bound[runs.owner][None])
    others = np.triu(runs.owner[:, None] != runs.owner[None], 1)
    found = np.column_stack(clearance._near_boxes(runs, bound))
    within = others & (gaps.max(axis=2) <= bounds)  # along both axes; farther off slantwise, a pair may be there or not
    near = others & (np.hypot(*np.maximum(gaps, 0).transpose(2, 0, 1)) <= bounds)
    told = np.zeros_like(within)
    told[tuple(found.T)] = True
    assert (near <= told).all()
    assert (told <= within).all()
    assert np.array_equal(found, np.argwhere(told))
    wanted = np.argwhere(within)
    one, two = wanted.T
    reach = np.random.default_rng(seed + 1).uniform(0, 5, len(one))
    pair, edge = clearance._edges_near(runs, one, two, reach)
    told = set(zip(pair.tolist(), edge.tolist(), strict=True))
    for k in range(min(len(one), 40)):
        for at in range(runs.starts[one[k]], runs.starts[one[k]] + runs.counts[one[k]]):
            ends = rings.points[[at, rings.after[at]]]
            gap = np.maximum(runs.low[two[k]] - ends.max(axis=0), ends.min(axis=0) - runs.high[two[k]]).max()
            assert ((k, at) in told) == (gap <= reach[k])


def test_a_few_pairs_at_a_time_give_the_same():
    """However many pairs of edges are worked on at once."""
    rings = Rings.of(scattered(5, 30, 60.0))
    gaps, nearest = clear_distances(rings)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(clearance, "AT_ONCE", 7)
        few, other = clear_distances(rings)
    assert np.array_equal(gaps, few)
    assert np.array_equal(nearest, other)


@pytest.mark.parametrize("turn", [0.0, 0.7, 2.0, 4.4])
@pytest.mark.parametrize("apart", [0.5, 3.0, 20.0])
def test_long_edges_are_near_at_their_ends(turn, apart):
    """Needles of three points, tip to tip; and tip to a bar's side, whose corners are far."""
    turning = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    needle = np.array([[0.0, 0.0], [-100.0, 30.0], [-100.0, -30.0]])
    for other in (
        [[apart, 0.0], [apart + 100.0, 30.0], [apart + 100.0, -30.0]],
        [[apart, -80.0], [apart, 50.0], [apart + 2.0, 50.0], [apart + 2.0, -80.0]],
    ):
        gaps, nearest = clear_distances(Rings.of([needle @ turning, np.array(other) @ turning]))
        assert gaps == pytest.approx([apart, apart], rel=1e-9)
        assert nearest.tolist() == [1, 0]
