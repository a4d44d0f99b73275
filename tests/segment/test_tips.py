"""Tips of drawn openings whose ends are known exactly, blurred and noisy."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.measure import find_contours

from specimeter.segment.tips import move_tips

FINE = 8  # cells of the drawing to a pixel
DEPTH = 0.3


def drawn(half_width, long: float, *, turn_deg: float = 0.0, blur_px: float = 1.0, size: int = 160):
    """Light missing (H, W) where an opening lies about the middle, `half_width(x)` px from its axis for |x| <= long / 2."""
    at = (np.arange(size * FINE) + 0.5) / FINE - 0.5 - (size - 1) / 2
    x, y = np.meshgrid(at, at)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    along, across = c * x + s * y, c * y - s * x
    inside = (np.abs(along) <= long / 2) & (np.abs(across) <= half_width(np.clip(along, -long / 2, long / 2)))
    share = cv2.resize(inside.astype(np.float32), (size, size), interpolation=cv2.INTER_AREA)
    ends = (size - 1) / 2 + np.outer([-long / 2, long / 2], [c, s])
    return (DEPTH * cv2.GaussianBlur(share, (0, 0), blur_px)).astype(np.float32), ends


def half_level(darkness: np.ndarray) -> np.ndarray:
    """The longest contour at half the depth, [x, y]."""
    return max(find_contours(darkness, DEPTH / 2), key=len)[:-1, ::-1]


def off(polygon: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """By how much the polygon reaches beyond each end along the axis; short of it: below 0."""
    way = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    reach = (polygon - ends.mean(axis=0)) @ way
    return np.array([-reach.min(), reach.max()]) - np.hypot(*(ends[1] - ends[0])) / 2


@pytest.mark.parametrize("turn_deg", [0.0, 23.0, 90.0, 141.0])
@pytest.mark.parametrize(("wide", "long", "blur_px"), [(6.0, 60.0, 0.8), (5.0, 40.0, 1.2), (9.0, 70.0, 1.8)])
def test_a_lens_s_tips_lie_beyond_the_half_level_where_its_taper_ends(wide, long, blur_px, turn_deg):
    """Bounded by two parabolas, so that it tapers to nothing: the half-level stops short of the tips, the fit does not."""
    darkness, ends = drawn(lambda x: wide / 2 * (1 - (2 * x / long) ** 2), long, turn_deg=turn_deg, blur_px=blur_px)
    outline = half_level(darkness)
    before = off(outline, ends)
    assert (before < -1.0).all()
    moved, errors = move_tips(outline, darkness, DEPTH, 1e-4, blur_px)
    after = off(moved, ends)
    assert len(errors) == 2
    assert np.abs(after).max() < 0.35 * np.abs(before).max()
    assert np.abs(after).max() < 1.0


@pytest.mark.parametrize("turn_deg", [0.0, 37.0])
def test_blunt_ends_stay_where_the_half_level_has_them(turn_deg):
    """A slit of one width, cut off square: its half-level is right already, and the fit agrees to a pixel."""
    darkness, ends = drawn(lambda x: 0 * x + 2.5, 50.0, turn_deg=turn_deg, blur_px=1.0)
    moved, errors = move_tips(half_level(darkness), darkness, DEPTH, 1e-4, 1.0)
    assert np.abs(off(moved, ends)).max() < 1.0  # the tips are two corners, cater-cornered
    assert len(errors) == 2


def test_ends_wider_than_allowed_stay_and_others_go_on_by_what_fades():
    darkness, _ = drawn(lambda x: 3.0 * (1 - (2 * x / 60) ** 2), 60.0)
    outline = half_level(darkness)
    same, none = move_tips(outline, darkness, DEPTH, 1e-4, 1.0, widest_px=0.5)
    assert same is outline
    assert none == []
    moved, _ = move_tips(outline, darkness, DEPTH, 1e-4, 1.0)
    further, _ = move_tips(outline, darkness, DEPTH, 1e-4, 1.0, fades_px=0.7)
    ends = np.array([[outline[:, 0].min(), 79.5], [outline[:, 0].max(), 79.5]])
    assert off(further, ends) - off(moved, ends) == pytest.approx([0.7, 0.7], abs=0.15)  # along each tip's own way


def test_too_small_an_outline_has_no_tips():
    """Fewer than four pixels long: there is nothing along which light could be followed."""
    darkness, _ = drawn(lambda x: 0 * x + 1.2, 3.0, blur_px=0.6)
    outline = half_level(darkness)
    moved, errors = move_tips(outline, darkness, DEPTH, 1e-4, 0.6)
    assert moved is outline
    assert errors == []


def test_the_errors_told_are_those_that_noise_makes():
    """Twenty draws of noise of a thirtieth of the depth: nearly all tips lie within three of their own standard errors."""
    rng = np.random.default_rng(4)
    clean, ends = drawn(lambda x: 2.5 * (1 - (2 * x / 60) ** 2), 60.0, turn_deg=17.0)
    outline = half_level(clean)
    settled = off(move_tips(outline, clean, DEPTH, 1e-4, 1.0)[0], ends)
    spread = []
    for _ in range(20):
        noisy = clean + rng.normal(0, DEPTH / 30, clean.shape).astype(np.float32)
        moved, errors = move_tips(outline, noisy, DEPTH, DEPTH / 30, 1.0)
        spread += list((off(moved, ends) - settled) / np.array(errors))
    assert np.mean(np.abs(spread) < 3) > 0.9
    assert np.std(spread) > 0.05
