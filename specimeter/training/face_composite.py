"""Whole photographs of broken halves put together another way: a bench, clutter, a body with its notches, a rough face, a card.

They share nothing with `specimeter.scene` but the drawing of the card: skins of `fracture_skins` and `relief`, one height field
for all, lamps of its own. So the network that says where the face lies does not learn one renderer's metal.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.scene import card as cards
from specimeter.training import fracture_skins, prints, relief
from specimeter.training.noise import smooth, soft_step, spectral

FIRST_SEED = 1_250_000
LONG_PX = (700, 1050)
CARD_PER_MM = 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Composite:
    """A photograph (H, W, 3) uint8 sRGB, the face's outline (N, 2) in its pixels, the card's corners or None, mm to a pixel."""

    rgb: np.ndarray
    face_px: np.ndarray
    card_px: np.ndarray | None
    mm_per_px: float


@dataclass(slots=True, kw_only=True, eq=False)
class _Ground:
    height: np.ndarray
    albedo: np.ndarray
    gloss: np.ndarray
    exponent: float


def composite(seed: int) -> Composite:
    """One photograph by lot."""
    rng = np.random.default_rng([seed, 29])
    size = int(rng.uniform(*LONG_PX))
    rows = int(size * rng.choice([0.67, 0.75, 1.0]))
    body = _bench(rng, size)
    shown = rng.uniform(0.14, 0.62) * size  # the specimen's width in the picture
    width_mm, thick_mm = rng.uniform(18, 60), rng.uniform(5, 28)
    mm_per_px = float(np.clip(width_mm / shown, 0.05, 0.3))
    width, thick = width_mm / mm_per_px, min(thick_mm / mm_per_px, 0.8 * rows)
    middle = np.array([size / 2, rows / 2]) + rng.normal(0, 0.06, 2) * size
    turn = float(rng.choice([0, np.pi / 2]) + rng.normal(0, 0.12))
    if abs(np.sin(turn)) > 0.5:
        width = min(width, 0.9 * rows)
    for _ in range(int(rng.integers(0, 7))):
        _clutter(rng, body, rows, middle, 0.6 * width)
    ends = rng.uniform(0.02, 0.17, 2) * width * (rng.random(2) < 0.8)
    above, below = rng.uniform(0, 0.5, 2) * thick * (rng.random(2) < 0.35)
    _specimen(rng, body, middle, turn, (width, thick + above + below))
    face = _turned(_wobbly(rng, -width / 2 + ends[0], width / 2 - ends[1], -thick / 2, thick / 2), turn, middle)
    _face(rng, body, face, size)
    rgb = relief.shaded(rng, body)[:rows]
    rgb *= (0.22 / max(float(np.median(rgb)), 1e-4)) * np.exp(rng.normal(0, 0.3))
    card = _card(rng, rgb, mm_per_px, middle, 0.5 * max(thick, width) + 4) if rng.random() < 0.8 else None
    return Composite(rgb=_photographed(rng, rgb), face_px=face, card_px=card, mm_per_px=mm_per_px)


def _bench(rng, size: int) -> _Ground:
    if rng.random() < 0.5:  # wood, cloth, paper, print
        albedo = np.clip(prints.ground(rng, size)[0], 0.01, 1.0).astype(np.float32)
        gloss = np.full((size, size), rng.uniform(0, 0.3), np.float32)
        return _Ground(height=0.2 * spectral(rng, size, power=1.0), albedo=albedo, gloss=gloss, exponent=8.0)
    skin = relief.skin(rng, size)
    albedo = skin.albedo * np.float32(rng.uniform(0.4, 1.8))
    return _Ground(height=skin.height, albedo=albedo, gloss=skin.gloss, exponent=skin.exponent)


def _clutter(rng, body: _Ground, rows: int, middle: np.ndarray, away: float) -> None:
    """Something that is no broken face: a block, a disc, a bar."""
    size = len(body.height)
    spot = rng.uniform((0, 0), (size, rows))
    if np.hypot(*(spot - middle)) < 1.3 * away:
        return
    across = np.exp(rng.uniform(np.log(0.02), np.log(0.25), 2)) * size
    if rng.random() < 0.5:
        shape = cv2.ellipse2Poly((0, 0), (int(across[0]), int(across[1 if rng.random() < 0.5 else 0])), 0, 0, 360, 6).astype(
            float
        )
    else:
        shape = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * across
    _lay(rng, body, _turned(shape, rng.uniform(0, np.pi), spot), _smooth_skin(rng, size), rng.uniform(4, 40))


def _specimen(rng, body: _Ground, middle, turn, extent) -> None:
    """The bar with its machined ends and plate surfaces, standing above the bench; a wall of it may show."""
    size = len(body.height)
    half = np.array(extent) / 2
    outline = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (half + rng.uniform(0, 0.02, 2) * half)
    skin = _smooth_skin(rng, size)
    if rng.random() < 0.6:  # the wall towards one side, lower and of its own tone
        lean = rng.normal(0, 0.05, 2) * size * rng.choice([0.5, 1.0])
        hull = cv2.convexHull(np.concatenate([outline, outline + lean]).astype(np.float32)).reshape(-1, 2)
        _lay(rng, body, _turned(hull, turn, middle), _smooth_skin(rng, size), rng.uniform(2, 12))
    _lay(rng, body, _turned(outline, turn, middle), skin, rng.uniform(8, 40))


def _face(rng, body: _Ground, outline: np.ndarray, size: int) -> None:
    """The break itself, worked into the bar's end."""
    rough = fracture_skins.skin(rng, size)
    finer = float(np.exp(rng.uniform(np.log(0.35), np.log(1.6))))
    rough.height *= finer
    if rng.random() < 0.5:  # as bright as the bar: only its roughness tells
        tone = np.median(body.albedo[_filled(size, outline) > 0.5], axis=0)
        rough.albedo *= tone / np.maximum(np.median(rough.albedo, axis=(0, 1)), 1e-3) * np.float32(np.exp(rng.normal(0, 0.25)))
    share = _filled(size, outline)
    level = float(body.height[share > 0.5].mean()) if (share > 0.5).any() else 0.0
    _blend(body, share, rough.height - rough.height.mean() + level + rng.uniform(-8, 12), rough.albedo, rough.gloss)


