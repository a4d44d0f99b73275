"""An opening's border as a network sees it, drawn onto the edge that the light shows: half-level where it is clear."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy
import skimage

from specimeter.segment.contour import evenly, normals, sample, through_tips, uncrossed
from specimeter.segment.tips import move_tips

MOST_PARTS = 32  # joined; the largest
BRIDGE_PX = 8  # of the network's pixels: parts of one proposal nearer than that are one opening
LEAST_TOP = 0.2  # share of a pixel under which the middle of a slit is taken for this much
SHARE_BLUR_PX = 0.5  # of the network's shares, along a tip
SHARE_NOISE = 0.02
NETWORK_PX = 0.5  # standard uncertainty of the network's border, in its pixels; measured on tuning photographs
LIGHT_PX = 0.25  # of a clear half-level, in the photograph's: lip, wall, sharpening and tone curve
REACH_PX = 1.5  # of the network's pixels: farther away an edge belongs to something else
NEAR_TIP_PX = 2.5  # of the network's pixels, where the sides close: no half-level there
BLUNT_PX = 3.5  # of the network's pixels: an end as wide, two pixels and a half from its tip, has no taper to follow
FADES_PX = 0.2  # of the network's pixels: by which its shares end before a pointed tip does; measured on development scenes
THIN_PX = 3.0  # of the network's pixels: thinner than this, the shares tell the width
EARLY, LATE = (
    0.32,
    1.68,
)  # contours about the middle, of the half that bounds: what lies between is one standard uncertainty aside


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch:
    """The shares of pixels that one opening covers, 0 to 1, in a piece of the network's picture, and where that lies.

    Parameters
    ----------
    share : float array, shape (H, W)
    corner_px : array, shape (2,)
        The piece's top-left pixel [x, y] in the network's picture.
    zoom : array, shape (2,), or float
        The network's pixels to one of the photograph's, along x and y.
    offset_px : array, shape (2,)
        The photograph's pixel [x, y] where the network's picture begins.
    """

    share: np.ndarray
    corner_px: np.ndarray
    zoom: np.ndarray | float
    offset_px: np.ndarray

    def to_photograph(self, points: np.ndarray) -> np.ndarray:
        """Pixels [x, y] of the photograph, of points in the patch."""
        return (points + self.corner_px + 0.5) / self.zoom - 0.5 + self.offset_px


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Border:
    """An outline [x, y] in the photograph, standard uncertainties of edge and tip in its pixels, and how dark it is inside.

    `drawn_by` is the share of the outline that the light's half-level decides, 0 to 1.
    """

    outline_px: np.ndarray
    u_edge_px: float
    u_tip_px: float
    darkness: float
    noise: float
    drawn_by_light: float


def border(patch: Patch, light: np.ndarray, blur_px: float) -> Border | None:
    """The border of one opening; None where the shares have no closed contour.

    Parameters
    ----------
    patch : Patch
    light : float32 array, shape (H, W)
        Linear light of the whole photograph.
    blur_px : float
        Standard deviation of the photograph's own blur.
    """
    level = _levels(patch.share)
    ring = _largest(level, 1.0)
    if ring is None:
        return None
    edge_spread, tip_spread = _spread(level, ring)
    ring = evenly(_thinned(ring, patch.share), 0.7)
    ring, tip_errors = move_tips(
        ring, patch.share.astype(np.float32), 1.0, SHARE_NOISE, SHARE_BLUR_PX, widest_px=BLUNT_PX, fades_px=FADES_PX
    )
    ring = through_tips(patch.to_photograph(ring), 1.0)
    zoom = float(np.mean(patch.zoom))
    edge = _drawn(ring, light, blur_px, zoom)
    u_edge = np.hypot(0.5 * edge_spread / zoom * (1 - edge.weight), edge.u_px)
    u_tip = np.hypot(tip_spread, float(np.mean(tip_errors)) if tip_errors else SHARE_BLUR_PX) / min(zoom, 1.0)
    return Border(
        outline_px=uncrossed(edge.outline_px),
        u_edge_px=float(u_edge),
        u_tip_px=float(np.hypot(u_tip, u_edge)),
        darkness=edge.darkness,
        noise=edge.noise,
        drawn_by_light=edge.weight,
    )


def own_ring(patch: Patch) -> np.ndarray | None:
    """The network's own border [x, y] in the photograph, without any physics."""
    ring = _largest(_levels(patch.share), 1.0)
    return None if ring is None else patch.to_photograph(ring)


