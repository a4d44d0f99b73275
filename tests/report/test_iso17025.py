"""Where each item of ISO/IEC 17025:2017, clause 7.8, stands in the report; the clause's list is read beside the checkout."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest

from specimeter.record import model
from specimeter.report.content import content

REFERENCE = Path(__file__).resolve().parents[2].parent / "shared" / "reference" / "reports.toml"

STATEMENT = "Statement of the report"
# 7.8.2.1, item by item: section, line (None: a sentence of the section), and what stands there for the full sheet below.
PLACES = {
    "a": (STATEMENT, "title", "Side bend test: findings"),
    "b": (STATEMENT, "laboratory, name and address", "Example laboratory, 1 Quay Street"),
    "c": (STATEMENT, "place of the work", "on site, hall 3"),
    "d": (STATEMENT, "identification", "report R-1, revision 1; record {hash}, pages numbered to the last"),
    "e": (STATEMENT, "client", "Example client, client@example.invalid"),
    "f": (STATEMENT, "method and edition", "guided bend test, 2026"),
    "g": (STATEMENT, "item", "SB-25-03, half of a plate, from the middle"),
    "h": (STATEMENT, "date received", "2026-11-20"),
    "i": (STATEMENT, "date of the work", "2026-11-24"),
    "j": (STATEMENT, "date of issue", "2026-11-26 08:00:00 UTC"),
    "k": (STATEMENT, "sampling", "by the client, plan 4"),
    "l": (STATEMENT, None, "The results concern only the specimen named here."),
    "m": ("Features", None, "3.420 ± 0.083"),
    "n": (STATEMENT, "deviations from the method", "edges not rounded"),
    "o": (STATEMENT, "authorised by", "B. Smith"),
    "p": (STATEMENT, "external providers", "none"),
}
# What the other clauses ask for, in the same form.
FURTHER = {
    "7.8.2.1, recommended": (STATEMENT, None, "Do not reproduce this report in part"),
    "7.8.2.2, customer's data marked": (STATEMENT, None, "Entries of the sheet and the limits come from the user"),
    "7.8.2.2, customer's data in a section of their own": ("Specimen, as entered in the sheet", "former diameter", "40 mm"),
    "7.8.3, conditions": (STATEMENT, "condition of the item", "dry, unpainted"),
    "7.8.3, uncertainty in the measurand's unit": ("Features", None, "± expanded uncertainty, k = 2"),
    "7.8.6, statement of conformity": (STATEMENT, "statement of conformity", "Exceeds the limits entered"),
    "7.8.6, results covered": (STATEMENT, "results that it covers", "f1"),
    "7.8.6, specification": (
        STATEMENT,
        "specification",
        "Transverse bend, butt weld; example, check against the edition in force",
    ),
    "7.8.6, decision rule": (STATEMENT, "decision rule", "Guarded: a size is within only if"),
    "7.8.7, opinions marked": (STATEMENT, None, "A likely cause of a feature is an opinion of the person who named it"),
    "7.8.8, refers to the original": (STATEMENT, "amends", "report R-1, revision 1"),
    "7.8.8, reason": (STATEMENT, "reason", "client corrected"),
    "bend: roller gap": ("Specimen, as entered in the sheet", "roller gap", "63 mm"),
    "bend: surface examined": ("Specimen, as entered in the sheet", "tension face", "side"),
    "bend: position in the coupon": ("Specimen, as entered in the sheet", "position", "from the middle"),
    "bend: sum": ("Verdicts", None, "The sum of 2 counted openings"),
}


def full(five) -> model.Record:
    """The example's record with everything that a sheet can say, issued."""
    sheet = five.record.sheet
    order = {
        "laboratory": "Example laboratory", "address": "1 Quay Street", "place": "on site, hall 3", "client": "Example client",
        "contact": "client@example.invalid", "method": "guided bend test", "edition": "2026", "item": "half of a plate",
        "condition": "dry, unpainted", "received": "2026-11-20", "sampling": "by the client, plan 4",
        "deviations": ["edges not rounded"], "external_providers": "none",
    }  # fmt: skip
    sheet = {
        **sheet,
        "order": order,
        "specimen": {**sheet["specimen"], "position": "from the middle"},
        "bend": {**sheet["bend"], "roller_gap_mm": 63.0},
        "people": {"measured_by": "A. Miller", "measured_on": "2026-11-24"},
    }
    when = "2026-11-26T08:00:00+00:00"
    return five.record.model_copy(
        update={
            "sheet": sheet,
            "review": model.Review(state="issued", by="A. Miller", when=when),
            "issue": model.Issue(number="R-1", revision=1, by="A. Miller", authorised_by="B. Smith", when=when),
        }
    )


def amended(record: model.Record) -> model.Record:
    amends = model.Amends(number="R-1", revision=1, sha256="0" * 64, why="client corrected")
    return record.model_copy(update={"amends": amends, "issue": record.issue.model_copy(update={"revision": 2})})


def stands(record: model.Record, place: tuple[str, str | None, str]) -> bool:
    """Whether the words stand in the section, in the line if one is named."""
    heading, line, words = place
    section = next(section for section in content(record)["sections"] if section["heading"] == heading)
    words = words.replace("{hash}", model.sha256(record)[:16])
    if line is None:
        return words in json.dumps(section, ensure_ascii=False)
    rows = [row for block in section["blocks"] if block["is"] == "facts" for row in block["rows"]]
    return any(name == line and (words in value if ":" in words else words == value) for name, value in rows)


@pytest.mark.parametrize("item", PLACES)
def test_each_item_of_7_8_2_1_stands_in_its_place(five, item):
    """With a full sheet each item says what the sheet says."""
    assert stands(full(five), PLACES[item])


@pytest.mark.parametrize("item", FURTHER)
def test_what_the_other_clauses_ask_for_stands_in_its_place(five, item):
    """Conditions, conformity, opinions, amendments; and what a bend report says by common practice (no source)."""
    assert stands(amended(full(five)), FURTHER[item])


@pytest.mark.parametrize("item", [item for item, place in PLACES.items() if place[1]])
def test_an_item_that_nobody_stated_is_named_as_not_stated(five, item):
    """No line is left out: it says so, or says what the program itself knows."""
    heading, line, _ = PLACES[item]
    section = next(section for section in content(five.record)["sections"] if section["heading"] == heading)
    (value,) = (value for block in section["blocks"] if block["is"] == "facts" for name, value in block["rows"] if name == line)
    assert value
    if item in "bcehkp":
        assert value == "not stated"


def test_the_table_covers_every_item_of_the_clause():
    """ISO/IEC 17025:2017, 7.8.2.1, items a to p, as listed in the reference beside the checkout."""
    if not REFERENCE.exists():
        pytest.skip("the reference values beside the checkout are absent")
    clause = tomllib.loads(REFERENCE.read_text(encoding="utf-8"))["iso17025_7_8_2_1"]
    assert [item["id"] for item in clause["items"]] == list(PLACES)
