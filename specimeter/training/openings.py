"""Openings drawn on any surface: slits, gapes, branched cracks; dark, filled or partly lit inside, lips of either sign."""

from __future__ import annotations

import cv2
import numpy as np

from specimeter.scene import shapes
from specimeter.training.noise import smooth, spectral

FILLS = np.array([[0.55, 0.25, 0.12], [0.35, 0.3, 0.2], [0.2, 0.2, 0.22], [0.6, 0.2, 0.25], [0.45, 0.42, 0.4]])
LONG_CRACKS = (6, 7, 8)  # of these shapes
SHAPE_ODDS = np.array([2, 2, 1, 1.5, 1.5, 1, 1.5, 1, 1.5, 1, 1, 1]) / 16  # of the shapes in `outline`


def outline(rng: np.random.Generator, size: int, kind: int | None = None) -> tuple[list[np.ndarray], bool]:
    """Closed outlines [x, y] about the origin that make one opening, and whether it is a crack; 6 px to beyond the picture."""
    length = float(np.exp(rng.uniform(np.log(6), np.log(0.5 * size))))
    kind = int(rng.choice(12, p=SHAPE_ODDS)) if kind is None else kind
    if kind == 0:
        return [shapes.ribbon(
            rng, length, max(2.0, length * rng.uniform(0.15, 0.6)), blunt=rng.uniform(0.35, 1.1), bend=rng.normal(0, 0.06),
            ragged=rng.uniform(0, 0.4), lopsided=rng.uniform(-0.9, 0.9), skew=rng.uniform(-0.4, 0.4),
        )], False  # fmt: skip
    if kind == 1:
        length = min(length, 80.0)
        return [shapes.cavity(rng, length, length * rng.uniform(0.4, 1.0), rough=rng.uniform(0.0, 0.4))], False
    if kind == 2:  # angular: broken-out slag; its sides are never quite straight
        angle = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(4, 9))))
        radius = rng.uniform(0.6, 1.0, len(angle)) * min(length, 60.0) / 2
        corners = np.column_stack([radius * np.cos(angle), rng.uniform(0.3, 1.0) * radius * np.sin(angle)])
        if np.ptp(angle) <= 3.5:
            return [shapes.cavity(rng, 12.0, 7.0)], False
        return [_roughened(rng, corners)], False
    if kind == 3:
        length = max(length, 16.0)
        width = max(1.0, length * rng.uniform(0.015, 0.13))
        return [shapes.ribbon(
            rng, length, width, blunt=rng.uniform(0.3, 0.9), ragged=rng.uniform(0, 1.3), bend=rng.normal(0, 0.1)
        )], True  # fmt: skip
    if kind in (4, 5):
        return [_wandering(rng, max(length, 16.0))], True
    if kind in (6, 7):
        return [_along(rng, _crack_path(rng, size, 0.1, 1.5), _crack_width(rng))], True
    if kind == 8:
        return _branched(rng, size), True
    if kind == 9:  # wide open: as wide as a quarter of its length or wider, large
        length = float(np.exp(rng.uniform(np.log(0.15 * size), np.log(0.7 * size))))
        width = length * rng.uniform(0.12, 0.5)
        return [shapes.ribbon(
            rng, length, width, blunt=rng.uniform(0.4, 1.0), ragged=rng.uniform(0.1, 0.6), bend=rng.normal(0, 0.08),
            lopsided=rng.uniform(-0.6, 0.6),
        )], False  # fmt: skip
    # a slit: 0.8 to 2.5 px wide for most of its length
    length = float(np.exp(rng.uniform(np.log(8), np.log(0.4 * size))))
    return [shapes.ribbon(
        rng, length, rng.uniform(0.8, 2.5), blunt=rng.uniform(0.15, 0.6), ragged=rng.uniform(0, 0.5), bend=rng.normal(0, 0.04)
    )], bool(kind == 10)  # fmt: skip


def _roughened(rng: np.random.Generator, corners: np.ndarray) -> np.ndarray:
    """A polygon with points every two pixels, each a little off."""
    ring = np.vstack([corners, corners[:1]])
    step = np.linalg.norm(np.diff(ring, axis=0), axis=1)
    at = np.concatenate([[0], np.cumsum(step)])
    places = np.linspace(0, at[-1], max(8, int(at[-1] / 2)), endpoint=False)
    even = np.column_stack([np.interp(places, at, ring[:, axis]) for axis in (0, 1)])
    return even + rng.uniform(0.1, 0.7) * shapes.smooth_noise(rng, len(even), 0.08)[:, None] * rng.normal(size=2)


