"""Where a thin dark line in a cut ends: by the light along it, as dark lines that it runs into draw its outline on."""

from __future__ import annotations

import cv2
import numpy as np
import scipy

from specimeter.segment.contour import sample, uncrossed, within

STEP_PX = 0.5
BEYOND_PX = (1.5, 8.0)  # from an end: what lies there is not the line, but what it runs into
BESIDE_PX = 4.0  # of metal on either side
END = 0.1  # of its own darkness above that of what it runs into, down to which it goes on: it tapers (SECTIONS.md)
LONGEST_GAP_PX = 3.0
LEAST_DARK = 0.05  # of the metal's light: a paler line tells no ends
LEAST_LEFT = 0.4  # of its length: a line of which less would stay is not one dark stretch


def ended_by_light(outline_px: np.ndarray, light: np.ndarray, blur_px: float) -> np.ndarray:
    """A slender outline without what lies beyond where its line ends in the light; never longer than it was.

    The darkness at each place is what the line takes of the light of the darker metal beside it, so that a step from one
    metal to another is none. It ends where, seen from its middle, no more than a tenth of its own darkness is left above that
    of what goes on: an etched fusion line, a border between runs, or nothing.

    Parameters
    ----------
    outline_px : array, shape (N, 2)
        Closed, [x, y].
    light : float array, shape (H, W)
        Linear luminance of the photograph.
    blur_px : float
        Standard deviation of the photograph's blur.
    """
    ring = np.asarray(outline_px, float)
    middle = ring.mean(axis=0)
    axes = np.linalg.eigh(np.cov((ring - middle).T))[1][:, ::-1]  # along, across
    along, across = ((ring - middle) @ axes).T
    low, high = float(along.min()), float(along.max())
    at = np.arange(low - BEYOND_PX[1] - 2 * blur_px, high + BEYOND_PX[1] + 2 * blur_px, STEP_PX)
    course = np.polyfit(along, across, 2)
    half = max(1.0, cv2.contourArea(ring.astype(np.float32)) / (high - low) / 2)
    dark = _darkness(light, middle + np.column_stack([at, np.polyval(course, at)]) @ axes.T, half, blur_px)
    body = dark[(at > low + (high - low) / 4) & (at < high - (high - low) / 4)]
    own = float(np.median(body)) if len(body) else 0.0
    if own < LEAST_DARK:
        return ring
    first, last = -_end(-at[::-1], dark[::-1], own, -low), _end(at, dark, own, high)
    if last - first < LEAST_LEFT * (high - low):
        return ring
    wide = np.ptp(across) + 1
    corners = np.array([[first, -wide], [last, -wide], [last, wide], [first, wide]])
    return uncrossed(within(ring, middle + corners @ axes.T)[0])


def _darkness(light: np.ndarray, course_px: np.ndarray, half: float, blur_px: float) -> np.ndarray:
    """What of the light beside it a line lacks at each place (N, 2) of its course, `half` pixels wide on either side."""
    way = np.gradient(course_px, axis=0)
    normal = np.column_stack([-way[:, 1], way[:, 0]]) / np.hypot(*way.T)[:, None]
    reach = half + 2 * blur_px + BESIDE_PX
    aside = np.arange(-reach, reach + STEP_PX / 2, STEP_PX)
    places = course_px[:, None] + aside[None, :, None] * normal[:, None]
    seen = scipy.ndimage.gaussian_filter1d(sample(light, places[..., 0], places[..., 1]), 0.75 / STEP_PX, axis=0)
    left, right = (np.median(seen[:, side * aside > half + blur_px + 1], axis=1) for side in (-1, 1))
    inside = scipy.ndimage.gaussian_filter1d(seen, 1.0, axis=1)[:, np.abs(aside) <= half + 0.5 * blur_px + 0.5].min(axis=1)
    return np.asarray(1 - inside / np.maximum(np.minimum(left, right), 1e-4))


def _end(at: np.ndarray, dark: np.ndarray, own: float, end: float) -> float:
    """How far the line reaches towards the greater end of `at`, where its outline ends at `end`."""
    on = dark[(at - end > BEYOND_PX[0]) & (at - end < BEYOND_PX[1])]
    beyond = max(float(np.median(on)), 0.0)
    inner = (at > (at[0] + at[-1]) / 2) & (at <= end)
    held = at[inner & (dark >= beyond + END * (own - beyond))]
    if not len(held):
        return end
    gaps = np.flatnonzero(np.diff(held) > LONGEST_GAP_PX)
    return float(held[gaps[0]] if len(gaps) else min(held[-1] + STEP_PX, end))
