"""The truth file and the sheet say what the scene is."""

import json
import tomllib

import numpy as np
import pytest
from scipy.integrate import quad

from specimeter.scene import geometry, truth
from specimeter.scene.random import random_scene


def test_truth_is_json_with_every_promised_key():
    scene = random_scene(9, width_px=800, card="frame")
    found = json.loads(json.dumps(truth.of(scene), allow_nan=False))
    for key in ("width_px", "height_px", "mm_per_px", "camera", "axis_px", "area_outline_px", "features", "distractors", "card",
                "surface_height_mm"):  # fmt: skip
        assert key in found
    for feature in found["features"]:
        assert {"kind", "outline_px", "outline_mm", "length_mm", "width_mm", "area_mm2", "at_corner"} <= set(feature)
        assert 0 < feature["width_mm"] <= feature["length_mm"]


def test_area_agrees_with_an_integral():
    """The examined area on the developed surface is the integral over a of the width in s between the 60 degree lines."""
    scene = random_scene(12, width_px=800, card="none", angle_deg=180.0)
    half = scene.specimen.width_mm / 2
    across = lambda a: float(np.ptp(geometry.face_limits(scene.specimen, scene.camera, np.array([a]))))
    area, _ = quad(across, -half, half, epsrel=1e-4, limit=20)
    assert truth.of(scene)["area_mm2"] == pytest.approx(area, rel=1e-3)


def test_card_pose_places_the_markers():
    """The pose given in card coordinates projects a marker's nominal corners to where the truth says they are seen."""
    scene = random_scene(13, width_px=800, card="strip")
    found = truth.of(scene)
    pose, shrink = found["card"], np.array(found["card"]["shrink"])
    corners = (np.array([90.0, 10.0]) + 6.0 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])) * shrink
    seen = np.column_stack([corners, np.zeros(4)]) @ np.array(pose["rotation"]).T + pose["translation_mm"]
    plane = seen[:, :2] / seen[:, 2:]
    plane = plane * (1 + found["camera"]["k1"] * np.sum(plane**2, axis=1, keepdims=True))
    pixels = plane * found["camera"]["focal_px"] + found["camera"]["centre_px"]
    assert pixels == pytest.approx(np.array(pose["marker_corners_px"]["11"]), abs=2e-3)
    assert -pose["crown_mm"][2] == pytest.approx(found["surface_height_mm"])


def test_sheet_states_the_scene():
    """Known length: the two clicked points lie within 2 px of the gauge points; card: the height within four times its u."""
    scene = random_scene(15, width_px=1600, card="none")
    sheet = tomllib.loads(truth.sheet_toml(scene))
    points = geometry.project(scene.camera, geometry.place(scene.specimen, truth.gauge_points_mm(scene.specimen)))
    assert np.array([sheet["scale"]["from_px"], sheet["scale"]["to_px"]]) == pytest.approx(points, abs=2.5)
    assert sheet["bend"]["former_diameter_mm"] / 2 + sheet["specimen"]["specimen_thickness_mm"] == pytest.approx(
        scene.specimen.radius_mm, abs=0.06
    )
    carded = random_scene(16, card="strip", height="block")
    scale = tomllib.loads(truth.sheet_toml(carded))["scale"]
    assert scale["method"] == "card"
    assert scale["surface_height_mm"] == pytest.approx(carded.true_surface_height_mm, abs=2.2 * scale["surface_height_U_mm"])
    assert "surface_height_mm" not in tomllib.loads(truth.sheet_toml(random_scene(16, card="strip", height="unknown")))["scale"]
