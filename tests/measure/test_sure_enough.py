"""A size is given while its uncertainty leaves it a meaning: one rule for lengths, angles, radii, areas and shares."""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.measure.sure_enough import NO_OTHER, too_uncertain


@pytest.mark.parametrize(
    ("name", "value", "most"),
    [
        ("throat_mm", 1.0, 0.4),  # 0.4 mm, or 15 % of it, whichever is more (judgement, as all of these)
        ("throat_mm", -10.0, 1.5),
        ("penetration_mm", 1.0, 1.0),
        ("penetration_mm", 10.0, 1.5),
        ("haz_width_mm", 1.0, 0.6),
        ("haz_width_mm", 10.0, 2.0),
        ("toe_angle_1_deg", 170.0, 15.0),  # a sixth of what lies between abrupt and flush
        ("opening_angle_deg", 13.0, 30.0),  # a sixth of what lies between a slit and no notch
        ("opening_angle_deg", 120.0, 30.0),
        ("root_radius_mm", 0.03, 0.02),  # a radius knows no range: two thirds of itself
        ("root_radius_mm", 0.9, 0.6),
        ("weld_area_mm2", 1.0, 1.0),
        ("weld_area_mm2", 10.0, 3.0),
        ("dilution", 0.5, 0.15),
    ],
)
def test_up_to_so_much_it_is_given_and_beyond_not(name, value, most):
    unit = {"mm": " mm", "deg": " \u00b0", "mm2": " mm\u00b2", "dilution": ""}[name.rsplit("_", 1)[-1]]
    assert too_uncertain(name, value, 0.99 * most) is None
    assert too_uncertain(name, value, 1.01 * most) == f"it could be told to \u00b1 {1.01 * most:.2g}{unit} only"


def test_what_is_lost_when_the_outline_moves_is_never_given():
    assert too_uncertain("throat_mm", 4.0, np.inf) == NO_OTHER
