"""Every call that changes the disk fails once, or for good, or the process dies at it: afterwards old or new, never mixed.

The stores that keep a person's work are tried alike: a file, a record, its issue, the library, the journal of the bench. The
faults are those of real disks: no space, an input/output error, an interrupted call, a write that took only a part. The
manner is that of stores that test themselves so (common practice, no source).
"""

from __future__ import annotations

import builtins
import contextlib
import errno
import io
import os
import subprocess
import sys
from pathlib import Path

import pytest

from specimeter import files, job, revise
from specimeter.errors import SpecimeterError
from specimeter.library import catalogue, picture
from specimeter.library import store as libraries
from specimeter.library.entry import made
from specimeter.record import folder, issue, seal, store
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
            return real(*arguments, **keywords)

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
        files.write(self.path, b"old" * 20)

    def act(self) -> None:
        files.write(self.path, b"newer" * 20)

    def close(self) -> None:
        """Nothing stays open."""

    def found(self) -> str:
        assert os.listdir(self.path.parent) == ["a.txt"]
        return {b"old" * 20: "old", b"newer" * 20: "new"}[self.path.read_bytes()]


class ARecord:
    """A record that gives way to another."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self.commit("old", replace=False)

    def commit(self, text: str, *, replace: bool) -> None:
        content = text.encode() * 20
        store.commit(content, {"a.bin": content}, out=self.place, id="SB-1", replace=replace, keep=False)

    def act(self) -> None:
        self.commit("new", replace=True)

    def close(self) -> None:
        """Nothing stays open."""

    def found(self) -> str:
        folder = self.place / "SB-1"
        folder = self.place / "SB-1"
        texts = {(folder / name).read_bytes() for name in ("record.json", "a.bin")}
        assert len(texts) == 1, "the folder is mixed"
        assert sorted(os.listdir(folder)) == ["SHA256SUMS", "a.bin", "record.json"]
        assert all(name == "SB-1" or name.startswith(".") for name in os.listdir(self.place))
        return texts.pop()[:3].decode()


class ALibrary:
    """A picture and its entry added to a library."""

    def __init__(self, place: Path) -> None:
        from PIL import Image

        self.place = place
        colours = [Image.effect_noise((160, 120), sigma).convert("RGB") for sigma in (40, 90)]
        for number, colour in enumerate(colours):
            colour.save(place / f"{number}.png")
        self.library = libraries.create(place / "library")
        self.add(0)

    def add(self, number: int) -> None:
        entry = made({"title": f"picture {number}", "truth": "noise", "licence": "CC0"})
        catalogue.add(self.library, picture.copy_of(self.place / f"{number}.png"), entry)

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
        journals = pytest.importorskip("specimeter_napari.journal")
        self.replay, self.path = journals.replay, place / "x.journal"
        self.journal = journals.Journal(self.path)
        self.journal.begin({"sha256": "0"}, {"v": 0})
        self.journal.edit("first", {"v": 1})

    def act(self) -> None:
        self.journal.edit("second", {"v": 2})

    def close(self) -> None:
        self.journal.close(forget=False)

    def found(self) -> str:
        states = [state["v"] for _, state in self.replay(self.path).states]
        return {(0, 1): "old", (0, 1, 2): "new"}[tuple(states)]


KEPT = {"file": AFile, "record": ARecord, "library": ALibrary, "journal": AJournal}


@pytest.mark.parametrize(
    ("number", "for_good"),
    [(errno.ENOSPC, False), (errno.ENOSPC, True), (errno.EIO, False), (errno.EIO, True), (errno.EINTR, False)],
    ids=["no space", "no space for good", "input/output", "input/output for good", "interrupted"],
)  # interrupted for good: Python itself would try again without end (PEP 475)
@pytest.mark.parametrize("what", KEPT)
def test_whatever_fails_the_old_stands_or_the_new(tmp_path, what, number, for_good):
    """Each call in its turn. What was not told as an error is new; what was told can be done again when the disk is well."""
    for n in range(1, 200):
        place = tmp_path / str(n)
        place.mkdir()
        disk, told = Disk(n, number, for_good=for_good), None
        with pytest.MonkeyPatch.context() as patch:
            fail(patch, disk)
            kept = KEPT[what](place)
            disk.counts = True
            try:
                kept.act()
            except (SpecimeterError, OSError) as error:
                told = error
            disk.counts = False
        if disk.calls < n:
            assert told is None
            assert kept.found() == "new"
            kept.close()
            break
        assert told is not None or kept.found() == "new", f"call {n} failed and nobody was told"
        assert kept.found() in ("old", "new")
        if kept.found() == "old":
            kept.act()
            assert kept.found() == "new"
        kept.close()
    assert n > 3


@pytest.mark.parametrize("what", ["record", "journal"])
def test_a_fault_while_the_first_is_being_mended(tmp_path, what):
    """The act fails at each third call, the second attempt at every tenth of its own: old or new, and the third is whole."""
    for n in range(1, 60, 1 if what == "journal" else 3):
        for m in range(1, 60, 1 if what == "journal" else 10):
            place = tmp_path / f"{n}-{m}"
            place.mkdir()
            disk, calls = Disk(), [0, 0]
            with pytest.MonkeyPatch.context() as patch:
                fail(patch, disk)
                kept = KEPT[what](place)
                for attempt, (at, number) in enumerate([(n, errno.EIO), (m, errno.ENOSPC)]):
                    disk.calls, disk.fail_at, disk.number, disk.counts = 0, at, number, True
                    failed = True
                    with contextlib.suppress(SpecimeterError, OSError):
                        kept.act()
                        failed = False
                    disk.counts, calls[attempt] = False, disk.calls
                    assert kept.found() in ("old", "new")
                    if not failed:
                        break
                if kept.found() == "old":
                    kept.act()
                assert kept.found() == "new"
                kept.close()
            if calls[1] < m:
                break
        if calls[0] < n:
            break
    assert n > 3
    assert m == 1, "with the first attempt whole there is no second"


def test_an_issue_is_made_whole_or_not_at_all(tmp_path, monkeypatch, issued):
    """Issuing a record, its seal included, with each call failing in turn: issued and sealed, or as it was and not issued."""
    for n in range(1, 200):
        place = tmp_path / str(n)
        path = issued(place)
        disk = Disk(n, errno.ENOSPC)
        with pytest.MonkeyPatch.context() as patch:
            fail(patch, disk)
            disk.counts = True
            try:
                issue_it(path)
            except SpecimeterError:
                pass
            else:
                assert folder.sound(path).record.issue is not None
        now = folder.sound(path)
        assert (now.record.issue is None) == (not (path / seal.SEAL).exists())
        if disk.calls < n:
            break
        if now.record.issue is None:
            issue_it(path)
            assert folder.sound(path).record.issue is not None
    assert n > 10


def issue_it(path: Path) -> None:
    """As `specimeter issue` does."""
    from datetime import UTC, datetime

    when = datetime.now(UTC)
    revise.revise(
        path,
        lambda now: issue.issue(now.record, number="R-1", by="A. Reader", authorised_by="B. Second", when=when),
        seal=lambda record, contents: seal.files(record, contents, None),
    )


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

from specimeter_napari import journal

for what in faults.KEPT:
    n, found, ended = 0, [], False
    while not ended:
        n += 1
        spot = Path(sys.argv[2]) / what / str(n)
        spot.mkdir(parents=True)
        child = os.fork()
        if child == 0:
            disk = Killing(n)
            faults.fail(faults.pytest.MonkeyPatch(), disk)
            kept = faults.KEPT[what](spot)
            disk.counts = True
            kept.act()
            os._exit(0)
        ended = os.waitpid(child, 0)[1] == 0
        kept = object.__new__(faults.KEPT[what])
        kept.place, kept.path, kept.replay = spot, spot / {"file": "a.txt"}.get(what, "x.journal"), journal.replay
        for part in spot.glob(".*.part") if what == "file" else ():
            part.unlink()
        found.append(kept.found())
    print(what, n, *sorted(set(found)), found[-1])
"""


