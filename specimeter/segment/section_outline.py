"""The cut metal's outline, found on its own: a network says where metal lies, its border is followed, the joint confirms it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import skimage

from specimeter.colour import to_linear
from specimeter.errors import AreaError
from specimeter.photo import Photo
from specimeter.scale.height import Pin
from specimeter.scale.model import Scale
from specimeter.scale.own_width import lies_so, plate_pin
from specimeter.scale.place import card_outlines_px
from specimeter.scale.surface import Flat, Surface
from specimeter.segment.fusion_line import GAP
from specimeter.segment.joint import Butt, Fillet, find_butt, find_fillet
from specimeter.segment.model import ExaminedArea
from specimeter.segment.plates import Run, resampled, runs
from specimeter.segment.section_follow import clear_along, doubled_along, follow
from specimeter.segment.section_places import readings
from specimeter.segment.section_reading import Reading, read_round, steadied, with_metal
from specimeter.segment.weld_face import WeldFace
from specimeter.sheet import Sheet, Specimen
from specimeter.sheet_sizes import MM_PER_INCH, read_in_inches

TRIED = 3  # places that are looked at finely
LEAST_MM2 = 25.0  # of cut metal
NOTCH_MM, OPEN = (0.4, 1.8), 0.65  # a dark place at the border, so long, is a notch; chance of metal in it, at most
REACH_CELLS, LEAST_REACH_PX = 1.6, 2.0  # how far from the network's border the edge is looked for
MARGIN_PX = 20  # of the photograph round an outline that is followed
DRAWN_REACH_PX = 4.0  # the same from a border drawn by hand
FINE_MM = 0.06  # between points of an outline that is judged
BAND_MM = 0.35  # from the border: where the network must be sure of both sides
BOTH_SIDES = 0.6  # difference of the chances of metal, within and beyond the border, from which it is sure there
END_MM = 5.0  # along the outline: a stretch so long without any clear edge may run through the metal
NEAR_MM, STRETCH_MM = 2.0, 2.5  # from the weld's faces, and along the outline: where every stretch must hold
OFF_MM, OFF_PX = 0.12, 1.5  # how far the outline may lie from the network's border
END_RUNS, END_REACH = 3, 1.6  # straight pieces of a plate's end, at most; and how far it leads round, in thicknesses
BACK_TO_BACK, BESIDE_MM = -0.998, 1.5  # a plate's two surfaces: cosine between their normals, and how far both are seen
DIFFER = 3.0  # standard uncertainties: plates that tell heights farther apart are not as thick as each other
THICK_SHARE = 0.025  # how far the plate's thickness in the picture may be off the sheet's
LEAST_EXPLAINED = 0.65  # share of the outline that is plate or weld: below, it is no cut that could be shown to a person as one
LIKELY_WORTH = 0.1  # from which it is shown all the same, if a plate in it is as thick as the sheet says: of 52 readings of
# bends and breaks as cuts no outline explained so little was worth more than 0.04
RIVAL = 0.6  # of the best one's worth, from which another place in the photograph makes it unsure
LEAST_CONFIDENCE, UNSURE = 0.5, 0.4  # from which an outline is measured; and of one that a person has to look at
SURE_BARE = 0.9  # of an outline that shows no joint, from which it is shown to a person at all
NO_WELD = (
    "Between the plates of the cut that was outlined no weld is seen: check its outline and the test that the sheet names, or "
    "give it in [region]."
)
LOW = "The cut was outlined with low confidence: check its outline and the test that the sheet names, or give it in [region]."
NOT_TO_SCALE = "no plate is as thick in the photograph as the sheet says: the scale does not hold there, or the sheet is wrong"
LEAST_HEIGHT_MM = 1.0  # by which the cut would have to lie over the card, to be told
ENOUGH = (0.7, 0.7, 0.5, 0.5)  # confidence of an outline, from which no further reading of the photograph is asked
MEND = "see that the photograph shows the test that specimen.test names; outline the metal of the cut in [region] outline_px"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """One outline in pixels with what speaks for it, each figure from 0 to 1.

    `clear`, `agrees`, `shown`: of each point, bool (N,), whether it lies on a clear edge, on the network's border, and where
    the network is sure of both sides; `support`, `agreed`, `sure`: shares of them, the least of a stretch at the weld and of
    all. `same`: overlap of the network's two readings, coarse and fine; `explained`: share of the outline that is a plate's
    surface or end, or the face of a weld; `thick`: how well a plate's thickness, `thick_mm`, agrees with the sheet's; `closed`:
    the least share of clear edge on any stretch as long as a plate's end, which would miss where metal was cut off unseen.
    """

    outline_px: np.ndarray
    clear: np.ndarray
    agrees: np.ndarray
    shown: np.ndarray
    same: float
    support: float = 0.0
    agreed: float = 0.0
    sure: float = 0.0
    explained: float = 0.0
    thick: float = 1.0
    thick_mm: float | None = None
    closed: float = 1.0
    joint: bool = False

    @property
    def worth(self) -> float:
        """By which candidates are ordered."""
        said = (1.0 if self.joint else 0.1) * self.agreed * self.explained * (0.2 + 0.8 * self.thick)
        return said * (0.1 + 0.9 * self.support) * (0.1 + 0.9 * self.sure)


def find_section(photo: Photo, sheet: Sheet, scale: Scale, surface: Surface) -> ExaminedArea:
    """The outline of the cut metal to a fraction of a pixel.

    Raises
    ------
    AreaError
        If nothing in the photograph has straight plates with a weld between them.
    """
    middle = np.array([(photo.width_px - 1) / 2, (photo.height_px - 1) / 2])
    mm_per_px = float(surface.mm_per_px_at(middle))
    cards = card_outlines_px(scale)
    found: list[Candidate] = []
    for enough, (far, border_mm) in zip(ENOUGH, readings(photo.rgb, mm_per_px), strict=False):
        found += _candidates(photo, sheet, surface, scale, far, border_mm, cards, mm_per_px)
        if any(one.joint and confidence(one) >= enough for one in found):
            break
    found.sort(key=lambda one: -one.worth)
    if not found or not _shows_a_cut(found[0]):
        bare = max(found, key=confidence, default=None)
        if bare is not None and confidence(bare) > SURE_BARE:
            return _area(photo, bare.outline_px, UNSURE, (NO_WELD,))
        raise AreaError(
            "no cut through a weld stands out from the background",
            file=photo.file,
            field="region.outline_px",
            expected="metal with straight plate surfaces and a weld between them",
            mend=MEND,
        )
    best = max((one for one in found if one.joint and not _elsewhere(one, found[0])), key=confidence)
    sure = confidence(best)
    rival = any(one.worth > RIVAL * found[0].worth and _elsewhere(one, best) for one in found[1:])
    if rival:
        sure = min(sure, UNSURE)
    if sure >= LEAST_CONFIDENCE:
        return _area(photo, best.outline_px, sure, ())
    if rival or best.thick_mm is None or confidence(replace(best, thick=1.0)) < LEAST_CONFIDENCE:
        return _area(photo, best.outline_px, sure, (LOW, *filter(None, [read_in_inches(sheet.specimen)])))
    wrong = _off_scale(best.thick_mm, sheet.specimen, scale)
    return replace(_area(photo, best.outline_px, sure, wrong), not_to_scale=NOT_TO_SCALE)


def _shows_a_cut(one: Candidate) -> bool:
    """Whether an outline may be shown to a person as a cut's, with a caution where it is not sure.

    Where its border strays onto the cut's side or its shadow little of it is plate or weld; a plate as thick as the sheet says
    is then what speaks for it.
    """
    return one.joint and (one.explained >= LEAST_EXPLAINED or (one.thick_mm is not None and one.worth > LIKELY_WORTH))


def _off_scale(seen_mm: float, specimen: Specimen, scale: Scale) -> tuple[str, ...]:
    """What to say where a plate is not as thick in the photograph as the sheet says, and all else speaks for an outline.

    A plane nearer to the lens than the card's by h shows D / (D - h) times as large, D the lens's distance from the card.
    """
    told_mm = specimen.parent_thickness_mm
    assert told_mm is not None  # a plate was held against it
    wrong = (
        f"The plate is {seen_mm:.1f} mm thick in the photograph and {told_mm:g} mm by the sheet, so the scale or the sheet "
        "is wrong: lay card or rule level with the cut, enter surface_height_mm, or check parent_thickness_mm."
    )
    inches = read_in_inches(specimen)
    if inches is not None and 0.8 < seen_mm / (told_mm * MM_PER_INCH) < 1.25:
        return wrong, inches
    nearer = scale.view.distance_mm * (1 - told_mm / seen_mm)
    if abs(nearer) < LEAST_HEIGHT_MM:
        return (wrong,)
    return wrong, f"surface_height_mm = {nearer:.0f} would explain it: measure how high the cut lies over card or rule."


def _candidates(
    photo: Photo,
    sheet: Sheet,
    surface: Surface,
    scale: Scale,
    far: Reading,
    border_mm: tuple[float, float],
    cards: Sequence[np.ndarray],
    mm_per_px: float,
) -> list[Candidate]:
    """Outlines at the likeliest places of a coarse reading, followed and judged."""
    found = []
    for place in _places(far, cards, mm_per_px):
        columns, rows = (np.flatnonzero(place.any(axis=k)) for k in (0, 1))
        low, high = far.to_photograph([[columns[0], rows[0]], [columns[-1] + 1, rows[-1] + 1]])
        fine = _notched(read_round(photo.rgb, mm_per_px, np.array([low, high])), mm_per_px)
        near = steadied(fine, far, mm_per_px, border_mm)
        coarse = _border(near, _carried(place, far, near))
        if coarse is not None and (one := _followed(photo, coarse, near, place, far, mm_per_px)) is not None:
            found.append(_judged(one, sheet, surface, scale.u_rel))
    return found


def _notched(near: Reading, mm_per_px: float) -> Reading:
    """A fine reading whose short gaps that open outwards are no metal: undercuts, which look like the end of a gap.

    What lies between plates is longer than NOTCH_MM, and stays inside the outline; what is shorter, the edge itself tells.
    """
    solid = near.tissue[1:GAP].sum(axis=0)
    open_ = ((solid < OPEN) & (near.metal > 0.5)).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(open_, connectivity=8)
    outside = cv2.dilate((near.metal <= 0.5).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    touching = np.unique(labels[outside & (open_ > 0)])
    least, most = (mm * near.zoom / mm_per_px for mm in NOTCH_MM)
    size = stats.reshape(count, 5)[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]]
    short = [k for k in touching if k and least < np.hypot(*size[k]) < most]
    return (
        with_metal(near, np.where(np.isin(labels, short), 0.5 * np.minimum(near.metal, solid), near.metal)) if short else near
    )


def _elsewhere(one: Candidate, other: Candidate) -> bool:
    """Whether the middle of one outline lies well away from the other's."""
    reach = 0.25 * float(np.ptp(other.outline_px, axis=0).max())
    return bool(np.hypot(*(one.outline_px.mean(axis=0) - other.outline_px.mean(axis=0))) > reach)


