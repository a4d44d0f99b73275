"""Points, lines and closed outlines: where lines meet, what is nearest, enclosed, crossed, and in the middle."""

from __future__ import annotations

import numpy as np

from specimeter.segment.plates import Run

PARTS = 12  # places along a line's middle


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


def middle_of(outline: np.ndarray) -> np.ndarray:
    """The middle line of a slender outline from end to end, shape (PARTS, 2), straight where it hardly has one."""
    points = np.asarray(outline, float)
    closed = np.concatenate([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    points = np.column_stack([np.interp(np.linspace(0, along[-1], 240, endpoint=False), along, column) for column in closed.T])
    centre = points.mean(axis=0)
    way = np.linalg.svd(points - centre, full_matrices=False)[2][0]
    reach = (points - centre) @ way
    edges = np.linspace(reach.min(), reach.max() + 1e-9, PARTS + 1)
    part = np.clip(np.searchsorted(edges, reach, side="right") - 1, 0, PARTS - 1)
    return np.array([points[part == k].mean(axis=0) if (part == k).any() else centre + edges[k] * way for k in range(PARTS)])
