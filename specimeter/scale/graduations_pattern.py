"""What the long and short marks of a rule say: whole or half millimetres, halving steps, or nothing to be trusted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# For each pattern: marks in a cycle; for each kind of mark, longest first, the remainders at which it stands.
_HALVES: dict[str, tuple[int, tuple[tuple[int, ...], ...]]] = {
    "tens, fives and ones": (10, ((0,), (5,), (1, 2, 3, 4, 6, 7, 8, 9))),
    "tens, fives, ones and halves": (20, ((0,), (10,), (2, 4, 6, 8, 12, 14, 16, 18), tuple(range(1, 20, 2)))),
    "halving steps": (16, ((0,), (8,), (4, 12), (2, 6, 10, 14), tuple(range(1, 16, 2)))),
    "alternating": (2, ((0,), (1,))),
    "fives": (5, ((0,), (1, 2, 3, 4))),
}
DIVISION_MM = {"tens, fives and ones": 1.0, "tens, fives, ones and halves": 0.5}
_SEPARATED = 4.0  # standard errors between two kinds of mark
_LEAST_STEP = 0.25  # periods: by how much longer a longer kind is at least
_LEAST_EXPLAINED = 0.55
_CLEAR = 1.25  # how much worse another reading must explain the lengths


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """How long and short marks follow each other.

    Parameters
    ----------
    name : str
        A key of the patterns known, or "none".
    division_mm : float or None
        What one division is by that pattern on a metric rule; None where it does not say.
    first : int
        Number of a mark that is of the longest kind.
    explained : float
        Share of the lengths' scatter that the pattern explains.
    kinds : tuple of float
        Usual length of each kind, longest first, in periods.
    """

    name: str
    division_mm: float | None
    first: int
    explained: float
    kinds: tuple[float, ...]


NONE = Pattern(name="none", division_mm=None, first=0, explained=0.0, kinds=())


def pattern_of(index: np.ndarray, lengths: np.ndarray) -> Pattern:
    """The pattern that the marks' lengths follow; NONE where no one stands out.

    Parameters
    ----------
    index : array, shape (N,), int
    lengths : array, shape (N,)
        In periods.
    """
    readings = []
    for name, (cycle, places) in _HALVES.items():
        best = max((_reading(index, lengths, cycle, places, first) for first in range(cycle)), key=lambda one: one[0])
        if best[0] > 0:
            readings.append((best[0], name, best[1], best[2]))
    if not readings:
        return NONE
    readings.sort(reverse=True)
    left = [1.0 - explained for explained, *_ in readings]
    explained, name, first, kinds = readings[0]
    # a simpler pattern is part of a richer one (halves alternate): the richer counts if its further kinds are separated
    for k in range(1, len(readings)):
        if readings[k][1] in DIVISION_MM and name not in DIVISION_MM and left[k] < _CLEAR * left[0]:
            explained, name, first, kinds = readings[k]
            break
    rivals = [one for one in readings if one[1] in DIVISION_MM and one[1] != name]
    if name in DIVISION_MM and any(1.0 - rival[0] < _CLEAR * (1.0 - explained) for rival in rivals):
        return NONE
    if explained < _LEAST_EXPLAINED:
        return NONE
    return Pattern(name=name, division_mm=DIVISION_MM.get(name), first=first, explained=explained, kinds=kinds)


def _reading(
    index: np.ndarray, lengths: np.ndarray, cycle: int, kinds: tuple[tuple[int, ...], ...], first: int
) -> tuple[float, int, tuple[float, ...]]:
    """Share of the scatter explained, were `first` a mark of the longest kind; 0 where the kinds do not stand apart."""
    kind = np.repeat(np.arange(len(kinds)), [len(which) for which in kinds])[np.argsort(np.concatenate(kinds))]
    kind = kind[(index - first) % cycle]
    groups = [lengths[kind == k] for k in range(len(kinds))]
    if any(len(group) < 2 for group in groups):
        return 0.0, first, ()
    middles = [float(np.median(group)) for group in groups]
    scatter = float(np.median(np.concatenate([np.abs(g - m) for g, m in zip(groups, middles, strict=True)]))) * 1.4826 + 0.02
    for k in range(len(groups) - 1):
        error = scatter * np.hypot(len(groups[k]) ** -0.5, len(groups[k + 1]) ** -0.5)
        if middles[k] - middles[k + 1] < max(_SEPARATED * error * 0.75, _LEAST_STEP):
            return 0.0, first, ()
    whole = np.abs(lengths - np.median(lengths))
    limit = np.quantile(whole, 0.98) + 1e-9
    within = np.concatenate([np.abs(g - m) for g, m in zip(groups, middles, strict=True)])
    left = np.mean(np.minimum(within, limit) ** 2) / np.mean(np.minimum(whole, limit) ** 2)
    return float(1.0 - left), first, tuple(middles)
