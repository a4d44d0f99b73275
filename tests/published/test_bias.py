"""Bias, limits of agreement and intervals of shares against a published example and another library."""

from __future__ import annotations

import pytest
from statsmodels.stats.proportion import proportion_confint

from specimeter.library.bias import bias, share_interval

# Peak expiratory flow, l/min, by a large and a mini meter, first readings: Bland and Altman, The Lancet 327 (1986) 307, table 1
# (from memory; the printed mean difference -2.1 and standard deviation 38.8 confirm the figures).
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def test_the_example_of_bland_and_altman():
    """Mean difference -2.1, standard deviation 38.8; its 95 % interval -22.0 to 17.8, that of a limit ± 34.5 (2 sd there)."""
    found = bias(LARGE, MINI)
    assert (found.mean, found.sd) == pytest.approx((-2.1, 38.8), abs=0.05)
    assert (found.mean - found.mean_half, found.mean + found.mean_half) == pytest.approx((-22.0, 17.8), abs=0.1)
    assert found.limit_half == pytest.approx(34.5, abs=0.1)
    assert (found.low, found.high) == pytest.approx((-2.1 - 1.96 * 38.8, -2.1 + 1.96 * 38.8), abs=0.15)


def test_one_pair_has_no_spread():
    assert bias([1.0], [2.0]).mean is None


@pytest.mark.parametrize(("right", "of"), [(0, 7), (3, 7), (7, 7), (81, 263)])
def test_the_interval_of_wilson_is_that_of_statsmodels(right, of):
    assert share_interval(right, of) == pytest.approx(proportion_confint(right, of, method="wilson"), abs=1e-12)


def test_nothing_has_no_share():
    assert share_interval(0, 0) is None
