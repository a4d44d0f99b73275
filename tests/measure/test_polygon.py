"""Areas, perimeters, greatest extents and self-crossings of many polygons agree with OpenCV, SciPy and closed forms."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import pdist

from specimeter.measure.polygon import Rings, areas, centroids, crossing, dense, diameters, perimeters, without_loops


def star(seed: int, points: int, stretch: float = 1.0) -> np.ndarray:
    """A simple polygon: radii at rising angles."""
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, points))
    return np.column_stack([np.cos(angle) * stretch, np.sin(angle)]) * rng.uniform(0.3, 1.0, (points, 1)) * rng.uniform(1, 200)


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 2**31), many=st.integers(1, 12), stretch=st.floats(0.01, 30))
def test_greatest_extent_is_that_of_all_pairs(seed, many, stretch):
    """Exact against scipy.spatial.distance.pdist, for any number of points and any elongation."""
    rng = np.random.default_rng(seed)
    polygons = [star(seed + k, int(rng.integers(3, 150)), stretch) + rng.uniform(-1e4, 1e4, 2) for k in range(many)]
    rings = Rings.of(polygons)
    extents, pairs = diameters(rings)
    for polygon, extent, pair in zip(polygons, extents, pairs, strict=True):
        assert extent == pytest.approx(pdist(polygon).max(), rel=1e-12)
        assert np.hypot(*np.diff(rings.points[pair], axis=0)[0]) == extent


def test_greatest_extent_of_a_circle_of_many_points():
    """Here no point can be set aside by its support: the hull is tried pair by pair."""
    angle = np.arange(720) * np.pi / 360
    extents, _ = diameters(Rings.of([np.column_stack([np.cos(angle), np.sin(angle)]) * 40 + 1000]))
    assert extents[0] == pytest.approx(80, rel=1e-12)


def test_greatest_extent_of_points_on_a_line():
    extents, _ = diameters(Rings.of([np.column_stack([np.linspace(0, 3, 400), np.linspace(0, 4, 400)]), np.zeros((3, 2))]))
    assert extents == pytest.approx([5, 0], abs=1e-12)


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 2**31), points=st.integers(3, 60))
def test_area_and_perimeter_agree_with_opencv(seed, points):
    """cv2.contourArea and cv2.arcLength work in single precision: agreement to 1e-4."""
    polygon = star(seed, points)
    rings = Rings.of([polygon, polygon[::-1]])
    ring = polygon.astype(np.float32).reshape(-1, 1, 2)
    assert np.abs(areas(rings)) == pytest.approx([cv2.contourArea(ring)] * 2, rel=1e-4, abs=1e-4)
    assert areas(rings)[0] == pytest.approx(-areas(rings)[1], rel=1e-12)
    assert perimeters(rings) == pytest.approx([cv2.arcLength(ring, True)] * 2, rel=1e-4)


def test_area_keeps_its_digits_far_from_the_origin():
    square = np.array([[0, 0], [1e-3, 0], [1e-3, 1e-3], [0, 1e-3]]) + 1e5
    assert abs(areas(Rings.of([square]))[0]) == pytest.approx(1e-6, rel=1e-5)  # 1e5 + 1e-3 itself is rounded to 1.5e-11


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 2**31), points=st.integers(3, 700))
def test_simple_polygons_do_not_cross_and_swapped_points_do(seed, points):
    """Radii at rising angles cannot cross; a loop spliced in must."""
    polygon = star(seed, points)
    if np.diff(np.arctan2(polygon[:, 1], polygon[:, 0])).min() < 1e-9:
        return  # two points at one angle
    if points > 8:  # with fewer the origin may lie outside, and the polygon is still simple, but a swap need not cross
        swapped = polygon * 1.0
        quarter = points // 4
        swapped[[quarter, 3 * quarter]] = swapped[[3 * quarter, quarter]]
        assert crossing(Rings.of([polygon, swapped, polygon])).tolist()[::2] == [False, False]
    bow = np.array([[0, 0], [10, 10], [10, 0], [0, 10.0]])
    assert crossing(Rings.of([polygon, bow])).tolist() == [False, True]


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 2**31), points=st.integers(12, 200), slim=st.floats(0.005, 1), rough=st.floats(0, 0.2))
def test_slender_outlines_on_a_raster_cross_where_all_pairs_say_so(seed, points, slim, rough):
    """Ellipses with rough edges, many of whose points lie on whole pixels: against every pair of edges, one by one."""
    rng = np.random.default_rng(seed)
    phase, turn = np.arange(points) * 2 * np.pi / points, rng.uniform(0, np.pi)
    ellipse = np.column_stack([np.cos(phase), slim * np.sin(phase)]) * (1 + rough * rng.normal(size=(points, 1)))
    ellipse = 60 * ellipse @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    polygon = np.where(rng.random((points, 1)) < 0.8, np.round(ellipse), ellipse)

    def side(a, b, p):
        return np.sign((b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]))

    edges = list(zip(polygon, np.roll(polygon, -1, axis=0), strict=True))
    crossed = any(
        side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0
        for k, (a, b) in enumerate(edges)
        for c, d in edges[k + 1 :]
    )
    assert crossing(Rings.of([polygon])).tolist() == [crossed]


@pytest.mark.parametrize("points", [5, 100, 1000])
def test_a_figure_of_eight_crosses(points):
    """Lemniscate of Gerono, offset so that no vertex is the crossing itself."""
    angle = (np.arange(4 * points) + 0.31) * 2 * np.pi / (4 * points)
    eight = np.column_stack([np.cos(angle), np.sin(angle) * np.cos(angle)]) * 50
    assert crossing(Rings.of([eight])).tolist() == [True]


def test_dense_adds_points_and_moves_nothing():
    square = np.array([[0, 0], [4, 0], [4, 4], [0, 4.0]])
    rings = Rings.of([square, square * 2])
    fine = dense(rings, np.array([1.0, 3.0]))
    assert fine.counts.tolist() == [16, 12]
    assert fine.lengths.max() <= 3.0
    assert areas(fine) == pytest.approx(areas(rings))
    assert perimeters(fine) == pytest.approx(perimeters(rings))
    assert {tuple(p) for p in square} <= {tuple(p) for p in fine.points[:16]}


def test_no_polygons_and_chosen_polygons():
    nothing = Rings.of([])
    assert len(nothing) == 0
    assert len(areas(nothing)) == 0
    assert len(diameters(nothing)[0]) == 0
    assert len(crossing(nothing)) == 0
    rings = Rings.of([np.full((3, 2), k, float) for k in range(4)])
    assert centroids(rings.only(np.array([False, True, False, True]))).tolist() == [[1, 1], [3, 3]]


def test_a_crease_is_cut_off_and_a_figure_of_eight_is_left():
    """A half circle with two small loops pulled into it: simple afterwards, its area changed by theirs at most."""
    turn = np.linspace(0, np.pi, 60)
    smooth = np.column_stack([10 * np.cos(turn), 10 * np.sin(turn)])
    creased = smooth.copy()
    for k in (20, 40):  # two points change places: the outline goes back over itself
        creased[[k, k + 2]] = creased[[k + 2, k]] + [[0.0, 0.05], [0.0, -0.05]]
        creased[k + 1] *= 0.99
    assert crossing(Rings.of([creased]))[0]
    mended = without_loops(creased)
    assert not crossing(Rings.of([mended]))[0]
    assert areas(Rings.of([mended]))[0] == pytest.approx(areas(Rings.of([smooth]))[0], rel=0.005)
    assert without_loops(smooth) == pytest.approx(smooth)
    eight = np.array([[0.0, 0], [4, 4], [4, 0], [0, 4]])
    assert without_loops(eight) == pytest.approx(eight)


@pytest.mark.parametrize("points", [40, 400], ids=["short", "long"])
@pytest.mark.parametrize("seed", range(12))
def test_an_outline_that_goes_back_along_itself_does_not_cross(seed, points):
    """A sector, one of whose straight sides runs back a little along itself, turned, anywhere in a picture: rounding makes no
    crossing of it (it did of 23 in 80)."""
    rng = np.random.default_rng(seed)
    side = np.linspace(0, 30, points // 4)
    back = np.sort(np.r_[side, side[5:8] + 0.1])
    back[[6, 7]] = back[[7, 6]]
    turn = np.linspace(0, 1.2, points // 2)
    sector = np.concatenate([np.outer(back, [1, 0]), 30 * np.column_stack([np.cos(turn), np.sin(turn)])[1:]])
    angle = rng.uniform(0, 2 * np.pi)
    cos, sin = np.cos(angle), np.sin(angle)
    outline = sector @ np.array([[cos, sin], [-sin, cos]]) + rng.uniform(500, 5000, 2)
    assert not crossing(Rings.of([outline]))[0]


@pytest.mark.parametrize(("share", "left"), [(0.06, False), (0.09, False), (0.11, True), (0.15, True)])
def test_a_loop_is_small_up_to_a_tenth_of_the_outline(share, left):
    """A square of side 10 whose top side crosses itself: a triangle of two half diagonals and a side hangs on it."""
    diagonal = 2 * np.sqrt(2)
    half = 40 * share / (2 + diagonal - 2 * diagonal * share)
    loop = [[5 + half, 10], [5 - half, 10 + 2 * half], [5 + half, 10 + 2 * half], [5 - half, 10]]
    points = np.array([[0.0, 0], [10, 0], [10, 10], *loop, [0, 10]])
    assert perimeters(Rings.of([points]))[0] == pytest.approx(40 + 2 * diagonal * half)
    assert (len(without_loops(points)) == len(points)) is left


def test_a_loop_gives_way_to_the_place_where_it_crosses():
    """A side that goes through (4, 0) and comes back through it: the loop's own corners go, that place stays."""
    outline = np.array([[0.0, 0.0], [3.8, 0.2], [4.6, -0.6], [4.6, 0.6], [3.4, -0.6], [10.0, 0.0], [10.0, 8.0], [0.0, 8.0]])
    cleaned = without_loops(outline)
    a, b, c, d = outline[1:5]
    # of the lines a-b and c-d (determinant of the two directions)
    way, other = b - a, d - c
    share = ((c - a)[0] * other[1] - (c - a)[1] * other[0]) / (way[0] * other[1] - way[1] * other[0])
    assert cleaned == pytest.approx(np.concatenate([outline[:2], [a + share * way], outline[4:]]))
    assert not crossing(Rings.of([cleaned]))[0]


