"""Holes are told from stains by light that is drawn: discs blurred as a lens blurs them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from specimeter.segment.cavity import darkness, without_spurs

METAL = np.array([0.32, 0.30, 0.27])
FINE = 8  # drawn so much finer, then averaged: pixels gather light over their area


def photographed(fine: np.ndarray, blur_px: float) -> np.ndarray:
    """Light drawn on a fine raster as a lens and pixels show it, float32 (H, W, 3)."""
    soft = cv2.GaussianBlur(fine, (0, 0), blur_px * FINE) if blur_px else fine
    return cv2.resize(soft, None, fx=1 / FINE, fy=1 / FINE, interpolation=cv2.INTER_AREA).astype(np.float32)


def disc(radius_px: float, left: np.ndarray, blur_px: float) -> tuple[np.ndarray, np.ndarray]:
    """A disc about (30.3, 24.6) that sends back the shares `left` of the metal's light, and its true outline."""
    y, x = (np.mgrid[: 50 * FINE, : 60 * FINE] + 0.5) / FINE - 0.5
    inside = np.hypot(x - 30.3, y - 24.6)[..., None] < radius_px
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    outline = [30.3, 24.6] + radius_px * np.column_stack([np.cos(turn), np.sin(turn)])
    return photographed(np.where(inside, METAL * left, METAL), blur_px), outline


@pytest.mark.parametrize("blur", [0.6, 1.0])
@pytest.mark.parametrize("radius", [1.6, 3.0, 9.0])
@pytest.mark.parametrize("left", [0.1, 0.4, 0.7])
def test_darkness_is_what_was_drawn_whatever_the_size_and_the_blur(radius, left, blur):
    """To a tenth, down to discs of which the blur, the pixels' own width with it, leaves hardly two thirds."""
    light, outline = disc(radius, np.full(3, left), blur)
    assert darkness(light, outline, np.hypot(blur, 12**-0.5)) == pytest.approx(1 - left, abs=0.1)


def test_a_stain_is_as_dark_as_in_the_colour_that_it_keeps_least():
    """Rust keeps the blue and lets red pass: 0.3, though on average it is 0.6 dark; a hole that is red within stays one."""
    light, outline = disc(5.0, np.array([0.7, 0.4, 0.1]), 0.7)
    assert darkness(light, outline, 0.7) == pytest.approx(0.3, abs=0.05)
    hole, outline = disc(5.0, np.array([0.2, 0.1, 0.05]), 0.7)
    assert darkness(hole, outline, 0.7) > 0.75


def test_a_hole_whose_wall_is_lit_on_one_side_is_dark():
    """Half of it sends back most of the light: its darker half counts."""
    light, outline = disc(6.0, np.full(3, 0.05), 0.7)
    light[18:31, 31:37] = 0.8 * METAL
    assert darkness(light, outline, 0.7) > 0.8


def test_a_hole_filled_with_something_bright_is_dark_at_its_walls():
    """Glassy slag, brighter than the metal, in a cavity whose rim of a pixel and a half is dark."""
    light, outline = disc(8.0, np.full(3, 0.05), 0.7)
    y, x = np.mgrid[:50, :60]
    light[np.hypot(x - 30.3, y - 24.6) < 6.0] = 1.3 * METAL
    assert darkness(light, outline, 0.7) > 0.8


def test_what_has_no_metal_about_it_counts_as_dark():
    """Then the light tells nothing, and the network's word stands."""
    light, outline = disc(6.0, np.full(3, 0.1), 0.7)
    low, high = np.floor(outline.min(axis=0)).astype(int), np.ceil(outline.max(axis=0)).astype(int) + 1
    assert darkness(light[low[1] : high[1], low[0] : high[0]].copy(), outline - low, 3.0) == 1.0


def spurred(radius_px: float, spur_px: float, wide_px: float) -> np.ndarray:
    """A disc about (40.3, 30.6) with a straight spur to the right, so long beyond its rim and so wide."""
    half = np.arcsin(wide_px / 2 / radius_px)
    turn = np.linspace(half, 2 * np.pi - half, 200)
    rim = np.column_stack([40.3 + radius_px * np.cos(turn), 30.6 + radius_px * np.sin(turn)])
    end = 40.3 + radius_px + spur_px
    return np.concatenate([rim, [[end, 30.6 - wide_px / 2], [end, 30.6 + wide_px / 2]]])


def test_a_grinding_mark_that_a_pore_lies_on_is_no_part_of_it():
    """A disc of radius 8 with a spur of 14 by 3 px: what is left is the disc, its area to 4 %, 16 px across to 0.7."""
    ring = without_spurs(spurred(8.0, 14.0, 3.0), 0.5)
    assert np.ptp(ring, axis=0) == pytest.approx([16.0, 16.0], abs=0.7)
    assert cv2.contourArea(ring.astype(np.float32)) == pytest.approx(np.pi * 64, rel=0.04)
    assert ring.mean(axis=0) == pytest.approx([40.3, 30.6], abs=0.3)


@pytest.mark.parametrize(("spur_px", "wide_px"), [(2.0, 3.0), (14.0, 10.0)])
def test_what_is_short_or_thick_stays_as_the_light_drew_it(spur_px, wide_px):
    """A tip of 2 px lengthens a disc of 16 by an eighth; a neck of 10 px is thicker than half of the disc."""
    ring = spurred(8.0, spur_px, wide_px)
    assert without_spurs(ring, 0.5) is ring


def test_a_lens_of_slag_keeps_its_tips():
    """Two arcs of 40 px over a chord of 34 px: pointed, and nothing sticks out."""
    x = np.linspace(-17, 17, 60)
    arc = np.sqrt(40.0**2 - x**2) - np.sqrt(40.0**2 - 17.0**2)
    ring = np.concatenate([np.column_stack([x, arc]), np.column_stack([x[::-1], -arc[::-1]])[1:-1]]) + 60.0
    assert without_spurs(ring, 0.3) is ring
