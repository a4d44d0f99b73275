"""Marks on the face that are no imperfections, and the lips around openings, worked into the metal's maps."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import ArrayLike

from specimeter.scene import shapes
from specimeter.scene.describe import Mark, Opening
from specimeter.scene.material import RUST, Maps, blotches, noise, ramp

# strokes on a grid 4 wide and 6 high, y down
STROKES: dict[str, list[list[tuple[float, float]]]] = {
    "0": [[(0, 1), (1, 0), (3, 0), (4, 1), (4, 5), (3, 6), (1, 6), (0, 5), (0, 1)]],
    "1": [[(1, 1), (2, 0), (2, 6)], [(1, 6), (3, 6)]],
    "2": [[(0, 1), (1, 0), (3, 0), (4, 1), (4, 2), (0, 6), (4, 6)]],
    "3": [[(0, 0), (4, 0), (2, 2.5), (4, 4), (3, 6), (1, 6), (0, 5)]],
    "4": [[(3, 6), (3, 0), (0, 4), (4, 4)]],
    "5": [[(4, 0), (0, 0), (0, 2.5), (3, 2.5), (4, 3.5), (4, 5), (3, 6), (0, 6)]],
    "6": [[(4, 0), (1, 1.5), (0, 4), (1, 6), (3, 6), (4, 4.5), (3, 3), (0.5, 3.2)]],
    "7": [[(0, 0), (4, 0), (1.5, 6)]],
    "8": [[(2, 2.7), (0.5, 1.5), (1, 0), (3, 0), (3.5, 1.5), (2, 2.7), (0, 4.5), (1, 6), (3, 6), (4, 4.5), (2, 2.7)]],
    "9": [[(0, 6), (3, 4.5), (4, 2), (3, 0), (1, 0), (0, 1.5), (1, 3), (3.5, 2.8)]],
    "A": [[(0, 6), (2, 0), (4, 6)], [(0.8, 4), (3.2, 4)]],
    "B": [[(0, 0), (0, 6), (3, 6), (4, 4.5), (3, 3), (0, 3)], [(0, 0), (3, 0), (3.7, 1.5), (3, 3)]],
    "F": [[(4, 0), (0, 0), (0, 6)], [(0, 3), (3, 3)]],
    "H": [[(0, 0), (0, 6)], [(4, 0), (4, 6)], [(0, 3), (4, 3)]],
    "K": [[(0, 0), (0, 6)], [(4, 0), (0, 3.5), (4, 6)]],
    "R": [[(0, 6), (0, 0), (3, 0), (4, 1.5), (3, 3), (0, 3), (4, 6)]],
    "S": [[(4, 1), (3, 0), (1, 0), (0, 1.2), (1, 3), (3, 3), (4, 4.8), (3, 6), (1, 6), (0, 5)]],
    "T": [[(0, 0), (4, 0)], [(2, 0), (2, 6)]],
    "W": [[(0, 0), (1, 6), (2, 2), (3, 6), (4, 0)]],
    "X": [[(0, 0), (4, 6)], [(4, 0), (0, 6)]],
}


def lettering(
    text: str, height_mm: float, centre_mm: ArrayLike, angle_rad: float, rng: np.random.Generator
) -> tuple[np.ndarray, ...]:
    """Polylines in developed mm of a text, struck or written by hand: each letter a little off."""
    lines, pitch = [], 6.0
    for i, letter in enumerate(text):
        wobble, drop = rng.normal(0, 0.06), rng.normal(0, 0.35)
        for stroke in STROKES.get(letter, []):
            points = np.array(stroke, float) - [2, 3]
            points = points @ np.array([[np.cos(wobble), np.sin(wobble)], [-np.sin(wobble), np.cos(wobble)]])
            points += [(i - (len(text) - 1) / 2) * pitch, drop]
            lines.append(
                shapes.turn(
                    points * [1, -1] * height_mm / 6,  # seen from outside, a runs up where s runs right
                    angle_rad,
                    centre_mm,
                )
            )
    return tuple(lines)


def _window(maps: Maps, points_mm: np.ndarray, margin_mm: float) -> tuple[slice, slice, np.ndarray] | None:
    """The part of the maps around points: slices, and the texel place of its corner; None if outside."""
    texels = maps.texel(points_mm)
    margin = margin_mm * maps.per_mm + 2
    x0, y0 = np.floor(texels.min(0) - margin).astype(int)
    x1, y1 = np.ceil(texels.max(0) + margin).astype(int) + 1
    rows, columns = maps.shape
    x0, y0, x1, y1 = max(x0, 0), max(y0, 0), min(x1, columns), min(y1, rows)
    return None if x0 >= x1 or y0 >= y1 else (slice(y0, y1), slice(x0, x1), np.array([x0, y0]))


def _strokes(maps: Maps, mark: Mark, margin_mm: float) -> tuple[slice, slice, np.ndarray] | None:
    """Coverage 0..1 of a mark's strokes or spots in its window of the maps."""
    window = _window(maps, np.concatenate(mark.lines_mm), margin_mm + mark.size_mm)
    if window is None:
        return None
    rows, columns, corner = window
    grow = 4 if mark.size_mm * maps.per_mm < 6 else 1  # thin strokes are drawn large, then averaged
    mask = np.zeros(((rows.stop - rows.start) * grow, (columns.stop - columns.start) * grow), np.uint8)
    thick = max(1, round(mark.size_mm * maps.per_mm * grow))
    for line in mark.lines_mm:
        texels = (maps.texel(line) - corner + 0.5) * grow - 0.5
        at = np.round(texels * 16).astype(np.int32)
        if len(at) == 1:
            cv2.circle(mask, tuple(int(v) for v in at[0]), int(thick * 8), 255, -1, cv2.LINE_AA, 4)
        else:
            cv2.polylines(mask, [at.reshape(-1, 1, 2)], False, 255, thick, cv2.LINE_AA, 4)
    if grow > 1:
        mask = cv2.resize(mask, None, fx=1 / grow, fy=1 / grow, interpolation=cv2.INTER_AREA)
    return rows, columns, mask.astype(np.float32) / 255


