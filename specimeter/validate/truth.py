"""A scene's truth in the terms of the stages: its surface, scale and area exactly, and its features with U = 0."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from specimeter.measure.clearance import clear_distances
from specimeter.measure.feature import Feature
from specimeter.measure.polygon import Rings
from specimeter.scale.model import Scale
from specimeter.scale.surface import Bend, Flat
from specimeter.scale.view import View
from specimeter.segment.area_fracture import with_sides
from specimeter.segment.model import ExaminedArea
from specimeter.sheet import BROKEN_TESTS, MACRO_TESTS

Truth = Mapping[str, Any]


def broken(truth: Truth) -> bool:
    """Whether the scene shows a broken face, not a bend."""
    return truth["specimen"]["test"] in BROKEN_TESTS


def surface(truth: Truth) -> Bend | Flat:
    """The bend, or a broken face's mean plane, as it was rendered; world coordinates are the bench's."""
    camera, specimen = truth["camera"], truth["specimen"]
    rotation = np.array(camera["rotation"])
    view = View(
        focal_px=camera["focal_px"],
        centre_px=np.array(camera["centre_px"]),
        rotation=rotation,
        translation_mm=-rotation @ np.array(camera["eye_mm"]),
        k1=camera["k1"],
    )
    if broken(truth) or truth["specimen"]["test"] in MACRO_TESTS:
        return Flat(view=view, height_mm=specimen["crown_height_mm"])
    return Bend(
        view=view,
        crown_mm=np.zeros(2),
        direction_deg=specimen["axis_angle_deg"],
        height_mm=specimen["crown_height_mm"],
        radius_mm=specimen["radius_mm"],
        angle_deg=specimen["angle_deg"],
    )


def scale(truth: Truth) -> Scale:
    """The scale as it was rendered, with next to no uncertainty."""
    view = surface(truth).view
    return Scale(
        method="length",
        view=view,
        surface_height_mm=truth["specimen"]["crown_height_mm"],
        surface_height_u_mm=0.0,
        u_rel=1e-6,
        budget=(),
        tilt_deg=view.tilt_deg,
        evidence={},
    )


def area(truth: Truth) -> ExaminedArea:
    """The face no steeper than 60 degrees, its two long sides marked as edges of the specimen; a broken face's all four."""
    outline_px, outline_mm = np.array(truth["area_outline_px"]), np.array(truth["area_outline_mm"])
    if broken(truth):
        return with_sides(ExaminedArea(outline_px=outline_px))
    half = np.abs(outline_mm[:, 1]).max()
    edges = []
    for side in (-1.0, 1.0):
        on = np.flatnonzero(side * outline_mm[:, 1] > half - 0.05)
        edges.append(outline_px[on[np.argsort(outline_mm[on, 0])]])
    return ExaminedArea(outline_px=outline_px, edges_px=tuple(edges))


def cut(truth: Truth) -> list[bool]:
    """For each true feature, whether it runs on into what is too steep to be examined."""
    if broken(truth):
        return [False] * len(truth["features"])
    ends = np.array(truth["area_outline_mm"])[:, 0]
    return [
        bool(
            (np.array(feature["outline_mm"])[:, 0] < ends.min()).any()
            or (np.array(feature["outline_mm"])[:, 0] > ends.max()).any()
        )
        for feature in truth["features"]
    ]


def features(truth: Truth) -> tuple[Feature, ...]:
    """The true features that lie in the examined area, with U = 0."""
    kept = [feature for feature, beyond in zip(truth["features"], cut(truth), strict=True) if not beyond]
    gaps, _ = clear_distances(Rings.of([np.array(feature["outline_mm"]) for feature in kept]))
    return tuple(
        Feature(
            id=f"t{number}",
            photo="p1",
            kind=feature["kind"],
            outline_px=np.array(feature["outline_px"]),
            length_mm=feature["length_mm"],
            U_length_mm=0.0,
            width_mm=feature["width_mm"],
            U_width_mm=0.0,
            area_mm2=feature["area_mm2"],
            U_area_mm2=0.0,
            at_corner=feature["at_corner"],
            nearest_mm=float(gap) if np.isfinite(gap) else None,
            U_nearest_mm=0.0 if np.isfinite(gap) else None,
        )
        for number, (feature, gap) in enumerate(zip(kept, gaps, strict=True), start=1)
    )
