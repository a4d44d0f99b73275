"""How a called line stands out from its own going on: drawn lines of known darkness."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from specimeter.segment.goes_on import free_metal, goes_on

SIZE, PX_MM, WIDE = 240, 0.1, 2.4
MIDDLE = np.array([120.0, 120.0])
METAL = np.array([[5.0, 5.0], [235.0, 5.0], [235.0, 235.0], [5.0, 235.0]])


def way(turn_deg: float) -> np.ndarray:
    return np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])


def drawn(turn_deg: float, own: float, on: float = 0.0, sigma: float = 0.8) -> np.ndarray:
    """Metal at 0.3 with a straight line 24 px long that takes `own` of its light, what goes on from its end for 40 px that
    takes `on`; as wide as each other, blurred by `sigma`."""
    y, x = np.mgrid[:SIZE, :SIZE].astype(float)
    along, across = ((x - MIDDLE[0]) * a + (y - MIDDLE[1]) * b for a, b in (way(turn_deg), way(turn_deg + 90)))
    near = np.clip(WIDE / 2 + 0.5 - np.abs(across), 0, 1)
    taken = near * (own * (np.abs(along) <= 12) + on * ((along > 12) & (along < 52)))
    return cv2.GaussianBlur(0.3 * (1 - taken), (0, 0), sigma).astype(np.float32)


def outline(turn_deg: float) -> np.ndarray:
    ends = MIDDLE + np.array([[-12.0], [12.0]]) * way(turn_deg)
    side = WIDE / 2 * way(turn_deg + 90)
    return np.concatenate([ends + side, ends[::-1] - side])


def told(light: np.ndarray, turn_deg: float, called=()) -> float:
    return goes_on(light, outline(turn_deg), free_metal(light.shape, METAL, list(called)), PX_MM)


@pytest.mark.parametrize("turn", [0.0, 25.0, 90.0, 140.0])
@pytest.mark.parametrize("share", [0.0, 0.3, 0.6, 1.0])
def test_a_line_that_goes_on_is_told_by_how_dark_that_is(turn, share):
    """Drawn alike but for their light, in which the ratio of darkness is that of what they take, as logarithms: to a tenth."""
    taken = 0.4
    wanted = np.log(1 - share * taken) / np.log(1 - taken)
    assert told(drawn(turn, taken, share * taken), turn) == pytest.approx(wanted, abs=0.1)


def test_what_else_was_called_is_not_asked():
    """The same going on, called as an imperfection of its own."""
    light = drawn(0.0, 0.4, 0.4)
    other = np.array([[130.0, 115.0], [180.0, 115.0], [180.0, 125.0], [130.0, 125.0]])
    assert told(light, 0.0) > 0.9
    assert told(light, 0.0, [other]) < 0.1


def test_a_line_that_goes_on_in_a_bow_is_followed():
    """An arc of 60 px radius, of which a sixth of a round is called and another sixth goes on: straight on would leave it."""
    light = np.full((SIZE, SIZE), 0.3, np.float32)
    cv2.ellipse(light, (120, 120), (60, 60), 0, 0, 120, 0.15, 2, cv2.LINE_AA)
    light = cv2.GaussianBlur(light, (0, 0), 0.8)
    turn = np.radians(np.linspace(0, 60, 40))[:, None]
    ring = [120 + radius * np.column_stack([np.cos(turn), np.sin(turn)]) for radius in (59.0, 61.0)]
    found = goes_on(light, np.concatenate([ring[0], ring[1][::-1]]), free_metal(light.shape, METAL, []), PX_MM)
    assert found == pytest.approx(1.0, abs=0.15)


def test_what_is_not_dark_itself_is_no_darker_than_its_going_on():
    """Brighter than its sides, as is what goes on from it, if anything: whatever lies there is as dark by far."""
    assert told(drawn(0.0, -0.3, 0.1), 0.0) > 1.0


def test_free_metal_is_what_lies_off_edges_and_off_what_was_called():
    """By three pixels, here counted on a row through the middle of a square hole."""
    hole = np.array([[100.0, 100.0], [140.0, 100.0], [140.0, 140.0], [100.0, 140.0]])
    row = free_metal((SIZE, SIZE), METAL, [hole])[120]
    assert np.flatnonzero(np.diff(row.astype(int))).tolist() == [7, 96, 143, 232]
