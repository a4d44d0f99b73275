"""Weld metal and heat-affected zone on an etched cut, from what a network reads there."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import scipy

from specimeter.scale.surface import Surface
from specimeter.segment.fusion_line import (
    DRAWN,
    PLATE,
    WELD,
    Line,
    Read,
    fan,
    find_line,
    ring,
    rows,
    stands_out,
    toned,
    u_alike_mm,
)
from specimeter.segment.heat_zone import find_zone
from specimeter.segment.joint import Butt, Fillet, find_butt, find_fillet
from specimeter.segment.model import ExaminedArea
from specimeter.segment.plates import resampled
from specimeter.segment.polylines import nearest
from specimeter.segment.section_reading import Reading
from specimeter.sheet import Sheet

SHOWN = 0.5  # chance that the etching shows a place, from which it counts as shown
LEAST_SHOWN = {True: 0.25, False: 0.5}  # of the metal about the weld, where the sheet names an etchant or not
LEAST_CONTRAST = 0.2  # chance of weld metal within the line less that beyond it, below which it is a guess
SURE_MM, LEAST_SURE = 0.5, 0.35  # standard uncertainty below which a place of the line is sure, and the share that is at least
CLICK_PX = 1.0  # standard uncertainty of a hand's click, along x and along y (judgement)
BOWED = 0.02  # of the distance between two clicks: how far the line may bow out between them (judgement)
U_DRAWN_MM = 0.05  # of a hand's idea of where a fusion line runs, all along it (judgement)
WIDEST_DRAWN_MM = 8.0  # as far from the fusion line as a zone's border may be clicked: arc welds' are narrower (judgement)
BEYOND_MM, OTHERS = 1.5, 1.5  # from the weld, and chords of a further one: beyond lies plate alone
FINER, LEAST_POINTS = 4, 12  # parts of a pixel to which a drawn line is cut at the metal's outline; of the least piece
NO_JOINT = "no weld was found between two plate surfaces in the outline"
NO_ETCHANT = "the sheet names no etchant, and weld metal shows on an etched cut only"
UNETCHED = "weld metal does not stand out from the plates in tone or texture: the cut is not etched, or too weakly"
UNCLEAR = "the fusion line is seen along a part of its course only"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeldMetal:
    """Weld metal in pixels of the photograph.

    Parameters
    ----------
    outline_px : array, shape (N, 2)
        Closed polygon: the weld's face and its fusion line.
    tried_px : tuple of arrays (N, 2)
        The same with other fusion lines, each drawn as likely as it is.
    haz_mm, u_haz_mm : float or None, float
        Width of the heat-affected zone square to the fusion line, and its standard uncertainty; `haz_drawn_px`: lines that show
        it, of the width first and then of the zone's border.
    line_px, u_line_mm : array (M, 2), array (M,)
        Points of the fusion line, and the standard uncertainty of each one's place across it; `line_mm`: its length.
    u_alike_mm : float
        Standard uncertainty of the whole line's place inwards or outwards, the mean along it.
    drawn : bool
        Whether a person drew the line.
    """

    outline_px: np.ndarray
    tried_px: tuple[np.ndarray, ...]
    haz_mm: float | None
    u_haz_mm: float
    line_px: np.ndarray
    u_line_mm: np.ndarray
    line_mm: float
    u_alike_mm: float
    drawn: bool = False
    haz_drawn_px: tuple[np.ndarray, ...] = ()

    @property
    def share(self) -> float:
        """Share of the line whose place is sure."""
        return float(np.mean(self.u_line_mm < SURE_MM))


def look_for(reading: Reading, sheet: Sheet, surface: Surface, area: ExaminedArea) -> WeldMetal | str:
    """The weld metal of the joint that the area's outline shows, or in words why it is not had; `reading` of the area.

    A sheet that tells how the section was prepared and names no etchant says that it was not etched.
    """
    test, prepared = sheet.specimen.test, sheet.section
    if prepared is not None and prepared.etchant is None:
        return NO_ETCHANT
    px_mm = float(surface.mm_per_px_at(area.outline_px.mean(axis=0)))
    outline = resampled(surface.develop(area.outline_px), 0.7 * px_mm)
    joint = (find_fillet if test == "macro-fillet" else find_butt)(outline)
    if joint is None:
        return NO_JOINT
    read = Read(reading=reading, surface=surface)
    bundles = fan(joint) if isinstance(joint, Fillet) else rows(joint, outline)
    lines = [find_line(read, rays) for rays in bundles]
    confused = _confused(read, joint, lines)
    if confused > 0:
        lines = [find_line(read, rays, confused) for rays in bundles]
    tone = toned(read, lines)
    lines = [find_line(read, rays, confused, tone) for rays in bundles]
    if _shown(read, lines) < LEAST_SHOWN[prepared is not None]:
        return UNETCHED
    shown = np.concatenate([stands_out(read, line) for line in lines])
    if shown.mean() < LEAST_CONTRAST:
        return UNETCHED
    alike = u_alike_mm(confused, shown)
    zone = find_zone(read, lines)
    metal = WeldMetal(
        outline_px=surface.project(ring(joint, [line.points for line in lines])),
        tried_px=tuple(
            surface.project(ring(joint, [line.rays.at(line.tried[k]) for line in lines])) for k in range(len(lines[0].tried))
        ),
        haz_mm=None if zone is None else zone.width_mm,
        u_haz_mm=0.0 if zone is None else zone.u_mm,
        haz_drawn_px=() if zone is None else tuple(surface.project(line) for line in zone.drawn),
        line_px=surface.project(np.concatenate([line.points for line in lines])),
        u_line_mm=np.hypot(np.concatenate([line.u_mm for line in lines]), alike),
        line_mm=float(sum(np.sum(np.hypot(*np.diff(line.points, axis=0).T)) for line in lines)),
        u_alike_mm=float(alike.mean()),
    )
    return metal if metal.share >= LEAST_SURE else UNCLEAR


def _confused(read: Read, joint: Fillet | Butt, lines: list[Line]) -> float:
    """Share of the plates, well away from all welds and where the etching shows what it is, that is taken for weld metal."""
    reading = read.reading
    cell_mm = float(read.surface.mm_per_px_at(reading.to_photograph([[0, 0]])[0])) / reading.zoom
    weld = np.zeros(reading.seen.shape, np.uint8)

    def fill(outline_mm: np.ndarray, round_mm: float) -> None:
        cells = np.round(reading.from_photograph(read.surface.project(outline_mm)) * 16).astype(np.int32).reshape(-1, 1, 2)
        cv2.fillPoly(weld, [cells], 1, shift=4)
        cv2.polylines(weld, [cells], True, 1, max(round(2 * round_mm / cell_mm), 1), cv2.LINE_8, 4)

    fill(ring(joint, [line.points for line in lines]), BEYOND_MM)
    for other in getattr(joint, "others", ()):
        chord = float(np.hypot(*(other.toes[0].point - other.toes[1].point)))
        fill(other.points, OTHERS * chord)
    plate = (weld == 0) & (reading.metal > 0.5) & (reading.seen > SHOWN)
    wrong = plate & (reading.tissue[WELD] > reading.tissue[PLATE])
    return float(wrong.sum() / max(plate.sum(), 1))


def drawn_metal(points_px: np.ndarray, found: WeldMetal | str, surface: Surface, area: ExaminedArea) -> WeldMetal | None:
    """Weld metal within a person's points, (N, 2) in pixels, clicked round it, and the metal's outline; None if they part none.

    Beyond the metal's outline the points may lie anywhere in the air. The heat-affected zone is that of the weld metal `found`.
    """
    points = np.asarray(points_px, float).reshape(-1, 2)
    outline = _common(points, area.outline_px)
    if outline is None:
        return None
    gaps = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
    u_px = np.hypot(CLICK_PX, BOWED * (gaps + np.roll(gaps, 1)) / 2)
    rng = np.random.default_rng(0)
    moved = (points + u_px[:, None] * rng.standard_normal(points.shape) for _ in range(DRAWN))
    tried = tuple(one for other in moved if (one := _common(other, area.outline_px)) is not None)
    line = np.array([nearest(point, _closed(points)) for point in outline])
    inner = outline[np.hypot(*(outline - line).T) < CLICK_PX]  # the part of it that was drawn
    if len(inner) < LEAST_POINTS:  # all of the cut lies within the points
        return None
    mm = float(surface.mm_per_px_at(outline.mean(axis=0)))
    seen = found if isinstance(found, WeldMetal) else None
    return WeldMetal(
        outline_px=outline,
        tried_px=tried,
        haz_mm=None if seen is None else seen.haz_mm,
        u_haz_mm=0.0 if seen is None else seen.u_haz_mm,
        haz_drawn_px=() if seen is None else seen.haz_drawn_px,
        line_px=inner,
        u_line_mm=np.full(len(inner), float(np.mean(u_px)) * mm),
        line_mm=len(inner) * mm / FINER,
        u_alike_mm=U_DRAWN_MM,
        drawn=True,
    )


def zone_fault(metal: WeldMetal, border_px: np.ndarray, surface: Surface, area: ExaminedArea) -> str | None:
    """Why points (N, 2) in pixels cannot lie on the outer border of this weld metal's heat-affected zone; None: they can.

    Each lies on the cut, to within three standard uncertainties of a click, outside the weld metal, and not far from its line.
    """
    rings = [np.asarray(ring_px, np.float32).reshape(-1, 1, 2) for ring_px in (area.outline_px, metal.outline_px)]
    away, _ = scipy.spatial.KDTree(surface.develop(metal.line_px)).query(surface.develop(border_px))
    for number, ((x, y), far) in enumerate(zip(np.asarray(border_px, float), away, strict=True), start=1):
        cut, weld = (cv2.pointPolygonTest(ring_px, (float(x), float(y)), True) for ring_px in rings)
        if cut < -3 * CLICK_PX:
            return f"point {number} of the zone's border, {x:.0f},{y:.0f}, lies beside the cut"
        if weld > -CLICK_PX:
            return f"point {number} of the zone's border, {x:.0f},{y:.0f}, lies in the weld metal or at its border"
        if far > WIDEST_DRAWN_MM:
            return (
                f"point {number} of the zone's border, {x:.0f},{y:.0f}, lies {far:.1f} mm from the fusion line, "
                "and no zone is taken to be as wide as that"
            )
    return None


def with_zone(metal: WeldMetal, border_px: np.ndarray, surface: Surface) -> WeldMetal:
    """The same with a heat-affected zone as wide as a person's points (N, 2) in pixels on its outer border lie from the line.

    `zone_fault` found nothing against them. The width is the mean of their distances to the fusion line. Its standard
    uncertainty is that of a mean of N (GUM 4.2.3), of the clicks, and of a hand's idea of where the border runs; the fusion
    line's own comes on top wherever it is measured.
    """
    border, line = surface.develop(border_px), surface.develop(metal.line_px)
    away, foot = scipy.spatial.KDTree(line).query(border)
    click_mm = CLICK_PX * float(surface.mm_per_px_at(np.mean(border_px, axis=0)))
    u_mean = np.hypot(float(np.std(away, ddof=1)), click_mm) / np.sqrt(len(away))
    middle = len(away) // 2
    across = np.array([metal.line_px[foot[middle]], border_px[middle]])
    return replace(
        metal,
        haz_mm=float(away.mean()),
        u_haz_mm=float(np.hypot(u_mean, U_DRAWN_MM)),
        haz_drawn_px=(across, np.asarray(border_px, float)),
    )


def _common(one_px: np.ndarray, other_px: np.ndarray) -> np.ndarray | None:
    """The largest piece that lies within both of two closed polygons in pixels, to a part of a pixel; None if there is none."""
    low = np.floor(np.minimum(one_px.min(axis=0), other_px.min(axis=0))) - 1
    size = np.ceil((np.maximum(one_px.max(axis=0), other_px.max(axis=0)) - low + 2) * FINER).astype(int)
    both = np.ones(size[::-1], np.uint8)
    for polygon in (one_px, other_px):
        field = np.zeros(size[::-1], np.uint8)
        cv2.fillPoly(field, [np.round((polygon - low) * FINER * 16).astype(np.int32).reshape(-1, 1, 2)], 1, shift=4)
        both &= field
    rings, _ = cv2.findContours(both, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    largest = max(rings, key=cv2.contourArea, default=None)
    if largest is None or len(largest) < LEAST_POINTS:
        return None
    return np.asarray(largest, float).reshape(-1, 2) / FINER + low


def _closed(points: np.ndarray) -> np.ndarray:
    return np.concatenate([points, points[:1]])


def _shown(read: Read, lines: list[Line]) -> float:
    """Share of the metal about the weld, to a third beyond the line, whose etching shows what it is."""
    places = np.concatenate(
        [line.rays.at(np.linspace(0.2, 1.3, 12)[None] * line.reach[:, None]).reshape(-1, 2) for line in lines]
    )
    return float(np.mean(read.of(read.reading.seen, places) > SHOWN))
