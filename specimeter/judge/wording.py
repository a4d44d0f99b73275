"""How numbers and lists are put into a verdict's sentence: no digit that the uncertainty does not justify."""

from __future__ import annotations

import math
from collections.abc import Sequence

from specimeter.judge.interval import Interval


def quantity(measured: Interval, unit: str) -> str:
    """``2.87 ± 0.12 mm``: U to two significant digits, rounded up, the value to the same place (JCGM 100:2008, 7.2.6).

    >>> quantity(Interval.around(2.8713, 0.1171), "mm")
    '2.87 ± 0.12 mm'
    >>> quantity(Interval.exact(3.0), "mm")
    '3 mm'
    """
    U = measured.U
    if abs(measured.value) * 1e-9 >= U:
        return with_unit(f"{measured.value:.6g}", unit)
    places = 1 - math.floor(math.log10(U))
    up = math.ceil(round(U * 10**places, 6)) / 10**places
    shown = max(places, 0)
    return with_unit(f"{round(measured.value, places):.{shown}f} ± {up:.{shown}f}", unit)


def limit(sense: str, value: float, unit: str) -> str:
    """``at most 3 mm``, as entered: up to six significant digits."""
    return f"{sense} {with_unit(f'{value:.6g}', unit)}"


def with_unit(text: str, unit: str) -> str:
    return f"{text} {unit}".rstrip()


def listed(names: Sequence[str], most: int = 8) -> str:
    """``f1``, ``f1 and f2``, ``f1, f2 and f3``; beyond `most` the rest is counted.

    >>> listed(["f1", "f2", "f3"])
    'f1, f2 and f3'
    """
    names = list(names)
    if len(names) > most:
        names = [*names[: most - 1], f"{len(names) - most + 1} more"]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
