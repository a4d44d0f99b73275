"""Whether a measured value conforms to a limit: the comparison, and the probability that it does."""

from __future__ import annotations

import math

from specimeter.judge.interval import Interval, compare

SIGNS = {"at most": "<=", "below": "<", "at least": ">=", "above": ">"}


def conforms(measured: Interval, sense: str, limit: Interval, *, guarded: bool) -> bool | None:
    """Whether the measured value keeps the limit.

    Guarded: True only if its whole interval (k = 2) keeps the limit, False only if none of it does, else None; this is
    guarded acceptance and guarded rejection with a guard band of U. Simple: the value itself, so never None.

    References
    ----------
    .. [1] JCGM 106:2012, 8.2 (simple acceptance) and 8.3 (guard bands).
    .. [2] ILAC-G8:09/2019, 4.2.1 to 4.2.3.
    """
    if not guarded:
        measured, limit = measured.collapsed(), limit.collapsed()
    return compare(measured, SIGNS[sense], limit)


def p_between(value: float, u: float, *, low: float = -math.inf, high: float = math.inf) -> float:
    """The probability that the true value lies from `low` to `high`, given a value with standard uncertainty `u`.

    A normal distribution is assumed; with `u` = 0 the answer is 0 or 1.

    References
    ----------
    .. [1] JCGM 106:2012, 7.3 (one limit) and 7.4 (two limits).

    Examples
    --------
    >>> round(p_between(2.8, 0.1, high=3.0), 4)
    0.9772
    """
    if u == 0:
        return 1.0 if low <= value <= high else 0.0
    beyond_low = 0.5 * math.erfc((value - low) / (u * math.sqrt(2)))  # probability of lying below `low`
    beyond_high = 0.5 * math.erfc((high - value) / (u * math.sqrt(2)))
    return min(1.0, max(0.0, 1.0 - beyond_low - beyond_high))


def p_conform(measured: Interval, sense: str, limit: Interval) -> float:
    """The probability that the measured size keeps the limit; `measured` carries U with k = 2."""
    u = measured.U / 2
    if u == 0:
        return 1.0 if conforms(measured, sense, limit, guarded=False) else 0.0
    upper = sense in ("at most", "below")
    return p_between(measured.value, u, **{"high" if upper else "low": limit.value})
