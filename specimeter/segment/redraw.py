"""Changing an outline by hand: cut in two, a part drawn anew, a point dragged, painted larger or smaller, several made one."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import cv2
import numpy as np
import skimage

from specimeter.errors import OutlineError
from specimeter.segment.trace import even

FINE = 4  # cells to a pixel in which painting is done


def split(outline_px: np.ndarray, stroke_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Two outlines, cut along a stroke that crosses the outline; both keep the places of the points they had.

    Raises
    ------
    OutlineError
        If the stroke does not cross it from side to side.
    """
    first, second, path, ring = _crossed(outline_px, stroke_px)
    one, other = _arc(ring, first, second), _arc(ring, second, first)
    return _distinct(np.vstack([one, path[::-1]])), _distinct(np.vstack([other, path]))


def part_redrawn(outline_px: np.ndarray, stroke_px: np.ndarray) -> np.ndarray:
    """The outline with the part between a stroke's first and last crossing replaced by the stroke.

    Of the two parts the one that lies nearer to the stroke gives way. Raises OutlineError as `split` does.
    """
    first, second, path, ring = _crossed(outline_px, stroke_px)
    one, other = _arc(ring, first, second), _arc(ring, second, first)
    if _apart(one, path) <= _apart(other, path):
        return _distinct(np.vstack([path, other]))
    return _distinct(np.vstack([one, path[::-1]]))


def dragged(outline_px: np.ndarray, start_px: np.ndarray, end_px: np.ndarray, *, reach_px: float | None = None) -> np.ndarray:
    """The outline with the point of it that is nearest to `start_px` put at `end_px`; the others follow the less the farther.

    Parameters
    ----------
    reach_px : float, optional
        How far along the outline others follow; a twelfth of its length unless given.
    """
    ring = even(np.asarray(outline_px, float).reshape(-1, 2))
    steps = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    at = np.concatenate([[0.0], np.cumsum(steps)[:-1]])
    nearest = int(np.argmin(np.linalg.norm(ring - start_px, axis=1)))
    apart = np.abs(at - at[nearest])
    apart = np.minimum(apart, steps.sum() - apart)
    reach = steps.sum() / 12 if reach_px is None else reach_px
    follows = np.clip(1 - apart / max(reach, 1e-9), 0, 1)
    return ring + follows[:, None] * (np.asarray(end_px, float) - ring[nearest])


def painted(outline_px: np.ndarray | None, stroke_px: np.ndarray, *, radius_px: float, add: bool = True) -> np.ndarray:
    """The outline with a brush stroke added or taken away; None: the stroke alone. The largest piece is kept.

    Raises
    ------
    OutlineError
        If nothing is left, or the stroke lies apart from the outline.
    """
    stroke = np.asarray(stroke_px, float).reshape(-1, 2)
    shapes = [stroke - radius_px - 2, stroke + radius_px + 2] + ([] if outline_px is None else [outline_px])
    low, canvas = _canvas(shapes)
    brush = canvas.copy()
    path = _cells(stroke, low)
    cv2.polylines(brush, [path], False, 1, max(1, round(2 * radius_px * FINE)))
    for end in (path[0], path[-1]):
        cv2.circle(brush, tuple(int(v) for v in end.ravel()), max(1, round(radius_px * FINE)), 1, -1)
    if outline_px is None:
        return _largest(brush, low)
    cv2.fillPoly(canvas, [_cells(outline_px, low)], 1)
    if add and not (canvas & brush).any():
        raise OutlineError(
            "the stroke does not touch the feature", mend="begin inside it, or lay the selection down to add another"
        )
    return _largest(canvas | brush if add else canvas & ~brush & 1, low)


def merged(outlines_px: Sequence[np.ndarray]) -> np.ndarray:
    """One outline around several that touch or overlap.

    Raises
    ------
    OutlineError
        If they lie apart.
    """
    low, canvas = _canvas(outlines_px)
    for outline in outlines_px:
        cv2.fillPoly(canvas, [_cells(outline, low)], 1)
    joined = cv2.morphologyEx(canvas, cv2.MORPH_CLOSE, np.ones((2 * FINE + 1, 2 * FINE + 1), np.uint8))
    if cv2.connectedComponents(joined)[0] != 2:
        raise OutlineError("these features do not touch each other", mend="paint the bridge between them first, then merge")
    return _largest(joined, low)


