"""Every edit on disk as soon as it is made: a file beside the record that outlives a crash at any moment.

One line an act: a checksum, a space, JSON. The first line holds the state that the edits began from; each later one holds the
change, or says that one was undone or redone. A line that was cut off, or that says what cannot be, and all after it are left
out when it is read; so after a line that could not be written nothing is added behind it: the whole journal is written afresh
in its place.
"""

from __future__ import annotations

import contextlib
import json
import os
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from io import FileIO
from pathlib import Path
from typing import Any

from specimeter.errors import RecordError, SpecimeterError
from specimeter.files import sync_folder, write
from specimeter_napari import delta

FORMAT, VERSION = "specimeter-journal", 1

try:
    import fcntl
except ImportError:  # not POSIX: two windows on one specimen are then not told of each other
    fcntl = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Replayed:
    """What a journal holds: where its edits began, every state since, and which of them was the last one shown."""

    head: dict[str, Any]
    states: list[tuple[str, Any]]  # label and state, the first is where it began
    made: list[Any]  # of each state, what the window works with
    at: int
    lines: int  # of the file, which hold all this
    whole: bool  # nothing stands behind them


class Journal:
    """An open journal; it belongs to one window at a time."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._stream: FileIO | None = None
        self._last: Any = None
        self._lines: list[bytes] = []  # all that is on disk
        self._sound = True  # nothing that failed lies behind them

    def begin(self, head: dict[str, Any], state: Any) -> None:
        """Start afresh from a state. Raises RecordError if it cannot be written, or another window holds it."""
        with _explained(self.path):
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._open("w+b")
            self._lines, self._sound = [], True
            self._write({"format": FORMAT, "version": VERSION, "head": head, "state": state})
            sync_folder(self.path.parent)
        self._last = state

    def go_on(self, replayed: Replayed) -> None:
        """Go on writing behind what was read; what was cut off at the end is taken away."""
        with _explained(self.path):
            self._open("r+b")
            self._lines, self._sound = list(_whole_lines(self.path.read_bytes()))[: replayed.lines], True
            self._stream.truncate(sum(map(len, self._lines)))
            self._stream.seek(0, os.SEEK_END)
        self._last = replayed.states[replayed.at][1]

    def edit(self, label: str, state: Any) -> None:
        """Write down the change to a new state."""
        with _explained(self.path):
            self._write({"act": "edit", "label": label, "change": delta.between(self._last, state)})
        self._last = state

    def moved(self, act: str, state: Any) -> None:
        """Write down that the state is that before ("undo") or after ("redo") the present one."""
        with _explained(self.path):
            self._write({"act": act})
        self._last = state

    def is_left(self) -> bool:
        """Whether something stands in the file, and no window holds it."""
        try:
            with open(self.path, "rb") as stream:
                _lock(stream, self.path)
                return stream.read(1) != b""
        except OSError:  # none there, or held: a RecordError is one too
            return False

    @property
    def is_open(self) -> bool:
        return self._stream is not None

    def close(self, *, forget: bool) -> None:
        """Let go of it; `forget`: its edits are in the record, so the file goes too."""
        if self._stream is not None:
            self._stream.close()
            self._stream = None
            if forget:
                with contextlib.suppress(FileNotFoundError):
                    self.path.unlink()

    def _open(self, mode: str) -> None:
        if "w" in mode and self.path.exists():
            with open(self.path, "rb") as held:
                _lock(held, self.path)
        stream = open(self.path, mode, buffering=0)  # noqa: SIM115  it stays open as long as the window
        try:
            _lock(stream, self.path)
        except BaseException:
            stream.close()
            raise
        self._stream = stream

    def _write(self, entry: dict[str, Any]) -> None:
        text = json.dumps(entry, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
        line = b"%08x %s\n" % (zlib.crc32(text), text)
        if not self._sound:  # whether the last line is there cannot be known (a flush that failed is not to be trusted again)
            write(self.path, b"".join(self._lines))
            self._stream.close()
            self._open("r+b")
            self._stream.seek(0, os.SEEK_END)
        self._sound = False
        left = memoryview(line)
        while left:
            left = left[self._stream.write(left) :]
        os.fsync(self._stream.fileno())
        self._lines.append(line)
        self._sound = True


def replay(path: Path, reads: Callable[[Any], Any] = lambda state: state) -> Replayed | None:
    """What a journal holds, as far as it was written whole; None if there is none, or not even its first line.

    `reads` makes of a state what a window works with; a state that it refuses with a SpecimeterError was written by none.
    """
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        return None
    head, states, made, at, lines = {}, [], [], 0, []
    for number, line in enumerate(_whole_lines(content), start=1):
        try:
            entry = json.loads(line[9:])
            if number == 1:
                if (entry["format"], entry["version"]) != (FORMAT, VERSION):
                    return None
                made = [reads(entry["state"])]
                head, states = dict(entry["head"]), [("opened", entry["state"])]
            elif entry["act"] == "edit":
                state = delta.applied(states[at][1], entry["change"])
                made[at + 1 :] = [reads(state)]
                states[at + 1 :] = [(str(entry["label"]), state)]
                at += 1
            else:
                to = at + {"undo": -1, "redo": 1}[entry["act"]]
                if not 0 <= to < len(states):
                    break
                at = to
        except (SpecimeterError, ValueError, LookupError, TypeError, AttributeError, RecursionError):
            break  # its sum holds, but no window wrote it
        lines.append(line)
    if not states:
        return None
    return Replayed(head=head, states=states, made=made, at=at, lines=len(lines), whole=sum(map(len, lines)) == len(content))


def _whole_lines(content: bytes) -> Iterator[bytes]:
    for line in content.splitlines(keepends=True):
        text = line[9:-1]
        if not line.endswith(b"\n") or line[:9] != b"%08x " % zlib.crc32(text):
            return
        yield line


def _lock(stream, path: Path) -> None:
    if fcntl is None:
        return
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        raise RecordError(
            "another window is working on this specimen",
            file=path,
            expected="one window for one specimen",
            mend="go on in the other window, or close it first",
        ) from error


@contextlib.contextmanager
def _explained(path: Path) -> Iterator[None]:
    try:
        yield
    except RecordError:
        raise
    except OSError as error:
        raise RecordError(
            f"the journal of your edits cannot be written ({error.strerror or error})",
            file=path,
            expected="a folder for records that can be written to, with room on its disk",
            mend="choose another folder for records in the step Finding",
        ) from error
