"""Sizes of features on the developed surface, all features of a photograph at once, each with its stated budget."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from specimeter.errors import OutlineError
from specimeter.measure import MOST_FEATURES
from specimeter.measure.contact import contacts
from specimeter.measure.feature import Feature
from specimeter.measure.polygon import Rings, crossing, dense
from specimeter.measure.quantities import Quantity, clearances, enclosed, lengths, widths
from specimeter.scale.budget import Term
from specimeter.scale.model import Scale
from specimeter.scale.surface import Surface
from specimeter.segment.model import ExaminedArea, Outline

STEEPEST_DEG = 60.0  # beyond it surface is not examined
ROUNDING_DEG = 0.5  # an outline cut off at the 60 degree line may stand out of it by a pixel
AT_ONCE = 1 << 15  # points
ENCLOSED = 1e-9  # of a squared perimeter: an area that is less is rounding
K = 2.0  # coverage factor: about 95 % for a normal distribution (JCGM 100:2008, 6.3.3)

OFF_SURFACE = "part of the outline does not lie on the surface, so it has no size in mm"
TOO_STEEP = f"part of the outline lies on surface steeper than {STEEPEST_DEG:.0f} degrees to the view, which is not examined"
CROSSES = "the outline crosses itself, so what it encloses is not defined"
NO_AREA = "the outline encloses no area"
ACROSS = "a section shows an undercut across: how long it is along the weld is not seen"
ALONE = "there is no other feature"
EDGES_UNKNOWN = "the edges of the specimen were not found, so it is not known whether the feature reaches one"
CUT = "the feature is cut off where the examined area ends"


def measure(
    outlines: Sequence[Outline], *, photo_id: str, surface: Surface, scale: Scale, area: ExaminedArea
) -> tuple[Feature, ...]:
    """Measure every outline on the developed surface; the sizes and their budgets are defined in `measure.quantities`.

    Parameters
    ----------
    outlines : sequence of Outline
        Polygons in pixels.
    photo_id : str
        The record's name of the photograph.

    Returns
    -------
    tuple of Feature
        One for each outline and in that order, named f1, f2, ...; every U is for k = 2. A size that could not be had is
        None, and `missing` names it with the reason; of a feature that is cut off by the end of the examined area (not by
        an edge of the specimen) the reason says what the size is at least.

    Raises
    ------
    OutlineError
        If an outline is no polygon: fewer than three points, a wrong shape, a coordinate or uncertainty that is no number; if
        there are more than `MOST_FEATURES`.
    """
    outlines = tuple(outlines)
    if len(outlines) > MOST_FEATURES:
        raise OutlineError(
            f"{len(outlines)} outlines were found or drawn on one specimen",
            expected=f"at most {MOST_FEATURES}: more than that is the texture of the surface, not its imperfections",
            mend="clean or light the face anew, or name the part to be examined in the sheet's table [region]",
        )
    if not outlines:
        return ()
    pixels = _checked(outlines)
    developed = pixels.moved(_developed(surface, pixels.points))
    u_edge, u_tip = np.array([[outline.u_edge_px, outline.u_tip_px] for outline in outlines]).T
    steepest = _steepest_deg(surface, pixels, developed)
    placed, gentle = np.isfinite(steepest), steepest <= STEEPEST_DEG + ROUNDING_DEG
    crosses = np.zeros(len(outlines), bool)
    crosses[gentle] = crossing(pixels.only(gentle))
    solid = gentle & ~crosses & _encloses(pixels) & _encloses(developed)
    parts = {which.tobytes(): (pixels.only(which), developed.only(which)) for which in (gentle, solid, placed)}

    def sized(function: Any, which: np.ndarray, u_px: np.ndarray) -> _Spread:
        if not which.any():
            return _Spread(which, None)
        return _Spread(which, function(*parts[which.tobytes()], u_px[which], scale.u_rel, surface))

    sizes = {
        "length_mm": sized(lengths, gentle, u_tip),
        "width_mm": sized(widths, solid, u_edge),
        "area_mm2": sized(enclosed, solid, u_edge),
        "nearest_mm": sized(clearances, placed, u_edge),
    }
    touching = contacts(pixels, u_edge, area)
    columns = [(name, f"U_{name}", size.value, size.U) for name, size in sizes.items()]
    budgets, tips_px, cut = sizes["length_mm"].budgets(), sizes["length_mm"].ends_px(), touching.cut.tolist()
    at_corner = [None] * len(outlines) if touching.at_corner is None else touching.at_corner.tolist()
    features = []
    for f, outline in enumerate(outlines):
        missing: dict[str, str] = {}
        known: dict[str, Any] = {}
        seen: dict[str, tuple[float, float]] = {}
        across = outline.depth_mm is not None
        for name, U_name, values, U in columns:
            value = values[f]
            if across and name == "length_mm":
                missing[name] = ACROSS
            elif value is None:
                missing[name] = _why(name, steepest[f], crosses[f])
            elif cut[f]:
                missing[name] = _bounded(name, value, U[f])
                if name != "nearest_mm":  # what is beyond may lie nearer to another one
                    seen[name] = (value, U[f])
            else:
                known[name], known[U_name] = value, U[f]
        if at_corner[f] is None:
            missing["at_corner"] = EDGES_UNKNOWN
        features.append(
            Feature(
                id=f"f{f + 1}",
                photo=photo_id,
                kind=outline.kind,
                may_be=outline.may_be,
                outline_px=outline.outline_px,
                found_by=outline.found_by,
                confidence=outline.confidence,
                u_edge_px=outline.u_edge_px,
                u_tip_px=outline.u_tip_px,
                at_corner=at_corner[f],
                depth_mm=outline.depth_mm,
                U_depth_mm=outline.U_depth_mm,
                tips_px=None if across else tips_px[f],
                budget=() if across else budgets[f],
                missing=missing,
                seen=seen,
                **known,
            )
        )
    return tuple(features)


def area_mm2(surface: Surface, scale: Scale, area: ExaminedArea) -> tuple[float, float]:
    """Developed area of the examined area less what is excluded, in mm^2, and its U (k = 2).

    Budget: the outline's place (one pixel all round; a judgement), the scale, and the surface's shape.

    Raises
    ------
    OutlineError
        If a part of the outline does not lie on the surface, or it encloses no area.
    """
    pixels = Rings.of([area.outline_px, *area.exclude_px])
    pixels = dense(pixels, np.full(len(pixels), 4.0))  # a straight edge in the picture is curved on a bend
    signs = np.where(np.arange(len(pixels)) == 0, 1.0, -1.0)

    def developed_mm2(shape: Surface) -> float:
        return float(signs @ np.abs(pixels.moved(shape.develop(pixels.points)).areas))

    value, seen, around = developed_mm2(surface), float(signs @ np.abs(pixels.areas)), float(pixels.perimeters.sum())
    if not (value > 0 and seen > ENCLOSED * around**2):
        raise OutlineError(
            "the examined area does not lie on the surface, or encloses nothing",
            field="region.outline_px",
            expected="an outline whose every point lies on the measured face",
            mend="draw region.outline_px within the visible face",
        )
    edge = around * value / seen
    shape = [developed_mm2(variant) - value for _, _, variant in surface.variants()]
    return value, K * float(np.linalg.norm([edge, 2 * scale.u_rel * value, *shape]))


class _Spread:
    """A quantity of some of the features laid out for all of them: None where a feature has none."""

    def __init__(self, which: np.ndarray, quantity: Quantity | None) -> None:
        self.which, self.quantity = which, quantity
        self.value: list[float | None] = [None] * len(which)
        self.U: list[float] = [math.nan] * len(which)
        if quantity is not None:
            self.value = self._for_all(value if math.isfinite(value) else None for value in quantity.value.tolist())
            self.U = self._for_all((K * quantity.u).tolist(), math.nan)

    def ends_px(self) -> list[np.ndarray | None]:
        ends = None if self.quantity is None else self.quantity.ends_px
        return self._for_all([] if ends is None else ends, None)

    def budgets(self) -> list[tuple[Term, ...]]:
        parts = () if self.quantity is None else self.quantity.parts
        return self._for_all(list(zip(*(part.terms("mm") for part in parts), strict=True)), ())

    def _for_all(self, of_some: Iterable[Any], otherwise: Any = None) -> list[Any]:
        if self.which.all():
            return list(of_some)
        laid = [otherwise] * len(self.which)
        for place, value in zip(np.flatnonzero(self.which).tolist(), of_some, strict=True):
            laid[place] = value
        return laid


def _developed(surface: Surface, points_px: np.ndarray) -> np.ndarray:
    """Many points on the surface, so many at a time that what is worked on stays in a core's cache."""
    return np.concatenate([surface.develop(points_px[k : k + AT_ONCE]) for k in range(0, len(points_px), AT_ONCE)])


