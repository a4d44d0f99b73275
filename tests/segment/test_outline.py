"""Outlines of drawn openings of exactly known shape: no bias from blur, contrast or thinness beyond a fraction of a pixel."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.segment.outline import trace


def lens(length: float, width: float, angle: float, centre) -> np.ndarray:
    """Two parabolas that meet in sharp tips."""
    u = np.linspace(-1, 1, 160)
    sides = np.concatenate(
        [
            np.column_stack([u * length / 2, width / 2 * (1 - u**2)]),
            np.column_stack([u, -width / 2 * (1 - u**2)])[::-1] * [length / 2, 1],
        ]
    )
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    return sides @ turn + centre


def picture(outline: np.ndarray, shape, *, blur: float, level: float, inside: float, noise: float, seed: int) -> np.ndarray:
    """Linear light: the outline filled at sixteen by sixteen points a pixel, blurred, with shot-like noise."""
    fine = np.zeros((shape[0] * 16, shape[1] * 16), np.uint8)
    cv2.fillPoly(fine, [np.round(((outline + 0.5) * 16 - 0.5) * 16).astype(np.int32)], 255, shift=4)
    cover = cv2.resize(fine, shape[::-1], interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    light = cv2.GaussianBlur((level * (1 - cover * (1 - inside))).astype(np.float32), (0, 0), blur)
    return (light + noise * np.random.default_rng(seed).standard_normal(shape)).clip(0, 1).astype(np.float32)


def extents(outline: np.ndarray) -> tuple[float, float]:
    """Greatest distance between two points, and diameter of the largest circle inside (distance transform, 1/12 pixel)."""
    hull = cv2.convexHull(outline.astype(np.float32)).reshape(-1, 2).astype(float)
    length = np.linalg.norm(hull[:, None] - hull[None], axis=2).max()
    moved = (outline - outline.min(axis=0)) * 12 + 6
    mask = np.zeros(np.ceil(moved.max(axis=0)).astype(int)[::-1] + 6, np.uint8)
    cv2.fillPoly(mask, [np.round(moved).astype(np.int32)], 1)
    return float(length), float(2 * cv2.distanceTransform(mask, cv2.DIST_L2, 5).max() / 12)


def core_of(light: np.ndarray, level: float, inside: float) -> np.ndarray:
    return light < level * (0.45 + 0.55 * inside)


@settings(max_examples=15, deadline=None)
@given(
    length=st.floats(30, 70),
    share=st.floats(0.25, 0.5),
    angle=st.floats(0, 3.1),
    blur=st.floats(0.7, 1.8),
    inside=st.floats(0.02, 0.3),
    shift=st.tuples(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5)),
)
def test_lens_keeps_its_size(length, share, angle, blur, inside, shift):
    """Length within 2.2 px (two sharp tips) and width within 0.6 px, whatever the blur; the picture lies lopsided."""
    true = lens(length, share * length, angle, np.array([62.0, 51.0]) + shift)
    light = picture(true, (104, 123), blur=blur, level=0.4, inside=inside, noise=0.004, seed=1)
    found = trace(light, core_of(light, 0.4, inside), blur_px=blur)
    (length_found, width_found), (length_true, width_true) = extents(found.outline_px), extents(true)
    assert length_found == pytest.approx(length_true, abs=2.2)
    assert width_found == pytest.approx(width_true, abs=0.6)


def test_place_is_in_x_y_order():
    """The outline's middle lies where the opening was drawn: x along columns, y along rows."""
    true = lens(40, 14, 0.4, [70.25, 30.5])
    light = picture(true, (64, 120), blur=1.1, level=0.5, inside=0.1, noise=0.0, seed=0)
    found = trace(light, core_of(light, 0.5, 0.1), blur_px=1.1)
    low, high = found.outline_px.min(axis=0), found.outline_px.max(axis=0)
    assert (low + high) / 2 == pytest.approx([70.25, 30.5], abs=0.4)


@pytest.mark.parametrize("radius", [4.0, 6.0, 10.0])
def test_small_disc_is_not_shrunk_by_blur(radius):
    """The half-level of a blurred disc lies blur^2 / (2 radius) inside its edge; the outline does not."""
    angle = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    true = np.column_stack([np.cos(angle), np.sin(angle)]) * radius + [31.3, 27.8]
    light = picture(true, (56, 64), blur=1.6, level=0.4, inside=0.05, noise=0.0, seed=0)
    found = trace(light, core_of(light, 0.4, 0.05), blur_px=1.6)
    x, y = found.outline_px.T
    area = 0.5 * abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    assert np.sqrt(area / np.pi) == pytest.approx(radius, abs=0.12)  # without: 1.6^2 / (2 * 4) = 0.32 too small


def test_slit_thinner_than_the_blur_spreads_it():
    """A slit 2.4 px wide under a blur of 1.3 px shows 3.4 px at its half-level; its outline says 2.4 within 0.5."""
    true = np.array([[20.0, 30.0], [80.0, 30.0], [80.0, 32.4], [20.0, 32.4]])
    light = picture(true, (64, 101), blur=1.3, level=0.4, inside=0.05, noise=0.002, seed=2)
    found = trace(light, light < 0.25, blur_px=1.3)
    assert extents(found.outline_px)[1] == pytest.approx(2.4, abs=0.5)


def test_uncertainty_grows_with_noise_and_blur():
    true = lens(50, 16, 0.3, [60.0, 40.0])
    u = {}
    for blur, noise in ((1.0, 0.002), (1.0, 0.03), (2.5, 0.03)):
        light = picture(true, (80, 120), blur=blur, level=0.4, inside=0.1, noise=noise, seed=3)
        u[blur, noise] = trace(light, cv2.GaussianBlur(light, (0, 0), 1.5) < 0.2, blur_px=blur)
    edges = [found.u_edge_px for found in u.values()]
    assert edges == sorted(edges)
    assert all(found.u_tip_px >= found.u_edge_px for found in u.values())


def test_no_metal_around_no_outline():
    """Where the patch ends at the opening there is no level to take half of."""
    light = np.full((30, 30), 0.1, np.float32)
    assert trace(light, np.ones((30, 30), bool), blur_px=1.0) is None
