"""Pores, slag, cracks and unfused lines in a cut: proposed by a network, outlined by the physics of their edges."""

from __future__ import annotations

import cv2
import numpy as np

from specimeter.segment.border import Patch, border
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.segment.network import inside
from specimeter.segment.section_reading import KINDS, TISSUES, Reading, read_round
from specimeter.segment.sharpness import blur_of

LEVEL, LEAST_PEAK = 0.0, 6.0  # log-odds that bound a proposal, and that it reaches (recall and false calls on tuning scenes)
SLOPE, MIDDLE = 0.7, 5.0  # from the network's log-odds to those of being one: it is surer than it is right (from tuning scenes)
LEAST_CELLS = 4
LEAST_GAP_CELLS, RIM_CELLS = 8, 3  # of an unfused root, and how near to the outline it begins
MARGIN_CELLS = 10
NEAR_MM = 0.5  # round a line that is not fused: what lies there tells which kind it is
ALL_WELD = 0.85  # share of weld metal round it, from which it lies between runs
WELD, GAP = TISSUES.index("weld"), TISSUES.index("gap")


def find_in_section(photo, surface, area: ExaminedArea) -> list[Outline]:
    """Imperfections within the metal's outline, likeliest first; undercut and overlap are parts of the outline itself."""
    mm = float(surface.mm_per_px_at(area.outline_px.mean(axis=0)))
    reading = read_round(photo.rgb, mm, area.outline_px)
    usable = inside(area, reading.feature.shape, reading.zoom, reading.offset_px)
    odds = np.where(usable, reading.feature, -20.0)
    count, labels, stats, _ = cv2.connectedComponentsWithStats((odds > LEVEL).astype(np.uint8), connectivity=8)
    blur, light, found = blur_of(photo, area), photo.linear(), []
    for label in range(1, count):
        x, y, width, height, size = (int(v) for v in stats.reshape(count, 5)[label])
        box = np.s_[y : y + height, x : x + width]
        mask = labels[box] == label
        peak = float(np.sort(odds[box][mask])[-5:].mean())
        if size < LEAST_CELLS or peak < LEAST_PEAK:
            continue
        edge = border(patch_of(reading.share, labels == label, (x, y, width, height), reading, usable), light, blur)
        if edge is None:
            continue
        found.append(
            Outline(
                outline_px=edge.outline_px,
                kind=_kind(reading, labels == label, mm / reading.zoom),
                confidence=float(1 / (1 + np.exp(-SLOPE * (peak - MIDDLE)))),
                u_edge_px=edge.u_edge_px,
                u_tip_px=edge.u_tip_px,
                evidence={
                    "log_odds": round(peak, 3),
                    "drawn_by_light": round(edge.drawn_by_light, 3),
                    "blur_px": round(blur, 3),
                },
            )
        )
    return sorted(found, key=lambda one: -one.confidence)


def unfused_roots(photo, reading: Reading, area: ExaminedArea) -> list[Outline]:
    """Where a butt weld's plates stand against each other unfused, in from the outline: lack of penetration."""
    usable = inside(area, reading.feature.shape, reading.zoom, reading.offset_px)
    gap = reading.tissue[GAP]
    count, labels, stats, _ = cv2.connectedComponentsWithStats(((gap > 0.5) & usable).astype(np.uint8), connectivity=8)
    blur, light, found = blur_of(photo, area), photo.linear(), []
    rim = usable & (cv2.erode(usable.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=RIM_CELLS, borderValue=0) == 0)
    for label in range(1, count):
        x, y, width, height, size = (int(v) for v in stats.reshape(count, 5)[label])
        mask = labels == label
        if size < LEAST_GAP_CELLS or not (mask & rim).any():
            continue
        edge = border(patch_of(gap, mask, (x, y, width, height), reading, usable), light, blur)
        if edge is not None:
            sure = float(gap[mask].mean())
            found.append(
                Outline(
                    outline_px=edge.outline_px,
                    kind="lack-of-penetration",
                    confidence=sure,
                    u_edge_px=edge.u_edge_px,
                    u_tip_px=edge.u_tip_px,
                    evidence={"chance": round(sure, 3), "blur_px": round(blur, 3)},
                )
            )
    return found


def patch_of(share: np.ndarray, mask: np.ndarray, box, reading: Reading, usable: np.ndarray) -> Patch:
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


def _kind(reading: Reading, mask: np.ndarray, cell_mm: float) -> str:
    """What it is: by the network, and of an unfused line by what lies round it."""
    name = KINDS[int(np.argmax([reading.kind[k][mask].mean() for k in range(len(KINDS))]))]
    if name != "lack-of-fusion":
        return name
    reach = 2 * max(round(NEAR_MM / cell_mm), 1) + 1
    ring = (cv2.dilate(mask.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0) & ~mask
    if reading.tissue[GAP][ring].max(initial=0.0) > 0.5:
        return "lack-of-root-fusion"
    return "lack-of-inter-run-fusion" if reading.tissue[WELD][ring].mean() > ALL_WELD else "lack-of-sidewall-fusion"
