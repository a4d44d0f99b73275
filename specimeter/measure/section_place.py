"""Where an imperfection lies in a section: how far from the metal's surface and the fusion line, and how far along that."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from specimeter.segment.polylines import nearest

ON_FACE_MM = 0.15  # points of the weld metal's outline so near to the metal's are its faces, not its fusion line
AT_LINE_MM = 0.5  # what lies so near to the fusion line lies at it
SHORTEST_MM = 1.0
STEP_MM = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Distances in mm, between nearest points; 0 where they touch.

    Parameters
    ----------
    to_surface_mm : float
        From the feature to the metal's outline.
    to_fusion_line_mm, along_fusion_line_mm : float or None
        To the nearest fusion line, and along that from its end at the weld's face; None where no fusion line is known.
    """

    to_surface_mm: float
    to_fusion_line_mm: float | None = None
    along_fusion_line_mm: float | None = None


def fusion_lines(weld_mm: np.ndarray, metal_mm: np.ndarray) -> list[np.ndarray]:
    """The stretches of the weld metal's outline, closed (N, 2), that are no surface of the metal's, each from end to end."""
    weld = np.asarray(weld_mm, float)
    closed = np.concatenate([metal_mm, metal_mm[:1]])
    inner = np.array([np.hypot(*(nearest(point, closed) - point)) > ON_FACE_MM for point in weld])
    if inner.all() or not inner.any():
        return []
    start = int(np.flatnonzero(~inner)[0])
    weld, inner = np.roll(weld, -start, axis=0), np.roll(inner, -start)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inner, [False]]).astype(int)))
    lines = [weld[max(a - 1, 0) : b + 1] for a, b in edges.reshape(-1, 2)]
    return [line for line in lines if _length(line) > SHORTEST_MM]


def place_of(outline_mm: np.ndarray, metal_mm: np.ndarray, lines: Sequence[np.ndarray]) -> Place:
    """Where one outline lies; all in mm."""
    to_surface = _apart(outline_mm, np.concatenate([metal_mm, metal_mm[:1]]))
    if not lines:
        return Place(to_surface_mm=to_surface)
    line = min(lines, key=lambda one: _apart(outline_mm, one))
    at = nearest(np.mean(outline_mm, axis=0), line)
    return Place(to_surface_mm=to_surface, to_fusion_line_mm=_apart(outline_mm, line), along_fusion_line_mm=_along(at, line))


def nearer(outline_mm: np.ndarray, toes_mm: Mapping[int, np.ndarray]) -> int | None:
    """On whose side an outline lies: the number of the toe [s, a] nearer to its middle; None unless both are known."""
    if len(toes_mm) < 2:
        return None
    middle = np.mean(outline_mm, axis=0)
    return min(toes_mm, key=lambda number: float(np.hypot(*(toes_mm[number] - middle))))


def unfused(outlines_mm: Sequence[np.ndarray], lines: Sequence[np.ndarray]) -> tuple[float, float] | None:
    """Length of fusion line at which one of the outlines lies, and the length of all fusion lines; None without any.

    Two outlines side by side on the same stretch count once.
    """
    whole = sum(_length(line) for line in lines)
    if not lines or whole <= 0:
        return None
    lost = 0.0
    for line in lines:
        reach = np.arange(0.0, _length(line), STEP_MM)
        covered = np.zeros(len(reach), bool)
        for outline in outlines_mm:
            if _apart(outline, line) <= AT_LINE_MM:
                span = [_along(nearest(point, line), line) for point in outline]
                covered |= (reach >= min(span)) & (reach <= max(span))
        lost += float(covered.sum()) * STEP_MM
    return lost, whole


def _length(line: np.ndarray) -> float:
    return float(np.sum(np.hypot(*np.diff(line, axis=0).T)))


def _apart(outline: np.ndarray, path: np.ndarray) -> float:
    """Least distance between an outline's points and a path."""
    return float(min(np.hypot(*(nearest(point, path) - point)) for point in np.asarray(outline, float)))


def _along(point: np.ndarray, line: np.ndarray) -> float:
    """Distance along a path from its first point to the place nearest to a point."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    start, step = line[:-1], np.diff(line, axis=0)
    share = np.clip(np.sum((point - start) * step, axis=1) / np.maximum(np.sum(step**2, axis=1), 1e-18), 0.0, 1.0)
    off = np.hypot(*(start + share[:, None] * step - point).T)
    k = int(np.argmin(off))
    return float(along[k] + share[k] * (along[k + 1] - along[k]))
