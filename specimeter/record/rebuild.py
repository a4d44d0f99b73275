"""From a record back to the scale, surface, area and outlines that its numbers are recomputed from."""

from __future__ import annotations

import weakref
from collections.abc import Iterable
from typing import Any

import numpy as np

from specimeter.errors import RecordError
from specimeter.measure.feature import Feature
from specimeter.record.model import Feature as StoredFeature
from specimeter.record.model import Record
from specimeter.scale.budget import Term
from specimeter.scale.model import Scale
from specimeter.scale.surface import Bend, Flat, Surface
from specimeter.scale.view import View
from specimeter.segment.model import ExaminedArea, Outline, Unseen

_TERM = Term._fields
_STORED = tuple(
    name
    for name in Feature.__dataclass_fields__
    if name in StoredFeature.model_fields.keys() - {"outline_px", "tips_px", "budget", "may_be"}
)
_MADE: dict[int, tuple[weakref.ref, Feature]] = {}  # by identity, as long as the stored one lives
_SHAPE = (
    "radius_mm", "angle_deg", "direction_deg", "u_radius_mm", "u_direction_deg", "u_crown_mm",
    "edge_radius_mm", "u_edge_radius_mm",
)  # fmt: skip


def view_of(record: Record, photo: str = "p1") -> View:
    """The camera over the marker's plane, as it was stored."""
    stored = _of(record.scales, photo).view
    return View(
        focal_px=stored.focal_px,
        centre_px=np.array(stored.centre_px),
        rotation=np.array(stored.rotation),
        translation_mm=np.array(stored.translation_mm),
        k1=stored.k1,
        k2=stored.k2,
    )


def surface_of(record: Record, photo: str = "p1") -> Surface:
    """The surface that the sizes were measured on, as it was stored."""
    stored, view = _of(record.surfaces, photo), view_of(record, photo)
    said: dict[str, Any] = {"height_mm": stored.height_mm, "evidence": stored.evidence, "cautions": stored.cautions}
    if stored.shape == "flat":
        return Flat(view=view, **said)
    shape = {name: value for name in _SHAPE if (value := getattr(stored, name)) is not None}
    edges = () if stored.edge_radius_mm is None else tuple(_array(edge) for edge in _of(record.examined, photo).edges_px)
    return Bend(view=view, crown_mm=np.array(stored.crown_mm), edges_px=edges, basis=stored.basis, **shape, **said)


def scale_of(record: Record, photo: str = "p1") -> Scale:
    """The scale with its budget, as it was stored."""
    stored = _of(record.scales, photo)
    return Scale(
        method=stored.method,
        view=view_of(record, photo),
        surface_height_mm=stored.surface_height_mm,
        surface_height_u_mm=stored.surface_height_u_mm,
        u_rel=stored.u_rel,
        budget=tuple(Term(**term.model_dump()) for term in stored.budget),
        tilt_deg=stored.tilt_deg,
        evidence=stored.evidence,
        cautions=stored.cautions,
    )


def area_of(record: Record, photo: str = "p1") -> ExaminedArea:
    """The examined area, as it was stored."""
    stored = _of(record.examined, photo)
    return ExaminedArea(
        outline_px=_array(stored.outline_px),
        exclude_px=tuple(_array(hole) for hole in stored.exclude_px),
        found_by=stored.found_by,
        edges_px=tuple(_array(edge) for edge in stored.edges_px),
        width_mm=stored.width_mm,
        u_width_mm=stored.u_width_mm,
        confidence=stored.confidence,
        cautions=stored.cautions,
        unseen=tuple(
            Unseen(outline_px=_array(part.outline_px), why=part.why, length_mm=part.length_mm) for part in stored.unseen
        ),
    )


def outlines_of(record: Record, photo: str = "p1") -> list[Outline]:
    """The stored outlines in the order of the features: measuring them again gives the stored sizes."""
    return [
        Outline(
            outline_px=_array(feature.outline_px),
            kind=feature.kind,
            may_be=feature.may_be or (),
            confidence=feature.confidence,
            u_edge_px=feature.u_edge_px,
            u_tip_px=feature.u_tip_px,
            found_by=feature.found_by,
            depth_mm=feature.depth_mm,
            U_depth_mm=feature.U_depth_mm,
        )
        for feature in record.features
        if feature.photo == photo
    ]


def feature_of(stored: StoredFeature) -> Feature:
    """A feature with its sizes as they were stored; made once for each, since both are frozen and an act changes few."""
    kept = _MADE.get(id(stored))
    if kept is not None and kept[0]() is stored:
        return kept[1]
    known = {name: getattr(stored, name) for name in _STORED}
    made = Feature(
        **known,
        may_be=stored.may_be or (),
        outline_px=_array(stored.outline_px),
        tips_px=None if stored.tips_px is None else _array(stored.tips_px),
        budget=tuple(Term(**{name: getattr(term, name) for name in _TERM}) for term in stored.budget),
    )
    place = id(stored)
    _MADE[place] = (weakref.ref(stored, lambda _: _MADE.pop(place, None)), made)
    return made


def crown_line_mm(surface: Surface, area: ExaminedArea) -> np.ndarray:
    """Developed ends [s, a], shape (2, 2), of the line along the bend axis (flat: along x) through the middle of the area."""
    developed = surface.develop(area.outline_px)
    developed = developed[np.isfinite(developed).all(axis=1)]
    if not len(developed):
        raise RecordError("the examined area does not lie on the surface")
    low, high = developed.min(axis=0), developed.max(axis=0)
    if surface.shape == "bend":
        return np.array([[0.0, low[1]], [0.0, high[1]]])
    middle = (low[1] + high[1]) / 2
    return np.array([[low[0], middle], [high[0], middle]])


def _of(parts: Iterable[Any], photo: str) -> Any:
    for part in parts:
        if part.photo == photo:
            return part
    raise RecordError(f"the record holds nothing of a photo {photo!r}")


def _array(points: Iterable[Iterable[float]]) -> np.ndarray:
    return np.array(points, float).reshape(-1, 2)