def _press(maps: Maps, rows: slice, columns: slice, height_mm: np.ndarray) -> None:
    """Add a relief (mm) to the slopes of a window."""
    slope_a, slope_s = np.gradient(height_mm * np.float32(maps.per_mm))
    maps.slope_a[rows, columns] += np.clip(slope_a, -1.6, 1.6)
    maps.slope_s[rows, columns] += np.clip(slope_s, -1.6, 1.6)


def apply(maps: Maps, mark: Mark) -> None:
    """Work one mark into the maps."""
    rng = np.random.default_rng(mark.seed)
    soft = {"stamp": 0.5, "dent": 1.0, "punch": 0.6, "pit": 0.4, "stain": 1.5, "oil": 2.0, "rust": 1.0, "fingerprint": 0.5}
    drawn = _strokes(maps, mark, soft.get(mark.kind, 0.2))
    if drawn is None:
        return
    rows, columns, cover = drawn
    per_mm = maps.per_mm
    alpha: np.ndarray  # how much of the metal is covered
    metal, body, rough = maps.metal[rows, columns], maps.body[rows, columns], maps.rough[rows, columns]

    def blur(field: np.ndarray, mm: float) -> np.ndarray:
        return cv2.GaussianBlur(field, (0, 0), max(mm * per_mm, 0.35))

    if mark.kind in ("stamp", "punch"):
        bowl = blur(cover, 0.28 * mark.size_mm)
        _press(maps, rows, columns, -mark.strength * bowl + 0.25 * mark.strength * blur(cover, mark.size_mm))
        metal *= (1 - 0.45 * bowl)[..., None]
        rough *= 1 + 0.5 * bowl
    elif mark.kind in ("dent", "pit"):
        bowl = blur(cover, 0.35 * mark.size_mm)
        _press(maps, rows, columns, -mark.strength * mark.size_mm * bowl)
        if mark.kind == "pit":
            metal *= (1 - 0.4 * bowl)[..., None]
            rough *= 1 + 0.6 * bowl
    elif mark.kind in ("scratch", "gauge-line", "grinding"):
        fine = cover * np.clip(1 + 0.5 * noise(rng, cover.shape, per_mm, (0.8,)), 0, 1.6) if cover.size > 64 else cover
        _press(maps, rows, columns, -0.35 * mark.size_mm * fine)
        gain = np.exp(np.float32(mark.strength) * fine)  # above 0 brighter, below darker
        metal *= gain[..., None]
        body *= gain[..., None]
    elif mark.kind == "ink":
        worn = np.clip(
            1.15 + 0.3 * blotches(rng, cover.shape, 1.0, per_mm) + 0.2 * noise(rng, cover.shape, per_mm, (0.2,)), 0, 1
        )
        alpha = (cover * worn * np.float32(mark.strength))[..., None]
        colour = np.array(mark.colour, np.float32)
        metal += (0.04 - metal) * alpha
        body += (colour - body) * alpha
    elif mark.kind == "fingerprint":
        ridges = (cover * np.clip(0.7 + 0.5 * blotches(rng, cover.shape, 3.0, per_mm), 0, 1) * np.float32(mark.strength))[
            ..., None
        ]
        metal *= 1 - 0.35 * ridges
        body *= 1 + 0.3 * ridges
        rough *= 1 + 0.5 * ridges[..., 0]
    elif mark.kind in ("dust", "fibre"):
        alpha = (cover * np.float32(mark.strength))[..., None]
        metal *= 1 - alpha
        body += (np.array(mark.colour, np.float32) - body) * alpha
    elif mark.kind == "rust":
        field = blur(cover, 0.3 * mark.size_mm) + 0.25 * blotches(rng, cover.shape, 0.7, per_mm) * blur(
            cover, 0.5 * mark.size_mm
        )
        alpha = (ramp(field, 0.25, 0.9) * np.float32(mark.strength))[..., None]
        metal *= 1 - 0.9 * alpha
        body += (RUST - body) * alpha
    elif mark.kind in ("stain", "oil"):
        field = blur(cover, 0.18 * mark.size_mm) + 0.18 * blotches(rng, cover.shape, 2.5, per_mm)
        alpha = ramp(field, 0.35, 0.75) * np.float32(mark.strength)
        rim = np.exp(-0.5 * ((field - 0.5) / 0.06) ** 2) * np.float32(mark.strength)
        tint = np.array(mark.colour, np.float32)
        metal *= 1 - (alpha[..., None] * (1 - tint)) - (0.3 * rim[..., None] if mark.kind == "stain" else 0)
        rough *= (1 + 0.8 * alpha) if mark.kind == "stain" else (1 - 0.35 * alpha)
    else:
        raise ValueError(f"unknown kind of mark {mark.kind!r}")
    np.clip(metal, 0.004, 1.2, out=metal)
    np.clip(body, 0.002, 0.95, out=body)


