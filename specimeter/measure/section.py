"""All sizes of a weld in a section from its outline and its weld metal, each with U and with what was drawn to measure it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from specimeter.measure.section_draw import evaluator
from specimeter.measure.section_spread import EDGE_PX, own_u, spread_of, spread_of_metal, u_edge, u_toe, u_unclear
from specimeter.measure.sure_enough import too_uncertain
from specimeter.measure.undercut import Undercut, measure_undercut
from specimeter.photo import Photo
from specimeter.scale.model import Scale
from specimeter.scale.surface import Surface
from specimeter.segment.contour import uncrossed
from specimeter.segment.faying_line import Faying, find_gap
from specimeter.segment.fusion_line import Read
from specimeter.segment.joint import find_butt, find_fillet
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.segment.plates import Run, resampled, runs
from specimeter.segment.root_line import unfused_root
from specimeter.segment.section_outline import doubled, unclear
from specimeter.segment.section_reading import read_steady, within
from specimeter.segment.sharpness import blur_of
from specimeter.segment.weld_face import Toe
from specimeter.segment.weld_metal import WeldMetal, drawn_metal, look_for, with_zone, zone_fault
from specimeter.sheet import Sheet

NEAR_PX = 2.0  # from an undercut's outline: what reaches so near is that undercut
K = 2.0  # coverage factor
STEP_PX = 0.7  # between points of the outline that is measured
NOTCH_EDGE_PX = 0.25  # the same of a notch's own edge, which is fitted as the lens blurred it
NAMES = {
    "macro-fillet": (
        "leg_1_mm", "leg_2_mm", "throat_mm", "theoretical_throat_mm", "convexity_mm", "penetration_mm",
        "toe_angle_1_deg", "toe_angle_2_deg", "weld_area_mm2", "haz_width_mm", "dilution",
    ),
    "macro-butt": (
        "weld_width_mm", "excess_weld_mm", "root_excess_mm", "misalignment_mm", "penetration_mm",
        "toe_angle_1_deg", "toe_angle_2_deg", "weld_area_mm2", "haz_width_mm", "dilution",
    ),
}  # fmt: skip
NO_JOINT = "no weld was found between two plate surfaces in the outline"
OPPOSITE_MM, THICK_SHARE = 3.0, 0.025  # over which two surfaces lie opposite each other; share of a thickness that may be off
THICKNESS = "No plate is as thick in the photograph as the sheet says: check its thickness, the surface's height and the scale."
INWARDS_MM = 3.0  # from a toe, beneath the weld, along its plate's surface: so far a lip may hang over
LEAST_CONFIDENCE = 0.5  # of an outline found on its own, from which it is measured
UNSURE = "the outline of the cut is not sure: check it, and give it in the table [region]"
BLUNT = "the weld metal ends at the plate in a blunt edge, which may hang over it: the toe may lie farther in"
BLUNT_AT = "At toe {} the weld metal ends in a blunt edge: an overlap may hide there, its gap too thin to be seen. Look closer."
NOT_DRAWN = "the points that were clicked round the weld metal enclose nothing of the cut, or all of it"
NO_ROOT = "the root side shows no weld between two toes: it is flush with the plates, or not seen"
OF_SIDE = ("weld_width_mm", "excess_weld_mm", "root_excess_mm", "toe_angle_1_deg", "toe_angle_2_deg")
NO_SIDE = "either side may be the weld's face: as far as their toes can be placed, both are as wide"
SIDE = "Either side may be the weld's face: one was taken, and its sizes are as unsure as those of the other differ."
# of the plate's thickness: a bead so narrow, and none on the other side, may be the root of a weld whose face is flush. A face
# over a groove of 60 degrees is wider than the plate is thick (common practice, no source)
NARROW = 0.75
MAY_BE_ROOT = "the one bead that shows is narrower than the plate is thick: it may be the root, and the weld's face flush"
ROOT = "The one bead that shows is narrower than the plate is thick: it may be the root, and the weld's face flush."
SUNK = "the weld's face seems to run into the plate there: its toe is not where it was taken to be"
SUNK_AT = (
    "At toe {} the weld's face goes down below the plate before it rises: an undercut may be there, or the cut's edge was "
    "taken wrongly. Look closer."
)
NO_DILUTION = "the share of parent metal is measured on fillets whose plates were not bevelled: [weld] bevel_deg = 0"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToeUndercut:
    """An undercut, at which toe it lies, and its outline in pixels, shape (N, 2), closed along the plate's surface."""

    toe: int
    undercut: Undercut
    outline_px: np.ndarray
    fitted_px: np.ndarray  # (M, 2): the notch as it was fitted
    missing: dict[str, str] = field(default_factory=dict)  # what of it is too unsure to be given, and why


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Section:
    """What a section gave: `sizes` by name with their U beside them (k = 2), reasons for those missing, and the drawings.

    `drawn`: a size's name -> lines in pixels, the dimension itself first.
    """

    sizes: dict[str, float]
    missing: dict[str, str]
    drawn: dict[str, tuple[np.ndarray, ...]]
    undercuts: tuple[ToeUndercut, ...] = ()
    overlaps_px: tuple[np.ndarray, ...] = ()  # closed polygons: weld metal that hangs over a plate
    unfused: tuple[Outline, ...] = ()  # at a butt weld's root
    weld_px: np.ndarray | None = None
    weld_drawn_px: np.ndarray | None = None  # the points that a person clicked round the weld metal,
    zone_drawn_px: np.ndarray | None = None  # and on the border of the heat-affected zone
    root_px: np.ndarray | None = None  # (2, 2): a fillet's faying line, from the plates' corner on, as far as it is fused
    toes_px: tuple[np.ndarray, ...] = ()  # each (2, 2): a toe, and a point further in on its plate's surface, beneath the weld
    cautions: tuple[str, ...] = ()
    evidence: dict = field(default_factory=dict)


