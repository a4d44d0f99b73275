"""A real window for the tests of the bench, on a screen of its own where there is none; mouse and keys as by hand."""

from __future__ import annotations

import contextlib
import itertools
import os
import shutil
import sys
import time

import pytest

from tests.conftest import made_once

HELD = []  # the application: the screen ends with its last client, so one is kept as long as the run
ERRORS = []  # what went wrong in a slot: Qt swallows it, the test must not


def pytest_collection_modifyitems(items):
    """Warnings that napari's own dependencies give are not ours to mend."""
    here = os.path.dirname(__file__)
    for item in items:
        if str(item.path).startswith(here):
            for words in (
                "ignore::pydantic.warnings.PydanticDeprecatedSince20",
                "ignore::DeprecationWarning:vispy.*",
                "ignore::DeprecationWarning:npe2.*",
            ):
                item.add_marker(pytest.mark.filterwarnings(words))


@pytest.fixture(scope="session")
def screen(tmp_path_factory):
    """The display: the one there is, or an Xvfb that ends by itself with its last client, which is this very process."""
    os.environ["XDG_CONFIG_HOME"] = str(tmp_path_factory.mktemp("config"))  # napari's and our own settings: not the person's
    if os.environ.get("DISPLAY") or sys.platform != "linux":
        yield os.environ.get("DISPLAY", "")
        return
    if shutil.which("Xvfb") is None:
        pytest.fail("there is no display and no Xvfb to make one: on Debian, apt-get install xvfb (tests/run does)")
    reads, writes = os.pipe()
    os.set_inheritable(writes, True)
    call = ["Xvfb", "-displayfd", str(writes), "-screen", "0", "2600x1500x24", "-nolisten", "tcp", "-terminate"]
    os.posix_spawnp("Xvfb", call, os.environ, file_actions=[(os.POSIX_SPAWN_OPEN, 2, os.devnull, os.O_WRONLY, 0)])
    os.close(writes)
    with os.fdopen(reads) as told:
        number = told.readline().strip()
    os.environ["DISPLAY"] = f":{number}"
    from qtpy.QtWidgets import QApplication

    HELD.append(QApplication.instance() or QApplication([]))
    yield os.environ["DISPLAY"]


class Hand:
    """A person's hand: waits as a person would, presses keys where the focus is, clicks and drags on the picture."""

    def __init__(self, viewer, bench):
        self.viewer, self.bench, self.window = viewer, bench, viewer.window._qt_window
        self.canvas = viewer.window._qt_viewer.canvas.native
        self.acts = 0

    def settle(self, seconds=0.02):
        """Let the window do what is due: for so long, and until the picture is drawn."""
        from qtpy.QtWidgets import QApplication

        end = time.monotonic() + seconds
        while True:
            QApplication.processEvents()
            if ERRORS:
                raise ERRORS.pop()
            if time.monotonic() > end and not self.bench._picture_due.isActive():
                return
            time.sleep(0.004)

    def wait(self, until, seconds=120):
        """Let the window work until something holds. What a test waits for is a state: no machine is too slow for it."""
        end = time.monotonic() + seconds
        while not until():
            self.settle(0)
            assert time.monotonic() < end, "waited in vain"
            time.sleep(0.01)

    def idle(self):
        """All work is over and shown."""
        self.wait(lambda: self.bench.work is None)
        self.settle()

    def at_rest(self):
        """Whether the canvas is drawn as the camera stands and as large as it is: only then a pixel has a place on it."""
        canvas, camera = self.viewer.window._qt_viewer.canvas, self.viewer.scene.camera
        drawn = canvas.view.scene.transform
        wide, high = self.canvas.width(), self.canvas.height()
        y, x = camera.center[-2:]
        middle, aside = drawn.map([x, y])[:2], drawn.map([x + 100 / camera.zoom, y])[:2]
        there = abs(middle[0] - wide / 2) + abs(middle[1] - high / 2) < 1.5 and abs(aside[0] - middle[0] - 100) < 0.5
        return there and tuple(canvas.size) == (high, wide)

    def whole(self):
        """The whole picture in view."""
        self.wait(self.at_rest)
        self.viewer.reset_view()
        self.wait(self.at_rest)

    def open(self, *paths, **given):
        """Open and wait until all work is over."""
        self.acts += 1
        before = self.bench.session
        self.bench.open(*paths, **given)
        self.wait(lambda: self.bench.session is not before and self.bench.session.begun)
        self.idle()

    def key(self, key, modifier=None):
        from qtpy.QtCore import Qt
        from qtpy.QtTest import QTest
        from qtpy.QtWidgets import QApplication

        self.acts += 1
        none = Qt.KeyboardModifier.NoModifier
        QTest.keyClick(QApplication.focusWidget() or self.window, key, modifier or none)
        if modifier is not None:  # a hand lets go of Ctrl too; else the next row selected would be added to the last
            QTest.keyRelease(QApplication.focusWidget() or self.window, Qt.Key.Key_Control, none)
        self.settle()

    def press(self, button):
        from qtpy.QtCore import Qt
        from qtpy.QtTest import QTest

        self.acts += 1
        QTest.mouseClick(button, Qt.MouseButton.LeftButton)
        self.settle()

    def at(self, point):
        """The canvas's own point for a pixel [x, y] of the photograph."""
        from qtpy.QtCore import QPointF

        self.wait(self.at_rest)
        x, y = self.viewer.window._qt_viewer.canvas.view.scene.transform.map([point[0], point[1]])[:2]
        return QPointF(float(x), float(y))

    def move(self, point):
        self._send("MouseMove", self.at(point), held=False)
        self.settle(0.02)

    def click(self, point, modifier=None):
        self.acts += 1
        place = self.at(point)
        self._send("MouseMove", place, held=False)
        self._send("MouseButtonPress", place, modifier=modifier)
        self._send("MouseButtonRelease", place, modifier=modifier)
        self.settle()

    def double_click(self, point):
        self.acts += 1
        place = self.at(point)
        for event in ("MouseButtonPress", "MouseButtonRelease", "MouseButtonDblClick", "MouseButtonRelease"):
            self._send(event, place)
        self.settle()

    def drag(self, points, steps=6):
        """Press at the first point, move through all, let go at the last; napari takes one move in 5 ms."""
        self.acts += 1
        places = [self.at(point) for point in points]
        self._send("MouseMove", places[0], held=False)
        self._send("MouseButtonPress", places[0])
        for one, other in itertools.pairwise(places):
            for step in range(1, steps + 1):
                self._send("MouseMove", one + (other - one) * (step / steps))
                self.settle(0.008)
        self._send("MouseButtonRelease", places[-1])
        self.settle()

    def _send(self, kind, place, held=True, modifier=None):
        from qtpy.QtCore import QEvent, QPointF, Qt
        from qtpy.QtGui import QMouseEvent
        from qtpy.QtWidgets import QApplication

        left, none = Qt.MouseButton.LeftButton, Qt.MouseButton.NoButton
        own = none if kind == "MouseMove" else left
        buttons = left if held and kind != "MouseButtonRelease" else none
        world = QPointF(self.canvas.mapToGlobal(place.toPoint()))
        event = QMouseEvent(getattr(QEvent.Type, kind), place, world, own, buttons, modifier or Qt.KeyboardModifier.NoModifier)
        QApplication.sendEvent(self.canvas, event)


