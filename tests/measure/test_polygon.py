"""Areas, perimeters, greatest extents and self-crossings of many polygons agree with OpenCV, SciPy and closed forms."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import pdist

from specimeter.measure import polygon as polygons_of
from specimeter.measure.polygon import Rings, crossing, dense, diameters


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
    assert np.abs(rings.areas) == pytest.approx([cv2.contourArea(ring)] * 2, rel=1e-4, abs=1e-4)
    assert rings.areas[0] == pytest.approx(-rings.areas[1], rel=1e-12)
    assert rings.perimeters == pytest.approx([cv2.arcLength(ring, True)] * 2, rel=1e-4)


def test_area_keeps_its_digits_far_from_the_origin():
    square = np.array([[0, 0], [1e-3, 0], [1e-3, 1e-3], [0, 1e-3]]) + 1e5
    assert abs(Rings.of([square]).areas[0]) == pytest.approx(1e-6, rel=1e-5)  # 1e5 + 1e-3 itself is rounded to 1.5e-11


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
    assert fine.areas == pytest.approx(rings.areas)
    assert fine.perimeters == pytest.approx(rings.perimeters)
    assert {tuple(p) for p in square} <= {tuple(p) for p in fine.points[:16]}


def test_no_polygons_and_chosen_polygons():
    nothing = Rings.of([])
    assert len(nothing) == 0
    assert len(nothing.areas) == 0
    assert [part.shape for part in diameters(nothing)] == [(0,), (0, 2)]
    assert len(crossing(nothing)) == 0
    rings = Rings.of([np.full((3, 2), k, float) for k in range(4)])
    assert rings.only(np.array([False, True, False, True])).centroids.tolist() == [[1, 1], [3, 3]]


def test_chosen_polygons_know_what_they_would_find_out_themselves():
    """Areas, perimeters, middles and counts that were known before the choice are those of the chosen polygons alone."""
    polygons = [star(seed, 5 + 3 * seed) for seed in range(6)]
    rings = Rings.of(polygons)
    known = (rings.counts, rings.areas, rings.perimeters, rings.centroids)
    assert len(known[0]) == 6
    for chosen, numbers in (
        (rings.only(np.arange(6) % 2 == 1), [1, 3, 5]),
        (rings.part(2, 5), [2, 3, 4]),
        (rings.picked(np.array([4, 0, 4])), [4, 0, 4]),
    ):
        alone = Rings.of([polygons[number] for number in numbers])
        assert np.array_equal(chosen.points, alone.points)
        for name in ("counts", "areas", "perimeters", "centroids"):
            assert np.array_equal(getattr(chosen, name), getattr(alone, name)), name


def test_runs_begin_at_every_so_manieth_point_of_each_polygon():
    rings = Rings.of([star(1, 7), star(2, 3), star(3, 9)])
    begins, parts = rings.runs(3)
    assert begins.tolist() == [0, 3, 6, 7, 10, 13, 16]
    assert parts.tolist() == [3, 1, 3]


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


@pytest.mark.parametrize("points", [257, 600, 1025, 1500])
def test_a_long_outline_crosses_only_where_a_small_loop_is_spliced_in(points):
    """A wavy ring, and the same with two near points of it changed over: all of them beyond the tables' size."""
    turn = np.linspace(0, 2 * np.pi, points, endpoint=False)
    ring = np.column_stack([np.cos(turn), np.sin(turn)]) * (5 + np.sin(7 * turn))[:, None]
    swapped = ring.copy()
    swapped[[points // 3, points // 3 + 3]] = swapped[[points // 3 + 3, points // 3]]
    assert crossing(Rings.of([ring, swapped, ring[::-1], swapped[::-1]])).tolist() == [False, True, False, True]


@pytest.mark.parametrize(("deep", "crosses"), [(-1.0, False), (0.0, False), (1.0, True)])
@pytest.mark.parametrize("head", [0, 1, 900])
def test_a_spike_that_reaches_a_side_touches_it_and_one_that_passes_it_crosses(deep, crosses, head):
    """A tip of a long outline, of whole numbers, one short of the opposite side, on it, and one beyond."""
    x = np.arange(0.0, 301.0)
    floor, ceiling = np.column_stack([x, 0 * x]), np.column_stack([x[::-1], 0 * x + 40.0])
    ceiling[150] = [150.5, -deep]
    ring = np.roll(np.concatenate([floor, [[300.0, y] for y in range(1, 40)], ceiling, [[0.0, y] for y in range(39, 0, -1)]]),
                   head, axis=0)  # fmt: skip
    ways = [(np.cos(turn), np.sin(turn)) for turn in np.arange(0.1, 3.0, 0.4)]
    turned = [1e7 * ring @ np.array([[c, s], [-s, c]]) for c, s in ways]  # where the tip lies on the side but for rounding
    for one in (ring, ring[::-1], ring[:, ::-1], *turned):
        assert polygons_of._crosses(one) is crosses
        assert crossing(Rings.of([one]))[0] == crosses


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


def test_the_points_before_and_after_lead_round_each_polygon():
    """The one before the one after is the point itself, and both belong to the same polygon; of one point it is that point."""
    rings = Rings.of([star(1, 7), np.zeros((1, 2)), star(2, 3), star(3, 12)])
    every = np.arange(len(rings.points))
    assert np.array_equal(rings.after[rings.before], every)
    assert np.array_equal(rings.before[rings.after], every)
    assert np.array_equal(rings.owner[rings.after], rings.owner)
    assert rings.after[:7].tolist() == [1, 2, 3, 4, 5, 6, 0]
    assert rings.after[7] == rings.before[7] == 7
    assert np.array_equal(rings.onward(every), rings.after)
    assert np.array_equal(rings.onward(rings.points), rings.points[rings.after])


def test_the_least_of_each_polygon_and_its_first_place():
    rings = Rings.of([star(1, 4), star(2, 3)])
    least, place = rings.least(np.array([3.0, 1.0, 1.0, 2.0, 5.0, 4.0, 4.0]))
    assert (least.tolist(), place.tolist()) == ([1.0, 4.0], [1, 5])
    none, nowhere = Rings.of([]).least(np.empty(0))
    assert (none.shape, nowhere.shape, nowhere.dtype.kind) == ((0,), (0,), "i")


def test_dense_adds_no_more_points_than_it_needs():
    """An edge of length l gets ceil(l / step) pieces, all alike; where each is short enough nothing changes."""
    square = np.array([[0, 0], [4, 0], [4, 1], [0, 1.0]])
    assert np.array_equal(dense(Rings.of([square]), np.array([4.0])).points, square)
    fine = dense(Rings.of([square, square]), np.array([1.0, 1.5]))
    assert fine.counts.tolist() == [4 + 1 + 4 + 1, 3 + 1 + 3 + 1]
    assert fine.part(0, 1).lengths == pytest.approx(np.ones(10))
    assert fine.part(1, 2).lengths == pytest.approx([4 / 3] * 3 + [1] + [4 / 3] * 3 + [1])


def test_greatest_extents_far_from_the_origin_keep_their_digits():
    """Whole steps of 2^-22 at 2^30, where a number has no digit beyond: the pair is that of the steps, which are exact."""
    rng = np.random.default_rng(3)
    step = 2.0**-22
    steps = [rng.integers(0, 10, (int(rng.integers(3, 7)), 2)) for _ in range(200)]
    extents, _ = diameters(Rings.of([2.0**30 + step * one for one in steps]))
    for one, extent in zip(steps, extents, strict=True):
        assert extent == pytest.approx(step * pdist(one).max(), rel=1e-12)


@pytest.mark.parametrize("way", [(1.0, 0.0), (1.0, 1.0), (1.0, -1.0), (0.0, 1.0)])
def test_many_points_at_the_two_ends_of_a_line(way):
    """Two hundred points at two places, begun and ended at the same one: no hull can be drawn of them."""
    ends = np.outer([0, 1, 0], way)
    (extent,), (pair,) = diameters(Rings.of([np.repeat(ends, [60, 80, 60], axis=0)]))
    assert extent == pytest.approx(np.hypot(*way))
    assert 60 <= max(pair) < 140 or 60 <= min(pair) < 140


@settings(deadline=None, max_examples=80)
@given(seed=st.integers(0, 2**31), points=st.integers(3, 40), rough=st.floats(0, 1.2))
def test_star_shaped_is_once_round_the_mean_and_never_back(seed, points, rough):
    """By the angles at which the points are seen from their mean: all steps one way, and together one whole turn."""
    rng = np.random.default_rng(seed)
    phase = np.arange(points) * 2 * np.pi / points * rng.choice([1, 1, 1, -1, 2]) + rng.normal(size=points) * rough / points
    shape = np.column_stack([np.cos(phase), np.sin(phase)]) * rng.uniform(0.5, 1, (points, 1)) + rng.uniform(-3, 3, 2)
    seen = np.arctan2(*(shape - shape.mean(axis=0)).T[::-1])
    steps = (np.diff(seen, append=seen[0]) + np.pi) % (2 * np.pi) - np.pi
    one_way = (steps > 0).all() or (steps < 0).all()
    rings = Rings.of([shape, shape[::-1]])
    assert polygons_of._star_shaped(rings).tolist() == [bool(one_way and abs(abs(steps.sum()) - 2 * np.pi) < 1)] * 2


def segments_apart(a, b, c, d) -> float:
    """Distance between the segments a-b and c-d, by their ends; 0 where they cross."""

    def away(p, q, r):
        way = r - q
        share = np.clip((p - q) @ way / max(way @ way, 1e-300), 0, 1)
        return float(np.hypot(*(p - q - share * way)))

    def side(p, q, r):
        return np.sign((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]))

    if side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0:
        return 0.0
    return min(away(a, c, d), away(b, c, d), away(c, a, b), away(d, a, b))


def seems_apart(polygon: np.ndarray) -> bool:
    """What `_runs_apart` promises, run by run and pair by pair."""
    count, run = len(polygon), 4
    if count > 1024:
        return False
    heads = list(range(0, count, run))
    ends = [*heads[1:], count]
    corners = polygon[heads]
    edges = np.roll(polygon, -1, axis=0) - polygon
    many = len(heads)
    off = []
    for k in range(many):
        start, end = corners[k], corners[(k + 1) % many]
        off.append(max(segments_apart(p, p, start, end) for p in polygon[heads[k] : ends[k]]))
    for k in range(many):
        after = (k + 1) % many
        both = np.concatenate([edges[heads[k] : ends[k]], edges[heads[after] : ends[after]]])
        along = both @ np.array([[1, 0], [1, 1], [0, 1], [-1, 1]]).T
        if not ((along >= 0).all(axis=0) | (along <= 0).all(axis=0)).any():
            return False
        for other in range(k + 2, many - (k == 0)):
            gap = segments_apart(corners[k], corners[after], corners[other], corners[(other + 1) % many])
            if gap <= (off[k] + off[other]) * (1 + 1e-9):
                return False
    return True


@settings(deadline=None, max_examples=150)
@given(seed=st.integers(0, 2**31), points=st.integers(3, 70), slim=st.floats(0.02, 1), rough=st.floats(0, 0.03))
def test_runs_keep_apart_as_told_pair_by_pair(seed, points, slim, rough):
    """Ellipses and waists with rough edges, each alone and beside another; and what keeps apart does not cross itself."""
    rng = np.random.default_rng(seed)
    phase, turn = (
        np.sort(rng.uniform(0, 2 * np.pi, points)) if seed % 2 else np.arange(points) * 2 * np.pi / points,
        rng.uniform(0, 3),
    )
    waist = 1 - rng.uniform(0, 0.95) * np.cos(phase) ** 2 * (seed % 3 == 0)
    noise = rough * rng.choice([0, 0.1, 1]) * slim * rng.normal(size=(points, 2))
    shape = np.column_stack([waist * np.cos(phase), slim * np.sin(phase)]) + noise
    shape = 30 * shape @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    if seed % 5 == 0:
        shape = np.round(shape)
    square = np.array([[0, 0], [9, 0], [9, 9], [0, 9.0]])
    told = polygons_of._runs_apart(Rings.of([square, shape, square, shape]))
    assert told.tolist()[1::2] == [seems_apart(shape)] * 2
    if told[1]:
        assert not every_pair_crosses(shape)


def every_pair_crosses(polygon: np.ndarray) -> bool:
    """Whether any two sides cross amid each other, by the signs of four areas."""
    a, b = polygon, np.roll(polygon, -1, axis=0)
    way = b - a

    def side(points):
        reach = points[None] - a[:, None]
        return np.sign(way[:, None, 0] * reach[..., 1] - way[:, None, 1] * reach[..., 0])

    across = side(a) * side(b) < 0
    return bool((across & across.T).any())


def test_very_long_outlines_are_not_told_from_their_runs():
    """More than 1024 points: not looked at run by run, however smooth; as many as that are."""
    phase = np.linspace(0, 2 * np.pi, 1024 + 2)[:-1]
    ring = np.column_stack([np.cos(phase), np.sin(phase)])
    assert polygons_of._runs_apart(Rings.of([ring, ring[:-1]])).tolist() == [False, True]
    assert polygons_of._runs_apart(Rings.of([])).shape == (0,)


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 2**31), points=st.integers(30, 400), rough=st.floats(0, 0.03))
def test_a_long_outline_crosses_where_every_pair_of_sides_says_so(seed, points, rough):
    """Rough rings with sides of very unlike length, far from the origin, some with a long chord: against all pairs."""
    rng = np.random.default_rng(seed)
    phase = np.sort(rng.uniform(0, rng.choice([3.0, 6.2]), points))
    shape = np.column_stack([np.cos(phase), np.sin(phase)]) + rough * rng.choice([0, 0.1, 1]) * rng.normal(size=(points, 2))
    shape = 1000 * rng.uniform(-1, 1, 2) + 200 * shape
    assert polygons_of._crosses(shape) == every_pair_crosses(shape)


