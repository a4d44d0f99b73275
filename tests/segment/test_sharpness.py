"""The blur that a picture was given is read back from its own edges."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import pytest

from specimeter.segment.model import ExaminedArea
from specimeter.segment.sharpness import FWHM, blur_px, edge_blur_px, resolving


def shapes_in_light(blur: float, *, texture: float = 0.0, seed: int = 3) -> np.ndarray:
    """Dark ellipses on metal, drawn eight times finer than the pixels, then blurred by a Gaussian; linear light."""
    rng = np.random.default_rng(seed)
    fine = np.zeros((420 * 8, 500 * 8), np.uint8)
    for _ in range(14):
        centre = tuple(int(v) for v in rng.uniform(60, 360, 2) * 8)
        axes = tuple(int(v) for v in rng.uniform(15, 50, 2) * 8)
        cv2.ellipse(fine, centre, axes, float(rng.uniform(0, 180)), 0, 360, 255, -1)
    cover = cv2.resize(fine, (500, 420), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    metal = 0.4 * (1 + texture * cv2.blur(rng.standard_normal(cover.shape), (25, 1)) * 5)
    light = cv2.GaussianBlur((metal * (1 - 0.85 * cover)).astype(np.float32), (0, 0), blur)
    return (light + 0.003 * rng.standard_normal(light.shape)).clip(0, 1).astype(np.float32)


@pytest.mark.parametrize("blur", [0.8, 1.2, 1.8, 2.4])
@pytest.mark.parametrize("texture", [0.0, 0.06])
def test_blur_is_read_back(blur, texture):
    """Within a tenth: what an outline's corrections for blur can bear (they go with its square, times small numbers)."""
    assert blur_px(shapes_in_light(blur, texture=texture)) == pytest.approx(blur, rel=0.10)


def test_no_edges_no_answer():
    """A bare field of noise shows no edges; a blur is not made up."""
    rng = np.random.default_rng(1)
    assert blur_px((0.4 + 0.004 * rng.standard_normal((200, 300))).astype(np.float32)) is None


@dataclass(frozen=True)
class Plain:
    """A flat surface of one scale."""

    mm: float
    shape: str = "flat"

    def mm_per_px_at(self, point_px):
        return self.mm


@dataclass(frozen=True, eq=False)
class Picture:
    light: np.ndarray

    def linear(self):
        return self.light


def test_smallest_resolvable_is_the_line_spread_in_mm():
    """Full width at half height of a Gaussian: 2 sqrt(2 ln 2) sigma."""
    area = ExaminedArea(outline_px=np.array([[20.0, 20], [470, 20], [470, 400], [20, 400]]))
    found = resolving(Picture(shapes_in_light(1.5)), Plain(0.05), area)[0]
    assert found == pytest.approx(FWHM * 1.5 * 0.05, rel=0.12)


def test_never_below_two_pixels():
    """However sharp, two pixels are the least period that samples can carry (sampling theorem)."""
    area = ExaminedArea(outline_px=np.array([[20.0, 20], [470, 20], [470, 400], [20, 400]]))
    assert resolving(Picture(shapes_in_light(0.4)), Plain(0.05), area)[0] >= 2 * 0.05


def bench_and_face(blur: float, noise: float) -> tuple[np.ndarray, list[np.ndarray]]:
    """A bare face between two straight edges, out of focus with them; linear light, and lines along the edges."""
    rng = np.random.default_rng(4)
    light = np.full((420, 500), 0.08, np.float32)
    light[:, 150:350] = 0.45
    light = cv2.GaussianBlur(light, (0, 0), blur) + noise * rng.standard_normal(light.shape)
    return light.clip(0, 1).astype(np.float32), [np.array([[x, 20.0], [x, 400.0]]) for x in (149.5, 349.5)]


@pytest.mark.parametrize("blur", [1.0, 2.0, 4.0, 8.0])
@pytest.mark.parametrize("noise", [0.0, 0.01])
def test_the_specimen_s_own_edges_tell_its_focus(blur, noise):
    """Within a quarter, in noise too: the width at half height of a Gaussian's slope."""
    light, edges = bench_and_face(blur, noise)
    assert edge_blur_px(light, edges) == pytest.approx(blur, rel=0.25, abs=0.3)


def test_a_sharp_card_elsewhere_does_not_vouch_for_a_blurred_face():
    """Face and edges blurred by 8 pixels, sharp shapes beside them: the face's own blur counts, or none is told."""
    light, edges = bench_and_face(8.0, 0.003)
    picture = Picture(np.hstack([light, shapes_in_light(0.8)]))
    area = ExaminedArea(outline_px=np.array([[180.0, 60], [320, 60], [320, 360], [180, 360]]), edges_px=tuple(edges))
    assert resolving(picture, Plain(0.05), area)[0] > 0.7 * FWHM * 8 * 0.05
    bare = ExaminedArea(outline_px=area.outline_px)
    assert resolving(picture, Plain(0.05), bare)[0] is None