def _levels(share: np.ndarray) -> np.ndarray:
    """Shares over half of the greatest beside: 1 on the border, at half a pixel or, of a slit, at half its middle."""
    top = cv2.GaussianBlur(cv2.dilate(share, np.ones((3, 3), np.uint8)), (0, 0), 0.7)
    level = share / (0.5 * np.clip(top, LEAST_TOP, 1))
    return _joined(level.astype(np.float32))


def _joined(level: np.ndarray) -> np.ndarray:
    """Levels with the parts of one opening joined by a line where they come nearest: a slit fades between its pixels."""
    held = (level > 1).astype(np.uint8)
    count, labels = cv2.connectedComponents(held, connectivity=8)
    parts = [np.argwhere(labels == k)[:, ::-1] for k in range(1, count)]
    parts = sorted(parts, key=len, reverse=True)[:MOST_PARTS]
    while len(parts) > 1:
        near = [scipy.spatial.KDTree(parts[0]).query(part) for part in parts[1:]]
        k = int(np.argmin([gaps.min() for gaps, _ in near]))
        gaps, at = near[k]
        end = int(gaps.argmin())
        if gaps[end] > BRIDGE_PX:
            break
        line = np.zeros_like(held)
        cv2.line(line, [int(v) for v in parts[0][at[end]]], [int(v) for v in parts[1 + k][end]], 1, 2)
        level = np.where(line > 0, np.maximum(level, np.float32(1.1)), level)
        parts = [np.vstack([parts[0], parts[1 + k]]), *parts[1 : 1 + k], *parts[2 + k :]]
    return level


def _largest(level: np.ndarray, at: float) -> np.ndarray | None:
    """The closed contour [x, y] about the largest area."""
    contours = [
        c[:-1, ::-1] - 1.0 for c in skimage.measure.find_contours(np.pad(level, 1), at, fully_connected="high") if len(c) > 4
    ]
    return max(contours, key=_area, default=None)


def _area(ring: np.ndarray) -> float:
    return float(cv2.contourArea(ring.astype(np.float32).reshape(-1, 1, 2)))


def _extent(ring: np.ndarray) -> float:
    hull = cv2.convexHull(ring.astype(np.float32)).reshape(-1, 2)
    return float(np.linalg.norm(hull[:, None] - hull[None], axis=2).max())


def _spread(level: np.ndarray, ring: np.ndarray) -> tuple[float, float]:
    """How far the contours that bound two thirds of the chance lie from the middle: across, and at the tips."""
    outer, inner = _largest(level, EARLY), _largest(level, LATE)
    around = cv2.arcLength(ring.astype(np.float32).reshape(-1, 1, 2), True)
    wide, long = _area(ring), _extent(ring)
    outer_area, outer_long = (_area(outer), _extent(outer)) if outer is not None else (wide + around, long + 2)
    inner_area, inner_long = (_area(inner), _extent(inner)) if inner is not None else (0.5 * wide, 0.5 * long)
    return max(outer_area - inner_area, 0.0) / (2 * max(around, 1.0)), max(outer_long - inner_long, 0.0) / 4


