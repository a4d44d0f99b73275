"""What a cursor reads off the measured surface: where it is, and how far two places are apart along it."""

from __future__ import annotations

import numpy as np

from specimeter.scale.surface import Surface

U_POINT_PX = 0.7  # standard uncertainty of a point set by hand; judgement


def place(surface: Surface, point_px: np.ndarray) -> tuple[float, float, float] | None:
    """Developed [s, a] in mm and the local mm per pixel at a pixel [x, y]; None where the sight line misses the surface."""
    s, a = surface.develop(np.asarray(point_px, float).reshape(1, 2))[0]
    if not np.isfinite(s):
        return None
    return float(s), float(a), surface.mm_per_px_at(point_px)


def distance_mm(surface: Surface, ends_px: np.ndarray, *, u_rel: float) -> tuple[float, float] | None:
    """Straight distance on the developed surface between two pixels, shape (2, 2), and its U (k = 2); None off the surface.

    The budget: the scale's relative uncertainty and both ends set by hand (0.7 px each, a judgement).
    """
    ends = np.asarray(ends_px, float).reshape(2, 2)
    developed = surface.develop(ends)
    if not np.isfinite(developed).all():
        return None
    length = float(np.linalg.norm(developed[1] - developed[0]))
    one, other = (U_POINT_PX * surface.mm_per_px_at(end) for end in ends)
    return length, float(2 * np.hypot(u_rel * length, np.hypot(one, other)))
