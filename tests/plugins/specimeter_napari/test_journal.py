"""The journal: changes are small and exact, a killed process loses at most the edit in hand, a window asks first."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import zlib
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from qtpy.QtCore import Qt
from specimeter_napari import delta
from specimeter_napari.journal import FORMAT, VERSION, Journal, replay
from specimeter_napari.session import Session, State

from specimeter.errors import RecordError, SpecimeterError
from specimeter.record import model

LEAF = st.none() | st.booleans() | st.integers(-5, 5) | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=3)
ITEM = st.fixed_dictionaries({"id": st.sampled_from("abcd"), "v": LEAF})
JSON = st.recursive(
    LEAF | st.lists(ITEM, max_size=4),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=2), inner, max_size=4),
    max_leaves=12,
)


@given(old=JSON, new=JSON)
@settings(max_examples=200, deadline=None)
def test_a_change_applied_gives_the_new_state(old, new):
    """For any JSON whatever, through text and back."""
    change = json.loads(json.dumps(delta.between(old, new)))
    assert json.dumps(delta.applied(old, change)) == json.dumps(new) or delta.applied(old, change) == new


def test_one_item_of_many_changed_costs_one_item():
    old = {"features": [{"id": f"f{number}", "points": list(range(50))} for number in range(300)]}
    new = {"features": [*old["features"][:-1], {"id": "f299", "points": [1]}]}
    assert len(json.dumps(delta.between(old, new))) < 5000


def test_undo_and_redo_are_replayed(tmp_path):
    journal = Journal(tmp_path / "x.journal")
    journal.begin({"sha256": "0"}, {"v": 0})
    for number in (1, 2, 3):
        journal.edit(f"edit {number}", {"v": number})
    journal.moved("undo", {"v": 2})
    journal.moved("undo", {"v": 1})
    journal.moved("redo", {"v": 2})
    left = replay(journal.path)
    assert [state["v"] for _, state in left.states] == [0, 1, 2, 3]
    assert left.states[left.at] == ("edit 2", {"v": 2})
    journal.edit("another", {"v": 9})
    assert [state["v"] for _, state in replay(journal.path).states] == [0, 1, 2, 9]
    journal.close(forget=False)


@pytest.mark.parametrize("cut", [1, 5, 20])
def test_a_line_that_was_cut_off_is_left_out_and_written_over(tmp_path, cut):
    """The window may end in the middle of a write: all before it holds, and going on gives a whole journal again."""
    journal = Journal(tmp_path / "x.journal")
    journal.begin({}, {"v": 0})
    journal.edit("one", {"v": 1})
    journal.edit("two", {"v": 2})
    journal.close(forget=False)
    journal.path.write_bytes(journal.path.read_bytes()[:-cut])
    left = replay(journal.path)
    assert left.states[left.at][0] == "one"
    assert not left.whole
    again = Journal(journal.path)
    again.go_on(left)
    again.edit("three", {"v": 3})
    assert [state["v"] for _, state in replay(journal.path).states] == [0, 1, 3]
    assert replay(journal.path).whole
    again.close(forget=True)
    assert not journal.path.exists()


def line_of(entry) -> bytes:
    """As a journal writes it; text that is no JSON stands as it is."""
    text = entry if isinstance(entry, bytes) else json.dumps(entry).encode()
    return b"%08x %s\n" % (zlib.crc32(text), text)


HOSTILE = [
    b"no JSON", b"[" * 100_000, b"1", b"null", b"\xff", {}, {"act": "edit"}, {"act": "undo"}, {"act": "leap"},
    {"act": ["undo"]}, {"act": "edit", "label": "x", "change": None},
    {"act": "edit", "label": "x", "change": ["~", {"v": ["+", 1]}, []]},
    {"act": "edit", "label": "x", "change": ["#", ["f1"]]}, {"act": "edit", "label": "x", "change": ["~", 5, []]},
]  # fmt: skip


@pytest.mark.parametrize("entry", HOSTILE, ids=range(len(HOSTILE)))
def test_a_line_that_no_window_wrote_ends_the_journal(tmp_path, entry):
    """Its sum holds, and it says what cannot be: what stands before it is recovered, and going on writes over it."""
    path = tmp_path / "x.journal"
    begin = {"format": FORMAT, "version": VERSION, "head": {}, "state": {"v": 0}}
    path.write_bytes(line_of(begin) + line_of(entry) + line_of({"act": "edit", "label": "late", "change": ["=", {"v": 7}]}))
    left = replay(path)
    assert ([state for _, state in left.states], left.at, left.lines, left.whole) == ([{"v": 0}], 0, 1, False)
    again = Journal(path)
    again.go_on(left)
    again.edit("after", {"v": 1})
    again.close(forget=False)
    found = replay(path)
    assert ([state["v"] for _, state in found.states], found.whole) == ([0, 1], True)
    path.write_bytes(line_of(entry))
    assert replay(path) is None


HOSTILE_STATES = [
    5, [], {}, {"sheet": None, "limits": None}, {"sheet": 5, "limits": None, "record": None},
    {"sheet": None, "limits": {"rule": 1}, "record": None}, {"sheet": None, "limits": None, "record": {"format": "x"}},
    {"sheet": None, "limits": None, "record": None, "further": 5},
    {"sheet": None, "limits": None, "record": None, "further": [["a.jpg"]]},
]  # fmt: skip


@pytest.mark.parametrize("state", HOSTILE_STATES, ids=range(len(HOSTILE_STATES)))
def test_a_state_that_no_window_wrote_is_refused_and_ends_the_journal(tmp_path, state):
    """A change that ends in such a state is left out with all after it; what stands before it is recovered."""
    with pytest.raises(SpecimeterError):
        State.from_data(state)
    path = tmp_path / "x.journal"
    nothing = {"sheet": None, "limits": None, "record": None, "further": []}
    begin = {"format": FORMAT, "version": VERSION, "head": {}, "state": nothing}
    lines = [begin, {"act": "edit", "label": "one", "change": ["=", nothing]}]
    path.write_bytes(b"".join(map(line_of, [*lines, {"act": "edit", "label": "bad", "change": ["=", state]}, {"act": "undo"}])))
    left = replay(path, State.from_data)
    assert ([label for label, _ in left.states], left.at, left.whole) == (["opened", "one"], 1, False)
    assert [made.record for made in left.made] == [None, None]
    path.write_bytes(line_of(begin | {"state": state}))
    assert replay(path, State.from_data) is None


@pytest.mark.parametrize("kept", ["nothing", "head", "edit"])
def test_work_that_cannot_be_read_is_kept_aside(tmp_path, kept):
    """Of another version, or damaged from the first line or the first edit on: it is not written over."""
    now = Session(SimpleNamespace(sha256="ab" * 32, path=tmp_path / "a.jpg"), out=tmp_path)
    nothing = {"sheet": None, "limits": None, "record": None, "further": []}
    begin = {"format": FORMAT, "version": VERSION, "head": {"sha256": "ab" * 32}, "state": nothing}
    bad = {"act": "edit", "label": "bad", "change": ["=", {"record": 5}]}
    lines = {"nothing": [], "head": [begin | {"version": 9}], "edit": [begin, bad]}[kept]
    now.journal.path.write_bytes(b"".join(map(line_of, lines)))
    content = now.journal.path.read_bytes()
    assert now.recoverable() is None
    assert [path.read_bytes() for path in tmp_path.glob("*set-aside*")] == ([content] if lines else [])
    other = Journal(tmp_path / "other.journal")
    assert not other.is_left()
    other.begin({}, {})
    assert not Journal(other.path).is_left()
    other.close(forget=False)
    assert Journal(other.path).is_left()


@settings(max_examples=100, deadline=None)
@given(content=st.lists(st.one_of(st.binary(max_size=20), st.recursive(
    st.none() | st.integers() | st.text(max_size=4),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
        st.sampled_from(["format", "version", "head", "state", "act", "label", "change", "id"]), inner, max_size=5),
    max_leaves=12,
)), max_size=5))  # fmt: skip
def test_arbitrary_lines_never_crash_it(content):
    """Whatever stands there is a journal as far as it goes, or none."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.journal"
        path.write_bytes(b"".join(line_of(entry) for entry in content))
        assert replay(path) is None or replay(path).states


