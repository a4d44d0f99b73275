"""The largest circle in an outline, against closed forms and SciPy's distance transform."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from skimage.draw import polygon2mask

from specimeter.measure import inscribed
from specimeter.measure.inscribed import largest_circles
from specimeter.measure.polygon import Rings


def width(*polygons: np.ndarray) -> np.ndarray:
    """Diameters of the largest circles."""
    return 2 * largest_circles(Rings.of(polygons)).radius


def turned(polygon: np.ndarray, angle: float, scale: float = 1.0, shift=(0.0, 0.0)) -> np.ndarray:
    cosine, sine = np.cos(angle), np.sin(angle)
    return scale * polygon @ np.array([[cosine, sine], [-sine, cosine]]) + shift


@settings(deadline=None, max_examples=40)
@given(a=st.floats(1, 100), b=st.floats(0.05, 1), angle=st.floats(0, 3.2))
def test_ellipse(a, b, angle):
    """Its largest circle has the short axis as its diameter; near the middle other circles are hardly smaller."""
    phase = np.arange(400) * np.pi / 200
    assert width(turned(np.column_stack([a * np.cos(phase), b * a * np.sin(phase)]), angle))[0] == pytest.approx(
        2 * a * b, rel=2.5e-2
    )


@settings(deadline=None, max_examples=40)
@given(long=st.floats(1, 60), angle=st.floats(0, 3.2), scale=st.floats(1e-3, 1e3))
def test_rectangle(long, angle, scale):
    """As wide as its short side. The tolerance is the last stride's."""
    rectangle = np.array([[0, 0], [long, 0], [long, 1], [0, 1.0]])
    assert width(turned(rectangle, angle, scale, (300.0, -20.0)))[0] == pytest.approx(scale, rel=7e-3)


def test_corner_of_an_l():
    """In an L whose arms are w wide the largest circle touches both outer sides and the inner corner: d = 2 w (2 - sqrt 2)."""
    w = 3.0
    ell = np.array([[0, 0], [20, 0], [20, w], [w, w], [w, 20], [0, 20.0]])
    assert width(ell)[0] == pytest.approx(2 * w * (2 - np.sqrt(2)), rel=5e-3)


def test_triangle_has_its_incircle():
    """3-4-5: radius 1 (area over half the perimeter)."""
    assert width(np.array([[0, 0], [4, 0], [0, 3.0]]))[0] == pytest.approx(2.0, rel=5e-3)


def test_thin_crooked_crack():
    """A sine of half-width 0.05 mm along its normal, 20 mm long: the width is 0.1 mm."""
    t = np.linspace(0, 20, 2000)
    path = np.column_stack([t, np.sin(t)])
    normal = np.column_stack([-np.cos(t), np.ones_like(t)]) / np.sqrt(1 + np.cos(t) ** 2)[:, None]
    assert width(np.concatenate([path + 0.05 * normal, (path - 0.05 * normal)[::-1]]))[0] == pytest.approx(0.1, rel=0.005)


def test_the_thickest_place_is_found_among_several():
    """A dumb-bell with unlike bells, 300 to 1 long: a start from the middle or from one end alone would fail."""
    x = np.linspace(0, 300, 3001)
    half = 0.5 + 2.0 * np.exp(-((x - 60) ** 2) / 50) + 2.2 * np.exp(-((x - 250) ** 2) / 50)
    outline = np.concatenate([np.column_stack([x, half]), np.column_stack([x, -half])[::-1]])
    fine = np.linspace(0, 300, 30001)
    edge = np.column_stack([fine, 0.5 + 2.0 * np.exp(-((fine - 60) ** 2) / 50) + 2.2 * np.exp(-((fine - 250) ** 2) / 50)])
    truth = max(np.hypot(*(edge - [c, 0]).T).min() for c in np.linspace(245, 255, 201))
    assert width(outline)[0] == pytest.approx(2 * truth, rel=5e-3)


