"""Kappa and gauge studies against published tables and another library."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats import inter_rater

from specimeter.errors import LibraryError
from specimeter.library import gauge, kappa

REFERENCE = Path(__file__).resolve().parents[3] / "shared" / "reference"

# Ten subjects, fourteen raters, five categories: the example of Fleiss' kappa that textbooks repeat; kappa 0.210.
FOURTEEN = [
    [0, 0, 0, 0, 14], [0, 2, 6, 4, 2], [0, 0, 3, 5, 6], [0, 3, 9, 2, 0], [2, 2, 8, 1, 1],
    [7, 7, 0, 0, 0], [3, 2, 6, 3, 0], [2, 5, 3, 2, 2], [6, 5, 2, 1, 0], [0, 2, 2, 3, 7],
]  # fmt: skip


@pytest.fixture(scope="module")
def oracle() -> dict:
    """Values kept beside the checkout."""
    if not (REFERENCE / "agreement.toml").is_file():
        pytest.skip("the reference values beside the checkout are not here")
    return tomllib.loads((REFERENCE / "agreement.toml").read_text(encoding="utf-8"))


def test_cohen_against_a_statistics_package_s_manual(oracle):
    """Kappa, error, interval and test, plain and linearly weighted, to the printed digits (SAS/STAT manual, FREQ)."""
    for case in oracle["cohen"]:
        weights = "linear" if "linear" in case.get("weights", "") else None
        found = kappa.cohen(case["table"], weights=weights)
        assert found.value == pytest.approx(case["kappa"], abs=6e-5)
        if "ase" in case:
            assert found.se == pytest.approx(case["ase"], abs=6e-5)
            assert (found.low, found.high) == pytest.approx(case["ci95"], abs=6e-5)
            assert found.z == pytest.approx(case["z"], abs=6e-5)
        if "po" in case:
            assert (found.observed, found.expected) == pytest.approx((case["po"], case["pe"]), abs=6e-7)


def test_fleiss_against_his_own_example(oracle):
    """Thirty patients, six psychiatrists, five diagnoses (Fleiss 1971): kappa 0.430, z 17.65; and fourteen raters: 0.210."""
    case = next(case for case in oracle["fleiss"] if case["id"] == "fleiss_1971_diagnoses")
    counts = [[row.count(category) for category in range(1, 6)] for row in case["ratings"]]
    assert np.sum(counts, axis=0).tolist() == case["category_totals"]
    found = kappa.fleiss(counts)
    assert found.value == pytest.approx(case["kappa"], abs=1e-7)
    assert found.z == pytest.approx(case["z"], abs=1e-5)
    fourteen = kappa.fleiss(FOURTEEN)
    assert fourteen.value == pytest.approx(0.209931, abs=1e-6)
    assert (fourteen.observed, fourteen.expected) == pytest.approx((0.378, 0.213), abs=6e-4)


def test_kappas_are_those_of_statsmodels():
    """On random tables both agree to rounding; the interval of Cohen's too."""
    rng = np.random.default_rng(3)
    for size in (2, 3, 5):
        table = rng.integers(0, 20, (size, size)) + np.eye(size, dtype=int) * 15
        theirs = inter_rater.cohens_kappa(table)
        ours = kappa.cohen(table)
        assert (ours.value, ours.se, ours.low, ours.high) == pytest.approx(
            (theirs.kappa, theirs.std_kappa, theirs.kappa_low, theirs.kappa_upp), rel=1e-9
        )
        for weights in ("linear", "quadratic"):
            theirs = inter_rater.cohens_kappa(table, wt=weights)
            assert kappa.cohen(table, weights=weights).value == pytest.approx(theirs.kappa, rel=1e-9)
            assert kappa.cohen(table, weights=weights).se == pytest.approx(theirs.std_kappa, rel=1e-9)
        counts = rng.multinomial(7, np.full(size, 1 / size), 25)
        assert kappa.fleiss(counts).value == pytest.approx(inter_rater.fleiss_kappa(counts), abs=1e-12)


def test_the_interval_of_fleiss_holds_the_truth_about_as_often_as_it_says():
    """Readers who agree with a hidden truth: 95 % (of 150: 90 to 99) of the intervals hold the limit."""
    rng = np.random.default_rng(8)

    def study(number: int) -> np.ndarray:
        truth = rng.random(number) < 0.4
        right = rng.random((number, 5)) < 0.85
        said = np.where(right, truth[:, None], ~truth[:, None]).sum(1)
        return np.column_stack([said, 5 - said])

    limit = kappa.fleiss(study(4000)).value
    held = [found.low <= limit <= found.high for found in (kappa.fleiss(study(40)) for _ in range(150))]
    assert 0.90 <= np.mean(held) <= 0.99


def test_kappa_is_absent_where_everybody_says_the_same():
    """Expected agreement is 1: no value, neither 0 nor 1."""
    for found in (kappa.cohen([[9, 0], [0, 0]]), kappa.fleiss([[4, 0], [4, 0]])):
        assert found.value is None
        assert "one and the same" in found.missing


