"""The window of `specimeter open`: napari with the bench at its side and everything else put away."""

from __future__ import annotations

import gc
from collections.abc import Sequence
from pathlib import Path

import napari
import numpy as np
import qtpy
from qtpy.QtCore import Qt, QTimer

from specimeter.doctor import unsteady_binding
from specimeter.errors import SpecimeterError
from specimeter_napari.bench import Bench


def bench_window(*, out: Path | None = None, show: bool = True) -> tuple[napari.Viewer, Bench]:
    """A new window with the bench in it.

    What the libraries loaded stays as long as the process: the collector need not walk it, which took 0.2 s at each tenth edit.
    """
    gc.collect()
    gc.freeze()
    viewer = napari.Viewer(title="specimeter", show=show, show_welcome_screen=False)
    bench = Bench(viewer, out=out)
    viewer.window.add_dock_widget(bench, name="Bench", area="right", allowed_areas=["left", "right"])
    put_away(viewer)
    QTimer.singleShot(0, warm)
    return viewer, bench


def warm() -> None:
    """The first layer of a process waits half a second for napari's tables of units: had now, while a photograph is read."""
    napari.layers.Image(np.zeros((2, 2, 3), np.uint8), rgb=True)


def put_away(viewer: napari.Viewer) -> None:
    """Hide napari's own panels: they come back from its Window menu."""
    for dock in (viewer.window._qt_viewer.dockLayerControls, viewer.window._qt_viewer.dockLayerList):
        dock.setVisible(False)


def check_binding() -> None:
    """Refuse a binding of Qt that is known to end the process: `specimeter.doctor.unsteady_binding`. Raises SpecimeterError."""
    if unsteady := unsteady_binding(qtpy.API_NAME, qtpy.PYSIDE_VERSION or "0"):
        raise SpecimeterError(
            unsteady, expected="PySide6 below 6.12, or PyQt6, or Python 3.12", mend='pip install "PySide6<6.12"'
        )


def run(paths: Sequence[Path], *, sheet: Path | None, limits: Path | None, out: Path | None) -> None:
    """Open the window on photographs of one specimen, a record or a folder, and stay until it is closed."""
    check_binding()
    viewer, bench = bench_window(out=out)
    viewer.window._qt_window.setWindowState(Qt.WindowState.WindowMaximized)
    if paths:
        bench.open(*paths, sheet=sheet, limits_file=limits)
    napari.run()
