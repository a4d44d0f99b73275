"""Outlines that end at a bound: within it, and no line of them runs there and back again."""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.measure.polygon import Rings, areas, crossing
from specimeter.segment.contour import evenly, within

TURN = np.linspace(0, 2 * np.pi, 400, endpoint=False)
DISC = 30 * np.column_stack([np.cos(TURN), np.sin(TURN)])


@pytest.mark.parametrize("turn", [0.0, 0.7, 1.1, 1.9, 2.9, -0.4, -3.1])
@pytest.mark.parametrize("shift", [0, 40, 90])
def test_a_tear_that_reaches_a_bound_ends_there_and_crosses_nothing(turn, shift):
    """Beyond the bound it swells and turns back on itself; what is left is the part within, 4 wide and 9.9 deep."""
    tear = np.array([[20.0, -2], [33, -2], [34, -6], [36, 3], [33, -4], [35, 7], [31, 5], [33, 2], [20, 2]])
    cos, sin = np.cos(turn), np.sin(turn)
    moved = np.roll(evenly(tear, 0.8) @ np.array([[cos, sin], [-sin, cos]]), shift, axis=0)
    held, beyond = within(moved, DISC)
    assert beyond.any()
    assert (np.linalg.norm(held, axis=1) < 30.01).all()
    assert not crossing(Rings.of([held])).any()
    assert abs(float(areas(Rings.of([held]))[0])) == pytest.approx(4 * 9.96, abs=2.0)


def test_what_lies_within_stays_as_it_is():
    """Nothing is moved, and nothing is said to lie beyond."""
    inner = np.array([[3.0, 3], [9, 4], [6, 8]])
    held, beyond = within(inner, DISC)
    assert np.array_equal(held, inner)
    assert not beyond.any()
