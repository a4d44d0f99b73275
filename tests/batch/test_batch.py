"""A batch loses nothing and doubles nothing: bad files, killed runs, dying processes and lost workers included."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import openpyxl
import pytest

from specimeter.batch import run as batch_run
from specimeter.batch import tasks as batch_tasks
from specimeter.batch import work
from specimeter.record import folder, model


def copies(case, into: Path, names: str) -> None:
    """The case's photograph and sheet once for each name, each of a specimen of its own."""
    into.mkdir(parents=True, exist_ok=True)
    sheet = case.sheet.read_text(encoding="utf-8")
    id = next(line for line in sheet.splitlines() if line.startswith("id = "))
    for name in names:
        shutil.copy(case.photo, into / f"{name}.jpg")
        (into / f"{name}.sheet.toml").write_text(sheet.replace(id, f'id = "S-{name}"'), encoding="utf-8")


def command(source: Path, out: Path, *more: str) -> list[str]:
    return [sys.executable, "-m", "specimeter", "batch", str(source), "--out", str(out), "--method", "openings", *more]


def records(out: Path, *, unfinished: bool = False) -> dict[str, str]:
    """Names of the records with the hashes of their content; fails if one is not sound, or anything is left beside them.

    `unfinished`: the one that a killed process was about to write may lie there, by a hidden name.
    """
    found = {path.name: path for path in out.iterdir() if path.is_dir() and path.name != work.NOTES}
    left = [name for name in found if ".replaced" in name or name.startswith(".")]
    assert left == [] or (unfinished and all(name.endswith(".part") for name in left))
    found = {name: path for name, path in found.items() if name not in left}
    assert all(folder.faults(folder.read(path)) == [] for path in found.values())
    return {name: hashlib.sha256((path / "record.json").read_bytes()).hexdigest() for name, path in found.items()}


def test_a_killed_batch_goes_on_where_it_was(break_case, tmp_path):
    """Killed after the first record; run again it keeps that, does the rest, tells the bad ones; a third changes nothing."""
    source, out = tmp_path / "photos", tmp_path / "out"
    copies(break_case, source, "ab")
    (source / "bad.jpg").write_bytes(b"no photograph")
    shutil.copy(source / "a.sheet.toml", source / "bad.sheet.toml")
    (source / "bad.sheet.toml").write_text((source / "bad.sheet.toml").read_text().replace("S-a", "S-bad"))
    shutil.copy(source / "a.jpg", source / "lonely.jpg")
    first = subprocess.Popen(command(source, out, "--workers", "1"), start_new_session=True, stderr=subprocess.DEVNULL)
    while first.poll() is None and not list(out.glob("S-*/record.json")):
        time.sleep(0.02)
    os.killpg(first.pid, signal.SIGKILL)
    first.wait()
    kept = records(out, unfinished=True)
    assert len(kept) == 1
    again = subprocess.run(command(source, out, "--workers", "2"), capture_output=True, text=True)
    assert again.returncode == 3
    assert "2 of 4 photographs measured" in again.stdout
    assert "about" in again.stderr
    assert "bad.jpg" in again.stdout
    done = records(out)
    assert set(done) == {"S-a", "S-b"}
    assert kept.items() <= done.items()
    rows = {row["photo"]: row for row in csv.DictReader(io.StringIO((out / "summary.csv").read_bytes().decode()))}
    assert set(rows) == {"a.jpg", "b.jpg", "bad.jpg", "lonely.jpg"}
    assert rows["a.jpg"]["record_sha256"] == done["S-a"] == model.sha256(model.load(out / "S-a"))
    assert (rows["bad.jpg"]["status"], rows["lonely.jpg"]["status"]) == ("failed", "failed")
    assert "no such file" in rows["lonely.jpg"]["problem"]
    sheet = openpyxl.load_workbook(out / "summary.xlsx").active
    assert [cell.value for cell in sheet["A"]][1:] == sorted(rows)
    page = (out / "index.html").read_text(encoding="utf-8")
    assert page.count("data:image/jpeg;base64,") == 2
    assert 'href="S-a/report.html"' in page
    assert "unreviewed: not a test report" in page
    third = subprocess.run(command(source, out, "--quiet"), capture_output=True, text=True)
    assert third.returncode == 3
    assert records(out) == done


def test_a_process_that_dies_takes_nothing_with_it(break_case, tmp_path, monkeypatch):
    """A segmenter of another package that ends its process: that photograph is told, the other is measured."""
    package = tmp_path / "package"
    (package / "dies-1.dist-info").mkdir(parents=True)
    (package / "dies.py").write_text("import os\ndef dies(photo, surface, area):\n    os._exit(11)\n")
    (package / "dies-1.dist-info" / "METADATA").write_text("Metadata-Version: 2.1\nName: dies\nVersion: 1\n")
    (package / "dies-1.dist-info" / "entry_points.txt").write_text("[specimeter.segmenters]\ndies = dies:dies\n")
    monkeypatch.syspath_prepend(package)  # which the processes inherit
    copies(break_case, tmp_path / "photos", "ab")
    keywords = {"out": tmp_path / "out", "limits": None, "settings": None}
    one, _ = batch_tasks.read(tmp_path / "photos", method="dies", **keywords)
    _, two = batch_tasks.read(tmp_path / "photos", method="openings", **keywords)
    told = []
    notes = batch_run.run([one, two], workers=2, progress=lambda *numbers: told.append(numbers))
    assert [note["status"] for note in notes] == ["failed", "measured"], notes
    assert "died" in notes[0]["problem"]
    assert list(records(tmp_path / "out")) == ["S-b"]
    assert told[-1][:3] == (2, 1, 2)


