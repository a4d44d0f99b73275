"""What the scale stage hands on: a view, how sure it is, and the evidence."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from specimeter.scale.budget import Term
from specimeter.scale.view import View


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scale:
    """How one photograph's pixels become millimetres on the marker's plane and above it."""

    method: str  # "card" | "length" (later: "graduations", "file")
    view: View
    surface_height_mm: float  # of the measured surface over the marker, as used
    surface_height_u_mm: float
    u_rel: float  # relative standard uncertainty of a length on the measured surface: the root sum of squares of `budget`
    budget: tuple[Term, ...]  # contributions are relative (mm per mm)
    tilt_deg: float
    evidence: Mapping[str, Any]  # JSON-ready: corners found, residuals, which marker, how the distance was had
    cautions: tuple[str, ...] = ()
