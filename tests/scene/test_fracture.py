"""Broken specimens: the truth against the picture and against plain geometry."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest

from specimeter.scene import fracture, fracture_lot, geometry, render, shapes
from specimeter.scene.describe import Broken
from specimeter.scene.random import BROKEN_TESTS, FRACTURES, random_scene

WIDTH_PX = 900


@pytest.fixture(scope="module", params=BROKEN_TESTS)
def picture(request):
    """One small photograph of each test, without lens and sensor."""
    scene = random_scene(17, test=request.param, width_px=WIDTH_PX, ideal=True, card="none", openings=4)
    return scene, render.render(scene)


def test_a_seed_gives_the_same_picture_and_the_truth_is_whole(picture):
    """Everything is drawn from the seed; the truth has what a bend's has."""
    scene, first = picture
    again = render.render(random_scene(17, test=scene.specimen.test, width_px=WIDTH_PX, ideal=True, card="none", openings=4))
    assert np.array_equal(first.rgb, again.rgb)
    assert first.truth == again.truth
    wanted = {"width_px", "height_px", "mm_per_px", "camera", "axis_px", "area_outline_px", "features", "distractors", "card"}
    assert wanted <= set(first.truth)
    assert first.truth["specimen"]["test"] == scene.specimen.test


def test_features_lie_on_the_face_and_apart(picture):
    """Each feature lies within the face, but for the share of its outline that is the root edge itself; none touch."""
    scene, _ = picture
    for number, one in enumerate(scene.openings):
        away = shapes.distance_to(scene.specimen.face_mm, one.outline_mm)
        assert away.max() < (0.02 if one.at_corner else -0.3)
        for other in scene.openings[:number]:
            assert shapes.distance_to(other.outline_mm, one.outline_mm).min() > 0.25


def test_the_sizes_are_those_of_the_outline(picture):
    """Area against OpenCV's own, length against the farthest pair of points (brute force)."""
    _, made = picture
    assert made.truth["features"]
    for feature in made.truth["features"]:
        outline = np.array(feature["outline_mm"])
        area = cv2.contourArea(outline.astype(np.float32).reshape(-1, 1, 2))
        assert feature["area_mm2"] == pytest.approx(area, rel=2e-4, abs=1e-4)  # float32 inside OpenCV
        longest = np.linalg.norm(outline[:, None] - outline[None], axis=2).max()
        assert feature["length_mm"] == pytest.approx(longest, abs=2e-5)  # rounded to five places


def test_the_picture_changes_where_the_truth_says(picture):
    """Without its features the same scene looks the same outside their outlines, and different inside most of them."""
    scene, _ = picture
    with_them, without = (
        render.light_of(dataclasses.replace(scene, openings=openings))[0].mean(axis=2) for openings in (scene.openings, ())
    )
    changed = np.abs(with_them - without) > 0.05 * without.mean()
    relief = fracture.relief_of(scene)
    near = np.zeros(changed.shape, np.uint8)
    for one in scene.openings:
        outline = geometry.place(scene.specimen, one.outline_mm)
        lifted = outline - np.column_stack([np.zeros((len(outline), 2)), relief.heights(one.outline_mm)])
        corners = np.round(geometry.project(scene.camera, lifted)).astype(np.int32)
        own = np.zeros(changed.shape, np.uint8)
        cv2.fillPoly(own, [corners.reshape(-1, 1, 2)], 1)
        assert changed[own > 0].mean() > 0.3
        near |= cv2.dilate(own, np.ones((13, 13), np.uint8))  # 6 px: shadows and light from a hollow's rim reach a little out
    assert changed[near == 0].mean() < 0.02


def test_a_hollows_wall_does_not_shade_the_metal_round_it():
    """Within a pixel beyond the outlines light changes by less than 0.4 of what it does inside: a pixel on the border is half
    covered, and the interpolation of maps reaches half a texel on. Slopes taken over the rim made it 0.48."""
    scene = random_scene(
        1400001, test="nick-break", finish="cleavage", light="overcast", card="none", mm_per_px=0.05, width_px=600, openings=9,
        ideal=True, tilt_deg=0.0, marks=False,
    )  # fmt: skip
    hollows = tuple(one for one in scene.openings if one.kind in ("pore", "slag", "elongated-cavity"))
    full, plain = (render.render(dataclasses.replace(scene, openings=some)) for some in (hollows, ()))
    change = np.abs((full.rgb / 255) ** 2.2 - (plain.rgb / 255) ** 2.2).mean(axis=2)
    inside = np.zeros(change.shape, np.uint8)
    for feature in full.truth["features"]:
        corners = np.round(np.array(feature["outline_px"]) * 16).astype(np.int32).reshape(-1, 1, 2)
        cv2.fillPoly(inside, [corners], 1, shift=4)
    away = cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5)
    assert change[(away > 0) & (away <= 1)].mean() < 0.4 * change[inside > 0].mean()


def test_the_two_halves_mirror_each_other():
    """The mating half has the same features at a -> -a, of the same sizes."""
    one, two = (random_scene(23, test="nick-break", width_px=400, openings=5, half=half) for half in "ab")
    assert len(one.openings) == len(two.openings) > 0
    for here, there in zip(one.openings, two.openings, strict=True):
        assert here.kind == there.kind
        assert shapes.area_mm2(here.outline_mm) == pytest.approx(shapes.area_mm2(there.outline_mm))
        assert here.outline_mm[:, 1].max() == pytest.approx(-there.outline_mm[:, 1].min())


@pytest.mark.parametrize("name", FRACTURES)
def test_every_fracture_is_drawn_finite(name):
    """No map of any fracture holds a value that light cannot have."""
    scene = random_scene(5, test="nick-break", finish=name, width_px=300)
    assert isinstance(scene.specimen, Broken)
    relief = fracture.relief_of(scene, per_mm=6.0)
    for field in (relief.height, relief.hollow, relief.maps.metal, relief.maps.body, relief.maps.rough, relief.maps.slope_s):
        assert np.isfinite(field).all()
    assert (relief.hollow >= 0).all()
    assert relief.maps.rough.min() > 0


def test_lots_bring_every_kind():
    """Over many faces each kind that such tests are made to find turns up."""
    kinds = {one.kind for seed in range(40) for one in random_scene(seed, test="nick-break", width_px=300).openings}
    assert {"pore", "elongated-cavity", "slag", "fisheye", "lack-of-fusion", "lack-of-inter-run-fusion"} <= kinds
    assert kinds & {"lack-of-penetration", "lack-of-root-fusion"}
    assert set(fracture_lot.FRACTURES) == set(FRACTURES)
