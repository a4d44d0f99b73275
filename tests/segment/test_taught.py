"""Taught by example: a stroke over one finds the others that look alike, the same each time, and leaves the unlike alone."""

import cv2
import numpy as np
import pytest

from specimeter import colour
from specimeter.errors import OutlineError
from specimeter.segment import forest
from specimeter.segment.model import ExaminedArea
from specimeter.segment.taught import taught

SHAPE = (300, 420)
HOLES = [(80, 80), (200, 90), (330, 110), (120, 210), (260, 220)]
STAINS = [(140, 140), (280, 160), (370, 240), (60, 160)]


class Photo:
    """A picture in memory, as `specimeter.photo.Photo` answers."""

    def __init__(self, rgb_linear):
        self.rgb = np.round(255 * colour.to_code(np.clip(rgb_linear, 0, 1))).astype(np.uint8)

    def linear(self):
        return colour.luminance(self.rgb)


def disc(places, radius):
    """Share of each pixel within discs of a radius about places [x, y], by their signed distance."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return np.max([np.clip(radius + 0.5 - np.hypot(x - cx, y - cy), 0, 1) for cx, cy in places], axis=0)


def plate(seed):
    """Metal with five dark holes of radius 9 and four reddish stains of radius 12, blurred by 0.9 px, with noise."""
    rng = np.random.default_rng(seed)
    light = np.full((*SHAPE, 3), 0.3) * (1 + 0.05 * cv2.GaussianBlur(rng.normal(size=SHAPE), (0, 0), 2)[..., None])
    light = light * (1 - disc(STAINS, 12)[..., None] * [0.35, 0.6, 0.75])
    light = light * (1 - 0.92 * disc(HOLES, 9)[..., None])
    return Photo(cv2.GaussianBlur(light, (0, 0), 0.9) + rng.normal(0, 0.003, light.shape))


def area():
    return ExaminedArea(outline_px=np.array([[5, 5], [414, 5], [414, 294], [5, 294]], float))


THIS = [np.array([[76, 80], [84, 81]])]
NOT = [np.array([[134, 140], [147, 141]]), np.array([[20, 20], [300, 30]])]
ALL = np.array([[0, 0], [419, 299]])


def test_one_stroke_finds_the_others_and_not_the_stains():
    """Five holes, their middles within half a pixel, their areas within a tenth of pi r squared."""
    found = taught(plate(1), area(), THIS, NOT, within_px=ALL)
    assert len(found) == len(HOLES)
    for hole in HOLES:
        near = min(found, key=lambda one: np.linalg.norm(one.outline_px.mean(axis=0) - hole))
        assert near.outline_px.mean(axis=0) == pytest.approx(hole, abs=0.5)
        assert cv2.contourArea(near.outline_px.astype(np.float32)) == pytest.approx(np.pi * 81, rel=0.1)
        assert near.found_by == "taught"
        assert 0 < near.u_edge_px <= near.u_tip_px


def test_taught_the_other_way_round_it_finds_the_stains():
    """What is `this` is the person's to say."""
    found = taught(plate(2), area(), NOT[:1], [*THIS, NOT[1]], within_px=ALL)
    middles = np.array([one.outline_px.mean(axis=0) for one in found])
    for stain in STAINS:
        assert np.linalg.norm(middles - stain, axis=1).min() < 2
    for hole in HOLES:
        assert np.linalg.norm(middles - hole, axis=1).min() > 6


def test_the_same_strokes_give_the_same_outlines():
    first, second = (taught(plate(3), area(), THIS, NOT, within_px=ALL) for _ in range(2))
    assert len(first) == len(second)
    for one, other in zip(first, second, strict=True):
        assert np.array_equal(one.outline_px, other.outline_px)


def test_only_near_the_strokes_without_a_part_to_search():
    """Sixty pixels about them; the hole far away is not looked for."""
    found = taught(plate(4), area(), THIS, [np.array([[100, 60], [110, 60]])])
    assert all(one.outline_px[:, 0].max() < 180 for one in found)
    assert min(np.linalg.norm(one.outline_px.mean(axis=0) - HOLES[0]) for one in found) < 1


def test_what_is_wrong_with_the_strokes_is_said():
    with pytest.raises(OutlineError, match='no stroke over "not this"'):
        taught(plate(5), area(), THIS, [])
    with pytest.raises(OutlineError, match="lie on one another"):
        taught(plate(5), area(), THIS, THIS)
    bare = ExaminedArea(outline_px=np.array([[5, 5], [40, 5], [40, 40], [5, 40]], float))
    with pytest.raises(OutlineError, match="nothing like these strokes"):
        taught(plate(5), bare, THIS, NOT)


def test_the_forest_learns_a_rule_that_no_single_question_tells():
    """Exclusive or of two columns among five of noise: nine in ten of unseen rows, where guessing has one in two."""
    rng = np.random.default_rng(6)
    figures = rng.normal(size=(4000, 5)).astype(np.float32)
    truth = (figures[:, 1] > 0) != (figures[:, 3] > 0)
    trees = forest.fit(figures[:2000], truth[:2000])
    right = (forest.chance(trees, figures[2000:]) > 0.5) == truth[2000:]
    assert right.mean() > 0.9


def test_the_forest_needs_both_sides():
    with pytest.raises(ValueError, match="both sides"):
        forest.fit(np.zeros((5, 2)), np.ones(5, bool))
