"""Tips of an opening: where the light missing across it, followed along it, falls to nothing."""

from __future__ import annotations

import cv2
import numpy as np
import scipy

from specimeter.segment.contour import sample

RAMP_FLOOR_PX = 0.07
END_PX = 2.5  # from the tip, where it is told blunt from sharp


def move_tips(
    polygon: np.ndarray,
    darkness: np.ndarray,
    depth: float,
    noise: float,
    blur_px: float,
    *,
    widest_px: float = np.inf,
    fades_px: float = 0.0,
) -> tuple[np.ndarray, list[float]]:
    """Move each tip to where the light missing across the opening, followed along it, falls to nothing.

    The integral across is blind to blur across, so it follows a taper below the half-level. It is fitted with a ramp that
    ends at the tip, blurred along: min(width, slope (tip - x)) * Gaussian. Ends wider than `widest_px` stay as they are; the
    others go on `fades_px` beyond the fitted tip, where what is left of the taper is too thin to be seen.
    """
    hull = cv2.convexHull(polygon.astype(np.float32)).reshape(-1, 2).astype(float)
    gaps = np.linalg.norm(hull[:, None] - hull[None], axis=2)
    i, j = np.unravel_index(int(np.argmax(gaps)), gaps.shape)
    errors: list[float] = []
    for tip, other in ((hull[i], hull[j]), (hull[j], hull[i])):
        found = _tip(polygon, tip, other, darkness, depth, noise, blur_px, widest_px, fades_px)
        if found is not None:
            polygon, error = found
            errors.append(error)
    return polygon, errors


def _tip(
    polygon: np.ndarray,
    tip: np.ndarray,
    other: np.ndarray,
    darkness: np.ndarray,
    depth: float,
    noise: float,
    blur_px: float,
    widest_px: float,
    fades_px: float,
) -> tuple[np.ndarray, float] | None:
    length = float(np.linalg.norm(tip - other))
    reach = min(max(6 * blur_px, 6.0), 0.5 * length)
    distance = np.linalg.norm(polygon - tip, axis=1)
    body = polygon[(distance > 0.5 * reach) & (distance < 1.3 * reach)]
    if len(body) < 4 or length < 4:
        return None
    direction = tip - body.mean(axis=0)
    direction /= np.linalg.norm(direction) + 1e-9
    across = np.array([-direction[1], direction[0]])
    if np.ptp(polygon[distance < END_PX] @ across) > widest_px:
        return None
    near = polygon[distance < 1.3 * reach]
    half = max(np.ptp(near @ across) / 2 + 1, 2.0)
    margin = 3.0 * blur_px + 1.5
    beyond = max(5 * blur_px, 5.0)
    x = np.arange(-reach, beyond + 0.25, 0.5)
    y = np.arange(-half - margin, half + margin + 0.25, 0.5)
    centre = (near @ across).mean() - tip @ across
    grid = tip[None, None] + x[None, :, None] * direction + (y + centre)[:, None, None] * across
    strip = sample(darkness, grid[..., 0], grid[..., 1])
    outer = np.abs(y) > half + 0.6 * margin
    base = np.median(strip[outer], axis=0)
    base = np.convolve(np.pad(base, 4, mode="edge"), np.ones(9) / 9, mode="valid")
    widths = (strip - base).sum(axis=0) * 0.5 / depth
    scatter = noise / depth * np.sqrt(2 * (half + margin)) + 0.02
    place, error = _ramp(x, widths, blur_px, scatter)
    place = float(np.clip(place + fades_px, -0.5 * reach, 0.9 * beyond))
    return _move_tip(polygon, tip, direction, place), float(np.hypot(error, RAMP_FLOOR_PX + 0.15 * blur_px))


def _ramp(x: np.ndarray, widths: np.ndarray, blur_px: float, scatter: float) -> tuple[float, float]:
    """Tip place and its standard error: a width that grows from 0 at the tip and never faster than there, blurred along.

    Every concave run of widths is a positive sum of min(distance from the tip, knee): non-negative least squares per place.
    """
    knees = blur_px * np.array([0.25, 1.0, 2.0, 3.5, 6.0])
    places = np.arange(x[0] * 0.6, x[-1] * 0.85, 0.5)
    costs = np.full(len(places), np.inf)
    for k, place in enumerate(places):
        u = place - x
        ramp = _blurred_ramp(u, blur_px)
        basis = np.column_stack([ramp] + [ramp - _blurred_ramp(u - knee, blur_px) for knee in knees])
        try:
            costs[k] = scipy.optimize.nnls(basis, widths)[1] ** 2
        except RuntimeError:  # did not settle: this place is as unlikely as any
            continue
    if not np.isfinite(costs).any():
        return 0.0, float(blur_px)
    variance = max(scatter**2, costs.min() / max(len(x) / 2 - 4, 4)) * 2  # half-pixel steps: neighbours share their noise
    weight = np.exp(-(costs - costs.min()) / (2 * variance))
    mean = float((weight * places).sum() / weight.sum())
    return mean, float(np.sqrt((weight * (places - mean) ** 2).sum() / weight.sum()))


def _blurred_ramp(u: np.ndarray, blur_px: float) -> np.ndarray:
    """max(u, 0) convolved with a Gaussian."""
    z = u / blur_px
    return u * scipy.special.ndtr(z) + blur_px * np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)


def _move_tip(polygon: np.ndarray, tip: np.ndarray, direction: np.ndarray, place: float) -> np.ndarray:
    """The polygon with everything beyond the new tip drawn back to it, or a point set where the tip lies farther out."""
    along = (polygon - tip) @ direction
    if place <= along.max():
        over = np.clip(along - place, 0, None)
        near = np.linalg.norm(polygon - tip, axis=1) < 3 * abs(place) + 3
        return polygon - np.where(near, over, 0.0)[:, None] * direction
    k = int(np.argmax(along))
    point = polygon[k] + (place - along[k]) * direction
    out = polygon.copy()
    out[k] = point
    return out
