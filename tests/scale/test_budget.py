"""The budget's arithmetic against closed forms; the published budgets are in tests/published/test_gum.py."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from specimeter.scale.budget import (
    combine,
    combine_correlated,
    coverage_factor,
    effective_dof,
    rectangular,
    term,
)


def line(contribution, dof=None):
    return term("x", u=contribution, unit="mm", sensitivity=1.0, basis="test", dof=dof)


def test_a_term_contributes_the_size_of_its_sensitivity_times_u():
    """A negative sensitivity contributes as much as a positive one (JCGM 100:2008, 5.1.3)."""
    assert term("x", u=0.5, unit="mm", sensitivity=-0.02, basis="test").contribution == pytest.approx(0.01)


def test_independent_terms_add_in_quadrature():
    """3, 4 and 12 combine to 13."""
    assert combine([line(3.0), line(4.0), line(12.0)]) == pytest.approx(13.0)


@settings(max_examples=30, deadline=None)
@given(u=st.lists(st.floats(0.01, 10), min_size=2, max_size=5), common=st.floats(0.0, 1.0))
def test_correlated_terms_lie_between_quadrature_and_plain_sum(u, common):
    """Equal correlation r interpolates the variance from the root sum of squares (r = 0) to the sum (r = 1)."""
    r = np.full((len(u), len(u)), common)
    np.fill_diagonal(r, 1.0)
    expected = (1 - common) * sum(x * x for x in u) + common * sum(u) ** 2
    assert combine_correlated(np.ones(len(u)), r * np.outer(u, u)) == pytest.approx(math.sqrt(expected))


def test_welch_satterthwaite_of_equal_terms_adds_their_freedom():
    """n equal contributions of nu degrees each have n * nu (G.2b by hand); an exact one alone is infinite."""
    assert effective_dof([line(1.0, 7.0)] * 3) == pytest.approx(21.0)
    assert math.isinf(effective_dof([line(1.0)]))


def test_coverage_factor_is_students_with_truncated_freedom():
    """k for 4.9 degrees of freedom is that for 4 (G.4.1); JCGM 100:2008 table G.2 prints 2.78, and 1.96 for infinity."""
    assert coverage_factor(4.9) == pytest.approx(stats.t.ppf(0.975, 4))
    assert coverage_factor(4.9) == pytest.approx(2.78, abs=0.005)
    assert coverage_factor(math.inf) == pytest.approx(1.960, abs=0.0005)


def test_a_rectangle_s_uncertainty_is_its_sampled_spread():
    assert rectangular(0.3) == pytest.approx(np.random.default_rng(4).uniform(-0.3, 0.3, 20000).std(), rel=0.02)
