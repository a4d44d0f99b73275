"""A record's folder is whole or absent at every moment, tried with real processes that are really killed."""

import errno
import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from specimeter.errors import RecordError, SheetError
from specimeter.record import store

FILES = {"overlay.png": b"\x89PNG" * 9000, "features.csv": b"id,length_mm\n"}
NAMES = ["SHA256SUMS", "features.csv", "overlay.png", "record.json"]

# Commits one record, as soon as the file `go` is there.
CHILD = """
import sys, time
from pathlib import Path
from specimeter.record import store
out, identity, size, tag, replace, go = sys.argv[1:]
record = (tag * int(size)).encode()
files = {"0.bin": record, "1.bin": record}
print("ready", flush=True)
while go and not Path(go).exists():
    time.sleep(0.001)
try:
    store.commit(record, files, out=out, id=identity, replace=replace == "replace")
    print("won", flush=True)
except store.RecordError as error:
    print("lost", error.problem, flush=True)
"""


def child(out, *, identity="SB-1", size=1000, tag="a", replace=False, go=""):
    arguments = [str(out), identity, str(size), tag, "replace" if replace else "keep", str(go)]
    return subprocess.Popen([sys.executable, "-c", CHILD, *arguments], stdout=subprocess.PIPE, text=True)


def tag_of(folder, size):
    """Which run's record the folder is; fails unless it is whole."""
    assert sorted(os.listdir(folder)) == ["0.bin", "1.bin", "SHA256SUMS", "record.json"]
    contents = {(folder / name).read_bytes() for name in os.listdir(folder) if name != "SHA256SUMS"}
    assert len(contents) == 1
    (content,) = contents
    assert len(content) == size
    assert len(set(content)) == 1
    return chr(content[0])


def commit(out, identity="SB-1", **keywords):
    return store.commit(b'{"a": 1}', FILES, out=out, id=identity, **keywords)


def test_a_record_arrives_whole_in_folders_made_for_it(tmp_path):
    """The folder holds exactly what was given, and nothing else is left in the folder of records."""
    folder = commit(tmp_path / "new" / "records")
    assert folder == tmp_path / "new" / "records" / "SB-1"
    assert sorted(os.listdir(folder)) == NAMES
    assert (folder / "record.json").read_bytes() == b'{"a": 1}'
    assert all((folder / name).read_bytes() == data for name, data in FILES.items())
    assert os.listdir(folder.parent) == ["SB-1"]


