"""A coupon over all its specimens: missing ones named, failures kept and traced; never within by leaving one out."""

from __future__ import annotations

import csv
import io
import itertools
import json
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from specimeter.coupon import entered as coupons
from specimeter.coupon import report
from specimeter.coupon.decide import RANK, decide
from specimeter.record import folder as folders
from specimeter.report import language
from specimeter.report.house import PLAIN, House

SEALED = Path(__file__).resolve().parents[1] / "record" / "sealed"  # one opening, 3.1 mm long, on a flat face
NOW = datetime(2026, 11, 26, 10, 0, tzinfo=UTC)
OUTCOMES = ("within", "exceeds", "undecided", "not-measured", "replace", "void", "no-limits")


def record(outcome: str, *, state: str = "reviewed", test: str = "side-bend"):
    """As much of a record's folder as a coupon without rules of its own looks at."""
    review = SimpleNamespace(state=state)
    sheet = {"specimen": {"test": test}}
    return SimpleNamespace(
        sha256="0" * 64,
        record=SimpleNamespace(outcome=outcome, reasons=(f"it is {outcome}.",), review=review, sheet=sheet, issue=None),
    )


def coupon(*specimens, required=None, **tables):
    """A coupon of (id, replaces) pairs, all side bends."""
    data = {
        "coupon": {"id": "HW-3"},
        "required": {"side-bend": 2} if required is None else required,
        "specimen": [{"id": id, "test": "side-bend", **({"replaces": old} if old else {})} for id, old in specimens],
        **tables,
    }
    return coupons.from_tables(data)


def test_all_within_and_reviewed_is_within():
    """Two asked for, two within."""
    result = decide(coupon(("A", None), ("B", None)), {"A": record("within"), "B": record("within")})
    assert result.outcome == "within"
    assert result.missing == ()


@pytest.mark.parametrize(
    ("found", "outcome", "told"),
    [
        ({"A": record("within")}, "not-measured", "B (side-bend) has no record"),
        ({}, "not-measured", "A (side-bend) has no record"),
        ({"A": record("within"), "B": record("within", state="unreviewed")}, "undecided", "nobody has reviewed"),
        ({"A": record("within"), "B": record("exceeds")}, "exceeds", "B exceeds its limits"),
        ({"A": record("within"), "B": record("exceeds", state="unreviewed")}, "exceeds", "nobody has reviewed"),
        ({"A": record("within"), "B": record("undecided")}, "undecided", "B is undecided"),
        ({"A": record("within"), "B": record("no-limits")}, "not-measured", "B has no limits to compare with"),
        ({"A": record("within"), "B": record("void")}, "replace", "asks for 1 specimen in its place"),
        ({"A": record("within"), "B": record("replace")}, "replace", "asks for 1 specimen in its place"),
        ({"A": record("exceeds")}, "exceeds", "A exceeds"),
        ({"A": record("within"), "B": record("within", test="face-bend")}, "not-measured", "is of a face-bend"),
    ],
)
def test_anything_less_is_not(found, outcome, told):
    """What is missing, unreviewed, failed or of another test decides, and is named."""
    result = decide(coupon(("A", None), ("B", None)), found)
    assert result.outcome == outcome
    assert any(told in sentence for sentence in result.because)


def test_too_few_in_the_file_is_missing():
    """One specimen entered where two are asked for."""
    result = decide(coupon(("A", None)), {"A": record("within")})
    assert result.outcome == "not-measured"
    assert result.missing == ("1 of 2 side-bend specimens are not in the file",)


def test_a_replacement_stands_for_what_it_replaced_and_the_failed_one_stays():
    """`replace` asks for another; once that is within, the coupon is; the original keeps its own outcome."""
    entered = coupon(("A", None), ("B", None), ("C", "B"))
    found = {"A": record("within"), "B": record("replace"), "C": record("within")}
    result = decide(entered, found)
    assert result.outcome == "within"
    b = next(state for state in result.states if state.specimen.id == "B")
    assert (b.outcome, b.stands, b.replaced_by) == ("replace", "within", ("C",))
    assert any("B (replace" in sentence and "replaced by C" in sentence for sentence in result.because)
    assert decide(entered, {**found, "C": record("exceeds")}).outcome == "exceeds"
    assert decide(entered, {"A": record("within"), "B": record("replace")}).outcome == "not-measured"


