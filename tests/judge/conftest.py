"""Builders shared by the tests of the judge: a valid side bend, its examined area, features and limits."""

from __future__ import annotations

from functools import lru_cache
from types import SimpleNamespace

import numpy as np
import pytest

from specimeter.judge import limits as judge_limits
from specimeter.judge.decide import decide
from specimeter.measure.feature import Feature
from specimeter.segment.model import ExaminedArea
from specimeter.sheet import Sheet

SQUARE_PX = np.array([[100.0, 50.0], [900.0, 50.0], [900.0, 850.0], [100.0, 850.0]])  # edges left and right

SCALE = SimpleNamespace(evidence={}, view=SimpleNamespace(distance_mm=320.0))  # what the judge reads of a scale


def sheet(*, observations=None, specimen=None, bend=None, validity=None, scale=None, weld=None):
    """A side bend of 25 mm plate, tested as asked; parts may be changed, and a part set to None is left out."""
    tables = {
        "specimen": {
            "id": "SB-1",
            "test": "side-bend",
            "parent_thickness_mm": 25.0,
            "specimen_thickness_mm": 10.0,
            "specimen_width_mm": 25.0,
        }
        | (specimen or {}),
        "bend": {"former_diameter_mm": 40.0, "angle_deg": 180.0, "axis": "vertical"} | (bend or {}),
    }
    asked = {"tension_face": "side", "former_required_mm": 40.0, "angle_required_deg": 180.0}
    asked |= {"weld_inside_bend": True, "broken_through": False}
    if validity != "absent":
        tables["validity"] = asked | (validity or {})
    tables |= {name: table for name, table in (("observations", observations), ("scale", scale), ("weld", weld)) if table}
    kept = {name: {key: value for key, value in table.items() if value is not None} for name, table in tables.items()}
    return Sheet.model_validate(kept)


def area(**changes):
    known = {
        "outline_px": SQUARE_PX,
        "edges_px": (SQUARE_PX[[0, 3]], SQUARE_PX[[1, 2]]),
        "width_mm": 25.02,
        "u_width_mm": 0.04,
    }
    return ExaminedArea(**(known | changes))


def feature(number, length_mm, U=0.0, **changes):
    known = {
        "id": f"f{number}",
        "photo": "p1",
        "kind": "opening",
        "outline_px": np.zeros((3, 2)),
        "length_mm": length_mm,
        "U_length_mm": None if length_mm is None else U,
        "at_corner": False,
    }
    return Feature(**(known | changes))


def rule(**changes):
    known = {"id": "single", "kinds": ["opening", "crack"], "size": "length_mm", "test": "each"}
    known |= {"limit": 3, "unit": "mm", "sense": "at most"}
    return {key: value for key, value in (known | changes).items() if value is not None}


def limits(*rules, decision="guarded", **head):
    return judge_limits.from_tables({"limits": {"title": "a", "basis": "b", "decision": decision, **head}, "rule": list(rules)})


@lru_cache
def bend_limits(decision="guarded"):
    """Single, total and corner with replacement, as many bend codes have them."""
    return limits(
        rule(where="not at_corner"),
        rule(id="total", test="sum", where="not at_corner", counted="length_mm > 1 and length_mm <= 3", limit=10),
        rule(id="corner", where="at_corner", limit=6, beyond="replace"),
        decision=decision,
    )


def judged(entered, *features, on=None, within=None, resolves_mm=0.2, **more):
    return decide(
        on or sheet(),
        entered,
        features,
        area=area() if within is None else within,
        smallest_resolvable_mm=resolves_mm,
        scale=more.pop("scale", SCALE),
        **more,
    )


@pytest.fixture(scope="session")
def make():
    """The builders by name."""
    return SimpleNamespace(
        sheet=sheet,
        area=area,
        feature=feature,
        rule=rule,
        limits=limits,
        bend_limits=bend_limits,
        judged=judged,
        square_px=SQUARE_PX,
        scale=SCALE,
    )
