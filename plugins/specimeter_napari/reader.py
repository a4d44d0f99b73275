"""napari's own ways in: its Open menu, drag and drop, and its sample data, all handed to the bench of that window."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from specimeter.data import sample_images
from specimeter_napari import opening


def reader(path: str | Sequence[str]) -> Callable[[Any], list] | None:
    """A function that opens photographs and records on the bench, or None for anything else."""
    if not isinstance(path, str):
        return None
    place = Path(path)
    known = place.suffix.lower() in opening.PHOTOGRAPHS or place.name == "record.json" or (place / "record.json").is_file()
    return _open if known else None


def sample() -> list:
    """The first sample, on the bench."""
    return _open(str(sample_images() / "side-bend-exceeds.jpg"))


def _open(path: Any) -> list:
    import napari

    from specimeter_napari.bench import Bench

    viewer = napari.current_viewer()
    bench = next((found for found in viewer.window._qt_window.findChildren(Bench)), None)
    if bench is None:
        _, bench = viewer.window.add_plugin_dock_widget("specimeter", "Bench")
    bench.open(path)
    return [(None,)]  # the bench shows it: there is no layer to add