def test_what_exceeds_is_replaced_only_where_the_retest_rule_says_so():
    """By default nothing takes the place of a failure; with a rule, as many as it asks for, all within."""
    specimens = (("A", None), ("B", None), ("C", "B"), ("D", "B"))
    found = {"A": record("within"), "B": record("exceeds"), "C": record("within"), "D": record("within")}
    result = decide(coupon(*specimens), found)
    assert result.outcome == "exceeds"
    assert any("lets nothing take its place" in sentence for sentence in result.because)
    two = {"retest": {"after": ["exceeds"], "specimens": 2}}
    assert decide(coupon(*specimens, **two), found).outcome == "within"
    assert decide(coupon(*specimens[:3], **two), found).outcome == "replace"
    assert decide(coupon(*specimens[:2], **two), found).outcome == "exceeds"
    assert decide(coupon(*specimens, **two), {**found, "D": record("exceeds")}).outcome == "exceeds"


def test_a_chain_of_replacements_is_followed_to_its_end():
    """C was void too and D took its place."""
    entered = coupon(("A", None), ("B", None), ("C", "B"), ("D", "C"))
    found = {"A": record("within"), "B": record("void"), "C": record("void"), "D": record("within")}
    assert decide(entered, found).outcome == "within"
    assert decide(entered, {**found, "D": record("void")}).outcome == "replace"


def test_a_record_that_cannot_be_relied_on_counts_for_nothing():
    """A changed record is not evidence."""
    result = decide(coupon(("A", None), ("B", None)), {"A": record("within")}, {"B": "its record cannot be relied on: x"})
    assert result.outcome == "not-measured"
    assert any("cannot be relied on" in sentence for sentence in result.because)


@given(
    outcomes=st.lists(st.sampled_from(OUTCOMES), min_size=2, max_size=4),
    states=st.lists(st.sampled_from(["reviewed", "unreviewed", "issued"]), min_size=4, max_size=4),
    present=st.lists(st.booleans(), min_size=4, max_size=4),
)
@settings(deadline=None, max_examples=120)
def test_within_needs_every_specimen_within_and_reviewed(outcomes, states, present):
    """Without replacements: within if and only if all asked for are there, reviewed and within; and one bad one shows."""
    ids = "ABCD"[: len(outcomes)]
    found = {
        id: record(outcome, state=state)
        for id, outcome, state, there in zip(ids, outcomes, states, present, strict=False)
        if there
    }
    result = decide(coupon(*((id, None) for id in ids), required={"side-bend": len(ids)}), found)
    all_good = len(found) == len(ids) and all(
        f.record.outcome == "within" and f.record.review.state != "unreviewed" for f in found.values()
    )
    assert (result.outcome == "within") == all_good
    assert result.outcome in RANK
    assert result.because
    if any(f.record.outcome == "exceeds" for f in found.values()):
        assert result.outcome == "exceeds"


