"""The uncertainty budget: terms, their combination, effective degrees of freedom (JCGM 100)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
import scipy
from numpy.typing import ArrayLike

K = 2.0  # the coverage factor of every stated U


class Term(NamedTuple):
    """One line of a budget.

    `contribution` is |sensitivity| * u in the unit of the result (for a scale: relative, mm per mm). A tuple, since there
    are thousands of them where a photograph shows thousands of features.
    """

    source: str
    value: float | None
    unit: str
    u: float
    sensitivity: float
    contribution: float
    basis: str  # where u comes from, in words: "calibration certificate", "residuals of 40 corners", "judgement"
    dof: float | None = None  # None: infinitely many


def term(
    source: str, *, u: float, unit: str, sensitivity: float, basis: str, value: float | None = None, dof: float | None = None
) -> Term:
    """A line whose contribution is |sensitivity| * u (JCGM 100:2008, 5.1.3)."""
    return Term(
        source=source,
        value=value,
        unit=unit,
        u=u,
        sensitivity=sensitivity,
        contribution=abs(sensitivity) * u,
        basis=basis,
        dof=dof,
    )


def combine(terms: Iterable[Term]) -> float:
    """Combined standard uncertainty of independent terms: the root sum of squares (JCGM 100:2008, 5.1.2, eq. 10)."""
    return math.hypot(*(line.contribution for line in terms))


def combine_correlated(sensitivities: ArrayLike, covariance: ArrayLike) -> float:
    """Combined standard uncertainty of correlated inputs (JCGM 100:2008, 5.2.2, eq. 13).

    Parameters
    ----------
    sensitivities : array_like, shape (N,)
        Partial derivatives of the result.
    covariance : array_like, shape (N, N)
        Of the inputs: their variances on the diagonal.
    """
    c = np.asarray(sensitivities, float)[None]
    return math.sqrt(max(float((c @ np.asarray(covariance, float) @ c.T)[0, 0]), 0.0))


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a quantity known only to lie within +- half_width (JCGM 100:2008, 4.3.7)."""
    return half_width / math.sqrt(3.0)


def effective_dof(terms: Sequence[Term]) -> float:
    """Welch-Satterthwaite degrees of freedom (JCGM 100:2008, G.4.1, eq. G.2b); inf where every term has infinitely many."""
    spread = sum(line.contribution**4 / line.dof for line in terms if line.dof is not None)
    return combine(terms) ** 4 / spread if spread else math.inf


def coverage_factor(dof: float, *, probability: float = 0.95) -> float:
    """Factor k of an interval that holds `probability` of a t distribution (JCGM 100:2008, G.3 and G.4.1).

    `dof` is truncated to the next lower integer first, as G.4.1 says; infinite `dof` gives the normal distribution.

    >>> round(coverage_factor(16.7), 2), round(coverage_factor(math.inf), 2)
    (2.12, 1.96)
    """
    tail = (1.0 + probability) / 2.0
    return float(scipy.special.ndtri(tail) if math.isinf(dof) else scipy.special.stdtrit(math.floor(dof), tail))