def test_two_windows_do_not_write_one_journal(tmp_path):
    one, other = Journal(tmp_path / "x.journal"), Journal(tmp_path / "x.journal")
    one.begin({}, {"v": 0})
    with pytest.raises(RecordError, match="another window"):
        other.begin({}, {"v": 1})
    assert replay(one.path).states[0][1] == {"v": 0}
    one.close(forget=False)
    other.close(forget=False)


CHILD = """
import sys
import tempfile
import zlib
from pathlib import Path
from pathlib import Path
from specimeter import photo
from specimeter.record import edit, model, recompute
from specimeter_napari.session import Session, State
record = model.load(sys.argv[1])
now = Session(photo.read(sys.argv[2]), out=Path(sys.argv[3]), person="Ada Tester")
now.begin(State(sheet=recompute.sheet_of(record), limits=recompute.limits_of(record), record=record))
number = 0
while True:
    id = record.features[number % len(record.features)].id
    now.act(f"edit {number}", edit.classify, id, kind=("pore", "crack", "slag")[number % 3])
    number += 1
    print(number, flush=True)
"""


def kill_in_the_middle(folder, out, edits):
    """A process that edits without end, killed as soon as it has said so many edits; returns how many it had said."""
    photo = next(folder.glob("p1.*"))
    call = [sys.executable, "-c", CHILD, str(folder), str(photo), str(out)]
    with subprocess.Popen(call, stdout=subprocess.PIPE, text=True, env={**os.environ, "OMP_NUM_THREADS": "1"}) as child:
        said = 0
        for line in child.stdout:
            said = int(line)
            if said >= edits:
                os.kill(child.pid, signal.SIGKILL)
                break
        said = max([said, *(int(line) for line in child.stdout if line.strip().isdigit())])
        child.wait()
    assert child.returncode == -signal.SIGKILL
    return said


