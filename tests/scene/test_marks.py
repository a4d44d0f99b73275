"""Marks change the metal where they lie and nowhere else."""

import numpy as np
import pytest

from specimeter.scene import marks, material, shapes
from specimeter.scene.describe import Finish, Mark, Opening, Specimen, Weld

KINDS = (
    "stamp",
    "punch",
    "dent",
    "pit",
    "scratch",
    "gauge-line",
    "grinding",
    "ink",
    "dust",
    "fibre",
    "rust",
    "stain",
    "oil",
    "fingerprint",
)


@pytest.fixture(scope="module")
def bare():
    bar = Specimen(test="face-bend", former_diameter_mm=24.0, thickness_mm=6.0, width_mm=16.0, crown_height_mm=40.0)
    gloss = {"diffuse": 0.2, "gloss_along": 0.1, "gloss_across": 0.3, "lay_deg": 0.0, "streak": 0.0, "streak_mm": (0.1,)}
    finish = Finish(name="test", colour=(0.5, 0.5, 0.5), seed=5, **gloss)
    return material.make(bar, finish, Weld(layout="across", half_width_mm=4.0, root_half_width_mm=2.0), 15.0)


def copy(maps):
    return material.Maps(per_mm=maps.per_mm, s0=maps.s0, a0=maps.a0, **{
        name: getattr(maps, name).copy() for name in ("slope_s", "slope_a", "metal", "body", "rough")})  # fmt: skip


def changed(before, after):
    names = ("slope_s", "slope_a", "metal", "body", "rough")
    layers = [np.abs(getattr(after, n) - getattr(before, n)) for n in names]
    return np.max([layer.max(axis=2) if layer.ndim == 3 else layer for layer in layers], axis=0) > 1e-3


@pytest.mark.parametrize("kind", KINDS)
def test_a_mark_changes_the_metal_only_near_itself(bare, kind):
    line = np.array([[3.0, -2.0], [5.0, 1.0]])
    after = copy(bare)
    marks.apply(after, Mark(kind=kind, lines_mm=(line,), size_mm=0.8, strength=0.8, colour=(0.1, 0.1, 0.4), seed=3))
    rows, columns = np.nonzero(changed(bare, after))
    assert len(rows)
    places = np.column_stack([columns / bare.per_mm + bare.s0, rows / bare.per_mm + bare.a0])
    assert (places >= line.min(0) - 3.2).all()
    assert (places <= line.max(0) + 3.2).all()


def test_an_unknown_kind_is_refused(bare):
    with pytest.raises(ValueError, match="unknown kind"):
        marks.apply(copy(bare), Mark(kind="sticker", lines_mm=(np.zeros((2, 2)),), size_mm=0.5, strength=1.0))


def test_a_lip_lies_outside_its_opening(bare):
    """The brightened rim is beyond the outline; well inside nothing changes."""
    outline = shapes.turn(shapes.ribbon(np.random.default_rng(1), 5.0, 2.0), 0.0, (2.0, 1.0))
    after = copy(bare)
    marks.lip(after, Opening(outline_mm=outline, kind="opening", form="lens", depth_mm=1.0, lip_mm=0.25, lip_gain=1.0, seed=2))
    rows, columns = np.indices(bare.shape)
    places = np.column_stack([columns.ravel() / bare.per_mm + bare.s0, rows.ravel() / bare.per_mm + bare.a0])
    near = np.abs(places - [2.0, 1.0]).max(axis=1) < 4
    distance = shapes.distance_to(outline, places[near])
    steep = np.hypot(after.slope_s - bare.slope_s, after.slope_a - bare.slope_a).ravel()[near]
    assert steep[(distance > 0.05) & (distance < 0.4)].mean() > 0.05
    assert steep[distance < -0.2].max() == 0
    assert steep[distance > 1.5].max() < 1e-4


def test_letters_read_from_outside():
    """Seen from outside, a runs up where s runs right: an F's long arm is above its short one, both right of its stem."""
    arm, _ = marks.lettering("F", 6.0, (0.0, 0.0), 0.0, np.random.default_rng(4))
    top, corner, foot = arm
    assert top[0] > corner[0] + 2
    assert corner[1] > foot[1] + 4
