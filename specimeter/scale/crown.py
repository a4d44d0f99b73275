"""Where nobody entered how high the crown stands: its height told by the specimen's own size in the picture.

Seen from the lens, a bend at one height looks exactly like a larger one farther away: the picture fixes everything but one
factor of size. The calliper width gives that factor, or the former and the thickness do. Neither owes anything to the card's
print or to how far the lens was.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from specimeter.scale.budget import Term, combine, term
from specimeter.scale.height import Height, Pin, height_term
from specimeter.scale.model import Scale
from specimeter.scale.surface import Bend, Surface
from specimeter.sheet import BEND_TESTS, Sheet

U_CALLIPER_MM = 0.05  # reading, and jaws held square (judgement)
U_SPREAD_REL = 0.005  # a bent bar is narrower on its stretched side than on its inner side, where jaws may rest (judgement)
U_ROUGH_EDGE_REL = 0.02  # of the width between edges as the placement saw them, before they are followed to their feet
U_RADIUS_REL = 0.025  # springback opens the bend, bending thins the plate, the former's own wear (judgement)
U_ALONE_REL = 0.02  # of one size by itself (judgement)
U_SILHOUETTES_REL = 0.01  # of the radius, as fitted to the picture (judgement)
DISAGREE = 2.5  # what width and radius differ by, over what they are each known to, beyond which one is taken to be wrong
CALLIPER, RADIUS, DISAGREEMENT = "calliper width", "radius of the bend", "width against radius"
LEG_MM, U_LEG_MM = 30.0, 15.0  # straight legs that a bend stands on (judgement)
LOWEST_MM, HIGHEST_MM = -15.0, 150.0  # where a crown can stand over a card beside it


def by_its_own_size(
    sheet: Sheet, scale: Scale, surface: Surface, *, width_mm: float | None = None, u_width_mm: float | None = None
) -> tuple[Scale, Surface]:
    """Scale and surface with the crown's height told by the specimen's size; as they are where the height was entered.

    Parameters
    ----------
    scale, surface
        As placed with the height open.
    width_mm, u_width_mm : float, optional
        Between the specimen's side edges at the crown, on `surface`, and its standard uncertainty from the edges alone;
        absent: as the placement saw them, roughly.

    Returns
    -------
    (Scale, Surface)
        With the height's source in the scale's evidence (``height_from``) and budget. The same picture: no pixel moves.
    """
    if sheet.scale.surface_height_mm is not None or sheet.specimen.test not in BEND_TESTS or not isinstance(surface, Bend):
        return scale, surface
    pin = _pin(sheet, surface, width_mm, u_width_mm)
    if pin is not None:
        height = Height(mm=pin.over(surface.view), u_mm=pin.u_mm(surface.view), basis=f"told by the {pin.source}", pin=pin)
        if scale.method == "length" and abs(height.mm) <= 2.0 * height.u_mm:  # marked on the crown itself, as is usual
            return _at(scale, surface, _level(height, pin), (), told_by=pin.source)
        height = replace(height, cautions=(_said(height, pin),))
        if LOWEST_MM <= height.mm <= min(HIGHEST_MM, 0.7 * surface.view.distance_mm):
            return _at(scale, surface, height, _doubts(pin), told_by=pin.source)
    return _at(scale, surface, _standing(sheet), ())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """What one known size of the specimen says: by what factor the bend is really smaller than it was placed."""

    source: str
    log_factor: float
    terms: tuple[Term, ...]

    @property
    def u(self) -> float:
        return combine(self.terms)


def _pin(sheet: Sheet, bend: Bend, width_mm: float | None, u_width_mm: float | None) -> Pin | None:
    """The distance across the face at the crown that the height is told by; None where the picture shows no size.

    Width and radius are combined by their weights; what they differ by beyond their uncertainties enlarges the result's
    (Birge ratio).
    """
    ends = bend.evidence.get("side_edges_a_mm")
    if not ends or not bend.evidence.get("support"):
        return None
    sizes = (_by_width(sheet, ends, width_mm, u_width_mm), _by_radius(sheet, bend))
    told = [one for one in sizes if one is not None]
    if not told:
        return None
    weights = np.array([one.u**-2 for one in told])
    u = float(weights.sum() ** -0.5)
    weights /= weights.sum()
    log_factor = float(weights @ np.array([one.log_factor for one in told]))
    terms = [
        line._replace(sensitivity=share * line.sensitivity, contribution=share * line.contribution)
        for one, share in zip(told, weights, strict=True)
        for line in one.terms
    ]
    if len(told) == 1:
        basis = "nothing else of the specimen's size shows that the right edges were taken: 2 % (judgement)"
        terms.append(term("no second size to hold against it", unit="1", u=U_ALONE_REL, sensitivity=1.0, basis=basis))
    birge = _apart(told)
    if birge > 1.0:
        extra = u * float(np.sqrt(birge**2 - 1.0))
        basis = f"they differ by {birge:.1f} of their combined standard uncertainties: enlarged to match (Birge ratio)"
        terms.append(term(DISAGREEMENT, unit="1", u=extra, sensitivity=1.0, basis=basis))
    apart = ends[1] - ends[0]
    places = bend.project(np.array([[0.0, ends[0]], [0.0, ends[1]]]))
    length = apart * float(np.exp(log_factor))
    return Pin(ends_px=places, length_mm=length, terms=tuple(terms), source=" and the ".join(one.source for one in told))


def _by_width(sheet: Sheet, ends: Sequence[float], width_mm: float | None, u_width_mm: float | None) -> _Told | None:
    calliper = sheet.specimen.specimen_width_mm
    if calliper is None:
        return None
    basis = "edges followed to their feet: scatter, rounding and what fades of it, blur"
    if width_mm is None or u_width_mm is None:
        width_mm, u_width_mm = ends[1] - ends[0], U_ROUGH_EDGE_REL * (ends[1] - ends[0])
        basis = "edges as the placement saw them (judgement)"
    terms = (
        _line("calliper width", calliper, U_CALLIPER_MM, "judgement: read to 0.1 mm, jaws square"),
        _line("width of the bent specimen", calliper, U_SPREAD_REL * calliper, "judgement: its inner side is wider; 0.5 %"),
        _line("side edges in the picture", width_mm, u_width_mm, basis),
    )
    return _Told(source=CALLIPER, log_factor=float(np.log(calliper / width_mm)), terms=terms)


def _by_radius(sheet: Sheet, bend: Bend) -> _Told | None:
    if not any(name.startswith("silhouette") for name in bend.evidence.get("borders", {})):
        return None  # with legs in view the radius hardly shows
    nominal, shown = _nominal_radius_mm(sheet), bend.radius_mm
    basis = "judgement: springback and thinning, 2.5 % of the radius"
    terms = (
        _line("former and thickness", nominal, U_RADIUS_REL * nominal, basis),
        _line("silhouettes in the picture", shown, U_SILHOUETTES_REL * shown, "judgement: 1 % of the radius"),
    )
    return _Told(source=RADIUS, log_factor=float(np.log(nominal / shown)), terms=terms)


def _apart(told: Sequence[_Told]) -> float:
    """How many combined standard uncertainties two of them differ by; 0 for one alone."""
    if len(told) < 2:
        return 0.0
    return float(abs(told[0].log_factor - told[1].log_factor) / np.hypot(told[0].u, told[1].u))


def _line(source: str, value: float, u: float, basis: str) -> Term:
    """A line of a size, relative to that size."""
    return term(source, value=value, unit="mm", u=u, sensitivity=1.0 / value, basis=basis)


def _nominal_radius_mm(sheet: Sheet) -> float:
    assert sheet.bend is not None  # the sheet of a bend test gives both
    assert sheet.specimen.specimen_thickness_mm is not None
    return sheet.bend.former_diameter_mm / 2 + sheet.specimen.specimen_thickness_mm


def _standing(sheet: Sheet) -> Height:
    """What geometry alone says: the crown of a bend that stands on its legs on a bench; the card anywhere up to its height."""
    assert sheet.bend is not None  # of a bend test
    half = np.radians(min(sheet.bend.angle_deg, 180.0)) / 2
    top = _nominal_radius_mm(sheet) * (1.0 - np.cos(half)) + LEG_MM * np.sin(half)
    u = float(np.hypot(top / np.sqrt(12.0), U_LEG_MM * np.sin(half) / 2))
    return Height(
        mm=float(top / 2),
        u_mm=max(u, 10.0),
        basis=f"not entered: anywhere from the bench to the crown of a bend standing on its legs, about {top:.0f} mm",
        cautions=(
            f"no surface height and no size of the specimen told how high the crown stands over the card: it may lie as low as "
            f"the bench, {top:.0f} mm below, so sizes are uncertain by a tenth or more; raise the card to the crown's height, "
            "or enter surface_height_mm",
        ),
    )


def _level(height: Height, pin: Pin) -> Height:
    """A known length that the specimen's own size shows to lie about as high as the crown: taken as level with it."""
    return Height(
        mm=0.0,
        u_mm=height.u_mm,
        basis=f"not entered; the {pin.source} shows the known length about as high as the crown",
        cautions=(
            f"no surface height was entered: by the {pin.source} the known length lies about as high as the crown, and "
            "was taken as level with it; enter surface_height_mm",
        ),
    )


