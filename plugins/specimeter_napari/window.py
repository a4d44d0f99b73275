"""The window of `specimeter open`: napari with the bench at its side and everything else put away."""

from __future__ import annotations

from pathlib import Path

import napari
from qtpy.QtCore import Qt

from specimeter_napari.bench import Bench


def bench_window(*, out: Path | None = None, show: bool = True) -> tuple[napari.Viewer, Bench]:
    """A new window with the bench in it."""
    viewer = napari.Viewer(title="specimeter", show=show, show_welcome_screen=False)
    bench = Bench(viewer, out=out)
    viewer.window.add_dock_widget(bench, name="Bench", area="right", allowed_areas=["left", "right"])
    put_away(viewer)
    return viewer, bench


def put_away(viewer: napari.Viewer) -> None:
    """Hide napari's own panels: they come back from its Window menu."""
    for dock in (viewer.window._qt_viewer.dockLayerControls, viewer.window._qt_viewer.dockLayerList):
        dock.setVisible(False)


def run(path: Path | None, *, sheet: Path | None, limits: Path | None, out: Path | None) -> None:
    """Open the window on a photograph, record or folder and stay until it is closed."""
    viewer, bench = bench_window(out=out)
    viewer.window._qt_window.setWindowState(Qt.WindowState.WindowMaximized)
    if path is not None:
        bench.open(path, sheet=sheet, limits_file=limits)
    napari.run()
