"""An uncertainty budget as a reader sees it: a table of its lines, their sum, effective degrees of freedom, U."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from specimeter.rounding import figures
from specimeter.scale.budget import K, coverage_factor, effective_dof

CAPTION = "Budget of the scale: standard uncertainties, k = 1"
HEADS = ("source", "value", "u", "unit", "sensitivity", "of a length", "degrees of\nfreedom", "basis")
NUMBERS = (1, 2, 4, 5)  # columns of numbers
BASIS = len(HEADS) - 1
_NEGLIGIBLE = 1e-5  # relative
_MANY = 1e4  # degrees of freedom that change nothing any more


def rows(budget: Sequence[Any]) -> list[list[str]]:
    """One row a line; `budget` holds a scale's terms, or a record's, with their contributions relative to a length."""
    return [
        [
            term.source,
            "–" if term.value is None else f"{term.value:.6g}",
            figures(term.u, 2),
            term.unit,
            figures(abs(term.sensitivity), 2),
            share(term.contribution),
            "∞" if term.dof is None else figures(term.dof, 2),
            term.basis,
        ]
        for term in budget
    ]


def sums(budget: Sequence[Any], u_rel: float) -> list[list[str]]:
    """Name and value of what the lines add up to: combined u, effective degrees of freedom, U."""
    freedom = effective_dof(budget)
    many = freedom > _MANY
    k = coverage_factor(freedom)
    told = [
        ["combined standard uncertainty of a length", f"{figures(100 * u_rel, 2)} %"],
        ["effective degrees of freedom", "more than 10 000" if many else f"{math.floor(freedom)}"],
        ["expanded uncertainty of a length (k = 2)", f"{figures(100 * K * u_rel, 2)} %"],
    ]
    if k > K + 0.05:  # few degrees of freedom: k = 2 would hold less than 95 %
        told.append(["factor k for 95 % with so few degrees of freedom", f"{k:.2f}"])
    return told


def share(contribution: float) -> str:
    """A relative contribution in percent of a length."""
    return "below 0.001 %" if contribution < _NEGLIGIBLE else f"{figures(100 * contribution, 2)} %"
