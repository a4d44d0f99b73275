"""Patterns of other families than spectral noise: fractals, cells, wavelets, craters, hatching, rolled scale; unit variance."""

from __future__ import annotations

import cv2
import numpy as np

from specimeter.training.noise import smooth, soft_step, spectral


def pattern(rng: np.random.Generator, size: int) -> np.ndarray:
    """One of them by lot, float32 (size, size), mean 0 and variance 1."""
    field = FAMILIES[int(rng.integers(len(FAMILIES)))](rng, size)
    return ((field - field.mean()) / (field.std() + 1e-6)).astype(np.float32)


def fractal(rng: np.random.Generator, size: int) -> np.ndarray:
    """Octaves of smooth noise, plain or folded to ridges: torn, forged or corroded metal; no dark creases, which cracks are."""
    ridged = rng.random() < 0.5
    gain, total, level = rng.uniform(0.4, 0.75), np.zeros((size, size), np.float32), 1.0
    cells = float(np.exp(rng.uniform(np.log(2), np.log(40))))
    while cells < size / 2:
        layer = smooth(rng, size, int(cells))
        if ridged:
            layer = 1 - np.abs(layer)
        total += np.float32(level) * layer
        level, cells = level * gain, cells * rng.uniform(1.7, 2.3)
    return total


def cells(rng: np.random.Generator, size: int) -> np.ndarray:
    """Distances to scattered points (Worley): grains, cobbles, plates; nearest, one tone each, or light walls between two."""
    count = int(np.exp(rng.uniform(np.log(30), np.log(4000))))
    points = rng.uniform(0, size, (count, 2)).astype(int)
    seeds = np.full((size, size), 255, np.uint8)
    seeds[points[:, 1], points[:, 0]] = 0
    near, labels = cv2.distanceTransformWithLabels(seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    lot = int(rng.integers(3))
    if lot == 0:
        return near
    tone = rng.normal(size=int(labels.max()) + 1).astype(np.float32)[labels]
    if lot == 1:  # plates of one tone each
        return tone
    walls = cv2.morphologyEx(labels.astype(np.float32), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) > 0
    return cv2.GaussianBlur(walls.astype(np.float32), (0, 0), rng.uniform(0.5, 2)) + 0.1 * tone


def wavelets(rng: np.random.Generator, size: int) -> np.ndarray:
    """Sparse Gabor kernels of one pitch, all ways or along one lay: chatter, weave, brushed and hammered finishes."""
    pitch, along = np.exp(rng.uniform(np.log(3), np.log(30))), np.exp(rng.uniform(np.log(1), np.log(8)))
    reach = int(np.ceil(1.5 * pitch * along))
    reach = min(reach, size // 3)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1].astype(np.float32)
    spread, lay = rng.choice([0.05, 0.4, 3.0]), rng.uniform(0, np.pi)
    total = np.zeros((size, size), np.float32)
    for _ in range(4):
        turn = lay + spread * rng.normal()
        u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
        kernel = np.cos(2 * np.pi * v / pitch) * np.exp(-0.5 * ((v / pitch) ** 2 + (u / (pitch * along)) ** 2) * 2)
        hits = (rng.random((size, size)) < rng.uniform(0.5, 4) / pitch**2) * rng.choice([-1, 1], (size, size))
        total += cv2.filter2D(hits.astype(np.float32), -1, kernel, borderType=cv2.BORDER_REFLECT)
    return total


def craters(rng: np.random.Generator, size: int) -> np.ndarray:
    """Dents of shot or hammer, thrown one over another, each with its floor and raised rim; a height."""
    height = np.zeros((size, size), np.float32)
    across = float(np.exp(rng.uniform(np.log(3), np.log(24))))
    for _ in range(min(int(1.5 * (size / across) ** 2), 900)):
        radius = across / 2 * rng.uniform(0.5, 1.5)
        reach = int(np.ceil(1.6 * radius))
        cx, cy = rng.integers(0, size, 2)
        box = np.s_[max(cy - reach, 0) : min(cy + reach + 1, size), max(cx - reach, 0) : min(cx + reach + 1, size)]
        y, x = np.mgrid[box].astype(np.float32)
        r = np.hypot(x - cx, y - cy) / radius
        dent = np.where(r < 1, r * r - 1, 0) + 0.4 * np.exp(-(((r - 1.1) / 0.25) ** 2))
        floor = height[box].mean()
        height[box] = np.where(r < 1, floor + radius * 0.3 * dent, height[box] + radius * 0.3 * dent)
    return height


def hatching(rng: np.random.Generator, size: int) -> np.ndarray:
    """Grooves in one to three directions, each of its own depth and place: files, emery, wire brush, planing."""
    total = np.zeros((size, size), np.float32)
    for _ in range(int(rng.integers(1, 4))):
        drawn = np.zeros((size, size), np.uint8)
        turn, spread = rng.uniform(0, np.pi), rng.choice([0.01, 0.05, 0.2])
        for _ in range(int(np.exp(rng.uniform(np.log(10), np.log(250))))):
            angle = turn + spread * rng.normal()
            way = np.array([np.cos(angle), np.sin(angle)]) * size * np.exp(rng.uniform(-2.5, 0.4))
            at = rng.uniform(0, size, 2)
            one, two = ([int(v) for v in np.round((at + sign * way) * 16)] for sign in (-1, 1))
            cv2.line(drawn, one, two, int(rng.integers(60, 256)), int(rng.choice([1, 1, 1, 2, 3])), cv2.LINE_AA, 4)
        total += rng.choice([-1.0, -1.0, 1.0]) * cv2.GaussianBlur(drawn.astype(np.float32) / 255, (0, 0), rng.uniform(0.4, 1.2))
    return total


def rolled(rng: np.random.Generator, size: int) -> np.ndarray:
    """Rolling scale: long streaks, plates with sharp rims broken out of them, and pressed-in specks."""
    lay = rng.uniform(0, np.pi)
    streaks = spectral(rng, size, power=rng.uniform(0.8, 1.6), stretch=rng.uniform(6, 40), angle=lay)
    plates = soft_step(spectral(rng, size, power=rng.uniform(1.0, 1.7)) + 0.5 * streaks, rng.normal(0.8, 0.7), 0.03)
    specks = (spectral(rng, size, power=0.6, stretch=rng.uniform(1, 5), angle=lay) > rng.uniform(2.2, 3.2)).astype(np.float32)
    return 0.5 * streaks + rng.choice([-2, 2]) * plates - rng.uniform(0, 3) * cv2.GaussianBlur(specks, (0, 0), 0.7)


FAMILIES = (fractal, cells, wavelets, craters, hatching, rolled)
