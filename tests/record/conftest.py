"""A finding made by hand, from which records are built: a bend and a flat face seen by one camera."""

from __future__ import annotations

import hashlib
import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from specimeter.judge.model import Judgement, Verdict
from specimeter.measure.sizes import measure
from specimeter.photo import Photo
from specimeter.record import build
from specimeter.scale.budget import Term
from specimeter.scale.model import Scale
from specimeter.scale.surface import Bend, Flat
from specimeter.scale.view import View
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.sheet import Sheet

WHEN = datetime(2026, 11, 25, 14, 30, 7, 123456, tzinfo=UTC)


def make_view() -> View:
    a, b = np.radians(5.0), np.radians(-3.0)
    rotation = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]]) @ np.array(
        [[np.cos(b), -np.sin(b), 0], [np.sin(b), np.cos(b), 0], [0, 0, 1]]
    )
    middle = np.array([50.0, 40.0, -31.7])
    translation = np.array([1.0, -2.0, 391.3]) - rotation @ middle
    return View(
        focal_px=5211.7, centre_px=np.array([801.3, 598.9]), rotation=rotation, translation_mm=translation, k1=-0.031, k2=0.0017
    )


def outlines(surface) -> list[Outline]:
    """Three lens-shaped outlines, one of them a third of a millimetre from another."""
    t = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    found = []
    origin = (50.0, 40.0) if surface.shape == "flat" else (0.0, 0.0)
    for (s, a), length, turn in (((2.0, -3.0), 3.1, 60.0), ((-6.0, 4.0), 1.7, 95.0), ((4.1, -2.2), 1.2, 20.0)):
        c, d = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        shape = np.column_stack([length / 2 * np.cos(t), 0.25 * np.sin(t)]) @ np.array([[c, d], [-d, c]])
        pixels = surface.project(np.array(origin) + np.array([s, a]) + shape)
        found.append(Outline(outline_px=pixels, confidence=0.93, u_edge_px=0.21, u_tip_px=0.57))
    return found


def make_finding(shape: str = "bend") -> SimpleNamespace:
    view = make_view()
    if shape == "bend":
        surface = Bend(
            view=view,
            crown_mm=np.array([50.0, 40.0]),
            direction_deg=91.3,
            height_mm=31.7,
            radius_mm=30.0,
            angle_deg=180.0,
            u_crown_mm=0.21,
            u_direction_deg=0.3,
            u_radius_mm=0.25,
            basis={"radius": "thickness of the sheet"},
            evidence={"edges": np.int64(2), "residual_px": np.float64(0.2), "unknown": float("nan")},
            cautions=("the crown is near the lens",),
        )
        corners = np.array([[s, a] for a in (-12, 12) for s in np.linspace(-20, 20, 15)[:: 1 if a < 0 else -1]])
        edges = surface.project(corners[:15]), surface.project(corners[15:])
        surface = replace(surface, edges_px=edges, edge_radius_mm=1.4, u_edge_radius_mm=0.5)
    else:
        surface = Flat(view=view, height_mm=31.7)
        corners = np.array([[38.0, 28.0], [62.0, 28.0], [62.0, 52.0], [38.0, 52.0]])
        edges = (surface.project(corners[:2]), surface.project(corners[2:]))
    scale = Scale(
        method="card",
        view=view,
        surface_height_mm=31.7,
        surface_height_u_mm=0.5,
        u_rel=math.hypot(0.000625, 0.0009),
        tilt_deg=view.tilt_deg,
        budget=(
            Term(source="card", value=80.0, unit="mm", u=0.05, sensitivity=0.0125, contribution=0.000625, basis="callipers"),
            Term(
                source="corners",
                value=None,
                unit="px",
                u=0.1,
                sensitivity=0.009,
                contribution=0.0009,
                basis="residuals",
                dof=6.0,
            ),
        ),
        evidence={"corners_px": np.arange(8.0).reshape(4, 2), "path": Path("/somewhere/private/x.toml")},
    )
    area = ExaminedArea(outline_px=surface.project(corners), edges_px=edges, width_mm=24.0, u_width_mm=0.1, confidence=0.9)
    features = measure(outlines(surface), photo_id="p1", surface=surface, scale=scale, area=area)
    verdict = Verdict(
        rule="one",
        name="",
        outcome="within",
        value=3.1,
        U=0.1,
        limit=4,
        unit="mm",
        sense="at most",
        because="It is.",
        features=("f1",),
        p_conform=0.9999,
    )
    rgb = np.zeros((1200, 1600, 3), np.uint8)
    return SimpleNamespace(
        photo=Photo(file="bend.jpg", path=Path("/home/somebody/bend.jpg"), sha256=hashlib.sha256(b"x").hexdigest(), rgb=rgb),
        scale=scale,
        surface=surface,
        area=area,
        smallest_resolvable_mm=0.21,
        features=features,
        section=None,
        judgement=Judgement(verdicts=(verdict,), outcome="undecided", because=("Nobody has looked.",), cautions=("c", "c")),
    )


def make_sheet(shape: str = "bend") -> Sheet:
    tables = {"specimen": {"id": "R-1", "test": "nick-break", "specimen_thickness_mm": 10.0}}
    if shape == "bend":
        tables = {
            "specimen": {"id": "R-1", "test": "side-bend", "specimen_thickness_mm": 10.0},
            "bend": {"former_diameter_mm": 40.0, "angle_deg": 180.0, "axis": "vertical"},
        }
    return Sheet.model_validate(tables)


@pytest.fixture(params=["bend", "flat"])
def built(request):
    """`finding`, `sheet` and the `record` built of them, for a bend and for a flat face."""
    finding, sheet = make_finding(request.param), make_sheet(request.param)
    record = build.build(finding, sheet=sheet, limits=None, settings={"segmenter": "openings"}, when=WHEN)
    return SimpleNamespace(finding=finding, sheet=sheet, record=record)