def section_of(
    photo: Photo,
    sheet: Sheet,
    area: ExaminedArea,
    *,
    surface: Surface,
    scale: Scale,
    weld_px: np.ndarray | None = None,
    zone_px: np.ndarray | None = None,
) -> Section:
    """The section that a photograph shows within its examined area: weld metal looked for, all sizes measured.

    `weld_px`: points (N, 2) that a person clicked round the weld metal, which then is what lies within them; `zone_px`: on the
    outer border of the heat-affected zone, which then is as wide as these lie from the fusion line; if they cannot be on it,
    the width is missing and says why.
    """
    px_mm = float(surface.mm_per_px_at(area.outline_px.mean(axis=0)))
    reading = within(read_steady(photo.rgb, px_mm, area.outline_px), area.outline_px)
    read, unfused = Read(reading=reading, surface=surface), []
    outline = resampled(surface.develop(area.outline_px), STEP_PX * px_mm)
    if sheet.specimen.test == "macro-butt":
        butt = find_butt(outline)
        root = None if butt is None else unfused_root(read, butt, outline)
        gap, unfused = (None, []) if root is None else (root.gap, [root.outline(read)])
    else:
        joint = find_fillet(outline)
        gap = None if joint is None else find_gap(read, joint)
    if area.found_by == "auto" and area.confidence < LEAST_CONFIDENCE:  # proposed, as all features are, but not measured
        why = dict.fromkeys(NAMES[sheet.specimen.test], area.not_to_scale or UNSURE)
        return Section(sizes={}, missing=why, drawn={}, unfused=tuple(unfused))
    metal = look_for(reading, sheet, surface, area)
    if weld_px is not None:
        metal = drawn_metal(weld_px, metal, surface, area) or NOT_DRAWN
    no_zone = None
    if zone_px is not None and isinstance(metal, WeldMetal):
        no_zone = zone_fault(metal, zone_px, surface, area)
        metal = with_zone(metal, zone_px, surface) if no_zone is None else replace(metal, haz_mm=None)
    if gap is not None and weld_px is not None:
        gap = replace(gap, tip=None)
    found = measure_section(
        sheet.specimen.test,
        area,
        None if isinstance(metal, str) else metal,
        surface=surface,
        scale=scale,
        blur_px=blur_of(photo, area),
        thickness_mm=sheet.specimen.parent_thickness_mm,
        no_metal=metal if isinstance(metal, str) else "",
        gap=gap,
        unclear_px=unclear(photo, area.outline_px),
        doubled_px=doubled(photo, area.outline_px, px_mm),
        square=sheet.weld is not None and sheet.weld.bevel_deg == 0,
    )
    missing = found.missing if no_zone is None else {**found.missing, "haz_width_mm": no_zone}
    return replace(found, missing=missing, weld_drawn_px=weld_px, zone_drawn_px=zone_px, unfused=tuple(unfused))


