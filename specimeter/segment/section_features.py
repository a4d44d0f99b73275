"""Pores, slag, cracks and unfused lines in a cut: proposed by a network, outlined by the physics of their edges."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import cv2
import numpy as np
import scipy
import skimage

from specimeter.photo import Photo
from specimeter.scale.surface import Surface
from specimeter.segment.border import Border, Patch, border
from specimeter.segment.cavity import darkness, without_spurs
from specimeter.segment.fracture_edge import ring_of
from specimeter.segment.goes_on import free_metal, goes_on
from specimeter.segment.joint import find_butt, find_fillet
from specimeter.segment.line_ends import ended_by_light
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.segment.network import inside
from specimeter.segment.plates import resampled, runs
from specimeter.segment.polylines import corner
from specimeter.segment.section_outline import light_round
from specimeter.segment.section_reading import KINDS, TISSUES, Reading, read_lines
from specimeter.segment.sharpness import blur_of

LEVEL, LEAST_PEAK = -1.0, 3.5  # log-odds that bound a proposal, and that it reaches (recall and false calls on tuning scenes)
CORE = 0.0  # log-odds of what of a proposal is outlined, where it has so much: its fringe is noise
SPLIT = 1.0  # log-odds between which and LEVEL two imperfections touch
BESIDE_MM = 4.0  # from a weld's faces and root: beyond, in the plates, nothing is asked for (laminations, stamps, punch marks)
UNSURE = 0.5  # confidence of an outline below which its welds' places are not believed against the network
SLOPE, MIDDLE = 0.9, 5.0  # from the network's log-odds to those of being one: it is surer than it is right (SECTIONS.md)
LEAST_CELLS = 4
OVERLAP = 0.05  # share of an outline's points within another, from which both are one imperfection
MARGIN_CELLS = 10
NEAR_MM = 0.5  # round a line that is not fused: what lies there tells which kind it is
CRACK = -0.8  # log-odds of a crack over a lack of fusion, from which it is called one: unfused lines were trained on more often
OPEN = 0.5  # chance of a gap between the plates
ALL_WELD = 0.85  # share of weld metal round it, from which it lies between runs
# from our scenes and another renderer's: a spot less dark than DARK must reach PALE higher log-odds for each unit that it
# lacks, up to SURE; LONG times as long as thick no gas pore is, if it fills CONVEX of its hull and is LEAST_SHAPE_PX long
DARK, PALE, SURE = 0.65, 20.0, 6.0
LONG, CONVEX, LEAST_SHAPE_PX = 1.4, 0.9, 7.0
THIN = {"pore": 0.5, "slag": 0.3}  # of a body's thickness: what sticks out of it thinner is a grinding mark that it lies on
GOES_ON = 0.6  # of a line's own darkness: where it goes on so dark it is a stretch of a longer mark
WELD, GAP = TISSUES.index("weld"), TISSUES.index("gap")


def find_in_section(photo: Photo, surface: Surface, area: ExaminedArea) -> list[Outline]:
    """Imperfections within the metal's outline, likeliest first; undercut and overlap are parts of the outline itself."""
    mm = float(surface.mm_per_px_at(area.outline_px.mean(axis=0)))
    reading, zones = read_lines(photo.rgb, mm, area.outline_px), welds(surface.develop(area.outline_px), mm)
    usable = inside(area, reading.feature.shape, reading.zoom, reading.offset_px)
    blur, light, found = blur_of(photo, area), photo.linear(), []

    def drawn(own: np.ndarray) -> Border | None:
        core = own & (reading.feature > CORE)
        mask = core if core.sum() >= LEAST_CELLS else own
        x, y, width, height = cv2.boundingRect(own.astype(np.uint8))
        return border(patch_of(reading.share, mask, (x, y, width, height), reading, usable), light, blur)

    parts = []
    for own, (x, y, width, height), peak in _proposed(reading, usable):
        middle = surface.develop(reading.to_photograph([[x + (width - 1) / 2, y + (height - 1) / 2]]))[0]
        away = -max((cv2.pointPolygonTest(zone, (float(middle[0]), float(middle[1])), True) for zone in zones), default=0.0)
        if away > BESIDE_MM and not kept_beside(peak, area.confidence, _weld_round(reading, own, mm / reading.zoom)):
            continue
        if (edge := drawn(own)) is not None:
            parts.append((own, peak, edge))
    whole, gaps = joined(parts, drawn), _gaps(reading)
    for own, peak, edge in whole:
        kind, ring, told = _kind(reading, own, mm / reading.zoom), edge.outline_px, {}
        if kind in THIN:
            ring = without_spurs(ring, THIN[kind])
            kind = shaped(kind, ring)
            light_px, low_px = light_round(photo, ring)
            dark = darkness(light_px, ring - low_px, blur)
            if not seems_open(dark, peak):
                continue
            told = {"darkness": round(dark, 3)}
        else:
            called = [other.outline_px for _, _, other in whole if other is not edge]
            called += gaps if kind == "lack-of-root-fusion" else []  # it goes on in the gap between the plates
            free = free_metal(light.shape, area.outline_px, called)
            on = goes_on(light, edge.outline_px, free, mm)
            if not seems_whole(on, peak):
                continue
            ring, told = ended_by_light(ring, light, blur), {"goes_on": round(on, 3)}
        found.append(
            Outline(
                outline_px=ring,
                kind=kind,
                confidence=float(1 / (1 + np.exp(-SLOPE * (peak - MIDDLE)))),
                u_edge_px=edge.u_edge_px,
                u_tip_px=edge.u_tip_px,
                evidence={
                    "log_odds": round(peak, 3),
                    "crack_over_unfused": round(_crack_over_unfused(reading, own), 3),
                    "drawn_by_light": round(edge.drawn_by_light, 3),
                    "blur_px": round(blur, 3),
                    **told,
                },
            )
        )
    return sorted(found, key=lambda one: -one.confidence)


