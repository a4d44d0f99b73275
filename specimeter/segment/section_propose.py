"""Where in a photograph cut metal may lie: regions of one tone or colour, alone and joined, as masks on a coarse map."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.colour import to_linear

LONG_SIDE = 460  # cells of the map
LEVELS = 22  # at which each look is cut
LEAST_SHARE, MOST_SHARE = 0.004, 0.7  # of the photograph that a cut takes
AT_BORDER = 0.12  # of its outline may lie on the photograph's border
ALIKE = 0.88  # intersection over union from which two regions are one
KEPT = 26  # regions that go on
TOUCH = 7  # cells: regions that lie so near may be joined


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Map:
    """A small picture: looks, float32 (rows, columns, 3) of unit spread; what is card; photograph's pixels to a cell."""

    looks: np.ndarray
    hidden: np.ndarray
    cell_px: float

    def to_photograph(self, points: np.ndarray) -> np.ndarray:
        """Pixels [x, y] of points [column, row]."""
        return (np.asarray(points, float) + 0.5) * self.cell_px - 0.5


def small(rgb: np.ndarray, hide_px: Sequence[np.ndarray], rim_px: float = 0.0) -> Map:
    """The photograph as a coarse map of light and two colours; `hide_px` and `rim_px` round it are no specimen."""
    factor = max(max(rgb.shape[:2]) / LONG_SIDE, 1.0)
    size = (round(rgb.shape[1] / factor), round(rgb.shape[0] / factor))
    linear = np.asarray(to_linear(rgb.astype(np.float32) / np.iinfo(rgb.dtype).max), np.float32)
    linear = np.clip(cv2.resize(linear, size, interpolation=cv2.INTER_AREA), 0, None)
    light = np.sqrt(linear.mean(axis=2))
    base = 0.02 * float(np.median(linear)) + 1e-4
    green = np.log(linear[..., 1] + base)
    raw = [light, np.log(linear[..., 0] + base) - green, np.log(linear[..., 2] + base) - green]
    spread = (0.12, 0.12, 0.15)
    looks = []
    for field, unit in zip(raw, spread, strict=True):
        field = cv2.medianBlur(field.astype(np.float32), 5)
        looks.append((field - np.median(field)) / unit)
    hidden = np.zeros(light.shape, np.uint8)
    corners = [np.round((np.asarray(o) + 0.5) / factor - 0.5).astype(np.int32).reshape(-1, 1, 2) for o in hide_px]
    if corners:
        cv2.fillPoly(hidden, corners, 1)
        rim = 2 * round(rim_px / factor) + 1
        hidden = cv2.dilate(hidden, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (rim, rim)))
    return Map(looks=np.dstack(looks).astype(np.float32), hidden=hidden > 0, cell_px=factor)


def regions(seen: Map) -> list[tuple[float, np.ndarray]]:
    """Regions that may be the metal's cut, clearest first: by how much their border's slope exceeds their inside's, and masks.

    Masks are bool (rows, columns).
    """
    slope = _slope(seen.looks)
    found: list[tuple[float, np.ndarray]] = []
    for mask in _cuts(seen):
        _enter(found, mask, slope)
    found.sort(key=lambda one: -one[0])
    found = found[:KEPT]
    pieces = [mask for _, mask in found]
    grown = [cv2.dilate(mask.astype(np.uint8), np.ones((TOUCH, TOUCH), np.uint8)) > 0 for mask in pieces]
    joined: list[tuple[float, np.ndarray]] = list(found)
    for i in range(len(pieces)):
        for k in range(i):
            both = np.count_nonzero(pieces[i] & pieces[k])
            least = min(np.count_nonzero(pieces[i]), np.count_nonzero(pieces[k]))
            if both < 0.2 * least and (grown[i] & pieces[k]).any():
                _enter(joined, _whole(pieces[i] | pieces[k], seen.hidden), slope)
    joined.sort(key=lambda one: -one[0])
    return joined[: 2 * KEPT]


def _cuts(seen: Map):
    rows, columns = seen.hidden.shape
    cells = rows * columns
    for k in range(3):
        field = seen.looks[..., k]
        levels = np.unique(np.quantile(field[~seen.hidden], np.linspace(0.04, 0.96, LEVELS)))
        spread = [*levels, *np.linspace(levels[0], levels[-1], LEVELS)[1:-1]]
        for level in spread:
            for over in (True, False):
                part = ((field > level) == over) & ~seen.hidden
                part = cv2.morphologyEx(part.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
                count, labels, stats, _ = cv2.connectedComponentsWithStats(part, connectivity=4)
                areas = stats.reshape(count, 5)[1:, cv2.CC_STAT_AREA]
                for label in np.argsort(-areas)[:7] + 1:
                    if LEAST_SHARE * cells < areas[label - 1] < MOST_SHARE * cells:
                        yield _whole(labels == label, seen.hidden)


def _whole(mask: np.ndarray, hidden: np.ndarray) -> np.ndarray:
    """The region closed over narrow gaps, its holes filled."""
    closed = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    contours = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    largest = max(contours, key=cv2.contourArea)
    filled = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(filled, [largest], -1, 1, cv2.FILLED)
    filled = cv2.morphologyEx(filled, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    return (filled > 0) & ~hidden


def _slope(looks: np.ndarray) -> np.ndarray:
    smooth = cv2.GaussianBlur(looks, (0, 0), 1.0)
    total = np.zeros(looks.shape[:2], np.float32)
    for k in range(looks.shape[2]):
        total += cv2.Sobel(smooth[..., k], cv2.CV_32F, 1, 0) ** 2 + cv2.Sobel(smooth[..., k], cv2.CV_32F, 0, 1) ** 2
    return np.sqrt(total)


def _enter(found: list[tuple[float, np.ndarray]], mask: np.ndarray, slope: np.ndarray) -> None:
    """Add a region unless it is one already there, or mostly a part of the photograph's border."""
    area = int(np.count_nonzero(mask))
    if not LEAST_SHARE * mask.size < area < MOST_SHARE * mask.size:
        return
    border = mask & ~(cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=0) > 0)
    count = np.count_nonzero(border)
    outer = (
        np.count_nonzero(border[0])
        + np.count_nonzero(border[-1])
        + np.count_nonzero(border[:, 0])
        + np.count_nonzero(border[:, -1])
    )
    if outer > AT_BORDER * count:
        return
    near = cv2.dilate(slope, np.ones((3, 3), np.uint8))
    deep = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=3, borderValue=0) > 0
    inner = float(np.mean(np.minimum(slope[deep], 3.0))) if deep.any() else 3.0
    clear = float(np.mean(np.minimum(near[border], 3.0))) - 1.5 * inner  # a cut is much of a piece, and ends clearly
    for n, (worth, other) in enumerate(found):
        both = np.count_nonzero(mask & other)
        if both > ALIKE * (area + np.count_nonzero(other) - both):
            if clear > worth:
                found[n] = (clear, mask)
            return
    found.append((clear, mask))
