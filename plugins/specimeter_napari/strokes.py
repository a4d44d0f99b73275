"""Lines on the picture that keep their width on the screen at every zoom, dark-rimmed so that they show on any photograph."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from napari.layers import Vectors

from specimeter_napari import look

RIM_PX = 2.4  # how much wider than the line its dark rim is
MOST_DASHES = 4000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stroke:
    """One polyline in pixels [x, y], shape (N, 2)."""

    points: np.ndarray
    colour: str = look.INK
    closed: bool = True
    dash_px: float = 0.0  # on the screen; 0: unbroken


def segments(strokes: Sequence[Stroke], zoom: float) -> tuple[np.ndarray, np.ndarray]:
    """Start and step of every straight piece as (row, column), shape (M, 2, 2), and its colour, (M, 4): for a Vectors layer."""
    pieces, colours = [], []
    for stroke in strokes:
        points = np.asarray(stroke.points, float).reshape(-1, 2)
        if stroke.closed and len(points) > 2:
            points = np.vstack([points, points[:1]])
        if len(points) < 2:
            continue
        pairs = _dashes(points, stroke.dash_px / zoom) if stroke.dash_px else np.stack([points[:-1], points[1:]], axis=1)
        pieces.append(pairs)
        colours.append(np.tile(look.rgba(stroke.colour), (len(pairs), 1)))
    if not pieces:
        return np.zeros((0, 2, 2)), np.zeros((0, 4))
    pairs = np.concatenate(pieces)[..., ::-1]
    return np.stack([pairs[:, 0], pairs[:, 1] - pairs[:, 0]], axis=1), np.concatenate(colours)


def _dashes(points: np.ndarray, dash: float) -> np.ndarray:
    """Start and end of dashes of that length, as wide apart, shape (M, 2, 2)."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    count = int(np.clip(along[-1] / (2 * max(dash, 1e-6)), 1, MOST_DASHES))
    starts = np.linspace(0, along[-1], count, endpoint=False)
    ends = starts + along[-1] / count / 2
    place = lambda where: np.column_stack([np.interp(where, along, points[:, axis]) for axis in (0, 1)])
    return np.stack([place(starts), place(ends)], axis=1)


class Lines(Vectors):
    """Without the thumbnail, which costs more than the lines themselves and is in a list that the bench puts away."""

    def _update_thumbnail(self) -> None: ...


class Strokes:
    """Two layers of a viewer, rim and line; shown by `show`, kept in width by `rescale`."""

    def __init__(self, viewer, name: str, *, width_px: float) -> None:
        self.width_px, self._shown, self._zoom = width_px, [], 1.0
        style = {"vector_style": "line", "edge_width": 1.0, "length": 1.0, "edge_color": look.DARK}
        self._rim = viewer.add_layer(Lines(np.zeros((0, 2, 2)), name=f"{name}, rim", opacity=0.75, **style))
        self._line = viewer.add_layer(Lines(np.zeros((0, 2, 2)), name=name, opacity=1.0, **style))

    @property
    def layers(self) -> list:
        return [self._rim, self._line]

    @property
    def shown(self) -> list[Stroke]:
        return self._shown

    def show(self, strokes: Sequence[Stroke], zoom: float) -> None:
        """Replace what is shown."""
        if not self._shown and not strokes:
            self._zoom = zoom
            return
        self._shown, self._zoom = list(strokes), zoom
        data, colours = segments(self._shown, zoom)
        self._widths(zoom)
        self._rim.data = data
        self._line.data = data
        if len(data):
            self._line.edge_color = colours

    def rescale(self, zoom: float) -> None:
        """Keep widths and dashes as they are on the screen."""
        if abs(zoom / self._zoom - 1) < 1e-3 or not self._shown:
            return
        if any(stroke.dash_px for stroke in self._shown):
            self.show(self._shown, zoom)
        else:
            self._zoom = zoom
            self._widths(zoom)

    def _widths(self, zoom: float) -> None:
        self._line.edge_width = self.width_px / zoom
        self._rim.edge_width = (self.width_px + RIM_PX) / zoom
