"""Sizes of features on the developed surface, all features of a photograph at once, each with its stated budget."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from operator import attrgetter
from typing import Any

import numpy as np

from specimeter.errors import OutlineError
from specimeter.measure import MOST_FEATURES
from specimeter.measure.contact import contacts
from specimeter.measure.feature import Feature, of_columns
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
    pixels, u_edge, u_tip = _checked(outlines)
    developed = pixels.moved(_developed(surface, pixels.points))
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
    across = np.array([outline.depth_mm is not None for outline in outlines])
    missing: list[dict[str, str]] = [{} for _ in outlines]
    seen: list[dict[str, tuple[float, float]]] = [{} for _ in outlines]
    columns: dict[str, Sequence[Any]] = {"missing": missing, "seen": seen}
    none = np.array(None)
    for name, size in sizes.items():
        asked = ~across if name == "length_mm" else np.ones(len(outlines), bool)
        for f in np.flatnonzero(~asked).tolist():
            missing[f][name] = ACROSS
        for f in np.flatnonzero(asked & ~size.known).tolist():
            missing[f][name] = _why(name, steepest[f], crosses[f])
        for f in np.flatnonzero(asked & size.known & touching.cut).tolist():
            value, U = float(size.value[f]), float(size.U[f])
            missing[f][name] = _bounded(name, value, U)
            if name != "nearest_mm":  # what is beyond may lie nearer to another one
                seen[f][name] = (value, U)
        given = asked & size.known & ~touching.cut
        columns |= {name: np.where(given, size.value, none).tolist(), f"U_{name}": np.where(given, size.U, none).tolist()}
    if touching.at_corner is None:
        for why in missing:
            why["at_corner"] = EDGES_UNKNOWN
    else:
        columns["at_corner"] = touching.at_corner.tolist()
    same = ("kind", "may_be", "outline_px", "found_by", "confidence", "u_edge_px", "u_tip_px", "depth_mm", "U_depth_mm")
    columns |= {name: list(map(attrgetter(name), outlines)) for name in same}
    columns["id"], columns["photo"] = [f"f{number}" for number in range(1, len(outlines) + 1)], [photo_id] * len(outlines)
    columns["tips_px"], columns["budget"] = sizes["length_mm"].ends_px(~across), sizes["length_mm"].budgets(~across)
    return of_columns(len(outlines), **columns)


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
    """A quantity of some of the features laid out for all of them: NaN where a feature has none."""

    def __init__(self, which: np.ndarray, quantity: Quantity | None) -> None:
        self.which, self.quantity = which, quantity
        self.value, self.U = np.full((2, len(which)), np.nan)
        if quantity is not None:
            self.value[which], self.U[which] = quantity.value, K * quantity.u
        self.known = np.isfinite(self.value)

    def ends_px(self, wanted: np.ndarray) -> list[np.ndarray | None]:
        """Of each feature that is wanted and has it the two places that the quantity lies between."""
        return self._laid(wanted, None if self.quantity is None else self.quantity.ends_px, None)

    def budgets(self, wanted: np.ndarray) -> list[Sequence[Term]]:
        """The same of its budget."""
        return self._laid(wanted, None if self.quantity is None else self.quantity.budgets("mm"), ())

    def _laid(self, wanted: np.ndarray, of_some: Iterable[Any] | None, otherwise: Any) -> list[Any]:
        laid = [otherwise] * len(wanted)
        if of_some is not None:
            for place, value, asked in zip(
                np.flatnonzero(self.which).tolist(), of_some, wanted[self.which].tolist(), strict=True
            ):
                if asked:
                    laid[place] = value
        return laid


def _developed(surface: Surface, points_px: np.ndarray) -> np.ndarray:
    """Many points on the surface, so many at a time that what is worked on stays in a core's cache."""
    return np.concatenate([surface.develop(points_px[k : k + AT_ONCE]) for k in range(0, len(points_px), AT_ONCE)])


def _checked(outlines: Sequence[Outline]) -> tuple[Rings, np.ndarray, np.ndarray]:
    """The outlines as polygons, if they are such, and the uncertainties of their edges and of their tips."""
    u_edge, u_tip = (np.fromiter(map(attrgetter(name), outlines), float, len(outlines)) for name in ("u_edge_px", "u_tip_px"))
    sure = (u_edge > 0) & (u_edge < math.inf) & (u_tip > 0) & (u_tip < math.inf)
    points = [np.asarray(outline.outline_px, float) for outline in outlines]
    fits = [len(shape) == 2 and shape[0] > 2 and shape[1] == 2 for shape in map(attrgetter("shape"), points)]
    for f in np.flatnonzero(~(np.array(fits) & sure)).tolist():
        if not fits[f]:
            raise _no_polygon(f"the outline is an array of shape {points[f].shape}", f + 1)
        uncertainties = f"{outlines[f].u_edge_px!r} px (edge) and {outlines[f].u_tip_px!r} px (tip)"
        raise _no_polygon(f"the outline's uncertainties are {uncertainties}", f + 1)
    pixels = Rings.of(points)
    finite = np.isfinite(pixels.points)
    if not finite.all():
        first = int(pixels.owner[np.argmin(finite.all(axis=1))])
        raise _no_polygon("the outline has a coordinate that is not a number", 1 + first)
    return pixels, u_edge, u_tip


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
