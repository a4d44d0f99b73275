"""Random scenes keep their promises: groups, seeds, visibility, room between openings."""

import numpy as np
import pytest

from specimeter.scene import geometry, shapes
from specimeter.scene.random import CAMERAS, FINISHES, LIGHTS, TESTS, random_scene


def test_a_seed_gives_one_scene():
    one, two = random_scene(41), random_scene(41)
    assert one.groups == two.groups
    assert one.camera.eye_mm == pytest.approx(two.camera.eye_mm, abs=0)
    assert all(np.array_equal(a.outline_mm, b.outline_mm) for a, b in zip(one.openings, two.openings, strict=True))


def test_groups_can_be_held_out():
    """Only the wanted names appear, and an unknown name is refused."""
    wanted = FINISHES[:2]
    assert {random_scene(i, finish=wanted, clean=True, marks=False).groups["finish"] for i in range(8)} == set(wanted)
    with pytest.raises(ValueError, match="unknown"):
        random_scene(1, finish="gilded")


def test_variety_and_limits_over_many_scenes():
    """Over many scenes: tilt to 20 degrees, 150 to 650 mm away, tests and lights of every kind, openings apart and in view."""
    seen = {"test": set(), "light": set(), "camera": set()}
    for seed in range(24):
        scene = random_scene(seed, width_px=1000)
        for key, names in seen.items():
            names.add(scene.groups[key])
        view = scene.camera
        crown = geometry.place(scene.specimen, [[0.0, 0.0]])[0]
        assert np.degrees(np.arccos(np.clip(view.rotation[2, 2], -1, 1))) <= 20.0 + 1e-9
        assert 140 < np.linalg.norm(view.eye_mm - crown) < 700
        assert abs(view.k1) <= 0.03
        for opening in scene.openings:
            steep = geometry.steepness_deg(scene.specimen, view, opening.outline_mm)
            assert steep.max() < geometry.STEEPEST_DEG
            assert np.abs(opening.outline_mm[:, 1]).max() <= scene.specimen.width_mm / 2 + 1e-9
            assert opening.at_corner == bool(np.abs(opening.outline_mm[:, 1]).max() > scene.specimen.width_mm / 2 - 0.01)
        for i, one in enumerate(scene.openings):
            for two in scene.openings[:i]:
                assert shapes.distance_to(one.outline_mm, two.outline_mm).min() > 0.05
    assert seen["test"] == set(TESTS)
    assert len(seen["light"]) >= len(LIGHTS) - 3
    assert seen["camera"] == set(CAMERAS)


def test_clean_has_no_openings_and_marks_can_be_left_out():
    scene = random_scene(5, clean=True, marks=False, card="strip")
    assert scene.openings == ()
    assert scene.marks == ()


def test_wanted_scale_is_reached_at_the_crown():
    """Foreshortening by tilt and distortion change it by a few per cent at most."""
    scene = random_scene(6, mm_per_px=0.03, card="none", tilt_deg=0.0)
    assert geometry.mm_per_px(scene.specimen, scene.camera) == pytest.approx(0.03, rel=0.02)
