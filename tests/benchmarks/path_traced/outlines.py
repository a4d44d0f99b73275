"""Closed outlines in mm, shape (N, 2): wavy ones, and the sizes that are true of them, apart from specimeter's own."""

from __future__ import annotations

import numpy as np


def wavy(rng: np.random.Generator, count: int, bumps: int) -> np.ndarray:
    """A closed smooth random curve of unit scatter, shape (count,)."""
    at = np.linspace(0, 2 * np.pi, count, endpoint=False)
    order = np.arange(1, bumps + 1)
    wave = (rng.normal(size=bumps)[:, None] * np.cos(order[:, None] * at + rng.uniform(0, 2 * np.pi, bumps)[:, None])).sum(0)
    return wave / max(float(wave.std()), 1e-9)


def extent_mm(outline: np.ndarray) -> float:
    """Greatest straight extent of an outline (N, 2)."""
    return float(np.sqrt(((outline[:, None] - outline[None]) ** 2).sum(axis=2).max()))


def area_mm2(outline: np.ndarray) -> float:
    """What an outline (N, 2) holds."""
    x, y = outline.T
    return float(0.5 * abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)))


def width_mm(outline: np.ndarray) -> float:
    """Diameter of the largest circle inside an outline (N, 2), by search on a grid that is refined."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    best = None
    for _ in range(7):
        grid = np.stack(np.meshgrid(*np.linspace(low, high, 25).T), -1).reshape(-1, 2)
        inside = holds(outline, grid)
        if not inside.any():
            break
        away = gaps(outline, grid[inside])
        best = grid[inside][away.argmax()], float(away.max())
        half = (high - low) / 6
        low, high = best[0] - half, best[0] + half
    return 0.0 if best is None else 2 * best[1]


def holds(outline: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Which points (M, 2) an outline (N, 2) holds, bool (M,)."""
    (x0, y0), (x1, y1) = outline.T, np.roll(outline, -1, axis=0).T
    x, y = points.T[..., None]
    cuts = (y0 > y) != (y1 > y)
    reach = x0 + (y - y0) / np.where(y1 == y0, 1e-12, y1 - y0) * (x1 - x0)
    return (cuts & (x < reach)).sum(axis=1) % 2 == 1


def gaps(outline: np.ndarray, points: np.ndarray) -> np.ndarray:
    """How far points (M, 2) lie from an outline (N, 2), shape (M,)."""
    ends, step = outline, np.roll(outline, -1, axis=0) - outline
    along = ((points[:, None] - ends) * step).sum(axis=2) / np.maximum((step**2).sum(axis=1), 1e-12)
    nearest = ends + np.clip(along, 0, 1)[..., None] * step
    return np.linalg.norm(points[:, None] - nearest, axis=2).min(axis=1)
