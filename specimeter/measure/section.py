"""All sizes of a weld in a section from its outline and its weld metal, each with U and with what was drawn to measure it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from specimeter.measure.undercut import Undercut, measure_undercut
from specimeter.measure.weld_sizes import Drawn, beyond, butt, fillet, through_plate
from specimeter.photo import Photo
from specimeter.scale.model import Scale
from specimeter.scale.surface import Surface
from specimeter.segment.joint import find_butt, find_fillet
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.segment.plates import Run, fitted_again, resampled, runs
from specimeter.segment.polylines import area_mm2, corner
from specimeter.segment.section_features import unfused_roots
from specimeter.segment.section_reading import read_round
from specimeter.segment.sharpness import blur_of
from specimeter.segment.weld_face import Toe
from specimeter.segment.weld_metal import WeldMetal, look_for
from specimeter.sheet import Sheet

NEAR_PX = 2.0  # from an undercut's outline: what reaches so near is that undercut
K = 2.0  # coverage factor
STEP_PX = 0.7  # between points of the outline that is measured
TRIES = 6  # perturbed outlines from which the scatter of each size is had
CORRELATED_MM = 0.35  # how far along the outline its errors hang together: ground edges, blur, the picture's pixels
EDGE_PX = 0.4  # standard uncertainty of the outline's place, all of it alike: half-level against a broken edge (judgement)
NOTCH_EDGE_PX = 0.25  # the same of a notch's own edge, which is fitted as the lens blurred it
CORNER_PX = 0.5  # what a corner or a chord that is drawn from two plates, or two toes, is off at the best (from scenes)
ANGLE_U_DEG = 2.5  # of a toe angle, for the curve of the face within the stretch that it is taken from (judgement)
ROUNDED_MM = 0.1  # by which a line that is held smooth rounds the tip at the root (judgement)
SAME_WAY = 0.7  # share of the fusion line's error that is alike all along it (judgement)
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
MOST_U = {"mm": (0.4, 0.15), "deg": (15.0, 0.0), "mm2": (1.0, 0.2)}  # floor, share of the value: less sure is not given
LEAST_CONFIDENCE = 0.5  # of an outline found on its own, from which it is measured
UNSURE = "the outline of the cut is not sure: check it, and give it in the table [region]"
NO_ROOT = "the root side shows no weld between two toes: it is flush with the plates, or not seen"
NO_DILUTION = "the preparation is not known, so the share of parent metal in the weld metal is not either"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToeUndercut:
    """An undercut, at which toe it lies, and its outline in pixels, shape (N, 2), closed along the plate's surface."""

    toe: int
    undercut: Undercut
    outline_px: np.ndarray
    fitted_px: np.ndarray  # (M, 2): the notch as it was fitted


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
    cautions: tuple[str, ...] = ()
    evidence: dict = field(default_factory=dict)


def too_uncertain(name: str, value: float, U: float) -> str | None:
    """Why a size is not given though there is a number: its uncertainty makes it mean nothing. None if it may be given."""
    unit = name.rsplit("_", 1)[-1]
    floor, share = MOST_U[unit]
    if max(floor, share * abs(value)) >= U:
        return None
    said = {"mm": "mm", "deg": "\u00b0", "mm2": "mm\u00b2"}[unit]
    return f"it could be told to \u00b1 {U:.2g} {said} only"


