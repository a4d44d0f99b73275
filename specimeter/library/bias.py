"""How far sizes that people gave lie from a reference: bias and limits of agreement, each with an interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats


@dataclass(frozen=True, slots=True, kw_only=True)
class Bias:
    """Differences given minus reference, in mm: mean, standard deviation, limits of agreement, and 95 % half widths of both.

    With fewer than two pairs all but `number` are None.
    """

    number: int
    mean: float | None
    sd: float | None
    low: float | None
    high: float | None
    mean_half: float | None
    limit_half: float | None


def bias(given_mm: ArrayLike, reference_mm: ArrayLike) -> Bias:
    """Bias and 95 % limits of agreement (mean ± 1.96 sd).

    References
    ----------
    .. [1] J. M. Bland, D. G. Altman, The Lancet 327 (1986) 307; the limits' standard error is about sqrt(3 / n) sd.
    """
    differences = np.asarray(given_mm, float) - np.asarray(reference_mm, float)
    differences = differences[np.isfinite(differences)]
    number = len(differences)
    if number < 2:
        return Bias(number=number, mean=None, sd=None, low=None, high=None, mean_half=None, limit_half=None)
    mean, sd = float(differences.mean()), float(differences.std(ddof=1))
    t = float(stats.t.ppf(0.975, number - 1))
    return Bias(
        number=number,
        mean=mean,
        sd=sd,
        low=mean - 1.96 * sd,
        high=mean + 1.96 * sd,
        mean_half=t * sd / np.sqrt(number),
        limit_half=t * sd * float(np.sqrt(3 / number)),
    )


def share_interval(right: int, of: int) -> tuple[float, float] | None:
    """The 95 % Wilson interval of a share; None of nothing.

    References
    ----------
    .. [1] E. B. Wilson, Journal of the American Statistical Association 22 (1927) 209.
    """
    if of == 0:
        return None
    z2 = 1.959963984540054**2
    share = right / of
    middle = (share + z2 / (2 * of)) / (1 + z2 / of)
    half = float(np.sqrt(z2 * (share * (1 - share) / of + z2 / (4 * of * of)))) / (1 + z2 / of)
    return max(0.0, middle - half), min(1.0, middle + half)
