"""Outlines cut, painted and joined, against areas that geometry gives."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.errors import OutlineError
from specimeter.segment import redraw

SQUARE = np.array([[10.0, 10.0], [50.0, 10.0], [50.0, 30.0], [10.0, 30.0]])


def area(points):
    x, y = np.asarray(points).T
    return abs(0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))


@given(at=st.floats(12, 48), lean=st.floats(-1.5, 1.5))
@settings(max_examples=40, deadline=None)
def test_the_two_parts_of_a_cut_have_the_area_of_the_whole(at, lean):
    """Exactly: a cut moves no point."""
    stroke = np.array([[at - lean, 5.0], [at, 20.0], [at + lean, 36.0]])
    one, other = redraw.split(SQUARE, stroke)
    assert area(one) + area(other) == pytest.approx(area(SQUARE), rel=1e-9)
    assert min(area(one), area(other)) > 0
    for part in (one, other):
        assert np.linalg.norm(part - np.roll(part, 1, axis=0), axis=1).min() > 0  # no point twice


def test_a_stroke_that_does_not_cross_is_refused():
    with pytest.raises(OutlineError, match="does not cross"):
        redraw.split(SQUARE, np.array([[0.0, 20.0], [20.0, 20.0]]))


def test_a_part_drawn_anew_replaces_the_nearer_side():
    """A bulge of 5 x 10 on the upper side adds its 50 square pixels."""
    stroke = np.array([[20.0, 11.0], [20.0, 5.0], [30.0, 5.0], [30.0, 11.0]])
    assert area(redraw.part_redrawn(SQUARE, stroke)) == pytest.approx(area(SQUARE) + 50, rel=1e-6)


def test_painting_adds_and_takes_away():
    """A stroke of radius 4 from the side outward adds about half a disc and its tail; the same stroke takes it away again."""
    stroke = np.array([[50.0, 20.0], [60.0, 20.0]])
    more = redraw.painted(SQUARE, stroke, radius_px=4.0)
    assert area(more) == pytest.approx(area(SQUARE) + 80 + np.pi * 8, rel=0.02)
    less = redraw.painted(SQUARE, stroke, radius_px=4.0, add=False)
    assert area(less) == pytest.approx(area(SQUARE) - np.pi * 8, rel=0.02)
    alone = redraw.painted(None, stroke, radius_px=4.0)
    assert area(alone) == pytest.approx(80 + np.pi * 16, rel=0.04)


def test_painting_all_of_it_away_is_refused():
    with pytest.raises(OutlineError, match="nothing is left"):
        redraw.painted(SQUARE, np.array([[10.0, 20.0], [50.0, 20.0]]), radius_px=30.0, add=False)


def test_touching_outlines_become_one_and_others_are_refused():
    """Two squares side by side are one; with a gap of twenty pixels they are not."""
    beside = SQUARE + np.array([40.0, 0.0])
    assert area(redraw.merged([SQUARE, beside])) == pytest.approx(2 * area(SQUARE), rel=0.02)
    with pytest.raises(OutlineError, match="do not touch"):
        redraw.merged([SQUARE, SQUARE + np.array([60.0, 0.0])])


@given(dx=st.floats(-4, 4), dy=st.floats(-4, 4))
@settings(max_examples=40, deadline=None)
def test_a_dragged_point_arrives_and_what_is_far_stays(dx, dy):
    """The nearest point goes where it is put; others follow less and less along the outline, beyond the reach not at all."""
    start, end = np.array([30.0, 10.0]), np.array([30.0 + dx, 10.0 + dy])
    moved = redraw.dragged(SQUARE, start, end, reach_px=6.0)
    assert np.linalg.norm(moved - end, axis=1).min() == pytest.approx(0, abs=0.6)  # points lie within half a step of any place
    assert set(map(tuple, np.round(moved[np.linalg.norm(moved - start, axis=1) > 14], 6))) <= set(
        map(tuple, np.round(redraw.even(SQUARE), 6))
    )
