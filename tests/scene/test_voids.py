"""Inside an opening: deep and dark, its wall lit where a lamp reaches it, its notch on the side narrowing with depth."""

import dataclasses

import numpy as np
import pytest

from specimeter.scene import geometry, render, shapes, truth, voids
from specimeter.scene.describe import Lamp, Light, Opening
from specimeter.scene.random import random_scene


def scene_with(opening, light=None):
    scene = random_scene(3, finish="polished", card="none", test="face-bend", marks=False, clean=True, ideal=True, width_px=480,
                         tilt_deg=0.0, mm_per_px=0.06)  # fmt: skip
    lamp = Lamp(place_mm=(0.0, 0.0, -900.0), radius_mm=40.0, power=0.5)
    return dataclasses.replace(scene, openings=(opening,), light=light or Light(name="t", lamps=(lamp,), ambient=0.4))


def lens(width=1.6, **changes):
    outline = shapes.turn(shapes.ribbon(np.random.default_rng(1), 5.0, width, blunt=0.5), np.pi / 2, (0.0, 0.0))
    return Opening(**{"outline_mm": outline, "kind": "opening", "form": "lens", "depth_mm": 3.0, "seed": 3, **changes})


def level_inside(scene):
    picture = render.light_of(scene)[0].mean(axis=2)
    outline = truth.outline_px(scene, scene.openings[0].outline_mm)
    cover = shapes.coverage(outline, 0, 0, scene.camera.width_px, scene.camera.height_px)
    return picture, cover


def test_slag_and_facets_are_brighter_than_a_dark_hollow():
    dark, slag, facets = (
        (lambda picture, cover: picture[cover > 0.99].mean())(*level_inside(scene_with(lens(fill=fill, depth_mm=1.5))))
        for fill in ("dark", "slag", "facets")
    )
    assert dark < slag
    assert dark < facets


def test_a_side_lamp_lights_the_far_wall():
    """From a lamp on one side, the wall facing it is brighter than the wall that is turned away."""
    base = scene_with(lens(depth_mm=0.8))
    across = geometry.axes(base.specimen)[0]
    place = geometry.place(base.specimen, [[0.0, 0.0]])[0] + 500 * across + [0, 0, -500]
    side = Light(name="t", lamps=(Lamp(place_mm=tuple(place), radius_mm=10.0, power=1.0),), ambient=0.02)
    picture, cover = level_inside(dataclasses.replace(base, light=side))
    rows, columns = np.nonzero(cover > 0.99)
    pixels = np.column_stack([columns, rows]).astype(float)
    s = geometry.meet(base.specimen, base.camera.eye_mm, geometry.sight(base.camera, pixels))["s"]
    values = picture[rows, columns]
    assert values[s < -0.35].mean() > 1.5 * values[s > 0.35].mean()  # the wall at -s faces a lamp that stands at +s


def test_notch_narrows_with_depth():
    """On the side that the tear reaches, the notch is widest at the face and gone below its depth."""
    scene = random_scene(3, card="none", test="face-bend", clean=True)
    half = scene.specimen.width_mm / 2
    outline = np.array([[-0.6, half], [0.6, half], [0.0, half - 3.0]])
    tear = Opening(outline_mm=outline, kind="opening", form="corner-tear", depth_mm=2.0, at_corner=True, seed=0)
    s = np.linspace(-2, 2, 801)
    width = [
        voids.notched(scene, tear, s, np.full_like(s, half), np.full_like(s, depth)).sum() * 0.005 for depth in (0.0, 1.0, 5.0)
    ]
    assert width[0] == pytest.approx(1.2, abs=0.02)
    assert 0 < width[1] < width[0]
    assert width[2] == 0
    assert not voids.notched(scene, tear, s, np.full_like(s, -half), np.zeros_like(s)).any()
