"""How sharp the photograph is, from its own edges: blur in pixels, noise, and the smallest thing that can be resolved."""

from __future__ import annotations

import cv2
import numpy as np

from specimeter.segment.model import ExaminedArea

FINE_PX, MIDDLE_PX, COARSE_PX = 0.8, 1.7, 3.2  # blurs added to the picture to see how much it had
LEAST_EDGES = 40
LARGEST_SAMPLE_PX = 3_000_000
UNSEEN_BLUR_PX = 1.2  # of a demosaiced, sharpened photograph in focus (common experience); only where no edge can be measured
DIFFERENCE_PX2 = 1 / 3 + 1 / 12  # variance that the central difference (box of two pixels) and the pixel itself add
FWHM = 2 * np.sqrt(2 * np.log(2))


def blur_px(light: np.ndarray) -> float | None:
    """Standard deviation of the lens's blur (the pixel's own left out) at the sharpest edges, in pixels; None with too few edges.

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
    fine, middle, coarse = (_slope(root, blur) for blur in (FINE_PX, MIDDLE_PX, COARSE_PX))
    peaks = (fine >= cv2.dilate(fine, np.ones((3, 3), np.uint8))) & (fine > 0)
    peaks[:8], peaks[-8:], peaks[:, :8], peaks[:, -8:] = False, False, False, False
    noise = float(np.median(fine[::3, ::3])) * 1.5
    rows, cols = np.nonzero(peaks & (fine > max(4 * noise, 0.01)))
    if len(rows) < LEAST_EDGES:
        return None
    strongest = np.argsort(fine[rows, cols])[::-1][: max(LEAST_EDGES * 5, len(rows) // 3)]
    rows, cols = rows[strongest], cols[strongest]
    ratio2 = (fine[rows, cols] / np.maximum(middle[rows, cols], 1e-9)) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        spread2 = (MIDDLE_PX**2 - ratio2 * FINE_PX**2) / (ratio2 - 1)
    spread2 = np.where((ratio2 > 1.0005) & np.isfinite(spread2), spread2, -1)
    expected = middle[rows, cols] * np.sqrt((np.maximum(spread2, 0) + MIDDLE_PX**2) / (np.maximum(spread2, 0) + COARSE_PX**2))
    step = np.abs(np.log(np.maximum(coarse[rows, cols], 1e-9) / np.maximum(expected, 1e-9))) < 0.12
    held = (spread2 > 0.04) & step
    if held.sum() < LEAST_EDGES // 2:
        return None
    return float(np.sqrt(max(np.percentile(spread2[held], 30) - DIFFERENCE_PX2, 0.09)))


def _slope(field: np.ndarray, blur: float) -> np.ndarray:
    smooth = cv2.GaussianBlur(field, (0, 0), blur)
    return cv2.magnitude(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125))


def blur_of(photo, area: ExaminedArea) -> float:
    """Blur of a photograph at its examined area, in pixels: from the area's own edges, else from the whole picture's."""
    low = np.maximum(np.floor(area.outline_px.min(axis=0)).astype(int) - 24, 0)
    high = np.ceil(area.outline_px.max(axis=0)).astype(int) + 25
    light = photo.linear()
    for part in (light[low[1] : high[1], low[0] : high[0]], light):
        found = blur_px(part)
        if found is not None:
            return found
    return UNSEEN_BLUR_PX


def smallest_resolvable_mm(photo, surface, area: ExaminedArea) -> float:
    """Smallest distance on the surface at which two edges are seen as two, in mm.

    The full width at half height of the picture's own line spread, and at least two pixels (sampling theorem), times the
    coarsest scale within the examined area.

    Parameters
    ----------
    photo : Photo
    surface : Surface
    area : ExaminedArea
    """
    apart_px = max(FWHM * blur_of(photo, area), 2.0)
    centre = area.outline_px.mean(axis=0)
    places = np.vstack([centre[None], centre + 0.9 * (area.outline_px[:: max(1, len(area.outline_px) // 12)] - centre)])
    scales = np.array([surface.mm_per_px_at(place) for place in places], float)
    scales = scales[np.isfinite(scales)]
    return float(apart_px * scales.max())
