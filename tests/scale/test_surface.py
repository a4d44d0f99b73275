"""Surfaces: pixels to developed millimetres and back, whatever the camera and the bend."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from specimeter.errors import SurfaceError
from specimeter.scale.surface import Bend, Flat
from specimeter.scale.view import View
from specimeter.scene import geometry
from specimeter.scene import truth as scene_truth
from specimeter.scene.random import random_scene
from specimeter.validate import truth as truths


def camera(tilt_x_deg=0.0, tilt_y_deg=0.0, roll_deg=0.0, distance_mm=350.0, focal_px=1400.0, k1=0.0, aim=(60.0, 40.0)):
    """A camera that looks at world (aim, 0) from `distance_mm`, turned about x, y and its own axis."""
    rotation = Rotation.from_euler("xyz", [tilt_x_deg, tilt_y_deg, roll_deg], degrees=True).as_matrix()
    translation = np.array([0.0, 0.0, distance_mm]) - rotation @ np.array([*aim, 0.0])
    return View(focal_px=focal_px, centre_px=np.array([611.0, 397.0]), rotation=rotation, translation_mm=translation, k1=k1)


def bend(**changed):
    given_ = {
        "view": camera(6, -9, 20, k1=-0.06), "crown_mm": np.array([66.0, 31.0]), "direction_deg": 77.0, "height_mm": 21.0,
        "radius_mm": 30.0, "angle_deg": 180.0,
    }  # fmt: skip
    return Bend(**(given_ | changed))


bends = st.builds(
    bend,
    view=st.builds(
        camera, st.floats(-15, 15), st.floats(-15, 15), st.floats(-180, 180), st.floats(220, 900), k1=st.floats(-0.08, 0.08)
    ),
    direction_deg=st.floats(-180, 180),
    height_mm=st.floats(0, 60),
    radius_mm=st.floats(8, 60),
    angle_deg=st.floats(20, 180),
)


@settings(max_examples=60, deadline=None)
@given(surface=bends, s=st.floats(-40, 40), a=st.floats(-20, 20))
def test_what_is_projected_develops_back(surface, s, a):
    """project then develop is the identity wherever the camera sees the point (1e-6 mm: the distortion's fixed point)."""
    seen = surface.steepness_on_deg([[s, a]])[0] < 88
    if seen:
        pixels = surface.project([[s, a]])
        assert surface.develop(pixels)[0] == pytest.approx([s, a], abs=1e-6)
        assert surface.steepness_deg(pixels)[0] == pytest.approx(surface.steepness_on_deg([[s, a]])[0], abs=1e-5)


@settings(max_examples=30, deadline=None)
@given(surface=bends)
def test_developed_coordinates_are_not_mirrored_and_start_at_the_crown(surface):
    """[s, a] turns the same way round as [x, y]; [0, 0] is the crown, whose world point is at its height."""
    here, s_on, a_on = surface.project([[0, 0], [0.5, 0], [0, 0.5]])
    s_step, a_step = s_on - here, a_on - here
    assert s_step[0] * a_step[1] - s_step[1] * a_step[0] > 0
    point, normal = surface.world([[0, 0]])
    assert point[0] == pytest.approx([*surface.crown_mm, -surface.height_mm])
    assert normal[0] == pytest.approx([0, 0, -1])


def rounded(surface, radius_mm, half_mm=12.0, **changed):
    """The same with both long edges seen at a = +-`half_mm` of the cylinder, and rounded."""
    s = np.linspace(-1, 1, 24) * max(0.2 * surface.arc_half_mm, 1.0)
    s = s[surface.steepness_on_deg(np.column_stack([s, np.zeros_like(s)])) < 60]
    edges = tuple(surface.project(np.column_stack([s, np.full_like(s, a)])) for a in (half_mm, -half_mm))
    return replace(surface, edges_px=edges, edge_radius_mm=radius_mm, **changed)


@settings(max_examples=40, deadline=None)
@given(
    surface=bends, s=st.floats(-0.25, 0.25), into=st.floats(-0.5, 1.0), side=st.integers(0, 1), radius_mm=st.floats(0.2, 2.5)
)
def test_what_lies_on_a_rounded_edge_develops_back(surface, s, into, side, radius_mm):
    """project then develop is the identity where the rounding's own normal leans towards the camera by 15 degrees or more."""
    surface = rounded(surface, radius_mm)
    s *= surface.arc_half_mm
    way = (-1.0, 1.0)[side]
    foot = np.polynomial.polynomial.polyval(s, surface.feet_mm[side])
    here = np.array([[s, foot - way * radius_mm * (1.0 - into)]])
    points, radial = surface.world(here)
    beta = np.arcsin(max(into, 0.0))
    normal = np.cos(beta) * radial[0] + np.sin(beta) * way * surface.frame[1]
    towards = surface.view.eye_mm - points[0]
    if normal @ towards / np.linalg.norm(towards) > 0.26 and radial[0] @ towards / np.linalg.norm(towards) > 0.5:
        assert surface.develop(surface.project(here)) == pytest.approx(here, abs=1e-4)


def test_a_rounded_edge_seen_aslant_ends_at_its_foot():
    """From very far, aslant along the axis by 20 degrees: a foot r deep is seen r tan 20 from where the cylinder would have
    it. Away from the camera the sight line touches the rounding r (sqrt(1 + tan^2) - 1) beyond the foot; from within a
    rounding's width of the edges on, nothing changes."""
    tilt, r = np.tan(np.radians(20.0)), 1.5
    view = camera(tilt_x_deg=20.0, distance_mm=1e6, focal_px=1e7, aim=(66.0, 31.0))
    plain = bend(view=view, direction_deg=90.0, angle_deg=180.0)
    towards = np.sign((plain.frame @ (view.eye_mm - plain.axis_point_mm))[1])  # the side whose end face is seen
    surface = rounded(plain, r)
    for foot, way in zip(surface.feet_mm, (-1.0, 1.0), strict=True):
        passed = r * (np.hypot(1.0, tilt) - 1.0) if way != towards else 0.0
        assert way * foot[0] == pytest.approx(12.0 - towards * way * r * tilt - passed, abs=2e-3)
    inner = plain.project([[3.0, 9.0], [-2.0, -9.0]])
    assert surface.develop(inner) == pytest.approx(plain.develop(inner), abs=1e-9)


def test_a_bar_drawn_with_rounded_edges_is_developed_as_it_is():
    """Places on bars of random scenes, whose geometry shares nothing with this, to a hundredth of a mm, each edge seen where
    its rounding reaches farthest out; on the cylinder alone they are off by more."""
    rng = np.random.default_rng(5)
    for seed in (17290001, 17290002):
        scene = random_scene(seed, width_px=1600)
        plain, r, half = truths.surface(scene_truth.of(scene)), scene.specimen.corner_mm, scene.specimen.width_mm / 2
        edges, s = [], np.linspace(-0.35, 0.35, 12) * plain.radius_mm
        for way in (-1.0, 1.0):
            over = np.stack(np.meshgrid(s, way * (half - r * np.linspace(0, 1, 200) ** 2), indexing="ij"), axis=-1)
            seen = plain.develop(geometry.project(scene.camera, geometry.place(scene.specimen, over.reshape(-1, 2))))
            farthest = (way * seen[:, 1]).reshape(12, 200).argmax(axis=1)
            edges.append(plain.project(seen.reshape(12, 200, 2)[np.arange(12), farthest]))
        surface = replace(plain, edges_px=tuple(edges), edge_radius_mm=r)
        into = r * rng.uniform(0.0, 0.8, 40)
        here = np.column_stack([rng.uniform(-0.3, 0.3, 40) * plain.radius_mm, rng.choice([-1.0, 1.0], 40) * (half - r + into)])
        seen = geometry.project(scene.camera, geometry.place(scene.specimen, here))
        here = here * [-1.0, 1.0]  # s runs the other way there
        assert surface.develop(seen) == pytest.approx(here, abs=0.01)
        assert np.abs(plain.develop(seen) - here).max() > 0.02


@pytest.mark.parametrize("radius_mm", [0.0, 30.0])
def test_a_rounding_that_is_none_or_cannot_be_leaves_the_cylinder(radius_mm):
    """Sharp edges, a radius as large as the bend's own, and edges seen at one place only."""
    surface = rounded(bend(), radius_mm)
    beside = surface.edges_px[0] + 1.0
    assert surface.feet_mm is None
    assert (surface.develop(beside) == bend().develop(beside)).all()
    assert replace(surface, edge_radius_mm=1.0, edges_px=tuple(line[[0] * 5] for line in surface.edges_px)).feet_mm is None


def test_a_rounding_nobody_measured_is_in_the_uncertainty():
    """Another variant, whose edges are seen in the same place and rounded by one standard uncertainty more."""
    surface = rounded(bend(), 1.2, u_edge_radius_mm=0.6, basis={"edges": "judgement"})
    ((source, basis, variant),) = surface.variants()
    assert (source, basis) == ("rounding of the long edges", "judgement")
    assert variant.edge_radius_mm == pytest.approx(1.8)
    assert np.abs(variant.feet_mm[:, 0] - surface.feet_mm[:, 0]).min() > 0.01


def test_straight_down_the_steepness_is_the_angle_round_the_cylinder():
    """From very far, straight above: x = R sin(theta), so steepness = theta, and mm per px grows by sqrt(1 / cos theta)."""
    view = camera(distance_mm=1e6, focal_px=1e7, aim=(66.0, 31.0))  # 10 px a mm, no perspective to speak of
    surface = bend(view=view, direction_deg=90.0)
    for theta_deg in (0.0, 20.0, -45.0, 59.0):
        theta = np.radians(theta_deg)
        pixel = view.centre_px + np.array([10 * 30.0 * np.sin(theta), 0.0])
        assert surface.develop([pixel])[0] == pytest.approx([30.0 * theta, 0.0], abs=5e-3)  # 30 mm in 1e6 mm of height: 1e-4
        assert surface.steepness_deg([pixel])[0] == pytest.approx(abs(theta_deg), abs=0.02)
        assert surface.mm_per_px_at(pixel) == pytest.approx(0.1 * np.cos(theta) ** -0.5, rel=2e-4)


def test_a_sight_line_past_the_cylinder_has_no_developed_place():
    """Beyond the silhouette of a 180 degree bend the answer is NaN, not a number."""
    surface = bend(view=camera(aim=(66.0, 31.0)))
    beside = surface.view.project([[66.0 + 45.0, 31.0, 0.0]])
    assert np.isnan(surface.develop(beside)).all()
    assert np.isnan(surface.steepness_deg(beside)).all()


def test_flat_is_the_plane_at_its_height():
    view = camera(5, -8, 33, k1=0.04)
    surface = Flat(view=view, height_mm=12.0)
    pixels = view.project([[10.0, 20.0, -12.0], [60.0, -5.0, -12.0]])
    assert surface.develop(pixels) == pytest.approx(np.array([[10.0, 20.0], [60.0, -5.0]]), abs=1e-6)
    assert surface.project([[10.0, 20.0]])[0] == pytest.approx(pixels[0])
    foot = view.eye_mm[:2]
    assert surface.steepness_deg(surface.project([foot]))[0] == pytest.approx(0.0, abs=1e-4)
    reach = view.distance_mm - 12.0
    assert surface.steepness_deg(surface.project([[foot[0] + reach, foot[1]]]))[0] == pytest.approx(45.0, abs=1e-6)
    assert surface.variants() == ()


def test_variants_displace_one_shape_parameter_each():
    """Radius, direction and crown, each by its own u and nothing else; a parameter without u has no variant."""
    surface = bend(u_crown_mm=0.3, u_direction_deg=0.5, u_radius_mm=0.6, basis={"radius": "springback"})
    radius, direction, crown = (variant for _, _, variant in surface.variants())
    assert (radius.radius_mm, radius.direction_deg, radius.height_mm) == pytest.approx((30.6, 77.0, 21.0))
    assert (direction.radius_mm, direction.direction_deg) == pytest.approx((30.0, 77.5))
    assert np.linalg.norm(crown.crown_mm - surface.crown_mm) == pytest.approx(0.3)
    assert (crown.crown_mm - surface.crown_mm) @ surface.frame[1, :2] == pytest.approx(0.0, abs=1e-12)
    assert surface.variants()[0][1] == "springback"
    assert bend().variants() == ()


@pytest.mark.parametrize(
    "wrong", [{"radius_mm": 0.0}, {"radius_mm": np.nan}, {"angle_deg": 0.0}, {"angle_deg": 190.0}, {"height_mm": 400.0}]
)
def test_an_impossible_bend_is_refused(wrong):
    with pytest.raises(SurfaceError):
        bend(**wrong)
