"""What the scale stage hands on: a view, how sure it is, and the evidence."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from specimeter.scale.budget import Term, combine
from specimeter.scale.height import Height
from specimeter.scale.lenses import Lenses
from specimeter.scale.view import View


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scale:
    """How one photograph's pixels become millimetres on the marker's plane and above it.

    The uncertainty differs over the picture (perspective, lens): `u_rel` and `budget` hold at `reference_px`, where the
    specimen is taken to lie; `at` gives the same scale with its budget drawn up for another place.

    `evidence` may hold ``doubts``, a list of sentences: what contradicts the scale, or what it hangs on that may not be relied
    upon (an entered distance that the picture contradicts, equipment out of date). While there is one, nothing is ``within``.
    """

    method: str  # "card" | "graduations" | "length" | "file"
    view: View
    surface_height_mm: float  # of the measured surface over the marker, as used
    surface_height_u_mm: float
    u_rel: float  # relative standard uncertainty of a length on the measured surface: the root sum of squares of `budget`
    budget: tuple[Term, ...]  # contributions are relative (mm per mm)
    tilt_deg: float
    evidence: Mapping[str, Any]  # JSON-ready: corners found, residuals, which marker, how the distance was had
    cautions: tuple[str, ...] = ()
    reference_px: tuple[float, float] | None = None
    budget_at: Callable[[np.ndarray], tuple[Term, ...]] | None = None
    lenses: Callable[[], Lenses] | None = None  # the views that other distances of the lens would give
    refocused: Callable[[float, float], Scale] | None = None  # from a principal distance in pixels and its relative u
    raised: Callable[[Height], Scale] | None = None  # with the measured surface at another height

    def at(self, point_px: np.ndarray) -> Scale:
        """The same scale with `u_rel` and `budget` for the surface at a pixel [x, y], shape (2,)."""
        if self.budget_at is None:
            return self
        point = np.asarray(point_px, float)
        budget = self.budget_at(point)
        return replace(self, budget=budget, u_rel=combine(budget), reference_px=(float(point[0]), float(point[1])))