def _said(height: Height, pin: Pin) -> str:
    where = (
        f"the crown stands about {height.mm:.0f} mm nearer to the lens than the card"
        if height.mm > 2.0
        else "the crown stands about as high as the card"
    )
    return (
        f"no surface height was entered: by the {pin.source} {where}, and the scale was set by that; "
        "the width is no longer a check. Raise the card to the crown's height, or enter surface_height_mm"
    )


def _doubts(pin: Pin) -> tuple[str, ...]:
    """What leaves the judgement open: nothing checks the scale any more, or width and radius contradict each other."""
    doubts = [f"the crown's height was not entered but told by the {pin.source}, so that nothing checks the scale"]
    apart = next((line for line in pin.terms if line.source == DISAGREEMENT), None)
    if apart is not None and apart.u > DISAGREE * combine(line for line in pin.terms if line is not apart):
        doubts.append(
            "the calliper width and the former with the thickness give sizes that contradict each other: one of the three "
            "is wrong, or the wrong edges were taken"
        )
    return tuple(doubts)


def _factor(bend: Bend, height: Height) -> float:
    """How much smaller the bend is at that height than where it was placed."""
    return float((bend.view.distance_mm - height.mm) / (bend.view.distance_mm - bend.height_mm))


def _at(scale: Scale, bend: Bend, height: Height, doubts: tuple[str, ...], *, told_by: str | None = None) -> tuple[Scale, Bend]:
    """Both with the crown at that height: the bend drawn in towards the lens, the scale's budget drawn up anew."""
    factor = _factor(bend, height)
    eye = bend.view.eye_mm[:2]
    evidence = dict(bend.evidence)
    if ends := evidence.get("side_edges_a_mm"):
        evidence["side_edges_a_mm"] = [round(factor * end, 4) for end in ends]
    moved = replace(
        bend,
        height_mm=height.mm,
        radius_mm=factor * bend.radius_mm,
        crown_mm=eye + factor * (np.asarray(bend.crown_mm, float) - eye),
        u_radius_mm=factor * bend.u_radius_mm,
        u_crown_mm=factor * bend.u_crown_mm,
        evidence=evidence,
    )
    better = with_height(scale, height, doubts, told_by=told_by)
    place = np.array(scale.reference_px if scale.reference_px is not None else moved.project(np.zeros((1, 2)))[0])
    return better.at(place), moved


