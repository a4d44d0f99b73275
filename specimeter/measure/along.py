"""Where features lie along the weld: their extents along it and through the wall, and the length of weld examined."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from specimeter.measure.feature import Feature
from specimeter.scale.budget import K
from specimeter.scale.model import Scale
from specimeter.scale.surface import Surface
from specimeter.segment.model import ExaminedArea
from specimeter.sheet import Sheet

BEND_WELD = {"face-bend": (0.0, 1.0), "root-bend": (0.0, 1.0), "longitudinal-bend": (1.0, 0.0)}  # developed [s, a]
SAMPLES = 2001  # along the weld's axis, to find how much of it was examined
U_EDGE_PX = 1.0  # of an examined area's outline; judgement, as for its area


@dataclass(frozen=True, slots=True, kw_only=True)
class Along:
    """Features with their extents, where each begins and ends along the weld (mm), and the weld examined with its U (k = 2)."""

    features: tuple[Feature, ...]
    spans_mm: dict[str, tuple[float, float]]
    weld_mm: float | None
    U_weld_mm: float | None


def weld_axis(sheet: Sheet, surface: Surface) -> tuple[np.ndarray, np.ndarray | None] | None:
    """The weld's direction (2,) on the developed surface and a point on its axis (None: amid the area), in mm.

    The sheet's ``weld.weld_axis_px`` says it; a transverse face or root bend has its weld along the bend axis and a
    longitudinal bend across it. A side bend's weld runs into the specimen. None where it is not known.
    """
    ends = None if sheet.weld is None else sheet.weld.weld_axis_px
    if ends is not None:
        one, two = surface.develop(np.array(ends, float))
        way = two - one
        length = float(np.hypot(*way))
        if not np.isfinite(length) or length == 0:
            return None
        return way / length, one
    if surface.shape == "bend" and sheet.specimen.test in BEND_WELD:
        return np.array(BEND_WELD[sheet.specimen.test]), None
    return None


def along_weld(
    features: Sequence[Feature], *, sheet: Sheet, surface: Surface, scale: Scale, area: ExaminedArea, photo: str
) -> Along | None:
    """Place the features of one photograph along the weld; None where the weld's axis is not known.

    An extent is the distance between the outermost points of the outline on the developed surface, in the direction of the
    weld's axis (`along_weld_mm`) and square to it (`through_wall_mm`: on a fracture or a section, through the wall). Its U is
    that of two tips, each placed to `u_tip_px`, and of the scale.

    References
    ----------
    .. [1] API Std 1104, 5.6.3.3 and its figure: slag is long along the weld and deep through the wall (the figure from memory).
    """
    axis = weld_axis(sheet, surface)
    if axis is None:
        return None
    way, through = axis
    placed, spans = [], {}
    for feature in features:
        cut = "length_mm" in feature.missing  # what is beyond the area may be longer
        points = surface.develop(np.asarray(feature.outline_px, float))
        if feature.photo != photo or cut or len(points) < 3 or not np.isfinite(points).all():
            placed.append(feature)
            continue
        lies, across = points @ way, points @ np.array([-way[1], way[0]])
        mm_per_px = float(surface.mm_per_px_at(np.asarray(feature.outline_px, float).mean(axis=0)))
        known: dict[str, Any] = {}
        for name, extent in (("along_weld_mm", np.ptp(lies)), ("through_wall_mm", np.ptp(across))):
            U = K * float(np.hypot(np.sqrt(2) * feature.u_tip_px * mm_per_px, scale.u_rel * extent))
            if feature.length_mm and feature.U_length_mm is not None:  # knows of the surface's shape too
                U = max(U, feature.U_length_mm * float(extent) / feature.length_mm)
            known |= {name: float(extent), f"U_{name}": U}
        spans[feature.id] = (float(lies.min()), float(lies.max()))
        placed.append(replace(feature, **known))
    weld_mm, U_weld_mm = _examined(way, through, surface=surface, scale=scale, area=area)
    return Along(features=tuple(placed), spans_mm=spans, weld_mm=weld_mm, U_weld_mm=U_weld_mm)


def _examined(
    way: np.ndarray, through: np.ndarray | None, *, surface: Surface, scale: Scale, area: ExaminedArea
) -> tuple[float, float] | tuple[None, None]:
    """How much of the weld's axis lies in the examined area, in mm, with its U (k = 2)."""
    outline = surface.develop(np.asarray(area.outline_px, float))
    holes = [surface.develop(np.asarray(hole, float)) for hole in area.exclude_px]
    if not all(np.isfinite(ring).all() for ring in (outline, *holes)):
        return None, None
    middle = (outline.min(axis=0) + outline.max(axis=0)) / 2 if through is None else through
    lies = (outline - middle) @ way
    at, step = np.linspace(lies.min(), lies.max(), SAMPLES, retstep=True)
    places = middle + at[:, None] * way
    seen = _inside(outline, places)
    for hole in holes:
        seen &= ~_inside(hole, places)
    length_mm = float(seen.mean() * np.ptp(at))
    if length_mm <= 0:
        return None, None
    mm_per_px = float(surface.mm_per_px_at(np.asarray(area.outline_px, float).mean(axis=0)))
    return length_mm, K * float(np.linalg.norm([np.sqrt(2) * U_EDGE_PX * mm_per_px, scale.u_rel * length_mm, step]))


def _inside(ring: np.ndarray, places: np.ndarray) -> np.ndarray:
    contour = ring.astype(np.float32).reshape(-1, 1, 2)
    return np.array([cv2.pointPolygonTest(contour, (float(x), float(y)), False) >= 0 for x, y in places])
