"""Every call that changes the disk fails once, or for good, or the process dies at it: afterwards old or new, never mixed.

The stores that keep a person's work are tried alike: a file, a record, its issue, the library, the journal of the bench. The
faults are those of real disks: no space, an input/output error, an interrupted call, a write that took only a part. The
manner is that of stores that test themselves so (common practice, no source).
"""

from __future__ import annotations

import builtins
import errno
import io
import itertools
import os
import shutil
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import ClassVar

import pytest
from specimeter_napari import journal as journals

from specimeter import files, job, revise
from specimeter.errors import SpecimeterError
from specimeter.library import catalogue, picture
from specimeter.library import store as libraries
from specimeter.library.entry import made
from specimeter.record import build, folder, issue, model, recompute, seal, store
from specimeter.report import house

CALLS = ("mkdir", "fsync", "replace", "rename", "open")
REAL_OPEN = builtins.open


class Disk:
    """Counts the calls that change the disk, and makes the n-th fail: once, or it and every later one."""

    def __init__(self, fail_at: int = 0, number: int = errno.ENOSPC, *, for_good: bool = False) -> None:
        self.fail_at, self.number, self.for_good, self.calls = fail_at, number, for_good, 0
        self.counts = False  # while things are made ready nothing fails

    def count(self) -> None:
        """One call; raises where it is the turn of the fault."""
        self.calls += self.counts
        if not self.counts:
            return
        if self.calls == self.fail_at or (self.for_good and 0 < self.fail_at < self.calls):
            raise OSError(self.number, os.strerror(self.number))

    def wrapped(self, real):
        def call(*arguments, **keywords):
            if real is not os.open or arguments[1] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
                self.count()
            return real(*arguments, **keywords) if real is not os.fsync else None  # no power is cut here: it only takes time

        return call

    def open(self, file, mode="r", buffering=-1, *arguments, **keywords):
        """`open` for writing, unbuffered beneath: each write counts, and takes half of what it is given."""
        if not set(mode) & set("wxa+") or isinstance(file, int):
            return REAL_OPEN(file, mode, buffering, *arguments, **keywords)
        self.count()
        raw = Halving(self, file, mode.replace("b", "").replace("t", ""))
        return raw if buffering == 0 else io.BufferedWriter(raw)


