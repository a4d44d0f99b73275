"""The views that one marker allows as the lens's distance is varied, and how far each is from what is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from specimeter.scale.view import View

PLACES = np.linspace(-3.0, 3.0, 7)  # standard uncertainties either side of the best principal distance
FARTHEST = 1.2  # of the logarithm: more than three times nearer or farther is no photograph of a bench


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lenses:
    """Views by the logarithm of the principal distance over its best value: 0 is the scale's own view.

    A marker that faces the camera looks the same from near with a short lens and from afar with a long one. What stands
    over it does not, so a bend of known size tells them apart.
    """

    shifts: np.ndarray  # (G,) increasing, with 0
    views: tuple[View, ...]  # as many
    strain: np.ndarray  # (G,) signed, in standard uncertainties: root of what the sum of squares grows by
    of: Callable[[np.ndarray], View]
    unknowns: np.ndarray  # (G, ...) what `of` makes a view from

    def view(self, shift: float) -> View:
        """The view at a shift, which is held to the range."""
        return self.of(self._at(shift, self.unknowns))

    def surprise(self, shift: float) -> float:
        """How many standard uncertainties a shift is off what is known without the bend; goes on straight outside."""
        k = int(np.clip(np.searchsorted(self.shifts, shift) - 1, 0, len(self.shifts) - 2))
        share = (shift - self.shifts[k]) / (self.shifts[k + 1] - self.shifts[k])
        return float(self.strain[k] + share * (self.strain[k + 1] - self.strain[k]))

    @property
    def u(self) -> float:
        """Standard uncertainty of the shift, near 0."""
        middle = int(np.argmin(np.abs(self.shifts)))
        low, high = max(middle - 1, 0), min(middle + 1, len(self.shifts) - 1)
        return float((self.shifts[high] - self.shifts[low]) / max(self.strain[high] - self.strain[low], 1e-6))

    def _at(self, shift: float, values: np.ndarray) -> np.ndarray:
        k = int(np.clip(np.searchsorted(self.shifts, shift) - 1, 0, len(self.shifts) - 2))
        share = np.clip((shift - self.shifts[k]) / (self.shifts[k + 1] - self.shifts[k]), 0.0, 1.0)
        return (1 - share) * values[k] + share * values[k + 1]


def lenses(
    best: np.ndarray, u: float, of: Callable[[np.ndarray], View], at: Callable[[float, np.ndarray], tuple[np.ndarray, float]]
) -> Lenses:
    """Lenses round the best unknowns.

    Parameters
    ----------
    best : array
        Unknowns at shift 0.
    u : float
        Standard uncertainty of the logarithm of the principal distance.
    of : callable
        From unknowns to a view.
    at : callable
        From a shift, and unknowns to start at, to the best unknowns there and their sum of squares.
    """
    shifts = PLACES * min(u, FARTHEST / PLACES[-1])
    middle = len(shifts) // 2
    found: list[tuple[np.ndarray, float]] = [(best, 0.0)] * len(shifts)
    found[middle] = at(0.0, best)
    for step in (-1, 1):
        for k in range(middle + step, len(shifts) if step > 0 else -1, step):
            found[k] = at(float(shifts[k]), found[k - step][0])
    unknowns, costs = np.array([one for one, _ in found]), np.array([cost for _, cost in found])
    strain = np.sign(shifts) * np.sqrt(np.maximum(costs - costs[middle], 0.0))
    return Lenses(
        shifts=shifts,
        views=tuple(of(one) for one in unknowns),
        strain=np.maximum.accumulate(strain),
        of=of,
        unknowns=unknowns,
    )
