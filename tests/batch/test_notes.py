"""What a batch keeps of each task, and what the summary makes of it: twins, lost records, faults of the tool, hostile names."""

from __future__ import annotations

import csv
import io
import json
import shutil
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from specimeter import job
from specimeter.batch import run as batch_run
from specimeter.batch import summary, tasks, work


@pytest.fixture
def task(break_case, tmp_path) -> tasks.Task:
    """One photograph and its sheet, measured by nobody yet."""
    source = tmp_path / "photos"
    source.mkdir()
    shutil.copy(break_case.photo, source / "a.jpg")
    shutil.copy(break_case.sheet, source / "a.sheet.toml")
    (one,) = tasks.read(source, out=tmp_path / "out", limits=None, method="openings", settings=None)
    return one


@pytest.fixture(scope="module")
def measured(break_case, tmp_path_factory):
    """Folder of all records, and the one record in it."""
    _, folder = job.measure(break_case.photo, break_case.sheet, out=tmp_path_factory.mktemp("out"), method="openings")
    return folder


def note_of(record: str, **more) -> dict:
    return {"photo": "a.jpg", "key": "k", "status": work.MEASURED, "record": record, "seconds": 1.0} | more


def test_two_photographs_of_one_specimen_cannot_share_a_record(task, monkeypatch):
    """The second is told before any work, with the first one's name; what it says stands in its note."""
    monkeypatch.setattr(work, "do", lambda task: pytest.fail("nothing is to be measured twice"))
    monkeypatch.setattr(batch_run, "_in_processes", lambda left, workers: ((k, work.failed(t, "as a test")) for k, t in left))
    told = []
    notes = batch_run.run([task, task], progress=lambda *numbers: told.append(numbers))
    assert [note["status"] for note in notes] == ["failed", "failed"]
    assert "a.jpg is of the specimen" in notes[1]["problem"]
    assert [numbers[:3] for numbers in told] == [(1, 1, 2), (2, 2, 2)]


def test_a_sheet_that_cannot_be_read_is_nobody_s_twin(task, tmp_path):
    """It is told when it is measured, by what is wrong with it."""
    (tmp_path / "photos" / "a.sheet.toml").write_text("no TOML [", encoding="utf-8")
    assert tasks.twins([task, task]) == {}
    note = work.do(task)
    assert note["status"] == "failed"
    assert "a.sheet.toml" in note["problem"]


def test_a_fault_of_the_tool_is_noted_as_one(task, monkeypatch):
    """With the end of its traceback, and never as the photograph's fault; the batch goes on."""
    monkeypatch.setattr(job, "measure", lambda *_, **__: 1 / 0)
    note = work.do(task)
    assert (note["status"], note["photo"]) == ("failed", "a.jpg")
    assert "not of the input" in note["problem"]
    assert "ZeroDivisionError" in note["problem"]
    assert json.loads(next((work.Path(task.out) / work.NOTES).glob("*.json")).read_text()) == note


@pytest.mark.parametrize(
    "content", [b"", b"{", b"[]", b"\xff\xfe", b'{"status": "failed"}', b'{"status": "measured", "record": "gone"}']
)
def test_a_note_that_is_damaged_or_without_its_record_is_no_note(task, content):
    """The task is done again."""
    file = work.Path(task.out) / work.NOTES / f"{task.key()}.json"
    file.parent.mkdir(parents=True)
    file.write_bytes(content)
    assert work.done(task) is None


def test_a_batch_that_is_done_says_so_at_once(task, measured):
    """Nothing is begun; the person is told once how many there are, and no time that is left."""
    shutil.copytree(measured, work.Path(task.out) / measured.name)
    first = work.do(task)  # it finds the record and takes it
    assert (first["status"], first["record"]) == (work.MEASURED, measured.name)
    told = []
    assert batch_run.run([task], progress=lambda *numbers: told.append(numbers)) == [first]
    assert told == [(1, 0, 1, None)]


def test_other_limits_make_another_task_of_the_same_photograph(task, measured, break_case):
    """The record was judged by none: by limits it is another, and is refused rather than passed off as the same."""
    shutil.copytree(measured, work.Path(task.out) / measured.name)
    other = replace(task, limits=str(break_case.limits))
    assert other.key() != task.key()
    note = work.do(other)
    assert note["status"] == "failed"
    assert "already a record" in note["problem"]


def rows(files: dict[str, bytes]) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(files["summary.csv"].decode("utf-8-sig"))))


def test_the_summary_tells_what_lies_there_now(measured):
    """One that holds, one whose record is damaged since, one that never was: each by its name and with its reason."""
    out = measured.parent
    (out / "broken").mkdir()
    (out / "broken" / "record.json").write_text("{", encoding="utf-8")
    notes = [
        note_of(measured.name),
        note_of("broken", photo="b.jpg"),
        {"photo": "<script>alert(1)</script>.jpg", "status": work.FAILED, "problem": "no card\nmore", "seconds": 0.0},
    ]
    files = summary.files(notes, out, datetime(2026, 3, 21, tzinfo=UTC))
    good, damaged, failed = rows(files)
    assert (good["test"], good["outcome"], good["review"]) == ("nick-break", "no-limits", "unreviewed")
    assert float(good["longest_mm"]) > 3
    assert damaged["outcome"] == ""
    assert "record.json" in damaged["problem"]
    assert failed["status"] == "failed"
    page = files["index.html"].decode()
    assert page.count("<img") == 1
    assert page.count("Could not be measured</p>") == 2
    assert "<script>" not in page
    assert "&lt;script&gt;" in page
    assert "3 photographs" in page
    assert "no card</small>" in page, "the first line of a problem; the table has all of it"
    assert "no card\nmore" in failed["problem"].replace("\r\n", "\n")
    shutil.rmtree(out / "broken")


def test_a_record_without_its_overlay_is_listed_without_a_picture(measured, tmp_path):
    """And one whose features were all rejected has no longest."""
    shutil.copytree(measured, tmp_path / "one")
    (tmp_path / "one" / "overlay.png").unlink()
    data = json.loads((tmp_path / "one" / "record.json").read_text())
    for feature in data["features"]:
        feature["status"] = "rejected"
    (tmp_path / "one" / "record.json").write_text(json.dumps(data))
    files = summary.files([note_of("one")], tmp_path, datetime(2026, 3, 21, tzinfo=UTC))
    (row,) = rows(files)
    assert (row["features"], row["longest_mm"]) == ("0", "")
    assert b"<img" not in files["index.html"]
    assert b"0 features;" in files["index.html"]


@pytest.mark.parametrize(("content", "told"), [(b"\xff\xfephoto", "no manifest"), (b"x" * (tasks.MOST_BYTES + 1), "too large")])
def test_what_is_no_manifest_is_refused(tmp_path, content, told):
    """Bytes that are no text, and a file that no list of photographs is as large as."""
    (tmp_path / "m.csv").write_bytes(content)
    with pytest.raises(tasks.BatchError, match=told):
        tasks.read(tmp_path / "m.csv", out="o", limits=None, method="m", settings=None)
    with pytest.raises(tasks.BatchError, match="cannot be read"):
        tasks.read(tmp_path / "gone.csv", out="o", limits=None, method="m", settings=None)


def test_an_empty_folder_has_nothing_to_measure(tmp_path):
    """Photographs without a single sheet are somebody's pictures."""
    (tmp_path / "a.jpg").write_bytes(b"")
    with pytest.raises(tasks.BatchError, match="nothing to measure"):
        tasks.read(tmp_path, out="o", limits=None, method="m", settings=None)
