"""Plate surfaces that are short: beside a weld, at their plate's end, they are seen; pieces of a weld's face are none."""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.segment.joint import find_butt, find_fillet
from specimeter.segment.plates import LEAST_RUN_MM, resampled, runs

STEP = 0.05


def tee(rest_mm: float, turn_deg: float = 0.0, broken_mm: float = 0.0) -> np.ndarray:
    """A web 12 mm thick on a flange, joined by a fillet of 6 mm legs; of the web's surface above the weld `rest_mm` are left, a
    groove 0.6 mm deep between them, its upper corners broken by `broken_mm`. In mm, y down.
    """
    turn = np.linspace(-np.pi / 2, np.pi / 2, 20)
    groove = np.column_stack([6.0 - 0.6 * np.cos(turn), -6.6 + 0.6 * np.sin(turn)])  # from above down to the toe
    top = -7.2 - rest_mm
    b = broken_mm
    upper = [(-6, top + b), (-6 + b, top), (6 - b, top), (6, top + b)] if b else [(-6, top), (6, top)]
    corners = np.array([(-30, 8), (30, 8), (30, 0), (12, 0), *groove[::-1], *upper[::-1], (-6, 0), (-30, 0)], float)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return resampled(corners @ np.array([[c, s], [-s, c]]) + [60.0, 60.0], STEP)


@pytest.mark.parametrize("turn", [0.0, 33.0, -120.0])
@pytest.mark.parametrize("broken", [0.0, 0.6])
def test_a_plate_that_ends_shortly_beyond_an_undercut_makes_its_joint(turn, broken):
    """2 mm of its surface are left: the fillet lies between it and the flange, legs of 6 mm both."""
    outline = tee(2.0 + broken, turn, broken)
    short = [run for run in runs(outline) if run.length_mm < LEAST_RUN_MM]
    assert [run.length_mm for run in short] == pytest.approx([2.0], abs=0.25)
    found = find_fillet(outline)
    toes = np.array([toe.point for toe in found.face.toes])
    assert np.hypot(*(toes[1] - toes[0])) == pytest.approx(np.hypot(6, 6), abs=0.25)
    assert any(toe.notch is not None for toe in found.face.toes)


def test_what_is_left_may_be_too_short():
    """Of half a millimetre no direction is had."""
    assert all(run.length_mm >= LEAST_RUN_MM for run in runs(tee(0.5)))


def test_a_flat_piece_of_a_weld_s_cap_is_no_plate():
    """Parallel to the root side and 2 mm long, but no plate's end beside it: the weld is as wide as its toes lie apart."""
    cap = [(-5, 0), (-3, -1.2), (-1, -1.5), (1, -1.5), (3, -1.2), (5, 0)]
    plate = resampled(np.array([(-30, 10), (30, 10), (30, 0), *cap[::-1], (-30, 0)], float), STEP)
    assert all(run.length_mm >= LEAST_RUN_MM for run in runs(plate))
    toes = [toe.point for toe in find_butt(plate).top.toes]
    assert np.hypot(*(toes[0] - toes[1])) == pytest.approx(10.0, abs=0.2)  # of a cap of straight pieces