def _wandering(rng: np.random.Generator, length: float) -> np.ndarray:
    """A path that wanders, with a width that comes and goes."""
    width = max(1.0, length * rng.uniform(0.015, 0.13))
    count = 60
    heading = np.cumsum(rng.normal(0, rng.uniform(0.02, 0.35), count)) * np.sqrt(length / 60)
    path = np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]), axis=0) * length / count
    path -= path.mean(axis=0)
    taper = np.sqrt(np.clip(np.minimum(np.arange(count), np.arange(count)[::-1]) / (0.25 * count), 0.02, 1))
    return _sides(path, width / 2 * taper * np.exp(0.4 * shapes.smooth_noise(rng, count, 0.1)))


def _crack_width(rng: np.random.Generator) -> float:
    return float(np.exp(rng.uniform(np.log(0.8), np.log(6.0))))


def _crack_path(rng: np.random.Generator, size: int, least: float, most: float) -> np.ndarray:
    """The middle line of a crack, from `least` to `most` of the picture long: straight, kinked or wandering."""
    length = float(np.exp(rng.uniform(np.log(least * size), np.log(most * size))))
    count = max(24, int(length / 3))
    rough = rng.uniform(0.0, 0.5)
    heading = rng.normal(0, 0.35) * np.linspace(-1, 1, count) + rough * np.cumsum(rng.normal(0, 0.25, count)) * np.sqrt(
        20 / count
    )
    heading = heading + rough * rng.normal(0, 0.6, count)
    if rng.random() < 0.3:  # kinks, where it meets another plane
        heading = heading + np.cumsum((rng.random(count) < rng.uniform(1, 4) / count) * rng.normal(0, 0.6, count))
    path = np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]), axis=0) * length / count
    return path - path.mean(axis=0)


def _along(rng: np.random.Generator, path: np.ndarray, width: float, *, root: bool = False) -> np.ndarray:
    """A crack along a path, its width fading to nearly nothing here and there and at its tips (at the far one, if a branch)."""
    count = len(path)
    at = np.linspace(0, 1, count)
    taper = np.clip((1 - at if root else np.minimum(at, 1 - at)) / rng.uniform(0.05, 0.5), 0.02, 1) ** rng.uniform(0.3, 1.0)
    shut = np.exp(rng.uniform(0.1, 0.7) * shapes.smooth_noise(rng, count, np.clip(20 / count, 0.02, 0.3)))
    if rng.random() < 0.25:  # pressed shut over stretches
        shut = shut * np.clip(0.9 + shapes.smooth_noise(rng, count, 0.12), 0.12, 1)
    return _sides(path, width / 2 * taper * shut)