def test_a_relative_folder_of_records_is_made_as_well(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    store.check_writable("a/b", "SB-1")
    assert os.listdir(tmp_path) == []
    commit("a/b")
    assert sorted(os.listdir(tmp_path / "a/b/SB-1")) == NAMES


def test_an_existing_record_is_never_overwritten(tmp_path):
    """Without replace: refused before the work and at the end of it, and untouched."""
    commit(tmp_path)
    for attempt in (lambda: store.check_writable(tmp_path, "SB-1"), lambda: store.commit(b"new", {}, out=tmp_path, id="SB-1")):
        with pytest.raises(RecordError, match=r"already a record.*\n.*\n.*--replace") as caught:
            attempt()
        assert caught.value.file == tmp_path / "SB-1"
    assert (tmp_path / "SB-1" / "record.json").read_bytes() == b'{"a": 1}'
    assert os.listdir(tmp_path) == ["SB-1"]


def test_replacing_keeps_every_older_record(tmp_path):
    """Three generations: the newest under the id, both others beside it with the time they gave way."""
    for generation in (b"1", b"2", b"3"):
        store.check_writable(tmp_path, "SB-1", replace=True)
        store.commit(generation, FILES, out=tmp_path, id="SB-1", replace=True)
    assert (tmp_path / "SB-1" / "record.json").read_bytes() == b"3"
    older = sorted(name for name in os.listdir(tmp_path) if name.startswith("SB-1.replaced-"))
    assert [(tmp_path / name / "record.json").read_bytes() for name in older] == [b"1", b"2"]
    assert all(sorted(os.listdir(tmp_path / name)) == NAMES for name in older)


def test_the_old_record_is_put_back_if_the_new_one_cannot_take_its_place(tmp_path, monkeypatch):
    commit(tmp_path)
    real = os.rename

    def rename(source, target):
        if str(source).endswith(".part"):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        real(source, target)

    monkeypatch.setattr(os, "rename", rename)
    with pytest.raises(RecordError, match="Input/output error"):
        store.commit(b"new", {}, out=tmp_path, id="SB-1", replace=True)
    assert os.listdir(tmp_path) == ["SB-1"]
    assert sorted(os.listdir(tmp_path / "SB-1")) == NAMES


# Commits records one after another, each in a process of its own that kills itself just before one more of its calls.
EACH = """
import os, signal, sys
from specimeter.record import store
place, replace = sys.argv[1], sys.argv[2] == "replace"
n, done = 0, False
while not done:
    n += 1
    if replace:
        store.commit(b"o" * 1000, {"0.bin": b"o" * 1000, "1.bin": b"o" * 1000}, out=f"{place}/{n}", id="SB-1")
    child = os.fork()
    if child == 0:
        calls = 0
        def counted(real):
            def call(*args, **keywords):
                global calls
                calls += 1
                if calls == n:
                    os.kill(os.getpid(), signal.SIGKILL)
                return real(*args, **keywords)
            return call
        for name in ("mkdir", "fsync", "replace", "rename"):
            setattr(os, name, counted(getattr(os, name)))
        store.one_way.exchange = counted(store.one_way.exchange if sys.argv[3] == "exchange" else lambda one, other: False)
        new = b"a" * 1000
        store.commit(new, {"0.bin": new, "1.bin": new}, out=f"{place}/{n}", id="SB-1", replace=replace)
        os._exit(0)
    done = os.waitpid(child, 0)[1] == 0
print(n)
"""


@pytest.mark.usefixtures("uncounted")
@pytest.mark.parametrize("replace", [False, True])
@pytest.mark.parametrize("step", ["exchange", "two renames"])
def test_killed_before_each_step(tmp_path, replace, step):
    """SIGKILL before every call that changes the disk: the record is whole or absent; where an older one gives way, one of the
    two bears the name at every moment, and the next run puts the older one beside it. On a system that cannot let two folders
    change places there is a moment when the older one lies beside and nothing bears the name.
    """
    call = [sys.executable, "-c", EACH, tmp_path, "replace" if replace else "keep", step]
    run = subprocess.run(call, capture_output=True, text=True, check=True)
    last = int(run.stdout)
    assert last > 10
    for n in range(1, last + 1):
        out = tmp_path / str(n)
        tags = {path.name: tag_of(path, 1000) for path in out.glob("SB-1*")}  # hidden leftovers do not match
        if replace and step == "exchange":
            assert tags["SB-1"] in "ao"
        elif replace:
            assert sorted(tags.values()) in (["o"], ["a", "o"])
        else:
            assert set(tags) <= {"SB-1"}
        commit(out, "SB-2")
        assert not list(out.glob(".*")), "a killed run's leftovers stay"
        if replace and step == "exchange":
            after = {path.name: tag_of(path, 1000) for path in out.glob("SB-1*")}
            assert after.pop("SB-1") == tags["SB-1"]
            assert list(after.values()) == (["o"] if tags["SB-1"] == "a" else [])
    assert tags["SB-1"] == "a", "the last one was killed by nobody"


def test_killed_at_random_moments(tmp_path):
    """SIGKILL from outside, fifteen times, spread over the time that a commit takes."""
    rng, size = random.Random(15), 2_000_000
    trial = child(tmp_path, identity="trial", size=size)
    trial.stdout.readline()
    start = time.perf_counter()
    trial.communicate()
    whole_time = time.perf_counter() - start
    outcomes = []
    for i in range(15):
        run = child(tmp_path, identity=f"SB-{i}", size=size)
        assert run.stdout.readline() == "ready\n"
        time.sleep(whole_time * rng.uniform(0, 0.8))
        run.send_signal(signal.SIGKILL)
        run.communicate()
        folder = tmp_path / f"SB-{i}"
        outcomes.append(folder.exists() and tag_of(folder, size) == "a")
    assert not all(outcomes), "every run was quicker than its killer: this proved nothing"
    commit(tmp_path, "last")
    assert not list(tmp_path.glob(".*"))


def test_leftovers_of_a_living_run_are_left_alone(tmp_path, monkeypatch):
    """A commit that comes while another is under way removes nothing of it."""
    real, others = os.replace, []

    def put(source, target):
        if not others:
            others.append(subprocess.run([sys.executable, "-c", CHILD, tmp_path, "SB-2", "10", "b", "keep", ""], check=True))
        real(source, target)

    monkeypatch.setattr(os, "replace", put)  # of a file in the folder that is being made
    commit(tmp_path)
    assert sorted(os.listdir(tmp_path)) == ["SB-1", "SB-2"]
    assert sorted(os.listdir(tmp_path / "SB-1")) == NAMES


@pytest.mark.parametrize("replace", [False, True])
def test_a_folder_swept_away_before_it_is_locked_is_made_anew(tmp_path, monkeypatch, replace):
    """Between the making of the hidden folder and its lock another run may clear it away: the record arrives all the same."""
    commit(tmp_path, "SB-2" if not replace else "SB-1")
    real, swept = os.mkdir, []

    def make(path, *arguments):
        real(path, *arguments)
        if not swept and str(path).endswith(".part"):
            swept.append(path)
            os.rmdir(path)

    monkeypatch.setattr(os, "mkdir", make)
    assert sorted(os.listdir(commit(tmp_path, replace=replace))) == NAMES
    assert swept
    assert len(os.listdir(tmp_path)) == 2


@pytest.mark.usefixtures("uncounted")
@pytest.mark.parametrize("replace", [False, True])
def test_of_several_at_once_exactly_one_wins(tmp_path, replace):
    """Four processes start together with one id; with replace all of them are kept, and the last one bears the name."""
    for turn in range(2):
        out, go = tmp_path / f"{turn}", tmp_path / f"go{turn}"
        runs = [child(out, tag=tag, size=200_000, go=go, replace=replace) for tag in "abcd"]
        assert [run.stdout.readline() for run in runs] == ["ready\n"] * 4
        go.touch()
        said = [run.communicate()[0] for run in runs]
        tags = {path.name: tag_of(path, 200_000) for path in out.iterdir()}
        if replace:
            assert sorted(tags.values()) == ["a", "b", "c", "d"]
        else:
            (winner,) = (tag for tag, line in zip("abcd", said, strict=True) if line.startswith("won"))
            assert tags == {"SB-1": winner}
            assert sum("already a record" in line for line in said) == 3


def fail_at(monkeypatch, n, fault):
    """The n-th call that changes the disk raises the fault, once; tells how many calls there were."""
    calls = []
    for name in ("mkdir", "fsync", "replace", "rename"):
        real = getattr(os, name)

        def call(*arguments, real=real, **keywords):
            calls.append(real)
            if len(calls) == n:
                raise fault
            return real(*arguments, **keywords)

        monkeypatch.setattr(os, name, call)
    exchange = store.one_way.exchange

    def counted(one, other):
        calls.append(exchange)
        if len(calls) == n:
            raise fault
        return exchange(one, other)

    monkeypatch.setattr(store.one_way, "exchange", counted)
    return calls


@pytest.mark.parametrize("fault", [OSError(errno.ENOSPC, "No space left on device"), KeyboardInterrupt(), MemoryError()])
@pytest.mark.parametrize("replace", [False, True])
def test_a_fault_at_each_step_leaves_nothing_half_written(tmp_path, monkeypatch, fault, replace):
    """Full disk, Ctrl-C or lack of memory before any call that changes the disk: what was there is there, nothing more."""
    for n in range(1, 100):
        out = tmp_path / str(n) / "records"
        if replace:
            commit(out)
        with monkeypatch.context() as patch:
            calls = fail_at(patch, n, fault)
            try:
                store.commit(b"new", FILES, out=out, id="SB-1", replace=replace)
            except (RecordError, KeyboardInterrupt, MemoryError) as error:
                raised = error
            else:
                break
        if isinstance(fault, OSError):
            assert isinstance(raised, RecordError)
            assert "disk is full" in raised.problem
        record = out / "SB-1" / "record.json"
        if not record.exists():  # absent: with the folders that were made for it
            assert not replace
            assert not out.exists()
        elif record.read_bytes() == b"new":  # the fault came after the rename, when the last flush was under way
            assert len(calls) == n
            assert sorted(os.listdir(out / "SB-1")) == NAMES
        else:
            assert os.listdir(out) == ["SB-1"]
            assert sorted(os.listdir(out / "SB-1")) == NAMES
    assert n > 10


def test_a_disk_that_takes_no_more(tmp_path):
    """The kernel itself refuses to write on (a limit on file size): the message says that the disk is full, nothing stays."""
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (50000, 50000))\n"
        "from specimeter.record import store\n"
        "try: store.commit(b'1', {'big.bin': b'x' * 100000}, out=sys.argv[1], id='SB-1')\n"
        "except store.RecordError as error: print(error)"
    )
    run = subprocess.run([sys.executable, "-c", code, tmp_path / "records"], capture_output=True, text=True, check=True)
    assert "disk is full" in run.stdout
    assert os.listdir(tmp_path) == []