def kept_beside(peak: float, outlined: float, weld: float) -> bool:
    """Whether what lies beside the welds that the outline shows is kept: its log-odds, the outline's confidence, and how likely
    what lies round it is weld metal.

    An outline that is not sure shows welds in the wrong places, and so does one of them taken for another: where the network
    sees weld metal round it, or the outline is doubtful itself, and the network is sure of what it is, its word stands.
    """
    return peak >= SURE and (outlined < UNSURE or weld > ALL_WELD)


def joined(
    parts: Sequence[tuple[np.ndarray, float, Border]], drawn: Callable[[np.ndarray], Border | None]
) -> list[tuple[np.ndarray, float, Border]]:
    """Regions, their log-odds and borders; those whose borders overlap, as of a line that the network saw in two, are one.

    `drawn` gives the border of a region, bool (rows, columns).
    """
    left, k = list(parts), 0
    while k < len(left):
        own, peak, edge = left[k]
        other = next((n for n in range(k + 1, len(left)) if _overlap(edge.outline_px, left[n][2].outline_px)), None)
        if other is None or (both := drawn(own | left[other][0])) is None:
            k += 1
            continue
        left[k] = (own | left[other][0], max(peak, left[other][1]), both)
        del left[other]
    return left


def _overlap(one: np.ndarray, other: np.ndarray) -> bool:
    """Whether so much of one outline's points, or of the other's, lies within the other."""
    if (one.max(axis=0) < other.min(axis=0)).any() or (other.max(axis=0) < one.min(axis=0)).any():
        return False

    def share(points: np.ndarray, ring: np.ndarray) -> float:
        closed = ring.astype(np.float32).reshape(-1, 1, 2)
        return float(np.mean([cv2.pointPolygonTest(closed, (float(x), float(y)), False) > 0 for x, y in points]))

    return max(share(one, other), share(other, one)) > OVERLAP


def shaped(kind: str, outline_px: np.ndarray) -> str:
    """What the network takes for a gas pore is slag if it is longer than thick and convex; all else is what it is.

    A gas pore is essentially spherical (ISO 6520-1:2007, 2011, from memory), and a cavity drawn out along the weld looks round
    where the weld is cut across. A ragged outline, or one of a few pixels, tells no shape.
    """
    ring = outline_px.astype(np.float32)
    thick, long = sorted(cv2.minAreaRect(ring)[1])
    convex = cv2.contourArea(ring) > CONVEX * cv2.contourArea(cv2.convexHull(ring))
    return "slag" if kind == "pore" and convex and long > max(LONG * thick, LEAST_SHAPE_PX) else kind


