"""The broken face, found on its own: small networks say where, the sheet's sizes choose, a close look draws its border.

Where they see none, or doubt it, what the network of cuts takes for metal is looked at as closely; then a person is asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from specimeter import lookup, networks
from specimeter.errors import AreaError
from specimeter.photo import Photo
from specimeter.scale.area_looks import Looked, look
from specimeter.scale.height import lies_beside
from specimeter.scale.model import Scale
from specimeter.scale.own_width import u_ends_mm
from specimeter.scale.place import card_outlines_px
from specimeter.scale.surface import Surface
from specimeter.segment import face_close
from specimeter.segment.model import ExaminedArea
from specimeter.segment.section_reading import Reading, read_far
from specimeter.sheet import Sheet
from specimeter.sheet_sizes import read_in_inches

MODELS = tuple(Path(__file__).with_name(name) for name in ("area_fracture.onnx", "area_fracture_mixed.onnx"))
STEP = 32  # the networks' coarsest grid
LONGER = 1.3  # a width over a thickness from which the longer side of a face is its width
NOTCHED_MM = 1.0  # by which the bar goes on beyond the face at both ends, where it is notched there
NEARER = 1.6  # how much larger than foretold a face may be that stands nearer to the lens than the card, nobody said how much
LEAST_CONFIDENCE = 0.5
NO_FACE = 0.45  # at most, of what was found as metal of the sheet's size: a person is asked whether it is the broken face
OF_METAL, AGAIN = (1.0, 0.85, 0.7), 2  # of a metal thing's length, that may be face where its notched ends show; looks by each
CLEAR = 0.02  # chance by which no cell is surer than it can be
LOW = (
    "The broken face was found with low confidence: check its outline and the test that the sheet names, or give it in "
    "[region]."
)
DOUBT = 0.02, 0.045  # share of the area in doubt that a plain face leaves, and what more of it makes the outline doubtful
LEAST_WORTH = 20.0  # log-odds summed over a face's cells: some twenty cells of 0.3 mm at fair odds
# What share of the specimen's width (along the weld) and thickness (through the wall) a broken face may take: judgement
ALONG = {"nick-break": (0.45, 1.06), "fillet-break": (0.6, 1.06)}
THROUGH = {"nick-break": (0.4, 1.3), "fillet-break": (0.25, 1.6)}
MEND = (
    "see that the photograph shows the test that specimen.test names; outline the broken face, without notches and machined "
    "ends, in [region] outline_px"
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Place:
    """A rough rectangle on the map of cells: middle [column, row], half sizes along and across, turn in radians."""

    middle: np.ndarray
    along: float
    across: float
    turn: float
    worth: float  # log-odds summed over it
    purity: float  # mean share of face within

    def corners(self) -> np.ndarray:
        """Corners [column, row], shape (4, 2)."""
        u = np.array([np.cos(self.turn), np.sin(self.turn)])
        v = np.array([-u[1], u[0]])
        return np.array(
            [self.middle + i * self.along * u + j * self.across * v for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
        )


def find_face(photo: Photo, sheet: Sheet, scale: Scale, surface: Surface) -> ExaminedArea:
    """The broken face of a nick-break or fillet-break half, without notches and machined ends.

    Raises
    ------
    AreaError
        If nothing in the photograph looks like a broken face of the sheet's size.
    """
    middle = np.array([(photo.width_px - 1) / 2, (photo.height_px - 1) / 2])
    mm_per_px = float(surface.mm_per_px_at(middle))
    hide = card_outlines_px(scale)
    looked = look(photo.rgb, mm_per_px, hide)
    places = _places(face_log_odds(looked), looked.cell_mm, sheet)
    roughs = [looked.to_photograph(places[0].corners())] if places else []
    found = _area(photo, sheet, scale, surface, places, _surest(photo, sheet, roughs, mm_per_px))
    if found is None or found.confidence < LEAST_CONFIDENCE:
        far = read_far(photo.rgb, mm_per_px)
        places = _places(metal_log_odds(far, hide), mm_per_px / far.zoom, sheet)
        shorter = [replace(place, along=share * place.along) for place in places[:1] for share in OF_METAL]
        roughs = [far.to_photograph(place.corners()) for place in shorter]
        metal = _area(photo, sheet, scale, surface, places, _surest(photo, sheet, roughs, mm_per_px, again=AGAIN))
        if metal is not None and (found is None or metal.confidence > found.confidence):
            found = replace(metal, confidence=min(metal.confidence, NO_FACE))
    inches = read_in_inches(sheet.specimen)
    if found is None:
        raise AreaError(
            "no broken face of the sheet's size stands out from the background",
            file=photo.file,
            field="region.outline_px",
            expected=f"a broken face up to {sheet.specimen.specimen_width_mm or '?'} mm along the weld",
            mend=MEND if inches is None else f"{MEND}. {inches}",
        )
    return found if found.confidence >= LEAST_CONFIDENCE else replace(found, cautions=(LOW, *filter(None, [inches])))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """A face on a rough place laid straight: what the close look tells, the outline on it, the share of it in doubt."""

    close: face_close.Close
    told: np.ndarray
    outline: np.ndarray
    doubt: float
    mm_per_px: float
    corners_px: np.ndarray


def _surest(photo: Photo, sheet: Sheet, roughs: Sequence[np.ndarray], mm_per_px: float, again: int = 0) -> Seen | None:
    """Of rough places (4, 2) in the photograph the one whose face is least in doubt, looked at closely, and `again` by the box
    of what that shows; None where none shows a face."""
    found: list[Seen] = []
    for rough in roughs:
        corners = rough
        for _ in range(1 + again):
            close, told, seen = _closely(photo, corners, mm_per_px, (sheet.specimen.specimen_width_mm, None))
            if seen is None:
                break
            found.append(Seen(close=close, told=told, outline=seen[0], doubt=seen[1], mm_per_px=mm_per_px, corners_px=corners))
            corners = _box(close.to_photograph(seen[0]), corners[1] - corners[0])
    return min(found, key=lambda one: one.doubt, default=None)


def _box(outline_px: np.ndarray, along: np.ndarray) -> np.ndarray:
    """Corners (4, 2) of the smallest box round an outline, the first side along a direction."""
    corners = np.asarray(cv2.boxPoints(cv2.minAreaRect(outline_px.astype(np.float32).reshape(-1, 1, 2))), float)
    sides = np.roll(corners, -1, axis=0) - corners
    return np.roll(corners, -int(np.argmax(sides @ along / np.maximum(np.linalg.norm(sides, axis=1), 1e-9))), axis=0)


def _area(
    photo: Photo, sheet: Sheet, scale: Scale, surface: Surface, places: Sequence[Place], seen: Seen | None
) -> ExaminedArea | None:
    """The face as it was seen at the best of some places; None where none was."""
    if seen is None:
        return None
    close, told, outline, doubt = seen.close, seen.told, seen.outline, seen.doubt
    outline_px = np.clip(close.to_photograph(outline), 0, [photo.width_px - 1, photo.height_px - 1])
    calliper = sheet.specimen.specimen_width_mm
    level_open = calliper is not None and lies_beside(sheet)  # the width, where it is seen, will tell the scale
    ends_px = _ends(close, told, outline, sheet)
    if calliper is not None and ends_px is None and level_open and sheet.specimen.test == "nick-break":
        wide, wide_told, wide_seen = _closely(photo, seen.corners_px, seen.mm_per_px, (NEARER * calliper, NEARER * calliper))
        ends_px = None if wide_seen is None else _ends(wide, wide_told, wide_seen[0], sheet, by_notches=True)
    width_mm, u_width_mm = (None, None) if ends_px is None else _width(ends_px, surface, scale)
    shrunk = calliper / width_mm if calliper is not None and level_open and width_mm else 1.0
    return ExaminedArea(
        outline_px=outline_px,
        found_by="auto",
        edges_px=_sides(outline_px),
        width_mm=width_mm,
        u_width_mm=u_width_mm,
        ends_px=ends_px,
        confidence=_confidence(places[0], places[1:], doubt, outline_px, surface, sheet, shrunk),
    )


def _closely(
    photo: Photo, corners_px: np.ndarray, mm_per_px: float, shown_mm: tuple[float | None, float | None]
) -> tuple[face_close.Close, np.ndarray, tuple[np.ndarray, float] | None]:
    """A rough place laid straight, what the close look tells of it, and the face's outline on it with its doubt."""
    close = face_close.closely(photo.rgb, corners_px, mm_per_px, *shown_mm)
    told = face_close.log_odds(close)
    return close, told, face_close.outlined(told[0], told[1])