def confidence(one: Candidate) -> float:
    """Chance that an outline is the cut's, right to a tenth of a millimetre where its edge is clear; judgement, held against
    scenes (`validate`). An edge that is not clear takes half of it at most: sizes that hang on it are told the less surely.
    """
    parts = (
        (one.support, -0.6, 0.75),
        (one.agreed, 0.3, 0.85),
        (one.sure, 0.2, 0.8),
        (one.same, 0.7, 0.9),
        (one.explained, 0.78, 0.95),
        (one.thick, 0.05, 0.6),
        (one.closed, 0.0, 0.4),
    )
    weakest = min(float(np.clip((value - low) / (high - low), 0, 1)) for value, low, high in parts)
    return float(np.clip(0.05 + 0.93 * weakest, 0.05, 0.98))


def drawn_section(photo: Photo, area: ExaminedArea) -> ExaminedArea:
    """The sheet's region with its border moved onto the edge it was drawn along, where one lies within a hand's reach."""
    outline, clear = _drawn_to(photo, area.outline_px, DRAWN_REACH_PX)
    fine = _area(photo, outline if clear.mean() > 0.5 else area.outline_px, area.confidence, area.cautions)
    return ExaminedArea(
        outline_px=fine.outline_px,
        exclude_px=area.exclude_px,
        found_by="sheet",
        edges_px=fine.edges_px,
        confidence=area.confidence,
        cautions=area.cautions,
    )