@pytest.fixture(scope="session")
def window(screen):
    """One window for the whole run of a worker: making it takes longer than most tests."""
    from specimeter_napari.window import bench_window

    hook = sys.excepthook
    sys.excepthook = lambda kind, error, trace: ERRORS.append(error)
    viewer, bench = bench_window()
    viewer.window._qt_window.resize(1366, 768)
    viewer.window._qt_window.activateWindow()
    hand = Hand(viewer, bench)
    hand.wait(hand.window.isVisible)
    hand.settle(0.3)
    yield hand
    bench.leave()
    viewer.close()
    sys.excepthook = hook


@pytest.fixture(scope="session")
def written(bend_case, tmp_path_factory):
    """The folder of a record, proposed and not reviewed, with its photograph."""
    from specimeter import job

    made = lambda out: job.measure(bend_case.photo, bend_case.sheet, bend_case.limits, out=out)
    return next(path for path in made_once(tmp_path_factory, "window-record", made).iterdir() if path.is_dir())


@pytest.fixture
def case(bend_case, tmp_path):
    """The rendered bend with its sheet and limits, in a folder that may be written to."""
    for path in (bend_case.photo, bend_case.sheet, bend_case.limits):
        shutil.copy(path, tmp_path / path.name)
    return tmp_path / bend_case.photo.name


@pytest.fixture
def proposed_in(written, tmp_path):
    """A function that opens a copy of that record in a window and returns the copy's folder."""

    def opened(hand):
        hand.bench.out = None
        folder = shutil.copytree(written, tmp_path / "records" / written.name)
        hand.open(folder)
        return folder

    return opened


@pytest.fixture
def proposed(hand, proposed_in):
    """The window with a copy of that record open in it."""
    proposed_in(hand)
    return hand


@pytest.fixture
def hand(window, tmp_path):
    """The window with an empty bench, a person at it and a folder for records of its own."""
    from qtpy.QtWidgets import QApplication

    bench = window.bench
    bench.out = tmp_path / "records"
    bench.name_person("Ada Tester")
    bench.go("specimen")
    bench.rest()
    window.window.raise_()
    window.window.activateWindow()  # another test's window may have had the keys
    window.wait(window.window.isActiveWindow, 20)
    window.acts = 0
    ERRORS.clear()
    yield window
    while (menu := QApplication.activePopupWidget()) is not None:  # an open menu keeps every key from the window
        menu.close()
    bench.stop_work()
    with contextlib.suppress(Exception):
        bench.take(None)
    bench.leave()
    bench.picture.clear()
    if bench.unrolled is not None:
        bench._unrolled_dock.setVisible(False)
    bench.wrong.say("")
    bench.selected = ()
    window.settle(0.05)
    assert not ERRORS, ERRORS
