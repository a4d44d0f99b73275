"""Rendered pictures against the truth: edges at the half-level, masks by brute force, darkness, cards found by OpenCV."""

import dataclasses

import cv2
import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from specimeter.scene import card, geometry, render, shapes, truth
from specimeter.scene.describe import Light, Opening
from specimeter.scene.random import random_scene


def plain(seed=3, width_px=640, **changes):
    """A scene whose metal is even: no relief, no weld, no marks, room light only, and one deep dark opening at the crown."""
    scene = random_scene(
        seed,
        finish="polished",
        card="none",
        test="face-bend",
        marks=False,
        clean=True,
        ideal=True,
        width_px=width_px,
        tilt_deg=8.0,
        mm_per_px=0.06,
    )
    rng = np.random.default_rng(seed)
    outline = shapes.turn(shapes.ribbon(rng, 4.0, 1.4, blunt=0.55, bend=0.05, lopsided=0.3), 1.2, (1.0, -2.0))
    opening = Opening(outline_mm=outline, kind="opening", form="lens", depth_mm=4.0)
    finish = dataclasses.replace(scene.finish, streak=0.0, peel=0.0, scale=0.0, rust=0.0, tint=0.0)
    weld = dataclasses.replace(scene.weld, contrast=0.0, line=0.0, haz=0.0, ripple_mm=0.0)
    light = Light(name="room", lamps=scene.light.lamps[:1], ambient=1.0)
    light = dataclasses.replace(light, lamps=tuple(dataclasses.replace(lamp, power=1e-6) for lamp in light.lamps))
    return dataclasses.replace(scene, finish=finish, weld=weld, light=light, openings=(opening,), **changes)


def test_half_level_of_a_dark_opening_lies_on_its_true_outline():
    """Across the outline, the linear light passes half-way between inside and outside within 0.1 px (median) of the truth."""
    scene = plain()
    luminance = render.light_of(scene)[0].mean(axis=2)
    outline = truth.outline_px(scene, scene.openings[0].outline_mm)
    middle, span = outline.mean(0), np.ptp(outline, axis=0).max()
    tangent = np.roll(outline, -2, axis=0) - np.roll(outline, 2, axis=0)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]]) / np.linalg.norm(tangent, axis=1)[:, None]
    normal *= np.sign(np.sum(normal * (outline - middle), axis=1))[:, None]
    steps = np.arange(-3, 3.01, 0.05)
    along = outline[:, None] + steps[None, :, None] * normal[:, None]
    profile = map_coordinates(luminance, [along[..., 1], along[..., 0]], order=1)
    inside, outside = profile[:, :10].mean(1), profile[:, -10:].mean(1)
    half = (inside + outside)[:, None] / 2
    place = steps[np.argmax(profile > half, axis=1)]
    blunt = np.linalg.norm(outline - middle, axis=1) < 0.35 * span  # away from the tips, where 3 px across leave the opening
    error = place[blunt]
    assert blunt.sum() > 100
    assert abs(np.median(error)) < 0.1
    assert np.quantile(np.abs(error), 0.9) < 0.35


def test_opening_is_dark_and_only_inside_its_outline():
    """Mean light inside is far below the metal's; outside, the same scene without the opening looks the same."""
    scene = plain()
    with_opening = render.light_of(scene)[0].mean(axis=2)
    without = render.light_of(dataclasses.replace(scene, openings=()))[0].mean(axis=2)
    outline = truth.outline_px(scene, scene.openings[0].outline_mm)
    cover = shapes.coverage(outline, 0, 0, scene.camera.width_px, scene.camera.height_px)
    assert with_opening[cover > 0.999].mean() < 0.35 * without[cover > 0.999].mean()
    assert np.array_equal(with_opening[cover == 0], without[cover == 0])


