"""Numbers are placed off the outlines, off each other and inside the picture wherever there is room."""

from __future__ import annotations

import cv2
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.report.labels import place


def circle(x: float, y: float, radius: float) -> np.ndarray:
    t = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    return np.column_stack([x + radius * np.cos(t), y + radius * np.sin(t)])


def overlap(a, b) -> float:
    wide, tall = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
    return max(wide, 0.0) * max(tall, 0.0)


@given(seed=st.integers(0, 10_000), count=st.integers(1, 30))
@settings(deadline=None, max_examples=25)
def test_labels_cover_neither_openings_nor_each_other(seed, count):
    """Up to thirty scattered outlines: no label on an outline, on another label or out of the picture."""
    rng = np.random.default_rng(seed)
    cells = rng.permutation(12 * 9)[:count]
    outlines = [circle(60 + 80 * (c % 12), 60 + 80 * (c // 12), rng.uniform(3, 14)) for c in cells]
    labels = place(outlines, [(36, 24)] * count, width_px=1040, height_px=800)
    covered = np.zeros((800, 1040), np.uint8)
    for outline in outlines:
        cv2.fillPoly(covered, [np.round(outline).astype(np.int32).reshape(-1, 1, 2)], 1)
    for index, label in enumerate(labels):
        left, top, right, bottom = (round(edge) for edge in label.box)
        assert left >= 0 and top >= 0 and right <= 1040 and bottom <= 800  # noqa: PT018
        assert covered[top:bottom, left:right].sum() == 0
        assert all(overlap(label.box, other.box) == 0 for other in labels[index + 1 :])
        foot = np.array(label.leader[0])
        assert np.linalg.norm(outlines[index] - foot, axis=1).min() < 1e-6


def test_what_must_stay_clear_stays_clear():
    """A scale bar's box is not covered even if it lies where the label would go."""
    outline = circle(100, 100, 10)
    free = place([outline], [(30, 20)], width_px=300, height_px=300)[0]
    moved = place([outline], [(30, 20)], width_px=300, height_px=300, keep_clear=[free.box])[0]
    assert overlap(moved.box, free.box) == 0


def test_a_crowd_still_gets_every_number():
    """Where there is no room at all each outline still has its label."""
    crowd = [circle(20 + 9 * i, 20, 4) for i in range(8)]
    assert len(place(crowd, [(40, 30)] * 8, width_px=100, height_px=40)) == 8
