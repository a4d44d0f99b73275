"""Parts of the examined area in which the picture could show no opening: burnt out, black, without structure, or covered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from specimeter.colour import mean_of_channels
from specimeter.photo import Photo
from specimeter.scale.surface import Surface
from specimeter.segment.detail import NOISE
from specimeter.segment.model import ExaminedArea, Outline, Unseen

BURNT = 0.95  # of full light: code 249 of 255
BLACK = 0.003  # of full light: code 10 of 255, where an opening's half of the light is three steps of code
FLAT = 0.3 / 255  # scatter of the code within a few pixels; metal and sensor noise scatter more, clipped or painted parts less
FLAT_WINDOW_PX = 7
BLOCK_PX = 6  # means over so many pixels a side keep what lies on metal and lose noise
BLOCKS = 5  # over so many of them they are compared
PLAIN = 2.0  # structure of those means, over what white noise leaves in them: 1 is noise, metal has 3 to 60
SHOWS = 5.0  # of an area, and right beside a plain part of it: metal shows there, so the part is tape, paint, paper
WIDE_MM = {
    "burnt out": 2.0,
    "black": 1.0,
    "without any structure": 1.0,
    NOISE: 2.5,
}  # narrower highlights and shadows hide no whole opening
LEAST_WIDE_PX = 5
LEAST_MM = 0.5  # shorter parts hide nothing that an unaided eye would mark
MOSTLY = 0.6  # of the pixels within such a width
BESIDE_PX = 3  # around an opening that was found: its own dark is not blindness


def mark_unseen(photo: Photo, surface: Surface, area: ExaminedArea, found: Sequence[Outline]) -> ExaminedArea:
    """The area with the parts named in which nothing could be seen; openings that were found there are seen, however dark.

    Parameters
    ----------
    photo : Photo
    surface : Surface
    area : ExaminedArea
    found : sequence of Outline
    """
    mm_per_px = float(surface.mm_per_px_at(area.outline_px.mean(axis=0)))
    if not np.isfinite(mm_per_px):
        return area
    if area.veiled:
        return _veiled(area, surface, mm_per_px)
    height, width = photo.height_px, photo.width_px
    low = np.clip(np.floor(area.outline_px.min(axis=0)).astype(int), 0, [width - 1, height - 1])
    high = np.clip(np.ceil(area.outline_px.max(axis=0)).astype(int) + 1, 1, [width, height])
    window = np.s_[low[1] : high[1], low[0] : high[0]]
    size = (high - low)[::-1]
    looked_at = _filled([area.outline_px - low], size) & ~_filled([hole - low for hole in area.exclude_px], size)
    known = cv2.dilate(_filled([one.outline_px - low for one in found], size).astype(np.uint8), _disc(2 * BESIDE_PX + 1)) > 0
    light = photo.linear()[window]
    blind = {
        "burnt out": (light >= BURNT) & looked_at,
        "black": (light <= BLACK) & looked_at & ~known,
        "without any structure": _flat(photo.rgb[window]) & looked_at & ~known,
        NOISE: _plain(photo.rgb[window], looked_at) & looked_at & ~known,
    }
    parts, taken = [], np.zeros(looked_at.shape, bool)
    for why, mask in blind.items():
        wide = max(LEAST_WIDE_PX, round(WIDE_MM[why] / mm_per_px))
        box = _box(mask & ~taken, wide)
        if box is None:
            continue
        own = mask[box] & ~taken[box]
        core = cv2.blur(own.astype(np.float32), (wide, wide)) > MOSTLY  # noise and dust break no part up
        near = _box(core, wide)
        if near is None:
            continue
        whole = core.copy()
        whole[near] |= (cv2.dilate(core[near].astype(np.uint8), _disc(wide)) > 0) & own[near]
        whole &= looked_at[box]
        taken[box] |= whole
        for outline in cv2.findContours(whole.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]:
            outline_px = outline.reshape(-1, 2).astype(float) + low + [box[1].start, box[0].start]
            length_mm = _extent_mm(outline_px, surface, mm_per_px)
            if len(outline_px) >= 3 and length_mm >= LEAST_MM:
                parts.append(Unseen(outline_px=outline_px, why=why, length_mm=length_mm))
    if not parts:
        return area
    parts.sort(key=lambda part: -part.length_mm)
    share = 100 * taken.sum() / max(looked_at.sum(), 1)
    reasons = " or ".join(dict.fromkeys(part.why for part in parts))
    said = (
        f"In {share:.2g} % of the examined area nothing could be seen: it is {reasons} "
        f"over as much as {parts[0].length_mm:.2g} mm. Photograph it again in softer, even light."
    )
    return replace(area, unseen=tuple(parts), cautions=(*area.cautions, said))


def _veiled(area: ExaminedArea, surface: Surface, mm_per_px: float) -> ExaminedArea:
    """The whole of an area whose face shows less than its edges promise."""
    whole = Unseen(outline_px=area.outline_px, why=area.veiled, length_mm=_extent_mm(area.outline_px, surface, mm_per_px))
    said = (
        f"The examined face is {area.veiled}, and its edges are sharp: it lies out of focus by itself, it moved, or the "
        "picture was altered there. What could be seen on it is not known: photograph it again, and leave the picture as it is."
    )
    return replace(area, unseen=(whole,), cautions=(*area.cautions, said))


def _box(mask: np.ndarray, margin_px: int) -> tuple[slice, slice] | None:
    """Rows and columns that hold all of a mask, with a margin within the picture; None where it holds nothing."""
    x, y, width, height = cv2.boundingRect(mask.astype(np.uint8))
    if not width:
        return None
    return np.s_[max(y - margin_px, 0) : y + height + margin_px, max(x - margin_px, 0) : x + width + margin_px]


def _filled(polygons: Sequence[np.ndarray], size: np.ndarray) -> np.ndarray:
    mask = np.zeros(tuple(size), np.uint8)
    for polygon in polygons:
        cv2.fillPoly(mask, [np.round(polygon * 16).astype(np.int32)], 1, shift=4)
    return mask > 0


def _disc(across_px: int) -> np.ndarray:
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (across_px, across_px))


def _flat(rgb: np.ndarray) -> np.ndarray:
    """Windows of a few pixels over which the code (0 to 1, mean of the channels) scatters less than `FLAT`."""
    code = mean_of_channels(rgb) / np.float32(np.iinfo(rgb.dtype).max)
    code -= code.mean(dtype=np.float64).astype(np.float32)  # keeps the difference of squares below exact
    box = (FLAT_WINDOW_PX, FLAT_WINDOW_PX)
    mean, square = (np.asarray(cv2.blur(values, box), np.float32) for values in (code, code * code))
    mean *= mean
    square -= mean
    flat = square < FLAT**2
    return cv2.dilate(flat.astype(np.uint8), np.ones(box, np.uint8)) > 0


def _plain(rgb: np.ndarray, looked_at: np.ndarray) -> np.ndarray:
    """Where nothing but noise is, right beside metal that shows: a cover, or paint, with as much noise as all the picture.

    What stands out from its neighbours, whatever the even slope of light, is taken of the pixels and of means over blocks:
    white noise leaves in a mean of n x n pixels one n-th of its scatter, and what lies on metal is wider than a pixel.
    A cover is told from nine blocks across.
    """
    plain = np.zeros(looked_at.shape, bool)
    rows, columns = (side // BLOCK_PX for side in looked_at.shape)
    if min(rows, columns) < BLOCKS:
        return plain
    whole = np.s_[: rows * BLOCK_PX, : columns * BLOCK_PX]
    code = mean_of_channels(rgb[whole]) / np.float32(np.iinfo(rgb.dtype).max)
    fine, coarse = _bends(code), _bends(_in_blocks(code))
    box = (BLOCKS, BLOCKS)
    noise = np.maximum(cv2.blur(_in_blocks(fine * fine), box), np.float32(1e-12))
    structure = BLOCK_PX * np.sqrt(np.maximum(cv2.blur(coarse * coarse, box), 0) / noise)
    inside = _in_blocks(looked_at[whole].astype(np.float32)) > 0.99
    if not inside.any() or np.median(structure[inside]) < SHOWS:
        return plain
    low = cv2.morphologyEx((structure < PLAIN).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))  # chance makes none
    low = cv2.dilate(low, np.ones(box, np.uint8))  # what was compared is plain throughout
    count, which = cv2.connectedComponents(low & inside.astype(np.uint8))
    covered = np.zeros(low.shape, np.uint8)
    for number in range(1, count):
        own = (which == number).astype(np.uint8)
        around = cv2.dilate(own, np.ones((2 * BLOCKS + 1, 2 * BLOCKS + 1), np.uint8)) > low
        beside = structure[around & inside]
        if len(beside) and np.median(beside) >= SHOWS:
            covered |= own
    plain[whole] = cv2.resize(covered, (columns * BLOCK_PX, rows * BLOCK_PX), interpolation=cv2.INTER_NEAREST) > 0
    return plain


def _bends(field: np.ndarray) -> np.ndarray:
    """What a place lies above the mean of its four neighbours, scaled to keep the scatter of white noise."""
    return np.asarray(cv2.Laplacian(field, cv2.CV_32F, ksize=1, scale=-1 / np.sqrt(20)))


def _in_blocks(field: np.ndarray) -> np.ndarray:
    """Means over blocks; the field's sides are multiples of theirs."""
    rows, columns = (side // BLOCK_PX for side in field.shape)
    return np.asarray(cv2.resize(field, (columns, rows), interpolation=cv2.INTER_AREA))


def _extent_mm(outline_px: np.ndarray, surface: Surface, mm_per_px: float) -> float:
    """Greatest extent on the developed surface; where that is not to be had, in the picture at its middle scale."""
    flat = surface.develop(outline_px)
    flat = flat[np.isfinite(flat).all(axis=1)]
    if len(flat) < 2:
        flat = outline_px * mm_per_px
    turns = np.radians(np.arange(0, 180, 3))
    return float(np.ptp(flat @ np.array([np.cos(turns), np.sin(turns)]), axis=0).max())