def toe_outlines(section: Section) -> list[Outline]:
    """A section's undercuts, overlaps and unfused roots as outlines to be measured and judged among the features."""
    undercuts = [
        Outline(
            outline_px=one.outline_px,
            kind="undercut",
            u_edge_px=2 * EDGE_PX,
            depth_mm=one.undercut.depth_mm,
            U_depth_mm=K * one.undercut.u_depth_mm,
        )
        for one in section.undercuts
    ]
    overlaps = [Outline(outline_px=one, kind="overlap", u_edge_px=2 * EDGE_PX) for one in section.overlaps_px]
    return [*undercuts, *overlaps, *section.unfused]


def apart(outlines: Sequence[Outline], undercuts: Sequence[Outline]) -> list[Outline]:
    """The outlines that are not an undercut seen once more: none that reaches into one."""
    notches = [np.asarray(one.outline_px, np.float32).reshape(-1, 1, 2) for one in undercuts]

    def meets(outline: Outline) -> bool:
        return any(
            cv2.pointPolygonTest(notch, (float(x), float(y)), True) > -NEAR_PX
            for notch in notches
            for x, y in outline.outline_px
        )

    return [outline for outline in outlines if not meets(outline)]


def measure_section(
    test: str,
    area: ExaminedArea,
    metal: WeldMetal | None,
    *,
    surface: Surface,
    scale: Scale,
    blur_px: float,
    thickness_mm: float | None = None,
    no_metal: str = "the cut shows no weld metal",
    gap: Faying | None = None,
    unclear_px: np.ndarray | None = None,
    doubled_px: tuple[np.ndarray, np.ndarray] | None = None,
    square: bool = False,
) -> Section:
    """Every size of design section 7 that the outline and the etched weld metal give.

    Parameters
    ----------
    test : str
        ``"macro-fillet"`` or ``"macro-butt"``.
    area : ExaminedArea
        Its outline is the metal's.
    metal : WeldMetal or None
        Weld metal and heat-affected zone in pixels; None where they are not seen, for the reason `no_metal`.
    blur_px : float
        Standard deviation of the picture's blur.
    thickness_mm : float, optional
        The parent plate's, which a butt weld's penetration does not exceed. Without it, how narrow a bead is on a plate so
        thick is told by the plates' own surfaces, where both show.
    gap : Faying, optional
        Where the plates are seen not to be fused.
    unclear_px : array, shape (N, 2), optional
        Places along the outline where the photograph shows no clear edge.
    doubled_px : tuple of arrays, shapes (M, 2) and (M,), optional
        Places along it where a further edge runs inside, and how far in.
    square : bool
        Whether a fillet's plates are known not to have been bevelled: then the share of parent metal can be told.
    """
    px_mm = float(surface.mm_per_px_at(area.outline_px.mean(axis=0)))
    outline = resampled(surface.develop(area.outline_px), STEP_PX * px_mm)
    weld = None if metal is None else surface.develop(metal.outline_px)
    evaluate = evaluator(test, thickness_mm, _rightwards(surface, outline.mean(axis=0)), gap, square=square)
    plates = runs(outline)
    u_edge_mm = u_edge(px_mm, area.confidence)
    hidden = np.zeros((0, 2)) if unclear_px is None or not len(unclear_px) else surface.develop(unclear_px)
    found = evaluate(outline, plates, weld)
    if found is None:
        return Section(sizes={}, missing=dict.fromkeys(NAMES[test], NO_JOINT), drawn={})
    drawn, toes, facts = found
    gap = gap if facts["told"] else None
    off = thickness_off(toes, plates, thickness_mm, scale.u_rel) if test == "macro-butt" else 0.0
    u_rel = float(np.hypot(scale.u_rel, off))
    doubled = None if doubled_px is None or not len(doubled_px[0]) else (surface.develop(doubled_px[0]), doubled_px[1] * px_mm)
    spread = spread_of(
        evaluate, outline, plates, weld, drawn, px_mm=px_mm, u_edge_mm=u_edge_mm, unclear_mm=hidden, doubled_mm=doubled
    )
    if metal is not None:
        spread |= spread_of_metal(evaluate, outline, plates, [surface.develop(one) for one in metal.tried_px], spread)
    values: dict[str, float] = {}
    missing: dict[str, str] = {}

    blunt = [number for number, toe in enumerate(toes, start=1) if toe.blunt_mm]
    sunk = [number for number, toe in enumerate(toes, start=1) if toe.sunk]

    thick = min(thicknesses(toes, plates), default=0.0) if thickness_mm is None else thickness_mm
    narrow = facts["alone"] and drawn["weld_width_mm"].value < NARROW * thick
    either = len(facts["below"]) == 2 and not surely_wider(toes, facts["below"], px_mm, u_edge_mm)

    def enter(name: str, value: float, u: float) -> None:
        if (test == "macro-fillet" and name.startswith("toe_angle") and value > 180) or _hangs_on(name, sunk):
            missing[name] = SUNK
            return
        if narrow and name in OF_SIDE:
            missing[name] = MAY_BE_ROOT
            return
        turned = abs(value - facts["turned"][name]) / K if either and name in OF_SIDE else 0.0
        U = K * float(np.hypot(u, turned))
        if (why := too_uncertain(name, value, U)) is not None:
            of_side = turned and too_uncertain(name, value, K * float(u)) is None
            missing[name] = BLUNT if _hangs_on(name, blunt) else NO_SIDE if of_side else why
        else:
            values[name], values[f"U_{name}"] = float(value), U

    for name, one in drawn.items():
        other = drawn.get(name.replace("_1_", "_3_").replace("_2_", "_1_").replace("_3_", "_2_"))
        swapped = 0.0 if facts["numbered"] or other is None else abs(one.value - other.value) / K  # it may be the other's
        u = swapped + np.hypot(
            spread[name], own_u(name, toes, metal, gap, px_mm=px_mm, u_edge_mm=u_edge_mm, through=facts["through"])
        )
        if name == "dilution":  # its weld metal may be the plates' by as much as its area is unsure
            area_u = own_u("weld_area_mm2", toes, metal, gap, px_mm=px_mm, u_edge_mm=u_edge_mm)
            u = np.hypot(spread[name], (1 - one.value) * area_u / drawn["weld_area_mm2"].value)
        power = {"deg": 0, "mm2": 2, "dilution": 0}.get(name.rsplit("_", 1)[-1], 1)
        enter(name, one.value, np.hypot(u, power * u_rel * one.value))
    if metal is not None and metal.haz_mm is not None:
        enter("haz_width_mm", metal.haz_mm, np.hypot(np.hypot(metal.u_alike_mm, metal.u_haz_mm), u_rel * metal.haz_mm))
    cuts = []
    for number, toe in enumerate(toes, start=1):
        if toe.notch is None:
            continue
        hazy, edge = u_unclear(toe.notch, hidden, px_mm=px_mm), NOTCH_EDGE_PX * px_mm
        cut = measure_undercut(
            toe.notch, toe.plate, blur_mm=blur_px * px_mm, px_mm=px_mm, u_edge_mm=edge, u_rel=u_rel, off_mm=hazy
        )
        if cut is not None:
            seen, fitted = surface.project(uncrossed(toe.notch)), surface.project(cut.outline)
            why = too_uncertain("opening_angle_deg", cut.opening_angle_deg, K * cut.u_opening_angle_deg)
            lacking = {} if why is None else {"opening_angle_deg": why}
            cuts.append(ToeUndercut(toe=number, undercut=cut, outline_px=seen, fitted_px=fitted, missing=lacking))
    if facts["untold"] and "penetration_mm" not in values:
        missing["penetration_mm"] = facts["untold"]
    missing |= {name: _why(name, no_metal, metal) for name in NAMES[test] if name not in values and name not in missing}
    lines = {name: tuple(surface.project(line) for line in one.lines) for name, one in drawn.items() if name in values}
    if metal is not None and "haz_width_mm" in values:
        lines["haz_width_mm"] = metal.haz_drawn_px
    return Section(
        sizes=values,
        missing=missing,
        drawn=lines,
        undercuts=tuple(cuts),
        overlaps_px=tuple(surface.project(toe.lip) for toe in toes if toe.lip is not None),
        weld_px=None if metal is None else metal.outline_px,
        root_px=None if facts["root"] is None else surface.project(facts["root"]),
        toes_px=tuple(surface.project(_inwards(toe, other)) for toe, other in (toes, toes[::-1])),
        cautions=(
            *facts["cautions"],
            *((THICKNESS,) if off else ()),
            *((SIDE,) if either else ()),
            *((ROOT,) if narrow else ()),
            *(BLUNT_AT.format(number) for number in blunt),
            *(SUNK_AT.format(number) for number in sunk),
        ),
    )