def _area(photo: Photo, outline_px: np.ndarray, sure: float, cautions: tuple[str, ...]) -> ExaminedArea:
    outline = np.clip(outline_px, 0, [photo.width_px - 1, photo.height_px - 1])
    return ExaminedArea(
        outline_px=outline,
        found_by="auto",
        edges_px=(np.concatenate([outline, outline[:1]]),),
        confidence=sure,
        cautions=tuple(cautions),
    )


def unclear(photo: Photo, outline_px: np.ndarray) -> np.ndarray:
    """Places along an outline where the photograph shows no clear edge, (N, 2) in pixels."""
    light, low = light_round(photo, outline_px)
    points, clear = clear_along(light, outline_px - low)
    return points[~clear] + low


def doubled(photo: Photo, outline_px: np.ndarray, px_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Places of an outline inside which a further edge runs, (N, 2) in pixels, and how far in that lies, (N,) in pixels."""
    light, low = light_round(photo, outline_px)
    points, inwards = doubled_along(light, outline_px - low, px_mm)
    return points + low, inwards


def _drawn_to(photo: Photo, outline_px: np.ndarray, reach_px: float) -> tuple[np.ndarray, np.ndarray]:
    """`follow` in the linear light of the part of the photograph that the outline lies in."""
    light, low = light_round(photo, outline_px)
    outline, clear = follow(light, outline_px - low, reach_px)
    return outline + low, clear


def light_round(photo: Photo, outline_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Linear light about an outline, float32 (H, W, 3), and the photograph's pixel [x, y] at its first."""
    low = np.maximum(np.floor(outline_px.min(axis=0)) - MARGIN_PX, 0).astype(int)
    high = np.ceil(outline_px.max(axis=0)).astype(int) + MARGIN_PX
    piece = photo.rgb[low[1] : high[1], low[0] : high[0]]
    return np.asarray(to_linear(piece.astype(np.float32) / np.iinfo(piece.dtype).max), np.float32), low


def _places(far: Reading, cards_px: Sequence[np.ndarray], mm_per_px: float) -> list[np.ndarray]:
    """Masks of the coarse map where cut metal may lie, likeliest first."""
    hidden = np.zeros(far.metal.shape, np.uint8)
    for outline in cards_px:
        cv2.fillPoly(hidden, [np.round(far.from_photograph(outline)).astype(np.int32).reshape(-1, 1, 2)], 1)
    window = np.ones_like(hidden)
    if len(cards_px) == 2:  # a frame: within its window lies the specimen
        corners = [np.round(far.from_photograph(cards_px[1])).astype(np.int32).reshape(-1, 1, 2)]
        cv2.fillPoly(hidden, corners, 0)
        window[:] = 0
        cv2.fillPoly(window, corners, 1)
    likely = ((far.metal > 0.5) & (hidden == 0)).astype(np.uint8)
    likely = cv2.morphologyEx(likely, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(likely, connectivity=4)
    cell_mm = mm_per_px / far.zoom
    found = []
    for label in range(1, count):
        mask = labels == label
        if stats.reshape(count, 5)[label, cv2.CC_STAT_AREA] * cell_mm**2 >= LEAST_MM2:
            weld = float(far.tissue[3][mask].sum())
            found.append((float(far.metal[mask].sum()) * (0.3 + min(weld * cell_mm**2 / 10.0, 1.0)), mask))
    found = [one for one in found if window[one[1]].mean() > 0.5] or found  # what else lies about is another thing
    found.sort(key=lambda one: -one[0])
    return [mask for _, mask in found[:TRIED]]


def _carried(mask: np.ndarray, one: Reading, other: Reading) -> np.ndarray:
    """A mask of one reading on the cells of another."""
    rows, columns = other.metal.shape
    low, high = one.from_photograph(other.to_photograph([[0, 0], [columns - 1, rows - 1]]))
    x, y = (np.linspace(low[k], high[k], n, dtype=np.float32) for k, n in ((0, columns), (1, rows)))
    grid = np.meshgrid(x, y)
    return np.asarray(cv2.remap(mask.astype(np.uint8), *grid, cv2.INTER_NEAREST)) > 0


def _border(near: Reading, place: np.ndarray) -> np.ndarray | None:
    """The network's border of the metal about a place, as a closed polygon in pixels of the photograph."""
    metal = np.ascontiguousarray(near.metal)
    count, labels, _, _ = cv2.connectedComponentsWithStats((metal > 0.5).astype(np.uint8), connectivity=4)
    if count < 2:
        return None
    shares = np.bincount(labels[place], minlength=count)
    shares[0] = 0
    if not shares.any():
        return None
    own = (labels == int(np.argmax(shares))).astype(np.uint8)
    level = np.where(cv2.dilate(own, np.ones((3, 3), np.uint8)) > 0, metal, 0.0)
    contours = skimage.measure.find_contours(np.pad(level, 1), 0.5)
    longest = max(contours, key=lambda one: _area_of(one), default=None)
    if longest is None or len(longest) < 12:
        return None
    return near.to_photograph(longest[:-1, ::-1] - 1.0)


def _area_of(points: np.ndarray) -> float:
    x, y = points.T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))