def test_of_two_loops_both_go():
    """One behind the other along a side, the smaller one first; what is left has the sides' own corners."""
    small = [[3.0, 0.0], [3.4, -0.2], [3.4, 0.2], [3.1, -0.1]]
    large = [[6.0, 0.2], [6.8, -0.6], [6.8, 0.6], [6.2, -0.2]]
    outline = np.array([[0.0, 0.0], *small, *large, [12.0, 0.0], [12.0, 9.0], [0.0, 9.0]])
    assert crossing(Rings.of([outline]))[0]
    cleaned = without_loops(outline)
    assert not crossing(Rings.of([cleaned]))[0]
    for corner in ([12.0, 0.0], [12.0, 9.0], [0.0, 9.0], [0.0, 0.0]):
        assert np.hypot(*(cleaned - corner).T).min() == 0.0
    assert len(cleaned) < len(outline)


@pytest.mark.parametrize("points", [257, 600, 1025, 1500])
def test_a_long_outline_crosses_only_where_a_small_loop_is_spliced_in(points):
    """A wavy ring, and the same with two near points of it changed over: all of them beyond the tables' size."""
    turn = np.linspace(0, 2 * np.pi, points, endpoint=False)
    ring = np.column_stack([np.cos(turn), np.sin(turn)]) * (5 + np.sin(7 * turn))[:, None]
    swapped = ring.copy()
    swapped[[points // 3, points // 3 + 3]] = swapped[[points // 3 + 3, points // 3]]
    assert crossing(Rings.of([ring, swapped, ring[::-1], swapped[::-1]])).tolist() == [False, True, False, True]


def test_many_outlines_of_unlike_sizes_at_once_are_each_as_alone():
    """From 3 to 900 points, with the greatest extents of each and whether each crosses itself."""
    rng = np.random.default_rng(5)
    polygons = []
    for count in (3, 4, 5, 7, 12, 31, 90, 97, 130, 300, 900):
        turn = np.sort(rng.uniform(0, 2 * np.pi, count))
        shape = np.column_stack([np.cos(turn), np.sin(turn)]) * rng.uniform(0.8, 1.2, count)[:, None]
        polygons += [shape, shape[rng.permutation(count)] if count > 4 else shape + 5.0]
    rings = Rings.of(polygons)
    extents, pairs = diameters(rings)
    crosses = crossing(rings)
    for f, polygon in enumerate(polygons):
        (alone,), (pair,) = diameters(Rings.of([polygon]))
        assert extents[f] == alone == pytest.approx(pdist(polygon).max(), rel=1e-12)
        assert np.hypot(*np.diff(rings.points[pairs[f]], axis=0)[0]) == pytest.approx(extents[f])
        assert rings.owner[pairs[f]].tolist() == [f, f]
        assert len(set(pair.tolist())) == 2
        assert crosses[f] == crossing(Rings.of([polygon]))[0]
    assert not crosses[0::2].any()
    assert crosses[9::2].all()
