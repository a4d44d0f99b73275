"""Whether a line that was called is only a stretch of a longer mark: by the light where it would go on."""

from __future__ import annotations

import cv2
import numpy as np
import scipy

from specimeter.segment.contour import sample
from specimeter.segment.polylines import middle_of

SIDE_PX = 4  # from a line's middle, on either side: the line is darker than the darker of what lies there
ALONG_PX, COURSE_PX = 3, 9  # over which light is averaged along it, and its course steadied
ON_MM, LEAST_ON_PX = 1.0, 14  # how far on from either end it is followed
TIP_PX = 4  # from its end, where its own tip and the blur of it lie
ASIDE, ASIDE_PX = 0.02, 8  # price in log light of a pixel's step aside; how far it may stray in all, going on
OWN_PX = 3  # the same between its ends
LEAST_DARK = 1e-3  # of a line, in log light: none is less dark
EDGE_PX = 3  # from the metal's edge and from what else was called: what lies so near tells nothing


def goes_on(light: np.ndarray, outline_px: np.ndarray, metal: np.ndarray, px_mm: float) -> float:
    """How dark a line's likeliest going on is, that of its two ends which is darker, over how dark the line is.

    Each darkness is that, in logarithms of light, of the darkest path down a strip of the photograph laid straight along the
    line: so chance takes the same part in all of them.

    Parameters
    ----------
    light : float array, shape (H, W)
        Linear luminance.
    outline_px : array, shape (N, 2)
        The line's, closed.
    metal : uint8 array, shape (H, W)
        Above 0 where the cut's metal lies of which nothing else was called.
    """
    on = round(max(ON_MM / px_mm, LEAST_ON_PX))
    dark, there = _laid_straight(light, metal, _evenly(middle_of(outline_px)), on)
    free = np.where(there, dark, 0.0)
    own = _darkest(dark[on:-on, ASIDE_PX - OWN_PX : ASIDE_PX + OWN_PX + 1])
    return max(_darkest(rows[TIP_PX:], start=ASIDE_PX) for rows in (free[:on][::-1], free[-on:])) / max(own, LEAST_DARK)


def free_metal(shape: tuple[int, int], outline_px: np.ndarray, called: list[np.ndarray]) -> np.ndarray:
    """Where the metal lies within its outline, off its edge and off outlines that were called; uint8 (rows, columns)."""
    free = np.zeros(shape, np.uint8)
    cv2.fillPoly(free, [np.round(outline_px).astype(np.int32).reshape(-1, 1, 2)], 1)
    for one in called:
        cv2.fillPoly(free, [np.round(one).astype(np.int32).reshape(-1, 1, 2)], 0)
    return np.asarray(cv2.erode(free, np.ones((2 * EDGE_PX + 1, 2 * EDGE_PX + 1), np.uint8)))


def _evenly(path: np.ndarray) -> np.ndarray:
    """A path in steps of a pixel, its course steadied."""
    part = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    at = np.arange(0.0, max(part[-1], 2.0) + 0.5)
    even = np.column_stack([np.interp(at, part, column) for column in path.T])
    if len(even) <= COURSE_PX:
        return even
    return np.asarray(scipy.ndimage.uniform_filter1d(even, COURSE_PX, axis=0, mode="nearest"))


def _laid_straight(light: np.ndarray, metal: np.ndarray, path: np.ndarray, on: int) -> tuple[np.ndarray, np.ndarray]:
    """How much darker than the darker of its sides each place is, along a path carried on by `on` pixels at either end and to
    ASIDE_PX on either side, (S, 2 ASIDE_PX + 1); and where the metal is free, bool of the same shape."""
    reach = min(len(path) - 1, max(2 * SIDE_PX, len(path) // 3))
    ways = path[0] - path[reach], path[-1] - path[-1 - reach]
    before, after = (way / max(float(np.hypot(*way)), 1e-9) for way in ways)
    far = np.arange(1, on + 1)[:, None]
    line = np.concatenate([path[0] + far[::-1] * before, path, path[-1] + far * after])
    way = scipy.ndimage.uniform_filter1d(np.gradient(line, axis=0), COURSE_PX, axis=0, mode="nearest")
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    across = np.arange(-ASIDE_PX - SIDE_PX, ASIDE_PX + SIDE_PX + 1.0)
    places = line[:, None] + across[None, :, None] * np.column_stack([-way[:, 1], way[:, 0]])[:, None]
    seen = np.log(np.maximum(sample(light, places[..., 0], places[..., 1]), 1e-4))
    sides = np.minimum(seen[:, : -2 * SIDE_PX], seen[:, 2 * SIDE_PX :])
    dark = scipy.ndimage.uniform_filter1d(sides - seen[:, SIDE_PX:-SIDE_PX], ALONG_PX, axis=0, mode="nearest")
    inner = places[:, SIDE_PX:-SIDE_PX].astype(np.float32)
    return dark, cv2.remap(metal, inner[..., 0], inner[..., 1], cv2.INTER_NEAREST, borderValue=0) > 0


def _darkest(strip: np.ndarray, start: int | None = None) -> float:
    """Mean darkness of the darkest path down a strip (rows, columns), a step aside at most each row; from about one column."""
    total = strip[0].copy()
    if start is not None:
        total[np.abs(np.arange(len(total)) - start) > 2] = -np.inf
    for row in strip[1:]:
        padded = np.pad(total, 1, constant_values=-np.inf)
        total = np.maximum(total, np.maximum(padded[:-2], padded[2:]) - ASIDE) + row
    return float(total.max()) / len(strip)