def _ends(
    close: face_close.Close, told: np.ndarray, outline: np.ndarray, sheet: Sheet, *, by_notches: bool = False
) -> np.ndarray | None:
    """The middles [x, y] of the bar's ends along the weld, in the photograph; None where they do not show.

    Nor where it is not known which way the weld runs: by a nick-break's notches at both of its ends or, unless `by_notches`,
    by the longer side of the face where the specimen is clearly wider than thick.
    """
    specimen = sheet.specimen
    weld = None if sheet.weld is None else sheet.weld.weld_axis_px
    if weld is not None:
        way = (np.asarray(weld[1], float) - np.asarray(weld[0], float)) @ close.matrix[:, :2]
        turned = abs(way[1]) > abs(way[0])
    else:
        along, across = face_close.overhangs_mm(told, outline, close.cell_mm)
        notched = max(along, across) >= NOTCHED_MM and max(along, across) > 2 * min(along, across)
        if specimen.test == "nick-break" and notched:
            turned = across > along
        elif by_notches:
            return None
        elif (specimen.specimen_width_mm or 0.0) > LONGER * (specimen.specimen_thickness_mm or np.inf):
            turned = False
        else:
            return None
    found = face_close.ends(told.transpose(0, 2, 1), outline[:, ::-1]) if turned else face_close.ends(told, outline)
    return None if found is None else close.to_photograph(found[:, ::-1] if turned else found)


