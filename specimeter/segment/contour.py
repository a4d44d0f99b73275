"""Contours: equal steps, outward normals, light read between pixels, outlines that cross themselves mended."""

from __future__ import annotations

import cv2
import numpy as np
import scipy

from specimeter import lookup

TOUCH = 1e-9  # share of a side: what meets another so near its end touches it, but for rounding


def evenly(polygon: np.ndarray, step: float) -> np.ndarray:
    """The polygon resampled at equal steps along its length."""
    closed = np.vstack([polygon, polygon[:1]])
    lengths = np.hypot(*np.diff(closed, axis=0).T)
    travelled = np.concatenate([[0.0], np.cumsum(lengths)])
    count = max(12, round(travelled[-1] / step))
    at = np.arange(count) * travelled[-1] / count
    return np.column_stack([np.interp(at, travelled, closed[:, k]) for k in (0, 1)])


def through_tips(polygon: np.ndarray, step: float) -> np.ndarray:
    """The same, each side by itself between the two points that lie farthest apart, so that both stay where they are.

    Equal steps all the way round pass a sharp tip by: by a quarter of a step on average, by half of one at most.
    """
    hull = cv2.convexHull(polygon.astype(np.float32), returnPoints=False).ravel()
    corners = polygon[hull] - polygon[hull[0]]
    squares = np.sum(corners**2, axis=1)
    gaps = squares[:, None] + squares - 2 * corners @ corners.T
    i, j = sorted(hull[list(np.unravel_index(int(np.argmax(gaps)), gaps.shape))])
    sides = []
    for side in (polygon[i : j + 1], np.vstack([polygon[j:], polygon[: i + 1]])):
        travelled = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(side, axis=0).T))])
        at = np.linspace(0.0, travelled[-1], max(6, round(travelled[-1] / step)), endpoint=False)
        sides.append(np.column_stack([np.interp(at, travelled, side[:, k]) for k in (0, 1)]))
    return np.concatenate(sides)


def normals(polygon: np.ndarray, reach: int) -> np.ndarray:
    """Outward unit normals of an evenly sampled polygon."""
    chord = np.roll(polygon, -reach, axis=0) - np.roll(polygon, reach, axis=0)
    area = np.sum(polygon[:, 0] * np.roll(polygon[:, 1], -1) - np.roll(polygon[:, 0], -1) * polygon[:, 1])
    sign = 1.0 if area > 0 else -1.0
    return sign * np.column_stack([chord[:, 1], -chord[:, 0]]) / (np.hypot(*chord.T)[:, None] + 1e-9)


def sample(field: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A field at places between its pixels; beyond its border, what is nearest."""
    return lookup.at(field, x.astype(np.float32), y.astype(np.float32), border=cv2.BORDER_REPLICATE)


def within(polygon: np.ndarray, bound: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The polygon with every point beyond a closed bound set onto it, to a quarter pixel; and which points those are.

    From where it leaves the bound to where it comes back it runs one way along it: there and back again it would cross itself.
    """
    closed = np.asarray(bound, np.float32).reshape(-1, 1, 2)
    beyond = np.array([cv2.pointPolygonTest(closed, (float(x), float(y)), False) < 0 for x, y in polygon])
    if not beyond.any():
        return polygon, beyond
    border = evenly(np.asarray(bound, float), 0.25)
    nearest = scipy.spatial.KDTree(border).query(polygon[beyond])[1]
    held, order = polygon.copy(), np.roll(np.arange(len(polygon)), -int(np.argmin(beyond)))  # begins within
    at = np.zeros(len(polygon), int)
    at[beyond] = nearest
    for run in np.split(order, np.flatnonzero(np.diff(beyond[order])) + 1):
        if beyond[run[0]]:
            gone = (at[run] - at[run[0]] + len(border) // 2) % len(border) - len(border) // 2
            gone = np.sign(gone[-1]) * np.maximum.accumulate(np.clip(gone * np.sign(gone[-1]), 0, abs(gone[-1])))
            held[run] = border[(at[run[0]] + gone) % len(border)]
    return held, beyond


def uncrossed(points: np.ndarray) -> np.ndarray:
    """A closed outline, shape (N, 2), that crosses itself nowhere: the same points, in another order where it did.

    Where a slit is thinner than its edges can be placed its two sides may pass each other, and an edge that is creased makes a
    loop. What lies between two sides that cross is gone through the other way round: so what is left stays left of what is
    right, and the outline grows shorter each time, until none cross (2-opt: Croes 1958).
    """
    points = np.asarray(points, float)
    while (found := _crossed(points)) is not None:
        first, last = found
        points = np.concatenate([points[: first + 1], points[last:first:-1], points[last + 1 :]])
    return points


def _crossed(points: np.ndarray) -> tuple[int, int] | None:
    """Two sides of a closed outline that cross, first < last; of several the first and its last. None if there are none."""
    step = np.roll(points, -1, axis=0) - points
    pairs = scipy.spatial.KDTree(points + step / 2).query_pairs(
        1.001 * float(np.hypot(*step.T).max()) + 1e-12, output_type="ndarray"
    )
    first, last = np.sort(pairs, axis=1).T
    apart = (last - first > 1) & (last - first < len(points) - 1)
    first, last = first[apart], last[apart]
    gap = points[last] - points[first]
    turn, on_last, on_first = (
        a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0] for a, b in ((step[first], step[last]), (gap, step[first]), (gap, step[last]))
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        meet = np.maximum(np.abs(on_first / turn - 0.5), np.abs(on_last / turn - 0.5)) < 0.5 - TOUCH
    if not meet.any():
        return None
    k = int(np.lexsort((-last, first, ~meet))[0])
    return int(first[k]), int(last[k])
