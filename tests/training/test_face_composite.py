"""Photographs of broken halves put together for training: as drawn, so their truth; the same from the same seed."""

import cv2
import numpy as np
import pytest

from specimeter.training import bench_drawing
from specimeter.training.face_composite import FIRST_SEED, composite


@pytest.fixture(autouse=True)
def small(monkeypatch):
    """A tenth of a megapixel is enough to see what is where."""
    monkeypatch.setattr(bench_drawing, "LONG_PX", (300, 360))


@pytest.mark.parametrize("seed", [FIRST_SEED, FIRST_SEED + 1, FIRST_SEED + 2])
def test_the_face_has_a_plausible_size(seed):
    """A face of a plausible size in mm, within the picture."""
    one = composite(seed)
    rows, columns = one.rgb.shape[:2]
    assert one.rgb.dtype == np.uint8
    inside = np.zeros((rows, columns), np.uint8)
    cv2.fillPoly(inside, [np.round(one.face_px).astype(np.int32).reshape(-1, 1, 2)], 1)
    assert 0.01 < inside.mean() < 0.6
    area_mm2 = cv2.contourArea(one.face_px.astype(np.float32)) * one.mm_per_px**2
    assert 40 < area_mm2 < 60 * 30


def test_the_same_seed_draws_the_same():
    """Two composites of one seed are equal to the last bit; another seed's is not."""
    one, again, other = composite(FIRST_SEED + 5), composite(FIRST_SEED + 5), composite(FIRST_SEED + 6)
    assert np.array_equal(one.rgb, again.rgb)
    assert np.array_equal(one.face_px, again.face_px)
    assert one.rgb.shape != other.rgb.shape or not np.array_equal(one.rgb, other.rgb)


def test_a_card_lies_flat_and_true_to_size():
    """Its corners are 100 mm by 20 mm apart at the picture's scale, its squares dark on light paper."""
    light = np.full((400, 600, 3), 0.3, np.float32)
    corners = bench_drawing.card_beside(np.random.default_rng(1), light, 0.2, np.array([300.0, 190.0]), 40.0)
    sides = np.linalg.norm(np.diff(corners, axis=0), axis=1) * 0.2
    assert sides == pytest.approx([100.0, 20.0, 100.0], abs=0.2)
    inside = np.zeros((400, 600), np.uint8)
    cv2.fillPoly(inside, [np.round(corners).astype(np.int32).reshape(-1, 1, 2)], 1)
    on_card = light[cv2.erode(inside, np.ones((5, 5))) > 0].mean(axis=1)
    assert np.median(on_card) > 0.4
    assert 0.1 < (on_card < 0.2).mean() < 0.25  # twice 144 mm2, less what is white in a marker, and the marks, of 2000 mm2