def _width(ends_px: np.ndarray, surface: Surface, scale: Scale) -> tuple[float, float]:
    """The bar's width in mm and its standard uncertainty, scale included."""
    width = float(np.linalg.norm(np.subtract(*surface.develop(ends_px))))
    return width, float(np.hypot(u_ends_mm(width, scale), scale.u_rel * width))


def with_sides(area: ExaminedArea) -> ExaminedArea:
    """An area drawn by hand, its whole border taken for the broken face's edges."""
    return replace(area, edges_px=_sides(area.outline_px))


def face_log_odds(looked: Looked) -> np.ndarray:
    """Log-odds that each cell belongs to a broken face, float32 (rows, columns): the mean of both networks' answers.

    One knows this project's scenes well, the other pictures of many other kinds; where only one is sure, neither rules.
    """
    rows, columns = looked.hidden.shape
    pad = [(0, -rows % STEP), (0, -columns % STEP)]
    figures = np.stack([np.pad(looked.own[..., k], pad, mode="edge") for k in range(looked.own.shape[2])])
    answers = [
        np.clip(networks.answer(model, figures[None]).reshape(figures.shape[1:])[:rows, :columns], -8, 8) for model in MODELS
    ]
    return np.where(looked.hidden, np.float32(-8), np.mean(answers, axis=0)).astype(np.float32)