def test_killed_at_each_call(tmp_path):
    """SIGKILL at every call in turn, in processes of their own: old or new; the last one, which nobody killed, is new."""
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


def test_a_disk_that_is_full_for_the_library_s_own_file(tmp_path):
    """The kernel refuses to let SQLite's files grow: told as an error, nothing half there, and it works when there is room."""
    code = """
import resource, signal, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
import test_faults as faults

signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
kept = faults.ALibrary(Path(sys.argv[2]))
kept.library.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
outcomes = []
for limit in range(1000, 400_000, 2000):
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
    try:
        kept.act()
        outcomes.append("done")
    except faults.SpecimeterError as error:
        outcomes.append("told")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert kept.found() == ("new" if outcomes[-1] == "done" else "old"), (limit, outcomes)
    if outcomes[-1] == "done":
        break
print(*outcomes)
"""
    call = [sys.executable, "-c", code, str(Path(__file__).parent), str(tmp_path)]
    path = str(Path(files.__file__).parents[1])
    run = subprocess.run(call, capture_output=True, text=True, env={**os.environ, "PYTHONPATH": path})
    assert run.returncode == 0, run.stderr
    assert run.stdout.split()[0] == "told"
    assert run.stdout.split()[-1] == "done"


@pytest.fixture
def issued(monkeypatch):
    """Makes a folder with a small reviewed record; its report is a few bytes, so that only the store is tried."""
    stand_in = {"overlay.png": b"picture" * 9, "report.html": b"page" * 9}
    monkeypatch.setattr(job, "folder_files", lambda photographs, record, house: dict(stand_in))
    monkeypatch.setattr(revise, "photographs", lambda of, given=(): [])
    monkeypatch.setattr(house, "beside", lambda path: house.PLAIN)
    source = Path(__file__).parent / "record" / "sealed"

    def make(place: Path) -> Path:
        from specimeter.record import build, model

        sealed = model.load(source / "record.json")
        parts = model.parts_of(sealed) | {"issue": None, "log": sealed.log[:-1]}
        parts["review"] = sealed.review.model_copy(update={"state": "reviewed"})
        record = model.logged(parts, {"when": sealed.log[-1].when, "who": "A. Reader", "what": "looked over"})
        return store.commit(build.to_json(record), dict(stand_in), out=place, id=record.id)

    return make