@pytest.mark.parametrize(("limit", "outcome"), [(7.0, "within"), (6.2, "undecided"), (5.5, "exceeds")])
def test_a_rule_over_all_specimens_adds_up_what_is_in_them(limit, outcome):
    """Two records with one opening of the same length: the sum is twice that, its U the two U together (the safe side)."""
    folder = folders.read(SEALED)
    (feature,) = folder.record.features
    rule = {"id": "total", "kinds": ["opening"], "size": "length_mm", "test": "sum", "limit": limit, "unit": "mm"}
    nick = [{"id": id, "test": "nick-break"} for id in "AB"]
    entered = coupons.from_tables(
        {
            "coupon": {"id": "HW-3"},
            "required": {"nick-break": 2},
            "specimen": nick,
            "rule": [{**rule, "sense": "at most"}],
        }
    )
    (verdict,) = decide(entered, {"A": folder, "B": folder}).verdicts
    assert verdict.value == pytest.approx(2 * feature.length_mm, rel=1e-9)
    assert feature.U_length_mm < verdict.U <= 2 * feature.U_length_mm * (1 + 1e-9)
    assert verdict.outcome == outcome
    assert verdict.features == ("A/f1", "B/f1")


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"specimen": [{"id": "A", "test": "side-bend"}] * 2}, "same id"),
        ({"specimen": [{"id": "B", "test": "side-bend", "replaces": "A"}]}, "not among the specimens"),
        (
            {"specimen": [{"id": "A", "test": "face-bend"}, {"id": "B", "test": "side-bend", "replaces": "A"}]},
            "replaces a face-bend",
        ),
        (
            {"specimen": [{"id": a, "test": "side-bend", "replaces": b} for a, b in itertools.pairwise("ABA")]},
            "replaces itself",
        ),
        ({"required": {"side-bnd": 2}}, "side-bnd"),
        ({"rule": [{"id": "r", "test": "share", "kinds": ["pore"], "of": "area", "limit": 2, "sense": "at most"}]}, "share"),
        ({"colour": 1}, "colour"),
    ],
)
def test_a_wrong_file_is_refused_and_named(change, told):
    """Each mistake by its own words."""
    data = {"coupon": {"id": "HW-3"}, "required": {"side-bend": 1}, "specimen": [{"id": "A", "test": "side-bend"}], **change}
    with pytest.raises(coupons.CouponError, match=told):
        coupons.from_tables(data)


def test_the_summary_says_what_was_decided():
    """JSON, CSV, HTML and PDF/A: outcome, each specimen with its own outcome and hash, what is missing."""
    entered = coupon(("A", None), ("B", None), ("C", "B"), retest={"basis": "clause 7 of the invented order"})
    result = decide(entered, {"A": record("within"), "B": record("replace")})
    files = report.files(entered, result, {"A": Image.new("RGB", (900, 600), "grey")}, PLAIN, NOW)
    data = json.loads(files["coupon.json"])
    assert (data["outcome"], data["specimens"][1]["outcome"], data["specimens"][1]["replaced_by"]) == (
        "not-measured",
        "replace",
        "C",
    )
    rows = list(csv.DictReader(io.StringIO(files["coupon.csv"].decode())))
    assert [row["specimen"] for row in rows] == ["A", "B", "C"]
    page = files["coupon.html"].decode()
    for told in ("Not measured", "C has no record", "clause 7 of the invented order", "0" * 64, "replaced by C"):
        assert told in page
    assert files["coupon.pdf"].startswith(b"%PDF")
    assert files["coupon.xlsx"].startswith(b"PK")


def test_the_summary_in_german():
    """Headings, outcomes and what is missing in German; ids stay."""
    entered = coupon(("A", None), ("B", None), ("C", "B"))
    result = decide(entered, {"A": record("within"), "B": record("replace")})
    page = report.files(entered, result, {}, House(language=language.read("de")), NOW)["coupon.html"].decode()
    for said in (
        "Prüfstück: Zusammenfassung seiner Proben",
        "Nicht gemessen",
        "ersetzt durch C",
        "C hat kein Protokoll",
        "Seitenbiegeprüfung",
    ):
        assert said in page
    for left in ("Specimens asked for", "Retest rule", "replaced by", "Each specimen"):
        assert left not in page


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_what_was_found_is_a_sentence_in_both_languages(outcome):
    """`A exceeds its limits, but nobody has reviewed it.`, for every outcome there is."""
    (state,) = decide(coupon(("A", None)), {"A": record(outcome, state="unreviewed")}).states
    assert state.because.startswith("A ")
    assert state.because.endswith(", but nobody has reviewed it.")
    assert language.read("de").say(state.because).endswith(", aber niemand hat es durchgesehen.")