def hidden(cautions: Sequence[str]) -> tuple[str, ...]:
    """Those of a section's cautions by which an undercut may be there that was not measured."""
    return tuple(caution for caution in cautions if caution in [SUNK_AT.format(number) for number in (1, 2)])


def thickness_off(toes: Sequence[Toe], plates: Sequence[Run], thickness_mm: float | None, u_rel: float) -> float:
    """By how much, as a logarithm, no plate of a butt weld is as thick in the photograph as the sheet says; 0 if one is.

    What the scale's uncertainty explains is 0.
    """
    if thickness_mm is None:
        return 0.0
    off = min((abs(float(np.log(thick / thickness_mm))) for thick in thicknesses(toes, plates)), default=0.0)
    return off if off > K * np.hypot(u_rel, THICK_SHARE) else 0.0


def thicknesses(toes: Sequence[Toe], plates: Sequence[Run]) -> list[float]:
    """Thicknesses in mm of a butt weld's plates, each from its own two surfaces where one is seen opposite the other."""
    found = []
    for toe in toes:
        for run in plates:
            beside = abs(float(toe.plate.along(run.point[None])[0])) < (toe.plate.length_mm + run.length_mm) / 2 - OPPOSITE_MM
            thick = -float(toe.plate.height(run.point[None])[0])
            if run.normal @ toe.plate.normal < -0.98 and beside and thick > 0:
                found.append(thick)
    return found


