"""Whether a line that was called is a stretch of a longer mark, or one of many beside it, by the light along its course."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy

from specimeter.segment.contour import sample
from specimeter.segment.polylines import middle_of

SIDE_PX = 4  # from a line's middle: the lighter of what lies there is not asked, the darker is what the line is darker than
ALONG_PX, COURSE_PX = 3, 9  # over which light is averaged along it, and its course steadied
ON_MM, LEAST_ON_PX = 1.0, 14  # how far on from either end it is followed
TIP_PX = 4  # from a line's end, where its own tip and the blur of it lie
ASIDE, ASIDE_PX = 0.02, 8  # price in log light of a pixel's step aside; how far it may stray in all, going on
OWN_PX = 3  # the same between its ends
BESIDE_MM, BESIDE_PX, STRIP_PX = 2.5, 30, 7  # how far on either side others are looked for, and in strips so wide
CLEAR_PX = 5  # from its middle, where such strips begin
LEAST_DARK = 1e-3  # of a line, in log light: none is less dark
LEAST_STRIPS, MOST = 3, 90.0  # strips that tell what is usual; their percentile
EDGE_PX = 3  # from the metal's edge and from what else was called: what lies so near tells nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """A line's own darkness, in logarithms of light; that of its likeliest going on, the darker of both ends; and that of lines
    of its length and course beside it, nine tenths of which are no darker (0 where too little metal lies there)."""

    own: float
    on: float
    beside: float


def course(light: np.ndarray, outline_px: np.ndarray, metal: np.ndarray, px_mm: float) -> Course:
    """How a called line stands out from its surroundings.

    Each darkness is that of the darkest path down a strip of the photograph laid straight along the line: so chance takes the
    same part in all of them.

    Parameters
    ----------
    light : float array, shape (H, W)
        Linear luminance.
    outline_px : array, shape (N, 2)
        The line's, closed.
    metal : uint8 array, shape (H, W)
        Above 0 where the cut's metal lies of which nothing else was called.
    """
    path = _evenly(middle_of(outline_px))
    on, wide = (round(max(mm / px_mm, least)) for mm, least in ((ON_MM, LEAST_ON_PX), (BESIDE_MM, BESIDE_PX)))
    dark, there = _laid_straight(light, metal, path, on, wide)
    own, free = dark[on:-on], np.where(there, dark, 0.0)
    strips = [
        _darkest(own[:, low : low + STRIP_PX])
        for low in range(0, 2 * wide + 2 - STRIP_PX, STRIP_PX)
        if (low + STRIP_PX <= wide - CLEAR_PX + 1 or low >= wide + CLEAR_PX) and there[on:-on, low : low + STRIP_PX].all()
    ]
    near = slice(wide - ASIDE_PX, wide + ASIDE_PX + 1)
    return Course(
        own=max(_darkest(own[:, wide - OWN_PX : wide + OWN_PX + 1]), LEAST_DARK),
        on=max(_darkest(rows[TIP_PX:, near], start=ASIDE_PX) for rows in (free[:on][::-1], free[-on:])),
        beside=float(np.percentile(strips, MOST)) if len(strips) >= LEAST_STRIPS else 0.0,
    )


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
    return (
        np.asarray(scipy.ndimage.uniform_filter1d(even, COURSE_PX, axis=0, mode="nearest")) if len(even) > COURSE_PX else even
    )


def _laid_straight(light: np.ndarray, metal: np.ndarray, path: np.ndarray, on: int, wide: int) -> tuple[np.ndarray, np.ndarray]:
    """How much darker than the darker of its sides each place is, along a path carried on by `on` pixels at either end and to
    `wide` on either side, (S, 2 wide + 1); and where the metal is free, bool of the same shape."""
    reach = min(len(path) - 1, max(2 * SIDE_PX, len(path) // 3))
    ways = path[0] - path[reach], path[-1] - path[-1 - reach]
    before, after = (way / max(float(np.hypot(*way)), 1e-9) for way in ways)
    far = np.arange(1, on + 1)[:, None]
    line = np.concatenate([path[0] + far[::-1] * before, path, path[-1] + far * after])
    way = scipy.ndimage.uniform_filter1d(np.gradient(line, axis=0), COURSE_PX, axis=0, mode="nearest")
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    across = np.arange(-wide - SIDE_PX, wide + SIDE_PX + 1.0)
    places = line[:, None] + across[None, :, None] * np.column_stack([-way[:, 1], way[:, 0]])[:, None]
    seen = np.log(np.maximum(sample(light, places[..., 0], places[..., 1]), 1e-4))
    sides = np.minimum(seen[:, : -2 * SIDE_PX], seen[:, 2 * SIDE_PX :])
    dark = scipy.ndimage.uniform_filter1d(sides - seen[:, SIDE_PX:-SIDE_PX], ALONG_PX, axis=0, mode="nearest")
    inner = places[:, SIDE_PX:-SIDE_PX].astype(np.float32)
    there = cv2.remap(metal, inner[..., 0], inner[..., 1], cv2.INTER_NEAREST, borderValue=0) > 0
    return dark, there


def _darkest(strip: np.ndarray, start: int | None = None) -> float:
    """Mean darkness of the darkest path down a strip (rows, columns), a step aside at most each row; from about one column."""
    total = strip[0].copy()
    if start is not None:
        total[np.abs(np.arange(len(total)) - start) > 2] = -np.inf
    for row in strip[1:]:
        padded = np.pad(total, 1, constant_values=-np.inf)
        total = np.maximum(total, np.maximum(padded[:-2], padded[2:]) - ASIDE) + row
    return float(total.max()) / len(strip)
