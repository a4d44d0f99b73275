"""Where drawn lines end: with nothing beyond, running into a fainter line, beside a step of the metal."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from specimeter.segment.line_ends import ended_by_light

MIDDLE, HALF, WIDE, SIGMA = np.array([80.0, 80.0]), 15.0, 2.0, 0.8


def drawn(turn_deg: float, on: float = 0.0, step: float = 0.0) -> np.ndarray:
    """Metal at 0.3 with a line 30 px long that takes half of its light and goes on, on one side, taking `on`; `step`: how much
    darker the metal across the line is."""
    y, x = np.mgrid[:160, :160].astype(float)
    along, across = ((x - MIDDLE[0]) * np.cos(a) + (y - MIDDLE[1]) * np.sin(a) for a in np.radians([turn_deg, turn_deg + 90]))
    near = np.clip(WIDE / 2 + 0.5 - np.abs(across), 0, 1)
    taken = near * (0.5 * (np.abs(along) <= HALF) + on * ((along > HALF) & (along < 60)))
    return cv2.GaussianBlur(0.3 * (1 - taken) * np.where(across > 0, 1 - step, 1.0), (0, 0), SIGMA).astype(np.float32)


def outline(turn_deg: float, back: float, on: float) -> np.ndarray:
    """From `back` px before the line to `on` px beyond it."""
    t = np.linspace(-HALF - back, HALF + on, 60)
    flat = np.concatenate([np.column_stack([t, np.full(60, -1.2)]), np.column_stack([t[::-1], np.full(60, 1.2)])])
    a = np.radians(turn_deg)
    return MIDDLE + flat @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])


def reach(ring: np.ndarray, turn_deg: float) -> tuple[float, float]:
    along = (ring - MIDDLE) @ np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    return float(along.min()), float(along.max())


@pytest.mark.parametrize("turn", [0.0, 35.0, 90.0, 150.0])
@pytest.mark.parametrize("on", [0.0, 0.1, 0.25])
def test_what_was_drawn_on_along_a_fainter_line_is_left(turn, on):
    """The outline runs 9 px on; a blunt end, blurred by 0.8 px and by the look along it, reaches 2 px on to a tenth."""
    ring = outline(turn, 0.5, 9.0)
    low, high = reach(ended_by_light(ring, drawn(turn, on), SIGMA), turn)
    assert high == pytest.approx(HALF, abs=2.6)
    assert low == pytest.approx(-HALF - 0.5, abs=0.6)


@pytest.mark.parametrize("step", [0.0, 0.3])
def test_an_outline_that_ends_with_its_line_stays(step):
    """Also on the border between two metals, which is no line."""
    ring = outline(20.0, 0.3, 0.3)
    low, high = reach(ended_by_light(ring, drawn(20.0, step=step), SIGMA), 20.0)
    assert high - low == pytest.approx(2 * HALF + 0.6, abs=0.8)


def test_it_is_never_longer_and_a_pale_line_stays():
    """An outline shorter than its line is not drawn out; a line of a hundredth of the light tells nothing."""
    short = outline(0.0, -5.0, -5.0)
    assert np.ptp(reach(ended_by_light(short, drawn(0.0), SIGMA), 0.0)) <= np.ptp(reach(short, 0.0)) + 0.3
    ring, pale = outline(0.0, 0.0, 9.0), np.full((160, 160), 0.3, np.float32)
    assert np.array_equal(ended_by_light(ring, pale, SIGMA), ring)
