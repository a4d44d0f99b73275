"""Interval arithmetic and comparisons that may stay open."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.judge.interval import Interval, NotMeasured, and_, compare, greatest, least, not_, or_, total

values = st.floats(-1e3, 1e3).filter(lambda value: value == 0 or abs(value) > 1e-6)
halves = st.floats(0, 1e2)
shares = st.floats(-1, 1)


@given(a=values, ua=halves, b=values, ub=halves, ta=shares, tb=shares)
@settings(deadline=None, max_examples=150)
def test_every_pair_of_true_values_is_enclosed(a, ua, b, ub, ta, tb):
    """Whatever the true values within both intervals, the result's interval holds what plain arithmetic gives."""
    left, right = Interval.around(a, ua), Interval.around(b, ub)
    x, y = a + ta * ua, b + tb * ub
    slack = 1e-9 * (1 + abs(x) + abs(y)) ** 2
    pairs = [
        (left + right, x + y),
        (left - right, x - y),
        (left * right, x * y),
        (abs(left), abs(x)),
        (least([left, right]), min(x, y)),
        (greatest([left, right]), max(x, y)),
        (total([left, right, left]), 2 * x + y),
    ]
    if not right.low <= 0 <= right.high:
        pairs.append((left / right, x / y))
        slack = max(slack, 1e-9 * abs(x / y))
    for found, true in pairs:
        assert found.low - slack <= true <= found.high + slack
        assert found.low - slack <= found.value <= found.high + slack


@given(a=values, ua=halves, b=values, ub=halves, ta=shares, tb=shares)
@settings(deadline=None, max_examples=150)
def test_a_settled_comparison_holds_for_every_pair_of_true_values(a, ua, b, ub, ta, tb):
    left, right = Interval.around(a, ua), Interval.around(b, ub)
    x, y = a + ta * ua, b + tb * ub
    near = abs(x - y) < 1e-6 * (1 + abs(x) + abs(y))  # the comparison itself forgives rounding
    for sign, true in (("<", x < y), ("<=", x <= y), (">", x > y), (">=", x >= y)):
        assert near or compare(left, sign, right) in (true, None)


def test_strict_and_not_strict_differ_at_the_limit_alone():
    three = Interval.exact(3.0)
    assert compare(three, "<=", three) is True
    assert compare(three, "<", three) is False
    assert compare(Interval.around(2.9, 0.1), "<=", three) is True
    assert compare(Interval.around(2.9, 0.1), "<", three) is None
    assert compare(Interval.around(3.1, 0.1), "<=", three) is None
    assert compare(Interval.around(3.1, 0.1), "<", three) is False
    assert compare(three, "==", three) is True
    assert compare(Interval.around(3, 0.1), "==", three) is None
    assert compare(Interval.around(4, 0.1), "!=", three) is True


def test_rounding_in_the_computer_decides_nothing():
    """0.1 + 0.2 is 0.3 here; a millionth more is not."""
    assert compare(Interval.exact(0.1 + 0.2), "<=", Interval.exact(0.3)) is True
    assert compare(Interval.exact(0.3 + 1e-6), "<=", Interval.exact(0.3)) is False
    assert compare(Interval.exact(3.175 / 25.4), "<=", Interval.exact(1 / 8)) is True


def test_division_by_what_may_be_zero_gives_no_number():
    with pytest.raises(NotMeasured, match="may be zero"):
        Interval.exact(1.0) / Interval.around(0.1, 0.2)
    with pytest.raises(NotMeasured, match="divides by zero"):
        Interval.exact(1.0) / Interval.exact(0.0)
    with pytest.raises(NotMeasured, match="finite"):
        Interval.exact(1e300) * Interval.exact(1e300)


@pytest.mark.parametrize(("a", "b", "both", "either"), [
    (True, True, True, True), (True, False, False, True), (False, False, False, False),
    (True, None, None, True), (False, None, False, None), (None, None, None, None),
])  # fmt: skip
def test_three_valued_logic(a, b, both, either):
    """Kleene's tables (common practice, no source): what is not known settles nothing that the known leaves open."""
    assert and_([a, b]) is and_([b, a]) is both
    assert or_([a, b]) is or_([b, a]) is either
    assert not_(a) is (None if a is None else not a)
