"""JCGM 100:2008 (GUM), examples H.1 and H.2, through our own budget; the uncertainties package as a second opinion."""

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from uncertainties import correlated_values, ufloat, umath

from specimeter.scale.budget import combine, combine_correlated, coverage_factor, effective_dof, term

REFERENCE = Path(__file__).resolve().parents[3] / "shared" / "reference" / "metrology.toml"


@pytest.fixture(scope="module")
def metrology():
    if not REFERENCE.is_file():
        pytest.skip("../shared/reference/metrology.toml is not beside this checkout")
    return tomllib.loads(REFERENCE.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def end_gauge(metrology):
    """H.1's budget, l = lS + d - lS (dalpha theta + alphaS dtheta), at the estimates; nm."""
    given = {row["name"]: row for row in metrology["gum_h1"]["inputs"]}
    length, alpha, theta = given["lS"]["value"], given["alphaS"]["value"], given["theta"]["value"]
    d_alpha, d_theta = given["dalpha"]["value"], given["dtheta"]["value"]
    sensitivity = {
        "lS": 1.0 - (d_alpha * theta + alpha * d_theta),
        "d": 1.0,
        "alphaS": -length * d_theta,
        "theta": -length * d_alpha,
        "dalpha": -length * theta,
        "dtheta": -length * alpha,
    }
    return [
        term(
            name,
            value=row["value"],
            unit=row["unit"],
            u=row["u"],
            sensitivity=sensitivity[name],
            basis="H.1",
            dof=row.get("dof"),
        )
        for name, row in given.items()
    ]


def test_end_gauge_contributions(metrology, end_gauge):
    """H.1.7, table H.1: 25, 9.7, 2.9, 16.6 nm, and nothing from alphaS and theta."""
    printed = metrology["gum_h1"]["contributions_nm"]
    for line in end_gauge:  # the printed dtheta term is 16.6 from rounded inputs; unrounded it is 16.68
        assert line.contribution == pytest.approx(printed[line.source], abs=0.1), line.source


def test_end_gauge_combines_to_32_nm_with_16_degrees_of_freedom(metrology, end_gauge):
    """H.1.4 and H.1.6: u_c = 32 nm, nu_eff = 16.7 truncated to 16, k = 2.92 and U = 93 nm at 99 %, 2.12 and 68 nm at 95 %."""
    h1 = metrology["gum_h1"]
    u = combine(end_gauge)
    dof = effective_dof(end_gauge)
    assert u == pytest.approx(h1["out_uc_nm"], abs=0.5)
    assert dof == pytest.approx(h1["out_nu_eff"], abs=0.1)
    assert math.floor(dof) == h1["out_nu_eff_truncated"]
    assert coverage_factor(dof, probability=0.99) == pytest.approx(h1["out_k_99"], abs=0.005)
    assert coverage_factor(dof) == pytest.approx(h1["out_k_95"], abs=0.005)
    # the example multiplies the rounded 32 nm: 93 nm and 68 nm
    assert coverage_factor(dof, probability=0.99) * round(u) == pytest.approx(h1["out_U_99_nm"], abs=0.5)
    assert coverage_factor(dof) * round(u) == pytest.approx(h1["out_U_95_nm"], abs=0.5)


def test_comparator_difference_is_itself_a_budget(metrology):
    """H.1.3.2 and H.1.6: 5.8, 3.9 and 6.7 nm with 24, 5 and 8 degrees of freedom combine to 9.7 nm with 25.6.

    The parts are printed to two figures; half the last digit of 6.7 alone moves the freedom by 0.4.
    """
    d = next(row for row in metrology["gum_h1"]["inputs"] if row["name"] == "d")
    parts = [
        term("part", u=u, unit="nm", sensitivity=1.0, basis="H.1.3.2", dof=dof)
        for u, dof in zip(d["parts_nm"], d["parts_dof"], strict=True)
    ]
    assert combine(parts) == pytest.approx(d["u"], abs=0.05)
    assert effective_dof(parts) == pytest.approx(d["dof"], abs=0.4)


def test_end_gauge_agrees_with_the_uncertainties_package(metrology, end_gauge):
    """First-order propagation by automatic differentiation gives the same combined uncertainty."""
    x = {row["name"]: ufloat(row["value"], row["u"]) for row in metrology["gum_h1"]["inputs"]}
    length = x["lS"] + x["d"] - x["lS"] * (x["dalpha"] * x["theta"] + x["alphaS"] * x["dtheta"])
    assert length.nominal_value == pytest.approx(metrology["gum_h1"]["out_estimate_mm"] * 1e6, abs=1.0)
    assert combine(end_gauge) == pytest.approx(length.std_dev, rel=1e-9)


def impedance(metrology):
    """H.2's means of V (V), I (A), phi (rad), and the covariance of these means (JCGM 100:2008, 5.2.3, eq. 17)."""
    h2 = metrology["gum_h2"]
    series = np.array([h2["V"], [i / 1000 for i in h2["I_mA"]], h2["phi_rad"]])
    return series.mean(axis=1), np.cov(series) / series.shape[1]


def test_impedance_by_correlated_inputs(metrology):
    """H.2.3, table H.3: R = 127.732 (0.071), X = 219.847 (0.295), Z = 254.260 (0.236) ohm; and the uncertainties package."""
    h2 = metrology["gum_h2"]
    (v, i, phi), covariance = impedance(metrology)
    cos, sin = math.cos(phi), math.sin(phi)
    ours = {
        "R": (v / i * cos, [cos / i, -v / i**2 * cos, -v / i * sin]),
        "X": (v / i * sin, [sin / i, -v / i**2 * sin, v / i * cos]),
        "Z": (v / i, [1 / i, -v / i**2, 0.0]),
    }
    a, b, c = correlated_values([v, i, phi], covariance)
    theirs = {"R": a / b * umath.cos(c), "X": a / b * umath.sin(c), "Z": a / b}
    for name, (value, sensitivity) in ours.items():
        combined = combine_correlated(sensitivity, covariance)
        assert value == pytest.approx(h2[f"out_{name}"], abs=0.001)
        assert combined == pytest.approx(h2[f"out_u{name}"], abs=0.001)
        assert combined == pytest.approx(theirs[name].std_dev, rel=1e-6)
