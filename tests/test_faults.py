"""Every call that changes the disk, or opens a file, fails once, or for good, or the process dies at it: afterwards old or new.

The stores that keep a person's work (`stores.py`) are tried alike: a file, a record, its issue and amendment, the library and
all that is made from it, the journal of the bench. The faults are those of real disks: no space, an input/output error, an
interrupted call, a write that took only a part. What was told as done must outlive a power cut too: every file flushed, and
every entry in a folder; where a flush failed, only what was written anew counts. The manner is that of stores that test
themselves so (common practice, no source).
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
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

import stores
from stores import KEPT, made_in

from specimeter import files
from specimeter.errors import SpecimeterError

CALLS = ("mkdir", "fsync", "replace", "rename", "open", "unlink")  # rmdir only takes back what mkdir made
REAL_OPEN = builtins.open
FAULTS = {
    "no space": (errno.ENOSPC, False),
    "no space for good": (errno.ENOSPC, True),
    "input/output": (errno.EIO, False),
    "input/output for good": (errno.EIO, True),
    "interrupted": (errno.EINTR, False),  # for good: Python itself would try again without end (PEP 475)
}


class Disk:
    """Counts the calls beneath a folder, makes the n-th fail, once or it and every later one; knows what is not flushed."""

    def __init__(self, place: Path, number: int = errno.ENOSPC, *, for_good: bool = False) -> None:
        self.place, self.number, self.for_good = os.path.abspath(place), number, for_good
        self.fail_at = self.calls = 0
        self.counts = False  # while things are made ready nothing fails
        self.loose: dict[str, set[str]] = {"content": set(), "entry": set()}  # paths whose content, or name, is not flushed
        self.lost: dict[str, set[str]] = {"content": set(), "entry": set()}  # or whose flush failed

    def count(self, path: str) -> None:
        """One call at a path; raises where it is the turn of the fault."""
        if not self.counts or not path.startswith(self.place):
            return
        self.calls += 1
        if self.calls == self.fail_at or (self.for_good and 0 < self.fail_at < self.calls):
            self.fails(path)

    def fails(self, path: str) -> None:
        """What becomes of a call whose turn it is."""
        raise OSError(self.number, os.strerror(self.number), path)

    def wrapped(self, name: str):
        """A call of `os`, counted and followed."""
        real = getattr(os, name)

        def call(*arguments, **keywords):
            path = _path(arguments[0], keywords.get("dir_fd"))
            if name == "fsync":
                return self.flush(path)
            self.count(path)
            done = real(*arguments, **keywords)
            if name in ("replace", "rename"):
                self.moved(path, _path(arguments[1], keywords.get("dst_dir_fd")))
            elif name == "mkdir":
                self.appeared(path)
            return done

        return call

    def exchange(self, one, other) -> bool:
        """`files.exchange`, counted and followed."""
        self.count(_path(one))
        done = REAL_EXCHANGE(one, other)
        if done:
            between = f"{_path(one)}.between"
            for source, target in ((one, between), (other, one), (between, other)):
                self.moved(_path(source), _path(target))
        return done

    def open(self, file, mode="r", buffering=-1, *arguments, **keywords):
        """`open`; for writing unbuffered beneath: each write counts, and the first takes half of what it is given."""
        if isinstance(file, int):
            return REAL_OPEN(file, mode, buffering, *arguments, **keywords)
        path = _path(file)
        self.count(path)
        if not set(mode) & set("wxa+") or not path.startswith(self.place):
            return REAL_OPEN(file, mode, buffering, *arguments, **keywords)
        new = not os.path.exists(path)
        raw = Halving(self, file, mode.replace("b", "").replace("t", ""))
        if new:
            self.appeared(path)
        return raw if buffering == 0 else io.BufferedWriter(raw)

    def appeared(self, path: str) -> None:
        """A new entry in a folder."""
        self.loose["entry"].add(path)
        self.lost["entry"].discard(path)

    def moved(self, source: str, target: str) -> None:
        """What is known of a path, and of all beneath it, holds at another from now on; the entry there is new."""
        for paths in (*self.loose.values(), *self.lost.values()):
            taken = {path for path in paths if path == source or path.startswith(source + os.sep)}
            paths -= {path for path in paths if path == target or path.startswith(target + os.sep)} | taken
            paths |= {target + path[len(source) :] for path in taken}
        self.appeared(target)

    def flush(self, path: str) -> None:
        """`fsync`, of which no power is cut here: what it would have flushed is safe, or lost where it fails."""
        what, paths = "content", {path}
        if os.path.isdir(path):
            what, paths = "entry", {entry for entry in self.loose["entry"] if os.path.dirname(entry) == path}
        paths &= self.loose[what]
        try:
            self.count(path)
        except OSError:
            self.lost[what] |= paths
            raise
        finally:
            self.loose[what] -= paths

    def unsafe(self) -> list[str]:
        """What a power cut could take, of all that is there under a name of its own."""
        paths = set().union(*self.loose.values(), *self.lost.values())
        return sorted(path for path in paths if os.path.lexists(path) and "/." not in path.removeprefix(self.place))


REAL_EXCHANGE = files.exchange


def _path(file, folder: int | None = None) -> str:
    """The whole path of what a call of `os` names, by a descriptor or a path, perhaps seen from an open folder."""
    if isinstance(file, int):
        return os.readlink(f"/proc/self/fd/{file}")
    return os.path.abspath(file if folder is None else os.path.join(os.readlink(f"/proc/self/fd/{folder}"), file))


class Halving(io.FileIO):
    """A file whose writes count; the first of it takes only a part of what it is given."""

    def __init__(self, disk: Disk, file, mode: str) -> None:
        super().__init__(file, mode)
        self.disk, self.path, self.written = disk, _path(file), 0

    def write(self, data) -> int:
        self.disk.count(self.path)
        self.written += 1
        done = super().write(memoryview(data)[: max(1, len(data) // 2)] if self.written % 2 else data)
        self.disk.loose["content"].add(self.path)
        return done

    def truncate(self, size=None) -> int:
        self.disk.count(self.path)
        self.disk.loose["content"].add(self.path)
        return super().truncate(size)


def fail(monkeypatch, disk: Disk) -> None:
    """All calls that change the disk, and all that open a file, go by way of `disk`."""
    for name in CALLS:
        monkeypatch.setattr(os, name, disk.wrapped(name))
    monkeypatch.setattr(builtins, "open", disk.open)
    monkeypatch.setattr(io, "open", disk.open)  # by way of which pathlib opens
    monkeypatch.setattr(files, "exchange", disk.exchange)


STEPS = {"site": 151, "exercise": 11, "bag": 5, "import": 5}  # many files, each written by the same calls: some of them


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("what", KEPT)
def test_whatever_fails_the_old_stands_or_the_new(tmp_path, request, what, fault):
    """Each call in its turn. What was not told as an error is new; what was told can be done again when the disk is well."""
    if fault != "no space":  # the same lines over again
        request.getfixturevalue("uncounted")
    old, (number, for_good) = made_in(tmp_path, what), FAULTS[fault]
    for n in itertools.count(1, STEPS.get(what, 1)):
        disk = Disk(tmp_path / str(n), number, for_good=for_good)
        with pytest.MonkeyPatch.context() as patch:
            kept = copied(old, what, disk, patch)
            reached = attempt(disk, kept, n)
            mended(disk, kept)
        if not reached:
            break
    assert n > 3


@pytest.mark.usefixtures("uncounted")
@pytest.mark.parametrize("what", KEPT)
def test_a_fault_while_the_first_is_being_mended(tmp_path, what):
    """The act fails at some call, the second attempt at some of its own, for good: old or new, and the third is whole."""
    many = {"site": 211, "bag": 17, "exercise": 23, "import": 17}.get(what, 7)
    steps = {"file": (1, 1), "journal": (1, 1)}.get(what, (many, many + 4))
    old = made_in(tmp_path, what)
    for n in itertools.count(1, steps[0]):
        for m in itertools.count(1, steps[1]):
            disk = Disk(tmp_path / f"{n}-{m}")
            with pytest.MonkeyPatch.context() as patch:
                kept = copied(old, what, disk, patch)
                disk.number, disk.for_good = errno.EIO, False
                first = attempt(disk, kept, n)
                disk.number, disk.for_good = errno.ENOSPC, True
                if second := kept.found() == "old":
                    kept.tidy()
                    second = attempt(disk, kept, m)
                mended(disk, kept)
            if not second:
                break
        if not first:
            break
    assert n > 3


def copied(old: Path, what: str, disk: Disk, patch):
    """A copy of the old state, opened; from now on its calls go by way of the disk."""
    shutil.copytree(old, disk.place)
    fail(patch, disk)
    kept = KEPT[what](Path(disk.place))
    kept.open()
    return kept


def attempt(disk: Disk, kept, at: int) -> bool:
    """Act once with a fault at one call; whether it came to that. What was not told as failed is new, and safe."""
    disk.calls, disk.fail_at, disk.counts = 0, at, True
    told = False
    tellers = (OSError,) if isinstance(kept, stores.AFile) else (SpecimeterError,)
    try:
        kept.act()
    except tellers:
        told = True
    disk.counts = False
    assert kept.found() in (("old", "new") if told else ("new",))
    assert told or isinstance(kept, stores.AMend) or not disk.unsafe()  # a thumbnail is made again whenever it lacks
    assert at or not told
    return 0 < at <= disk.calls


def mended(disk: Disk, kept) -> None:
    """The disk is well again: the act is done."""
    if kept.found() == "old":
        kept.tidy()
        attempt(disk, kept, 0)
    assert kept.found() == "new"
    kept.close()


KILLED = """
import os, signal, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
import test_faults as faults

