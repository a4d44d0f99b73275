"""Outlines that end at a bound or cross themselves: none crosses itself afterwards, what need not move stays."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.measure.polygon import Rings, crossing
from specimeter.segment.contour import evenly, through_tips, uncrossed, within

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
    assert abs(float(Rings.of([held]).areas[0])) == pytest.approx(4 * 9.96, abs=2.0)


def test_what_lies_within_stays_as_it_is():
    """Nothing is moved, and nothing is said to lie beyond."""
    inner = np.array([[3.0, 3], [9, 4], [6, 8]])
    held, beyond = within(inner, DISC)
    assert np.array_equal(held, inner)
    assert not beyond.any()


def test_a_crease_is_smoothed_and_a_figure_of_eight_is_opened():
    """A half circle with two small loops pulled into it: simple afterwards, its area changed by theirs at most."""
    turn = np.linspace(0, np.pi, 60)
    smooth = np.column_stack([10 * np.cos(turn), 10 * np.sin(turn)])
    creased = smooth.copy()
    for k in (20, 40):  # two points change places: the outline goes back over itself
        creased[[k, k + 2]] = creased[[k + 2, k]] + [[0.0, 0.05], [0.0, -0.05]]
        creased[k + 1] *= 0.99
    assert crossing(Rings.of([creased]))[0]
    mended = uncrossed(creased)
    assert not crossing(Rings.of([mended]))[0]
    assert Rings.of([mended]).areas[0] == pytest.approx(Rings.of([smooth]).areas[0], rel=0.005)
    assert uncrossed(smooth) == pytest.approx(smooth)
    eight = np.array([[0.0, 0], [4, 4], [4, 0], [0, 4]])
    assert uncrossed(eight) == pytest.approx(np.array([[0.0, 0], [4, 0], [4, 4], [0, 4]]))


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 2**31), turns=st.integers(1, 3))
def test_what_is_left_crosses_nowhere(seed, turns):
    """A wavy ring with small loops laid into it far apart: none is left, and what is far from them is as it was."""
    rng = np.random.default_rng(seed)
    phase = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    ring = np.column_stack([np.cos(phase), np.sin(phase)]) * (50 + 3 * np.sin(5 * phase + seed))[:, None]
    places = sorted((int(k) * 60 + int(rng.integers(8, 50)) for k in range(1, turns + 1)), reverse=True)
    looped = ring
    for place in places:
        here, ahead = ring[place], ring[place + 1] - ring[place]
        aside = np.array([-ahead[1], ahead[0]])
        loop = here + np.array([[0.8, 0.0], [1.0, 0.9], [0.2, 0.9], [0.3, -0.5]]) @ np.array([ahead, aside])
        looped = np.concatenate([looped[: place + 1], loop, looped[place + 1 :]])
    assert crossing(Rings.of([looped]))[0]
    left = uncrossed(looped)
    assert not crossing(Rings.of([left]))[0]
    assert sorted(map(tuple, left)) == sorted(map(tuple, looped))
    assert Rings.of([left]).perimeters[0] < Rings.of([looped]).perimeters[0]
    assert abs(abs(Rings.of([left]).areas[0]) - abs(Rings.of([ring]).areas[0])) < 10 * turns


@pytest.mark.parametrize("places", [(30,), (12, 31), (5, 20, 33)])
@pytest.mark.parametrize("shift", [0, 17, 50, 83])
def test_sides_of_a_slit_that_pass_each_other_are_exchanged(places, shift):
    """A bow 45 long, thinning to less than nothing here and there: no side crosses any other, its points and its tips are the
    same, and left stays left: it holds what it is thick where it is, and hardly anything where it is not (in closed form).
    """
    along = np.arange(1.0, 45)
    thick = 1.5 - sum(2.0 * np.exp(-(((along - place) / 2.5) ** 2)) for place in places)
    middle = np.column_stack([along, 0.01 * (along - 22) ** 2])
    way = np.column_stack([np.ones_like(along), 0.02 * (along - 22)])
    side = np.column_stack([-way[:, 1], way[:, 0]]) / np.hypot(*way.T)[:, None]
    left, right = middle + thick[:, None] / 2 * side, middle - thick[:, None] / 2 * side
    slit = np.concatenate([[[0.0, 4.84]], right, [[45.0, 5.29]], left[::-1]])
    assert crossing(Rings.of([slit]))[0]
    mended = uncrossed(np.roll(slit, shift, axis=0))
    assert not crossing(Rings.of([mended]))[0]
    assert sorted(map(tuple, mended)) == sorted(map(tuple, slit))
    held = float(np.sum(np.abs(thick) * np.hypot(*way.T))) + 0.5 * abs(thick[0]) * 0.5 + 0.5 * abs(thick[-1]) * 0.5
    assert abs(float(Rings.of([mended]).areas[0])) == pytest.approx(held, rel=0.04)


@pytest.mark.parametrize("turn", [0.0, 0.4, 1.3, 2.2])
@pytest.mark.parametrize("length", [7.3, 20.6, 55.1])
def test_a_needle_keeps_both_tips_and_its_steps(turn, length):
    """A rhombus a tenth as wide as long, by plain geometry: length, area (half the product of the diagonals) and steps."""
    cos, sin = np.cos(turn), np.sin(turn)
    needle = np.array([[-length / 2, 0], [0, -length / 20], [length / 2, 0], [0, length / 20]]) @ np.array(
        [[cos, sin], [-sin, cos]]
    )
    held = through_tips(np.roll(needle, 1, axis=0), 1.0)
    gaps = np.linalg.norm(held[:, None] - held[None], axis=2)
    assert gaps.max() == pytest.approx(length, abs=1e-9)
    assert abs(float(Rings.of([held]).areas[0])) == pytest.approx(length**2 / 20, rel=0.08)  # corners at the widest are cut
    steps = np.linalg.norm(held - np.roll(held, -1, axis=0), axis=1)
    assert steps.max() < 1.3
    assert not crossing(Rings.of([held])).any()