@pytest.mark.parametrize("slim", [0.2, 0.02, 1.0])
def test_few_points_are_tried_in_pairs(slim, monkeypatch):
    """Of a slender ellipse of 400 points all with x below 2 cos(pi / 16) - 1 are set aside (the bound of supports an 8th of a
    half turn apart), which leaves 35 at each end. Of a circle none can be, but then only its convex hull is tried: without
    half of its points where these are moved inwards.
    """
    tried = []
    tables = polygons_of._tables
    monkeypatch.setattr(polygons_of, "_tables", lambda starts: tried.append(int(starts[-1])) or tables(starts))
    phase = np.arange(400) * np.pi / 200
    shape = np.column_stack([np.cos(phase), slim * np.sin(phase)])
    if slim == 1.0:
        shape *= np.where(np.arange(400) % 2, 0.995, 1.0)[:, None]
    (extent,), _ = diameters(Rings.of([shape]))
    assert extent == pytest.approx(2.0, rel=1e-12)
    assert tried == [200 if slim == 1.0 else 2 * 35]


def test_the_distance_between_sides_is_nothing_where_they_cross():
    """Sides of two triangles: an X, a T that touches, a T that stops short by 1, side by side 2 apart, end to end 3 apart."""
    sides = {
        0.0: [([0, 0], [10, 10], [10, 0], [0, 10]), ([0, 0], [10, 0], [5, 0], [5, 8]), ([0, 0], [9, 1], [6, -1], [1, 2])],
        1.0: [([0, 0], [10, 0], [5, 1], [5, 8])], 2.0: [([0, 0], [10, 0], [3, 2], [13, 2])],
        3.0: [([0, 0], [4, 0], [7, 0], [9, 0])],
    }  # fmt: skip
    for apart, pairs in sides.items():
        for a, b, c, d in pairs:
            for first, second in (((a, b), (c, d)), ((b, a), (c, d)), ((c, d), (b, a))):
                rings = Rings.of([np.array([*first, [100.0, 50.0]], float), np.array([*second, [100.0, -50.0]], float)])
                assert polygons_of.edge_gaps(rings, np.array([0]), np.array([3])) == pytest.approx([apart], abs=1e-12)