def metal_log_odds(far: Reading, hide: Sequence[np.ndarray]) -> np.ndarray:
    """Log-odds, float32 (rows, columns), that each cell of a coarse reading is metal, as the network of cuts tells it.

    It knows metal of every tone on every bench, and nothing of breaks: so it sees specimens whose break looks like none that
    the networks of faces know.
    """
    odds = np.log((far.metal + CLEAR) / (1 - far.metal + CLEAR)).astype(np.float32)
    hidden = np.zeros(odds.shape, np.uint8)
    for outline in hide:
        cv2.fillPoly(hidden, [np.round(far.from_photograph(outline)).astype(np.int32).reshape(-1, 1, 2)], 1)
    if len(hide) == 2:  # a frame: within its window lies the specimen
        cv2.fillPoly(hidden, [np.round(far.from_photograph(hide[1])).astype(np.int32).reshape(-1, 1, 2)], 0)
    return np.where(hidden > 0, np.float32(-8), odds)


def _places(odds: np.ndarray, cell_mm: float, sheet: Sheet) -> list[Place]:
    """Rectangles that hold much likely face and little else, of a size that the sheet allows, best first."""
    soft = cv2.GaussianBlur(odds, (0, 0), max(0.6 / cell_mm, 0.5))
    likely = cv2.morphologyEx((soft > 0).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    joined = cv2.morphologyEx(likely, cv2.MORPH_CLOSE, np.ones((max(int(2.0 / cell_mm), 1),) * 2, np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(joined)
    order = np.argsort(-stats.reshape(-1, 5)[1:, cv2.CC_STAT_AREA])[:6] + 1
    found = []
    for label in order:
        part = (labels == label) & (likely > 0)
        if part.sum() * cell_mm**2 < 12.0:
            continue
        place = _rectangle(part, odds)
        found.append(replace(place, worth=place.worth * _fits(place, cell_mm, sheet)))
    found = [place for place in found if place.worth > LEAST_WORTH]
    return sorted(found, key=lambda place: -place.worth)


def _rectangle(part: np.ndarray, odds: np.ndarray) -> Place:
    """The rectangle round a component that gathers most log-odds."""
    rows, columns = np.nonzero(part)
    points = np.column_stack([columns, rows]).astype(np.float32)
    _, (w, h), angle = cv2.minAreaRect(points.reshape(-1, 1, 2))
    turn = np.radians(angle) + (np.pi / 2 if h > w else 0.0)
    centred = points - points.mean(0)
    _, _, axes = np.linalg.svd(centred[:: max(1, len(centred) // 4000)], full_matrices=False)
    turns = [turn, float(np.arctan2(axes[0, 1], axes[0, 0]))]
    turns += [t + np.radians(step) for t in turns for step in (-4, 4)]
    best: tuple[float, np.ndarray, float, float, float, float] | None = None
    reach = int(np.hypot(*np.ptp(points, axis=0)) / 2 + 14)
    middle = (points.min(0) + points.max(0)) / 2
    for t in turns:
        cos, sin = np.cos(t), np.sin(t)
        matrix = np.array([[cos, -sin, middle[0] - reach * (cos - sin)], [sin, cos, middle[1] - reach * (sin + cos)]])
        flat = lookup.turned(odds, matrix, (2 * reach + 1, 2 * reach + 1), inverse=True, beyond=-4)
        flat = np.clip(flat.reshape(2 * reach + 1, -1), -3, 3)
        across = np.clip(points @ [-sin, cos] - middle @ [-sin, cos] + reach, 0, 2 * reach).astype(int)
        span = slice(int(np.quantile(across, 0.05)), int(np.quantile(across, 0.95)) + 1)
        for _ in range(4):
            along = _greatest(flat[span].sum(axis=0))
            span = _greatest(flat[:, along].sum(axis=1))
        block = flat[span, along]
        if best is None or block.sum() > best[0]:
            centre = np.array([(along.start + along.stop - 1) / 2 - reach, (span.start + span.stop - 1) / 2 - reach])
            best = (
                float(block.sum()),
                middle + centre[0] * np.array([cos, sin]) + centre[1] * np.array([-sin, cos]),
                (along.stop - along.start) / 2,
                (span.stop - span.start) / 2,
                t,
                float((1 / (1 + np.exp(-block))).mean()),
            )
    assert best is not None  # of one of the turns
    worth, centre, half_along, half_across, t, purity = best
    if half_across > half_along:
        half_along, half_across, t = half_across, half_along, t + np.pi / 2
    return Place(middle=centre, along=half_along, across=half_across, turn=float(t), worth=worth, purity=purity)


def _greatest(values: np.ndarray) -> slice:
    """The run of values with the greatest sum (Kadane's rule); at least one long."""
    best, best_run, start, total = -np.inf, slice(0, 1), 0, 0.0
    for k, value in enumerate(values):
        if total <= 0:
            start, total = k, 0.0
        total += value
        if total > best:
            best, best_run = total, slice(start, k + 1)
    return best_run


def _fits(place: Place, cell_mm: float, sheet: Sheet) -> float:
    """0 to 1: whether a rectangle could be the broken face of a specimen of the sheet's size, whichever way it lies."""
    specimen, test = sheet.specimen, sheet.specimen.test
    sizes = 2 * place.along * cell_mm, 2 * place.across * cell_mm
    return max(
        _within(one, specimen.specimen_width_mm, ALONG[test]) * _within(other, specimen.specimen_thickness_mm, THROUGH[test])
        for one, other in (sizes, sizes[::-1])
    )


def _within(size_mm: float, of_mm: float | None, limits: tuple[float, float]) -> float:
    if of_mm is None:
        return 0.9
    off = max(np.log(limits[0] * of_mm / size_mm), np.log(size_mm / (limits[1] * of_mm)), 0.0)
    return float(np.exp(-0.5 * (off / 0.12) ** 2))


def _confidence(
    best: Place, others: Sequence[Place], doubt: float, outline_px: np.ndarray, surface: Surface, sheet: Sheet, shrunk: float
) -> float:
    """0 to 1, from how clean the face is, how much of it is in doubt, how near rivals come and how its size fits the sheet.

    `shrunk`: by which the bar's width tells that lengths are to be taken smaller than `surface` makes them.
    """
    corners = surface.develop(outline_px)
    if not np.isfinite(corners).all():
        return 0.05
    x, y = corners.T
    area = shrunk**2 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
    specimen = sheet.specimen
    confidence = np.clip((best.purity - 0.6) / 0.25, 0.05, 1) * np.exp(-((max(doubt - DOUBT[0], 0.0) / DOUBT[1]) ** 2))
    if others:
        confidence *= np.clip(2.2 * (1 - others[0].worth / best.worth), 0.15, 1)
    if specimen.specimen_width_mm and specimen.specimen_thickness_mm:
        share = area / (specimen.specimen_width_mm * specimen.specimen_thickness_mm)
        low, high = (0.35, 1.15) if specimen.test == "nick-break" else (0.2, 1.3)
        confidence *= np.exp(-0.5 * (max(np.log(low / share), np.log(share / high), 0) / 0.15) ** 2)
    return float(np.clip(confidence, 0.02, 0.98))


def _sides(outline_px: np.ndarray) -> tuple[np.ndarray, ...]:
    """A closed outline as four open lines, cut at its corners (those of the smallest box round it)."""
    points = np.asarray(outline_px, float)
    corners = np.asarray(cv2.boxPoints(cv2.minAreaRect(points.astype(np.float32).reshape(-1, 1, 2)))).reshape(-1, 2)
    cuts = sorted({int(np.argmin(np.linalg.norm(points - corner, axis=1))) for corner in corners})
    if len(cuts) < 2:
        return (np.concatenate([points, points[:1]]),)
    return tuple(
        np.take(points, np.arange(first, last + 1), axis=0, mode="wrap")
        for first, last in zip(cuts, [*cuts[1:], cuts[0] + len(points)], strict=True)
    )
