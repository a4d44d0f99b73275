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


def test_what_is_not_stated_is_a_caution(make):
    judgement = make.judged(make.bend_limits(), on=make.sheet(validity="absent"))
    assert judgement.outcome == "within"
    assert len(judgement.cautions) == 4
    assert all("does not say" in caution for caution in judgement.cautions)
    assert not make.judged(make.bend_limits()).cautions


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


def test_no_bend_no_bend_s_conditions(make):
    on = make.sheet().model_validate({"specimen": {"id": "N1", "test": "nick-break"}})
    assert check(on) == check(on).__class__()