def _checked(outlines: Sequence[Outline]) -> Rings:
    """The outlines as polygons, if they are such."""
    for number, outline in enumerate(outlines, start=1):
        shape = np.shape(outline.outline_px)
        if len(shape) != 2 or shape[1] != 2 or shape[0] < 3:
            raise _no_polygon(f"the outline is an array of shape {shape}", number)
        if not (0 < outline.u_edge_px < math.inf and 0 < outline.u_tip_px < math.inf):
            uncertainties = f"{outline.u_edge_px!r} px (edge) and {outline.u_tip_px!r} px (tip)"
            raise _no_polygon(f"the outline's uncertainties are {uncertainties}", number)
    pixels = Rings.of([outline.outline_px for outline in outlines])
    finite = np.isfinite(pixels.points)
    if not finite.all():
        first = int(pixels.owner[np.argmin(finite.all(axis=1))])
        raise _no_polygon("the outline has a coordinate that is not a number", 1 + first)
    return pixels


def _no_polygon(problem: str, number: int) -> OutlineError:
    return OutlineError(
        problem,
        field=f"features.f{number}.outline_px",
        expected="three or more points [x, y] in pixels, and uncertainties above 0 px",
        mend="trace the feature again, or leave it out",
    )


def _steepest_deg(surface: Surface, pixels: Rings, developed: Rings) -> np.ndarray:
    """Steepness at the outermost points of each outline, the greatest, shape (F,); NaN where it leaves the surface."""
    steepest = np.full(len(pixels), np.nan)
    on = np.isfinite(developed.total(developed.points[:, 0] + developed.points[:, 1]))
    if on.any():
        here, there = developed.only(on), pixels.only(on)
        ends = [here.least(sign * axis)[1] for axis in np.ascontiguousarray(here.points.T) for sign in (1, -1)]
        steepest[on] = surface.steepness_deg(there.points[np.concatenate(ends)]).reshape(4, -1).max(axis=0)
    return steepest


def _encloses(rings: Rings) -> np.ndarray:
    """Whether each polygon encloses more than rounding, shape (F,)."""
    return np.abs(rings.areas) > ENCLOSED * rings.perimeters**2


def _why(name: str, steepest_deg: float, crosses: bool) -> str:
    if not np.isfinite(steepest_deg):
        return OFF_SURFACE
    if name == "nearest_mm":
        return ALONE
    if steepest_deg > STEEPEST_DEG + ROUNDING_DEG:
        return TOO_STEEP
    return CROSSES if crosses else NO_AREA


def _bounded(name: str, value: float, U: float) -> str:
    if name == "nearest_mm":
        return f"{CUT}: what is beyond may lie nearer to another one than the {value:.2f} mm seen"
    unit = "mm\N{SUPERSCRIPT TWO}" if name == "area_mm2" else "mm"
    return f"{CUT}: at least {max(value - U, 0.0):.2f} {unit} (what is seen, less its uncertainty)"
