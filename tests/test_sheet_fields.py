"""Outlines drawn by hand: what is a proper area, and what is none."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.sheet_fields import outline_fault


@given(
    count=st.integers(3, 40),
    radii=st.lists(st.floats(5, 500), min_size=40, max_size=40),
    turn=st.floats(0, 6.3),
    mirrored=st.booleans(),
)
@settings(deadline=None, max_examples=60)
def test_star_shaped_outlines_are_sound(count, radii, turn, mirrored):
    """A polygon whose corners stand in order of angle around a point within it cannot cross itself."""
    angle = turn + np.arange(count) * 2 * np.pi / count
    points = np.column_stack([np.cos(angle), np.sin(angle)]) * np.array(radii[:count])[:, None]
    assert outline_fault(points[::-1] if mirrored else points) is None


@given(count=st.integers(4, 30), at=st.integers(0, 29))
@settings(deadline=None, max_examples=40)
def test_swapped_corners_cross(count, at):
    """Two neighbouring corners of a convex polygon swapped make two sides cross (geometry, exact)."""
    angle = np.arange(count) * 2 * np.pi / count
    points = 100 * np.column_stack([np.cos(angle), np.sin(angle)])
    at %= count
    points[[at, (at + 1) % count]] = points[[(at + 1) % count, at]]
    assert "crosses itself" in outline_fault(points)


def test_repeated_corners_are_named():
    assert "point 2 and the next one are the same" in outline_fault([[0, 0], [9, 0], [9, 0], [9, 9]])
    assert "the first is not repeated at the end" in outline_fault([[0, 0], [9, 0], [9, 9], [0, 0]])
