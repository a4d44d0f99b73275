"""What a report says: the mark, the reasons, every rule and number of the record, and by name what is not stated."""

from __future__ import annotations

import json

import pytest

from specimeter.record import model
from specimeter.report import words
from specimeter.report.content import _compared, _limit, content
from specimeter.sheet import KINDS


def everything(record) -> str:
    return json.dumps(content(record), ensure_ascii=False)


def test_unreviewed_is_said_until_it_is_reviewed(five):
    """The mark goes only when the record says that people have been through it."""
    assert content(five.record)["mark"] == "unreviewed: not a test report"
    review = model.Review(state="reviewed", by="N. N.", when="2026-11-26T08:00:00+00:00")
    reviewed = five.record.model_copy(update={"review": review})
    assert content(reviewed)["mark"] == ""


def test_no_outcome_calls_a_weld_safe(five):
    """Whatever the outcome: a word for it, its reason, who decides, and never that the weld is safe, good or accepted."""
    for outcome in ("within", "exceeds", "undecided", "not-measured", "replace", "void", "no-limits"):
        report = content(five.record.model_copy(update={"outcome": outcome}))
        assert report["because"] == five.record.reasons[0]
        assert "authorised inspector" in report["decides"]
        assert "does not say that a weld is safe" in report["decides"]
        for word in ("safe", "sound", "accepted", "passed", "good"):
            assert word not in report["word"].lower().split()


def test_what_the_record_holds_is_in_the_report(five):
    """Verdicts with their because, limits as entered, cautions, scale budget, hashes, versions."""
    text = everything(five.record)
    record = five.record
    for verdict in record.verdicts:
        assert verdict.because in text
    for rule in record.limits["rule"]:
        assert rule["name"] in text
        assert rule["limit"] in text
    for term in record.scales[0].budget:
        assert term.source in text
        assert term.basis in text
    for caution in (*map(words.sentence, record.cautions), *record.reasons):
        assert caution in text
    assert record.photos[0].sha256 in text
    assert model.sha256(record) in text
    assert "numpy 2.4.6" in text
    assert "2026-11-25 14:30:00 UTC" in text
    assert "judged by eye" in text


def test_each_feature_has_its_row_with_uncertainties(five):
    """Values to the place that U justifies; a dash and a named reason for what was not obtained."""
    report = content(five.record)
    blocks = next(section["blocks"] for section in report["sections"] if section["heading"] == "Features")
    rows = {row[0]: row for row in blocks[0]["rows"]}
    assert rows["f1"] == [
        "f1",
        "opening",
        "3.420 ± 0.083",
        "0.620 ± 0.061",
        "1.48 ± 0.10",
        "2.34 ± 0.11",
        "no",
        "likely",
        "proposed",
    ]
    assert rows["f2"][5] == "–"
    assert rows["f5"][8] == "rejected"
    notes = " ".join(blocks[1]["items"])
    assert "f2, clear distance: the nearest outline" in notes
    assert "f5 was rejected: a stamp mark" in notes


def test_every_item_of_iso_17025_is_there_or_named_as_not_stated(five):
    """ISO/IEC 17025:2017, 7.8.2.1: items a to k, m to p have a line; l, that only the items tested are meant, a sentence."""
    report = content(five.record)
    blocks = next(section["blocks"] for section in report["sections"] if section["heading"] == "Statement of the report")
    rows = dict(blocks[0]["rows"])
    for name in ("laboratory, name and address", "client", "place of the work", "date received", "sampling", "measured by"):
        assert rows[name] == "not stated"
    assert rows["method and edition"] == "guided bend test, workshop procedure 7, 2026"
    assert rows["authorised by"] == "nobody yet"
    assert rows["date of issue"] == "not issued"
    assert "only the specimen named" in blocks[1]["items"][0]


def test_a_record_without_limits_says_so(five):
    """No limits, no verdicts: both are said, not left out."""
    bare = five.record.model_copy(update={"limits": None, "verdicts": (), "outcome": "no-limits", "reasons": ()})
    text = everything(bare)
    assert "No limits were entered." in text
    assert "no verdict was formed" in text


def test_nothing_found_is_no_proof(case):
    """An empty table is not read as a clean weld."""
    assert "does not show that nothing is there" in everything(case([], verdicts=()).record)


@pytest.mark.parametrize("decision", ["guarded", "simple"])
def test_the_decision_rule_is_explained(five, decision):
    """One sentence in words for each rule a user can choose."""
    limits = {**five.record.limits, "limits": {**five.record.limits["limits"], "decision": decision}}
    assert f"{decision.capitalize()}: " in everything(five.record.model_copy(update={"limits": limits}))


def test_limits_are_told_in_the_unit_that_they_were_compared_in():
    """A share has percent, a number nothing, an observation what it must be; never the unit that was only a default."""
    assert _limit({"test": "share", "sense": "at most", "limit": 2.0, "unit": "mm"}, "%") == "at most 2 %; beyond it: exceeds"
    assert _limit({"test": "count", "sense": "at most", "limit": 0, "unit": "mm"}, "") == "at most 0; beyond it: exceeds"
    observed = {"test": "observation", "sense": "at most", "unit": "mm", "beyond": "replace"}
    assert _limit(observed, "") == "must be yes; otherwise: replace"
    assert _limit({**observed, "must_be": False}, "") == "must be no; otherwise: replace"


def test_rules_name_their_kinds_or_say_every_kind():
    """No list is left to the record."""
    assert _compared({"test": "each", "kinds": list(KINDS)}) == "each; kinds every kind"
    assert _compared({"test": "each", "kinds": list(KINDS)[:11]}).count(", ") == 10
