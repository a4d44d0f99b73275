"""Photographs to teach a small network where a bent face lies: this project's scenes, and bars put together another way.

The composites share nothing with `specimeter.scene` but the drawing of the card: benches, clutter and skins of `bench_drawing`
and `relief`, a bar whose height falls away along the arc and down its legs, lamps of their own.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.scale.likely_face import SEEN_AT, STEEPEST_DEG
from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from specimeter.training import face, photographs, relief
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
from specimeter.training.noise import soft_step
from specimeter.training.split import HELD_OUT, TRAINED_ON

FIRST_SEED = 1_270_000
STEEPEST = np.radians(STEEPEST_DEG)
U_SCALE = 0.1  # relative; where nobody entered the crown's height its size is not well known


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photograph:
    """A photograph (H, W, 3) uint8 sRGB, the face's outline (N, 2) in its pixels, the card's corners or None, mm to a pixel."""

    rgb: np.ndarray
    face_px: np.ndarray
    card_px: np.ndarray | None
    mm_per_px: float


def example(seed: int) -> np.ndarray | None:
    """Figures and truth of one scene or composite (odd seeds), as `face.example` gives them."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    number = seed - FIRST_SEED
    if number % 2:
        one = composite(seed)
        card = [] if one.card_px is None else [one.card_px]
        return face.figured(one.rgb, one.mm_per_px, one.face_px, card, rng, u_scale=U_SCALE, seen_at=SEEN_AT)
    groups = HELD_OUT if number % face.CHECK_EVERY == 0 else TRAINED_ON
    width_px = int(rng.choice([900, 1200, 1600]))
    try:
        picture = render(random_scene(seed, width_px=width_px, clean=rng.random() < 0.2, **groups))
    except (ValueError, FloatingPointError) as error:
        print(f"scene {seed} left out: {error}", flush=True)
        return None
    rgb = photographs.decoded(picture)
    return of_picture(rgb, picture.truth, rng)


def of_picture(rgb: np.ndarray, truth: dict, rng: np.random.Generator) -> np.ndarray:
    """The same of a photograph (H, W, 3) sRGB uint8 with its truth."""
    return face.of_picture(rgb, truth, rng, u_scale=U_SCALE, seen_at=SEEN_AT)


def composite(seed: int) -> Photograph:
    """One photograph by lot: a bench, clutter, a bent bar and mostly a card."""
    rng = np.random.default_rng([seed, 31])
    size, rows = size_by_lot(rng)
    body = bench(rng, size)
    width_mm, radius_mm = rng.uniform(14, 60), np.exp(rng.uniform(np.log(9), np.log(50)))
    shown = rng.uniform(0.14, 0.6) * rows
    mm_per_px = float(np.clip(max(width_mm, 2 * radius_mm) / shown, 0.06, 0.4))
    width, radius = width_mm / mm_per_px, radius_mm / mm_per_px
    middle = np.array([size / 2, rows / 2]) + rng.normal(0, 0.07, 2) * rows
    turn = float(rng.choice([0, np.pi / 2]) + rng.normal(0, 0.12))
    for _ in range(int(rng.integers(0, 8))):
        clutter(rng, body, rows, middle, 0.8 * max(width, 2 * radius))
    outline = _bar(rng, body, middle, turn, width, radius)
    rgb = relief.shaded(rng, body)[:rows]
    rgb *= (0.22 / max(float(np.median(rgb)), 1e-4)) * np.exp(rng.normal(0, 0.3))
    away = 0.5 * max(width, 2 * radius) + 4
    card = card_beside(rng, rgb, mm_per_px, middle, away) if rng.random() < 0.8 else None
    rgb = photographed(rng, rgb)
    return Photograph(rgb=rgb, face_px=outline, card_px=card, mm_per_px=mm_per_px)


