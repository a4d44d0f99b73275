"""The shape that pixels lie on: a flat plane, or the cylinder of a bend; pixels <-> developed millimetres."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from specimeter.scale.view import View


class Surface(Protocol):
    """What every surface answers; developed coordinates are [s, a] in mm.

    Flat: [x, y] of the world plane. Bend: s along the arc, 0 at the crown line, a along the bend axis.
    """

    shape: str  # "flat" | "bend"
    view: View

    def develop(self, points_px: np.ndarray) -> np.ndarray:
        """Developed [s, a] in mm, shape (N, 2), of pixels [x, y]; NaN where the sight line misses the surface."""

    def project(self, developed_mm: np.ndarray) -> np.ndarray:
        """Pixels [x, y], shape (N, 2), of developed points [s, a] in mm."""

    def steepness_deg(self, points_px: np.ndarray) -> np.ndarray:
        """Angle between the sight line and the surface's normal at pixels, shape (N,); NaN where it misses."""

    def mm_per_px_at(self, point_px: np.ndarray) -> float:
        """Local scale at one pixel: square root of the developed area that one pixel covers there."""
