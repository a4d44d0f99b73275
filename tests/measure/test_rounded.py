"""Tears at a bar's rounded long edge, seen aslant: lengths are those on the bar, not on the cylinder over it."""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.measure.rounded import ROUND_MM, U_ROUND_MM, on_edges
from specimeter.measure.sizes import measure
from specimeter.segment.model import Outline

HALF_MM = 10.0


def on_bar(surface, developed_mm: np.ndarray, round_mm: float) -> np.ndarray:
    """Pixels of points [s, a] of a bar whose long edges at +-HALF_MM are rounded: solid geometry, without specimeter's own."""
    s, a = np.asarray(developed_mm, float).T
    over = np.clip(np.abs(a) - (HALF_MM - round_mm), 0, round_mm)
    out = surface.radius_mm - (round_mm - np.sqrt(round_mm**2 - over**2))
    local = np.column_stack([out * np.sin(s / surface.radius_mm), a, out * np.cos(s / surface.radius_mm)])
    return surface.view.project(surface.axis_point_mm + local @ surface.frame)


def tear(side: float, length_mm: float) -> np.ndarray:
    """A wedge [s, a] that opens at an edge."""
    depth = np.linspace(0, length_mm, 60)
    half = 0.25 * (1 - depth / length_mm) + 0.01
    left, right = (np.column_stack([sign * half, HALF_MM - depth]) for sign in (1, -1))
    return np.concatenate([left, right[::-1]]) * [1, side]


def edges(surface, round_mm: float) -> tuple[np.ndarray, ...]:
    s = np.linspace(-12, 12, 30)
    return tuple(on_bar(surface, np.column_stack([s, np.full(30, side * HALF_MM)]), round_mm) for side in (-1, 1))


@pytest.mark.parametrize("side", [-1.0, 1.0])
@pytest.mark.parametrize("tilt_deg", [0.0, 12.0, -15.0])
def test_a_tear_at_a_rounded_edge_keeps_its_length_however_the_camera_leans(make, side, tilt_deg):
    """The bar is rounded as supposed: 2 mm come back within 0.08 mm (on the far side the edge hides behind its rounding); as a
    cylinder's they would be up to 0.27 mm off, the tangent of 15 degrees. Rounded by half as much more, U covers it."""
    surface = make.bend(tilt_deg=tilt_deg)
    for round_mm, most in ((ROUND_MM, 0.08), (ROUND_MM + U_ROUND_MM, None)):
        area = make.whole_area(edges_px=edges(surface, round_mm))
        drawn = Outline(outline_px=on_bar(surface, tear(side, 2.0), round_mm), u_edge_px=0.3, u_tip_px=0.3)
        (found,) = measure([drawn], photo_id="p1", surface=surface, scale=make.scale_of(surface), area=area)
        assert abs(found.length_mm - 2.0) < (most or found.U_length_mm)
        assert "rounding of the bar's edge" in {term.source for term in found.budget}


def test_points_away_from_edges_stay_and_so_do_those_of_a_flat_face(make):
    """No point that lies farther than the rounding from an edge moves at all; without edges, or on a plane, none does."""
    surface, flat = make.bend(tilt_deg=12.0), make.flat()
    area = make.whole_area(edges_px=edges(surface, ROUND_MM))
    inner = np.column_stack([np.linspace(-8, 8, 20), np.linspace(-8.9, 8.5, 20)])
    points = surface.project(inner)
    assert np.array_equal(on_edges(inner, points, surface, area), inner)
    assert np.array_equal(on_edges(inner, points, surface, make.whole_area(edges_px=())), inner)
    assert np.array_equal(on_edges(inner, flat.project(inner), flat, area), inner)