def test_too_little_room_is_said_before_the_work(tmp_path, monkeypatch):
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10**9, 10**9 - 1000, 1000))
    with pytest.raises(RecordError, match="disk is full"):
        store.check_writable(tmp_path, "SB-1")


@pytest.fixture
def forbidden():
    """A folder that this user may read and not write; root becomes nobody for the time."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o555)
    if os.geteuid() == 0:
        os.seteuid(65534)
        yield folder
        os.seteuid(0)
    else:
        yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


@pytest.mark.parametrize("below", ["", "new"])
def test_a_folder_that_is_not_writable(forbidden, below):
    out = forbidden / below
    for attempt in (lambda: store.check_writable(out, "SB-1"), lambda: commit(out)):
        with pytest.raises(RecordError, match="not writable") as caught:
            attempt()
        assert str(out) in str(caught.value)
    assert os.listdir(forbidden) == []


@pytest.mark.parametrize("below", ["", "deeper", "deeper/still"])
def test_a_file_in_the_place_of_the_folder(tmp_path, below):
    (tmp_path / "records").write_bytes(b"a file")
    out = tmp_path / "records" / below
    for attempt in (lambda: store.check_writable(out, "SB-1"), lambda: commit(out)):
        with pytest.raises(RecordError, match="a file and not a folder"):
            attempt()
    assert (tmp_path / "records").read_bytes() == b"a file"


def test_looking_first_leaves_no_trace(tmp_path):
    store.check_writable(tmp_path / "a" / "b", "SB-1")
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    ("identity", "reason"),
    [
        ("", "is empty"),
        ("   ", "is empty"),
        ("a/b", "'/'"),
        ("a\\b", "separates"),
        ("/etc", "'/'"),
        ("C:x", "':'"),
        ("what?", "forbidden"),
        (".", "dot"),
        ("..", "dot"),
        (".hidden", "begins"),
        ("SB-1.", "ends with a dot"),
        ("SB-1 ", "ends with a dot or a space"),
        ("a\x00b", "control"),
        ("a\nb", "control"),
        ("a\u202eb", "invisible"),
        ("a\udc80b", "invisible"),
        ("CON", "device"),
        ("nul.txt", "device"),
        ("com1", "device"),
        ("LPT9.x.y", "device"),
        ("x" * 121, "121 bytes"),
        ("ü" * 61, "122 bytes"),
        ("SB-1.replaced-x", "replaced"),
    ],
)
def test_ids_that_cannot_name_a_folder(tmp_path, identity, reason):
    """Refused with the field, the reason and an example; checked against what Windows and POSIX forbid (common practice)."""
    for attempt in (lambda: store.check_writable(tmp_path, identity), lambda: commit(tmp_path, identity)):
        with pytest.raises(SheetError, match=reason) as caught:
            attempt()
        assert caught.value.field == "specimen.id"
        assert "SB-25-03" in str(caught.value)
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    "identity", ["SB-25-03", "Prüfstück 7", "ü" * 60, "a" * 120, "console", "com10", "a..b", "(1) #2, 50 %"]
)
def test_ids_that_can(tmp_path, identity):
    assert commit(tmp_path, identity).name == identity
    assert os.listdir(tmp_path) == [identity]


@pytest.mark.parametrize("name", ["../x", "a/b", "", "record.json", ".hidden"])
def test_file_names_that_would_leave_the_folder(tmp_path, name):
    with pytest.raises(ValueError, match="plain, distinct names"):
        store.commit(b"1", {name: b"2"}, out=tmp_path, id="SB-1")
    assert os.listdir(tmp_path) == []


def test_the_same_bytes_come_back(tmp_path):
    """A large file survives the way there (hash of what went in and of what is on disk)."""
    data = random.Random(3).randbytes(3_000_000)
    folder = store.commit(b"{}", {"overlay.png": data}, out=tmp_path, id="SB-1")
    with open(folder / "overlay.png", "rb") as stream:
        assert hashlib.file_digest(stream, "sha256").hexdigest() == hashlib.sha256(data).hexdigest()


def test_a_locale_that_cannot_write_the_name_is_named(tmp_path, monkeypatch):
    """Before the long work, with the way out; nothing is left."""
    monkeypatch.setattr(os, "fsencode", lambda name: str(name).encode("ascii"))
    with pytest.raises(RecordError, match="locale"):
        store.check_writable(tmp_path, "Prüfling")
    assert not list(tmp_path.iterdir())


def test_an_empty_out_is_refused():
    """An unset shell variable must not scatter records over the current folder."""
    with pytest.raises(RecordError, match="--out is empty"):
        store.check_writable("", "A-1")


def test_a_change_gives_way_to_nobody_elses(tmp_path):
    """A record that another one changed meanwhile is not overwritten; nothing is left behind."""
    commit(tmp_path)
    then = hashlib.sha256((tmp_path / "SB-1" / "record.json").read_bytes()).hexdigest()
    store.commit(b'{"a": 2}', FILES, out=tmp_path, id="SB-1", replace=True, keep=False, instead_of=then)
    with pytest.raises(RecordError, match="meanwhile"):
        store.commit(b'{"a": 3}', FILES, out=tmp_path, id="SB-1", replace=True, keep=False, instead_of=then)
    assert (tmp_path / "SB-1" / "record.json").read_bytes() == b'{"a": 2}'
    assert os.listdir(tmp_path) == ["SB-1"]


# Adds its tag to a record so many times, each time to what is there then; begins again where somebody was quicker.
ADDS = """
import hashlib, sys, time
from pathlib import Path
from specimeter.record import store
out, tag, times, go = sys.argv[1:]
file = Path(out, "SB-1", "record.json")
print("ready", flush=True)
while not Path(go).exists():
    time.sleep(0.001)