@pytest.mark.parametrize("seed", range(6))
def test_agrees_with_the_distance_transform(seed):
    """scipy.ndimage.distance_transform_edt on a raster of 20 cells to the unit: right to about a cell."""
    rng = np.random.default_rng(seed)
    phase = np.arange(90) * np.pi / 45
    radius = 8 + sum(rng.normal(0, 1.2 / k) * np.cos(k * phase + rng.uniform(0, 6)) for k in range(2, 7))
    blob = np.column_stack([radius * np.cos(phase), 0.6 * radius * np.sin(phase)]) + rng.normal(0, 0.03, (90, 2))
    cells = (blob - blob.min(axis=0) + 1) * 20
    depth = ndimage.distance_transform_edt(polygon2mask(np.ceil(cells.max(axis=0) + 20).astype(int), cells)).max() / 20
    assert width(blob)[0] == pytest.approx(2 * depth, abs=0.12)


def test_many_at_once_are_as_each_alone():
    rng = np.random.default_rng(5)
    phase = np.arange(30) * np.pi / 15
    blobs = [
        np.column_stack([rng.uniform(1, 5) * np.cos(phase), rng.uniform(1, 5) * np.sin(phase)]) + rng.normal(0, 300, 2)
        for _ in range(50)
    ]
    assert width(*blobs) == pytest.approx([width(blob)[0] for blob in blobs], rel=1e-9)


@pytest.mark.parametrize("long", [100.0, 1000.0, 20000.0])
def test_hair_thin_outlines_do_not_leak(long):
    """A hair 1 wide, askew: thinner than the raster's cells in the last case."""
    hair = np.array([[0, 0], [long, 0], [long, 1], [0, 1.0]])
    assert width(turned(hair, 0.7))[0] == pytest.approx(1.0, rel=0.005)


def blob(seed: int) -> np.ndarray:
    """A simple wavy ring, drawn out by up to five times and turned."""
    rng = np.random.default_rng(seed)
    turn = np.linspace(0, 2 * np.pi, int(rng.integers(20, 400)), endpoint=False)
    radius = 1 + sum(rng.uniform(0, 0.35 / k) * np.cos(k * turn + rng.uniform(0, 6)) for k in range(2, 6))
    shape = np.column_stack([rng.uniform(1, 5) * np.cos(turn), np.sin(turn)]) * radius[:, None]
    return turned(shape, rng.uniform(0, 3), 10 ** rng.uniform(-1, 2), rng.uniform(-50, 50, 2))


@pytest.mark.parametrize("seed", range(25))
def test_the_circle_lies_within_and_touches_where_it_says(seed):
    """No edge nearer to the centre than the radius; both places that it names lie a radius off, on the outline, unlike each
    other; and no centre of a fine raster has a greater circle by more than 1 %.
    """
    ring = blob(seed)
    ends = np.roll(ring, -1, axis=0)
    found = largest_circles(Rings.of([ring]))
    radius, centre = float(found.radius[0]), found.centre[0]

    def away(points: np.ndarray) -> np.ndarray:
        way = ends - ring
        share = np.clip(np.sum((points[:, None] - ring) * way, axis=2) / np.sum(way**2, axis=1), 0, 1)
        return np.hypot(*np.moveaxis(points[:, None] - ring - share[..., None] * way, -1, 0)).min(axis=1)

    assert away(centre[None])[0] == pytest.approx(radius, rel=1e-6)
    edges, shares = found.edges[0], found.shares[0]
    places = ring[edges] + shares[:, None] * (ends[edges] - ring[edges])
    assert np.hypot(*(places - centre).T) == pytest.approx([radius, radius], rel=1e-6)
    assert np.all((shares >= 0) & (shares <= 1))
    assert edges[0] != edges[1]
    low, high = ring.min(axis=0), ring.max(axis=0)
    raster = np.stack(np.meshgrid(*(np.linspace(a, b, 40) for a, b in zip(low, high, strict=True))), axis=-1).reshape(-1, 2)
    inside = raster[points_in(ring, raster)]
    assert away(inside).max() <= 1.01 * radius
    assert points_in(ring, centre[None])[0]


