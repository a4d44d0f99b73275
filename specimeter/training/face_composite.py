"""Whole photographs of broken halves put together another way: a bench, clutter, a body with its notches, a rough face, a card.

They share nothing with `specimeter.scene` but the drawing of the card: skins of `fracture_skins` and `relief`, one height field
for all, lamps of its own. So the network that says where the face lies does not learn one renderer's metal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.training import fracture_skins, relief
from specimeter.training.bench_drawing import (
    bench,
    blend,
    card_beside,
    clutter,
    filled,
    lay,
    photographed,
    size_by_lot,
    smooth_skin,
    turned,
)
from specimeter.training.noise import smooth, soft_step

FIRST_SEED = 1_250_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Composite:
    """A photograph (H, W, 3) uint8 sRGB, outlines (N, 2) in its pixels of the face and of the whole broken end with its notches
    and plate, the card's corners or None, mm to a pixel, and the turn of the specimen in radians."""

    rgb: np.ndarray
    face_px: np.ndarray
    body_px: np.ndarray
    card_px: np.ndarray | None
    mm_per_px: float
    turn: float


def composite(seed: int, *, near: bool = False) -> Composite:
    """One photograph by lot; `near` ones show little beside the specimen."""
    rng = np.random.default_rng([seed, 29])
    size, rows = size_by_lot(rng)
    body = bench(rng, size)
    shown = rng.uniform(*((0.4, 0.85) if near else (0.14, 0.62))) * size  # the specimen's width in the picture
    width_mm, thick_mm = rng.uniform(18, 80), np.exp(rng.uniform(np.log(4), np.log(28)))
    mm_per_px = float(np.clip(width_mm / shown, 0.03 if near else 0.05, 0.3))
    width, thick = width_mm / mm_per_px, min(thick_mm / mm_per_px, 0.8 * rows)
    middle = np.array([size / 2, rows / 2]) + rng.normal(0, 0.03 if near else 0.06, 2) * size
    turn = float(rng.choice([0, np.pi / 2]) + rng.normal(0, 0.12))
    if abs(np.sin(turn)) > 0.5:
        width = min(width, 0.9 * rows)
    for _ in range(int(rng.integers(0, 7))):
        clutter(rng, body, rows, middle, 0.6 * width)
    ends = rng.uniform(0.02, 0.2, 2) * width * (rng.random(2) < 0.8)
    beyond = np.minimum(rng.uniform(0, 0.7, 2) * thick, 9 / mm_per_px) * (rng.random(2) < 0.45)
    spun = _Spun(turn=turn, middle=middle)
    end = _wobbly(rng, -width / 2, width / 2, -thick / 2 - beyond[0], thick / 2 + beyond[1], calm=0.35)
    face = _wobbly(rng, -width / 2 + ends[0], width / 2 - ends[1], -thick / 2, thick / 2)
    end, face = _held(face, end, ends, beyond)
    _specimen(rng, body, spun, end)
    _round_the_face(rng, body, spun, end, (width, thick), ends, beyond)
    _face(rng, body, spun.of(face), size, thick, spun)
    rgb = relief.shaded(rng, body)[:rows]
    rgb *= (0.22 / max(float(np.median(rgb)), 1e-4)) * np.exp(rng.normal(0, 0.3))
    _edge_shades(rng, rgb, spun.of(face))
    card = (
        card_beside(rng, rgb, mm_per_px, middle, 0.5 * max(thick, width) + 4) if rng.random() < (0.3 if near else 0.8) else None
    )
    return Composite(
        rgb=photographed(rng, rgb), face_px=spun.of(face), body_px=spun.of(end), card_px=card, mm_per_px=mm_per_px, turn=turn
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Spun:
    """Where the specimen lies."""

    turn: float
    middle: np.ndarray

    def of(self, outline: np.ndarray) -> np.ndarray:
        """Pixels of an outline in the specimen's own axes."""
        return turned(outline, self.turn, self.middle)


def _held(face: np.ndarray, end: np.ndarray, ends: np.ndarray, beyond: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Outlines of the whole end and of the face within it, which share a border where nothing lies between."""
    box = np.array([face.min(axis=0), face.max(axis=0)])
    bare = np.array([[ends[0] == 0, beyond[0] == 0], [ends[1] == 0, beyond[1] == 0]])
    inner = 0.03 * float(np.ptp(face, axis=0).min())
    low, high = np.where(bare[0], box[0] + inner, -1e9), np.where(bare[1], box[1] - inner, 1e9)
    return _union(face, np.clip(end, low, high)), face


def _union(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """The outline round both."""
    low = np.minimum(one.min(axis=0), other.min(axis=0)) - 2
    size = np.ceil(np.maximum(one.max(axis=0), other.max(axis=0)) - low).astype(int) + 4
    raster = np.zeros((2 * size[1], 2 * size[0]), np.uint8)
    for outline in (one, other):
        cv2.fillPoly(raster, [np.round(((outline - low) * 2 + 0.5) * 16).astype(np.int32).reshape(-1, 1, 2)], 1, shift=4)
    rings = cv2.findContours(raster, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    ring = max(rings, key=cv2.contourArea).reshape(-1, 2).astype(float)
    return (ring[::3] - 0.5) / 2 + low


def _specimen(rng: np.random.Generator, body: relief.Skin, spun: _Spun, end: np.ndarray) -> None:
    """The bar, standing above the bench; a wall of it may show, dark or as bright as the top."""
    size = len(body.height)
    if rng.random() < 0.6:  # the wall towards one side, lower and of its own tone
        lean = rng.normal(0, 0.05, 2) * size * rng.choice([0.3, 0.6, 1.0])
        moved = np.concatenate([end + t * lean for t in np.linspace(0, 1, 5)])
        hull = cv2.convexHull(moved.astype(np.float32)).reshape(-1, 2)
        lay(rng, body, spun.of(hull), smooth_skin(rng, size), rng.uniform(2, 12))
    lay(rng, body, spun.of(end), smooth_skin(rng, size), rng.uniform(8, 40))


def _round_the_face(
    rng: np.random.Generator,
    body: relief.Skin,
    spun: _Spun,
    end: np.ndarray,
    extent: tuple[float, float],
    ends: Sequence[float] | np.ndarray,
    beyond: Sequence[float] | np.ndarray,
) -> None:
    """What lies round the face on the same end: notches at both ends, plate or cap beside its long sides, each on its level."""
    size, width = len(body.height), extent[0]
    share = filled(size, spun.of(end))
    level = float(body.height[share > 0.5].mean()) if (share > 0.5).any() else 0.0
    far = 2.0 * size
    boxes = [(-far, -width / 2 + ends[0] + 3, -far, far), (width / 2 - ends[1] - 3, far, -far, far)]
    boxes += [(-far, far, -far, 0.0), (-far, far, 0.0, far)]
    kinds = [beyond[0] > 0, beyond[1] > 0, ends[0] > 0, ends[1] > 0]
    notch = smooth_skin(rng, size)
    for number in (2, 3, 0, 1):
        if not kinds[number]:
            continue
        left, right, top, bottom = boxes[number - 2] if number > 1 else boxes[2 + number]
        strip = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
        own = share * filled(size, np.clip(spun.of(strip), -4 * size, 4 * size))
        skin = notch if number > 1 and rng.random() < 0.7 else relief.skin(rng, size)
        high = level + float(rng.choice([-1, -1, 1]) * rng.uniform(0.5, 14))
        blend(body, own, skin.height * np.float32(rng.uniform(0.1, 1.0)) + np.float32(high), skin.albedo, skin.gloss)


def _face(rng: np.random.Generator, body: relief.Skin, outline: np.ndarray, size: int, thick: float, spun: _Spun) -> None:
    """The break itself, worked into the bar's end: of one look, or of two with a lip or a zone between; with things on it."""
    share = filled(size, outline)
    tone = np.median(body.albedo[share > 0.5], axis=0) if (share > 0.5).any() else np.full(3, 0.3)
    level = float(body.height[share > 0.5].mean()) if (share > 0.5).any() else 0.0
    rough = _broken_skin(rng, size, tone)
    if rng.random() < 0.5:  # a shear lip along a side, a rim, a zone of another look: they belong to the face
        _zoned(rng, rough, _broken_skin(rng, size, tone), share, thick, spun)
    base = cv2.GaussianBlur(rough.height, (0, 0), 0.2 * thick + 2)
    height = rough.height - base * np.float32(rng.uniform(0.3, 1.0)) + level + rng.uniform(-8, 12)
    for _ in range(int(rng.choice([0, 0, 1, 2, 4]))):  # cavities, slag, smooth places
        _spot(rng, rough, height, share, thick)
    blend(body, share, height, rough.albedo, rough.gloss)


def _broken_skin(rng: np.random.Generator, size: int, tone: np.ndarray) -> relief.Skin:
    rough = fracture_skins.skin(rng, size)
    finer = float(np.exp(rng.uniform(np.log(0.2), np.log(1.6))))
    rough.height *= finer
    if rng.random() < 0.5:  # as bright as the bar: only its roughness tells
        rough.albedo *= tone / np.maximum(np.median(rough.albedo, axis=(0, 1)), 1e-3) * np.float32(np.exp(rng.normal(0, 0.25)))
    return rough


def _zoned(
    rng: np.random.Generator, rough: relief.Skin, other: relief.Skin, share: np.ndarray, thick: float, spun: _Spun
) -> None:
    """Part of the face of another look: all round, or along one side, slanted as a shear lip is."""
    size = len(share)
    to_border = cv2.distanceTransform((share > 0.5).astype(np.uint8), cv2.DIST_L2, 5)
    y, x = np.mgrid[:size, :size].astype(np.float32)
    across = (y - spun.middle[1]) * np.cos(spun.turn) - (x - spun.middle[0]) * np.sin(spun.turn)
    side = float(rng.choice([-1, 1]))
    gap = to_border if rng.random() < 0.4 else thick / 2 - side * across
    wide = rng.uniform(0.08, 0.4) * thick
    uneven = wide * (1 + rng.uniform(0, 0.4) * smooth(rng, size, int(rng.integers(4, 14))))
    zone = soft_step(uneven - gap, 0.0, rng.uniform(0.02, 0.3) * wide + 0.5).astype(np.float32)
    slope = np.float32(rng.choice([-1, 1]) * rng.uniform(0.0, 0.9))
    tone = np.float32(np.exp(rng.normal(0, 0.4)))
    rough.height += (other.height * np.float32(rng.uniform(0.2, 1.0)) - rough.height) * zone
    rough.height += slope * np.clip(uneven - gap, 0, 2 * wide)
    rough.albedo += (other.albedo * tone - rough.albedo) * zone[..., None]
    rough.gloss += (other.gloss - rough.gloss) * zone


def _spot(rng: np.random.Generator, rough: relief.Skin, height: np.ndarray, share: np.ndarray, thick: float) -> None:
    """A cavity, a lump of slag or a smooth place, anywhere on the face and at its border."""
    rows, columns = np.nonzero(share > 0.5)
    if not len(rows):
        return
    size = len(share)
    k = int(rng.integers(len(rows)))
    axes = np.maximum(np.exp(rng.uniform(np.log(0.02), np.log(0.3), 2)) * thick, 1.5)
    ring = np.asarray(cv2.ellipse2Poly((0, 0), (int(8 * axes[0]) + 1, int(8 * axes[1]) + 1), 0, 0, 360, 8), float) / 8
    ring *= np.exp(rng.normal(0, rng.choice([0.0, 0.15]), (len(ring), 1)))
    own = filled(size, turned(ring, rng.uniform(0, np.pi), [columns[k], rows[k]]))
    deep = rng.choice([0.0, 1.0, 3.0]) * rng.uniform(0.1, 0.6) * float(min(axes))
    smooth_here = cv2.GaussianBlur(height, (0, 0), max(0.5 * float(min(axes)), 1.0))
    height += (smooth_here - deep - height) * own
    shade = np.exp(rng.uniform(np.log(0.08), np.log(1.6))) * (1 + rng.normal(0, 0.08, 3))
    rough.albedo *= (1 + (shade - 1) * own[..., None]).astype(np.float32)
    rough.gloss += (np.float32(rng.uniform(0, 0.9)) - rough.gloss) * own


def _edge_shades(rng: np.random.Generator, rgb: np.ndarray, face: np.ndarray) -> None:
    """A dark gap or a bright burr along part of the face's border, as steps and saw cuts leave them."""
    if rng.random() < 0.4:
        size = max(rgb.shape[:2])
        start, long = int(rng.integers(len(face))), int(len(face) * rng.uniform(0.1, 0.6))
        line = np.take(face, np.arange(start, start + long), axis=0, mode="wrap") + rng.normal(0, 0.6, 2)
        mark = np.zeros((size, size), np.uint8)
        wide = int(rng.integers(1, 4))
        cv2.polylines(mark, [np.round(line * 16).astype(np.int32).reshape(-1, 1, 2)], False, 255, wide, cv2.LINE_AA, 4)
        mark = cv2.GaussianBlur(mark, (0, 0), rng.uniform(0.4, 1.2)).astype(np.float32)[: rgb.shape[0], :, None] / 255
        uneven = np.clip(0.6 + 0.6 * smooth(rng, size, 20)[: rgb.shape[0], :, None], 0, 1)
        rgb *= 1 + mark * uneven * np.float32(rng.choice([-0.8, -0.8, 1.2]) * rng.uniform(0.3, 1.0))


def _wobbly(rng: np.random.Generator, left: float, right: float, top: float, bottom: float, calm: float = 1.0) -> np.ndarray:
    """A rectangle whose sides are straight, wavy, bulged or slanted, (N, 2); `calm` scales how much."""
    corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    corners = corners + calm * rng.normal(0, 0.01, (4, 2)) * (right - left)
    extent = min(right - left, bottom - top)
    points = []
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        u = np.linspace(0, 1, 60)[:-1]
        normal = np.array([end[1] - start[1], start[0] - end[0]]) / max(float(np.hypot(*(end - start))), 1e-6)
        wave = sum(rng.normal(0, 0.012 / k) * np.sin(np.pi * k * u + rng.uniform(0, 6.3) * (k > 1)) for k in range(1, 8))
        wave = wave * calm * extent * rng.choice([0.0, 0.5, 1.0, 2.0]) * np.minimum(1, 8 * np.minimum(u, 1 - u))
        points.append(start + u[:, None] * (end - start) + wave[:, None] * normal)
    return np.concatenate(points)
