"""`specimeter judge`: other limits on a stored record, levels side by side, and the exit status that scripts rely on."""

from __future__ import annotations

import json
import shutil

import pytest

from specimeter.cli import main

LIMITS = """
[limits]
title = "one opening, at most {limit} mm"
basis = "invented for the tests"
decision = "guarded"

[[rule]]
id = "single"
kinds = ["opening", "crack", "pore", "elongated-cavity", "slag", "other", "lack-of-sidewall-fusion", "lack-of-fusion"]
size = "length_mm"
test = "each"
limit = {limit}
unit = "mm"
sense = "at most"
"""


@pytest.fixture(scope="module")
def record(bend_record, tmp_path_factory):
    """The folder of one measured record, and limits files by their limit in mm."""
    out = tmp_path_factory.mktemp("judge")
    folder = shutil.copytree(bend_record, out / bend_record.name)
    for limit in (1, 2, 30):
        (out / f"{limit}.toml").write_text(LIMITS.format(limit=limit), encoding="utf-8")
    return folder


def answer(capsys, *arguments):
    status = main(["judge", *map(str, arguments)])
    return status, capsys.readouterr()


def test_other_limits_give_another_outcome_and_leave_the_record(record, capsys):
    before = {path.name: path.read_bytes() for path in record.iterdir()}
    status, said = answer(capsys, record, "--limits", record.parent / "30.toml")
    assert status == 0
    assert "WITHIN THE LIMITS ENTERED, NOT REVIEWED" in said.out
    assert "single: WITHIN." in said.out
    assert "at most 30 mm" in said.out
    assert "The record is as it was" in said.out
    assert "Unreviewed: not a test report." in said.out
    assert {path.name: path.read_bytes() for path in record.iterdir()} == before


def test_without_limits_the_stored_ones_are_taken(record, capsys):
    stored = json.loads((record / "record.json").read_text())
    status, said = answer(capsys, record, "--json")
    told = json.loads(said.out)
    assert (status, told["outcome"]) == (0, stored["outcome"])
    assert "other limits" not in answer(capsys, record)[1].out
    assert [verdict["outcome"] for verdict in told["verdicts"]] == [v["outcome"] for v in stored["verdicts"]]
    assert told["reviewed"] is False
    assert said.err == ""


def test_levels_stand_side_by_side(record, capsys):
    """The largest pore is 3.9 mm or so: it meets the level of 30 mm alone."""
    levels = [f"B={record.parent / '1.toml'}", f"C={record.parent / '2.toml'}", str(record.parent / "30.toml")]
    status, said = answer(capsys, record, "--levels", *levels, "--json")
    told = json.loads(said.out)
    assert status == 0
    assert list(told["levels"]) == ["B", "C", "30"]
    assert told["meets"] == {"single": ["30"]}
    status, said = answer(capsys, record, "--levels", *levels)
    assert "which of the levels entered each size meets" in said.out
    assert any(line.split()[:1] == ["single"] and line.split()[-1] == "30" for line in said.out.splitlines())
    assert all(len(line) <= 100 for line in said.out.splitlines())


def test_strict_asks_for_reviewed_and_within_and_sound(record, capsys, tmp_path):
    """3 before the review; 0 after it by limits that are kept, 3 by others; 2 where a byte of the record was changed."""
    wide, narrow = record.parent / "30.toml", record.parent / "1.toml"
    assert answer(capsys, record, "--limits", wide, "--strict")[0] == 3
    assert main(["review", str(record), "--by", "A. Miller", "--all-confirm", "--looked-over"]) == 0
    assert answer(capsys, record, "--limits", wide, "--strict")[0] == 0
    assert answer(capsys, record, "--limits", narrow, "--strict")[0] == 3
    assert answer(capsys, record, "--levels", f"B={narrow}", f"D={wide}", "--strict")[0] == 0
    table = record / "features.csv"
    content = table.read_bytes()
    table.write_bytes(content + b" ")
    assert answer(capsys, record, "--limits", wide, "--strict")[0] == 2
    table.write_bytes(content)


@pytest.mark.parametrize(
    ("more", "told"),
    [(["--limits", "nowhere.toml"], "no such file"), (["--levels", "B={wide}", "B={wide}"], "two levels have one name")],
)
def test_refusals_name_what_is_wrong(record, capsys, more, told):
    status, said = answer(capsys, record, *(part.format(wide=record.parent / "30.toml") for part in more))
    assert status == 2
    assert told in said.err
    assert said.out == ""
