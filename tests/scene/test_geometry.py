"""The scene's camera and bar against OpenCV, quadrature, and brute force."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.scene import geometry
from specimeter.scene.camera import look_at
from specimeter.scene.describe import Camera, Specimen
from specimeter.scene.random import random_scene

scenes = settings(max_examples=12, deadline=None)


def lopsided_camera(k1=-0.02, tilt=17.0, roll=5.0):
    rotation, eye = look_at([6.0, -9.0, -50.0], 310.0, tilt, 133.0, roll)
    return Camera(
        name="test",
        width_px=1200,
        height_px=900,
        focal_px=1450.0,
        centre_px=(611.5, 437.25),
        k1=k1,
        rotation=rotation,
        eye_mm=eye,
    )


def bar(**changes):
    return Specimen(
        **{
            "test": "face-bend",
            "former_diameter_mm": 40.0,
            "thickness_mm": 10.0,
            "width_mm": 27.0,
            "corner_mm": 1.3,
            "crown_height_mm": 62.0,
            "axis_angle_deg": 71.0,
            **changes,
        }
    )


@given(k1=st.floats(-0.03, 0.03), tilt=st.floats(0, 20), roll=st.floats(-180, 180), seed=st.integers(0, 999))
@scenes
def test_camera_agrees_with_opencv(k1, tilt, roll, seed):
    """Same pinhole and the same first radial coefficient: only rounding may differ."""
    camera = lopsided_camera(k1, tilt, roll)
    points = np.random.default_rng(seed).uniform(-60, 60, (40, 3))
    matrix = np.array([[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1.0]])
    turned = (points - camera.eye_mm) @ camera.rotation.T  # a rotation vector would lose angles below 1e-5 rad
    seen, _ = cv2.projectPoints(turned, np.zeros(3), np.zeros(3), matrix, np.array([k1, 0, 0, 0]))
    assert geometry.project(camera, points) == pytest.approx(np.asarray(seen).reshape(-1, 2), abs=1e-7)


@given(k1=st.floats(-0.03, 0.03), tilt=st.floats(0, 20), seed=st.integers(0, 999))
@scenes
def test_sight_lines_return_to_their_pixels(k1, tilt, seed):
    camera = lopsided_camera(k1, tilt)
    pixels = np.random.default_rng(seed).uniform(0, [camera.width_px, camera.height_px], (50, 2))
    rays = geometry.sight(camera, pixels)
    assert geometry.project(camera, camera.eye_mm + 250 * rays) == pytest.approx(pixels, abs=1e-6)


@given(angle=st.floats(90, 180), axis=st.floats(0, 180), a=st.floats(-12, 12))
@scenes
def test_developed_length_is_arc_length(angle, axis, a):
    """The length of the placed curve a = const, by summing 20,000 chords, equals the difference in s (arc and leg alike).

    Chords fall short by (step / radius)^2 / 24 of their length: 2e-8 here.
    """
    specimen = bar(angle_deg=angle, axis_angle_deg=axis, corner_mm=0.5)
    s = np.linspace(-20.0, 33.0, 20001)
    points = geometry.place(specimen, np.column_stack([s, np.full_like(s, a)]))
    assert np.linalg.norm(np.diff(points, axis=0), axis=1).sum() == pytest.approx(53.0, rel=1e-6)


@given(angle=st.floats(90, 180), axis=st.floats(0, 180), seed=st.integers(0, 999))
@scenes
def test_sight_lines_meet_the_face_where_it_was_placed(angle, axis, seed):
    """A point of the face, projected and looked at again, is met at its own [s, a]; float32 holds it to 2 um."""
    specimen, camera = bar(angle_deg=angle, axis_angle_deg=axis), lopsided_camera()
    rng = np.random.default_rng(seed)
    wanted = np.column_stack([rng.uniform(-0.7, 0.7, 60) * specimen.radius_mm, rng.uniform(-13.3, 13.3, 60)])
    pixels = geometry.project(camera, geometry.place(specimen, wanted))
    for dtype, tolerance in ((np.float64, 1e-3), (np.float32, 3e-3)):
        hit = geometry.meet(specimen, camera.eye_mm, geometry.sight(camera, pixels.astype(dtype)))
        flat = np.abs(wanted[:, 1]) < specimen.width_mm / 2 - specimen.corner_mm
        assert (hit["part"] != geometry.MISS).all()
        assert np.column_stack([hit["s"], hit["a"]])[flat] == pytest.approx(wanted[flat], abs=tolerance)
        assert np.column_stack([hit["s"], hit["a"]]) == pytest.approx(wanted, abs=0.03)  # rounded edges are met obliquely


def test_sight_lines_agree_with_marching_through_the_bar():
    """A dumb march in 5 um steps through the exact distance finds the same first point, edges, legs and inside included."""
    specimen, camera = bar(angle_deg=140.0), lopsided_camera()
    around = geometry.project(camera, geometry.box(specimen))
    pixels = np.random.default_rng(5).uniform(around.min(0), around.max(0), (400, 2))
    rays = geometry.sight(camera, pixels)
    hit = geometry.meet(specimen, camera.eye_mm, rays)
    frame = geometry.axes(specimen)
    start = (camera.eye_mm - geometry.arc_centre(specimen)) @ frame.T
    direction = rays @ frame.T
    reach = (specimen.radius_mm + 0.1 - start[2]) / direction[:, 2]
    low = specimen.radius_mm - specimen.crown_height_mm
    found = np.full(len(rays), np.inf)
    for _ in range(20000):
        p = start + reach[:, None] * direction
        inside = geometry.bar_distance(specimen, p) < 0
        found = np.where(np.isinf(found) & inside, reach, found)
        going = np.isinf(found) & (p[:, 2] > low)
        if not going.any():
            break
        reach = reach + np.where(going, 5e-3, 0)
    both = np.isfinite(found) & np.isfinite(hit["reach"])
    assert both.sum() > 120
    assert (np.isfinite(found) == np.isfinite(hit["reach"])).mean() > 0.995  # grazing lines may differ
    assert np.quantile(np.abs(found[both] - hit["reach"][both]), 0.98) < 1e-2  # one step, and grazing lines again


def test_face_outline_ends_at_sixty_degrees():
    """Along the curved sides of the outline the angle between sight line and normal is 60 degrees, or the arc has ended."""
    specimen, camera = bar(), lopsided_camera()
    outline = geometry.face_outline(specimen, camera)
    steep = geometry.steepness_deg(specimen, camera, outline)
    half = specimen.width_mm / 2
    on_sides = np.abs(np.abs(outline[:, 1]) - half) < 1e-9
    assert steep.max() < 60.0 + 1e-6
    assert steep[~on_sides] == pytest.approx(60.0, abs=1e-6)
    assert np.ptp(outline[:, 1]) == pytest.approx(2 * half)


def test_mm_per_px_matches_two_points_a_millimetre_apart():
    """At the crown, seen square on without distortion, the scale is distance over focal length."""
    rotation, eye = look_at([0.0, 0.0, -62.0], 310.0, 0.0, 0.0, 0.0)
    camera = Camera(
        name="square on",
        width_px=1200,
        height_px=900,
        focal_px=1450.0,
        centre_px=(600.0, 450.0),
        k1=0.0,
        rotation=rotation,
        eye_mm=eye,
    )
    assert geometry.mm_per_px(bar(), camera) == pytest.approx(310.0 / 1450.0, rel=1e-5)


def test_random_scene_keeps_its_geometry_at_any_size():
    """A smaller picture of the same scene shows the same millimetres, scaled about the picture's centre."""
    large, small = random_scene(11, width_px=2400), random_scene(11, width_px=600)
    assert [o.form for o in large.openings] == [o.form for o in small.openings]
    outline = large.openings[0].outline_mm
    assert small.openings[0].outline_mm == pytest.approx(outline)
    big = geometry.project(large.camera, geometry.place(large.specimen, outline))
    little = geometry.project(small.camera, geometry.place(small.specimen, outline))
    assert (little + 0.5) * 4 - 0.5 == pytest.approx(big, abs=1e-6)
