"""What teaches the close look at a broken face: true shares, laid straight; examples taken as they are made."""

from __future__ import annotations

import itertools
import threading

import cv2
import numpy as np
import pytest

from specimeter.training import bench_drawing, face_close
from specimeter.training.face_composite import FIRST_SEED, composite
from specimeter.training.stream import Stream


def test_shares_are_those_of_the_outlines():
    """Laid straight, face and end keep their areas in mm2 within 1 %, and the face lies in the middle."""
    t = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    rgb = np.full((400, 600, 3), 90, np.uint8)
    turn = np.array([[np.cos(0.3), np.sin(0.3)], [-np.sin(0.3), np.cos(0.3)]])
    face = np.column_stack([120 * np.cos(t), 45 * np.sin(t)]) @ turn + [300, 190]
    end = np.column_stack([150 * np.cos(t), 60 * np.sin(t)]) @ turn + [310, 190]
    one = face_close.laid(rgb, face, end, 0.08)
    face_mm2, end_mm2 = (one.planes[k].astype(float).sum() / 255 * one.cell_mm**2 for k in (3, 4))
    assert face_mm2 == pytest.approx(cv2.contourArea(face.astype(np.float32)) * 0.08**2, rel=0.01)
    assert end_mm2 == pytest.approx(cv2.contourArea(end.astype(np.float32)) * 0.08**2, rel=0.01)
    rows, columns = np.nonzero(one.planes[3] > 128)
    assert [columns.mean(), rows.mean()] == pytest.approx((np.array(one.planes.shape[:0:-1]) - 1) / 2, abs=1.0)
    assert one.half * one.cell_mm == pytest.approx([120 * 0.08, 45 * 0.08], rel=0.02)
    assert (one.planes[4] >= one.planes[3]).mean() > 0.999


@pytest.mark.parametrize("near", [False, True])
def test_the_whole_end_of_a_composite_holds_its_face(monkeypatch, near):
    """Nearly every cell of the face belongs to the end."""
    monkeypatch.setattr(bench_drawing, "LONG_PX", (300, 360))
    drawn = composite(FIRST_SEED + 3, near=near)
    masks = []
    for outline in (drawn.face_px, drawn.body_px):
        mask = np.zeros(drawn.rgb.shape[:2], np.uint8)
        masks.append(cv2.fillPoly(mask, [np.round(outline).astype(np.int32).reshape(-1, 1, 2)], 1) > 0)
    assert masks[0].any()
    assert (masks[1] | ~masks[0]).mean() > 0.998


def test_examples_are_taken_as_they_are_made():
    """All that can be made of a few seeds arrives, with its seed; None is left out."""
    got: dict[int, int] = {}
    done = threading.Event()

    def taken(seed: int, example: int) -> None:
        got[seed] = example
        if len(got) == 5:
            done.set()

    stream = Stream(_odd_ones, itertools.count(10), 2, taken)
    assert done.wait(60)
    stream.close()
    assert all(seed % 2 and value == 3 * seed for seed, value in got.items())


def _odd_ones(seed: int) -> int | None:
    return 3 * seed if seed % 2 else None
