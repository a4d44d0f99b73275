"""Where a bent face likely lies: the network's word on a drawn photograph, and how a place is held against it."""

from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from specimeter.scale.likely_face import LikelyFace, likely_face
from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from specimeter.training import bench_drawing, bent_face


def flat_bend(scale: float):
    """A bend of 20 mm radius that is seen `scale` pixels to the mm, its crown line at x = 100 px, a = 0 at y = 60 px."""
    return SimpleNamespace(
        radius_mm=20.0, arc_half_mm=30.0, project=lambda sa: np.asarray(sa, float) * scale + np.array([100.0, 60.0])
    )


def seen(left: int, right: int) -> LikelyFace:
    """Cells of 2 px that are a face from column `left` to `right`, rows 20 to 40."""
    share = np.zeros((60, 100), np.float32)
    share[20:40, left:right] = 1.0
    return LikelyFace(share=share, cell_px=np.array([2.0, 2.0]))


def test_a_place_agrees_with_its_own_face_and_with_none_elsewhere():
    """The arc of 60 degrees to either side is 41.9 mm long: 21 cells; 20 mm wide, 1 px a mm: 10 cells. Dice by hand."""
    overlap, beside = seen(40, 61).agreement(flat_bend(1.0), (-20.0, 20.0))
    assert overlap == pytest.approx(1.0, abs=0.05)
    assert beside == pytest.approx(0.0, abs=0.06)  # half a cell of 2 mm on 20 mm
    half, beside = seen(50, 61).agreement(flat_bend(1.0), (-20.0, 20.0))
    assert half == pytest.approx(0.69, abs=0.05)  # 2 * 11 / (11 + 21)
    assert beside == pytest.approx(0.5, abs=0.06)  # its middle is 10 mm farther on, of a radius of 20 mm
    assert seen(0, 20).agreement(flat_bend(1.0), (-20.0, 20.0))[0] < 0.01


def test_a_face_seen_wider_on_both_sides_lies_beside_nothing():
    """The network's borders are rough, its middle is not: three cells too many at either end move it nowhere."""
    overlap, beside = seen(37, 64).agreement(flat_bend(1.0), (-20.0, 20.0))
    assert overlap == pytest.approx(2 * 21 / (27 + 21), abs=0.05)
    assert beside == pytest.approx(0.0, abs=0.06)


def test_a_place_beyond_the_picture_or_behind_the_lens_agrees_with_nothing():
    far = flat_bend(1.0)
    far.project = lambda sa: np.asarray(sa, float) + 1e5
    assert seen(40, 61).agreement(far, (-20.0, 20.0)) == (0.0, 0.0)
    far.project = lambda sa: np.full((len(sa), 2), np.nan)
    assert seen(40, 61).agreement(far, (-20.0, 20.0)) == (0.0, 0.0)


def test_beyond_the_picture_nothing_is_likely():
    points = np.array([[[-40.0, 10.0], [100.0, 60.0], [500.0, 60.0]]])
    assert seen(40, 61).at(points).tolist() == [[0.0, 1.0, 0.0]]


@pytest.mark.parametrize("seed", [13500090, 13500091, 13500092])
def test_the_face_of_a_drawn_bend_is_seen_and_little_else(seed):
    """Scenes that trained nothing, of finishes, lights and benches by lot: more than half right by overlap."""
    picture = render(random_scene(seed, width_px=900))
    rgb, truth = picture.rgb, picture.truth
    found = likely_face(rgb, truth["mm_per_px"])
    inside = np.zeros(found.share.shape, np.uint8)
    corners = (np.array(truth["area_outline_px"]) + 0.5) / found.cell_px - 0.5
    cv2.fillPoly(inside, [np.round(corners).astype(np.int32).reshape(-1, 1, 2)], 1)
    both, either = (found.share > 0.5) & (inside > 0), (found.share > 0.5) | (inside > 0)
    assert both.sum() / either.sum() > 0.5


@pytest.mark.parametrize("seed", [bent_face.FIRST_SEED + 1, bent_face.FIRST_SEED + 3])
def test_a_composite_holds_its_face_and_is_the_same_again(seed, monkeypatch):
    monkeypatch.setattr(bench_drawing, "LONG_PX", (300, 360))
    one, again = bent_face.composite(seed), bent_face.composite(seed)
    assert (one.rgb == again.rgb).all()
    assert one.rgb.dtype == np.uint8
    share = cv2.contourArea(one.face_px.astype(np.float32)) / one.rgb[..., 0].size
    assert 0.005 < share < 0.7
