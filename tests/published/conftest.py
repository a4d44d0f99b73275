"""What the walks through published limits share: the shipped examples by name, and a finding judged by them."""

from __future__ import annotations

import tomllib
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from specimeter.judge import limits as judge_limits
from specimeter.judge.decide import decide
from specimeter.measure.feature import Feature
from specimeter.segment.model import ExaminedArea
from specimeter.sheet import Sheet

EXAMPLES = Path(__file__).resolve().parents[2] / "shared" / "limits"
FACE_PX = np.array([[0.0, 0.0], [900.0, 0.0], [900.0, 900.0], [0.0, 900.0]])
HAIR = 1e-4  # just under, just over: far above rounding, far below any limit's last digit


def example(name, decision="guarded"):
    """A shipped example of limits, with the decision rule that the test asks for."""
    tables = tomllib.loads((EXAMPLES / f"{name}.toml").read_text("utf-8"))
    assert "check against the edition in force" in tables["limits"]["basis"]
    tables["limits"]["decision"] = decision
    return judge_limits.from_tables(tables)


def sheet(test, *, t_mm=12.0, weld=None, observations=None, **specimen):
    tables = {
        "specimen": {
            "id": "S1",
            "test": test,
            "parent_thickness_mm": float(t_mm),
            "specimen_width_mm": 25.0,
            "specimen_thickness_mm": 12.0,
        }
        | specimen,
        "scale": {"surface_height_mm": 0.0},
        "validity": {"valid": True},
    }
    tables |= {name: table for name, table in (("weld", weld), ("observations", observations)) if table}
    return Sheet.model_validate(tables)


def feature(number, kind, length_mm=0.6, *, U=0.0, **sizes):
    """A feature whose sizes are those given; each known size has the same U."""
    known = {"length_mm": float(length_mm), "U_length_mm": U}
    for name, size in sizes.items():
        known |= {name: float(size), f"U_{name}": U}
    return Feature(id=f"f{number}", photo="p1", kind=kind, outline_px=np.zeros((3, 2)), at_corner=False, **known)


def judged(limits, on, *features, section=None, area_mm2=300.0, resolves_mm=0.1, reviewed=False):
    """The judgement; a section's sizes get a U of 0."""
    sized = {} if section is None else section | {f"U_{name}": 0.0 for name in section}
    return decide(
        on,
        limits,
        features,
        area=ExaminedArea(outline_px=FACE_PX),
        smallest_resolvable_mm=resolves_mm,
        scale=SimpleNamespace(evidence={}, view=SimpleNamespace(distance_mm=300.0)),
        area_mm2=area_mm2,
        U_area_mm2=0.0,
        section=sized,
        reviewed=reviewed,
    )


def verdict_of(judgement, rule):
    return next(verdict for verdict in judgement.verdicts if verdict.rule == rule)


@pytest.fixture(scope="session")
def walk():
    """The builders by name."""
    return SimpleNamespace(
        example=example, sheet=sheet, feature=feature, judged=judged, verdict_of=verdict_of, hair=HAIR, examples=EXAMPLES
    )
