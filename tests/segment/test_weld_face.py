"""Where a weld's face ends at its plate: a blunt edge, under which an overlap may hide, is told from a toe that runs out.

Shapes in closed form; what an overlap is: ISO 6520-1:2007, 506. That a blunt edge casts doubt on a toe is our own judgement.
"""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.segment.joint import find_fillet
from specimeter.segment.plates import resampled
from specimeter.segment.weld_face import _goes_down

LEG, STEP_MM = 6.0, 0.04


def outline(face: np.ndarray) -> np.ndarray:
    """A tee's outline, y down, with a face from the upright plate's toe at (0, -6) to the other at (6, 0)."""
    metal = np.concatenate(
        [[[-8.0, 0.0], [-8.0, -22.0], [0.0, -22.0]], face, [[26.0, 0.0], [26.0, 8.0], [-24.0, 8.0], [-24.0, 0.0]]]
    )
    return resampled(metal[::-1] if _signed(metal) < 0 else metal, STEP_MM)


def _signed(points: np.ndarray) -> float:
    x, y = points.T
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))


def blunts(face: np.ndarray) -> list[float]:
    """Of the toe on the plate that runs through, and of the other."""
    joint = find_fillet(outline(face))
    toes = joint.face.toes
    return [toes[joint.through].blunt_mm, toes[1 - joint.through].blunt_mm]


@pytest.mark.parametrize("bulge", [-0.6, 0.0, 0.8])
def test_a_toe_that_runs_out_is_not_blunt(bulge):
    """Flat, hollow and round faces, which leave the plate at 118 to 150 degrees through the air."""
    share = np.linspace(0, 1, 200)[:, None]
    chord = np.array([0.0, -LEG]) + share * np.array([LEG, LEG])
    assert blunts(chord + bulge * np.sin(np.pi * share) * np.array([0.7, -0.7])) == [0.0, 0.0]


@pytest.mark.parametrize("high", [0.6, 0.9])
def test_an_edge_that_stands_up_from_the_plate_is_blunt(high):
    """A face that ends in an upright step of a height, as a lip does whose gap is not seen."""
    face = np.array([[0.0, -LEG], [LEG, -high], [LEG, 0.0]])
    found = blunts(face)
    assert found[0] == pytest.approx(high, abs=0.3)
    assert found[1] == 0.0


def test_an_outline_that_leaves_its_plate_from_below_and_comes_up_at_once():
    """One point 0.06 mm under the plate, the next on it: so near that nothing stood over the plate before it."""
    assert _goes_down(np.array([-0.06, 0.02, 0.3, 0.6, 0.9]), 0, STEP_MM) == 0