def _branched(rng: np.random.Generator, size: int) -> list[np.ndarray]:
    """A crack with one to four branches, thinner and shorter than itself."""
    path, width = _crack_path(rng, size, 0.2, 1.2), _crack_width(rng)
    parts = [_along(rng, path, width)]
    for _ in range(int(rng.integers(1, 5))):
        k = int(rng.integers(len(path) // 6, 5 * len(path) // 6))
        own = _crack_path(rng, size, 0.05, 0.3)
        own = own - own[0]
        first = own[min(5, len(own) - 1)]
        way = path[min(k + 3, len(path) - 1)] - path[max(k - 3, 0)]
        angle = np.arctan2(way[1], way[0]) - np.arctan2(first[1], first[0]) + rng.choice([-1, 1]) * rng.uniform(0.2, 1.2)
        parts.append(_along(rng, shapes.turn(own, angle, path[k]), width * rng.uniform(0.3, 0.8), root=True))
    return parts


def _sides(path: np.ndarray, half: np.ndarray) -> np.ndarray:
    normal = np.gradient(path, axis=0) @ np.array([[0, 1], [-1, 0]])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True) + 1e-9
    return np.concatenate([path + half[:, None] * normal, (path - half[:, None] * normal)[::-1]])


def stain(rng: np.random.Generator, rgb: np.ndarray, share: np.ndarray) -> None:
    """What gathers along a crack, in place: a dark or rusty bleed, or paint flaked to a light rim; no part of the opening."""
    reach = float(np.exp(rng.uniform(np.log(1.5), np.log(12))))
    near = cv2.GaussianBlur(share, (0, 0), reach)
    near = np.clip(near / max(float(near.max()), 1e-6) * np.exp(0.8 * spectral(rng, rgb.shape[0], power=0.8)), 0, 1)
    colour = np.array([[0.9, 0.55, 0.35], [0.5, 0.5, 0.5], [1.5, 1.45, 1.4]][int(rng.integers(3))]) * rng.uniform(0.8, 1.1)
    if rng.random() < 0.3:  # hairs across it: dust or penetrant drawn along the brush or the lay
        turn, spread = rng.uniform(0, np.pi), rng.uniform(2, 9)
        comb = cv2.GaussianBlur(share, (0, 0), 1.0) * (spectral(rng, rgb.shape[0], power=0.2) > rng.uniform(0.3, 1.5))
        away = np.arange(-round(spread), round(spread) + 1)
        kernel = np.zeros((len(away),) * 2, np.float32)
        one, two = (
            (round(spread + side * spread * np.cos(turn)), round(spread + side * spread * np.sin(turn))) for side in (-1, 1)
        )
        cv2.line(
            kernel,
            one,
            two,
            1.0,
        )
        drawn = np.clip(cv2.filter2D(comb.astype(np.float32), -1, kernel / 3), 0, 1)
        rgb *= 1 - (rng.uniform(0.2, 0.8) * drawn)[..., None]
    rgb *= 1 + (rng.uniform(0.1, 0.7) * near)[..., None].astype(np.float32) * (colour - 1).astype(np.float32)


def carve(rng: np.random.Generator, rgb: np.ndarray, share: np.ndarray) -> None:
    """Take the light out of what `share` (0 to 1) covers, in place: interior, wall, slag, lip, edge softness."""
    size = rgb.shape[0]
    around = cv2.blur(rgb, (61, 61))
    inner = float(np.exp(rng.uniform(np.log(0.02), np.log(0.4))))
    fill = around * inner
    turn = rng.uniform(0, 2 * np.pi)
    towards = np.array([np.cos(turn), np.sin(turn)], np.float32)
    solid = (share > 0.5).astype(np.uint8)
    depth = cv2.distanceTransform(solid, cv2.DIST_L2, 3)
    slope = np.dstack([cv2.Sobel(cv2.GaussianBlur(share, (0, 0), 2.0), cv2.CV_32F, 1, 0), cv2.Sobel(
        cv2.GaussianBlur(share, (0, 0), 2.0), cv2.CV_32F, 0, 1)])  # fmt: skip
    facing = slope @ towards / (np.linalg.norm(slope, axis=2) + 1e-4)
    lot = rng.random()
    if lot < 0.25:  # a wall that catches the light
        reach = rng.uniform(0.1, 0.5) * max(float(depth.max()), 1.0)
        wall = np.clip(facing, 0, 1) * (depth < reach) * rng.uniform(0.15, 0.9)
        fill = fill + around * wall[..., None]
    elif lot < 0.5:  # slag, oxide, facets
        grain = spectral(rng, size, power=rng.uniform(0.2, 1.4))
        fill = around * np.clip(inner * 0.7 + 0.12 + rng.uniform(0.05, 0.2) * grain, 0.01, 0.8)[..., None]
        fill = fill * (1 + rng.normal(0, 0.08, 3))
    elif lot < 0.6:  # rust, oil or penetrant: coloured, in places as light as the metal, dark along the sides
        colour = FILLS[int(rng.integers(len(FILLS)))] * rng.uniform(0.5, 1.3)
        level = np.exp(rng.uniform(0.1, 0.5) * spectral(rng, size, power=rng.uniform(0.6, 1.6)))
        side = np.exp(-depth / rng.uniform(0.6, 2.5))
        fill = around * (colour * (level * (1 - rng.uniform(0.3, 0.9) * side))[..., None])
    elif lot < 0.7:  # gaping: its far wall lit nearly as the face, its near side in shadow, the ground torn
        across = cv2.GaussianBlur(share, (0, 0), max(2.0, 0.5 * float(depth.max())))
        tilt = np.clip(0.5 + rng.uniform(0.5, 2) * facing * (1 - across) * 2, 0, 1)
        torn = np.exp(rng.uniform(0.1, 0.6) * spectral(rng, size, power=rng.uniform(0.6, 1.4)))
        fill = around * np.clip(inner + (rng.uniform(0.3, 1.0) - inner) * tilt * torn, 0.01, 1.3)[..., None]
    else:
        fill = fill * np.exp(rng.uniform(0, 0.5) * smooth(rng, size, 12))[..., None]
    if rng.random() < 0.55:  # a lip, bright on the side that faces the light, dark or absent on the other
        reach = int(rng.integers(1, 7))
        ring = cv2.dilate(share, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2)) - share
        ring = cv2.GaussianBlur(ring, (0, 0), 0.5 + reach / 3)
        field = cv2.GaussianBlur(share, (0, 0), 1.0 + reach)
        out = -np.dstack([cv2.Sobel(field, cv2.CV_32F, 1, 0), cv2.Sobel(field, cv2.CV_32F, 0, 1)])
        side = out @ towards / (np.linalg.norm(out, axis=2) + 1e-4)
        gain = rng.uniform(-0.5, 1.5) * side + rng.uniform(-0.2, 0.8)
        rgb *= np.clip(1 + ring * gain, 0.2, 4)[..., None]
    soft = cv2.GaussianBlur(share, (0, 0), float(np.exp(rng.uniform(np.log(0.3), np.log(1.6)))))[..., None]
    rgb *= 1 - soft
    rgb += soft * fill