def section_of(photo: Photo, sheet: Sheet, area: ExaminedArea, *, surface: Surface, scale: Scale) -> Section:
    """The section that a photograph shows within its examined area: weld metal looked for, all sizes measured."""
    if area.found_by == "auto" and area.confidence < LEAST_CONFIDENCE:
        return Section(sizes={}, missing=dict.fromkeys(NAMES[sheet.specimen.test], UNSURE), drawn={})
    px_mm = float(surface.mm_per_px_at(area.outline_px.mean(axis=0)))
    reading = read_round(photo.rgb, px_mm, area.outline_px)
    metal = look_for(reading, sheet, surface, area)
    found = measure_section(
        sheet.specimen.test,
        area,
        None if isinstance(metal, str) else metal,
        surface=surface,
        scale=scale,
        blur_px=blur_of(photo, area),
        thickness_mm=sheet.specimen.parent_thickness_mm,
        no_metal=metal if isinstance(metal, str) else "",
    )
    if sheet.specimen.test == "macro-butt":
        return replace(found, unfused=tuple(unfused_roots(photo, reading, area)))
    return found


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
        The parent plate's, which a butt weld's penetration does not exceed.
    """
    px_mm = float(surface.mm_per_px_at(area.outline_px.mean(axis=0)))
    outline = resampled(surface.develop(area.outline_px), STEP_PX * px_mm)
    weld = None if metal is None else surface.develop(metal.outline_px)
    haz_mm = None if metal is None or metal.haz_px is None else metal.haz_px * px_mm
    evaluate = _evaluator(test, thickness_mm, _rightwards(surface, outline.mean(axis=0)))
    plates = runs(outline)
    found = evaluate(outline, plates, weld)
    if found is None:
        return Section(sizes={}, missing=dict.fromkeys(NAMES[test], NO_JOINT), drawn={})
    drawn, toes, facts = found
    spread = _spread(evaluate, outline, plates, weld, drawn, px_mm)
    values: dict[str, float] = {}
    missing: dict[str, str] = {}

    def enter(name: str, value: float, u: float) -> None:
        U = K * float(u)
        if (why := too_uncertain(name, value, U)) is not None:
            missing[name] = why
        else:
            values[name], values[f"U_{name}"] = float(value), U

    for name, one in drawn.items():
        u = np.hypot(spread[name], _own_u(name, toes, px_mm, metal))
        power = {"deg": 0, "mm2": 2}.get(name.rsplit("_", 1)[-1], 1)
        enter(name, one.value, np.hypot(u, power * scale.u_rel * one.value))
    if haz_mm is not None:
        u_haz = max(metal.u_line_mm, metal.u_haz_px * px_mm)
        enter("haz_width_mm", haz_mm, np.hypot(u_haz, scale.u_rel * haz_mm))
    cuts = []
    for number, toe in enumerate(toes, start=1):
        one = None
        if toe.notch is not None:
            one = measure_undercut(
                toe.notch, toe.plate, blur_mm=blur_px * px_mm, px_mm=px_mm, u_edge_mm=NOTCH_EDGE_PX * px_mm, u_rel=scale.u_rel
            )
        if one is not None:
            cuts.append(
                ToeUndercut(
                    toe=number, undercut=one, outline_px=surface.project(toe.notch), fitted_px=surface.project(one.outline)
                )
            )
    missing |= {name: _why(name, no_metal, metal) for name in NAMES[test] if name not in values and name not in missing}
    lines = {name: tuple(surface.project(line) for line in one.lines) for name, one in drawn.items() if name in values}
    return Section(
        sizes=values,
        missing=missing,
        drawn=lines,
        undercuts=tuple(cuts),
        overlaps_px=tuple(surface.project(toe.lip) for toe in toes if toe.lip is not None),
        weld_px=None if metal is None else metal.outline_px,
        **facts,
    )


def _rightwards(surface: Surface, middle: np.ndarray) -> np.ndarray:
    """The direction in mm that leads to the right in the photograph, and the one that leads down, shape (2, 2)."""
    at = surface.project(middle + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    ways = np.linalg.inv(np.column_stack([at[1] - at[0], at[2] - at[0]]))
    return ways.T / np.hypot(*ways)[:, None]


def _evaluator(test: str, thickness_mm: float | None, photo_ways: np.ndarray) -> Callable:
    """A function of outline and weld metal in mm: the sizes drawn, the toes in the record's order, and what to say; or None.

    `photo_ways`: what leads right and down in the photograph, by which a butt's plates are numbered.
    """

    def of_fillet(outline: np.ndarray, plates: tuple[Run, ...], weld: np.ndarray | None):
        joint = find_fillet(outline, plates)
        if joint is None:
            return None
        toes = (joint.face.toes[joint.through], joint.face.toes[1 - joint.through])
        drawn = fillet(joint.face, joint.through)
        if weld is not None:
            root = corner(toes[0].plate, toes[1].plate)
            inward = np.sign((root - toes[0].point) @ toes[0].plate.direction) * toes[0].plate.direction
            drawn["penetration_mm"] = beyond(weld, root, inward)
            drawn["weld_area_mm2"] = Drawn(name="weld_area_mm2", value=area_mm2(weld), lines=(_ring(weld),))
        cautions = []
        if not joint.through_sure:
            cautions.append(
                "Which plate runs through is not seen in the outline: number 1 is on the one whose surface is seen farther."
            )
        if joint.others:
            cautions.append(f"The cut shows {joint.others} more fillet weld(s): the largest was measured.")
        return drawn, toes, {"cautions": tuple(cautions)}

    def of_butt(outline: np.ndarray, plates: tuple[Run, ...], weld: np.ndarray | None):
        joint = find_butt(outline, plates)
        if joint is None:
            return None
        right, down = (float(joint.across @ way) for way in photo_ways)
        across = joint.across * (1.0 if (right if abs(right) >= abs(down) else down) > 0 else -1.0)
        toes = tuple(sorted(joint.top.toes, key=lambda toe: float(toe.point @ across)))
        drawn = butt(joint.top, joint.bottom, across)
        if weld is not None:
            drawn["penetration_mm"] = through_plate(weld, [toe.plate for toe in toes], thickness_mm)
            drawn["weld_area_mm2"] = Drawn(name="weld_area_mm2", value=area_mm2(weld), lines=(_ring(weld),))
        return drawn, toes, {"cautions": ()}

    return of_fillet if test == "macro-fillet" else of_butt


def _spread(evaluate: Callable, outline, plates, weld, drawn: Mapping[str, Drawn], px_mm: float) -> dict[str, float]:
    """Standard uncertainty of each size from the outline: displaced alike all round, and perturbed along it."""
    rng = np.random.default_rng(0)
    normal = _normals(outline)
    sigma = _roughness(outline, normal, px_mm)
    moved = [outline + EDGE_PX * px_mm * normal, outline - EDGE_PX * px_mm * normal]
    step = float(np.median(np.hypot(*np.diff(outline, axis=0).T)))
    tried = [outline + sigma * _smooth(rng, len(outline), CORRELATED_MM / step)[:, None] * normal for _ in range(TRIES)]
    off: dict[str, list[list[float]]] = {name: [[], []] for name in drawn}
    for k, group in enumerate((moved, tried)):
        for one in group:
            again = evaluate(one, fitted_again(one, plates), weld)
            for name in drawn:
                if again is not None and name in again[0]:
                    off[name][k].append(again[0][name].value - drawn[name].value)
    result = {}
    for name, (displaced, scattered) in off.items():
        lost = 2 + TRIES - len(displaced) - len(scattered)  # a size that goes missing when the outline moves a little is unsure
        u = np.hypot(_middle(displaced), _middle(scattered))
        result[name] = float(u) * (1 + lost)
    return result


def _middle(differences: list[float]) -> float:
    """Root mean square of differences, one far out apart from the rest weighing no more than three times their median."""
    if not differences:
        return 0.0
    size = np.abs(differences)
    return float(np.sqrt(np.mean(np.minimum(size, max(6 * float(np.median(size)), 1e-9)) ** 2)))


def _own_u(name: str, toes: tuple[Toe, ...], px_mm: float, metal: WeldMetal | None) -> float:
    """What the definition itself leaves open: how well a toe can be placed on a plate that the face leaves gently."""
    floor = 0.1 * px_mm

    def place(toe: Toe) -> float:
        turn = np.radians(np.clip(180.0 - toe.angle_deg - ANGLE_U_DEG, 2.0, 90.0))  # it may be as gentle as that
        return float(np.hypot(floor, np.hypot(0.5 * toe.plate.scatter_mm, EDGE_PX * px_mm) / np.tan(turn / 2 + 0.02)))

    if name.startswith("toe_angle"):
        toe = toes[int(name[10]) - 1]
        return float(np.hypot(ANGLE_U_DEG, np.degrees(np.hypot(toe.plate.u_angle_rad, 0.2 * px_mm))))
    if name.startswith("leg"):
        return place(toes[int(name[4]) - 1])
    if name == "weld_width_mm":
        return float(np.hypot(place(toes[0]), place(toes[1])))
    if name == "misalignment_mm":
        ends = [np.hypot(t.plate.u_offset_mm, t.plate.u_angle_rad * abs(float(t.plate.along(t.point[None])[0]))) for t in toes]
        return float(np.hypot(floor, np.hypot(*ends)))
    if name == "penetration_mm":
        return float(np.hypot(1.5 * metal.u_line_mm, np.hypot(ROUNDED_MM, 0.5 * px_mm)))
    if name == "weld_area_mm2":
        return SAME_WAY * metal.u_line_mm * metal.line_mm
    return CORNER_PX * px_mm


def _why(name: str, no_metal: str, metal: WeldMetal | None) -> str:
    if name == "dilution":
        return NO_DILUTION
    if name == "root_excess_mm":
        return NO_ROOT
    if name == "haz_width_mm" and metal is not None:
        return "the heat-affected zone does not stand out from the plate"
    return no_metal


def _ring(points: np.ndarray) -> np.ndarray:
    return np.concatenate([points, points[:1]])


def _normals(outline: np.ndarray) -> np.ndarray:
    way = np.roll(outline, -2, axis=0) - np.roll(outline, 2, axis=0)
    way /= np.maximum(np.hypot(*way.T), 1e-12)[:, None]
    return np.column_stack([-way[:, 1], way[:, 0]])


def _roughness(outline: np.ndarray, normal: np.ndarray, px_mm: float) -> float:
    """Robust scatter of the outline about its own course, in mm; at least a tenth of a pixel."""
    count = 9
    padded = np.concatenate([outline[-count:], outline, outline[:count]])
    kernel = np.ones(2 * count + 1) / (2 * count + 1)
    soft = np.column_stack([np.convolve(column, kernel, "valid") for column in padded.T])
    off = np.sum((outline - soft) * normal, axis=1)
    return float(np.clip(1.4826 * np.median(np.abs(off)), 0.1 * px_mm, 0.6 * px_mm))


def _smooth(rng: np.random.Generator, count: int, sigma: float) -> np.ndarray:
    """Noise of unit r.m.s. round a closed line, correlated over `sigma` points."""
    frequency = np.fft.rfftfreq(count)
    spectrum = np.fft.rfft(rng.standard_normal(count)) * np.exp(-2 * (np.pi * frequency * max(sigma, 0.5) / 2) ** 2)
    values = np.fft.irfft(spectrum, count)
    return values / max(float(values.std()), 1e-12)
