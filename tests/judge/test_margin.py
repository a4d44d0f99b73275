"""What is left to a limit: limit less value for upper limits, value less limit for lower ones, with the verdict's own sign.

The truth is arithmetic on sizes and limits that the tests choose.
"""

from __future__ import annotations

import pytest

from specimeter.judge.margin import margins


def test_the_tightest_rule_counts_and_the_sign_is_the_verdicts(make):
    """3 mm for one, a quarter of 25 mm for a crack: the tighter one as a share of its limit is told."""
    entered = make.limits(
        make.rule(kinds=["opening", "crack"], limit=3),
        make.rule(id="crack", kinds=["crack"], limit="t / 4"),
        make.rule(id="sum", test="sum", limit=1),
    )
    features = [
        make.feature(1, 2.0, U=0.1),
        make.feature(2, 2.95, U=0.1),
        make.feature(3, 3.5, U=0.1),
        make.feature(4, None),
        make.feature(5, 1.0, U=0.1, status="rejected"),
        make.feature(6, 5.0, U=0.1, kind="crack"),
        make.feature(7, 5.0, U=0.1, kind="pore"),
    ]
    found = margins(make.sheet(), entered, features)
    assert set(found) == {"f1", "f2", "f3", "f6"}
    assert [found[id].left for id in ("f1", "f2", "f3", "f6")] == pytest.approx([1.0, 0.05, -0.5, -2.0])
    assert [found[id].keeps for id in ("f1", "f2", "f3", "f6")] == [True, None, False, False]
    assert found["f6"].rule == "single"
    assert pytest.approx(0.1) == found["f1"].U


def test_a_lower_limit_is_kept_from_above_and_inches_stay_inches(make):
    entered = make.limits(make.rule(size="nearest_mm", limit=0.5, unit="in", sense="at least"))
    feature = make.feature(1, 2.0, U=0.1, nearest_mm=25.4, U_nearest_mm=0.254)
    (one,) = margins(make.sheet(), entered, [feature]).values()
    assert (one.left, one.unit, one.keeps) == (pytest.approx(0.5), "in", True)


def test_a_limit_without_a_value_has_no_margin(make):
    """The limit names a width that the sheet does not give."""
    entered = make.limits(make.rule(limit="w / 2"))
    sheet = make.sheet(specimen={"specimen_width_mm": None})
    assert margins(sheet, entered, [make.feature(1, 2.0, U=0.1)]) == {}
    assert margins(sheet, None, [make.feature(1, 2.0, U=0.1)]) == {}