def _followed(
    photo: Photo, coarse: np.ndarray, near: Reading, place: np.ndarray, far: Reading, mm_per_px: float
) -> Candidate | None:
    """The network's border moved onto the edge, and how far edge and network agree."""
    cell_px = 1 / near.zoom
    outline, clear = _drawn_to(photo, coarse, max(REACH_CELLS * cell_px, LEAST_REACH_PX))
    if len(outline) < 40:
        return None
    mask = np.zeros(near.metal.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(near.from_photograph(coarse) * 16).astype(np.int32).reshape(-1, 1, 2)], 1, shift=4)
    if not 0 < int(mask.sum()) < mask.size:
        return None
    away = cv2.distanceTransform(mask, cv2.DIST_L2, 5) + cv2.distanceTransform(1 - mask, cv2.DIST_L2, 5) - 1.0
    off = near.at(away, outline) * cell_px
    agrees = off < max(OFF_MM / mm_per_px, OFF_PX)
    way = np.roll(outline, -3, axis=0) - np.roll(outline, 3, axis=0)
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    outward = np.column_stack([way[:, 1], -way[:, 0]]) * (BAND_MM / mm_per_px)
    sides = [near.at(near.metal, outline + outward), near.at(near.metal, outline - outward)]
    shown = np.abs(sides[0] - sides[1]) > BOTH_SIDES
    fine = _carried(mask > 0, near, far)
    same = float((fine & place).sum() / max((fine | place).sum(), 1))
    return Candidate(outline_px=outline, clear=clear, agrees=agrees, shown=shown, same=same)


