"""What makes a test void, what keeps it from `within`, and what is merely not known."""

from __future__ import annotations

import pytest

from specimeter.judge.validity import check


@pytest.mark.parametrize(
    ("validity", "told"),
    [
        ({"valid": False, "reason": "the former slipped"}, "the former slipped"),
        ({"former_required_mm": 38.0}, "larger than the 38 mm"),
        ({"weld_inside_bend": False}, "do not lie within the bent part"),
        ({"tension_face": "root"}, "puts the side in tension"),
    ],
)
def test_void(make, validity, told):
    found = check(make.sheet(validity=validity))
    assert told in " ".join(found.void)
    judgement = make.judged(make.bend_limits(), on=make.sheet(validity=validity))
    assert judgement.outcome == "void"
    assert told in " ".join(judgement.because)
    assert make.judged(None, on=make.sheet(validity=validity)).outcome == "void"


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"bend": {"angle_deg": 178.0}}, "bent to 178 degrees, and 180"),
        ({"validity": {"broken_through": True}}, "broke through"),
    ],
)
def test_never_within_and_never_void(make, changes, told):
    """Calling these void would hide a failure: what exceeds still exceeds."""
    on = make.sheet(**changes)
    judgement = make.judged(make.bend_limits(), on=on)
    assert judgement.outcome == "not-measured"
    assert told in " ".join(judgement.because)
    assert make.judged(make.bend_limits(), make.feature(1, 4.0, 0.1), on=on).outcome == "exceeds"


ENTRIES = ("former_required_mm", "angle_required_deg", "weld_inside_bend", "broken_through", "tension_face")


@pytest.mark.parametrize("left_out", ENTRIES)
def test_what_is_not_stated_keeps_it_from_within(make, left_out):
    """Leaving an entry out must not help; the sentence says what to enter. What exceeds still exceeds."""
    on = make.sheet(validity={left_out: None})
    judgement = make.judged(make.bend_limits(), on=on)
    assert judgement.outcome == "undecided"
    assert f"enter {left_out} in the table [validity]" in " ".join(judgement.because)
    assert make.judged(make.bend_limits(), make.feature(1, 4.0, 0.1), on=on).outcome == "exceeds"


def test_without_the_table_nothing_is_within(make):
    judgement = make.judged(make.bend_limits(), on=make.sheet(validity="absent"))
    assert judgement.outcome == "undecided"
    assert [sum(entry in sentence for sentence in judgement.because) for entry in ENTRIES] == [1] * 5
    assert make.judged(make.bend_limits()).outcome == "within"


def test_a_harder_test_than_asked_is_a_caution(make):
    found = check(make.sheet(validity={"former_required_mm": 50.0}))
    assert not found.void
    assert not found.gaps
    assert "harder" in found.cautions[0]


def test_a_void_test_that_exceeds_all_the_same_is_told(make):
    """A milder test that is failed is a failure: the inspector must hear of it before another specimen is cut."""
    judgement = make.judged(make.bend_limits(), make.feature(1, 4.0, 0.1), on=make.sheet(validity={"former_required_mm": 38.0}))
    assert judgement.outcome == "void"
    assert "exceeded in this test all the same" in " ".join(judgement.cautions)


def test_of_other_tests_a_person_says_that_they_were_valid(make):
    """A nick-break has no former and no angle; whether it was done as asked no picture shows."""
    tables = {"specimen": {"id": "N1", "test": "nick-break"}}
    found = check(make.sheet().model_validate(tables))
    assert len(found.open) == 1
    assert "enter valid = true" in found.open[0]
    assert check(make.sheet().model_validate(tables | {"validity": {"valid": True}})) == check(make.sheet())
    bad = {"valid": False, "reason": "it broke in the parent plate"}
    assert "parent plate" in check(make.sheet().model_validate(tables | {"validity": bad})).void[0]