@pytest.mark.parametrize("table", [[[1, 2, 3]], [[0, 0], [0, 0]], [[-1, 2], [1, 1]]])
def test_what_is_no_table_is_refused(table):
    with pytest.raises(LibraryError):
        kappa.cohen(table)


def test_the_published_gauge_study_by_ranges(oracle):
    """Ten parts, three appraisers, three trials (AIAG MSA): each line of the form, as its rounded constants allow (0.1 %)."""
    frame = pd.read_csv(REFERENCE / "gauge_rr.csv")
    values = gauge.readings(frame)
    assert values.shape == (10, 3, 3)
    assert values.mean() == pytest.approx(oracle["gauge_rr"]["check_grand_mean"], abs=1e-7)
    told = oracle["gauge_rr"]["average_range"]
    found = gauge.by_ranges(values, (sorted(frame["part"].astype(str).unique(), key=int), ["A", "B", "C"]))
    for name in ("EV", "AV", "GRR", "PV", "TV"):
        assert getattr(found, name) == pytest.approx(told["recomputed"][name], rel=1e-3)
    for name, value in told["pct"].items():
        assert found.percent[name] == pytest.approx(value, abs=0.05)
    assert (found.ndc, found.range_limit) == (told["ndc"], pytest.approx(told["ucl_r"], abs=1e-3))
    assert found.beyond == ("B, part 4",)


def test_the_published_gauge_study_by_variances(oracle):
    """The same readings by ANOVA: sums of squares, the interaction's F and p, pooled components, categories."""
    found = gauge.by_variances(gauge.readings(pd.read_csv(REFERENCE / "gauge_rr.csv")))
    lines = {line["source"]: line for line in found.table}
    full, pooled = oracle["gauge_rr"]["anova_full"], oracle["gauge_rr"]["anova_pooled"]
    for name in ("appraiser", "part", "interaction", "equipment", "total"):
        assert lines[name]["ss"] == pytest.approx(full[name]["ss"], abs=6e-6)
        assert lines[name]["df"] == full[name]["df"]
    assert lines["interaction"]["F"] == pytest.approx(full["interaction"]["F"], abs=6e-5)
    assert lines["interaction"]["p"] == pytest.approx(full["interaction"]["p"], abs=6e-4)
    assert (lines["appraiser"]["F"], lines["part"]["F"]) == pytest.approx(
        (full["F_denominator_pooled"]["appraiser"], full["F_denominator_pooled"]["part"]), abs=6e-3
    )
    assert found.pooled is True
    for name in ("EV", "AV", "GRR", "PV", "TV"):
        assert getattr(found, name) == pytest.approx(pooled[name], abs=6e-4)  # TV is printed to three digits
    assert found.percent["GRR"] == pytest.approx(pooled["pct_study_var_GRR"], abs=0.05)
    assert found.ndc == pooled["ndc"]


def test_variances_are_those_of_statsmodels():
    """A two-way table of random readings with an interaction: sums of squares and F as ordinary least squares gives them."""
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    rng = np.random.default_rng(5)
    values = rng.normal(size=(6, 1, 1)) * 3 + rng.normal(size=(6, 4, 1)) + rng.normal(size=(6, 4, 2)) * 0.3
    part, person, trial = (axis.ravel() for axis in np.indices(values.shape))
    frame = pd.DataFrame({"part": part, "appraiser": person, "trial": trial, "value": values.ravel()})
    theirs = anova_lm(ols("value ~ C(part) * C(appraiser)", frame).fit())
    found = gauge.by_variances(gauge.readings(frame))
    lines = {line["source"]: line for line in found.table}
    names = {"part": "C(part)", "appraiser": "C(appraiser)", "interaction": "C(part):C(appraiser)", "equipment": "Residual"}
    for ours, name in names.items():
        assert lines[ours]["ss"] == pytest.approx(theirs.loc[name, "sum_sq"], rel=1e-9)
    assert lines["interaction"]["F"] == pytest.approx(theirs.loc[names["interaction"], "F"], rel=1e-9)
    assert found.pooled is False


@pytest.mark.parametrize(
    ("number", "d2", "d3"), [(2, 1.128, 0.8525), (3, 1.693, 0.8884), (5, 2.326, 0.8641), (10, 3.078, 0.7971)]
)
def test_the_range_of_normal_values(number, d2, d3):
    """Constants of control charts (ISO 7870-2 and every handbook; from memory), to their printed digits."""
    assert gauge._range_of_normal(number) == pytest.approx((d2, d3), abs=6e-4)


def test_a_missing_reading_is_told():
    frame = pd.DataFrame(
        {"part": [1, 1, 2, 2], "appraiser": ["A", "B", "A", "B"], "trial": [1, 1, 1, 1], "value": [1.0, 2, 3, 4]}
    )
    with pytest.raises(LibraryError, match="1 trials"):
        gauge.readings(frame)
    twice = pd.concat([frame, frame.assign(trial=2)]).reset_index(drop=True)
    with pytest.raises(LibraryError, match="missing"):
        gauge.readings(twice.drop(index=0))
