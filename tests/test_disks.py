"""Real disks that fail: full, made read-only, and beneath SQLite, whose own writes no test can catch in Python.

Each trial runs in a process of its own (`python test_disks.py TRIAL FOLDER`), the full and the read-only disk in a small tmpfs
of a mount namespace of its own, which goes with the process. Where the system gives no such namespace, only the limit on the
size of files stands for the full disk.
"""

from __future__ import annotations

import os
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

import stores as faults

from specimeter import files
from specimeter.errors import LibraryError, SpecimeterError
from specimeter.library import store as libraries

pytestmark = pytest.mark.usefixtures("uncounted")

NAMESPACE = ("unshare", "--map-root-user", "--mount")
MOUNTS = [*NAMESPACE, "mount", "-t", "tmpfs", "none", "/tmp"]  # seen by that process alone
HAS_NAMESPACE = shutil.which("unshare") is not None and subprocess.run(MOUNTS, capture_output=True).returncode == 0
ON_A_DISK = ("file", "record", "amendment", "library", "journal")


def tried(trial: str, folder: Path, *before: str) -> str:
    """Run a trial in a process of its own; what it printed."""
    paths = [str(Path(files.__file__).parents[1]), str(Path(__file__).parents[1] / "plugins")]
    call = [*before, sys.executable, __file__, trial, str(folder)]
    run = subprocess.run(call, capture_output=True, text=True, env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)})
    assert run.returncode == 0, run.stderr
    return run.stdout


def acted(kept) -> bool:
    """Whether the act was done; an error that a person can act on was told otherwise, and any other fails the trial."""
    told = (OSError,) if isinstance(kept, faults.AFile) else (SpecimeterError,)
    try:
        kept.act()
    except told:
        return False
    return True


def small_disk(folder: Path, what: str) -> tuple[Path, Callable]:
    """A tmpfs of 4 MB with the old state of one store on it, and a function that opens it."""
    place = folder / what
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "none", str(place)], check=True)
    old = faults.made_in(place, what)

    def opened():
        kept = faults.KEPT[what](old)
        kept.open()
        return kept

    return place, opened


def full(folder: Path) -> None:
    """The room left is less than the act needs, by ever fewer bytes: told and old, or done and new; then, with room, new."""
    for what in ON_A_DISK:
        place, opened = small_disk(folder, what)
        outcomes = []
        for left in range(0, 2_000_000, {"library": 8192}.get(what, 4096)):
            kept = opened()
            files.write(place / "filler", bytes(os.statvfs(place).f_bavail * 4096 - left))
            done = acted(kept)
            assert kept.found() == ("new" if done else "old"), (what, left)
            outcomes.append(done)
            (place / "filler").unlink()
            if done:
                break
            kept.close()
        assert outcomes[0] is False, f"{what}: it fits on a full disk"
        assert outcomes[-1] is True, f"{what}: with room it fails too"
        kept.close()
        print(what, len(outcomes))


def read_only(folder: Path) -> None:
    """The disk is made read-only between two acts, as a failing one is by the system: told, and old."""
    for what in ON_A_DISK:
        place, opened = small_disk(folder, what)
        if what == "library":  # its files would hold the disk open for writing
            opened().close()
        remount = ["mount", "-o", "remount,ro", str(place)]
        subprocess.run(remount, check=True)
        try:
            kept = opened()
            done = acted(kept)
            assert not done, what
        except SpecimeterError:
            kept = None
        subprocess.run([*remount[:2], "remount,rw", str(place)], check=True)
        kept = kept or opened()
        assert kept.found() == "old"
        assert acted(kept)
        assert kept.found() == "new"
        print(what, 1)


@pytest.mark.parametrize("trial", ["full", "read_only"])
def test_a_small_disk(tmp_path, trial):
    """A file, a record, an amendment, the library and the journal on a disk of 4 MB."""
    if not HAS_NAMESPACE:
        print("no mount namespaces here: the limit on the size of files stands for the full disk")
        trial = "files_that_may_not_grow"
    said = tried(trial, tmp_path, *(NAMESPACE if HAS_NAMESPACE else ()))
    assert [line.split()[0] for line in said.splitlines()] == (list(ON_A_DISK) if HAS_NAMESPACE else ["library"])


def library(folder: Path) -> faults.ALibrary:
    """One with an entry, all of it in the main file."""
    kept = faults.ALibrary(folder)
    kept.make()
    kept.library.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return kept


def files_that_may_not_grow(folder: Path) -> None:
    """The kernel refuses to let SQLite's files grow past a limit: told and old, or done and new."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    kept = library(folder)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    outcomes = []
    for limit in range(1000, 400_000, 4000):
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
        done = acted(kept)
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        assert kept.found() == ("new" if done else "old"), limit
        outcomes.append(done)
        if done:
            break
    assert outcomes[0] is False
    assert outcomes[-1] is True
    print("library", len(outcomes))


def made_where_files_may_not_grow(folder: Path) -> None:
    """A new library under ever wider limits: told, or made; one that was not made is not opened as one."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    outcomes = []
    for limit in range(1000, 1_000_000, 9000):
        place = folder / str(limit)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
        try:
            libraries.create(place).close()
            outcomes.append("made")
        except LibraryError:
            outcomes.append("told")
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        if outcomes[-1] == "made":
            libraries.open_store(place).close()
            break
        with pytest.raises(LibraryError):
            libraries.open_store(place)
    print(*outcomes)


