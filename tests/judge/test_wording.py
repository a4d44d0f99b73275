"""Numbers in sentences: rounded as everywhere else (JCGM 100:2008, 7.2.6)."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.judge.interval import Interval
from specimeter.judge.wording import expression_words, limit, listed, quantity, size_words


@pytest.mark.parametrize(
    ("value", "U", "told"),
    [
        (2.8713, 0.1171, "2.87 ± 0.12 mm"),
        (2.8713, 0.12, "2.87 ± 0.12 mm"),
        (10.05762, 0.027, "10.058 ± 0.027 mm"),  # the example of JCGM 100:2008, 7.2.6, but for its unit
        (1234.5, 23.4, "1234 ± 24 mm"),
        (1234.5, 230.0, "1230 ± 230 mm"),
        (3.0, 0.0, "3 mm"),
        (0.125, 0.0, "0.125 mm"),
    ],
)
def test_quantity(value, U, told):
    assert quantity(Interval.around(value, U), "mm") == told


@given(value=st.floats(0.01, 1000), U=st.floats(1e-4, 50))
@settings(deadline=None, max_examples=100)
def test_what_is_told_is_near_and_never_more_certain(value, U):
    """The value told is within half a unit of its last place; the U told drops at most a tenth of its last place."""
    found = re.fullmatch(r"(-?[\d.]+) ± ([\d.]+)", quantity(Interval.around(value, U), ""))
    told_U = float(found[2])
    assert U * (1 - 0.0101) <= told_U <= U * 1.1 + 1e-12
    assert abs(float(found[1]) - value) <= 0.051 * told_U


def test_limit_and_lists():
    assert limit("at most", 3.0, "mm") == "at most 3 mm"
    assert limit("below", 0.125, "in") == "below 0.125 in"
    assert listed(["f1"]) == "f1"
    assert listed([f"f{i}" for i in range(1, 21)], most=4) == "f1, f2, f3 and 17 more"
    assert listed([f"f{i}" for i in range(1, 9)]) == "f1, f2, f3, f4, f5, f6, f7 and f8"
    assert listed([f"f{i}" for i in range(1, 10)]) == "f1, f2, f3, f4, f5, f6, f7 and 2 more"


def test_sizes_are_told_in_words_and_what_is_no_size_as_it_stands():
    """Each by its trade name, without its unit; of an expression only the names that it may use."""
    assert [size_words(name) for name in ("theoretical_throat_mm", "haz_width_in", "weld_area_mm2", "toe_angle_1_deg")] == [
        "theoretical throat",
        "heat-affected zone",
        "area of weld metal",
        "toe angle 1",
    ]
    assert size_words("dilution") == "dilution"
    told = expression_words("max(leg_1_mm, leg_2_mm) - 2.5 * thickness_mm", {"leg_1_mm", "leg_2_mm"})
    assert told == "max(leg 1, leg 2) - 2.5 * thickness_mm"
