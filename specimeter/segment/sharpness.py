"""How sharp the photograph is, from its own edges: blur in pixels, noise, and the smallest thing that can be resolved."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import cv2
import numpy as np
import scipy

from specimeter import lookup
from specimeter.photo import Photo
from specimeter.scale.surface import Surface
from specimeter.segment import detail
from specimeter.segment.detail import FWHM
from specimeter.segment.model import ExaminedArea

FINE_PX, MIDDLE_PX, COARSE_PX = 0.8, 1.7, 3.2  # blurs added to the picture to see how much it had
LEAST_EDGES = 40
LARGEST_SAMPLE_PX = 3_000_000
UNSEEN_BLUR_PX = 1.2  # of a demosaiced, sharpened photograph in focus (common experience); only where no edge can be measured
DIFFERENCE_PX2 = 1 / 3 + 1 / 12  # variance that the central difference (box of two pixels) and the pixel itself add
ACROSS_PX, STEP_PX, STRETCH_PX = 30, 0.5, 40  # of the specimen's own edges: how far across, how fine, how long a stretch
LEAST_STRETCHES = 3
AT_ONCE = 256  # stretches: OpenCV takes no more than 32,767 rows
MUCH_SOFTER = 2.5  # times softer than what is sharpest within the area: the bench or the flanks are in focus, the crown is not


def blur_px(light: np.ndarray) -> float | None:
    """Standard deviation of the lens's blur, the pixel's own left out, in pixels; None with too few sharp edges.

    Blurring a step of spread s further by f lowers its steepest slope by the factor s / sqrt(s^2 + f^2), so the slopes left
    by two known blurs give s; a third tells steps from lines and texture, whose slopes fall faster.

    Parameters
    ----------
    light : float32 array, shape (H, W)
        Linear light.
    """
    while light.size > LARGEST_SAMPLE_PX:  # the strip in the middle: blur does not depend on how much is looked at
        axis = int(light.shape[1] >= light.shape[0])
        cut = light.shape[axis] // 6
        light = light[:, cut:-cut] if axis else light[cut:-cut]
    if min(light.shape) < 24:
        return None
    root = np.sqrt(np.maximum(light, 0))  # steadies shot noise; half-levels move little over a few pixels
    fine = _slope(root, FINE_PX)
    peaks = (fine >= cv2.dilate(fine, np.ones((3, 3), np.uint8))) & (fine > 0)
    peaks[:8], peaks[-8:], peaks[:, :8], peaks[:, -8:] = False, False, False, False
    noise = float(np.median(fine[::3, ::3])) * 1.5
    rows, cols = np.nonzero(peaks & (fine > max(4 * noise, 0.01)))
    if len(rows) < LEAST_EDGES:
        return None
    strongest = np.argsort(fine[rows, cols])[::-1][: max(LEAST_EDGES * 5, len(rows) // 3)]
    rows, cols = rows[strongest], cols[strongest]
    fine, middle, coarse = fine[rows, cols], *(_slope_at(root, blur, rows, cols) for blur in (MIDDLE_PX, COARSE_PX))
    ratio2 = (fine / np.maximum(middle, 1e-9)) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        spread2 = (MIDDLE_PX**2 - ratio2 * FINE_PX**2) / (ratio2 - 1)
    spread2 = np.where((ratio2 > 1.0005) & np.isfinite(spread2), spread2, -1)
    expected = middle * np.sqrt((np.maximum(spread2, 0) + MIDDLE_PX**2) / (np.maximum(spread2, 0) + COARSE_PX**2))
    step = np.abs(np.log(np.maximum(coarse, 1e-9) / np.maximum(expected, 1e-9))) < 0.12
    held = (spread2 > 0.04) & step
    if held.sum() < LEAST_EDGES // 2:
        return None
    return float(np.sqrt(max(np.percentile(spread2[held], 30) - DIFFERENCE_PX2, 0.09)))


def _slope(field: np.ndarray, blur: float) -> np.ndarray:
    smooth = cv2.GaussianBlur(field, (0, 0), blur)
    return cv2.magnitude(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125))


def _slope_at(field: np.ndarray, blur: float, rows: np.ndarray, cols: np.ndarray) -> np.ndarray:
    """The same at some pixels inside the field: few of all tell of the blur."""
    smooth = cv2.GaussianBlur(field, (0, 0), blur)

    def across(step: tuple[int, int], side: tuple[int, int]) -> np.ndarray:
        total = np.zeros(len(rows), np.float32)
        for weight, along in ((1, -1), (2, 0), (1, 1)):
            row, col = rows + along * side[0], cols + along * side[1]
            total += weight * (smooth[row + step[0], col + step[1]] - smooth[row - step[0], col - step[1]])
        return total / 8

    return np.hypot(across((0, 1), (1, 0)), across((1, 0), (0, 1)))


def edge_blur_px(light: np.ndarray, edges_px: Sequence[np.ndarray]) -> float | None:
    """Standard deviation of the blur across the specimen's own edges, in pixels; None where they do not stand out.

    They lie as deep as its face, so they tell whether the face is in focus where nothing on it does. Light is averaged along
    each stretch of an edge, against noise; the width at half height of its slope gives the spread.

    Parameters
    ----------
    light : float32 array, shape (H, W)
        Linear light.
    edges_px : sequence of arrays, each (M, 2)
        Lines [x, y] along the edges.
    """
    across = np.arange(-ACROSS_PX, ACROSS_PX + STEP_PX, STEP_PX)
    last, grids = np.array(light.shape[::-1]) - 1, []
    for line in edges_px:
        lies = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
        starts = np.arange(0, lies[-1] - STRETCH_PX, STRETCH_PX)
        at = starts[:, None] + np.arange(STRETCH_PX)
        place = np.stack([np.interp(at, lies, line[:, k]) for k in (0, 1)], axis=-1)  # (stretches, along, 2)
        way = place[:, -1] - place[:, 0]
        way /= np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-9)
        grid = place[:, :, None] + across[:, None] * np.stack([-way[:, 1], way[:, 0]], axis=-1)[:, None, None]
        grids.append(grid[((grid >= 0) & (grid <= last)).all(axis=(1, 2, 3))])
    grid = np.concatenate(grids) if grids else np.zeros((0, STRETCH_PX, len(across), 2))
    sure = [one for one in _spreads(_seen(light, grid).mean(axis=1), across) if one is not None]
    return float(np.percentile(sure, 30)) if len(sure) >= LEAST_STRETCHES else None


def _seen(light: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """Square roots of light (steadies shot noise) at pixels [x, y], shape (N, along, across, 2)."""
    light_there = np.zeros(grid.shape[:3], np.float32)
    for k in range(0, len(grid), AT_ONCE):
        part = grid[k : k + AT_ONCE].astype(np.float32)
        x, y = (part[..., axis].reshape(-1, part.shape[2]) for axis in (0, 1))
        light_there[k : k + AT_ONCE] = lookup.at(light, x, y).reshape(part.shape[:3])
    return np.sqrt(np.maximum(light_there, 0))


def _spreads(profiles: np.ndarray, across: np.ndarray) -> list[float | None]:
    """Of the one step near the middle of each profile, in pixels; None where nothing stands out."""
    if not len(profiles):
        return []
    slopes = np.abs(np.gradient(scipy.ndimage.gaussian_filter1d(profiles, 1 / STEP_PX, axis=1), STEP_PX, axis=1))
    return [_spread(slope, across) for slope in slopes]


def _spread(slope: np.ndarray, across: np.ndarray) -> float | None:
    near = np.flatnonzero(np.abs(across) <= ACROSS_PX / 3)
    peak = near[int(np.argmax(slope[near]))]
    if slope[peak] < max(4 * float(np.median(slope)), 1e-3):
        return None
    low = slope < slope[peak] / 2
    left, right = np.flatnonzero(low[:peak]), np.flatnonzero(low[peak:])
    if not len(left) or not len(right):
        return None
    wide = (peak + right[0] - left[-1] - 1) * STEP_PX / FWHM
    return float(np.sqrt(max(wide**2 - 1 - DIFFERENCE_PX2, 0.09)))


def blur_of(photo: Photo, area: ExaminedArea) -> float:
    """Blur of a photograph at its examined area, in pixels; where nothing there shows it, that of the whole picture."""
    if area.blur_px is not None:
        return area.blur_px
    for found in (_seen_blur_px(photo, area), blur_px(photo.linear())):
        if found is not None:
            return found
    return UNSEEN_BLUR_PX


def _seen_blur_px(photo: Photo, area: ExaminedArea) -> float | None:
    """From the edges within the area, or the specimen's own where those are missing or much sharper; None without either."""
    low = np.maximum(np.floor(area.outline_px.min(axis=0)).astype(int) - 24, 0)
    high = np.ceil(area.outline_px.max(axis=0)).astype(int) + 25
    within = blur_px(photo.linear()[low[1] : high[1], low[0] : high[0]])
    own = edge_blur_px(photo.linear(), area.edges_px)
    if within is None or (own is not None and own > MUCH_SOFTER * max(within, 1.0)):
        return own
    return within


