"""Which outline found is which true feature: one to one, by overlap."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from scipy.optimize import linear_sum_assignment

SLACK_PX = 1.5  # both outlines are grown by this before they are compared, so that hair-thin ones can overlap
LEAST_OVERLAP = 0.1  # intersection over union, after growing
OVERLAY = 4  # raster cells to a pixel


def match(true_px: Sequence[np.ndarray], found_px: Sequence[np.ndarray]) -> tuple[tuple[int, int], ...]:
    """Pairs (index of a true outline, index of a found one) with the greatest total overlap, each used at most once.

    Two outlines may be paired if, each grown by 1.5 pixels, their intersection over union is 0.1 or more, or if the middle
    of the found one lies inside the true one. So: of two fragments of one feature one is paired and the other is a false
    call; an outline that runs over two features is paired with one and the other is missed; a shadow over half the face is
    paired with nothing.
    """
    overlap = np.zeros((len(true_px), len(found_px)))
    for t, true in enumerate(true_px):
        for f, found in enumerate(found_px):
            overlap[t, f] = _overlap(np.asarray(true, float), np.asarray(found, float))
    rows, columns = linear_sum_assignment(overlap, maximize=True)
    return tuple((int(t), int(f)) for t, f in zip(rows, columns, strict=True) if overlap[t, f] > 0)


def _overlap(true: np.ndarray, found: np.ndarray) -> float:
    """Intersection over union of two grown outlines; 0 if they may not be paired."""
    low = np.maximum(true.min(axis=0), found.min(axis=0))
    high = np.minimum(true.max(axis=0), found.max(axis=0))
    if (low > high + 2 * SLACK_PX).any():
        return 0.0
    origin = np.minimum(true.min(axis=0), found.min(axis=0)) - 2 * SLACK_PX
    extent = np.maximum(true.max(axis=0), found.max(axis=0)) + 2 * SLACK_PX - origin
    zoom = min(OVERLAY, 2000 / extent.max())
    size = np.ceil(extent * zoom).astype(int) + 1
    one, two = (_grown((outline - origin) * zoom, size, zoom) for outline in (true, found))
    union = np.count_nonzero(one | two)
    share = np.count_nonzero(one & two) / union if union else 0.0
    return max(share, 1e-3) if share >= LEAST_OVERLAP or _holds(true, found.mean(axis=0)) else 0.0


def _grown(outline: np.ndarray, size: np.ndarray, zoom: float) -> np.ndarray:
    raster = np.zeros((size[1], size[0]), np.uint8)
    corners = [np.rint(outline * 16).astype(np.int32).reshape(-1, 1, 2)]
    cv2.fillPoly(raster, corners, 1, shift=4)
    cv2.polylines(raster, corners, True, 1, max(1, round(2 * SLACK_PX * zoom)), shift=4)
    return raster.astype(bool)


def _holds(outline: np.ndarray, point: np.ndarray) -> bool:
    ring = outline.astype(np.float32).reshape(-1, 1, 2)
    return cv2.pointPolygonTest(ring, (float(point[0]), float(point[1])), False) > 0