def points_in(ring: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Whether each point lies within, by the parity of the sides that a ray crosses."""
    a, b = ring, np.roll(ring, -1, axis=0)
    over = (a[:, 1] > points[:, 1, None]) != (b[:, 1] > points[:, 1, None])
    with np.errstate(divide="ignore", invalid="ignore"):
        at = a[:, 0] + (points[:, 1, None] - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0])
    return np.sum(over & (at > points[:, :1]), axis=1) % 2 == 1


def test_a_great_many_are_taken_apart_and_put_together_again():
    """More points than are worked on at once: each circle as alone, its edges those of its own polygon."""
    rings = [blob(100 + seed) for seed in range(12)]
    together = largest_circles(Rings.of(rings))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(inscribed, "AT_ONCE", 300)
        patch.setattr(inscribed, "RASTER", 9000)
        apart = largest_circles(Rings.of(rings))
    assert apart.radius == pytest.approx(together.radius, rel=1e-9)
    assert apart.centre == pytest.approx(together.centre, rel=1e-9)
    assert apart.edges.tolist() == together.edges.tolist()
    assert apart.shares == pytest.approx(together.shares, abs=1e-9)


def to_edges(ring: np.ndarray, point: np.ndarray) -> np.ndarray:
    """Distance of a point from each side."""
    way = np.roll(ring, -1, axis=0) - ring
    share = np.clip(np.sum((point - ring) * way, axis=1) / np.sum(way**2, axis=1), 0, 1)
    return np.hypot(*(point - ring - share[:, None] * way).T)


def test_edges_are_listed_that_have_an_end_among_those_asked_for():
    """Of a ring of 4 and one of 6 points: each edge whose first or last point is true, once; the last edge ends in the first
    point. A polygon's column repeats its last point to the length of the longest.
    """
    sides = inscribed._Sides.of(Rings.of([np.random.default_rng(1).normal(size=(count, 2)) for count in (4, 6)]))
    assert sides.x.shape == (6, 2)
    asked = np.zeros((6, 2), bool)
    asked[2, 0] = asked[0, 1] = True
    edges, owner, begins = sides.entering(asked)
    assert (edges.tolist(), owner.tolist(), begins.tolist()) == ([1, 2, 4, 9], [0, 0, 1, 1], [0, 2])
    asked[2, 0], asked[3:, 0] = False, True  # the last point, as often as it stands there
    edges, owner, begins = sides.entering(asked)
    assert (sorted(set(edges.tolist())), begins.tolist()) == ([2, 3, 4, 9], [0, len(edges) - 2])


def grown_among_all(ring: np.ndarray, place: np.ndarray) -> float:
    """The radius to which a circle grows from there as the docstring of `_between_edges` says, by every edge and point."""
    edge = np.roll(ring, -1, axis=0) - ring
    square = np.sum(edge**2, axis=1)
    share = np.clip(np.sum((place - ring) * edge, axis=1) / square, 0, 1)
    away = place - ring - share[:, None] * edge
    which = int(np.argmin(np.hypot(*away.T)))
    near = float(np.hypot(*away[which]))
    foot, inward = place - away[which], away[which] / near
    around = np.sum(ring[:, 0] * np.roll(ring[:, 1], -1) - ring[:, 1] * np.roll(ring[:, 0], -1))
    normal = np.sign(around) * np.column_stack([-edge[:, 1], edge[:, 0]]) / np.sqrt(square)[:, None]
    reach = ring - foot
    with np.errstate(divide="ignore", invalid="ignore"):
        line = np.sum(-reach * normal, axis=1) / (1 - normal @ inward)
        along = np.sum((line[:, None] * inward - reach) * edge, axis=1) / square
        line[~((along >= 0) & (along <= 1) & (line > 0) & (normal @ inward < 1 - 1e-6))] = np.inf
        ahead = reach @ inward
        point = np.where(ahead > 1e-9 * np.sqrt(square), np.sum(reach**2, axis=1) / (2 * ahead), np.inf)
    radius = np.maximum(np.minimum(line, point), near)
    radius[which] = np.inf
    return float(radius.min()) if np.isfinite(radius).any() else near


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("scale", [0.01, 1.0, 300.0])
def test_no_edge_that_stops_a_circle_is_missed(seed, scale):
    """From places all over the inside, also far from the ring's first point: the same radius as by every edge and point. Where
    the circle cannot grow beyond what is asked it is not larger than that, else the same.
    """
    ring = scale * (blob(seed) - blob(seed)[0])
    rng = np.random.default_rng(seed)
    places = np.array(
        [point for point in rng.uniform(ring.min(axis=0), ring.max(axis=0), (80, 2)) if points_in(ring, point[None])[0]]
    )
    wanted = np.array([grown_among_all(ring, place) for place in places])
    sides = inscribed._Sides.of(Rings.of([ring, 0.5 * ring[::3]] * len(places)))
    centres = np.repeat(places, 2, axis=0)
    grown = inscribed._between_edges(sides, centres)
    assert grown.radius[::2] == pytest.approx(wanted, rel=1e-9)
    beyond = np.repeat(wanted * rng.choice([0.5, 0.999, 1.001, 2.0], len(wanted)), 2)
    further = inscribed._between_edges(sides, centres, beyond=beyond).radius[::2]
    larger = wanted > beyond[::2]
    assert larger.any()
    assert not larger.all()
    assert further[larger] == pytest.approx(wanted[larger], rel=1e-9)
    assert (further[~larger] <= beyond[::2][~larger]).all()


@pytest.mark.parametrize("seed", range(12))
def test_a_circle_grown_from_any_place_inside_fits_and_touches_twice(seed):
    """From places all over the inside: no side nearer than the radius, both named places as far, none smaller than before."""
    ring = 37.0 * (blob(seed) - blob(seed)[0])
    low, high = ring.min(axis=0), ring.max(axis=0)
    rng = np.random.default_rng(seed)
    places = [point for point in rng.uniform(low, high, (60, 2)) if points_in(ring, point[None])[0]][:20]
    rings = Rings.of([ring] * len(places))
    grown = inscribed._between_edges(inscribed._Sides.of(rings), np.array(places))
    ends = np.roll(ring, -1, axis=0)
    for k, place in enumerate(places):
        centre, radius = grown.centre[k], grown.radius[k]
        assert to_edges(ring, centre).min() == pytest.approx(radius, rel=1e-6)
        assert radius >= to_edges(ring, place).min() * (1 - 1e-9)
        edges = grown.edges[k] - rings.starts[k]
        touched = ring[edges] + grown.shares[k][:, None] * (ends[edges] - ring[edges])
        assert np.hypot(*(touched - centre).T) == pytest.approx([radius, radius], rel=1e-6)
        assert np.hypot(*(touched[0] - place)) == pytest.approx(to_edges(ring, place).min(), rel=1e-6)


@pytest.mark.parametrize("turn", [0.7, -0.4, 1.6, 2.9])
@pytest.mark.parametrize(("long", "wide"), [(20000.0, 1.0), (50.0, 3.0), (400.0, 1.0)])
def test_places_to_begin_from_lie_inside(long, wide, turn):
    """However thin and turned, drawn either way round: all places that a climb begins from lie inside, and there is a first."""
    along = np.linspace(0, long, 41)
    strip = np.concatenate([np.column_stack([along, 0 * along]), np.column_stack([along[::-1], 0 * along + wide])])
    for ring in (turned(strip, turn, 1.0, (30.0, -8.0)), turned(strip, turn, 1.0, (30.0, -8.0))[::-1], blob(3), blob(8)[::-1]):
        places = inscribed._peaks(Rings.of([ring]))[0]
        there = places[np.isfinite(places[:, 0])]
        assert len(there) >= 1
        assert points_in(ring, there).all()


def test_no_outlines_no_circles():
    none = largest_circles(Rings.of([]))
    assert [part.shape for part in (none.centre, none.radius, none.edges, none.shares)] == [(0, 2), (0,), (0, 2), (0, 2)]


def test_few_edges_are_looked_at_before_a_circle_stops(monkeypatch):
    """Of an ellipse's 400 edges those that enter the circle which the first point stops: not a tenth of them; and none where
    the circle cannot grow beyond what is asked.
    """
    looked = []
    stopped = inscribed._stopped

    def counted(sides, foot, inward, near, which, edges, owner, begins):
        looked.append(len(edges))
        return stopped(sides, foot, inward, near, which, edges, owner, begins)

    monkeypatch.setattr(inscribed, "_stopped", counted)
    phase = np.arange(400) * np.pi / 200
    sides = inscribed._Sides.of(Rings.of([np.column_stack([3.0 * np.cos(phase), np.sin(phase)])]))  # about its point [3, 0]
    for place in ([-2.9, 0.2], [-1.0, -0.3], [-5.6, 0.1]):
        grown = inscribed._between_edges(sides, np.array([place]))
        assert 0 < grown.radius[0] <= 1.0
        assert inscribed._between_edges(sides, np.array([place]), beyond=np.array([1.01])).radius[0] == 0.0
    assert all(0 < many < 40 for many in looked[::2])
    assert looked[1::2] == [0, 0, 0]


def test_deep_cells_are_the_deepest_of_each_box_and_others_apart_from_it():
    """Boxes of 6 and 4 rows: in the first one 4 deep, another of 3.2 (0.9 of 4 less 0.7 is 2.9) more than 7 cells away, and
    one of 3.9 within 7 cells, which is no place of its own; of two that are alike the first, row by row; in the second box
    its deepest alone.
    """
    depth = np.zeros((10, 30), np.float32)
    depth[2, 3] = depth[3, 5] = 4.0
    depth[4, 9], depth[5, 11], depth[1, 20], depth[8, 25] = 3.9, 3.2, 2.8, 1.5
    cells, most = inscribed._deepest(depth, np.array([0, 6]))
    assert most.tolist() == [4.0, 1.5]
    assert cells[0, :2].tolist() == [[3, 2], [11, 5]]
    assert cells[1, 0].tolist() == [25, 2]
    assert np.isnan(cells[0, 2]).all()
    assert np.isnan(cells[1, 1:]).all()


def beads(*radii: float) -> np.ndarray:
    """Discs of those radii in a row, 3 apart, on a rod 0.1 thick."""
    x = np.linspace(-1.5, 3.0 * len(radii) - 1.5, 1200 * len(radii))
    high = np.maximum.reduce([np.sqrt(np.maximum(r**2 - (x - 3.0 * k) ** 2, 0.05**2)) for k, r in enumerate(radii)])
    return np.concatenate([np.column_stack([x, high]), np.column_stack([x, -high])[::-1]])


@pytest.mark.parametrize(
    ("radii", "begun"),
    [((1.0,), [0]), ((0.93, 1.0), [3, 0]), ((0.8, 1.0), [3]), ((1.0, 0.99, 0.98, 0.97), [0, 3, 6]), ((0.3, 1.0, 0.96), [3, 6])],
)
@pytest.mark.parametrize("scale", [1e-3, 1.0, 50.0])
def test_a_climb_begins_in_the_thickest_places_that_are_nearly_alike(radii, begun, scale):
    """In the middles of discs, the thickest first, of at most three; none in one that is a fifth thinner; each within a
    twelfth of the disc, at any size (the raster is that fine).
    """
    peaks = inscribed._peaks(Rings.of([turned(beads(*radii), 0.4, scale, (7.0 * scale, 0.0))]))[0]
    assert peaks.shape == (3, 2)
    wanted = turned(np.column_stack([begun, np.zeros(len(begun))]), 0.4, scale, (7.0 * scale, 0.0))
    assert np.isfinite(peaks).all(axis=1).tolist() == [k < len(begun) for k in range(3)]
    assert np.hypot(*(peaks[: len(begun)] - wanted).T).max() < scale / 12


def climbed_between_two_lines(half: float, at: float, crest: float) -> float:
    """Radius at the end of a climb between lines that open by `half` radians to either side of an axis, until `crest`.

    The circle at x has the radius sin(half) min(x, 2 crest - x), and each stride is so much of that: uphill or, after one that
    led down, the other way.
    """

    def radius(x):
        return np.sin(half) * min(x, 2 * crest - x)

    way = 1.0
    for stride in (0.4, 0.4, 0.2, 0.2, 0.1, 0.1, 0.05):  # widths of issued records rest on these
        tried = at + way * (1.0 if at < crest else -1.0) * stride * radius(at)
        at, way = (tried, 1.0) if radius(tried) > radius(at) else (at, -way)
    return radius(at)


@pytest.mark.parametrize("turn", [0.0, 0.8, 2.6, 4.1])
@pytest.mark.parametrize(
    ("half", "at", "crest"), [(0.3, 2.0, 9.0), (0.3, 2.0, 2.1), (0.3, 2.3, 2.25), (0.7, 1.0, 50.0), (0.7, 1.0, 1.3)]
)
def test_between_two_lines_a_climb_goes_uphill_by_its_strides(half, at, crest, turn):
    """In a rhombus, from a place on its axis, where the circles are known in closed form; whichever way round it is drawn."""
    corners = np.array([[0.0, 0.0], [crest, crest * np.tan(half)], [2 * crest, 0.0], [crest, -crest * np.tan(half)]])
    ring, place = (turned(points, turn, 1.0, (3.0, -2.0)) for points in (corners, np.array([[at, 0.0]])))
    for polygon in (ring, ring[::-1]):
        radius = inscribed._climbed(Rings.of([polygon]), place).radius[0]
        assert radius == pytest.approx(climbed_between_two_lines(half, at, crest), rel=1e-9)


def test_in_a_hair_a_climb_begins_just_inside_three_of_its_edges():
    """A sixth, a half and five sixths of the way round, a tenth of half its thickness from the edge there; whichever way round
    it is drawn, and whatever lies before and after it.
    """
    x = np.linspace(0.0, 10.0, 13)
    hair = np.concatenate([np.column_stack([x, 0 * x]), np.column_stack([x, 0 * x + 0.002])[::-1]])
    disc = np.column_stack([np.cos(np.arange(40) * np.pi / 20), np.sin(np.arange(40) * np.pi / 20)])
    half = 10.0 * 0.002 / (2 * 10.002)  # area over perimeter
    for ring in (turned(hair, 0.5, 1.0, (4.0, 1.0)), turned(hair, 0.5, 1.0, (4.0, 1.0))[::-1]):
        peaks = inscribed._peaks(Rings.of([disc, ring, disc + 30.0, disc]))[1]
        for peak, first in zip(peaks, (4, 13, 21), strict=True):
            one, two = ring[first], ring[first + 1]
            along = (two - one) / np.hypot(*(two - one))
            assert np.hypot(*(peak - (one + two) / 2)) == pytest.approx(0.1 * half, rel=1e-6)
            assert (peak - one) @ along == pytest.approx(np.hypot(*(two - one)) / 2, rel=1e-6)
        assert points_in(ring, peaks).all()