def _crossed(outline_px: np.ndarray, stroke_px: np.ndarray) -> tuple[float, float, np.ndarray, np.ndarray]:
    """First and last crossing as places along the outline, the stroke between them with both ends, and the outline."""
    ring = np.asarray(outline_px, float).reshape(-1, 2)
    stroke = np.asarray(stroke_px, float).reshape(-1, 2)
    found = []
    following = np.roll(ring, -1, axis=0) - ring
    for number, (start, end) in enumerate(itertools.pairwise(stroke)):
        step = end - start
        cross = step[0] * following[:, 1] - step[1] * following[:, 0]
        between = ring - start
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (between[:, 0] * following[:, 1] - between[:, 1] * following[:, 0]) / cross
            u = (between[:, 0] * step[1] - between[:, 1] * step[0]) / cross
        for edge in np.flatnonzero((t >= 0) & (t < 1) & (u >= 0) & (u < 1)):
            found.append((number + t[edge], edge + u[edge], start + t[edge] * step))
    found.sort(key=lambda crossing: crossing[0])
    if len(found) < 2:
        raise OutlineError(
            "the stroke does not cross the outline twice",
            expected="a stroke that begins on one side of the outline and ends on another",
            mend="draw it again, right across",
        )
    (begin, first, one), (stop, second, other) = found[0], found[-1]
    within = stroke[int(np.floor(begin)) + 1 : int(np.floor(stop)) + 1]
    return first, second, np.vstack([one, within, other]), ring


def _arc(ring: np.ndarray, begin: float, end: float) -> np.ndarray:
    """The ring's points from one place along it to another, both ends included, going forward."""
    count = len(ring)

    def at(place: float) -> np.ndarray:
        edge = int(np.floor(place)) % count
        return ring[edge] + (place - np.floor(place)) * (ring[(edge + 1) % count] - ring[edge])

    end = end if end > begin else end + count
    inner = [ring[number % count] for number in range(int(np.floor(begin)) + 1, int(np.ceil(end)))]
    return np.array([at(begin), *inner, at(end)])


def _distinct(ring: np.ndarray) -> np.ndarray:
    """The ring without points that stand where the one before stands."""
    return ring[np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1) > 1e-6]


def _apart(arc: np.ndarray, path: np.ndarray) -> float:
    return float(np.mean(np.min(np.linalg.norm(arc[:, None] - path[None], axis=2), axis=1)))


def _canvas(shapes: Sequence[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    points = np.concatenate([np.asarray(shape, float).reshape(-1, 2) for shape in shapes])
    low = np.floor(points.min(axis=0)) - 3
    width, height = ((np.ceil(points.max(axis=0)) + 3 - low) * FINE).astype(int)
    if width * height > 60_000_000:
        raise OutlineError("this is too large to paint", mend="trace it instead")
    return low, np.zeros((height, width), np.uint8)


def _cells(points: np.ndarray, low: np.ndarray) -> np.ndarray:
    return np.round((np.asarray(points, float).reshape(-1, 2) - low) * FINE - 0.5).astype(np.int32).reshape(-1, 1, 2)


def _largest(canvas: np.ndarray, low: np.ndarray) -> np.ndarray:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(canvas)
    if count < 2:
        raise OutlineError("nothing is left of the feature", mend="reject it instead, with a reason")
    mine = labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    rings = skimage.measure.find_contours(cv2.GaussianBlur(np.pad(mine.astype(np.float32), 1), (0, 0), FINE / 4), 0.5)
    ring = max(rings, key=lambda points: abs(float(np.sum(points[:-1, 0] * points[1:, 1] - points[1:, 0] * points[:-1, 1]))))
    return even((ring[:-1, ::-1] - 1 + 0.5) / FINE + low)
