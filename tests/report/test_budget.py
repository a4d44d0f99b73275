"""The budget as it is shown: every line, and a sum that is the lines' own."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from specimeter import cli
from specimeter.report import budget
from specimeter.scale.budget import term


def test_the_end_gauge_budget_is_shown_with_its_degrees_of_freedom():
    """JCGM 100:2008 H.1, table H.1 and H.6: u_c = 32 nm, 16 effective degrees of freedom, k_95 = 2.12 (as a share of 1 m)."""
    parts = [("standard", 25.0, 18), ("difference", 9.7, 25.6), ("expansion", 2.9, 50), ("temperature", 16.6, 2)]
    lines = [term(name, u=u * 1e-4, unit="nm", sensitivity=1.0, dof=dof, basis="H.1") for name, u, dof in parts]
    told = dict(budget.sums(lines, 32e-4))
    assert told["effective degrees of freedom"] == "16"
    assert told["factor k for 95 % with so few degrees of freedom"] == "2.12"
    assert [row[budget.HEADS.index("degrees of\nfreedom")] for row in budget.rows(lines)] == ["18", "26", "50", "2.0"]


def test_many_degrees_of_freedom_are_not_counted_out():
    """k = 2 is then enough, and nobody is told of another."""
    told = dict(budget.sums([term("a", u=0.001, unit="1", sensitivity=1.0, basis="judgement")], 0.001))
    assert told["effective degrees of freedom"] == "more than 10 000"
    assert told["expanded uncertainty of a length (k = 2)"] == "0.20 %"
    assert len(told) == 3


def test_scale_shows_budget_and_picture(bend_case, tmp_path, capsys):
    """The scale at the crown holds the scene's own truth; the picture is the photograph with a band of words."""
    picture = tmp_path / "scale.png"
    call = ["scale", str(bend_case.photo), "--sheet", str(bend_case.sheet), "--out", str(picture)]
    assert cli.main(call) == 0
    said = capsys.readouterr().out
    for word in ("size of the printed card", "height of the surface over the marker", "effective degrees of freedom"):
        assert word in said
    assert said.isascii()
    assert max(map(len, said.splitlines())) <= 140
    shown = cv2.imread(str(picture))
    assert shown.shape[1] == bend_case.truth["width_px"]
    assert shown.shape[0] > bend_case.truth["height_px"]
    assert cli.main([*call[:-2], "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["mm_per_px"] == pytest.approx(bend_case.truth["mm_per_px"], rel=2 * answer["u_rel"])
    parts = [line["contribution"] for line in answer["budget"]]
    assert np.linalg.norm(parts) == pytest.approx(answer["u_rel"])


def test_scale_says_why_there_is_none(tmp_path, capsys):
    """A picture without a marker is refused with what to do, and nothing is written."""
    blank = tmp_path / "blank.png"
    cv2.imwrite(str(blank), np.full((400, 500, 3), 127, np.uint8))
    assert cli.main(["scale", str(blank), "--out", str(tmp_path / "scale.png")]) == 2
    assert "no marker" in capsys.readouterr().err
    assert not (tmp_path / "scale.png").exists()