def lip(maps: Maps, opening: Opening) -> None:
    """Raise a rounded lip just outside an opening's outline and smear the metal there."""
    if not opening.lip_mm:
        return
    reach = 4 * opening.lip_mm
    window = _window(maps, opening.outline_mm, reach)
    if window is None:
        return
    rows, columns, corner = window
    size = (rows.stop - rows.start, columns.stop - columns.start)
    inside = shapes.coverage(maps.texel(opening.outline_mm) - corner, 0, 0, size[1], size[0], lines=4) > 0.5
    away = cv2.distanceTransform((~inside).astype(np.uint8), cv2.DIST_L2, 5) / np.float32(maps.per_mm)
    away = np.minimum(away, 5 * np.float32(opening.lip_mm))
    rng = np.random.default_rng(opening.seed)
    uneven = np.clip(1 + 0.5 * blotches(rng, size, max(0.6, 3 * opening.lip_mm), maps.per_mm), 0.1, 2.2)
    height = 0.45 * opening.lip_mm * opening.lip_gain * uneven * np.exp(-0.5 * (away / opening.lip_mm) ** 2)
    height = cv2.GaussianBlur(height.astype(np.float32), (0, 0), 0.8)
    slope_a, slope_s = np.gradient(height * np.float32(maps.per_mm))
    outside = ~cv2.erode(inside.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    maps.slope_a[rows, columns] += np.where(outside, slope_a, 0)
    maps.slope_s[rows, columns] += np.where(outside, slope_s, 0)
    smear = (0.35 * opening.lip_gain * np.exp(-away / (1.2 * opening.lip_mm)) * uneven)[..., None].astype(np.float32)
    maps.metal[rows, columns] *= 1 + smear
    maps.body[rows, columns] *= 1 + 0.5 * smear
