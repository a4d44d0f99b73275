"""Numbers in sentences: rounded as everywhere else (JCGM 100:2008, 7.2.6)."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.judge.interval import Interval
from specimeter.judge.wording import limit, listed, quantity


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
