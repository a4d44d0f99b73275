"""The main job on a rendered photograph: what is written, and that it is the truth within its uncertainty."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace

import numpy as np
import pytest

from specimeter import job
from specimeter import photo as photos
from specimeter import sheet as sheets
from specimeter.errors import RecordError, SpecimeterError
from specimeter.record import model


@pytest.fixture(scope="module")
def done(bend_case, tmp_path_factory):
    """The record and its folder."""
    stages = []
    record, folder = job.measure(
        bend_case.photo, bend_case.sheet, bend_case.limits, out=tmp_path_factory.mktemp("out"), progress=stages.append
    )
    return record, folder, stages


def test_the_folder_holds_its_files(done):
    """Design section 6; with the photograph that the numbers came from, and the hashes of all."""
    _, folder, _ = done
    assert sorted(path.name for path in folder.iterdir()) == [
        "SHA256SUMS",
        "features.csv",
        "features.xlsx",
        "overlay.png",
        "p1.jpg",
        "record.json",
        "report.html",
        "report.pdf",
        "slide.png",
    ]


def test_the_record_on_disk_is_the_record_returned(done):
    """Nothing is lost between memory and disk."""
    record, folder, _ = done
    assert model.load(folder / "record.json") == record


def test_each_stage_is_told(done):
    """A person who waits sees where the work is."""
    _, _, stages = done
    assert [stage.split(":")[0] for stage in stages] == [
        "photograph",
        "scale",
        "surface",
        "examined area",
        "features",
        "sizes",
        "report",
    ]


def test_the_scale_holds_the_truth(done, bend_case):
    """Within three standard uncertainties (a single draw: 99.7 %)."""
    scale = done[0].scales[0]
    assert scale.mm_per_px == pytest.approx(bend_case.truth["mm_per_px"], rel=3 * scale.u_rel + 0.002)


def test_the_large_openings_are_found_and_their_sizes_hold(done, bend_case):
    """Each opening of 3 mm or more has a feature over it whose length agrees within 3 u."""
    record = done[0]
    for true in bend_case.truth["features"]:
        if true["length_mm"] < 3 or true["at_corner"]:
            continue
        centre = np.mean(true["outline_px"], axis=0)
        over = [f for f in record.features if np.linalg.norm(np.mean(f.outline_px, axis=0) - centre) < 1.0 / 0.1]
        assert over, true["length_mm"]
        best = min(over, key=lambda f: abs(f.length_mm - true["length_mm"]))
        assert best.length_mm == pytest.approx(true["length_mm"], abs=1.5 * best.U_length_mm + 0.1)


def test_the_table_has_a_row_for_each_feature(done):
    """CSV and record say the same."""
    record, folder, _ = done
    rows = list(csv.DictReader(io.StringIO((folder / "features.csv").read_text(encoding="utf-8-sig"))))
    assert len(rows) == len(record.features)


def test_a_value_that_is_absent_is_absent(done):
    """No null, NaN or infinity stands in a record file."""
    text = (done[1] / "record.json").read_text(encoding="utf-8")

    def refuse(constant):
        raise AssertionError(constant)

    def walk(value):
        assert value is not None
        for part in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
            walk(part)

    walk(json.loads(text, parse_constant=refuse))


def test_an_existing_record_is_refused_before_the_long_work(done, bend_case):
    """And it stands as it was."""
    before = (done[1] / "record.json").read_bytes()
    stages = []
    with pytest.raises(RecordError, match="--replace"):
        job.measure(bend_case.photo, bend_case.sheet, out=done[1].parent, progress=stages.append)
    assert stages == []
    assert (done[1] / "record.json").read_bytes() == before


def test_an_issued_record_gives_way_to_none(done, bend_case):
    """It is frozen: not even with `replace`, and before the long work."""
    stages = []
    (done[1] / "issue.json").write_text("{}", encoding="utf-8")
    try:
        with pytest.raises(RecordError, match=r"issued(.|\n)*--amend"):
            job.measure(bend_case.photo, bend_case.sheet, out=done[1].parent, replace=True, progress=stages.append)
    finally:
        (done[1] / "issue.json").unlink()
    assert stages == []


def test_without_limits_nothing_is_judged(break_case, tmp_path):
    """The outcome is `no-limits`, and no verdict is made up."""
    record, _ = job.measure(break_case.photo, break_case.sheet, out=tmp_path, method="openings")
    assert record.outcome == "no-limits"
    assert record.verdicts == ()


def test_a_scale_that_the_cut_itself_contradicts_is_doubted(break_case, monkeypatch):
    """Where the plate's thickness tells that the scale does not hold, nothing is within, sizes of imperfections neither."""
    real, why = job.examined_area, "no plate is as thick"
    monkeypatch.setattr(job, "examined_area", lambda *given: replace(real(*given), not_to_scale=why))
    placed = job.place(photos.read(break_case.photo), sheets.read(break_case.sheet), progress=lambda _: None)
    assert placed.scale.evidence["doubts"] == [why]


def test_a_method_that_nobody_has_is_refused_before_the_long_work(break_case, tmp_path):
    """The photograph is read, and nothing is looked for in it."""
    told = []
    with pytest.raises(SpecimeterError, match="no segmenter is called 'opening'"):
        job.measure(break_case.photo, break_case.sheet, out=tmp_path, method="opening", progress=told.append)
    assert told == ["photograph: reading"]
    assert not list(tmp_path.iterdir())
