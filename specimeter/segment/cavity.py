"""A spot in a cut's face: whether it is as dark as an opening in the metal, the blur taken out; its outline without spurs."""

from __future__ import annotations

import cv2
import numpy as np
import skimage

FINE = 4  # steps to a pixel
LEAST_BLUR_PX = 0.5  # a pixel's own width blurs, however sharp the lens
BETWEEN_PX = 0.4  # standard deviation of the blur that reading light between pixels adds (a triangle's: 1 / sqrt(6))
BESIDE_BLURS, AROUND_PX = 2.0, 4.0  # from an outline: where the metal's light is taken, and over such a width
HALF, NEARLY = 0.5, 0.9  # of the blurred outline: inside is where it is half filled, or nearly as much as anywhere in it
LEAST_SEEN = 0.3  # of a spot's own contrast: what the blur leaves less of is taken for this much
FINER = 8  # parts of a pixel in which spurs are looked for
LEAST_SHORTER = 0.8  # of the greatest extent: an outline that spurs lengthen by less stays as the light drew it
DARKEST = 90.0  # percentile of the darkness within an outline


def without_spurs(ring_px: np.ndarray, thin: float) -> np.ndarray:
    """An outline (N, 2) without what sticks out of its body thinner than `thin` of the body's own greatest thickness.

    A dark grinding mark that a cavity lies on is drawn with it; the cavity is what a disc of that size reaches (an opening,
    Serra 1982). Where this shortens it by less than a fifth, the outline stays as it is: slag has tips of its own.
    """
    low = np.floor(ring_px.min(axis=0)) - 2
    size = (np.ceil(np.ptp(ring_px, axis=0)).astype(int) + 5) * FINER
    body = np.zeros(size[::-1], np.uint8)
    cells = (ring_px - low + 0.5) * FINER - 0.5
    cv2.fillPoly(body, [np.round(cells * 16).astype(np.int32).reshape(-1, 1, 2)], 1, shift=4)
    deep = cv2.distanceTransform(body, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    reach = thin * float(deep.max())
    count, labels, _, _ = cv2.connectedComponentsWithStats((deep > reach).astype(np.uint8), connectivity=8)
    if count < 2:
        return ring_px
    main = labels == labels.ravel()[int(deep.argmax())]
    away = cv2.distanceTransform((~main).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    ring = max(skimage.measure.find_contours(away, reach), key=len, default=None)
    if ring is None:
        return ring_px
    opened = (ring[:-1, ::-1] + 0.5) / FINER - 0.5 + low
    return opened[:: FINER // 2] if _extent(opened) < LEAST_SHORTER * _extent(ring_px) else ring_px


def _extent(ring_px: np.ndarray) -> float:
    hull = cv2.convexHull(ring_px.astype(np.float32)).reshape(-1, 2)
    return float(np.linalg.norm(hull[:, None] - hull[None], axis=2).max())


def darkness(light: np.ndarray, outline_px: np.ndarray, blur_px: float) -> float:
    """How much less light comes from the darkest tenth within an outline than from the metal about it, 0 to 1, unblurred.

    Of the colour in which it is least dark: a hole keeps back all light, a stain that of some colours, as rust the blue. What
    the blur leaves of it is what it leaves of the outline, filled. A hole may be lit in part, and what fills it may be bright:
    its walls then are dark all the same.

    Parameters
    ----------
    light : float32 array, shape (H, W, 3)
        Linear light.
    outline_px : array, shape (N, 2)
        Closed polygon [x, y].
    """
    blur = max(blur_px, LEAST_BLUR_PX)
    beside = max(BESIDE_BLURS * blur, 1.5)
    margin = int(np.ceil(beside + AROUND_PX)) + 1
    low = np.maximum(np.floor(outline_px.min(axis=0)).astype(int) - margin, 0)
    high = np.ceil(outline_px.max(axis=0)).astype(int) + margin + 1
    piece = light[low[1] : high[1], low[0] : high[0]]
    fine = cv2.resize(piece, None, fx=FINE, fy=FINE, interpolation=cv2.INTER_LINEAR)
    inner = np.zeros(fine.shape[:2], np.uint8)
    cv2.fillPoly(inner, [np.round(((outline_px - low + 0.5) * FINE - 0.5) * 16).astype(np.int32)], 1, shift=4)
    away = cv2.distanceTransform(1 - inner, cv2.DIST_L2, 5) / FINE
    metal = fine[(away > beside) & (away < beside + AROUND_PX)]
    if not len(metal):
        return 1.0
    soft = cv2.GaussianBlur(inner.astype(np.float32), (0, 0), FINE * float(np.hypot(blur, BETWEEN_PX)))
    inside = (inner > 0) & (soft >= min(HALF, NEARLY * float(soft.max())))
    lacking = np.min(1 - fine[inside] / np.maximum(np.median(metal, axis=0), 1e-4), axis=1)
    return float(np.percentile(lacking / np.maximum(soft[inside], LEAST_SEEN), DARKEST))