class Killing(faults.Disk):
    def fails(self, path):
        os.kill(os.getpid(), signal.SIGKILL)

def ended(n, spot):
    child = os.fork()
    if child == 0:
        disk = Killing(spot)
        faults.fail(faults.pytest.MonkeyPatch(), disk)
        disk.fail_at, disk.counts = n, True
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
    old, n, found, whole = faults.made_in(place, what), 1 - faults.STEPS.get(what, 1), [], False
    while not whole:
        n += faults.STEPS.get(what, 1)
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
    print(what, n, *sorted(set(found)), found[-1], sep="\t")
"""


@pytest.mark.usefixtures("uncounted")
def test_killed_at_each_call(tmp_path):
    """SIGKILL at every call in turn, and again at some call of the process that mends: old or new, never mixed; where nobody
    kills, new.
    """
    call = [sys.executable, "-c", KILLED, str(Path(__file__).parent), str(tmp_path)]
    path = os.pathsep.join([str(Path(files.__file__).parents[1]), str(Path(__file__).parents[1] / "plugins")])
    run = subprocess.run(call, capture_output=True, text=True, env={**os.environ, "PYTHONPATH": path})
    assert run.returncode == 0, run.stderr
    told = [line.split("\t") for line in run.stdout.splitlines()]
    assert [what for what, *_ in told] == list(KEPT)
    for _, calls, *found, last in told:
        assert int(calls) > 3
        assert set(found) <= {"old", "new"}
        assert last == "new"
