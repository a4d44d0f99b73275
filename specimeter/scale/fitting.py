"""Least squares for the views: damped Gauss-Newton over a few unknowns, and which ways of leaning a picture leaves open."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol, TypeVar

import numpy as np

from specimeter.scale.view import View

OUTLIER = 4.0  # standard uncertainties beyond which a point is left out
_LEAST_CURVED = 1e-15  # of the steepest unknown: one that nothing depends on stays where it is
_SETTLED = 1e-3  # gain of a step in chi-square at which a fit has arrived: 0.03 of a standard uncertainty
_ELSEWHERE_DEG, _AS_WELL = 0.5, 9.0  # two fits differ if they lean so far apart; one is open if its chi-square is within 9

Many = Callable[[np.ndarray], np.ndarray]  # from sets of unknowns (M, U) to values (M, N)


class Leaning(Protocol):
    """A fitted view, one of two ways in which a plane can lean and look alike from afar."""

    @property
    def view(self) -> View: ...

    @property
    def inflation(self) -> float: ...

    @property
    def strain(self) -> float: ...

    @property
    def relative(self) -> np.ndarray:
        """Every point's residual in its own standard uncertainties, those left out included."""


Fit = TypeVar("Fit", bound=Leaning)


def solve(
    cost: Many,
    p: np.ndarray,
    steps: np.ndarray,
    *,
    most: int = 60,
    jacobian_at: Callable[[np.ndarray], np.ndarray] | None = None,
) -> np.ndarray | None:
    """Unknowns (U,) of least squares of `cost`, by Levenberg's damping; None where it is not finite at the start.

    Parameters
    ----------
    cost : callable
        From sets of unknowns (M, U) to residuals (M, N) in their standard uncertainties.
    p : array, shape (U,)
        First guess.
    steps : array, shape (U,)
        Of the unknowns, for central differences.
    most : int
        Steps at most.
    jacobian_at : callable, optional
        From unknowns (U,) to the residuals' derivatives (N, U); absent: by differences.

    References
    ----------
    .. [1] K. Levenberg, Quart. Appl. Math. 2 (1944) 164: damped least squares.

    Examples
    --------
    >>> x = np.arange(5.0)
    >>> line = lambda p: p[:, :1] + p[:, 1:] * x - (2.0 + 0.5 * x)
    >>> solve(line, np.zeros(2), np.full(2, 1e-3)).round(6).tolist()
    [2.0, 0.5]
    """
    residual, damping = cost(p[None])[0], 1e-5
    if not np.isfinite(residual).all():
        return None
    for _ in range(most):
        jacobian = slopes(cost, p, steps) if jacobian_at is None else jacobian_at(p)
        if not np.isfinite(jacobian).all():
            return None
        hessian, slope = jacobian.T @ jacobian, jacobian.T @ residual
        own = np.diag(hessian)
        own = np.diag(np.maximum(own, _LEAST_CURVED * own.max(initial=0.0) + np.finfo(float).tiny))
        while damping < 1e8:
            step = np.linalg.solve(hessian + damping * own, slope)
            moved = cost((p - step)[None])[0]
            gain = residual @ residual - moved @ moved
            if np.isfinite(gain) and gain >= 0:
                break
            damping *= 10
        else:
            return p
        p, residual, damping = p - step, moved, max(damping / 10, 1e-10)
        if gain < _SETTLED and damping < 1e-3:
            break
    return p


def slopes(function: Many, p: np.ndarray, steps: np.ndarray) -> np.ndarray:
    """Derivatives (N, U) of a function that takes sets of unknowns (M, U) and gives values (M, N), by central differences."""
    moves = np.diag(steps)
    values = function(np.concatenate([p + moves, p - moves]))
    return ((values[: len(p)] - values[len(p) :]) / (2 * steps[:, None])).T


def distinct(fits: Sequence[Fit]) -> list[Fit]:
    """Best first; another only if it leans elsewhere and is not clearly worse (chi-square within 9).

    They are held against each other over all points alike, with the smaller of their inflations: a fit that leaves points out,
    or calls them uncertain, must not seem the better for it.
    """
    inflation = min((fit.inflation for fit in fits), default=1.0)

    def cost(fit: Fit) -> float:
        return float(np.sum(np.minimum((fit.relative / inflation) ** 2, OUTLIER**2)) + fit.strain)

    fits = sorted(fits, key=cost)
    best = fits[:1]
    for other in fits[1:]:
        turn = np.arccos(np.clip((np.trace(best[0].view.rotation.T @ other.view.rotation) - 1) / 2, -1, 1))
        if np.degrees(turn) > _ELSEWHERE_DEG and cost(other) - cost(best[0]) < _AS_WELL:
            best.append(other)
    return best
