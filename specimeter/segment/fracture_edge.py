"""A feature's border on broken metal as a network sees it, drawn onto the half-level of the light where there is an edge."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy
import skimage

from specimeter.segment.contour import evenly, normals, sample

REACH = 1.6  # of the network's pixels: farther away an edge belongs to something else
FAR = 3.5  # of the network's pixels: how far inside and outside are looked at
ALONG = 1.2  # of the network's pixels: over which light is averaged along the border
OWN = 1.2  # standard uncertainty of the network's border, in its pixels (tuning photographs)
LIGHT = 0.35  # of a clear half-level, in its pixels: walls, rims and grains
CLEAR = 2.0  # difference between inside and outside over their scatter


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn:
    """An outline [x, y] in the photograph, the standard uncertainty of its place across in its pixels, and what drew it.

    `weight` is the light's share in it, `contrast` the log of inside over outside light, absolute.
    """

    outline_px: np.ndarray
    u_px: float
    weight: float
    contrast: float


def ring_of(share: np.ndarray) -> np.ndarray | None:
    """The closed contour [x, y] at half, of the largest area; None without one."""
    contours = [
        c[:-1, ::-1] - 1.0 for c in skimage.measure.find_contours(np.pad(share, 1), 0.5, fully_connected="high") if len(c) > 4
    ]
    return max(contours, key=_area, default=None)


def _area(ring: np.ndarray) -> float:
    return float(cv2.contourArea(ring.astype(np.float32).reshape(-1, 1, 2)))


def drawn(ring_px: np.ndarray, light: np.ndarray, pixel: float) -> Drawn:
    """A ring moved along its normals to the half-level between the light inside and outside, as far as that is the surer.

    Parameters
    ----------
    ring_px : array, shape (N, 2)
        In the photograph.
    light : float32 array, shape (H, W)
        Linear light of the photograph.
    pixel : float
        The network's pixel, in the photograph's.

    Both places are weighed by the inverse of their variance: the network's, and the half-level's from the step over the
    scatter beside it. What is brighter inside is treated as what is darker.
    """
    step = 0.25 * pixel
    ring = evenly(ring_px, max(0.5 * pixel, 0.5))
    outward = normals(ring, 2)
    t = np.arange(-FAR * pixel, FAR * pixel + step / 2, step)
    places = ring[:, None] + t[None, :, None] * outward[:, None]
    spacing = max(0.5 * pixel, 0.5)
    seen = scipy.ndimage.gaussian_filter1d(
        sample(light, places[..., 0], places[..., 1]), ALONG * pixel / spacing, axis=0, mode="wrap"
    )
    seen = scipy.ndimage.gaussian_filter1d(seen, 0.35 * pixel / step, axis=1)
    inner, outer = seen[:, t < -0.9 * pixel], seen[:, t > 0.9 * pixel]
    inside, outside = np.median(inner, axis=1), np.median(outer, axis=1)
    scatter = np.sqrt(0.5 * (inner.var(axis=1) + outer.var(axis=1))) + 1e-5
    change = outside - inside
    lacking = (seen - 0.5 * (inside + outside)[:, None]) * np.sign(change)[:, None]
    passes = (lacking[:, :-1] < 0) & (lacking[:, 1:] >= 0)
    at = t[:-1] - step * lacking[:, :-1] / np.maximum(lacking[:, 1:] - lacking[:, :-1], 1e-9)
    far = np.where(passes & (np.abs(at) <= REACH * pixel), np.abs(at), np.inf)
    rows, k = np.arange(len(ring)), far.argmin(axis=1)
    clear = np.isfinite(far[rows, k]) & (np.abs(change) > CLEAR * scatter)
    slope = np.abs(np.gradient(seen, step, axis=1)[rows, k])
    variance = np.where(clear, (LIGHT * pixel) ** 2 + (scatter / np.maximum(slope, 1e-6)) ** 2, np.inf)
    own = (OWN * pixel) ** 2
    weight = own / (own + variance)
    shift = scipy.ndimage.gaussian_filter1d(weight * np.where(clear, at[rows, k], 0.0), 1.5, mode="wrap")
    levels = np.maximum([np.median(inside), np.median(outside)], 1e-4)
    return Drawn(
        outline_px=ring + shift[:, None] * outward,
        u_px=float(np.sqrt(np.mean(1 / (1 / own + 1 / variance)))),
        weight=float(weight.mean()),
        contrast=float(abs(np.log(levels[0] / levels[1]))),
    )
