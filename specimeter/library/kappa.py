"""How far readers agree beyond chance: Cohen's kappa for two, Fleiss' for many, with intervals; none where undefined."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from specimeter.errors import LibraryError

Z = 1.959963984540054  # two-sided 95 % of the normal distribution


@dataclass(frozen=True, slots=True, kw_only=True)
class Kappa:
    """A kappa with its 95 % interval, the agreement observed and that expected by chance, and the number of items.

    `value`, `low`, `high` and `se` are None where it is undefined, and `missing` says why. `z` tests against no agreement.
    """

    value: float | None
    se: float | None
    low: float | None
    high: float | None
    observed: float | None
    expected: float | None
    items: int
    z: float | None = None
    missing: str = ""


def cohen(table: ArrayLike, *, weights: str | None = None) -> Kappa:
    """Cohen's kappa of two readers.

    Parameters
    ----------
    table : array_like, shape (K, K)
        How many items the first reader put in the row's category and the second in the column's.
    weights : str, optional
        ``"linear"`` or ``"quadratic"`` for ordered categories; None: an item agrees or does not.

    Returns
    -------
    Kappa
        The interval is value ± 1.96 se with the large-sample standard error, as is usual; it is not cut at -1 or 1.

    Raises
    ------
    LibraryError
        The table is not square, or has a negative or no count.

    References
    ----------
    .. [1] J. Cohen, Educational and Psychological Measurement 20 (1960) 37.
    .. [2] J. L. Fleiss, J. Cohen, B. S. Everitt, Psychological Bulletin 72 (1969) 323: the standard errors.
    """
    counts = np.asarray(table, float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or not np.isfinite(counts).all() or (counts < 0).any():
        raise LibraryError(f"a table of two readers is square and counts items, got shape {counts.shape}")
    total = counts.sum()
    if not total:
        raise LibraryError("the table of two readers is empty")
    size = len(counts)
    apart = np.abs(np.subtract.outer(np.arange(size), np.arange(size))) / max(size - 1, 1)
    weight = {None: np.eye(size), "linear": 1 - apart, "quadratic": 1 - apart**2}[weights]
    share = counts / total
    rows, columns = share.sum(1), share.sum(0)
    observed = float((weight * share).sum())
    expected = float((weight * np.outer(rows, columns)).sum())
    if 1 - expected < 1e-12:
        why = "every item was put in one and the same category"
        return Kappa(
            value=None, se=None, low=None, high=None, observed=observed, expected=expected, items=int(total), missing=why
        )
    value = (observed - expected) / (1 - expected)
    by_row, by_column = weight @ columns, weight.T @ rows
    mean_weight = by_row[:, None] + by_column[None, :]
    spread = (share * (weight - mean_weight * (1 - value)) ** 2).sum() - (value - expected * (1 - value)) ** 2
    null = (np.outer(rows, columns) * (weight - mean_weight) ** 2).sum() - expected**2
    se = float(np.sqrt(max(spread, 0) / total) / (1 - expected))
    null_se = float(np.sqrt(max(null, 0) / total) / (1 - expected))
    return Kappa(
        value=float(value),
        se=se,
        low=float(value - Z * se),
        high=float(value + Z * se),
        observed=observed,
        expected=expected,
        items=int(total),
        z=float(value / null_se) if null_se else None,
    )


def of_two(first: Sequence, second: Sequence, categories: Sequence | None = None) -> Kappa:
    """Cohen's kappa of two readers' answers to the same items, in the same order."""
    names = list(categories) if categories is not None else sorted({*first, *second})
    table = np.zeros((len(names), len(names)))
    for one, other in zip(first, second, strict=True):
        table[names.index(one), names.index(other)] += 1
    return cohen(table)


def fleiss(counts: ArrayLike) -> Kappa:
    """Fleiss' kappa of equally many readers to each item.

    Parameters
    ----------
    counts : array_like, shape (N, K)
        How many readers put item n in category k.

    Returns
    -------
    Kappa
        Standard error and interval by leaving out each item in turn (jackknife, t with N - 1 degrees of freedom); `z` by the
        variance under no agreement.

    References
    ----------
    .. [1] J. L. Fleiss, Psychological Bulletin 76 (1971) 378.
    .. [2] J. L. Fleiss, J. C. M. Nee, J. R. Landis, Psychological Bulletin 86 (1979) 974: variance under no agreement.
    """
    table = np.asarray(counts, float)
    if table.ndim != 2 or not len(table) or not np.isfinite(table).all() or (table < 0).any():
        raise LibraryError(f"a table of many readers has a row an item and a column a category, got shape {table.shape}")
    readers = table.sum(1)
    if (readers != readers[0]).any() or readers[0] < 2:
        raise LibraryError("each item needs the same number of readers, two at least", expected=f"{readers[0]:g} in each row")
    number = len(table)
    value, observed, expected = _fleiss(table)
    if value is None:
        why = "every item was put in one and the same category"
        return Kappa(value=None, se=None, low=None, high=None, observed=observed, expected=expected, items=number, missing=why)
    share = table.sum(0) / table.sum()
    mixed = share * (1 - share)
    m = readers[0]
    null = 2 / (number * m * (m - 1)) * (mixed.sum() ** 2 - (mixed * (1 - 2 * share)).sum()) / mixed.sum() ** 2
    se = low = high = None
    without = [_fleiss(np.delete(table, index, axis=0))[0] for index in range(number)] if number > 2 else []
    if without and all(one is not None for one in without):
        left = np.array(without, float)
        se = float(np.sqrt((number - 1) / number * ((left - left.mean()) ** 2).sum()))
        reach = float(stats.t.ppf(0.975, number - 1)) * se
        low, high = value - reach, value + reach
    z = float(value / np.sqrt(null)) if null > 0 else None
    return Kappa(value=value, se=se, low=low, high=high, observed=observed, expected=expected, items=number, z=z)


def _fleiss(table: np.ndarray) -> tuple[float | None, float, float]:
    m = table[0].sum()
    share = table.sum(0) / table.sum()
    observed = float((((table**2).sum(1) - m) / (m * (m - 1))).mean())
    expected = float((share**2).sum())
    return (None if 1 - expected < 1e-12 else float((observed - expected) / (1 - expected))), observed, expected
