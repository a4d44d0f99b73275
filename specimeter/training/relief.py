"""Surfaces shaded from a height field under lamps of its own: a second way of drawing, so that no one renderer is learned."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.training import grounds
from specimeter.training.noise import smooth, soft_step, spectral

SHADOW_STEPS = 20
KIND_ODDS = np.array([2.5, 1, 1, 1, 1, 1, 1, 1, 1.5]) / 11  # of the kinds in `skin`


@dataclass(slots=True, kw_only=True, eq=False)
class Skin:
    """What a surface is like before any light falls on it: height in pixels, albedo (H, W, 3), gloss 0 to 1, its exponent.

    What lies on it is drawn into it.
    """

    height: np.ndarray
    albedo: np.ndarray
    gloss: np.ndarray
    exponent: float


def skin(rng: np.random.Generator, size: int, kind: int | None = None) -> Skin:
    """Bare, blasted, machined, cast, painted, rusty, scaled, hammered or forged metal, by lot; `kind` 0 is paint, 8 a bead."""
    kind = int(rng.choice(9, p=KIND_ODDS)) if kind is None else kind
    lay = rng.uniform(0, np.pi)
    height = np.exp(rng.uniform(np.log(0.3), np.log(6))) * smooth(rng, size, int(rng.integers(1, 5)))
    tint = np.array([1, 1, 1]) + rng.normal(0, 0.05, 3)
    albedo = np.full((size, size, 3), np.exp(rng.uniform(np.log(0.15), np.log(0.6))), np.float32) * tint.astype(np.float32)
    gloss = np.full((size, size), rng.uniform(0.0, 0.5), np.float32)
    if kind == 0:  # paint: orange peel, runs, brush
        height = (
            height + rng.uniform(0.05, 0.5) * cv2.GaussianBlur(spectral(rng, size, power=0.0), (0, 0), rng.uniform(2, 8)) * 8
        )
        albedo = np.broadcast_to(_paint(rng), albedo.shape).astype(np.float32).copy()
        albedo *= np.exp(rng.uniform(0, 0.05) * spectral(rng, size, power=1.2))[..., None]
        gloss[:] = rng.uniform(0.05, 0.8)
    elif kind == 1:  # machined or ground
        height = height + rng.uniform(0.05, 0.6) * spectral(
            rng, size, power=rng.uniform(0.3, 1.2), stretch=rng.uniform(8, 80), angle=lay
        )
        gloss[:] = rng.uniform(0.2, 1.0)
    elif kind == 2:  # blasted, sawn, cast
        height = height + rng.uniform(0.1, 1.2) * spectral(rng, size, power=rng.uniform(0.2, 1.2))
    elif kind == 3:  # rust in patches over something smoother
        share = soft_step(spectral(rng, size, power=rng.uniform(1.2, 2.0)), rng.normal(0, 0.8), rng.uniform(0.05, 0.6))[
            ..., None
        ]
        rust = np.array([0.30, 0.13, 0.06]) * rng.uniform(0.4, 1.6) * np.exp(0.35 * spectral(rng, size, power=0.8))[..., None]
        albedo = (albedo * (1 - share) + rust * share).astype(np.float32)
        height = height + share[..., 0] * rng.uniform(0.2, 1.5) * spectral(rng, size, power=0.8)
        gloss *= (1 - share[..., 0]).astype(np.float32)
    elif kind == 4:  # mill scale, partly flaked: dark smooth plates with sharp rims on bright metal
        share = soft_step(spectral(rng, size, power=rng.uniform(1.0, 1.8)), rng.normal(0, 1), 0.02)[..., None]
        albedo = (albedo * (1 - share) + albedo * rng.uniform(0.15, 0.6) * share).astype(np.float32)
        height = height + rng.uniform(0.2, 1.5) * share[..., 0]
        height = height + rng.uniform(0.05, 0.4) * spectral(rng, size, power=0.8)
    elif kind == 5:  # another family of patterns, in height, tone or both
        field = grounds.pattern(rng, size)
        height = height + rng.uniform(0.05, 0.8) * field
        albedo *= np.exp(rng.choice([0.0, 0.0, 0.25]) * rng.random() * grounds.pattern(rng, size))[..., None]
        gloss[:] = rng.uniform(0.0, 0.9)
    elif kind == 6:  # shot-blast or hammered
        height = height + rng.uniform(0.05, 0.5) * grounds.craters(rng, size)
        gloss[:] = rng.uniform(0.0, 0.9)
    elif kind == 7:  # rolled, its scale dull and half off
        field = grounds.rolled(rng, size)
        height = height + rng.uniform(0.02, 0.3) * field
        albedo *= np.exp(rng.uniform(0.1, 0.5) * np.clip(field, -2.5, 2))[..., None]
        gloss[:] = rng.uniform(0.0, 0.4)
    else:  # a weld bead's ripples, spatter
        y, x = np.mgrid[:size, :size].astype(np.float32) - size / 2
        along, across = x * np.cos(lay) + y * np.sin(lay), y * np.cos(lay) - x * np.sin(lay)
        pitch = np.exp(rng.uniform(np.log(8), np.log(40)))
        wave = np.sin(2 * np.pi * (along + across**2 / (size * rng.uniform(0.3, 1.0))) / pitch + smooth(rng, size, 6))
        bead = soft_step(-np.abs(across), -rng.uniform(0.15, 0.5) * size, rng.uniform(1, 5))
        height = height + bead * (pitch * rng.uniform(0.02, 0.12) * wave + rng.uniform(1, 8))
        height = height + rng.uniform(0.05, 0.4) * spectral(rng, size, power=0.8)
        gloss[:] = rng.uniform(0.1, 0.8)
    return Skin(height=height.astype(np.float32), albedo=albedo, gloss=gloss, exponent=float(np.exp(rng.uniform(1.0, 5.0))))


def _paint(rng: np.random.Generator) -> np.ndarray:
    grey = rng.uniform(0.08, 0.8)
    return grey * np.clip(1 + rng.normal(0, rng.choice([0.03, 0.25])) * rng.normal(size=3), 0.3, 1.6)


def shaded(rng: np.random.Generator, body: Skin, share: np.ndarray | None = None) -> np.ndarray:
    """Linear light (H, W, 3), median about 0.25, of a surface with openings that cover `share` of each pixel.

    The openings are pits with walls and a floor in the same height field: their walls take light or shade, their rims throw
    shadows in, and the less of the sky a floor sees, the darker it is.
    """
    height, albedo = body.height, body.albedo
    size = height.shape[0]
    open_sky = np.ones_like(height)
    if share is not None and share.any():
        inside = (share > 0.5).astype(np.uint8)
        to_wall = cv2.distanceTransform(inside, cv2.DIST_L2, 5)
        deep, steep = np.exp(rng.uniform(np.log(2), np.log(30))), rng.uniform(0.5, 4)
        pit = np.maximum(np.minimum(to_wall * steep, deep), rng.uniform(4, 20) * share)
        floor = rng.uniform(0, 0.25) * deep * spectral(rng, size, power=rng.uniform(0.8, 1.6)) * inside
        lip = (
            np.clip(cv2.GaussianBlur(share, (0, 0), rng.uniform(1.0, 6.0)) - share, 0, 1)
            * rng.choice([0, 1])
            * rng.uniform(1, 12)
        )
        height = height - pit + floor + lip
        open_sky = 1 - share * (1 - np.clip(np.exp(-pit / rng.uniform(2.0, 12.0)), rng.uniform(0.01, 0.2), 1))
        if rng.random() < 0.35:  # slag, oxide
            fill = np.exp(rng.uniform(np.log(0.08), np.log(0.6))) * np.exp(0.4 * spectral(rng, size, power=1.0))[..., None]
            albedo = albedo * (1 - share[..., None]) + albedo * fill * (1 + rng.normal(0, 0.1, 3)) * share[..., None]
    if rng.random() < 0.25:  # the bar is bent: its face falls away to two sides
        y, x = np.mgrid[:size, :size].astype(np.float32) - rng.uniform(0.2, 0.8) * size
        turn = rng.uniform(0, np.pi)
        height = height - (x * np.cos(turn) + y * np.sin(turn)) ** 2 / (size * rng.uniform(0.6, 4))
    height = height.astype(np.float32)
    p, q = cv2.Sobel(height, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(height, cv2.CV_32F, 0, 1, scale=0.125)
    normal: np.ndarray = np.dstack([-p, -q, np.ones_like(p)])
    normal /= np.linalg.norm(normal, axis=2, keepdims=True)
    y, x = np.mgrid[:size, :size].astype(np.float32) / size - 0.5
    total = np.zeros((size, size, 3), np.float32)
    for _ in range(int(rng.integers(1, 4))):
        turn, rise = rng.uniform(0, 2 * np.pi), np.radians(rng.uniform(12, 85))
        away = np.array([np.cos(turn) * np.cos(rise), np.sin(turn) * np.cos(rise), np.sin(rise)]) * rng.uniform(1, 6)
        towards = away - np.dstack([x, y, 0 * x])
        towards /= np.linalg.norm(towards, axis=2, keepdims=True)
        lit = np.clip((normal * towards).sum(axis=2), 0, None)
        half = towards + np.array([0, 0, 1.0])
        half /= np.linalg.norm(half, axis=2, keepdims=True)
        shine = np.clip((normal * half).sum(axis=2), 0, None) ** body.exponent * (body.exponent + 8) / 25
        shade = _shadow(height, turn, np.tan(rise), rng.uniform(0.3, 2.0))
        if rng.random() < 0.4:  # a wide lamp: shadows from several of its parts
            parts = rng.normal(0, rng.uniform(0.1, 0.6), (3, 2))
            shade = sum(
                (_shadow(height, turn + a, np.tan(np.clip(rise + b, 0.15, 1.5)), rng.uniform(0.3, 2.0)) for a, b in parts),
                shade,
            )
            shade = shade / (len(parts) + 1)
        colour = rng.uniform(0.3, 1.0) * (1 + rng.normal(0, 0.08, 3))
        total += ((lit * shade)[..., None] * albedo + (shine * body.gloss * shade * open_sky)[..., None]) * colour
    around = 0.5 + 0.5 * normal[..., 2:] + 0.3 * normal[..., :1] * rng.normal() + 0.3 * normal[..., 1:2] * rng.normal()
    total += rng.uniform(0.1, 1.0) * np.clip(around, 0.05, None) * albedo
    if rng.random() < 0.4:  # what a glossy surface mirrors: soft bright fields with edges
        at = np.clip(normal[..., :2] * size * rng.uniform(0.5, 3) + size / 2, 0, size - 1).astype(np.float32)
        world = np.exp(1.2 * smooth(rng, size, int(rng.integers(2, 6))))
        total += (body.gloss * open_sky * cv2.remap(world, at[..., 0], at[..., 1], cv2.INTER_LINEAR))[..., None] * rng.uniform(
            0.1, 0.8
        )
    total *= open_sky[..., None]
    if rng.random() < 0.5:  # light thrown back and forth: what is dark near what is bright is lifted
        total += rng.uniform(0.02, 0.25) * albedo * cv2.GaussianBlur(total, (0, 0), rng.uniform(3, 20))
    return (total * (0.25 / max(float(np.median(total)), 1e-6))).astype(np.float32)


def _shadow(height: np.ndarray, turn: float, slope: float, soft: float) -> np.ndarray:
    """Share of a far lamp that each place sees: walked towards the lamp, 20 steps of a pixel or two."""
    hidden = np.zeros_like(height)
    rows, columns = height.shape
    for k in range(1, SHADOW_STEPS + 1):
        away = k * (1 + k / SHADOW_STEPS)
        shift = np.array([[1, 0, away * np.cos(turn)], [0, 1, away * np.sin(turn)]], np.float32)
        there = cv2.warpAffine(
            height, shift, (columns, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
        )
        np.maximum(hidden, there - height - away * slope, out=hidden)
    return 1 - np.clip(hidden / soft, 0, 1)
