"""The camera against OpenCV's own projection and against itself, both ways."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.scale.view import View

angles = st.floats(-0.35, 0.35)


def view(a, b, c, *, k1=0.0, k2=0.0, distance=300.0):
    rotation, _ = cv2.Rodrigues(np.array([a, b, c]))
    return View(
        focal_px=1500.0,
        centre_px=np.array([799.5, 449.5]),
        rotation=rotation,
        translation_mm=np.array([-40.0, -25.0, distance]),
        k1=k1,
        k2=k2,
    )


@settings(max_examples=40, deadline=None)
@given(a=angles, b=angles, c=st.floats(-3, 3), k1=st.floats(-0.05, 0.05), k2=st.floats(-0.02, 0.02))
def test_projection_agrees_with_opencv(a, b, c, k1, k2):
    """The same pixels as cv2.projectPoints (Brown 1971), to a millionth of a pixel."""
    camera = view(a, b, c, k1=k1, k2=k2)
    points = np.random.default_rng(3).uniform([0, 0, -20], [90, 60, 5], (12, 3))
    expected, _ = cv2.projectPoints(
        points.reshape(-1, 1, 3), np.array([a, b, c]), camera.translation_mm, camera.matrix, np.array([k1, k2, 0.0, 0.0])
    )
    np.testing.assert_allclose(camera.project(points), np.asarray(expected).reshape(-1, 2), atol=1e-6)


@settings(max_examples=40, deadline=None)
@given(a=angles, b=angles, c=st.floats(-3, 3), k1=st.floats(-0.05, 0.05), height=st.floats(-20, 60))
def test_a_point_on_a_raised_plane_comes_back(a, b, c, k1, height):
    """Project points at z = -height, then meet that plane again along the sight lines."""
    camera = view(a, b, c, k1=k1)
    flat = np.random.default_rng(5).uniform([0, 0], [90, 60], (10, 2))
    pixels = camera.project(np.column_stack([flat, np.full(10, -height)]))
    np.testing.assert_allclose(camera.on_plane(pixels, height_mm=height), flat, atol=1e-6)


def test_a_nearer_plane_is_seen_larger_by_the_distances_ratio():
    """Straight down from 300 mm, 30 mm up: one pixel covers 270/300 of what it covers on the bench (similar triangles)."""
    camera = view(0.0, 0.0, 0.0)
    pixels = np.array([[500.0, 300.0], [900.0, 600.0]])
    low = np.linalg.norm(np.subtract(*camera.on_plane(pixels)))
    high = np.linalg.norm(np.subtract(*camera.on_plane(pixels, height_mm=30.0)))
    assert high / low == pytest.approx(0.9)
    assert camera.distance_mm == pytest.approx(300.0)


def test_tilt_is_the_angle_of_the_axis_and_sky_is_nowhere():
    """A rotation by 0.2 rad tilts by 0.2 rad; a sight line that never meets the plane gives NaN, not a number."""
    assert view(0.2, 0.0, 0.0).tilt_deg == pytest.approx(np.degrees(0.2))
    assert np.isnan(view(1.5, 0.0, 0.0).on_plane(np.array([[799.5, -900.0], [799.5, 1800.0]]))).any()


@pytest.mark.parametrize(("k1", "k2"), [(-0.25, 0.08), (0.2, 0.0), (-0.03, 0.0)])
def test_rays_undo_strong_distortion(k1, k2):
    """From a pixel to a ray and back is the identity, to the far corner of a wide lens."""
    view = View(
        focal_px=1000.0,
        centre_px=np.array([800.0, 600.0]),
        rotation=np.eye(3),
        translation_mm=np.array([0.0, 0.0, 300.0]),
        k1=k1,
        k2=k2,
    )
    points = np.array([[0.0, 0.0], [800.0, 600.0], [1599.0, 1199.0], [10.0, 900.0]])
    on = view.on_plane(points)
    assert view.project(np.column_stack([on, np.zeros(4)])) == pytest.approx(points, abs=1e-7)
