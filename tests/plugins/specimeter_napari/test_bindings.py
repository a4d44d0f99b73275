"""The window with the other Qt binding: started in a process of its own, a specimen opened, decided, and the window closed."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from contextlib import nullcontext

import pytest
from qtpy import API_NAME

from specimeter.errors import SpecimeterError
from specimeter.record import model

OTHER = {"PyQt6": "pyside6", "PySide6": "pyqt6"}
START = """
import sys
from pathlib import Path

import qtpy
from qtpy.QtCore import Qt
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication
from specimeter_napari.window import bench_window

viewer, bench = bench_window(out=Path(sys.argv[1]).parent)
bench.name_person("Ada Tester")
bench.open(sys.argv[1])
while bench.session is None or bench.session.record is None:
    QApplication.processEvents()
window = viewer.window._qt_window
window.resize(1366, 768)
for step in range(1, 7):
    bench.go_number(step)
    QApplication.processEvents()
bench.go("features")
bench.select((bench.session.record.features[0].id,))
QApplication.processEvents()
QTest.mouseClick(bench.pages["features"].accept_button, Qt.MouseButton.LeftButton)
bench.show_unrolled()
bench.write()
while bench.work is not None:
    QApplication.processEvents()
QApplication.processEvents()
viewer.close()
print(qtpy.API_NAME, bench.wrong.text())
"""


@pytest.mark.parametrize(
    ("binding", "version", "python", "refused"),
    [
        ("PySide6", "6.12.0", (3, 11, 7), True),
        ("PySide6", "6.12.0", (3, 12, 0), False),
        ("PySide6", "6.11.2", (3, 11, 7), False),
        ("PyQt6", None, (3, 11, 7), False),
    ],
)
def test_a_binding_that_would_end_the_process_is_refused(monkeypatch, binding, version, python, refused):
    """Counted on Python 3.11: 1000 calls of a function without a result took 1000 references from None with 6.12.0, none with
    6.11.2.
    """
    from specimeter_napari import window

    monkeypatch.setattr(window.qtpy, "API_NAME", binding)
    monkeypatch.setattr(window.qtpy, "PYSIDE_VERSION", version)
    monkeypatch.setattr("sys.version_info", python)
    with pytest.raises(SpecimeterError, match="ends the window") if refused else nullcontext():
        window.check_binding()


def test_the_window_works_with_the_other_binding_too(screen, written, tmp_path):
    """Every step shown, a feature accepted by the mouse, the record written: what is on disk says so."""
    folder = shutil.copytree(written, tmp_path / "records" / written.name)
    api = OTHER[API_NAME]
    ended = subprocess.run(
        [sys.executable, "-c", START, str(folder)],
        env={**os.environ, "QT_API": api, "XDG_CONFIG_HOME": str(tmp_path / "config")},
        capture_output=True,
        text=True,
        timeout=240,
    )
    assert ended.returncode == 0, ended.stderr
    assert ended.stdout.strip().lower() == api, (ended.stdout, ended.stderr)
    assert "Traceback" not in ended.stderr
    assert model.load(folder).features[0].status == "confirmed"
