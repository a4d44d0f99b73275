"""The measured surface laid out flat: the photograph as it would look if the bend were unrolled, with the way back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from specimeter import lookup
from specimeter.scale.surface import Surface

MOST_PX = 1600  # of the longer side


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Unrolled:
    """A picture of the surface at one scale everywhere; its pixels are developed millimetres.

    Parameters
    ----------
    rgb : array, shape (H, W, 3), uint8
        Columns run along s, rows along a.
    low_mm : array, shape (2,)
        Developed [s, a] of the top-left pixel's centre.
    mm_per_px : float
    """

    rgb: np.ndarray
    low_mm: np.ndarray
    mm_per_px: float

    def to_developed(self, points_px: np.ndarray) -> np.ndarray:
        """Developed [s, a] in mm of this picture's pixels [x, y], shape (N, 2)."""
        return self.low_mm + np.asarray(points_px, float).reshape(-1, 2) * self.mm_per_px

    def from_developed(self, developed_mm: np.ndarray) -> np.ndarray:
        """This picture's pixels [x, y], shape (N, 2), of developed points in mm."""
        return (np.asarray(developed_mm, float).reshape(-1, 2) - self.low_mm) / self.mm_per_px


def unroll(rgb: np.ndarray, surface: Surface, outline_px: np.ndarray) -> Unrolled | None:
    """The part of a photograph within an outline, unrolled; None where the outline does not lie on the surface.

    Its scale is that at the outline's middle, or coarser where the picture would grow beyond `MOST_PX`.
    """
    developed = surface.develop(outline_px)
    developed = developed[np.isfinite(developed).all(axis=1)]
    if len(developed) < 3:
        return None
    low, high = developed.min(axis=0), developed.max(axis=0)
    middle = surface.project((low + high)[None] / 2)[0]
    step = max(float(surface.mm_per_px_at(middle)), float((high - low).max()) / MOST_PX)
    if not np.isfinite(step) or step <= 0:
        return None
    width, height = (np.ceil((high - low) / step) + 1).astype(int)
    columns, rows = np.meshgrid(low[0] + step * np.arange(width), low[1] + step * np.arange(height))
    seen = surface.project(np.column_stack([columns.ravel(), rows.ravel()])).astype(np.float32)
    x, y = (seen[:, axis].reshape(height, width) for axis in (0, 1))
    eight = rgb if rgb.dtype == np.uint8 else (rgb >> 8).astype(np.uint8)
    flat = lookup.at(eight, x, y)
    return Unrolled(rgb=flat, low_mm=low, mm_per_px=step)
