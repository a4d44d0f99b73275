"""Undercuts of known depth and root radius, photographed by a blur and a pixel grid, and measured."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares, minimize

from specimeter.measure import undercut
from specimeter.measure.undercut import measure_undercut, stress_concentration
from specimeter.segment.plates import Run

PLATE = Run(
    point=np.zeros(2),
    direction=np.array([1.0, 0.0]),
    normal=np.array([0.0, -1.0]),
    first=0,
    last=1,
    length_mm=20.0,
    scatter_mm=0.005,
    u_offset_mm=0.002,
    u_angle_rad=1e-4,
)


def photographed(radius, depth, half_deg, px_mm, blur_px, seed=0, noise=0.004, right_deg=None):
    """Half-level contour of a V notch with a round root, as a camera of that pixel and blur draws it, in mm below y = 0.

    `right_deg`: of the right flank, if it is another angle than the left one's.
    """
    rng = np.random.default_rng(seed)
    fine = 8
    left, right = np.radians(half_deg), np.radians(half_deg if right_deg is None else right_deg)
    reach = depth * np.tan(max(left, right)) + radius + 12 * px_mm
    width, height = int(2 * reach / px_mm), int((depth + 24 * px_mm) / px_mm)
    x = (np.arange(width * fine) + 0.5) / fine * px_mm - reach + rng.uniform(-0.5, 0.5) * px_mm
    y = (np.arange(height * fine)[:, None] + 0.5) / fine * px_mm - 12 * px_mm
    centre = depth - radius

    def open_at(half):
        tangent = centre + radius * np.sin(half)
        return np.where(
            y > tangent,
            np.sqrt(np.maximum(radius**2 - (y - centre) ** 2, 0.0)) * (y < depth),
            radius * np.cos(half) + (tangent - y) * np.tan(half),
        )

    air = (((x < open_at(right)) & (x > -open_at(left))) | (y < 0)).astype(np.float32)
    light = cv2.GaussianBlur(air, (0, 0), blur_px * fine)
    light = cv2.resize(light, (width, height), interpolation=cv2.INTER_AREA)
    light = light + rng.normal(0, noise, light.shape).astype(np.float32)
    points = []
    for column in range(width):  # from above, the first crossing of the half-level in each column and each row
        line = light[:, column]
        for k in np.flatnonzero((line[:-1] >= 0.5) != (line[1:] >= 0.5))[:1]:
            points.append((column, k + (line[k] - 0.5) / (line[k] - line[k + 1])))
    for row in range(height):
        line = light[row]
        for k in np.flatnonzero((line[:-1] >= 0.5) != (line[1:] >= 0.5)):
            points.append((k + (line[k] - 0.5) / (line[k] - line[k + 1]), row))
    points = np.array(points)
    mm = (points + 0.5) * px_mm - [reach, 12 * px_mm]
    mm = mm[mm[:, 1] > 0.0]
    middle = np.array([np.median(mm[:, 0]), 0.0])
    order = np.argsort(np.arctan2(mm[:, 0] - middle[0], mm[:, 1] + 0.05 * depth))
    return mm[order]


@pytest.mark.parametrize("px_mm", [0.02, 0.04])
@pytest.mark.parametrize(("radius", "depth", "half_deg"), [(0.25, 0.8, 25), (0.5, 0.8, 40), (1.0, 1.0, 45), (0.4, 1.5, 15)])
def test_depth_and_radius_of_resolved_roots(radius, depth, half_deg, px_mm):
    """The radius within 15 %, and within its own interval; the width that of arc and tangents (plane geometry)."""
    notch = photographed(radius, depth, half_deg, px_mm, 0.9)
    found = measure_undercut(notch, PLATE, blur_mm=0.9 * px_mm, px_mm=px_mm, u_edge_mm=0.1 * px_mm)
    assert found.depth_mm == pytest.approx(depth, abs=0.03)
    assert found.root_radius_mm == pytest.approx(radius, rel=0.15)
    assert abs(found.root_radius_mm - radius) < 2.5 * found.u_root_radius_mm
    assert found.opening_angle_deg == pytest.approx(2 * half_deg, abs=6)
    assert found.stress_concentration == pytest.approx(1 + 2 * np.sqrt(depth / radius), rel=0.09)
    left, right = found.outline[1] - found.outline[0], found.outline[-2] - found.outline[-1]
    assert np.degrees(np.arctan2(left[0], left[1])) == pytest.approx(half_deg, abs=6)
    assert np.degrees(np.arctan2(-right[0], right[1])) == pytest.approx(half_deg, abs=6)
    assert found.outline[:, 1].max() == pytest.approx(found.depth_mm, abs=0.001)
    half = np.radians(half_deg)
    wide = 2 * (radius * np.cos(half) + (radius * np.sin(half) + depth - radius) * np.tan(half))
    assert found.width_mm == pytest.approx(wide, abs=1.5 * px_mm)
    assert 2 * px_mm <= found.u_width_mm < 4 * px_mm


@pytest.mark.parametrize("px_mm", [0.04, 0.08])
def test_a_sharp_root_gets_an_upper_bound_that_holds(px_mm):
    """Radius 0.01 mm, far below a pixel: never a number, and a bound above it that is not absurd."""
    notch = photographed(0.01, 0.6, 25, px_mm, 0.9)
    found = measure_undercut(notch, PLATE, blur_mm=0.9 * px_mm, px_mm=px_mm, u_edge_mm=0.1 * px_mm)
    assert found.root_radius_mm is None
    assert 0.01 < found.root_radius_at_most_mm < 3.0 * px_mm
    assert found.stress_concentration == stress_concentration(found.depth_mm, found.root_radius_at_most_mm)
    assert abs(found.depth_mm - 0.6) < 2 * found.u_depth_mm  # a sharp root is deeper than its blurred picture
    assert 2 * found.u_depth_mm < 2.5 * px_mm


def test_a_shallow_sharp_notch_is_worse_than_a_deep_round_one():
    """Depth 0.4 mm at radius 0.05 mm against depth 1.2 mm at radius 1 mm (Inglis 1913: 1 + 2 sqrt(d / r))."""
    assert stress_concentration(0.4, 0.05) > 2 * stress_concentration(1.2, 1.0) * 0.9
    assert stress_concentration(1.0, 1.0) == 3.0


def test_what_is_no_notch_is_not_measured():
    assert measure_undercut(np.zeros((5, 2)), PLATE, blur_mm=0.03, px_mm=0.03, u_edge_mm=0.003) is None
    flat = np.column_stack([np.linspace(0, 1, 50), np.full(50, 0.01)])
    assert measure_undercut(flat, PLATE, blur_mm=0.03, px_mm=0.03, u_edge_mm=0.003) is None


PX_MM, BLUR_MM = 0.04, 0.036


@cache
def round_notch() -> np.ndarray:
    """Radius 0.5 mm, depth 0.8 mm, flanks at 40 degrees, 0.04 mm to the pixel."""
    return photographed(0.5, 0.8, 40, PX_MM, 0.9)


def found_in(notch, plate=PLATE, **changes):
    return measure_undercut(notch, plate, **({"blur_mm": BLUR_MM, "px_mm": PX_MM, "u_edge_mm": 0.1 * PX_MM} | changes))


def test_each_source_adds_its_square():
    """Plate's line, half of the edge's own (it moves plate and root alike), and the scale's share of the depth; an edge that
    lies out all round makes the radius larger by as much; and a mouth is as sure as its two ends (JCGM 100:2008, 5.1.2).
    """
    plain, wavy = found_in(round_notch()), found_in(round_notch(), replace(PLATE, u_offset_mm=0.05))
    assert wavy.u_depth_mm**2 - plain.u_depth_mm**2 == pytest.approx(0.05**2 - PLATE.u_offset_mm**2)
    assert wavy.u_root_radius_mm == plain.u_root_radius_mm
    rough = found_in(round_notch(), u_edge_mm=0.06)
    added = 0.06**2 - (0.1 * PX_MM) ** 2
    assert rough.u_depth_mm**2 - plain.u_depth_mm**2 == pytest.approx(0.25 * added)
    assert rough.u_root_radius_mm**2 - plain.u_root_radius_mm**2 == pytest.approx(added)
    assert (plain.u_width_mm, rough.u_width_mm) == pytest.approx((2 * PX_MM, 0.12))
    loose = found_in(round_notch(), u_rel=0.02)
    assert loose.u_depth_mm**2 - plain.u_depth_mm**2 == pytest.approx((0.02 * plain.depth_mm) ** 2)
    assert loose.u_width_mm**2 - plain.u_width_mm**2 == pytest.approx((0.02 * plain.width_mm) ** 2)


def test_uncertainties_are_those_of_a_photograph():
    """Of the depth at least 0.6 px, which a followed edge keeps out of a notch, and hardly more than that; of the radius at
    least 15 % (edges as cut are no arcs); of the angle what the noise makes of it.
    """
    found = found_in(round_notch())
    assert 0.6 * PX_MM < found.u_depth_mm < 0.8 * PX_MM
    assert 0.15 * found.root_radius_mm < found.u_root_radius_mm < 0.2 * found.root_radius_mm
    assert 0.05 < found.u_opening_angle_deg < 0.5
    noisy = found_in(photographed(0.5, 0.8, 40, PX_MM, 0.9, noise=0.04))
    assert noisy.u_opening_angle_deg > 2 * found.u_opening_angle_deg


@pytest.mark.parametrize("seed", range(4))
def test_the_angle_is_within_its_interval(seed):
    """Of four noisy photographs of unlike notches, each within 2.5 standard uncertainties."""
    rng = np.random.default_rng(seed)
    half = float(rng.uniform(20, 45))
    found = found_in(photographed(float(rng.uniform(0.3, 0.6)), 1.0, half, PX_MM, 0.9, seed=seed, noise=0.03))
    assert abs(found.opening_angle_deg - 2 * half) < 2.5 * np.hypot(found.u_opening_angle_deg, 1.0)
    assert found.depth_mm == pytest.approx(1.0, abs=2 * found.u_depth_mm)


def test_where_the_notch_lies_and_which_way_it_is_walked_changes_nothing():
    """The plate turned by 70 degrees and elsewhere, the outline from its other end, and its mirror image."""
    plain = found_in(round_notch())
    c, s = np.cos(np.radians(70)), np.sin(np.radians(70))
    turn, place = np.array([[c, s], [-s, c]]), np.array([30.0, -20.0])
    moved = replace(PLATE, point=place, direction=PLATE.direction @ turn, normal=PLATE.normal @ turn)
    mirrored = round_notch() * [-1.0, 1.0]
    for other in (found_in(round_notch() @ turn + place, moved), found_in(round_notch()[::-1]), found_in(mirrored)):
        assert other.depth_mm == pytest.approx(plain.depth_mm, abs=0.003)
        assert other.width_mm == pytest.approx(plain.width_mm, abs=0.01)
        assert other.root_radius_mm == pytest.approx(plain.root_radius_mm, rel=0.03)
        assert other.opening_angle_deg == pytest.approx(plain.opening_angle_deg, abs=1.5)
    back = found_in(round_notch()[::-1])
    assert (back.depth_mm, back.root_radius_mm, back.width_mm) == pytest.approx(
        (plain.depth_mm, plain.root_radius_mm, plain.width_mm), rel=1e-6
    )
    turned = found_in(round_notch() @ turn + place, moved)
    assert turned.centre == pytest.approx(plain.centre @ turn + place, abs=0.01)
    assert turned.outline == pytest.approx(plain.outline @ turn + place, abs=0.05)


def test_the_fitted_notch_is_drawn_as_an_arc_between_its_flanks():
    """Every point between the two ends lies a radius from the centre, which lies as much above the root; the ends above the
    plate's surface; and the outline as seen lies on it within half a pixel.
    """
    found = found_in(round_notch())
    mouth = 2 * (0.5 * np.cos(np.radians(40)) + (0.3 + 0.5 * np.sin(np.radians(40))) * np.tan(np.radians(40)))
    assert found.width_mm == pytest.approx(mouth, abs=0.02)  # where the flanks come to the surface
    arc = found.outline[1:-1]
    assert np.hypot(*(arc - found.centre).T) == pytest.approx(found.root_radius_mm)
    assert found.centre == pytest.approx([0.0, found.depth_mm - found.root_radius_mm], abs=0.02)
    turned = np.degrees(np.ptp(np.arctan2(*(arc - found.centre).T)))
    assert turned == pytest.approx(180.0 - found.opening_angle_deg, abs=0.1)
    assert found.outline[[0, -1], 1].max() < 0.0
    assert found.outline[[0, -1], 1].min() > -0.5 * found.depth_mm
    deep = round_notch()[round_notch()[:, 1] > 0.25]
    fine = np.column_stack(
        [np.interp(np.linspace(0, 1, 2000), np.linspace(0, 1, len(found.outline)), k) for k in found.outline.T]
    )
    off = np.hypot(*np.moveaxis(deep[:, None] - fine[None], -1, 0)).min(axis=1)
    assert off.max() < 0.5 * PX_MM


def test_flanks_of_two_angles_are_told_apart():
    """15 degrees on the left, 45 on the right: 60 between them, each drawn on its own side."""
    found = found_in(photographed(0.35, 1.2, 15, PX_MM, 0.9, right_deg=45))
    assert found.opening_angle_deg == pytest.approx(60, abs=3)
    left, right = found.outline[1] - found.outline[0], found.outline[-2] - found.outline[-1]
    assert np.degrees(np.arctan2(left[0], left[1])) == pytest.approx(15, abs=3)
    assert np.degrees(np.arctan2(-right[0], right[1])) == pytest.approx(45, abs=3)
    assert found.depth_mm == pytest.approx(1.2, abs=0.02)
    assert found.root_radius_mm == pytest.approx(0.35, rel=0.15)


def test_a_notch_must_be_deeper_than_two_pixels_and_than_the_blur():
    """Of one and a half pixels there is none; of four there is; nor where the blur is as deep."""
    assert found_in(photographed(0.05, 1.5 * PX_MM, 40, PX_MM, 0.9)) is None
    deep = photographed(0.05, 5 * PX_MM, 40, PX_MM, 0.9)
    assert found_in(deep) is not None
    assert found_in(deep, blur_mm=6 * PX_MM) is None
    assert found_in(deep[::12][:7]) is None  # seven points tell nothing


@pytest.mark.parametrize(("half_deg", "told"), [(50, True), (76, False)])
def test_an_arc_must_turn_to_have_a_radius(half_deg, told):
    """Through 80 degrees it does; through 28 (less than the 40 asked for) any radius fits as well."""
    found = found_in(photographed(0.8, 0.5, half_deg, PX_MM, 0.9))
    assert (found.root_radius_mm is not None) == told
    assert (found.u_root_radius_mm is not None) == told
    assert (found.root_radius_at_most_mm is None) == told


@pytest.mark.parametrize("radius_px", [0.5, 1.0, 2.0])
def test_a_radius_of_a_pixel_or_two_is_bounded_not_given(radius_px):
    """Below 3.5 blurs a round root cannot be told from a sharp one: the bound holds, the depth is unsure by a blur, and the
    stress concentration is the bound's, which is the least that it can be.
    """
    found = found_in(photographed(radius_px * PX_MM, 0.8, 30, PX_MM, 0.9))
    assert found.root_radius_mm is None
    assert radius_px * PX_MM < found.root_radius_at_most_mm < 8 * PX_MM
    assert BLUR_MM < found.u_depth_mm < 2 * BLUR_MM
    assert abs(found.depth_mm - 0.8) < 2 * found.u_depth_mm
    assert found.stress_concentration < stress_concentration(0.8, radius_px * PX_MM)


def test_the_same_root_nearer_is_told():
    """2 pixels at 0.04 mm are 8 at 0.01: the radius is given."""
    found = measure_undercut(photographed(0.08, 0.3, 30, 0.01, 0.9), PLATE, blur_mm=0.009, px_mm=0.01, u_edge_mm=0.001)
    assert found.root_radius_mm == pytest.approx(0.08, rel=0.15)


@pytest.mark.parametrize(("radius", "depth", "half_deg"), [(0.8, 0.95, 8), (0.52, 0.6, 10), (0.9, 1.1, 8)])
@pytest.mark.parametrize("seed", range(2))
def test_flanks_that_hardly_show_lean_outwards_and_their_angle_is_held(radius, depth, half_deg, seed):
    """A round root reaches up to a quarter of a millimetre below the surface (plane geometry), hardly lower than what is
    fitted: each flank leans outwards all the same, and the angle between them lies within its interval, no wider than can be.
    """
    found = found_in(photographed(radius, depth, half_deg, PX_MM, 0.9, seed=seed, noise=0.02))
    left, right = found.outline[1] - found.outline[0], found.outline[-2] - found.outline[-1]
    assert left[0] > 0
    assert right[0] < 0
    assert abs(found.opening_angle_deg - 2 * half_deg) < 2 * found.u_opening_angle_deg
    assert found.u_opening_angle_deg < 40
    assert found.depth_mm == pytest.approx(depth, abs=0.01)
    assert found.root_radius_mm == pytest.approx(radius, rel=0.01)


@pytest.mark.parametrize("scatter", [0.0, 2e-4, 1e-3, 4e-3, 1.0])
def test_the_largest_root_that_fits_is_told_by_how_much_worse_it_is(scatter):
    """Each radius held in turn, the rest fitted by a simplex: as long as the sum of squares rises by no more than (2 scatter)^2
    a larger one is tried; with no scatter none is, with a great deal the greatest of them.
    """
    sigma, start = 0.03, np.array([0.01, 0.5, np.log(0.06), 0.5, 0.6])
    points = undercut._outline(start, 0.4)[::2] + np.random.default_rng(2).normal(0, 2e-3, (25, 2))
    best = least_squares(lambda free: undercut._residuals(free, points, sigma), start, diff_step=1e-3).x
    least = float(np.sum(undercut._residuals(best, points, sigma) ** 2))
    wanted = np.exp(best[2])
    for factor in (1.25, 1.5, 2.0, 3.0, 4.5, 7.0):

        def rest(free, factor=factor):
            held = best[2] + np.log(factor)
            return np.sum(undercut._residuals(np.array([*free[:2], held, *free[2:]]), points, sigma) ** 2)

        if minimize(rest, best[[0, 1, 3, 4]], method="Nelder-Mead", options={"maxiter": 800}).fun > least + 4 * scatter**2:
            break
        wanted = np.exp(best[2]) * factor
    found = undercut._largest_that_fits(best, points, sigma, scatter)
    assert found == pytest.approx(wanted)
    if scatter in (0.0, 1.0):
        assert found == pytest.approx(np.exp(best[2]) * (1 if scatter == 0.0 else 7))


@pytest.mark.parametrize(("number", "factor"), [*enumerate((1.0, 1.25, 1.5, 2.0, 3.0, 4.5, 7.0))])
def test_of_a_misfit_that_grows_as_the_logarithm_squared_the_largest_root_is_told_in_closed_form(number, factor, monkeypatch):
    """A residual of the radius's logarithm alone, beside a misfit that no radius mends: a factor f adds (3 log f)^2 to the sum
    of squares, and may add (2 scatter)^2: from just above what a factor adds to just below what the next does it is the one.
    """
    best = np.array([0.2, 0.9, np.log(0.3), 0.4, 0.5])

    def misfit(shape, points, sigma):
        return np.array([0.7, 3.0 * (shape[2] - best[2]), *(shape - best)[[0, 1, 3, 4]]])

    monkeypatch.setattr(undercut, "_residuals", misfit)
    beyond = (1.25, 1.5, 2.0, 3.0, 4.5, 7.0, 9.0)[number]
    for scatter in (1.01 * 3.0 * np.log(factor) / 2, 0.99 * 3.0 * np.log(beyond) / 2):
        assert undercut._largest_that_fits(best, np.zeros((9, 2)), 0.03, scatter) == pytest.approx(0.3 * factor)


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("sigma", [0.02, 0.05])
def test_beside_a_straight_flank_the_blurred_level_is_the_normal_distribution(side, sigma):
    """Points off a flank by up to a standard deviation of the blur, far from root and surface: the level there is the normal
    distribution's integral, and its slope at the edge makes a residual a distance (closed form of a blurred half-plane).
    """
    shape = np.array([0.3, 3.0, np.log(0.4), 0.3, 0.6])
    angle = shape[3 if side < 0 else 4]
    off = sigma * np.linspace(-1, 1, 9)
    depth = np.linspace(1.0, 1.6, 9)
    begins, ends = undercut._sides(shape, depth)
    edge = np.column_stack([begins if side < 0 else ends, depth])
    outwards = np.array([side * np.cos(angle), np.sin(angle)])  # from the air into the metal
    level = 0.5 * np.array([math.erfc(one / sigma / np.sqrt(2)) for one in off])
    found = undercut._residuals(shape, edge + off[:, None] * outwards, sigma)
    assert found == pytest.approx((level - 0.5) * sigma * np.sqrt(2 * np.pi), abs=0.02 * sigma)


def test_the_sides_of_a_notch_are_its_tangents_and_its_arc():
    """A circle of 0.5 mm whose centre lies at (1, 0.7): at its height as wide as it is, above on the tangents at 20 and 50
    degrees, in the arc by Pythagoras, and below its foot none.
    """
    shape = np.array([1.0, 1.2, np.log(0.5), np.radians(20), np.radians(50)])
    depth = np.array([1.1, 0.0, 1.2, 1.5])
    begins, ends = undercut._sides(shape, depth)
    arc = np.sqrt(0.5**2 - 0.4**2)
    tangents = [(0.5 + 0.7 * np.sin(a)) / np.cos(a) for a in (np.radians(20), np.radians(50))]
    assert begins == pytest.approx([1 - arc, 1 - tangents[0], 1.0, 1.0])
    assert ends == pytest.approx([1 + arc, 1 + tangents[1], 1.0, 1.0])


def test_slopes_are_those_of_the_residuals():
    """Against differences over other steps, to what the model's raster leaves open at the root; and of the two flanks' own,
    which are held to their likely angle.
    """
    shape, sigma = np.array([0.02, 0.8, np.log(0.4), 0.5, 0.7]), 0.04
    points = undercut._outline(shape, 0.5)[1:-1] + np.random.default_rng(4).normal(0, 0.01, (48, 2))
    slopes = undercut._held_slopes(shape, points, sigma, PX_MM)
    for k, step in enumerate((0.004, 0.004, 0.03, 0.01, 0.01)):
        move = step * np.eye(5)[k]
        high, low = (undercut._held(shape + sign * move, points, sigma, PX_MM) for sign in (1, -1))
        assert slopes[:, k] == pytest.approx((high - low) / (2 * step), abs=0.15 * np.abs(slopes[:-2, k]).max())
    assert undercut._held(shape, points, sigma, PX_MM)[-2:] == pytest.approx(0.1 * PX_MM * (shape[3:] - 0.4))


def test_a_lens_is_no_sharper_than_a_pixel():
    """Whatever blur is told below 0.45 of a pixel, which its own width blurs: the same sizes; with more others."""
    sharp, told, plain, blurred = (found_in(round_notch(), blur_mm=share * PX_MM) for share in (0.0, 0.3, 0.45, 0.9))
    for name in ("depth_mm", "root_radius_mm", "opening_angle_deg", "u_depth_mm", "u_root_radius_mm"):
        assert getattr(sharp, name) == getattr(told, name) == getattr(plain, name) != getattr(blurred, name)


def test_a_root_of_a_thirtieth_of_a_deep_notch_is_told_where_pixels_are_fine():
    """24 um in 0.8 mm at 5 um to the pixel: its radius within 15 %, its depth within its U."""
    found = measure_undercut(photographed(0.024, 0.8, 25, 0.005, 0.9), PLATE, blur_mm=0.0045, px_mm=0.005, u_edge_mm=5e-4)
    assert found.root_radius_mm == pytest.approx(0.024, rel=0.15)
    assert found.depth_mm == pytest.approx(0.8, abs=2 * found.u_depth_mm)


def test_a_mouth_is_no_wider_than_the_outline_that_was_given():
    """Cut off a quarter of a millimetre below the surface, where the flanks lie 1.4 mm apart; drawn on they would be 1.8."""
    below = round_notch()[round_notch()[:, 1] > 0.25]
    assert found_in(below).width_mm == pytest.approx(abs(below[-1, 0] - below[0, 0]), abs=1e-12)
    assert found_in(round_notch()).width_mm > found_in(below).width_mm + 0.3


def test_flanks_that_do_not_show_at_all_are_unsure_by_what_is_held():
    """Half a circle, of whose flanks nothing is fitted: 0.45 radians each (judgement), together by the root of the squares."""
    found = found_in(photographed(0.8, 0.82, 5, PX_MM, 0.9, noise=0.02))
    assert found.u_opening_angle_deg == pytest.approx(np.degrees(0.45 * np.sqrt(2)), abs=1e-6)


@pytest.mark.parametrize(("depth", "noise"), [(1.6, 0.02), (1.6, 0.05)])
def test_of_sixteen_photographs_the_angles_scatter_by_what_each_says(depth, noise):
    """Monte Carlo (as in JCGM 101:2008): their root mean square error from the 60 degrees drawn against the u that is stated.

    Of sixteen it is known to 18 % (one standard deviation, 1 / sqrt(2 n)): three of these, and the fit's own share below it.
    """
    found = [found_in(photographed(0.5, depth, 30, PX_MM, 0.9, seed=seed, noise=noise)) for seed in range(16)]
    error = np.sqrt(np.mean([(one.opening_angle_deg - 60.0) ** 2 for one in found]))
    assert 0.6 < np.mean([one.u_opening_angle_deg for one in found]) / error < 1.7


def test_a_hole_of_one_point_is_no_notch():
    """Ten points just below the surface, one of them deep: nothing below three tenths of its depth to be fitted."""
    line = np.column_stack([np.linspace(0.0, 0.9, 10), np.full(10, 0.01)])
    line[5, 1] = 0.6
    assert found_in(line) is None
