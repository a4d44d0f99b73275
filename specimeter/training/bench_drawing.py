"""What composites of broken and of bent faces share: a bench as one height field, what is laid into it, a card, a camera.

It shares nothing with `specimeter.scene` but the drawing of the card. Places are pixels [x, y]; all is drawn by lot, from the
random generator given.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import ArrayLike

from specimeter.scene import card as cards
from specimeter.training import photographs, prints, relief
from specimeter.training.noise import smooth, soft_step, spectral

LONG_PX = (700, 1050)
CARD_PER_MM = 12


def size_by_lot(rng: np.random.Generator) -> tuple[int, int]:
    """Pixels of the square that is drawn, and how many of its rows are photographed."""
    size = int(rng.uniform(*LONG_PX))
    return size, int(size * rng.choice([0.67, 0.75, 1.0]))


def bench(rng: np.random.Generator, size: int) -> relief.Skin:
    """A bench of wood, cloth, paper, print or metal, `size` pixels square."""
    if rng.random() < 0.5:  # wood, cloth, paper, print
        albedo = np.clip(prints.ground(rng, size)[0], 0.01, 1.0).astype(np.float32)
        gloss = np.full((size, size), rng.uniform(0, 0.3), np.float32)
        return relief.Skin(height=0.2 * spectral(rng, size, power=1.0), albedo=albedo, gloss=gloss, exponent=8.0)
    skin = relief.skin(rng, size)
    albedo = skin.albedo * np.float32(rng.uniform(0.4, 1.8))
    return relief.Skin(height=skin.height, albedo=albedo, gloss=skin.gloss, exponent=skin.exponent)


def clutter(rng: np.random.Generator, body: relief.Skin, rows: int, middle: np.ndarray, away: float) -> None:
    """A block, a disc or a bar laid into the first `rows` rows, unless nearer to `middle` than 1.3 times `away` (pixels)."""
    size = len(body.height)
    spot = rng.uniform((0, 0), (size, rows))
    if np.hypot(*(spot - middle)) < 1.3 * away:
        return
    across = np.exp(rng.uniform(np.log(0.02), np.log(0.25), 2)) * size
    if rng.random() < 0.5:
        radii = (int(across[0]), int(across[1 if rng.random() < 0.5 else 0]))
        shape = np.asarray(cv2.ellipse2Poly((0, 0), radii, 0, 0, 360, 6), float)
    else:
        shape = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * across
    lay(rng, body, turned(shape, rng.uniform(0, np.pi), spot), smooth_skin(rng, size), rng.uniform(4, 40))


def smooth_skin(rng: np.random.Generator, size: int) -> relief.Skin:
    """Machined, sawn, rolled, painted or rusted metal."""
    return relief.skin(rng, size, int(rng.choice([0, 1, 1, 1, 2, 3, 4, 7])))


def lay(rng: np.random.Generator, body: relief.Skin, outline: np.ndarray, skin: relief.Skin, high: float) -> None:
    """Lay what has an outline (N, 2) and a skin onto the ground, its surface `high` pixels up."""
    share = filled(len(body.height), outline)
    blend(body, share, skin.height * np.float32(rng.uniform(0.1, 1.0)) + np.float32(high), skin.albedo, skin.gloss)


def blend(body: relief.Skin, share: np.ndarray, height: np.ndarray, albedo: np.ndarray, gloss: np.ndarray) -> None:
    """Put another surface where its share, 0 to 1, (N, N), is."""
    body.height += (np.asarray(height, np.float32) - body.height) * share
    body.albedo += (albedo - body.albedo) * share[..., None]
    body.gloss += (gloss - body.gloss) * share


def filled(size: int, outline: np.ndarray) -> np.ndarray:
    """How much of each pixel an outline (N, 2) covers, a little blurred: float32 (size, size), 0 to 1."""
    share = np.zeros((size, size), np.uint8)
    cv2.fillPoly(share, [np.round(outline * 16).astype(np.int32).reshape(-1, 1, 2)], 255, lineType=cv2.LINE_AA, shift=4)
    return cv2.GaussianBlur(share, (0, 0), 0.7).astype(np.float32) / 255


def turned(outline: np.ndarray, turn: float, middle: ArrayLike) -> np.ndarray:
    """Points (N, 2) turned by `turn` radians about the origin, then moved to `middle`."""
    cos, sin = np.cos(turn), np.sin(turn)
    return np.asarray(outline, float) @ np.array([[cos, sin], [-sin, cos]]) + middle


def card_beside(
    rng: np.random.Generator, rgb: np.ndarray, mm_per_px: float, middle: np.ndarray, away: float
) -> np.ndarray | None:
    """A strip card laid into the light (H, W, 3), `away` pixels or more above or below the specimen's middle.

    Its corners, (4, 2), or None where it finds no room.
    """
    rows, columns = rgb.shape[:2]
    ink = cards.draw("strip", CARD_PER_MM)
    wide, high = (n / CARD_PER_MM / mm_per_px for n in ink.shape[::-1])
    side = rng.choice([-1, 1])
    spot = np.array(
        [middle[0] + rng.normal(0, 0.05) * columns, middle[1] + side * (away + high / 2 + rng.uniform(0, 0.1) * rows)]
    )
    if not high / 2 < spot[1] < rows - high / 2:
        return None
    corners = turned(np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [wide / 2, high / 2], rng.normal(0, 0.08), spot)
    source = np.array([[0, 0], [ink.shape[1], 0], [ink.shape[1], ink.shape[0]], [0, ink.shape[0]]], np.float32)
    matrix = cv2.getPerspectiveTransform(source, corners.astype(np.float32))
    printed = cv2.warpPerspective(ink, matrix, (columns, rows), flags=cv2.INTER_AREA)
    there = cv2.warpPerspective(np.ones(ink.shape, np.float32), matrix, (columns, rows))[..., None]
    paper, dark = rng.uniform(0.5, 0.9), rng.uniform(0.02, 0.1)
    slow = np.exp(0.15 * smooth(rng, columns, 2)[:rows])[..., None]
    value = (paper + (dark - paper) * printed[..., None]) * slow
    rgb += (value.astype(np.float32) - rgb) * there
    return corners


def photographed(rng: np.random.Generator, rgb: np.ndarray) -> np.ndarray:
    """Light (H, W, 3) through a camera: fall-off, shadow, blur, noise, tone and JPEG; uint8 sRGB."""
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
    return photographs.pixels(packed)
