"""Figures of the bench from a real window: acts and seconds a sample, an edit among 300 features, memory and moves at 24 MP.

    xvfb-run -a -s "-screen 0 1600x1000x24" python tests/benchmarks/bench_window.py [samples | edits | memory | moves]

Acts are keys as a person presses them: open, A for each proposal, Shift+A, Ctrl+S; a person adds the time to look. Seconds are
the machine's own, on the wall and of the processor. Screens without a graphics card draw by the processor, and slower.
"""

from __future__ import annotations

import os
import resource
import statistics
import sys
import tempfile
import time
from pathlib import Path

os.environ["XDG_CONFIG_HOME"] = tempfile.mkdtemp()  # the person's own settings stay out of it

import cv2
import numpy as np
from qtpy.QtCore import Qt
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication
from review_acts import crowded
from specimeter_napari.window import bench_window

from specimeter import files
from specimeter.data import sample_images
from specimeter.record import edit, model
from specimeter.segment import trace

SHIFT, CONTROL = Qt.KeyboardModifier.ShiftModifier, Qt.KeyboardModifier.ControlModifier


class Person:
    """Presses keys in a window and waits until its work is over."""

    def __init__(self) -> None:
        self.viewer, self.bench = bench_window(out=Path(tempfile.mkdtemp()))
        self.window = self.viewer.window._qt_window
        self.window.resize(1366, 768)
        self.window.activateWindow()
        self.bench.name_person("A. Reader")
        self.acts = 0
        self.settle(0.5)

    def settle(self, seconds: float = 0.05) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end or self.bench.work is not None:
            QApplication.processEvents()
            time.sleep(0.002)

    def open(self, path: Path) -> None:
        self.acts += 1
        self.bench.open(path)
        while self.bench.session is None or self.bench.session.record is None:
            self.settle()

    def key(self, key, modifier=Qt.KeyboardModifier.NoModifier) -> None:
        self.acts += 1
        QTest.keyClick(QApplication.focusWidget() or self.window, key, modifier)
        self.settle()

    def leave(self) -> None:
        self.bench.leave()
        self.viewer.close()


def samples() -> None:
    """From photograph to reviewed and written record, on every sample."""
    person = Person()
    for sheet in sorted(sample_images().glob("*.sheet.toml")):
        name = sheet.name.removesuffix(".sheet.toml")
        person.bench.leave()
        person.acts, wall, processor = 0, time.monotonic(), time.process_time()
        person.open(sheet.with_name(f"{name}.jpg"))
        person.bench.rest()
        while any(one.status == "proposed" for one in person.bench.session.record.features):
            person.key(Qt.Key.Key_A)
        person.key(Qt.Key.Key_A, SHIFT)
        person.key(Qt.Key.Key_S, CONTROL)
        person.settle()
        record = person.bench.session.record
        assert record.review.state == "reviewed", name
        assert model.load(person.bench.session.folder) == record, name
        wall, processor = time.monotonic() - wall, time.process_time() - processor
        print(f"{name:<32} {person.acts:3} acts {wall:6.1f} s on the wall {processor:6.1f} s of the processor", flush=True)
    person.leave()


def edits(number: int = 300) -> None:
    """One accept among many: until the verdicts and all words stand, and until the picture is painted; processor time."""
    photo, record = crowded(number)
    folder = Path(tempfile.mkdtemp()) / record.id
    folder.mkdir()
    files.write(folder / "record.json", model.dump(record))
    files.write(folder / "p1.jpg", photo.path.read_bytes())
    person = Person()
    person.open(folder)
    person.settle(1.0)
    shown, painted = [], []
    for feature in record.features[1:21]:
        began = time.process_time()
        person.bench.act("accepted", edit.confirm, [feature.id])
        shown.append(time.process_time() - began)
        QApplication.processEvents()
        painted.append(time.process_time() - began)
    middle = lambda times: f"{1000 * statistics.median(times):.0f} ms (worst {1000 * max(times):.0f})"
    print(f"{len(record.features)} features, 20 accepts: shown after {middle(shown)}, painted after {middle(painted)}")
    person.leave()


def memory() -> None:
    """Peak memory of the process with a photograph of 24 megapixels measured, all of its features accepted, and written."""
    name = "side-bend-exceeds"
    folder = Path(tempfile.mkdtemp())
    large = cv2.resize(cv2.imread(str(sample_images() / f"{name}.jpg")), (5660, 4245), interpolation=cv2.INTER_CUBIC)
    files.write(folder / f"{name}.jpg", cv2.imencode(".jpg", large)[1].tobytes())
    for kind in ("sheet", "limits"):
        files.write(folder / f"{name}.{kind}.toml", (sample_images() / f"{name}.{kind}.toml").read_bytes())
    person = Person()
    began = time.monotonic()
    person.bench.open(folder / f"{name}.jpg")
    while not person.bench.picture.panes:
        QApplication.processEvents()
    QApplication.processEvents()
    print(f"24 MP: first painted after {time.monotonic() - began:.1f} s on the wall")
    while person.bench.session is None or person.bench.session.record is None:
        person.settle()
    person.key(Qt.Key.Key_A)
    person.key(Qt.Key.Key_S, CONTROL)
    person.settle()
    print(f"24 MP: peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
    person.leave()


def moves(number: int = 200) -> None:
    """The live path while tracing in 24 megapixels of noise, the hardest there is: seconds of a click and of a move."""
    light = np.random.default_rng(1).random((4000, 6000), dtype=np.float32)
    began = time.process_time()
    path = trace.EdgePath(light, np.array([3000.0, 2000.0]))
    clicked = time.process_time() - began
    took = []
    for turn in np.linspace(0, 6 * np.pi, number):
        began = time.process_time()
        path.to(np.array([3000.0, 2000.0]) + 140 * np.array([np.cos(turn), np.sin(turn)]))
        took.append(time.process_time() - began)
    first, *later = (1000 * seconds for seconds in took)
    told = (
        f"a move {statistics.median(later):.1f} ms (worst {max(later):.1f}; the first, which may load a library, {first:.0f})"
    )
    print(f"24 MP: a click {1000 * clicked:.0f} ms, {told}")


if __name__ == "__main__":
    for part in sys.argv[1:] or ["samples", "edits", "memory", "moves"]:
        {"samples": samples, "edits": edits, "memory": memory, "moves": moves}[part]()
