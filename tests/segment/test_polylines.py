"""The middle line of slender outlines, against lines, circles and parabolas in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.segment.polylines import middle_of


def test_the_middle_of_a_line_is_its_axis():
    """A line of 2 mm at 30 degrees: its middle points lie on its axis, from end to end."""
    way, side = np.array([[np.cos(np.radians(30)), np.sin(np.radians(30))], [-np.sin(np.radians(30)), np.cos(np.radians(30))]])
    path = middle_of([3.0, 4.0] + np.array([[-1, -0.05], [1, -0.05], [1, 0.05], [-1, 0.05]]) @ np.array([way, side]))
    off = (path - [3.0, 4.0]) @ [-way[1], way[0]]
    assert np.abs(off).max() < 0.03
    assert np.ptp((path - [3.0, 4.0]) @ way) == pytest.approx(2.0, abs=0.3)


def test_the_middle_of_a_bent_line_follows_it():
    """A quarter circle of radius 3 mm, 0.1 mm wide: every middle point within 0.05 mm of the circle, in order."""
    turn = np.linspace(0, np.pi / 2, 60)
    ring = np.column_stack([np.cos(turn), np.sin(turn)])
    path = middle_of(np.concatenate([3.05 * ring, 2.95 * ring[::-1]]))
    assert path.shape == (12, 2)
    assert np.abs(np.hypot(*path.T) - 3.0).max() < 0.1
    assert np.all(np.abs(np.diff(np.arctan2(*path.T))) < 0.35)


@pytest.mark.parametrize("bent", [0.0, 0.08])
def test_the_middle_of_a_strip_is_evenly_divided_and_reaches_to_its_ends(bent):
    """A strip of one width about a parabola: every part's middle on it, parts of one length, the outer ones half a part in."""
    x = np.linspace(-6.0, 6.0, 400)
    path = np.column_stack([x, bent * x**2])
    slope = np.column_stack([-2 * bent * x, np.ones_like(x)]) / np.hypot(2 * bent * x, 1.0)[:, None]
    middle = middle_of(np.concatenate([path + 0.05 * slope, (path - 0.05 * slope)[::-1]]))
    assert middle[:, 1] == pytest.approx(bent * middle[:, 0] ** 2, abs=0.06 + 2 * bent)
    across = np.diff(middle[:, 0])
    assert (across > 0).all() or (across < 0).all()
    part = 12.0 / len(middle)
    assert np.abs(across) == pytest.approx(np.full(len(middle) - 1, part), rel=0.25)
    assert np.sort(middle[[0, -1], 0]) == pytest.approx([-6 + part / 2, 6 - part / 2], abs=0.2 * part)