def seems_open(dark: float, peak: float) -> bool:
    """Whether a spot of such darkness, and of such log-odds of the network, may be an opening in the metal.

    Stains, shallow pits and traces of dirt are less dark than holes: the paler, the more it must look like one. What fills a
    cavity may be pale too: where the network is sure its word stands.
    """
    return peak >= min(LEAST_PEAK + PALE * (DARK - dark), SURE)


def seems_whole(on: float, peak: float) -> bool:
    """Whether a line that goes on so dark, over its own darkness, may be an imperfection, by its log-odds of the network.

    Where it goes on nearly as dark, and the network calls nothing, it is a stretch of an etched border, a grinding mark or a
    hair. An unfused stretch of an etched border is darker than the rest.
    """
    return peak >= SURE or on < GOES_ON


def find_by_section_network_alone(photo: Photo, surface: Surface, area: ExaminedArea) -> list[Outline]:
    """The network's own regions, borders and kinds wherever they lie, for comparison: no physics, no fitted confidence."""
    mm = float(surface.mm_per_px_at(area.outline_px.mean(axis=0)))
    reading = read_lines(photo.rgb, mm, area.outline_px)
    usable = inside(area, reading.feature.shape, reading.zoom, reading.offset_px)
    found = []
    for own, box, peak in _proposed(reading, usable):
        patch = patch_of(reading.share, own, box, reading, usable)
        if (ring := ring_of(patch.share)) is not None:
            found.append(
                Outline(
                    outline_px=patch.to_photograph(ring),
                    kind=_kind(reading, own, mm / reading.zoom),
                    confidence=float(1 / (1 + np.exp(-peak))),
                    u_edge_px=0.5 / reading.zoom,
                    u_tip_px=1.0 / reading.zoom,
                )
            )
    return found


def _proposed(reading: Reading, usable: np.ndarray) -> Iterator[tuple[np.ndarray, tuple[int, int, int, int], float]]:
    """Each region that may be an imperfection: its cells (rows, columns), its box x, y, width, height, its highest log-odds."""
    odds = np.where(usable, reading.feature, -20.0)
    labels = apart(odds)
    for label, box in enumerate(scipy.ndimage.find_objects(labels), start=1):
        if box is None:
            continue
        mask = labels[box] == label
        peak = float(np.sort(odds[box][mask])[-5:].mean())
        if mask.sum() >= LEAST_CELLS and peak >= LEAST_PEAK:
            height, width = mask.shape
            yield labels == label, (box[1].start, box[0].start, width, height), peak


def apart(odds: np.ndarray) -> np.ndarray:
    """Numbers, from 1, of the regions whose log-odds are above LEVEL, int (rows, columns); 0 elsewhere.

    Where several parts of a region stand above SPLIT they are so many imperfections beside each other, divided along the valley
    between them.
    """
    regions = np.asarray(cv2.connectedComponents((odds > LEVEL).astype(np.uint8), connectivity=8)[1])
    seeds = np.asarray(cv2.connectedComponents((odds > SPLIT).astype(np.uint8), connectivity=8)[1])
    held = np.unique(regions[seeds > 0])
    alone = (regions > 0) & ~np.isin(regions, held)
    markers = np.where(seeds > 0, seeds, np.where(alone, regions + int(seeds.max()), 0))
    return np.asarray(skimage.segmentation.watershed(-odds, markers, mask=regions > 0))


