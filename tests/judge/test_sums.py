"""Sums: what is common to several sizes adds linearly, what is each one's own does not."""

from __future__ import annotations

import math

import numpy as np
import pytest

from specimeter.scale.budget import Term


def term(source, contribution):
    return Term(source=source, value=None, unit="mm", u=contribution, sensitivity=1.0, contribution=contribution, basis="test")


def budgeted(make, number, length_mm, *, tip, scale, radius, **changes):
    terms = (
        term("place of the first tip", tip),
        term("place of the second tip", tip),
        term("scale", scale),
        term("surface: radius", radius),
    )
    U = 2 * math.sqrt(2 * tip**2 + scale**2 + radius**2)
    return make.feature(number, length_mm, U, **({"budget": terms} | changes))


def total(make, *features, unit="mm", limit=10):
    rule = make.rule(id="total", test="sum", limit=limit, unit=unit)
    (verdict,) = make.judged(make.limits(rule), *features).verdicts
    return verdict


def test_common_terms_add_up_and_own_ones_do_not(make):
    """Four alike: tips 8 x 0.05^2, scale (4 x 0.01)^2, radius (4 x 0.02)^2 (JCGM 100:2008, 5.1.2 and 5.2.2, note 1)."""
    features = [budgeted(make, i, 2.0, tip=0.05, scale=0.01, radius=0.02) for i in range(1, 5)]
    expected = 2 * math.sqrt(8 * 0.05**2 + 0.04**2 + 0.08**2)
    assert math.isclose(total(make, *features).U, expected, rel_tol=1e-9)
    assert math.isclose(total(make, *features, unit="in", limit=0.4).U, expected / 25.4, rel_tol=1e-9)
    assert math.isclose(total(make, features[0]).U, features[0].U_length_mm, rel_tol=1e-9)


def test_against_a_simulation(make):
    """The same four, drawn 200,000 times with one error of scale and of radius for all: their sum spreads as told (1 percent
    is six standard errors of the standard deviation)."""
    features = [budgeted(make, i, 2.0, tip=0.05, scale=0.01, radius=0.02) for i in range(1, 5)]
    rng = np.random.default_rng(7)
    shared = rng.normal(0, 1, (200_000, 2)) @ [4 * 0.01, 4 * 0.02]
    own = rng.normal(0, 0.05, (200_000, 8)).sum(axis=1)
    assert math.isclose(total(make, *features).U, 2 * np.std(shared + own), rel_tol=0.01)


@pytest.mark.parametrize("changes", [{"budget": ()}, {"budget": (term("scale", 0.001),)}])
def test_without_a_budget_that_explains_U_all_is_added_linearly(make, changes):
    known = budgeted(make, 1, 2.0, tip=0.05, scale=0.01, radius=0.02)
    other = budgeted(make, 2, 2.0, tip=0.05, scale=0.01, radius=0.02, **changes)
    assert math.isclose(total(make, known, other).U, known.U_length_mm + other.U_length_mm, rel_tol=1e-9)


def test_only_lengths_add_by_the_budget_of_a_length(make):
    """Areas of features whose lengths have budgets: their own U add linearly."""
    areas = {"area_mm2": 3.0, "U_area_mm2": 0.25}
    features = [budgeted(make, i, 2.0, tip=0.05, scale=0.01, radius=0.02, **areas) for i in (1, 2)]
    rule = make.rule(id="total", test="sum", size="area_mm2", limit=10)
    (verdict,) = make.judged(make.limits(rule), *features).verdicts
    assert (verdict.value, verdict.U) == (6.0, 0.5)