class Halving(io.FileIO):
    """A file whose writes count, and take only a part of what they are given."""

    def __init__(self, disk: Disk, file, mode: str) -> None:
        super().__init__(file, mode)
        self.disk = disk

    def write(self, data) -> int:
        self.disk.count()
        return super().write(memoryview(data)[: max(1, len(data) // 2)] if self.disk.counts else data)


def fail(monkeypatch, disk: Disk) -> None:
    """All calls that change the disk go by way of `disk`."""
    for name in CALLS:
        monkeypatch.setattr(os, name, disk.wrapped(getattr(os, name)))
    monkeypatch.setattr(builtins, "open", disk.open)
    monkeypatch.setattr(files, "exchange", disk.wrapped(files.exchange))


class AFile:
    """One file written over."""

    def __init__(self, place: Path) -> None:
        self.path = place / "a.txt"

    def make(self) -> None:
        files.write(self.path, b"old" * 20)

    def open(self) -> None:
        """Nothing needs to be open: each of these is made, or opened as another process would, and then acted on."""
        for part in self.path.parent.glob(".*.part"):  # of a process that was killed; each room sweeps its own
            part.unlink()

    def act(self) -> None:
        files.write(self.path, b"newer" * 20)

    def close(self) -> None:
        """Nothing stays open."""

    def found(self) -> str:
        assert [name for name in os.listdir(self.path.parent) if name[0] != "."] == ["a.txt"]
        return {b"old" * 20: "old", b"newer" * 20: "new"}[self.path.read_bytes()]


class ARecord:
    """A record that gives way to another."""

    def __init__(self, place: Path) -> None:
        self.place = place

    def make(self) -> None:
        self.commit("old", replace=False)

    def commit(self, text: str, *, replace: bool) -> None:
        content = text.encode() * 20
        store.commit(content, {"a.bin": content}, out=self.place, id="SB-1", replace=replace, keep=False)

    def open(self) -> None:
        """Nothing needs to be open."""

    def act(self) -> None:
        self.commit("new", replace=True)

    def close(self) -> None:
        """Nothing stays open."""

    def found(self) -> str:
        folder = self.place / "SB-1"
        texts = {(folder / name).read_bytes() for name in ("record.json", "a.bin")}
        assert len(texts) == 1, "the folder is mixed"
        assert sorted(os.listdir(folder)) == ["SHA256SUMS", "a.bin", "record.json"]
        assert all(name == "SB-1" or name.startswith(".") for name in os.listdir(self.place))
        return texts.pop()[:3].decode()


class AnIssue:
    """A reviewed record that is issued and sealed; its report is a few bytes, and its numbers, which an issue does not change,
    are not worked out anew: only the store is tried.
    """

    SOURCE = Path(__file__).parent / "record" / "sealed"
    STAND_IN: ClassVar = {"overlay.png": b"picture" * 9, "report.html": b"page" * 9}

    def __init__(self, place: Path) -> None:
        self.place = place
        self.patch = pytest.MonkeyPatch()

    def make(self) -> None:
        sealed = model.load(self.SOURCE / "record.json")
        parts = model.parts_of(sealed) | {"issue": None, "log": sealed.log[:-1]}
        parts["review"] = sealed.review.model_copy(update={"state": "reviewed"})
        record = model.logged(parts, {"when": sealed.log[-1].when, "who": "A. Reader", "what": "looked over"})
        store.commit(build.to_json(record), dict(self.STAND_IN), out=self.place, id=record.id)
        self.open()

    def open(self) -> None:
        self.patch.setattr(job, "folder_files", lambda photographs, record, house: dict(self.STAND_IN))
        self.patch.setattr(revise, "photographs", lambda of, given=(): [])
        self.patch.setattr(house, "beside", lambda path: house.PLAIN)
        self.patch.setattr(recompute, "recompute", lambda record: record)

    @property
    def path(self) -> Path:
        (path,) = (path for path in self.place.iterdir() if path.name[0] != "." and ".replaced-" not in path.name)
        return path

    def issue(self) -> None:
        """As `specimeter issue` does."""
        when = datetime.now(UTC)
        revise.revise(
            self.path,
            lambda now: issue.issue(now.record, number="R-1", by="A. Reader", authorised_by="B. Second", when=when),
            seal=lambda record, contents: seal.files(record, contents, None),
        )

    act = issue

    def close(self) -> None:
        self.patch.undo()

    def found(self) -> str:
        record = folder.sound(self.path).record
        assert (record.issue is None) == (not (self.path / seal.SEAL).exists())
        return "old" if record.issue is None else "new"


class AnAmendment(AnIssue):
    """An issued record to which a new revision is opened; the issued one is kept beside it."""

    def make(self) -> None:
        super().make()
        self.issue()

    def act(self) -> None:
        """As `specimeter issue --amend` does."""
        when = datetime.now(UTC)
        revise.revise(
            self.path, lambda now: issue.amend(now.record, sha256=now.sha256, by="A. Reader", why="the name", when=when)
        )

    def found(self) -> str:
        record = folder.sound(self.path).record
        if record.amends is None:
            assert record.issue is not None
            return "old"
        beside = [folder.sound(path) for path in self.place.iterdir() if path != self.path and (path / seal.SEAL).exists()]
        assert [one.sha256 for one in beside] == [record.amends.sha256], "the issued record is lost"
        return "new"


class ALibrary:
    """A picture and its entry added to a library."""

    def __init__(self, place: Path) -> None:
        self.place = place

    def make(self) -> None:
        from PIL import Image

        for number, sigma in enumerate((40, 90)):
            Image.effect_noise((160, 120), sigma).convert("RGB").save(self.place / f"{number}.png")
        self.library = libraries.create(self.place / "library")
        self.add(0)

    def add(self, number: int) -> None:
        entry = made({"title": f"picture {number}", "truth": "noise", "licence": "CC0"})
        catalogue.add(self.library, picture.copy_of(self.place / f"{number}.png"), entry)

    def open(self) -> None:
        self.library = libraries.open_store(self.place / "library")

    def act(self) -> None:
        self.add(1)

    def close(self) -> None:
        self.library.close()

    def found(self) -> str:
        """What another process reads: every entry has its picture and its thumbnail."""
        with libraries.open_store(self.place / "library") as again:
            kept = list(catalogue.every(again))
            for one in kept:
                assert picture.copy_of(again.picture(one.sha256, one.suffix)).sha256 == one.sha256
                assert again.thumb(one.sha256).stat().st_size > 100
            assert again.connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        return {1: "old", 2: "new"}[len(kept)]


class AJournal:
    """An edit written down by the bench."""

    def __init__(self, place: Path) -> None:
        self.path = place / "x.journal"
        self.journal = journals.Journal(self.path)

    def make(self) -> None:
        self.journal.begin({"sha256": "0"}, {"v": 0})
        self.journal.edit("first", {"v": 1})

    def open(self) -> None:
        self.journal.go_on(journals.replay(self.path))

    def act(self) -> None:
        self.journal.edit("second" * 1000, {"v": 2})  # more than the disk has left in the journal's last block

    def close(self) -> None:
        self.journal.close(forget=False)

    def found(self) -> str:
        states = [state["v"] for _, state in journals.replay(self.path).states]
        return {(0, 1): "old", (0, 1, 2): "new"}[tuple(states)]


KEPT = {
    "file": AFile,
    "record": ARecord,
    "issue": AnIssue,
    "amendment": AnAmendment,
    "library": ALibrary,
    "journal": AJournal,
}


FAULTS = {
    "no space": (errno.ENOSPC, False),
    "no space for good": (errno.ENOSPC, True),
    "input/output": (errno.EIO, False),
    "input/output for good": (errno.EIO, True),
    "interrupted": (errno.EINTR, False),  # for good: Python itself would try again without end (PEP 475)
}
FEWER = ("no space", "input/output for good")  # of those whose own calls are those of a file and a record
TRIED = [(what, fault) for what in KEPT for fault in (FEWER if what in ("issue", "amendment", "library") else FAULTS)]


@pytest.mark.parametrize(("what", "fault"), TRIED)
def test_whatever_fails_the_old_stands_or_the_new(tmp_path, what, fault):
    """Each call in its turn. What was not told as an error is new; what was told can be done again when the disk is well."""
    old, (number, for_good) = made_in(tmp_path, what), FAULTS[fault]
    for n in itertools.count(1):
        disk = Disk(for_good=for_good)
        with pytest.MonkeyPatch.context() as patch:
            fail(patch, disk)
            kept = copied(old, what, tmp_path / str(n))
            reached = attempt(disk, kept, n, number)
        if kept.found() == "old":
            kept.act()
        assert kept.found() == "new"
        kept.close()
        if not reached:
            break
    assert n > 3


@pytest.mark.parametrize("what", KEPT)
def test_a_fault_while_the_first_is_being_mended(tmp_path, what):
    """The act fails at some call, the second attempt at some of its own: old or new, and the third is whole."""
    steps = {"file": (1, 1), "journal": (1, 1), "record": (3, 10), "library": (4, 5)}.get(what, (7, 11))
    old = made_in(tmp_path, what)
    for n in itertools.count(1, steps[0]):
        for m in itertools.count(1, steps[1]):
            disk = Disk()
            with pytest.MonkeyPatch.context() as patch:
                fail(patch, disk)
                kept = copied(old, what, tmp_path / f"{n}-{m}")
                first = attempt(disk, kept, n, errno.EIO)
                second = kept.found() == "old" and attempt(disk, kept, m, errno.ENOSPC)
                if kept.found() == "old":
                    kept.act()
                assert kept.found() == "new"
                kept.close()
            if not second:
                break
        if not first:
            break
    assert n > 3


def made_in(place: Path, what: str) -> Path:
    """The old state in a folder of its own, to be copied for each fault."""
    old = place / "made"
    old.mkdir()
    kept = KEPT[what](old)
    kept.make()
    kept.close()
    return old


def copied(old: Path, what: str, place: Path):
    """A copy of it, opened."""
    shutil.copytree(old, place)
    kept = KEPT[what](place)
    kept.open()
    return kept


def attempt(disk: Disk, kept, at: int, number: int) -> bool:
    """Act once with a fault at one call; whether it came to that. What failed and was not told is new all the same."""
    disk.calls, disk.fail_at, disk.number, disk.counts = 0, at, number, True
    told = False
    try:
        kept.act()
    except (SpecimeterError, OSError):
        told = True
    disk.counts = False
    assert kept.found() in (("old", "new") if told else ("new",))
    return disk.calls >= at


KILLED = """
import os, signal, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
import test_faults as faults

class Killing(faults.Disk):
    def count(self):
        self.calls += self.counts
        if self.calls == self.fail_at:
            os.kill(os.getpid(), signal.SIGKILL)

def ended(n, spot):
    child = os.fork()
    if child == 0:
        disk = Killing(n)
        faults.fail(faults.pytest.MonkeyPatch(), disk)
        disk.counts = True
        kept = faults.KEPT[what](spot)
        kept.open()
        kept.act()
        os._exit(0)
    status = os.waitpid(child, 0)[1]
    assert status in (0, signal.SIGKILL), (what, n, status)
    return status == 0

for what in faults.KEPT:
    place = Path(sys.argv[2]) / what
    place.mkdir()
    old, n, found, whole = faults.made_in(place, what), 0, [], False
    while not whole:
        n += {"issue": 5, "amendment": 2}.get(what, 1)  # an amendment's calls are those of an issue, and more
        spot = place / str(n)
        faults.shutil.copytree(old, spot)
        whole = ended(n, spot)
        kept = faults.KEPT[what](spot)
        found.append(kept.found())
        if found[-1] == "old":  # another process mends it, and is killed too, at a later call each time
            mended = ended(1 + 5 * n % 23, spot)
            found.append(kept.found())
            assert found[-1] == "new" or not mended
        if found[-1] == "old":
            assert ended(0, spot)
            assert kept.found() == "new"
    print(what, n, *sorted(set(found)), found[-1])
"""


def test_killed_at_each_call(tmp_path):
    """SIGKILL at every call in turn, and again at some call of the process that mends: old or new, never mixed; where nobody
    kills, new.
    """
    call = [sys.executable, "-c", KILLED, str(Path(__file__).parent), str(tmp_path)]
    path = os.pathsep.join([str(Path(files.__file__).parents[1]), str(Path(__file__).parents[1] / "plugins")])
    run = subprocess.run(call, capture_output=True, text=True, env={**os.environ, "PYTHONPATH": path})
    assert run.returncode == 0, run.stderr
    told = [line.split() for line in run.stdout.splitlines()]
    assert [what for what, *_ in told] == list(KEPT)
    for _, calls, *found, last in told:
        assert int(calls) > 3
        assert set(found) <= {"old", "new"}
        assert last == "new"