done = 0
while done < int(times):
    now = file.read_bytes()
    try:
        then = hashlib.sha256(now).hexdigest()
        store.commit(now + tag.encode(), {}, out=out, id="SB-1", replace=True, keep=False, instead_of=then)
        done += 1
    except store.RecordError as error:
        assert "meanwhile" in str(error), error
"""


def test_what_two_processes_add_is_all_there(tmp_path):
    """Neither writes over what the other did since it looked: of three times forty additions none is lost."""
    store.commit(b"", {}, out=tmp_path / "out", id="SB-1")
    call = [sys.executable, "-c", ADDS, tmp_path / "out"]
    runs = [subprocess.Popen([*call, tag, "40", tmp_path / "go"], stdout=subprocess.PIPE, text=True) for tag in "abc"]
    assert [run.stdout.readline() for run in runs] == ["ready\n"] * 3
    (tmp_path / "go").touch()
    assert [run.wait() for run in runs] == [0, 0, 0]
    for run in runs:
        run.stdout.close()
    added = (tmp_path / "out" / "SB-1" / "record.json").read_bytes()
    assert {tag: added.count(tag.encode()) for tag in "abc"} == dict.fromkeys("abc", 40)


def test_the_sums_name_every_file(tmp_path):
    """SHA256SUMS is written by the store itself, and nobody can hand one in."""
    folder = commit(tmp_path)
    listed = dict(reversed(line.split("  ")) for line in (folder / "SHA256SUMS").read_text().splitlines())
    assert sorted(listed) == sorted(name for name in os.listdir(folder) if name != "SHA256SUMS")
    for name, sha256 in listed.items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == sha256
    with pytest.raises(ValueError, match="names"):
        store.commit(b"{}", {"SHA256SUMS": b""}, out=tmp_path, id="SB-2")