def _bar(
    rng: np.random.Generator, body: relief.Skin, middle: np.ndarray, turn: float, width: float, radius: float
) -> np.ndarray:
    """The bent bar laid into the bench; the outline of its examined face."""
    size = len(body.height)
    half_angle = np.radians(rng.choice([90.0, rng.uniform(55.0, 90.0)]))
    flank = radius * np.sin(half_angle)
    leg = rng.uniform(0.0, 1.2) * radius * max(np.cos(half_angle), 0.02)
    nearer = rng.uniform(0.0, 0.3)  # radius over the lens's distance: the crown looks wider than what lies lower
    reach = flank + leg
    s = np.linspace(-reach, reach, 81)
    drop = _drop(s, radius, half_angle)
    sides = 0.5 * width * (1 - nearer * drop / radius * rng.uniform(0.3, 1.0))
    outline = np.concatenate([np.column_stack([s, -sides]), np.column_stack([s[::-1], sides[::-1]])])
    if rng.random() < 0.5:  # a wall of it shows, lower and of its own tone
        lean = rng.normal(0, 0.06, 2) * size * rng.choice([0.4, 1.0])
        hull = cv2.convexHull(np.concatenate([outline, outline + lean]).astype(np.float32)).reshape(-1, 2)
        lay(rng, body, turned(hull, turn, middle), smooth_skin(rng, size), 4.0)
    skin = relief.skin(rng, size)
    cos, sin = np.cos(turn), np.sin(turn)
    y, x = np.mgrid[:size, :size].astype(np.float32)
    along = (x - middle[0]) * cos + (y - middle[1]) * sin
    across = (y - middle[1]) * cos - (x - middle[0]) * sin
    albedo, height = skin.albedo.copy(), skin.height * np.float32(rng.uniform(0.1, 1.0))
    if rng.random() < 0.5:  # the weld runs across the face, or along it
        where = along if rng.random() < 0.6 else across
        band = soft_step(-np.abs(where - rng.normal(0, 0.2) * radius), -rng.uniform(0.1, 0.6) * radius, rng.uniform(1, 6))
        other = relief.skin(rng, size)
        albedo += (other.albedo - albedo) * (band * rng.uniform(0.2, 1.0))[..., None].astype(np.float32)
        height += band * rng.uniform(0.0, 0.5) * other.height
    for _ in range(int(rng.choice([0, 1, 2, 4, 8]))):  # openings, dark within
        spot = rng.uniform(-0.9, 0.9, 2) * [flank, width / 2]
        axes = np.exp(rng.uniform(np.log(0.01), np.log(0.12), 2)) * width
        tilt = rng.uniform(0, np.pi)
        du, dv = along - spot[0], across - spot[1]
        far = np.hypot((du * np.cos(tilt) + dv * np.sin(tilt)) / axes[0], (dv * np.cos(tilt) - du * np.sin(tilt)) / axes[1])
        hole = soft_step(-far, -1.0, 0.1)
        albedo *= 1 - (hole * rng.uniform(0.5, 0.97))[..., None]
        height -= hole * rng.uniform(2, 12)
    high = radius * np.cos(half_angle) + rng.uniform(0.3, 1.5) * radius
    profile = (high - _drop(along, radius, half_angle) * rng.uniform(0.7, 1.0)).astype(np.float32)
    share = filled(size, turned(outline, turn, middle))
    blend(body, share, height + profile, albedo, skin.gloss)
    steepest = radius * np.sin(min(STEEPEST, half_angle))
    s = np.linspace(-steepest, steepest, 41)
    sides = np.interp(s, np.linspace(-reach, reach, 81), sides)
    examined = np.concatenate([np.column_stack([s, -sides]), np.column_stack([s[::-1], sides[::-1]])])
    return turned(examined, turn, middle)


def _drop(s: np.ndarray, radius: float, half_angle: float) -> np.ndarray:
    """How far the surface has fallen below the crown at `s` beside it, seen from above: the arc, then a straight leg."""
    flank = radius * np.sin(half_angle)
    arc = radius - np.sqrt(np.maximum(radius**2 - np.minimum(np.abs(s), 0.995 * radius) ** 2, 0.0))
    beyond = np.maximum(np.abs(s) - flank, 0.0) * min(np.tan(half_angle), 6.0)
    return np.where(np.abs(s) > flank, radius * (1 - np.cos(half_angle)) + beyond, arc)
