"""Uncertainty of a section's sizes from its outline: larger where a size goes missing, and infinite where it always does."""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.measure.section import NO_OTHER, too_uncertain
from specimeter.measure.section_draw import evaluator
from specimeter.measure.section_spread import STRETCHES, TRIES, spread_of
from specimeter.segment.plates import resampled, runs
from tests.measure.test_weld_sizes import tee

STEP, PX_MM, U_EDGE_MM = 0.05, 0.03, 0.012
UNCLEAR = np.array([[58.2, 58.2 - 0.05 * k] for k in range(30)])  # on the weld's face, 1.5 mm of it


def spread(unclear=None, lose=lambda call: False):
    """Of a mitre fillet of 6 mm legs; from calls for which `lose` is true the throat is missing."""
    outline = resampled(tee(6.0, 6.0), STEP)
    plates = runs(outline)
    evaluate = evaluator("macro-fillet", None, np.eye(2), None)
    drawn = evaluate(outline, plates, None)[0]
    calls = []

    def again(*given):
        calls.append(given)
        sizes, *rest = evaluate(*given)
        return ({name: one for name, one in sizes.items() if not (name == "throat_mm" and lose(len(calls)))}, *rest)

    places = np.zeros((0, 2)) if unclear is None else unclear
    return spread_of(again, outline, plates, None, drawn, px_mm=PX_MM, u_edge_mm=U_EDGE_MM, unclear_mm=places), len(calls)


def test_a_stretch_without_a_clear_edge_adds_what_moving_it_does():
    """Each such stretch is moved out and in once; a throat that is measured across it is told less surely, a far leg is not."""
    (plain, tries), (hidden, more) = spread(), spread(UNCLEAR)
    assert tries == 2 + TRIES
    assert 2 + TRIES < more <= 2 + TRIES + 2 * STRETCHES
    assert hidden["throat_mm"] > 1.5 * plain["throat_mm"]
    assert hidden["throat_mm"] < 3 * 3.0 * PX_MM  # a stretch is moved by 3 px


def test_a_size_that_goes_missing_is_less_sure_or_not_given():
    """One of the tries without a throat doubles what they tell; none with it, or a stretch moved without it: not given."""
    whole, count = spread(UNCLEAR)
    once, _ = spread(lose=lambda call: call == 3)
    assert once["throat_mm"] > 1.5 * spread()[0]["throat_mm"]
    for lose in (lambda call: call == count, lambda call: True):
        lost, _ = spread(UNCLEAR, lose)
        assert lost["leg_1_mm"] == pytest.approx(whole["leg_1_mm"])
        assert lost["throat_mm"] == np.inf
    assert too_uncertain("throat_mm", 4.2, 2 * lost["throat_mm"]) == NO_OTHER