def _smooth_skin(rng, size: int) -> relief.Skin:
    """Machined, sawn, rolled, painted or rusted metal."""
    return relief.skin(rng, size, int(rng.choice([0, 1, 1, 1, 2, 3, 4, 7])))


def _lay(rng, body: _Ground, outline: np.ndarray, skin, high: float) -> None:
    share = _filled(len(body.height), outline)
    _blend(body, share, skin.height * np.float32(rng.uniform(0.1, 1.0)) + np.float32(high), skin.albedo, skin.gloss)


def _blend(body: _Ground, share: np.ndarray, height, albedo, gloss) -> None:
    body.height += (np.asarray(height, np.float32) - body.height) * share
    body.albedo += (albedo - body.albedo) * share[..., None]
    body.gloss += (gloss - body.gloss) * share


def _filled(size: int, outline: np.ndarray) -> np.ndarray:
    share = np.zeros((size, size), np.uint8)
    cv2.fillPoly(share, [np.round(outline * 16).astype(np.int32).reshape(-1, 1, 2)], 255, lineType=cv2.LINE_AA, shift=4)
    return cv2.GaussianBlur(share, (0, 0), 0.7).astype(np.float32) / 255


def _turned(outline: np.ndarray, turn: float, middle) -> np.ndarray:
    cos, sin = np.cos(turn), np.sin(turn)
    return np.asarray(outline, float) @ np.array([[cos, sin], [-sin, cos]]) + middle


