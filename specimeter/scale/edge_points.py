"""A point marked by hand moved onto the edge or the thin mark that it was meant for, where the picture shows just one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

U_PICK_PX = 0.7  # a point marked by hand on an edge or a graduation
U_EDGE_PX = 0.15  # one found on the picture itself: uneven light and background on its two sides move it by so much
_REACH_PX = 3.5  # five standard uncertainties of a hand
_ASIDE_PX = 3.0
_STEP_PX = 0.25
_LEAST_CONTRAST = 0.04  # of the light there
_ALONE = 0.4  # of the strongest: another change of light that strong leaves the choice open


@dataclass(frozen=True, slots=True, kw_only=True)
class Refined:
    """Both ends of a known length after looking at the picture.

    `kind` is "edge" (both ends on an edge), "mark" (both on a thin mark) or "hand" (left as they were marked).
    """

    ends_px: np.ndarray
    u_px: float
    kind: str
    moved_px: tuple[float, float]


def refined(light: np.ndarray, ends_px: np.ndarray) -> Refined:
    """Both points, shape (2, 2), moved along the line between them by at most 3.5 pixels.

    Only along it: what lies across changes the length in second order. They are left where they are unless both lie on the
    same kind of thing: an edge each, or a thin mark each (a line, a punch), with nothing as strong beside it.

    Parameters
    ----------
    light : array, shape (H, W)
        Linear light.
    ends_px : array, shape (2, 2)
    """
    way = ends_px[1] - ends_px[0]
    way = way / np.linalg.norm(way)
    found = [_nearest(light, point, way) for point in ends_px]
    for kind in ("mark", "edge"):
        first, second = (one.get(kind) for one in found)
        if first is not None and second is not None:
            moved = ends_px + np.outer([first, second], way)
            return Refined(ends_px=moved, u_px=U_EDGE_PX, kind=kind, moved_px=(float(first), float(second)))
    return Refined(ends_px=ends_px, u_px=U_PICK_PX, kind="hand", moved_px=(0.0, 0.0))


def _nearest(light: np.ndarray, point: np.ndarray, way: np.ndarray) -> dict[str, float]:
    """Shift in pixels along `way` to the one edge, and to the one thin mark, near a point: whichever there are."""
    margin = 2.5
    t = np.arange(-_REACH_PX - margin, _REACH_PX + margin + _STEP_PX / 2, _STEP_PX)
    aside = np.arange(-_ASIDE_PX, _ASIDE_PX + 0.5, 1.0)
    across = np.array([-way[1], way[0]])
    places = point + t[None, :, None] * way + aside[:, None, None] * across
    values = scipy.ndimage.map_coordinates(light, [places[..., 1], places[..., 0]], order=1, mode="nearest", output=np.float64)
    profile = scipy.ndimage.gaussian_filter1d(np.median(values, axis=0), 0.7 / _STEP_PX)
    slope = np.gradient(profile, t)
    level = float(profile.mean()) + 1e-4
    noise = 1.4826 * float(np.median(np.abs(values - np.median(values, axis=0)))) / np.sqrt(len(aside))
    peaks = [k for k in range(1, len(t) - 1) if abs(slope[k]) >= abs(slope[k - 1]) and abs(slope[k]) > abs(slope[k + 1])]
    peaks = [k for k in peaks if abs(slope[k]) > max(_LEAST_CONTRAST * level, 4 * noise) / 2.5]
    if not peaks:
        return {}
    strongest = max(abs(slope[k]) for k in peaks)
    strong = [k for k in peaks if abs(slope[k]) > _ALONE * strongest]
    result = {}
    if len(strong) == 1 and abs(t[strong[0]]) <= _REACH_PX:
        result["edge"] = _middle(t, np.abs(slope), strong[0])
    if len(strong) == 2 and slope[strong[0]] * slope[strong[1]] < 0:  # in and out again: a thin mark
        middle = 0.5 * sum(_middle(t, np.abs(slope), k) for k in strong)
        if abs(middle) <= _REACH_PX:
            result["mark"] = middle
    return result


def _middle(t: np.ndarray, weight: np.ndarray, peak: int) -> float:
    """Centre of a hump of `weight` round its peak, over what exceeds half of it."""
    low = high = peak
    while low > 0 and 0.5 * weight[peak] < weight[low - 1] <= weight[low]:
        low -= 1
    while high < len(t) - 1 and 0.5 * weight[peak] < weight[high + 1] <= weight[high]:
        high += 1
    part = slice(low, high + 1)
    return float(np.average(t[part], weights=weight[part] - 0.5 * weight[peak] + 1e-12))
