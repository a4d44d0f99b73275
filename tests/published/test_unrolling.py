"""Cylinder unrolling against closed forms of plane geometry and against numerical quadrature by scipy.

Sources: arc length of a circle, s = R theta, and a parametric curve's length, the integral of |dP/dt| dt (Bronshtein,
Semendyayev et al., Handbook of Mathematics, sections on the circle and on rectification; common knowledge);
scipy.integrate.quad.
"""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.spatial.transform import Rotation

from specimeter.scale.surface import Bend
from specimeter.scale.view import View


def seen_obliquely(angle_deg=180.0, radius_mm=30.0):
    rotation = Rotation.from_euler("xyz", [8, -11, 24], degrees=True).as_matrix()
    view = View(
        focal_px=3100.0, centre_px=np.array([1011.0, 745.0]), rotation=rotation,
        translation_mm=np.array([-21.0, 13.0, 333.0]), k1=-0.05, k2=0.01,
    )  # fmt: skip
    return Bend(
        view=view, crown_mm=np.array([14.0, -9.0]), direction_deg=71.0, height_mm=24.0, radius_mm=radius_mm, angle_deg=angle_deg
    )


@pytest.mark.parametrize("theta_deg", [-50, -30, -10, 0, 10, 30, 50])
def test_developed_length_across_is_radius_times_angle(theta_deg):
    """A world point built by hand at angle theta round the cylinder develops to s = R theta (R = 30 mm)."""
    surface, theta = seen_obliquely(), np.radians(theta_deg)
    phi = np.radians(71.0)
    across, along = np.array([np.sin(phi), -np.cos(phi), 0.0]), np.array([np.cos(phi), np.sin(phi), 0.0])
    axis = np.array([14.0, -9.0, 30.0 - 24.0])
    point = axis + 30.0 * np.sin(theta) * across + 7.5 * along + 30.0 * np.cos(theta) * np.array([0.0, 0.0, -1.0])
    assert surface.develop(surface.view.project([point]))[0] == pytest.approx([30.0 * theta, 7.5], abs=1e-6)


def test_a_chord_seen_from_above_unrolls_to_the_arc_sine():
    """Straight down from far away, a projected width 2c round the crown is an arc of 2 R asin(c / R): 20 mm -> 20.390 mm."""
    view = View(
        focal_px=1e7, centre_px=np.array([0.0, 0.0]), rotation=np.eye(3), translation_mm=np.array([0.0, 0.0, 1e6])
    )  # 10 px a mm
    surface = Bend(view=view, crown_mm=np.zeros(2), direction_deg=90.0, height_mm=0.0, radius_mm=30.0, angle_deg=180.0)
    (left, _), (right, _) = surface.develop([[-100.0, 0.0], [100.0, 0.0]])
    assert right - left == pytest.approx(2 * 30.0 * np.arcsin(10.0 / 30.0), abs=1e-3)  # 2 mm of depth in 1e6 mm: 4e-5
    assert right - left == pytest.approx(20.390, abs=5e-3)


def test_the_legs_go_on_straight_from_the_arc():
    """On the leg of a 90 degree bend (tangent at 45 degrees), s = R pi / 4 + the straight distance from the tangent point."""
    surface = seen_obliquely(angle_deg=90.0)
    across, along, up = surface.frame
    tangent = surface.axis_point_mm + 30.0 * np.sqrt(0.5) * (across + up)
    for leg in (0.0, 3.0, 12.0):
        point = tangent + leg * np.sqrt(0.5) * (across - up) + 5.0 * along
        assert surface.develop(surface.view.project([point]))[0] == pytest.approx([30.0 * np.pi / 4 + leg, 5.0], abs=1e-6)


def test_a_helix_unrolls_to_the_straight_line_of_its_quadrature_length():
    """A helix's length by scipy's quadrature of |dP/dt| in space equals the straight developed distance of its ends."""
    surface = seen_obliquely()
    (s0, a0), (s1, a1) = (-18.0, -6.0), (21.0, 8.0)

    def speed(t, h=1e-5):
        ends = surface.world([[s0 + (s1 - s0) * (t + d), a0 + (a1 - a0) * (t + d)] for d in (-h, h)])[0]
        return np.linalg.norm(ends[1] - ends[0]) / (2 * h)

    length, _ = quad(speed, 0.0, 1.0)
    ends = surface.develop(surface.view.project(surface.world([[s0, a0], [s1, a1]])[0]))
    assert np.hypot(*(ends[1] - ends[0])) == pytest.approx(length, rel=1e-7)


def test_a_straight_line_in_the_photograph_has_its_quadrature_length():
    """Any pixel path: the sum of developed steps equals the quadrature of the world path's speed found by scipy.

    World points come from the developed ones only through the cylinder's own equation R sin, R cos written out here.
    """
    surface = seen_obliquely()
    start, end = surface.project([[-20.0, -9.0], [17.0, 10.0]])

    def place(t):
        s, a = surface.develop([start + t * (end - start)])[0]
        return np.array([30.0 * np.sin(s / 30.0), 30.0 * np.cos(s / 30.0), a])

    length, _ = quad(lambda t: np.linalg.norm(place(t + 1e-4) - place(t - 1e-4)) / 2e-4, 0.0, 1.0)
    path = surface.develop(start + np.linspace(0, 1, 2001)[:, None] * (end - start))
    assert np.sum(np.hypot(*np.diff(path, axis=0).T)) == pytest.approx(length, rel=1e-5)


def test_area_of_a_patch_is_the_double_integral_of_the_local_scale():
    """mm_per_px squared, integrated over a pixel square, is the square's area on the surface (fine sum of developed cells)."""
    surface = seen_obliquely()
    x0, y0 = surface.project([[9.0, 3.0]])[0]
    grid = np.stack(np.meshgrid(np.linspace(x0, x0 + 40, 41), np.linspace(y0, y0 + 40, 41)), axis=-1)
    corners = surface.develop(grid.reshape(-1, 2)).reshape(41, 41, 2)
    one, two = corners[1:, 1:] - corners[:-1, :-1], corners[:-1, 1:] - corners[1:, :-1]
    area = np.sum(np.abs(one[..., 0] * two[..., 1] - one[..., 1] * two[..., 0]) / 2)  # cross product of diagonals
    middles = (grid[1:, 1:] + grid[:-1, :-1]) / 2
    assert sum(surface.mm_per_px_at(m) ** 2 for m in middles.reshape(-1, 2)) == pytest.approx(area, rel=1e-3)