@pytest.mark.parametrize("edits", [1, 7])
def test_a_killed_process_loses_at_most_the_edit_in_hand(written, tmp_path, edits):
    """SIGKILL without warning: every edit that was told as made is there, in its order."""
    said = kill_in_the_middle(written, tmp_path, edits)
    (journal,) = tmp_path.glob("*.journal")
    left = replay(journal)
    assert left.at in (said, said + 1)  # one more may have been written and not told any more
    assert [label for label, _ in left.states[1 : said + 1]] == [f"edit {number}" for number in range(said)]


def test_the_window_shows_what_was_left_and_asks(hand, written, tmp_path):
    """Open the photograph after a kill: it says what differs; going on brings everything back, undo included."""
    out = tmp_path / "records"
    folder = shutil.copytree(written, out / written.name)
    said = kill_in_the_middle(folder, out, 3)
    bench = hand.bench
    bench.out = None
    hand.open(folder)
    page = bench.pages["specimen"]
    assert bench.here == "specimen"
    assert not page.found.isHidden()
    words = " ".join(label.text() for label in page.found.findChildren(type(bench.reads)))
    assert f"{said}" in words or f"{said + 1}" in words
    assert "not written" in words
    assert bench.session.record == model.load(folder)  # nothing was done yet
    hand.press(page.go_on)
    assert bench.session.undoable.startswith("edit ")
    assert len([1 for feature in bench.session.record.features if feature.kind != "opening"]) >= 1
    for _ in range(said + 1):
        hand.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert bench.session.record == model.load(folder)


def test_beginning_anew_keeps_what_was_left_aside(hand, written, tmp_path):
    out = tmp_path / "records"
    folder = shutil.copytree(written, out / written.name)
    kill_in_the_middle(folder, out, 2)
    hand.bench.out = None
    hand.open(folder)
    hand.press(hand.bench.pages["specimen"].anew)
    assert hand.bench.session.record == model.load(folder)
    (aside,) = out.glob("*set-aside*")
    assert replay(aside).at >= 2


STROKE = """
import sys, time
from pathlib import Path
import numpy as np
from qtpy.QtWidgets import QApplication
from specimeter.record import edit
from specimeter_napari import tools
from specimeter_napari.window import bench_window
viewer, bench = bench_window(out=Path(sys.argv[1]).parent)
bench.name_person("Ada Tester")
bench.open(sys.argv[1])
while bench.session is None or bench.session.record is None:
    QApplication.processEvents()
one = bench.session.record.features[0]
bench.act("one decided", edit.classify, one.id, kind="crack")
bench.select((one.id,))
bench.pages["features"].draw("brush")
tool, start = bench.pointer.tool, np.array(one.outline_px).mean(axis=0)
tool.press(start)
step = 0
while True:
    step += 1
    tool.drag(start + [step % 40, step % 7])
    QApplication.processEvents()
    print(step, flush=True)
"""


def test_a_window_killed_in_the_middle_of_a_stroke_loses_that_stroke_only(hand, written, tmp_path):
    """SIGKILL while the button is held: the edit before it is offered by the next window, the record on disk is as it was."""
    folder = shutil.copytree(written, tmp_path / "records" / written.name)
    call = [sys.executable, "-c", STROKE, str(folder)]
    with subprocess.Popen(call, stdout=subprocess.PIPE, text=True, env=dict(os.environ)) as child:
        for line in child.stdout:
            if line.strip() == "5":
                os.kill(child.pid, signal.SIGKILL)
                break
        child.wait()
    assert child.returncode == -signal.SIGKILL
    hand.bench.out = None
    hand.open(folder)
    assert hand.bench.session.record == model.load(folder)
    hand.press(hand.bench.pages["specimen"].go_on)
    assert hand.bench.session.undoable == "one decided"
    assert hand.bench.session.record.features[0].kind == "crack"
    assert hand.bench.session.redoable is None
