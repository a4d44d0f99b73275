"""Probabilities of conformity and decision rules against published worked examples.

Values from ``shared/reference/metrology.toml`` beside the checkout. The JCGM 106:2012 examples are from memory there (their
arithmetic is verified): check against the edition in force. The global risks were read in a published worked example.
"""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest

from specimeter.judge.conformity import conforms, p_between, p_conform
from specimeter.judge.interval import Interval

REFERENCE = Path(__file__).resolve().parents[3] / "shared" / "reference" / "metrology.toml"
pytestmark = pytest.mark.skipif(not REFERENCE.exists(), reason="../shared/reference is not beside this checkout")
METROLOGY = tomllib.loads(REFERENCE.read_text("utf-8")) if REFERENCE.exists() else {}


def example(name):
    return next(entry for entry in METROLOGY["jcgm106"] if entry["id"] == name)


def test_single_upper_limit():
    """JCGM 106:2012, 7.3, Zener diode: y = -5.47 V, u = 0.05 V, upper limit -5.40 V."""
    told = example("zener")
    p = p_conform(Interval.around(-5.47, 2 * 0.05), "at most", Interval.exact(-5.40))
    assert p == pytest.approx(told["p_conform_computed"], abs=5e-6)  # half the last digit given
    assert round(p, 2) == told["p_conform_printed"]


def test_single_lower_limit():
    """JCGM 106:2012, 7.3, burst pressure: y = 509.7 kPa, u = 8.6 kPa, lower limit 490 kPa."""
    told = example("burst")
    p = p_conform(Interval.around(509.7, 2 * 8.6), "at least", Interval.exact(490.0))
    assert p == pytest.approx(told["p_conform_computed"], abs=5e-6)
    assert round(p, 2) == told["p_conform_printed"]


def test_two_limits():
    """JCGM 106:2012, 7.4, oil: 12.5 to 16.3 mm2/s, y = 13.6, u = 1.8."""
    told = example("oil")
    p = p_between(13.6, 1.8, low=12.5, high=16.3)
    assert p == pytest.approx(told["p_conform_computed"], abs=5e-6)
    assert round(p, 2) == told["p_conform_printed"]


def test_guarded_rejection():
    """JCGM 106:2012, 8.3, speed: at the printed threshold the limit of 100 km/h is exceeded with a probability of 0.999."""
    threshold = example("speed")["threshold_computed"]
    p_within = p_between(threshold, 0.02 * threshold, high=100.0)
    assert 1 - p_within == pytest.approx(0.999, abs=2e-5)  # threshold given to 0.01, multiplier 3.09 to 0.01


def test_simple_acceptance_risks_half_at_the_limit():
    """ILAC-G8:09/2019, 4.2.1: no guard band, false acceptance up to 50 percent at the limit."""
    assert p_conform(Interval.around(3.0, 0.1), "at most", Interval.exact(3.0)) == pytest.approx(0.5, abs=1e-12)
    assert conforms(Interval.around(3.0, 0.1), "at most", Interval.exact(3.0), guarded=False) is True


def test_guard_band_of_U_keeps_the_risk_under_2_5_percent():
    """ILAC-G8:09/2019, 4.2.2: with the guard band w = U (k = 2) false acceptance is under 2.5 percent."""
    limit = Interval.exact(3.0)
    at_acceptance_limit = Interval.around(2.9, 0.1)
    assert conforms(at_acceptance_limit, "at most", limit, guarded=True) is True
    assert 1 - p_conform(at_acceptance_limit, "at most", limit) == pytest.approx(0.02275, abs=5e-6)  # 1 - Phi(2)
    assert conforms(Interval.around(2.9001, 0.1), "at most", limit, guarded=True) is None


def test_non_binary_rule_has_a_band_on_both_sides():
    """ILAC-G8:09/2019, 4.2.3 and ISO 14253-1 (from memory): neither conformity nor nonconformity is proved within U."""
    limit = Interval.exact(3.0)
    found = [conforms(Interval.around(value, 0.1), "at most", limit, guarded=True) for value in (2.89, 2.95, 3.0, 3.05, 3.11)]
    assert found == [True, None, None, None, False]


@pytest.mark.parametrize("case", range(3))
def test_global_risk(case):
    """False acceptance and rejection over a whole process, from our probabilities by numerical integration."""
    told = METROLOGY["global_risk"][case]
    u, limit, accept = [(0.25, 2.0, 2.0), (0.5, 2.0, 0.91 * 2.0), (0.25, 2.5, 2.5)][case]
    assert f"N(0,{u:g})" in told["case"]
    true = np.linspace(-8, 8, 8001)
    density = np.exp(-0.5 * true**2) / math.sqrt(2 * math.pi) * (true[1] - true[0])
    accepted = np.array([p_between(x, u, low=-accept, high=accept) for x in true])  # of a reading around the true value
    bad = np.abs(true) > limit
    assert (density * accepted)[bad].sum() == pytest.approx(told["false_accept"], abs=1e-4)
    if "false_reject" in told:
        assert (density * (1 - accepted))[~bad].sum() == pytest.approx(told["false_reject"], abs=1e-4)