def with_height(scale: Scale, height: Height, doubts: tuple[str, ...] = (), *, told_by: str | None = None) -> Scale:
    """The scale with the measured surface at another height, its budget drawn up anew; who told it and what leaves it open."""
    if scale.raised is not None:
        better = scale.raised(height)
    else:
        better = replace(scale, budget_at=_budgets(scale, height), cautions=_cautions(scale, height))
        better = replace(better, surface_height_mm=height.mm, surface_height_u_mm=height.u_mm)
    told = {} if told_by is None else {"height_from": told_by}
    doubts = (*(doubt for doubt in scale.evidence.get("doubts", ()) if doubt not in doubts), *doubts)
    kept = {
        name: scale.evidence[name] for name in ("focal_px", "lens_over_marker_mm", "distance_from") if name in scale.evidence
    }
    better = replace(
        better,
        view=scale.view,
        tilt_deg=scale.tilt_deg,
        evidence={**better.evidence, **kept, **told} | ({"doubts": list(doubts)} if doubts else {}),
    )
    return better


def _budgets(scale: Scale, height: Height) -> Callable[[np.ndarray], tuple[Term, ...]]:
    """Of a scale that cannot be raised: its own lines, with what tells the height in the place of the height."""

    def budget_at(point_px: np.ndarray) -> tuple[Term, ...]:
        lines = scale.budget_at(point_px) if scale.budget_at else scale.budget
        rest = tuple(line for line in lines if not line.source.startswith("height"))
        return (*rest, *(height.pin.terms if height.pin else (height_term(scale.view, point_px, height),)))

    return budget_at


def _cautions(scale: Scale, height: Height) -> tuple[str, ...]:
    return (*height.cautions, *(caution for caution in scale.cautions if not caution.startswith("no surface height")))