def welds(outline_mm: np.ndarray, px_mm: float) -> list[np.ndarray]:
    """About where the welds of an outline lie, as convex polygons in mm: their faces, and the roots behind these.

    Of a joint that could be either, both; none where the outline shows no joint: then it may lie anywhere.
    """
    outline = resampled(outline_mm, 0.7 * px_mm)
    plates = runs(outline)
    fillet, butt, found = find_fillet(outline, plates), find_butt(outline, plates), []
    for face in () if fillet is None else (fillet.face, *fillet.others):
        root = corner(face.toes[0].plate, face.toes[1].plate)
        found.append(face.points if root is None else np.concatenate([face.points, root[None]]))
    if butt is not None:
        sides = [face.points for face in (butt.top, butt.bottom) if face is not None]
        up = butt.top.toes[0].plate.normal + butt.top.toes[1].plate.normal
        foot = butt.top.points.mean(axis=0) - up / np.hypot(*up) * _deep(outline, butt.top.points.mean(axis=0), up)
        found.append(np.concatenate([*sides, foot[None]]))
    return [cv2.convexHull(points.astype(np.float32)) for points in found]


def _deep(outline: np.ndarray, place: np.ndarray, up: np.ndarray) -> float:
    """How far the metal reaches below a place, at most the outline's lesser extent."""
    down = -((outline - place) @ (up / np.hypot(*up)))
    near = np.abs((outline - place) @ np.array([-up[1], up[0]]) / np.hypot(*up)) < 2.0
    return float(min(down[near].max(initial=0.0), np.ptp(outline, axis=0).min()))


def patch_of(
    share: np.ndarray, mask: np.ndarray, box: Sequence[int] | np.ndarray, reading: Reading, usable: np.ndarray
) -> Patch:
    """A piece of a map of shares with one region of it and nothing of its neighbours; `box`: x, y, width, height."""
    x, y, width, height = box
    rows, columns = share.shape
    low = np.maximum([x - MARGIN_CELLS, y - MARGIN_CELLS], 0)
    high = np.minimum([x + width + MARGIN_CELLS, y + height + MARGIN_CELLS], [columns, rows])
    window = np.s_[low[1] : high[1], low[0] : high[0]]
    own = (cv2.dilate(mask[window].astype(np.uint8), np.ones((5, 5), np.uint8)) > 0) & usable[window]
    return Patch(
        share=np.where(own, share[window], 0.0).astype(np.float32),
        corner_px=low.astype(float),
        zoom=reading.zoom,
        offset_px=reading.offset_px,
    )


def _gaps(reading: Reading) -> list[np.ndarray]:
    """Outlines in pixels of what the network takes for gaps between the plates."""
    rings, _ = cv2.findContours((reading.tissue[GAP] > OPEN).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return [reading.to_photograph(ring[:, 0]) for ring in rings]


def _crack_over_unfused(reading: Reading, mask: np.ndarray) -> float:
    """By how much the network's log-odds of a crack are above those of a lack of fusion."""
    crack, unfused = KINDS.index("crack"), KINDS.index("lack-of-fusion")
    return float(reading.kind[crack][mask].mean() - reading.kind[unfused][mask].mean())


def _kind(reading: Reading, mask: np.ndarray, cell_mm: float) -> str:
    """What it is: by the network, and of an unfused line by what lies round it."""
    name = KINDS[int(np.argmax([reading.kind[k][mask].mean() for k in range(len(KINDS))]))]
    if name in ("crack", "lack-of-fusion"):
        name = "crack" if _crack_over_unfused(reading, mask) > CRACK else "lack-of-fusion"
    if name != "lack-of-fusion":
        return name
    if reading.tissue[GAP][_round(mask, cell_mm)].max(initial=0.0) > OPEN:
        return "lack-of-root-fusion"
    return "lack-of-inter-run-fusion" if _weld_round(reading, mask, cell_mm) > ALL_WELD else "lack-of-sidewall-fusion"


def _round(mask: np.ndarray, cell_mm: float) -> np.ndarray:
    """Cells round a region, up to NEAR_MM from it, bool (rows, columns)."""
    reach = 2 * max(round(NEAR_MM / cell_mm), 1) + 1
    return (cv2.dilate(mask.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0) & ~mask


def _weld_round(reading: Reading, mask: np.ndarray, cell_mm: float) -> float:
    """How likely what lies round a region is weld metal, by the network, 0 to 1."""
    return float(reading.tissue[WELD][_round(mask, cell_mm)].mean())
