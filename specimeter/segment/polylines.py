"""Points, lines and closed outlines in mm: where lines meet, what is nearest, what is enclosed, what is crossed."""

from __future__ import annotations

import numpy as np

from specimeter.segment.plates import Run


def corner(one: Run, other: Run) -> np.ndarray | None:
    """Where two plate surfaces' lines meet, shape (2,); None if they are parallel."""
    sides = np.column_stack([one.direction, -other.direction])
    if abs(np.linalg.det(sides)) < 0.05:
        return None
    along = np.linalg.solve(sides, other.point - one.point)[0]
    return one.at(float(along))


def nearest(point: np.ndarray, path: np.ndarray) -> np.ndarray:
    """The point of an open path, shape (N, 2), that is nearest to a point, shape (2,)."""
    start, step = path[:-1], np.diff(path, axis=0)
    share = np.clip(np.sum((point - start) * step, axis=1) / np.maximum(np.sum(step**2, axis=1), 1e-18), 0.0, 1.0)
    places = start + share[:, None] * step
    return places[int(np.argmin(np.sum((places - point) ** 2, axis=1)))]


def area_mm2(polygon: np.ndarray) -> float:
    """Area inside a polygon in mm (shoelace formula)."""
    x, y = polygon.T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)


def crossings(polygon: np.ndarray, start: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """Distances along a line from `start` at which it crosses a closed polygon, ascending."""
    normal = np.array([-direction[1], direction[0]])
    side = (polygon - start) @ normal
    along = (polygon - start) @ direction
    following, after = np.roll(side, -1), np.roll(along, -1)
    cut = (side > 0) != (following > 0)
    share = side[cut] / (side[cut] - following[cut])
    return np.sort(along[cut] + share * (after[cut] - along[cut]))