def test_a_lost_worker_loses_and_doubles_nothing(break_case, tmp_path):
    """A real scheduler and two workers on loopback; one is killed while it measures: every record once, and sound."""
    copies(break_case, tmp_path / "photos", "abc")
    todo = batch_tasks.read(tmp_path / "photos", out=tmp_path / "out", limits=None, method="openings", settings=None)
    port_file = tmp_path / "scheduler.json"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": tmp_path}
    scheduler = ["-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard"]
    begun = [subprocess.Popen([sys.executable, *scheduler, "--scheduler-file", str(port_file)], **quiet)]
    worker = ["-m", "distributed.cli.dask_worker", "--scheduler-file", str(port_file), "--nthreads", "1", "--no-nanny"]
    try:
        while not port_file.exists() or not port_file.read_text().strip().endswith("}"):
            assert begun[0].poll() is None
            time.sleep(0.05)
        address = json.loads(port_file.read_text())["address"]
        for _ in range(2):
            begun.append(subprocess.Popen([sys.executable, *worker, "--host", "127.0.0.1", "--no-dashboard"], **quiet))
        killed = []

        def progress(finished, failed, total, left_s):
            if not killed:
                begun[1].kill()
                killed.append(finished)

        notes = batch_run.run(todo, scheduler=address, progress=progress)
    finally:
        for process in begun:
            process.kill()
            process.wait()
    assert killed == [1]
    assert [note["status"] for note in notes] == ["measured"] * 3
    assert sorted(records(tmp_path / "out")) == ["S-a", "S-b", "S-c"]
    assert sorted(note["record"] for note in notes) == ["S-a", "S-b", "S-c"]


def test_doing_a_task_twice_gives_one_record(break_case, tmp_path):
    """The second time takes the record as it is; another photograph under the same id is refused and told."""
    copies(break_case, tmp_path / "photos", "a")
    keywords = {"out": tmp_path / "out", "limits": None, "method": "openings", "settings": None}
    (task,) = batch_tasks.read(tmp_path / "photos", **keywords)
    first = work.do(task)
    before = records(tmp_path / "out")
    assert (work.do(task) | {"seconds": 0}) == (first | {"seconds": 0})
    assert records(tmp_path / "out") == before
    assert work.done(task) is not None
    sheet = tmp_path / "photos" / "a.sheet.toml"
    sheet.write_text(sheet.read_text(encoding="utf-8") + '\n# another sheet\n[photo]\ncamera_file = "x"\n', encoding="utf-8")
    assert work.done(task) is None  # it is not the same any more
    other = work.do(task)
    assert other["status"] == "failed"
    assert "already a record" in other["problem"]


def test_a_manifest_says_what_is_measured(break_case, tmp_path):
    """Paths are seen from the manifest; limits of a line's own stand before the common ones."""
    (tmp_path / "m.csv").write_text("photo,sheet,limits\nx/a.jpg,x/a.toml,\nx/b.jpg,x/b.toml,own.toml\n", encoding="utf-8")
    one, two = batch_tasks.read(tmp_path / "m.csv", out="o", limits=str(tmp_path / "l.toml"), method="m", settings=None)
    assert (Path(*one.photos), Path(one.limits)) == (tmp_path / "x/a.jpg", tmp_path / "l.toml")
    assert Path(two.limits) == tmp_path / "own.toml"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "nothing to measure"),
        ("photo,sheet\n", "nothing to measure"),
        ("photo,sheet\na.jpg,\n", "line 2"),
        ("photo,sheet,colour\na.jpg,a.toml,red\n", "colour"),
        ("file\na.jpg\n", "file"),
        ("photo,sheet\na.jpg,a.toml,b,c\n", "None"),
    ],
)
def test_a_wrong_manifest_is_refused(tmp_path, text, told):
    """By its line and what is wrong."""
    (tmp_path / "m.csv").write_text(text, encoding="utf-8")
    with pytest.raises(batch_tasks.BatchError, match=told):
        batch_tasks.read(tmp_path / "m.csv", out="o", limits=None, method="m", settings=None)


def test_a_scheduler_that_is_not_there_is_told(tmp_path, break_case, monkeypatch):
    """No endless waiting for an address that nobody answers; for half a second here."""
    monkeypatch.setattr(batch_run, "REACHED_S", 0.5)
    copies(break_case, tmp_path / "photos", "a")
    todo = batch_tasks.read(tmp_path / "photos", out=tmp_path / "out", limits=None, method="openings", settings=None)
    with pytest.raises(batch_tasks.BatchError, match="cannot be reached"):
        batch_run.run(todo, scheduler="tcp://127.0.0.1:1")
