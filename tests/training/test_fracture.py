"""What the broken faces' committee is taught from: figures with families that agree with the scene's truth."""

from __future__ import annotations

import numpy as np

from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from specimeter.segment.fracture_figures import NAMES
from specimeter.training import face
from specimeter.training.fracture import FAMILIES, SURE, family, of_photograph


def test_families_hold_every_kind():
    """Each kind that a scene draws belongs to one family."""
    kinds = {one.kind for seed in range(20) for one in random_scene(seed, test="fillet-break", width_px=300).openings}
    assert {family(kind) for kind in kinds} <= set(FAMILIES[1:])


def test_regions_are_labelled_by_what_they_cover():
    """A region counts as a feature only where it covers one well; a face example has the face's share and a weight."""
    scene = random_scene(17, test="nick-break", width_px=700, card="none", openings=3)
    picture = render(scene)
    rows, families, overlaps, hit = of_photograph(picture.rgb, picture.truth, np.random.default_rng(0))
    assert rows.shape == (len(families), len(NAMES))
    assert np.isfinite(rows).all()
    assert ((families > 0) == (overlaps >= SURE)).all()
    assert len(hit) == len(picture.truth["features"])
    example = face.of_picture(picture.rgb, picture.truth, np.random.default_rng(0))
    share = example[-2].astype(float)
    assert 0 <= share.min() <= share.max() <= 1
    outline = np.array(picture.truth["area_outline_px"])
    x, y = outline.T
    true = abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2 / (picture.rgb.shape[0] * picture.rgb.shape[1])
    assert abs(share.mean() / true - 1) < 0.03  # cells of 0.3 mm with exact shares; the figures' own grid leaves a rim out
