"""Openings on small drawn faces: found and outlined; scratches, ink, shadows and the area's own border left alone."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import pytest

from specimeter.segment.model import ExaminedArea
from specimeter.segment.openings import find_openings

SHAPE = (340, 460)
MM_PER_PX = 0.04
AREA = ExaminedArea(outline_px=np.array([[12.0, 12], [447, 12], [447, 327], [12, 327]]))


@dataclass(frozen=True)
class Flat:
    """A plane of one scale, seen square on."""

    shape: str = "flat"

    def develop(self, points_px):
        return np.asarray(points_px, float).reshape(-1, 2) * MM_PER_PX

    def project(self, developed_mm):
        return np.asarray(developed_mm, float).reshape(-1, 2) / MM_PER_PX

    def mm_per_px_at(self, point_px):
        return MM_PER_PX


@dataclass(frozen=True, eq=False)
class Picture:
    rgb: np.ndarray

    def linear(self):
        code = self.rgb.astype(np.float32) / 255
        light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
        return (light @ np.array([0.2126, 0.7152, 0.0722], np.float32)).astype(np.float32)


class Face:
    """Brushed metal under a soft lamp, drawn four times finer than the picture, then blurred, made noisy and coded."""

    def __init__(self, seed: int = 0) -> None:
        self.rng = np.random.default_rng(seed)
        lay = cv2.blur(self.rng.standard_normal(SHAPE).astype(np.float32), (41, 1))
        x = np.linspace(-1, 1, SHAPE[1], dtype=np.float32)[None]
        self.light = 0.28 * (1 + 0.05 * lay / lay.std()) * (0.6 + 0.7 * np.exp(-((x - 0.1) ** 2) / 0.3))
        self.light = np.repeat(self.light[..., None], 3, axis=2)

    def paint(self, cover: np.ndarray, light) -> None:
        self.light += cover[..., None] * (np.asarray(light, np.float32) - self.light)

    def open(self, outline: np.ndarray, inside: float = 0.02) -> np.ndarray:
        self.paint(filled(outline), inside)
        return outline

    def picture(self, blur: float = 0.9) -> Picture:
        light = cv2.GaussianBlur(self.light, (0, 0), blur)
        light = np.clip(light + 0.004 * self.rng.standard_normal(light.shape), 0, 1)
        code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
        return Picture(np.round(code * 255).astype(np.uint8))


def filled(outline: np.ndarray) -> np.ndarray:
    fine = np.zeros((SHAPE[0] * 4, SHAPE[1] * 4), np.uint8)
    cv2.fillPoly(fine, [np.round(((outline + 0.5) * 4 - 0.5) * 16).astype(np.int32)], 255, shift=4)
    return cv2.resize(fine, SHAPE[::-1], interpolation=cv2.INTER_AREA).astype(np.float32) / 255


def lens(centre, length: float, width: float, angle: float) -> np.ndarray:
    u = np.linspace(-1, 1, 80)
    sides = np.concatenate([np.column_stack([u, 1 - u**2]), np.column_stack([u, u**2 - 1])[::-1]]) * [length / 2, width / 2]
    return sides @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) + centre


def find(face: Face, area: ExaminedArea = AREA):
    return find_openings(face.picture(), Flat(), area)


def length_px(outline: np.ndarray) -> float:
    return float(np.linalg.norm(outline[:, None] - outline[None], axis=2).max())


def test_two_openings_among_things_that_are_none():
    """A long and a small one are found and keep their length; scratch, blue ink and a soft shadow are not called."""
    face = Face(1)
    shadow = cv2.GaussianBlur(filled(lens([360.0, 90.0], 120, 60, 0.4)), (0, 0), 14)
    face.light *= (1 - 0.45 * shadow)[..., None]
    face.paint(0.9 * filled(np.array([[60.0, 250], [150, 262], [149, 268], [59, 256]])), [0.02, 0.03, 0.2])
    face.paint(0.8 * filled(np.array([[40.0, 60], [240, 20], [240.2, 21.2], [40.2, 61.2]])), 0.75)
    true = [face.open(lens([230.0, 170.0], 110, 22, 1.2)), face.open(lens([330.0, 250.0], 26, 9, 0.3))]
    found = find(face)
    assert len(found) == 2
    for outline in true:
        near = [one for one in found if np.linalg.norm(one.outline_px.mean(axis=0) - outline.mean(axis=0)) < 4]
        assert len(near) == 1
        assert length_px(near[0].outline_px) == pytest.approx(length_px(outline), abs=2.5)
        assert near[0].kind == "opening"
        assert near[0].confidence > 0.5


def test_bare_metal_has_none():
    assert find(Face(2)) == []


def test_found_again_alike():
    """The same picture gives the same outlines: nothing is drawn by lot."""
    face = Face(3)
    face.open(lens([200.0, 150.0], 60, 18, 0.7))
    picture = face.picture()
    first, second = (find_openings(picture, Flat(), AREA) for _ in range(2))
    assert len(first) == 1
    assert np.array_equal(first[0].outline_px, second[0].outline_px)


def test_dark_bench_at_the_border_is_not_an_opening():
    """Where the area's outline runs a pixel over the edge of the metal, the dark beyond it is no find."""
    face = Face(4)
    face.light[:14] = 0.01
    face.light[:, 446:] = 0.01
    assert find(face) == []


def test_excluded_part_is_not_searched():
    face = Face(5)
    face.open(lens([150.0, 150.0], 60, 18, 0.7))
    hole = np.array([[100.0, 100], [200, 100], [200, 200], [100, 200]])
    assert find(face, ExaminedArea(outline_px=AREA.outline_px, exclude_px=(hole,))) == []


def test_visible_metal_keeps_two_apart_and_a_lip_does_not():
    """Two dark parts in a row: 12 px of metal between them is two openings; a bright lip of 2 px is one."""
    apart, bridged = Face(6), Face(6)
    for face, gap in ((apart, 12.0), (bridged, 0.0)):
        face.open(lens([200.0 - 30 - gap / 2, 160.0], 60, 20, 0.0) if gap else lens([200.0, 160.0], 120, 22, 0.0))
        if gap:
            face.open(lens([200.0 + 30 + gap / 2, 160.0], 60, 20, 0.0))
        else:
            face.paint(filled(np.array([[199.0, 148], [201.2, 148], [201.2, 172], [199.0, 172]])), 0.8)
    assert len(find(apart)) == 2
    joined = find(bridged)
    assert len(joined) == 1
    assert length_px(joined[0].outline_px) == pytest.approx(120, abs=3)
