"""The views' least squares against certified results: NIST Statistical Reference Datasets, nonlinear regression, Misra1a.

The data (monomolecular adsorption) and the certified values are NIST's (StRD, Misra1a, level of difficulty: lower); both
of its prescribed starts are taken.
"""

import numpy as np
import pytest

from specimeter.scale.fitting import slopes, solve

X = np.array([77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0])
Y = np.array([10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78])
CERTIFIED, DEVIATIONS = np.array([2.3894212918e02, 5.5015643181e-04]), np.array([2.7070075241e00, 7.2668688436e-06])
RESIDUAL_SS, RESIDUAL_SD = 1.2455138894e-01, 1.0187876330e-01
STEPS = np.array([1e-2, 1e-8])


def off(p: np.ndarray) -> np.ndarray:
    """y - b1 (1 - exp(-b2 x)) over the residual standard deviation, of many sets of unknowns."""
    return (Y - p[:, :1] * (1 - np.exp(-p[:, 1:] * X))) / RESIDUAL_SD


@pytest.mark.parametrize("start", [(500.0, 1e-4), (250.0, 5e-4)])
def test_a_certified_fit(start):
    """Estimates within a thousandth of their standard deviations, which the Jacobian gives to 1e-4; the residual sum of squares
    to 1e-6."""
    found = solve(off, np.array(start), STEPS)
    assert np.abs((found - CERTIFIED) / DEVIATIONS).max() < 1e-3
    assert np.sum(off(found[None])[0] ** 2) * RESIDUAL_SD**2 == pytest.approx(RESIDUAL_SS, rel=1e-6)
    jacobian = slopes(off, found, STEPS)
    np.testing.assert_allclose(np.sqrt(np.diag(np.linalg.inv(jacobian.T @ jacobian))), DEVIATIONS, rtol=1e-4)
