"""Regions of a broken face that stand out at some scale: darker, brighter or smoother than what lies round them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.segment.fracture_maps import Face

SCALES_MM = (0.12, 0.3, 0.7, 1.6)  # half-widths of what is looked for
STEPS = (1.3, 2.2, 3.4)  # thresholds in units of the response's own scatter over the face
LOOKS = ("dark", "bright", "smooth")
LEAST_MM2, LEAST_PX = 0.02, 6
LARGEST_SHARE = 0.25  # of the face
SAME = 0.7  # intersection over union of two proposals that are one
MOST = 240


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Region:
    """One proposal: its mask within a box of the maps, which look it has, at what scale, and how far it stands out."""

    mask: np.ndarray  # bool (h, w)
    left: int
    top: int
    look: str
    scale_mm: float
    strength: float  # mean response over the scatter

    def window(self) -> tuple[slice, slice]:
        """Rows and columns of its box."""
        return slice(self.top, self.top + self.mask.shape[0]), slice(self.left, self.left + self.mask.shape[1])


def propose(face: Face) -> list[Region]:
    """Regions that stand out, strongest first."""
    found: list[Region] = []
    area = int(face.usable.sum())
    if area < 100:
        return found
    fields = {"dark": -face.blur(face.light, 0.05), "bright": face.blur(face.light, 0.05), "smooth": -face.rough}
    for name, field in fields.items():
        field = np.where(face.usable, field, np.float32(np.median(field[face.usable])))
        for scale in SCALES_MM:
            if scale < 1.2 * face.mm:
                continue
            own = face.blur(field, 0.45 * scale)
            response = own - face.within(field, 2.6 * scale)
            scatter = 1.4826 * float(np.median(np.abs(response[face.usable][::7]))) + 1e-3
            for step in STEPS:
                found += _parts(face, response / scatter, step, name, scale, area)
    found.sort(key=lambda region: -region.strength)
    return _distinct(found)[:MOST]


def _parts(face: Face, response: np.ndarray, step: float, look: str, scale: float, area: int) -> list[Region]:
    mask = ((response > step) & face.usable).astype(np.uint8)
    if scale / face.mm > 3:
        mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    stats = stats.reshape(-1, 5)
    least = max(LEAST_PX, 0.5 * (scale / face.mm) ** 2, LEAST_MM2 / face.mm**2)
    parts = []
    for k in range(1, count):
        left, top, width, height, size = stats[k]
        if not least <= size <= LARGEST_SHARE * area:
            continue
        box = labels[top : top + height, left : left + width] == k
        strength = float(response[top : top + height, left : left + width][box].mean())
        filled = _filled(box)
        parts.append(
            Region(mask=filled, left=int(left), top=int(top), look=look, scale_mm=scale, strength=strength * size**0.15)
        )
    return parts


def _filled(mask: np.ndarray) -> np.ndarray:
    """The mask without holes: what lies inside a hollow belongs to it."""
    outlines = cv2.findContours(np.pad(mask.astype(np.uint8), 1), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    full = np.zeros((mask.shape[0] + 2, mask.shape[1] + 2), np.uint8)
    cv2.fillPoly(full, outlines, 1)
    return full[1:-1, 1:-1] > 0


def shared(one: Region, other: Region) -> int:
    """Pixels that two regions have in common."""
    y0, y1 = max(one.top, other.top), min(one.top + one.mask.shape[0], other.top + other.mask.shape[0])
    x0, x1 = max(one.left, other.left), min(one.left + one.mask.shape[1], other.left + other.mask.shape[1])
    if y0 >= y1 or x0 >= x1:
        return 0
    first = one.mask[y0 - one.top : y1 - one.top, x0 - one.left : x1 - one.left]
    second = other.mask[y0 - other.top : y1 - other.top, x0 - other.left : x1 - other.left]
    return int(np.count_nonzero(first & second))


def _distinct(regions: list[Region]) -> list[Region]:
    """Regions without those that an earlier, stronger one of the same look nearly covers and is covered by."""
    kept: list[Region] = []
    sizes: list[int] = []
    for region in regions:
        size = int(region.mask.sum())
        for other, known in zip(kept, sizes, strict=True):
            if other.look != region.look or not 0.6 < size / known < 1.7:
                continue
            both = shared(region, other)
            if both > SAME * (size + known - both):
                break
        else:
            kept.append(region)
            sizes.append(size)
            if len(kept) > 3 * MOST:
                break
    return kept