def surely_wider(toes: Sequence[Toe], others: Sequence[Toe], px_mm: float, u_edge_mm: float) -> bool:
    """Whether one pair of toes lies surely farther apart than another."""
    wide = [float(np.hypot(*(one.point - two.point))) for one, two in (toes, others)]
    u = np.sqrt(sum(u_toe(toe, px_mm=px_mm, u_edge_mm=u_edge_mm) ** 2 for toe in (*toes, *others)))
    return wide[0] - wide[1] > K * float(u)


def _inwards(toe: Toe, other: Toe) -> np.ndarray:
    """A toe and a point further in on its plate's line, (2, 2)."""
    way = np.sign((other.point - toe.point) @ toe.plate.direction) * toe.plate.direction
    return np.array([toe.point, toe.point + INWARDS_MM * way])


def _hangs_on(name: str, toes: Sequence[int]) -> bool:
    """Whether a size is taken from one of these toes, numbered from 1."""
    return (name == "weld_width_mm" and len(toes) > 0) or any(f"_{number}_" in name for number in toes)


def _rightwards(surface: Surface, middle: np.ndarray) -> np.ndarray:
    """The direction in mm that leads to the right in the photograph, and the one that leads down, shape (2, 2)."""
    at = surface.project(middle + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    ways = np.linalg.inv(np.column_stack([at[1] - at[0], at[2] - at[0]]))
    return ways.T / np.hypot(*ways)[:, None]


def _why(name: str, no_metal: str, metal: WeldMetal | None) -> str:
    if name == "dilution" and metal is not None:
        return NO_DILUTION
    if name == "root_excess_mm":
        return NO_ROOT
    if name == "haz_width_mm" and metal is not None:
        return "the heat-affected zone does not stand out from the plate"
    return no_metal
