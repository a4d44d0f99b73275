"""The outcome over all rules, and properties that must hold whatever is found."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.judge.decide import RANK

WORST_FIRST = {outcome: rank for rank, outcome in enumerate(RANK)}


def test_order_of_outcomes(make):
    """Exceeds before replace before not-measured before undecided before within."""
    entered, corner = make.bend_limits(), make.feature(1, 7.0, 0.1, at_corner=True)
    lost, close, long = make.feature(2, None), make.feature(3, 2.95, 0.1), make.feature(4, 4.0, 0.1)
    assert make.judged(entered, corner, lost, close, long).outcome == "exceeds"
    assert make.judged(entered, corner, lost, close).outcome == "replace"
    assert make.judged(entered, lost, close).outcome == "not-measured"
    assert make.judged(entered, close).outcome == "undecided"
    assert make.judged(entered, make.feature(5, 2.0, 0.1)).outcome == "within"
    assert make.judged(None, long).outcome == "no-limits"


def test_because_names_the_rules_that_decided(make):
    judgement = make.judged(make.bend_limits(), make.feature(1, 4.0, 0.1), make.feature(2, 2.0, 0.1))
    assert judgement.because == ("single: f1, the largest of 2, is 4.00 ± 0.10 mm, which even with its uncertainty taken off "
                                 "breaks the limit (at most 3 mm); it conforms with a probability below 0.1 %.",)  # fmt: skip


@pytest.mark.parametrize(
    ("accept", "outcome"),
    [
        ("flat or (short and clean)", "within"),  # flat is enough
        ("short and clean and flat", "exceeds"),
        ("clean and flat", "not-measured"),
        ("clean or short", "not-measured"),
        ("flat and close", "undecided"),
        ("short or close", "undecided"),
        ("flat or close", "within"),
        ("short and close", "exceeds"),
        ("clean or close", "not-measured"),
        ("corner and flat", "replace"),
        ("corner and short", "exceeds"),
        ("corner or flat", "within"),
        ("corner and close", "replace"),
        ("(corner or clean) and close", "not-measured"),  # whichever way the close one falls, the answer may hang on clean,
        ("(corner or clean) or close", "not-measured"),  # for which one to be replaced does not stand in
    ],
)
def test_accept_is_three_valued(make, accept, outcome):
    """flat keeps, short breaks, clean is not known, close is too close, corner asks for another specimen."""
    every = {
        "flat": {"id": "flat", "test": "observation", "observation": "bent-flat"},
        "short": make.rule(id="short", kinds=["opening"]),
        "clean": {"id": "clean", "test": "observation", "observation": "never-looked-at"},
        "close": make.rule(id="close", kinds=["slag"]),
        "corner": make.rule(id="corner", kinds=["crack"], beyond="replace"),
    }
    used = [every[name] for name in every if name in accept]
    entered = make.limits(*used, accept=accept)
    features = []
    if "short" in accept:
        features.append(make.feature(1, 4.0, 0.1))
    if "close" in accept:
        features.append(make.feature(2, 2.95, 0.1, kind="slag"))
    if "corner" in accept:
        features.append(make.feature(3, 4.0, 0.1, kind="crack"))
    assert make.judged(entered, *features, on=make.sheet(observations={"bent-flat": True})).outcome == outcome


@pytest.mark.parametrize("accept", ["flat", "flat or short"])
def test_a_rule_that_accept_does_not_name_must_be_kept_besides(make, accept):
    """Not naming a rule loses no finding: it joins with `and`, and what it finds decides."""
    flat = {"id": "flat", "test": "observation", "observation": "bent-flat"}
    on = make.sheet(observations={"bent-flat": True})
    other = [make.rule(id="short", kinds=["crack"])] if "short" in accept else []
    entered = make.limits(flat, *other, make.rule(id="besides"), accept=accept)
    assert entered.beside_accept == ("besides",)
    for found, outcome in (
        ([], "within"),
        ([make.feature(1, 4.0, 0.1)], "exceeds"),
        ([make.feature(1, 2.95, 0.1)], "undecided"),
        ([make.feature(1, None)], "not-measured"),
    ):
        judgement = make.judged(entered, *found, on=on)
        assert judgement.outcome == outcome
    assert make.judged(entered, on=on).because[0] == f"Accepted is: {accept}, and besides besides."
    not_flat = make.sheet(observations={"bent-flat": False})
    assert make.judged(make.limits(flat, make.rule(id="besides"), accept="flat"), on=not_flat).outcome == "exceeds"


def test_accept_asks_only_for_what_it_needs(make):
    """A specimen that bent flat on itself has no fracture on which the others could be evaluated."""
    flat = {"id": "flat", "test": "observation", "observation": "bent-flat"}
    fused = {"id": "fused", "test": "observation", "observation": "complete-fusion"}
    entered = make.limits(flat, fused, make.rule(), accept="flat or (fused and single)")
    assert make.judged(entered, on=make.sheet(observations={"bent-flat": True})).outcome == "within"
    assert make.judged(entered, on=make.sheet(observations={"bent-flat": False})).outcome == "not-measured"


def test_unreviewed_is_told_and_reviewed_is_not(make):
    found = make.feature(1, 2.0, 0.1)
    assert any("Not reviewed" in caution for caution in make.judged(make.bend_limits(), found).cautions)
    assert not make.judged(make.bend_limits(), found, reviewed=True).cautions


def test_counted_in_a_rule_for_each_hides_nothing(make):
    """An `each` that counts only 1 to 3 mm would never see a longer one: the condition is without effect, and that is told."""
    entered = make.limits(make.rule(counted="length_mm > 1 and length_mm <= 3"))
    judgement = make.judged(entered, make.feature(1, 4.0, 0.1))
    assert judgement.outcome == "exceeds"
    assert any("`counted` of the rule single has no effect" in caution for caution in judgement.cautions)


@pytest.mark.parametrize(("decision", "U", "told"), [("simple", 1.1, 1), ("simple", 0.9, 0), ("guarded", 1.1, 0)])
def test_a_simple_decision_with_a_large_uncertainty_is_told(make, decision, U, told):
    judgement = make.judged(make.limits(make.rule(), decision=decision), make.feature(1, 1.0, U))
    assert sum("more than a third of the limit" in caution for caution in judgement.cautions) == told


KINDS = st.sampled_from(["opening", "crack"])
features = st.lists(
    st.tuples(st.floats(0.1, 9), st.floats(0, 0.6), KINDS, st.sampled_from([True, False, None])), min_size=1, max_size=6
)
decisions = st.sampled_from(["guarded", "simple"])


def built(make, drawn):
    return [make.feature(i, length, U, kind=kind, at_corner=corner) for i, (length, U, kind, corner) in enumerate(drawn, 1)]


@pytest.mark.usefixtures("uncounted")
@given(drawn=features, decision=decisions, which=st.integers(0, 5), more=st.floats(0, 6))
@settings(deadline=None, max_examples=80)
def test_a_larger_feature_never_improves_the_outcome(make, drawn, decision, which, more):
    """With limits of the sense "at most", growing one feature can only make the outcome worse or leave it."""
    before = make.judged(make.bend_limits(decision), *built(make, drawn)).outcome
    length, U, kind, corner = drawn[which % len(drawn)]
    drawn[which % len(drawn)] = (length + more, U, kind, corner)
    after = make.judged(make.bend_limits(decision), *built(make, drawn)).outcome
    assert WORST_FIRST[after] <= WORST_FIRST[before]


@pytest.mark.usefixtures("uncounted")
@given(drawn=features, decision=decisions, added=features)
@settings(deadline=None, max_examples=80)
def test_another_feature_never_improves_the_outcome(make, drawn, decision, added):
    before = make.judged(make.bend_limits(decision), *built(make, drawn)).outcome
    after = make.judged(make.bend_limits(decision), *built(make, [*drawn, *added])).outcome
    assert WORST_FIRST[after] <= WORST_FIRST[before]


@pytest.mark.usefixtures("uncounted")
@given(drawn=features, decision=decisions, which=st.integers(0, 5), kind=st.sampled_from(["other", "pore", "fisheye", "slag"]))
@settings(deadline=None, max_examples=60)
def test_renaming_a_feature_never_makes_it_within(make, drawn, decision, which, kind):
    """A kind that no rule names leaves the judgement open."""
    drawn[which % len(drawn)] = (*drawn[which % len(drawn)][:2], kind, drawn[which % len(drawn)][3])
    assert make.judged(make.bend_limits(decision), *built(make, drawn)).outcome != "within"


@given(drawn=features, decision=decisions, which=st.integers(0, 5), lost=st.sampled_from(["length", "U"]))
@settings(deadline=None, max_examples=60)
def test_losing_a_size_never_makes_it_within(make, drawn, decision, which, lost):
    found = built(make, drawn)
    which %= len(found)
    changes = {"length_mm": None} if lost == "length" else {"U_length_mm": None}
    found[which] = replace(found[which], **changes)
    assert make.judged(make.bend_limits(decision), *found).outcome != "within"


@pytest.mark.usefixtures("uncounted")
@given(drawn=features, which=st.integers(0, 5), grow=st.floats(1, 4))
@settings(deadline=None, max_examples=60)
def test_less_certain_is_never_more_within(make, drawn, which, grow):
    """Under a guarded decision a larger U can neither earn `within` nor prove `exceeds`."""
    before = make.judged(make.bend_limits(), *built(make, drawn)).outcome
    length, U, kind, corner = drawn[which % len(drawn)]
    drawn[which % len(drawn)] = (length, (U + 0.01) * grow, kind, corner)
    after = make.judged(make.bend_limits(), *built(make, drawn)).outcome
    if after in ("within", "exceeds"):
        assert before == after


@given(drawn=features, decision=decisions)
@settings(deadline=None, max_examples=60)
def test_every_number_is_finite_and_every_verdict_speaks(make, drawn, decision):
    judgement = make.judged(make.bend_limits(decision), *built(make, drawn))
    for verdict in judgement.verdicts:
        for number in (verdict.value, verdict.U, verdict.limit, verdict.p_conform):
            assert number is None or math.isfinite(number)
        assert verdict.p_conform is None or 0 <= verdict.p_conform <= 1
        assert verdict.because.endswith(".")
    assert judgement.because