@pytest.mark.parametrize("seed", [2, 7, 14])
def test_truth_outlines_agree_with_a_mask_by_inverse_mapping(seed):
    """Each pixel's 4 x 4 sight lines, met with the bar and tested in the developed plane, cover what the outline covers."""
    scene = random_scene(seed, width_px=900, camera="phone-double", card="none", openings=3, marks=False)
    assert scene.openings
    for opening in scene.openings:
        outline = truth.outline_px(scene, opening.outline_mm)
        low, high = np.floor(outline.min(0)).astype(int) - 2, np.ceil(outline.max(0)).astype(int) + 3
        width, height = high - low
        sub = (np.arange(4) - 1.5) / 4
        x, y = np.meshgrid(np.arange(width), np.arange(height))
        mask = np.zeros((height, width))
        for dx in sub:
            for dy in sub:
                pixels = np.column_stack([x.ravel() + low[0] + dx, y.ravel() + low[1] + dy]).astype(float)
                hit = geometry.meet(scene.specimen, scene.camera.eye_mm, geometry.sight(scene.camera, pixels))
                inside = shapes.distance_to(opening.outline_mm, np.column_stack([hit["s"], hit["a"]])) < 0
                mask += (inside & (hit["part"] != geometry.MISS)).reshape(mask.shape) / 16
        cover = shapes.coverage(outline, low[0], low[1], width, height)
        perimeter = np.linalg.norm(np.diff(outline, axis=0, append=outline[:1]), axis=1).sum()
        # an outline off by d px everywhere would differ by d x perimeter; 16 samples a pixel leave about 0.06 px
        allowed = 0.3 if opening.at_corner else 0.1
        assert np.abs(cover - mask).sum() / perimeter < allowed
        assert abs((cover - mask).sum()) / perimeter < (0.3 if opening.at_corner else 0.02)


@pytest.mark.parametrize(("kind", "height"), [("strip", "level"), ("strip", "bench"), ("frame", "block")])
def test_opencv_finds_every_marker_where_the_truth_says(kind, height):
    """Markers' centres as found by OpenCV's detector (corners to about a pixel) agree with the truth, and without a shift."""
    scene = random_scene(21, card=kind, height=height, light="overcast", bench="paper", width_px=1100, test="side-bend")
    picture = render.render(scene)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_CONTOUR
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), parameters)
    corners, ids, _ = detector.detectMarkers(cv2.cvtColor(picture.rgb, cv2.COLOR_RGB2GRAY))
    found = {int(i): np.asarray(c).reshape(-1, 2) for i, c in zip(np.ravel(ids), corners, strict=True)}
    assert set(found) == set(card.CENTRES_MM[kind])
    shifts = []
    for marker, seen in found.items():
        true = np.array(picture.truth["card"]["marker_corners_px"][str(marker)])
        shifts.append(seen.mean(0) - true.mean(0))
        assert np.abs(seen - true).max() < 2.5  # same order of corners; the detector's own corners are coarse
    assert np.abs(shifts).max() < 0.4
    assert np.abs(np.mean(shifts, axis=0)).max() < 0.12


def test_same_scene_gives_the_same_picture():
    scene = random_scene(8, width_px=320)
    assert np.array_equal(render.render(scene).rgb, render.render(random_scene(8, width_px=320)).rgb)


def test_picture_is_finite_and_exposed():
    """Every kind of finish gives finite light, and a face that is neither black nor all white."""
    for seed, finish in enumerate(("ground-fine", "as-rolled", "light-rust", "blasted")):
        scene = random_scene(seed, finish=finish, width_px=320)
        rgb, depth, level = render.light_of(scene)
        assert np.isfinite(rgb).all()
        assert np.isfinite(depth).all()
        assert level > 0
        picture = render.render(scene)
        outline = np.array(picture.truth["area_outline_px"])
        cover = shapes.coverage(outline, 0, 0, scene.camera.width_px, scene.camera.height_px) > 0.9
        assert 20 < np.median(picture.rgb[cover]) < 245
