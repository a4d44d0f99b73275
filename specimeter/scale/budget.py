"""The uncertainty budget: terms, their combination, effective degrees of freedom (JCGM 100)."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One line of a budget.

    `contribution` is |sensitivity| * u in the unit of the result (for a scale: relative, mm per mm).
    """

    source: str
    value: float | None
    unit: str
    u: float
    sensitivity: float
    contribution: float
    basis: str  # where u comes from, in words: "calibration certificate", "residuals of 40 corners", "judgement"
    dof: float | None = None  # None: infinitely many
