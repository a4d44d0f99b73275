"""Digits shown: the examples that JCGM 100 gives in words and figures, and what must hold for any number."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.rounding import figures, plus_minus, rounded


@pytest.mark.parametrize(
    ("value", "U", "shown"),
    [
        # JCGM 100:2008 (GUM), 7.2.6: u = 10,47 is rounded up to 11, u = 28,05 down to 28, and an estimate of
        # 10,057 62 ohm with u = 27 milliohm is rounded to 10,058 ohm.
        (10.05762, 0.027, ("10.058", "0.027")),
        (100.0, 10.47, ("100", "11")),
        (100.0, 28.05, ("100", "28")),
        # JCGM 100:2008, 7.2.2, 7.2.4: 100,021 47 g with u = 0,35 mg, U = 0,79 mg
        (100.02147, 0.00035, ("100.02147", "0.00035")),
        (100.02147, 0.00079, ("100.02147", "0.00079")),
        # by hand
        (3.14159, 0.0996, ("3.14", "0.10")),
        (1234.5, 123.0, ("1230", "130")),
        (12345.0, 996.0, ("12300", "1000")),
        (-0.0001, 0.02, ("0.000", "0.020")),
        (2.5, 9.96, ("2", "10")),
    ],
)
def test_examples(value, U, shown):
    """Each is shown as the source says, or as worked out by hand."""
    assert rounded(value, U) == shown


@given(value=st.floats(-1e6, 1e6), U=st.floats(1e-7, 1e6))
@settings(deadline=None, max_examples=300)
def test_value_and_uncertainty_end_at_the_same_place(value, U):
    """No more than two digits of U, U never understated by more than 1 %, the value within half of the last place kept."""
    shown, shown_U = rounded(value, U)
    assert Decimal(shown).as_tuple().exponent == Decimal(shown_U).as_tuple().exponent
    assert len(Decimal(shown_U).normalize().as_tuple().digits) <= 2
    assert float(shown_U) >= 0.99 * U  # a tenth of the last of two digits is at most 1 % of U
    assert float(shown_U) <= 1.1 * U * (1 + 1e-12)  # and rounding up adds at most one in the second digit
    place = Decimal(shown_U).normalize()
    step = Decimal(1).scaleb(place.adjusted() - 1)
    assert abs(Decimal(shown) - Decimal(repr(value))) <= step / 2
    assert "E" not in shown + shown_U
    assert not shown.startswith("-0") or float(shown) != 0


def test_what_has_no_uncertainty_is_not_dressed_up():
    """A value without U gets three digits; no value gives no text; a U of 0 or less is refused."""
    assert plus_minus(None, 0.1) is None
    assert plus_minus(0.123456, None) == "0.123"
    assert plus_minus(3.0, 0.1) == "3.00 ± 0.10"
    assert figures(0.000123456) == "0.000123"
    with pytest.raises(ValueError, match="above 0"):
        rounded(1.0, 0.0)
    with pytest.raises(ValueError, match="above 0"):
        rounded(1.0, float("nan"))