def _judged(one: Candidate, sheet: Sheet, surface: Surface, u_scale: float) -> Candidate:
    """The same with how well the outline fits a cut through the sheet's weld; `u_scale`: relative, of the scale."""
    developed = surface.develop(one.outline_px)
    if not np.isfinite(developed).all():
        return one
    outline = resampled(developed, max(FINE_MM, float(np.ptp(developed, axis=0).max()) / 1500))
    plates = runs(outline)
    step = float(np.median(np.hypot(*np.diff(outline, axis=0).T)))
    straight = min((sum(run.length_mm for run in plates) + _ends(plates, len(outline), step)) / (len(outline) * step), 1.0)
    joint = (find_fillet if sheet.specimen.test == "macro-fillet" else find_butt)(outline, plates) if len(plates) > 2 else None
    thick, thick_mm, explained = 1.0, None, straight
    support, agreed, sure = (float(part.mean()) for part in (one.clear, one.agrees, one.shown))
    if joint is not None:
        faces = (joint.face,) if hasattr(joint, "face") else tuple(f for f in (joint.top, joint.bottom) if f is not None)
        own = ((one.clear, support), (one.agrees, agreed), (one.shown, sure))
        support, agreed, sure = (min(_at_weld(part, developed, faces), whole) for part, whole in own)
        curved = sum(_not_straight(face, plates) for face in faces)
        explained = min(straight + curved / (len(outline) * step), 1.0)
        if sheet.specimen.parent_thickness_mm is not None:
            thick, thick_mm = _thick(plates, joint, sheet.specimen.parent_thickness_mm, float(np.hypot(THICK_SHARE, u_scale)))
            if isinstance(surface, Flat) and _told(sheet, surface, across_plates(plates, joint)):
                thick = 1.0  # where its height was not entered, a cut as much nearer shows plates so thick
    closed = float(_along(one.clear, float(np.median(np.hypot(*np.diff(developed, axis=0).T))), END_MM).min())
    judged = replace(one, support=support, agreed=agreed, sure=sure, explained=explained, thick=thick, closed=closed)
    return replace(judged, joint=joint is not None, thick_mm=thick_mm)


