"""Undercuts of known depth and root radius, photographed by a blur and a pixel grid, and measured."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

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


def photographed(radius, depth, half_deg, px_mm, blur_px, seed=0, noise=0.004):
    """Half-level contour of a V notch with a round root, as a camera of that pixel and blur draws it, in mm below y = 0."""
    rng = np.random.default_rng(seed)
    fine = 8
    half = np.radians(half_deg)
    reach = depth * np.tan(half) + radius + 12 * px_mm
    width, height = int(2 * reach / px_mm), int((depth + 24 * px_mm) / px_mm)
    ys, xs = np.mgrid[0 : height * fine, 0 : width * fine]
    x = (xs + 0.5) / fine * px_mm - reach + rng.uniform(-0.5, 0.5) * px_mm
    y = (ys + 0.5) / fine * px_mm - 12 * px_mm
    centre = depth - radius
    tangent = centre + radius * np.sin(half)
    open_at = np.where(
        y > tangent,
        np.sqrt(np.maximum(radius**2 - (y - centre) ** 2, 0.0)) * (y < depth),
        radius * np.cos(half) + (tangent - y) * np.tan(half),
    )
    air = ((np.abs(x) < open_at) | (y < 0)).astype(np.float32)
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
