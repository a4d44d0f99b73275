"""An examined area that shows print and no metal is named; a metal face, with holes or without, is not."""

from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from specimeter import colour
from specimeter.segment.learned import find_learned, share_of_no_metal
from specimeter.segment.model import ExaminedArea
from specimeter.segment.no_metal import doubt_metal

SHAPE = (360, 480)


class Photo:
    """A picture in memory, as `specimeter.photo.Photo` answers."""

    def __init__(self, light):
        noisy = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 0.8)
        noisy = noisy + np.random.default_rng(0).normal(0, 0.003, light.shape)
        self.rgb = np.repeat(np.round(255 * colour.to_code(np.clip(noisy, 0, 1)))[..., None], 3, axis=2).astype(np.uint8)

    def linear(self):
        return colour.luminance(self.rgb)


def chessboard(pitch):
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return np.where((x // pitch + y // pitch) % 2, 0.02, 0.75)


def words():
    ink = np.zeros(SHAPE, np.uint8)
    for row, text in enumerate(("specimen 14 of 20", "root bend, former 40 mm", "plate 12 mm, butt weld", "kept until day 90")):
        cv2.putText(ink, text, (12, 70 + 80 * row), cv2.FONT_HERSHEY_SIMPLEX, 1.1, 255, 3, cv2.LINE_AA)
    return 0.7 - 0.67 * (ink / 255)


def brushed(seed, holes):
    rng = np.random.default_rng(seed)
    lay = cv2.GaussianBlur(rng.normal(size=SHAPE).astype(np.float32), (0, 0), sigmaX=14, sigmaY=0.7)
    light = 0.3 * np.exp(0.08 * lay / lay.std()) * np.linspace(0.8, 1.2, SHAPE[1])
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    for cx, cy, long, wide in holes:
        light = np.where(((x - cx) / long) ** 2 + ((y - cy) / wide) ** 2 < 1, 0.03, light)
    return light


SURFACE = SimpleNamespace(shape="flat", mm_per_px_at=lambda point: 0.08)
AREA = ExaminedArea(outline_px=np.array([[8, 8], [471, 8], [471, 351], [8, 351]], float))


@pytest.mark.parametrize("light", [chessboard(40), chessboard(70), words()], ids=["small squares", "large squares", "words"])
def test_print_is_named(light):
    doubted = doubt_metal(Photo(light), SURFACE, AREA)
    assert len(doubted.cautions) == 1
    assert "not like metal" in doubted.cautions[0]
    assert find_learned(Photo(light), SURFACE, AREA) == []


@pytest.mark.parametrize("holes", [(), ((120, 120, 40, 16), (330, 210, 60, 30), (250, 300, 18, 12))], ids=["even", "holes"])
def test_metal_is_not(holes):
    photo = Photo(brushed(3, holes))
    assert share_of_no_metal(photo, SURFACE, AREA) < 0.2
    assert doubt_metal(photo, SURFACE, AREA).cautions == AREA.cautions