def _at_weld(part: np.ndarray, developed: np.ndarray, faces: Sequence[WeldFace]) -> float:
    """The least share, over a stretch of STRETCH_MM along the outline, of a figure of its points near the weld's faces."""
    points = np.concatenate([face.points[::4] for face in faces])
    away = np.min(np.hypot(*(developed[:, None] - points[None]).transpose(2, 0, 1)), axis=1)
    mean = _along(part, float(np.median(np.hypot(*np.diff(developed, axis=0).T))), STRETCH_MM)
    near = away < NEAR_MM
    return float(mean[near].min()) if near.any() else 0.0


def _along(part: np.ndarray, step: float, stretch_mm: float) -> np.ndarray:
    """Mean of a figure of a closed outline's points over the stretch about each; `step`: between points, in mm."""
    reach = min(max(round(stretch_mm / step), 3), len(part))
    padded = np.concatenate([part, part[:reach]]).astype(float)
    mean = np.convolve(padded, np.ones(reach) / reach, "valid")[: len(part)]
    return np.roll(mean, reach // 2)


def _ends(plates: tuple[Run, ...], count: int, step: float) -> float:
    """Length in mm of the ends of plates that no straight run covers already: sheared, rounded, sawn aslant, edges broken.

    An end leads from one surface of a plate to the other, hardly farther round than straight through; `count`: points of the
    outline; `step`: between them, in mm.
    """
    found = 0.0
    for k, before in enumerate(plates):
        for skipped in range(min(END_RUNS, len(plates) - 2) + 1):
            after = plates[(k + 1 + skipped) % len(plates)]
            thick = -float(before.height(after.point[None])[0])
            long = (after.first - before.last) % count * step
            if before.normal @ after.normal < -0.95 and 0 < long < END_REACH * thick:
                covered = sum(plates[(k + 1 + n) % len(plates)].length_mm for n in range(skipped))
                found += max(long - covered, 0.0)
                break
    return found


def _not_straight(face: WeldFace, plates: tuple[Run, ...]) -> float:
    """Length in mm of a weld's face that no straight run covers already."""
    points = face.points
    length = float(np.sum(np.hypot(*np.diff(points, axis=0).T)))
    straight = sum(run.length_mm for run in plates if np.min(np.hypot(*(points - run.point).T)) < 0.1 + 2 * run.scatter_mm)
    return max(length - straight, 0.0)


def across_a_plate(sheet: Sheet, surface: Flat, area: ExaminedArea) -> np.ndarray | None:
    """Two points [x, y] on a plate's two surfaces, square across from each other, (2, 2), that tell how high a cut lies.

    None where its height was entered, or its outline is not sure, or where its plates tell different heights.
    """
    if sheet.specimen.parent_thickness_mm is None or (area.found_by == "auto" and area.confidence < LEAST_CONFIDENCE):
        return None
    outline = resampled(surface.develop(area.outline_px), FINE_MM)
    plates = runs(outline)
    joint = (find_fillet if sheet.specimen.test == "macro-fillet" else find_butt)(outline, plates)
    pins = [] if joint is None else _told(sheet, surface, across_plates(plates, joint))
    heights = [pin.over(surface.view) for pin in pins]
    if not pins or np.ptp(heights) > DIFFER * pins[0].u_mm(surface.view):
        return None
    return pins[int(np.argsort(heights)[len(heights) // 2])].ends_px


def _told(sheet: Sheet, surface: Flat, across_mm: list[np.ndarray]) -> list[Pin]:
    """What each of some plates' thicknesses tells of a cut's height, as far as one can lie so."""
    pins = [plate_pin(sheet, surface, surface.project(one)) for one in across_mm]
    return [pin for pin in pins if pin is not None and lies_so(pin, surface.view)]


def across_plates(plates: tuple[Run, ...], joint: Fillet | Butt) -> list[np.ndarray]:
    """Two points across a plate, (2, 2) in mm, for each surface that lies opposite one of a joint's with a toe on it."""
    face = joint.face if hasattr(joint, "face") else joint.top
    found = []
    for toe in face.toes:
        for run in plates:
            if run.normal @ toe.plate.normal > BACK_TO_BACK or toe.plate.height(run.point[None])[0] >= 0:
                continue
            ends = [toe.plate.along(run.point[None])[0] + sign * run.length_mm / 2 for sign in (-1, 1)]
            low, high = max(ends[0], -toe.plate.length_mm / 2), min(ends[1], toe.plate.length_mm / 2)
            if high - low > BESIDE_MM:
                one = toe.plate.at((low + high) / 2)
                found.append(np.array([one, run.at(float(run.along(one[None])[0]))]))
    return found


def _thick(plates: tuple[Run, ...], joint: Fillet | Butt, thickness_mm: float, share: float) -> tuple[float, float | None]:
    """0 to 1: whether a plate of the joint is as thick as the sheet says, from the surface that faces away from it; and how
    thick that plate is, in mm.

    1 and None where no plate shows both its surfaces. `share` of the thickness may be lacking.
    """
    face = joint.face if hasattr(joint, "face") else joint.top
    shown = []
    for toe in face.toes:
        for run in plates:
            if run.normal @ toe.plate.normal < -0.98:
                apart = -float(toe.plate.height(run.point[None])[0])
                shown.append((float(np.exp(-0.5 * (np.log(max(apart, 1e-3) / thickness_mm) / share) ** 2)), apart))
    return max(shown, default=(1.0, None))