def _thinned(ring: np.ndarray, share: np.ndarray) -> np.ndarray:
    """A thin outline drawn in until it holds the area that the shares add up to."""
    around = cv2.arcLength(ring.astype(np.float32).reshape(-1, 1, 2), True)
    area = _area(ring)
    if 2 * area > THIN_PX * around:
        return ring
    even = evenly(ring, 0.7)
    inwards = np.clip((area - float(share.sum())) / max(around, 1.0), 0, 0.45 * 2 * area / max(around, 1.0))
    return even - inwards * normals(even, 2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Drawn:
    outline_px: np.ndarray
    u_px: float
    weight: float
    darkness: float
    noise: float


def _drawn(ring: np.ndarray, light: np.ndarray, blur_px: float, zoom: float) -> _Drawn:
    """The ring moved along its normals to the half-level between the light inside and outside, as far as that is the surer.

    Both places are weighed by the inverse of their variance: the network's, and the half-level's from its slope and the scatter
    of the metal beside it. Near the ends, where the sides close, the ring stays.
    """
    outward = normals(ring, 2)
    reach = REACH_PX / zoom + blur_px
    t = np.arange(-reach - 3, reach + 5.01, 0.25)
    places = ring[:, None] + t[None, :, None] * outward[:, None]
    seen = scipy.ndimage.gaussian_filter1d(sample(light, places[..., 0], places[..., 1]), 1.0, axis=0, mode="wrap")
    without = seen[:, (t > 1 + blur_px) & (t <= reach + 4)]
    outside = np.median(without, axis=1)
    scatter = 1.4826 * np.median(np.abs(without - outside[:, None]), axis=1)
    inside, outside = (
        scipy.ndimage.gaussian_filter1d(level, 2.0, mode="wrap")
        for level in (seen[:, (t < 0) & (t >= -reach - 1)].min(axis=1), outside)
    )
    lacking = seen - 0.5 * (inside + outside)[:, None]
    passes = (lacking[:, :-1] < 0) & (lacking[:, 1:] >= 0)
    at = t[:-1] - 0.25 * lacking[:, :-1] / np.maximum(lacking[:, 1:] - lacking[:, :-1], 1e-6)
    far = np.where(passes & (np.abs(at) <= reach), np.abs(at), np.inf)
    rows, k = np.arange(len(ring)), far.argmin(axis=1)
    clear = np.isfinite(far[rows, k]) & (outside - inside > 0.1 * outside)
    slope = np.gradient(seen, 0.25, axis=1)[rows, k]
    variance = np.where(clear, LIGHT_PX**2 + (scatter / np.maximum(slope, 1e-4)) ** 2, np.inf)
    own = (NETWORK_PX / min(zoom, 1.0)) ** 2  # enlarging tells nothing new of a place
    thick = 2 * _area(ring) / max(cv2.arcLength(ring.astype(np.float32).reshape(-1, 1, 2), True), 1.0)
    variance = variance / np.clip(thick / (2 * blur_px) - 1, 1e-3, 1)  # thinner than the blur, the half-level tells the blur
    weight = own / (own + variance) * np.clip(_to_tips(ring) * zoom / NEAR_TIP_PX - 0.5, 0, 1)
    shift = scipy.ndimage.gaussian_filter1d(weight * np.where(clear, at[rows, k], 0.0), 1.0, mode="wrap")
    level = max(float(np.median(outside)), 1e-4)
    return _Drawn(
        outline_px=ring + shift[:, None] * outward,
        u_px=float(np.sqrt(np.mean(1 / (1 / own + 1 / variance)))),
        weight=float(weight.mean()),
        darkness=float(np.clip(1 - np.median(inside) / level, 0.01, 1)),
        noise=float(np.median(scatter) / level + 1e-3),
    )


def _to_tips(ring: np.ndarray) -> np.ndarray:
    """Distance of each point to the nearer of the two that lie farthest apart."""
    hull = cv2.convexHull(ring.astype(np.float32)).reshape(-1, 2)
    gaps = np.linalg.norm(hull[:, None] - hull[None], axis=2)
    ends = hull[list(np.unravel_index(int(np.argmax(gaps)), gaps.shape))]
    return np.linalg.norm(ring[:, None] - ends[None], axis=2).min(axis=1)
