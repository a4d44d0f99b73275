"""A kind that the picture does not tell surely: it opens the rules of all kinds it may be, and helps none to be kept."""

from __future__ import annotations

from dataclasses import replace

import pytest


def verdicts(make, *features):
    rules = (make.rule(id="pores", kinds=["pore"], limit=1.5), make.rule(id="slags", kinds=["slag"], limit=3))
    judged = make.judged(make.limits(*rules), *features)
    return {verdict.rule: verdict for verdict in judged.verdicts}, judged


@pytest.mark.parametrize(("length_mm", "pores", "slags"), [
    (1.0, "within", "within"), (2.0, "undecided", "within"), (4.0, "undecided", "undecided"),
])  # fmt: skip
def test_a_rule_that_may_name_it_is_open_where_it_would_be_broken(make, length_mm, pores, slags):
    """A pore that may be slag: what keeps both limits is within both, what breaks one leaves that one open, and it says why."""
    told, _ = verdicts(make, make.feature(1, length_mm, kind="pore", may_be=("slag",)))
    assert (told["pores"].outcome, told["slags"].outcome) == (pores, slags)
    if pores == "undecided":
        assert "whether f1 counts is open (the picture does not tell its kind surely)" in told["pores"].because


def test_a_person_settles_it(make):
    """Confirmed as a pore it breaks the pores' limit and is no slag."""
    one = make.feature(1, 4.0, kind="pore", may_be=("slag",))
    told, _ = verdicts(make, replace(one, status="confirmed"))
    assert (told["pores"].outcome, told["slags"].outcome) == ("exceeds", "within")


def test_a_surely_beyond_limit_stays_beyond(make):
    """Beside one that is surely too long a doubtful one changes nothing; kinds of one rule among themselves neither."""
    long = make.feature(1, 4.0, kind="pore")
    told, _ = verdicts(make, long, make.feature(2, 4.0, kind="pore", may_be=("slag",)))
    assert told["pores"].outcome == "exceeds"
    rule = make.rule(kinds=["pore", "elongated-cavity"])
    judged = make.judged(make.limits(rule), make.feature(1, 4.0, kind="pore", may_be=("elongated-cavity",)))
    assert judged.verdicts[0].outcome == "exceeds"


def test_sums_and_numbers_know_both_ends(make):
    """2 mm that surely count and 2 that may: a sum of 3 at most is open, of 5 within; at most one in number is open."""
    sure, may = make.feature(1, 2.0, kind="slag"), make.feature(2, 2.0, kind="pore", may_be=("slag",))
    for rule, outcome in (
        (make.rule(kinds=["slag"], test="sum", limit=3), "undecided"),
        (make.rule(kinds=["slag"], test="sum", limit=5), "within"),
        (make.rule(kinds=["slag"], test="count", limit=1, size=None, unit=None), "undecided"),
    ):
        assert make.judged(make.limits(rule), sure, may).verdicts[0].outcome == outcome


def test_a_rule_of_another_kind_covers_no_feature(make):
    """A crack that no rule names is not covered by a rule of what it may be."""
    judged = make.judged(make.limits(make.rule(kinds=["slag"])), make.feature(1, 0.6, kind="crack", may_be=("slag",)))
    assert judged.outcome == "undecided"
    assert any("No rule looks at f1" in sentence for sentence in judged.because)
