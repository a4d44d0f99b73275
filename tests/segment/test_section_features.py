"""What a region in a cut is, by its shape, its darkness and its neighbours."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from specimeter.segment.contour import evenly
from specimeter.segment.section_features import (
    DARK,
    LEAST_PEAK,
    PALE,
    SURE,
    joined,
    kept_beside,
    seems_open,
    seems_whole,
    shaped,
)


def ellipse(long: float, thick: float, turn_deg: float, dent: float = 0.0) -> np.ndarray:
    """Its outline in pixels, drawn in by a share of its thickness on one side."""
    turn = np.linspace(0, 2 * np.pi, 80, endpoint=False)
    ring = np.column_stack([long / 2 * np.cos(turn), thick / 2 * np.sin(turn)])
    ring[:, 1] -= dent * thick * np.exp(-((turn - np.pi / 2) ** 2) / 0.1)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return ring @ np.array([[c, s], [-s, c]]) + [40.0, 30.0]


@pytest.mark.parametrize("turn", [0.0, 40.0, 110.0])
def test_a_pore_is_round_and_what_is_longer_is_none(turn):
    """ISO 6520-1:2007, 2011 (from memory): a gas pore is essentially spherical. Small or ragged, the network's word stands."""
    assert shaped("pore", ellipse(14, 13, turn)) == "pore"
    assert shaped("pore", ellipse(14, 11, turn)) == "pore"
    assert shaped("pore", ellipse(16, 9, turn)) == "slag"
    assert shaped("pore", ellipse(6, 3, turn)) == "pore"
    assert shaped("pore", ellipse(16, 9, turn, dent=0.7)) == "pore"
    for kind in ("slag", "crack", "lack-of-fusion"):
        assert shaped(kind, ellipse(16, 9, turn)) == kind


def bar(first: int, last: int) -> np.ndarray:
    """Cells of a line three rows wide, bool (20, 80)."""
    cells = np.zeros((20, 80), bool)
    cells[9:12, first:last] = True
    return cells


def bordered(own: np.ndarray) -> SimpleNamespace:
    """A region's border as a box that reaches two cells beyond it, as a border drawn onto its edge may."""
    rows, columns = np.nonzero(own)
    low, high = np.array([columns.min() - 2, rows.min() - 1]), np.array([columns.max() + 3, rows.max() + 2])
    return SimpleNamespace(outline_px=evenly(np.array([low, [high[0], low[1]], high, [low[0], high[1]]], float), 1.0))


def test_a_line_that_was_seen_in_pieces_is_one():
    """Three pieces end to end, their borders over each other, are one line with the surest one's log-odds; one apart stays."""
    pieces = [(bar(5, 20), 4.0), (bar(40, 52), 3.0), (bar(21, 39), 6.0), (bar(62, 70), 5.0)]
    found = joined([(own, peak, bordered(own)) for own, peak in pieces], bordered)
    assert [peak for _, peak, _ in found] == [6.0, 5.0]
    assert np.array_equal(found[0][0], bar(5, 20) | bar(21, 39) | bar(40, 52))
    assert np.ptp(found[0][2].outline_px[:, 0]) == pytest.approx(51.0)
    assert [peak for _, peak, _ in joined([(own, peak, bordered(own)) for own, peak in pieces], lambda own: None)] == [
        4,
        3,
        6,
        5,
    ]


def test_the_paler_a_spot_is_the_surer_must_the_network_be():
    """At the darkness of holes its least log-odds are enough; a tenth paler it takes so much more of them; where the network is
    sure its word stands, as of a cavity that something pale fills.
    """
    assert seems_open(DARK, LEAST_PEAK)
    assert seems_open(0.95, LEAST_PEAK)
    assert not seems_open(DARK - 0.1, LEAST_PEAK + 0.1 * PALE - 0.01)
    assert seems_open(DARK - 0.1, LEAST_PEAK + 0.1 * PALE + 0.01)
    assert not seems_open(0.1, SURE - 0.01)
    assert seems_open(0.1, SURE)


@pytest.mark.parametrize(("on", "peak", "whole"), [(0.0, 3.0, True), (0.58, 3.0, True), (0.62, 3.0, False), (2.0, SURE, True)])
def test_a_line_is_darker_than_its_going_on_or_the_network_is_sure(on, peak, whole):
    """Six tenths as dark it goes on (judgement, on scenes)."""
    assert seems_whole(on, peak) is whole


@pytest.mark.parametrize(
    ("peak", "outlined", "weld", "kept"),
    [
        (11.0, 0.05, 0.1, True),  # the outline is a guess: the welds that it shows may lie anywhere
        (11.0, 0.95, 0.99, True),  # weld metal round it: another place was taken for the weld
        (11.0, 0.95, 0.1, False),  # a punch mark or a stamp in the plate
        (SURE - 0.01, 0.05, 0.99, False),  # the network is not sure either
    ],
)
def test_beside_the_welds_it_is_kept_where_their_place_is_in_doubt(peak, outlined, weld, kept):
    assert kept_beside(peak, outlined, weld) is kept