def test_a_library_is_made_whole_or_told_of(tmp_path):
    """On a disk that is full before, or while, its file is laid out."""
    outcomes = tried("made_where_files_may_not_grow", tmp_path).split()
    assert outcomes[0] == "told"
    assert outcomes[-1] == "made"
    assert len(outcomes) > 3


def handles(kept: faults.ALibrary) -> Iterator[tuple[int, str]]:
    """The open files of SQLite: descriptor and name."""
    for entry in Path("/proc/self/fd").iterdir():
        target = os.readlink(entry) if entry.is_symlink() else ""
        if "library.sqlite" in target:
            yield int(entry.name), target


def beneath_sqlite(folder: Path) -> None:
    """The files that SQLite holds open are swapped for a full device (ENOSPC), one that may only be read (EBADF, as after an
    input/output error the system gives), each at each commit: told; another process finds the old, whole, and can go on.
    """
    for number, (device, flags) in enumerate([("/dev/full", os.O_RDWR), ("/dev/null", os.O_RDONLY)]):
        for part in ("-wal", "library.sqlite"):
            place = folder / f"{number}{part}"
            place.mkdir()
            kept = library(place)
            if part != "-wal":  # so that a commit writes into the main file itself
                kept.library.connection.execute("PRAGMA wal_autocheckpoint = 1")
            bad = os.open(device, flags)
            swapped = [fd for fd, name in handles(kept) if name.endswith(part)]
            assert swapped, part
            for fd in swapped:
                os.dup2(bad, fd)
            done = acted(kept)
            assert not done or part != "-wal", "a commit whose log was not written was told as done"
            again = faults.KEPT["library"](place)
            assert again.found() == ("new" if done else "old")
            again.open()
            assert done or acted(again)
            assert again.found() == "new"
            again.close()
            print(device, part, "done" if done else "told")


def test_a_fault_beneath_sqlite(tmp_path):
    """Its log and its main file, without room and without the right to write."""
    assert len(tried("beneath_sqlite", tmp_path).splitlines()) == 4


def killed_inside_sqlite(folder: Path) -> None:
    """A timer of the system ends the process (SIGALRM, no handler) at moments spread over an act, and over the opening of what
    it left: old or new, whole, and the next process can go on.
    """
    old = faults.made_in(folder, "library")
    found = []
    for number in range(24):
        place = folder / str(number)
        shutil.copytree(old, place)
        for moment in (0.0004 * 1.3**number, 0.002 * (1 + number % 5)):
            child = os.fork()
            if child == 0:
                signal.signal(signal.SIGALRM, signal.SIG_DFL)
                signal.setitimer(signal.ITIMER_REAL, moment)
                kept = faults.KEPT["library"](place)
                kept.open()
                kept.act()
                os._exit(0)
            assert os.waitpid(child, 0)[1] in (0, signal.SIGALRM)
        again = faults.KEPT["library"](place)
        found.append(again.found())
        if found[-1] == "old":
            again.open()
            assert acted(again)
            assert again.found() == "new"
            again.close()
    print(*found)


def test_killed_inside_sqlite(tmp_path):
    """The earliest moments find it old, whatever the machine."""
    found = tried("killed_inside_sqlite", tmp_path).split()
    assert set(found) <= {"old", "new"}
    assert found[0] == "old"


def test_another_program_holds_the_library(tmp_path):
    """Told after the wait, nothing written; when it lets go the same act is done."""
    kept = library(tmp_path)
    kept.library.connection.execute("PRAGMA busy_timeout = 50")
    other = sqlite3.connect(tmp_path / "library" / libraries.FILE, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    assert not acted(kept)
    assert kept.found() == "old"
    other.execute("ROLLBACK")
    other.close()
    assert acted(kept)
    assert kept.found() == "new"
    kept.close()


@pytest.mark.parametrize("damage", ["cut off", "overwritten", "no database"])
def test_a_library_file_that_is_damaged(tmp_path, damage):
    """Told when it is opened or used, with what to do; never a traceback."""
    kept = library(tmp_path)
    kept.close()
    path = tmp_path / "library" / libraries.FILE
    whole = path.read_bytes()
    torn = {
        "cut off": whole[: len(whole) // 2],
        "overwritten": whole[:4096] + b"\xa5" * (len(whole) - 4096),
        "no database": b"x" * 9000,
    }
    path.write_bytes(torn[damage])
    with pytest.raises(LibraryError, match=r"damaged|opened") as told:
        kept.found()
    assert "take it from a copy" in str(told.value)


if __name__ == "__main__":
    globals()[sys.argv[1]](Path(sys.argv[2]))
