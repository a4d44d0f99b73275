"""Cautions on what a test can show, and causes worth looking into."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from specimeter.judge.foresight import cautions
from specimeter.sheet import Sheet

REFERENCE = Path(__file__).resolve().parents[3] / "shared" / "reference" / "test_coverage.csv"
TESTS = {
    "face_bend": ["face-bend"], "root_bend": ["root-bend"], "side_bend": ["side-bend"], "nick_break": ["nick-break"],
    "longitudinal_bend": ["longitudinal-bend"], "fillet_break": ["fillet-break"], "macro": ["macro-butt", "macro-fillet"],
}  # fmt: skip
KINDS = {
    "porosity": "pore", "slag inclusion": "slag", "lack of side wall fusion": "lack-of-sidewall-fusion",
    "lack of inter-run fusion": "lack-of-inter-run-fusion", "lack of root fusion": "lack-of-root-fusion",
    "incomplete root penetration": "lack-of-penetration", "undercut": "undercut",
}  # fmt: skip


def sheet(test="side-bend", sought=(), weld=None):
    tables = {"specimen": {"id": "S1", "test": test, "specimen_thickness_mm": 10.0, "sought": list(sought)}}
    if test.endswith("bend"):
        tables["bend"] = {"former_diameter_mm": 40.0, "angle_deg": 180.0, "axis": "vertical"}
    return Sheet.model_validate(tables | ({"weld": weld} if weld else {}))


def test_a_nick_break_may_miss_lack_of_sidewall_fusion():
    (told,) = cautions(sheet("nick-break", ["lack-of-sidewall-fusion"]), ())
    assert told.startswith("Sought is lack of sidewall fusion, and a nick-break shows it only in part (")
    assert "its absence here is no evidence. A side bend or a macro section shows it." in told


def test_what_the_test_shows_well_is_not_told():
    assert cautions(sheet("side-bend", ["lack-of-sidewall-fusion", "slag", "pore"]), ()) == ()
    assert cautions(sheet("side-bend"), ()) == ()


def test_a_kind_that_is_coarser_than_the_table_is_told_for_each_of_its_imperfections():
    told = cautions(sheet("side-bend", ["crack", "lack-of-fusion", "lack-of-inter-run-fusion"]), ())
    assert len(told) == 2
    assert "a crack across the weld, and a side bend does not show it" in told[0]
    assert "A longitudinal bend shows it." in told[0]
    assert "lack of inter-run fusion" in told[1]


@pytest.mark.skipif(not REFERENCE.exists(), reason="../shared/reference is not beside this checkout")
def test_the_reference_table_line_by_line():
    """``shared/reference/test_coverage.csv`` beside the checkout (mostly common practice): partial and no give a caution."""
    walked = 0
    for line in csv.DictReader(REFERENCE.read_text("utf-8").splitlines()):
        for test in TESTS.get(line["test"], ()):
            if kind := KINDS.get(line["imperfection"]):
                told = cautions(sheet(test, [kind]), ())
                words = {"yes": None, "partial": "shows it only in part", "no": "does not show it"}[line["capability"]]
                assert bool(told) == (words is not None), (test, kind)
                assert words is None or words in told[0]
                walked += 1
    assert walked == 53


def test_causes_are_worth_looking_into_and_no_finding(make):
    """By kind and by cause, with the sheet's welding figures beside them; none for an opening that nobody named a cause for."""
    weld = {"process": "111", "current_A": 180.0, "travel_speed_mm_s": 4.5, "root_gap_mm": 2.0}
    features = [
        make.feature(1, 2.0, kind="slag"),
        make.feature(2, 2.0, kind="slag"),
        make.feature(3, 2.0, cause="lack-of-sidewall-fusion"),
        make.feature(4, 2.0),
        make.feature(5, 2.0, kind="pore", status="rejected"),
    ]
    told = cautions(sheet(weld=weld), features)
    assert [sentence.split("finding: ")[1].split(" commonly")[0] for sentence in told] == [
        "slag (f1 and f2)",
        "lack of sidewall fusion (f3)",
    ]
    for sentence in told:
        assert sentence.startswith("Worth looking into, not a finding:")
        assert sentence.endswith("The sheet says: process 111, current 180 A, travel speed 4.5 mm/s, root gap 2 mm.")
    assert "insufficient cleaning between passes" in told[0]
    assert "The sheet says" not in cautions(sheet(), features)[0]


def test_cautions_reach_the_judgement_with_and_without_limits(make):
    on = make.sheet(specimen={"sought": ("undercut",)})
    for entered in (None, make.bend_limits()):
        judgement = make.judged(entered, on=on)
        assert any("does not show it" in caution for caution in judgement.cautions)
    assert make.judged(make.bend_limits(), on=on).outcome == "within"
