"""Tracing with the picture's help: a path that follows the edge between clicks, an opening grown from one click, snapping.

Everything works in a small window of the linear picture around the place, so that it is as quick on 24 megapixels as on one.
Edges lie where linear luminance is steepest, which is where a blurred edge passes its half level.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import scipy
import skimage

from specimeter.errors import OutlineError

REACH_PX = 150  # half the window that a live path is sought in
SMOOTH_PX = 0.9
FLOOR = 0.002  # of full scale: deep shadow is noise
GROW_REACH_PX = 260
SNAP_PX = 6.0  # how far a rough outline is moved at most
LEAST_POINTS = 8
EVEN_PX = 1.5  # distance of an outline's points


class EdgePath:
    """The path along edges from an anchor to wherever the cursor is: Mortensen and Barrett's live wire (1995), by OpenCV.

    Parameters
    ----------
    light : array, shape (H, W)
        Relative luminance in linear light, 0 to 1: `Photo.linear()`.
    anchor_px : array, shape (2,)
        The last point that was fixed, [x, y].

    Notes
    -----
    Making one costs tens of milliseconds, once a click; `to` costs microseconds and is asked at every move.
    """

    def __init__(self, light: np.ndarray, anchor_px: np.ndarray) -> None:
        self.anchor = np.asarray(anchor_px, float)
        self._low, self._window = _window(light, self.anchor, REACH_PX)
        tool = cv2.segmentation.IntelligentScissorsMB()
        tool.setEdgeFeatureZeroCrossingParameters(0.0)
        tool.setGradientMagnitudeMaxLimit(0.0)
        tool.setWeights(0.35, 0.2, 0.45)
        tool.applyImage(_grey(self._window))
        start = self._inside(self.anchor)
        tool.buildMap((int(start[0]), int(start[1])))
        self._tool = tool

    def reaches(self, point_px: np.ndarray) -> bool:
        """Whether a point [x, y] lies in the window that the path is known in."""
        x, y = np.asarray(point_px, float) - self._low
        height, width = self._window.shape
        return bool(-0.5 <= x < width - 0.5 and -0.5 <= y < height - 0.5)

    def to(self, point_px: np.ndarray) -> np.ndarray:
        """The path from the anchor to a point [x, y], both included, shape (N, 2), smoothed over its steps of a pixel.

        Beyond the window it goes straight on from the window's border.
        """
        point = np.asarray(point_px, float)
        end = self._inside(point)
        found = np.asarray(self._tool.getContour((int(end[0]), int(end[1]))), float).reshape(-1, 2) + self._low
        if len(found) < 2:
            return np.stack([self.anchor, point])
        if np.linalg.norm(found[0] - self.anchor) > np.linalg.norm(found[-1] - self.anchor):
            found = found[::-1]
        smooth = scipy.ndimage.gaussian_filter1d(found, 1.2, axis=0, mode="nearest")
        return np.vstack([self.anchor, smooth[1:-1], point])

    def _inside(self, point: np.ndarray) -> np.ndarray:
        height, width = self._window.shape
        return np.clip(np.round(point - self._low), 0, [width - 1, height - 1]).astype(int)


def closed(paths_px: Sequence[np.ndarray]) -> np.ndarray:
    """One outline, shape (N, 2), of the pieces of a path in their order, with evenly spaced points.

    Raises
    ------
    OutlineError
        If they enclose nothing.
    """
    points = np.concatenate([np.asarray(path, float).reshape(-1, 2) for path in paths_px])
    return even(points)


def even(points_px: np.ndarray, step_px: float = EVEN_PX) -> np.ndarray:
    """A closed outline through the same places with points about `step_px` apart. Raises OutlineError if it is none."""
    points = np.asarray(points_px, float).reshape(-1, 2)
    ring = np.vstack([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    if len(points) < 3 or not along[-1] > 3:
        raise OutlineError("this encloses nothing", expected="three or more points around the opening", mend="draw it again")
    count = max(LEAST_POINTS, round(along[-1] / step_px))
    where = np.linspace(0, along[-1], count, endpoint=False)
    keep = np.concatenate([[True], np.diff(along) > 0])
    return np.column_stack([np.interp(where, along[keep], ring[keep, axis]) for axis in (0, 1)])


def grow(light: np.ndarray, seed_px: np.ndarray, *, tolerance: float = 0.5) -> np.ndarray:
    """The outline, shape (N, 2), of the dark (or bright) place around one click.

    The level of its edge lies between the shade at the seed and that of the surroundings, at `tolerance` of the way: 0.5 is
    the half level, at which a blurred edge is in its true place; less takes only the core, more takes the slope as well.

    Raises
    ------
    OutlineError
        If the seed is no different from its surroundings, or the place does not end within the window.
    """
    seed = np.asarray(seed_px, float)
    low, window = _window(light, seed, GROW_REACH_PX)
    smooth = scipy.ndimage.gaussian_filter(window, SMOOTH_PX)
    x, y = np.clip(np.round(seed - low).astype(int), 0, np.array(window.shape[::-1]) - 1)
    core = float(np.median(smooth[max(0, y - 1) : y + 2, max(0, x - 1) : x + 2]))
    around = _surroundings(smooth, x, y)
    if abs(np.log((core + FLOOR) / (around + FLOOR))) < 0.08:
        raise OutlineError("this place is no darker and no brighter than what is around it", mend="click into the opening")
    level = core + np.clip(tolerance, 0.05, 0.95) * (around - core)
    inside = smooth < level if core < around else smooth > level
    labels, _ = scipy.ndimage.label(inside)
    mine = scipy.ndimage.binary_fill_holes(labels == labels[y, x]) if inside[y, x] else np.zeros_like(inside)
    if not mine.any():
        raise OutlineError("nothing grows from here", mend="click into the middle of the opening")
    if mine[0].any() or mine[-1].any() or mine[:, 0].any() or mine[:, -1].any():
        raise OutlineError("this place has no end nearby", mend="lower the tolerance, or trace the outline")
    far = np.where(scipy.ndimage.binary_dilation(mine, iterations=2), smooth, around)  # other dark places are not part of it
    field = np.where(scipy.ndimage.binary_fill_holes(mine) & ~inside, core, far)  # a bright speck inside is
    rings = skimage.measure.find_contours(np.pad(field, 1, constant_values=around), level)
    ring = max(rings, key=lambda points: abs(_area(points)))
    return even(ring[:-1, ::-1] - 1 + low)


def snapped(light: np.ndarray, outline_px: np.ndarray, *, reach_px: float = SNAP_PX) -> np.ndarray:
    """A rough outline moved to the strongest edge within reach of it, smoothly, shape (N, 2).

    Along the normal of each point the place of the steepest step is sought; of all points together the row of places that is
    both steep and even is taken (dynamic programming over the closed outline, one pixel of slip a point at most).
    """
    outline = even(outline_px)
    normals = _normals(outline)
    offsets = np.arange(-reach_px, reach_px + 0.25, 0.5)
    places = outline[:, None] + offsets[:, None] * normals[:, None]
    low, window = _window(light, outline.mean(axis=0), float(np.abs(outline - outline.mean(axis=0)).max()) + reach_px + 6)
    shade = scipy.ndimage.gaussian_filter(window, SMOOTH_PX)
    steps = [scipy.ndimage.sobel(shade, axis=axis) for axis in (1, 0)]
    at = (places - low).reshape(-1, 2).T[::-1]
    across = [scipy.ndimage.map_coordinates(step, at, order=1, mode="nearest").reshape(places.shape[:2]) for step in steps]
    rise = across[0] * normals[:, :1] + across[1] * normals[:, 1:]
    sign = np.sign(np.median(rise[:, len(offsets) // 2 - 4 : len(offsets) // 2 + 5].sum(axis=1))) or 1.0
    gain = np.maximum(sign * rise, 0.0)
    gain = gain / max(float(np.quantile(gain, 0.98)), 1e-9) - 0.05 * (offsets / reach_px) ** 2
    chosen = _best_row(gain)
    moved = scipy.ndimage.gaussian_filter1d(offsets[chosen], 1.5, mode="wrap")
    return outline + moved[:, None] * normals


def _best_row(gain: np.ndarray) -> np.ndarray:
    """Column for each row with the greatest sum of gains, neighbours two columns apart at most, ends meeting."""
    count, width = gain.shape
    doubled = np.vstack([gain, gain])  # twice round: the second round begins where the first ended
    total, came = doubled[0].copy(), np.zeros(doubled.shape, np.int64)
    for row in range(1, len(doubled)):
        padded = np.pad(total, 2, constant_values=-np.inf)
        options = np.stack([padded[shift : shift + width] - 0.15 * abs(shift - 2) for shift in range(5)])
        came[row] = options.argmax(axis=0) - 2 + np.arange(width)
        total = options.max(axis=0) + doubled[row]
    column = int(total.argmax())
    row_of = np.empty(len(doubled), np.int64)
    for row in range(len(doubled) - 1, -1, -1):
        row_of[row] = column
        column = came[row, column] if row else column
    middle = count // 2
    return np.roll(row_of[middle : middle + count], middle)


def _window(light: np.ndarray, centre: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Top-left pixel [x, y] and the part of a picture around a point, cut at its borders."""
    size = np.array(light.shape[::-1])
    low = np.clip(np.floor(centre - reach), 0, size - 2).astype(int)
    high = np.clip(np.ceil(centre + reach) + 1, low + 2, size).astype(int)
    return low.astype(float), np.asarray(light[low[1] : high[1], low[0] : high[0]], np.float32)


def _grey(window: np.ndarray) -> np.ndarray:
    """Luminance, smoothed, stretched over 8 bits."""
    shade = cv2.GaussianBlur(window, (0, 0), SMOOTH_PX)
    dark, bright = np.quantile(shade[::2, ::2], [0.005, 0.98])
    return np.clip((shade - dark) / max(float(bright - dark), 0.01) * 255, 0, 255).astype(np.uint8)


def _surroundings(smooth: np.ndarray, x: int, y: int) -> float:
    """The shade that most of the window around a seed has, nearer places counting more."""
    rows, columns = np.indices(smooth.shape)
    distance = np.hypot(rows - y, columns - x)
    ring = (distance > 6) & (distance < max(40.0, 0.5 * min(smooth.shape)))
    return float(np.median(smooth[ring])) if ring.any() else float(np.median(smooth))


def _normals(outline: np.ndarray) -> np.ndarray:
    """Outward unit normals of a closed outline, shape (N, 2), over five points."""
    along = np.roll(outline, -2, axis=0) - np.roll(outline, 2, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    side = 1.0 if _area(outline) > 0 else -1.0
    return side * np.column_stack([along[:, 1], -along[:, 0]])


def _area(points: np.ndarray) -> float:
    x, y = points.T
    return float(0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