def resolving(photo: Photo, surface: Surface, area: ExaminedArea) -> tuple[float | None, ExaminedArea]:
    """Smallest distance on the surface at which two edges are seen as two, in mm, and the area with its `blur_px`.

    None where nothing there tells. The area is `veiled` where its face is much softer than its edges.

    The full width at half height of the picture's own line spread, and at least two pixels (sampling theorem), or that at
    which the face's own detail ends where this is much wider, times the coarsest scale within the examined area. An edge
    elsewhere in the picture says nothing: it may lie nearer or farther.

    Parameters
    ----------
    photo : Photo
    surface : Surface
    area : ExaminedArea
    """
    with ThreadPoolExecutor(1) as beside:  # both leave Python alone for most of their time
        detailed = beside.submit(detail.of_face, photo.linear(), area)
        blur = _seen_blur_px(photo, area)
        face = detailed.result()
    wide_px, veiled = detail.width_px(face, None if blur is None else max(FWHM * blur, 2.0))
    told = replace(area, blur_px=blur, veiled=veiled)
    if wide_px is None:
        return None, told
    centre = area.outline_px.mean(axis=0)
    places = np.vstack([centre[None], centre + 0.9 * (area.outline_px[:: max(1, len(area.outline_px) // 12)] - centre)])
    scales = np.array([surface.mm_per_px_at(place) for place in places], float)
    scales = scales[np.isfinite(scales)]
    return (float(wide_px * scales.max()) if len(scales) else None), told