def _wobbly(rng, left: float, right: float, top: float, bottom: float) -> np.ndarray:
    """A rectangle whose sides are straight, wavy, bulged or slanted, (N, 2)."""
    corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    corners = corners + rng.normal(0, 0.01, (4, 2)) * (right - left)
    extent = min(right - left, bottom - top)
    points = []
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        u = np.linspace(0, 1, 60)[:-1]
        normal = np.array([end[1] - start[1], start[0] - end[0]]) / max(float(np.hypot(*(end - start))), 1e-6)
        wave = sum(rng.normal(0, 0.012 / k) * np.sin(np.pi * k * u + rng.uniform(0, 6.3) * (k > 1)) for k in range(1, 8))
        wave = wave * extent * rng.choice([0.0, 0.5, 1.0, 2.0]) * np.minimum(1, 8 * np.minimum(u, 1 - u))
        points.append(start + u[:, None] * (end - start) + wave[:, None] * normal)
    return np.concatenate(points)


def _card(rng, rgb: np.ndarray, mm_per_px: float, middle, away: float) -> np.ndarray | None:
    """A strip card laid into the light beside the specimen; its corners in pixels, or None where it finds no room."""
    rows, columns = rgb.shape[:2]
    ink = cards.draw("strip", CARD_PER_MM)
    wide, high = (n / CARD_PER_MM / mm_per_px for n in ink.shape[::-1])
    side = rng.choice([-1, 1])
    spot = np.array(
        [middle[0] + rng.normal(0, 0.05) * columns, middle[1] + side * (away + high / 2 + rng.uniform(0, 0.1) * rows)]
    )
    if not high / 2 < spot[1] < rows - high / 2:
        return None
    corners = _turned(np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [wide / 2, high / 2], rng.normal(0, 0.08), spot)
    source = np.array([[0, 0], [ink.shape[1], 0], [ink.shape[1], ink.shape[0]], [0, ink.shape[0]]], np.float32)
    matrix = cv2.getPerspectiveTransform(source, corners.astype(np.float32))
    printed = cv2.warpPerspective(ink, matrix, (columns, rows), flags=cv2.INTER_AREA)
    there = cv2.warpPerspective(np.ones(ink.shape, np.float32), matrix, (columns, rows))[..., None]
    paper, dark = rng.uniform(0.5, 0.9), rng.uniform(0.02, 0.1)
    slow = np.exp(0.15 * smooth(rng, columns, 2)[:rows])[..., None]
    value = (paper + (dark - paper) * printed[..., None]) * slow
    rgb += (value.astype(np.float32) - rgb) * there
    return corners


def _photographed(rng, rgb: np.ndarray) -> np.ndarray:
    """Light fall-off, shadow, blur, noise, tone and JPEG."""
    rows, columns = rgb.shape[:2]
    light = np.exp(rng.uniform(0, 0.4) * smooth(rng, columns, int(rng.integers(1, 4)))[:rows])
    if rng.random() < 0.3:  # a hand's or a lamp arm's shadow
        dim = soft_step(smooth(rng, columns, 2)[:rows], rng.normal(0.5, 0.5), rng.uniform(0.02, 0.3))
        light = light * (1 - rng.uniform(0.2, 0.6) * dim)
    rgb = cv2.GaussianBlur(
        rgb * light[..., None].astype(np.float32), (0, 0), float(np.exp(rng.uniform(np.log(0.4), np.log(1.6))))
    )
    rgb = rgb + np.sqrt(np.clip(rgb, 0, None)) * rng.normal(size=rgb.shape).astype(np.float32) * np.float32(
        np.exp(rng.uniform(np.log(0.002), np.log(0.04)))
    )
    coded = np.clip(rgb * (1 + rng.normal(0, 0.05, 3)), 0, 1) ** (1 / rng.uniform(1.8, 2.6))
    if rng.random() < 0.3:
        coded = coded + rng.uniform(0.2, 1.0) * (coded - cv2.GaussianBlur(coded, (0, 0), 1.2))
    picture = np.round(255 * np.clip(coded, 0, 1)).astype(np.uint8)
    packed = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 98))])[1]
    return cv2.cvtColor(cv2.imdecode(packed, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)
