"""What the specimen stands on: wood, cutting mat, plate, cloth, concrete, paint, paper or rubber."""

from __future__ import annotations

from collections.abc import Callable, Collection

import numpy as np
from numpy.typing import ArrayLike

from specimeter.scene import clutter
from specimeter.scene.describe import Bench
from specimeter.scene.material import blotches, noise, ramp

BENCHES = ("wood", "cutting-mat", "steel-plate", "cloth", "concrete", "painted-metal", "paper", "rubber")


def draw(
    bench: Bench, width_mm: float, height_mm: float, per_mm: float, shadow_mm: ArrayLike, *, without: Collection[str] = ()
) -> np.ndarray:
    """Linear reflectance of the bench top, float32 (rows, columns, 3); things on it throw shadows along `shadow_mm` [x, y].

    `without`: things (clutter.THINGS) that are left out.
    """
    rng = np.random.default_rng(bench.seed)
    shape = (int(height_mm * per_mm) + 1, int(width_mm * per_mm) + 1)
    paints: dict[str, Callable[[np.random.Generator, tuple[int, int], float], np.ndarray]] = {
        "wood": _wood,
        "cutting-mat": _mat,
        "steel-plate": _steel,
        "cloth": _cloth,
        "concrete": _concrete,
        "painted-metal": _paint,
        "paper": _paper,
        "rubber": _rubber,
    }
    field = np.clip(paints[bench.name](rng, shape, per_mm), 0.005, 0.95).astype(np.float32)
    for _ in range(bench.clutter):
        clutter.drop(field, rng, per_mm, shadow_mm, without)
    return field


def _flat(colour: ArrayLike, tone: np.ndarray) -> np.ndarray:
    return np.asarray(colour, np.float32) * tone.astype(np.float32)[..., None]


def _wood(rng: np.random.Generator, shape: tuple[int, int], per_mm: float) -> np.ndarray:
    angle = rng.choice([0.0, 90.0]) + rng.normal(0, 6)
    grain = noise(rng, shape, per_mm, (1.2, 4.0, 14.0), stretch=25.0, angle_deg=angle, power=1.0)
    pores = noise(rng, shape, per_mm, (0.5,), stretch=14.0, angle_deg=angle)
    tone = 1 + 0.16 * grain - 0.35 * ramp(pores, 1.4, 2.6) + 0.05 * blotches(rng, shape, 40, per_mm)
    stain = 1 - 0.5 * ramp(blotches(rng, shape, 30, per_mm), 1.6, 2.2)
    colour = [(0.42, 0.27, 0.14), (0.28, 0.15, 0.07), (0.55, 0.42, 0.27)][rng.integers(3)]
    return _flat(colour, tone * stain)


def _mat(rng: np.random.Generator, shape: tuple[int, int], per_mm: float) -> np.ndarray:
    colour = [(0.02, 0.11, 0.07), (0.03, 0.05, 0.13), (0.03, 0.03, 0.035)][rng.integers(3)]
    field = _flat(colour, 1 + 0.08 * noise(rng, shape, per_mm, (0.5, 6.0)))
    line = np.array([0.45, 0.42, 0.2]) if rng.random() < 0.6 else np.array([0.5, 0.55, 0.5])
    step, start = 10.0, rng.uniform(0, 10, 2)
    for axis, count in ((0, shape[0]), (1, shape[1])):
        for i, at in enumerate(np.arange(start[axis], count / per_mm, step)):
            half = 0.28 if i % 5 == 0 else 0.14
            lo, hi = int((at - half) * per_mm), max(int((at + half) * per_mm), int((at - half) * per_mm) + 1)
            part = field[max(lo, 0) : hi] if axis == 0 else field[:, max(lo, 0) : hi]
            part += (line * rng.uniform(0.6, 0.9) - part) * 0.8
    return field


def _steel(rng: np.random.Generator, shape: tuple[int, int], per_mm: float) -> np.ndarray:
    streaks = noise(rng, shape, per_mm, (0.4, 1.5), stretch=40.0, angle_deg=rng.uniform(0, 180))
    tone = 1 + 0.13 * streaks + 0.12 * blotches(rng, shape, 25, per_mm)
    field = _flat((0.27, 0.275, 0.285), tone)
    rust = ramp(blotches(rng, shape, 14, per_mm) + 0.5 * blotches(rng, shape, 2, per_mm), 1.5, 2.5)[..., None]
    return field + (np.array([0.2, 0.085, 0.03], np.float32) - field) * rust * np.float32(rng.uniform(0, 0.8))


def _cloth(rng: np.random.Generator, shape: tuple[int, int], per_mm: float) -> np.ndarray:
    rows, columns = np.indices(shape, sparse=True)
    pitch = rng.uniform(0.7, 1.6) * per_mm
    warp = blotches(rng, shape, 12, per_mm) * 1.5
    weave = np.sin(2 * np.pi * rows / pitch + warp) * np.sin(2 * np.pi * columns / pitch + warp)
    tone = 1 + 0.18 * weave + 0.1 * noise(rng, shape, per_mm, (0.3, 1.0)) + 0.18 * blotches(rng, shape, 45, per_mm)
    colour = [(0.05, 0.07, 0.16), (0.4, 0.38, 0.33), (0.28, 0.05, 0.04), (0.10, 0.10, 0.11)][rng.integers(4)]
    return _flat(colour, tone)


def _concrete(rng: np.random.Generator, shape: tuple[int, int], per_mm: float) -> np.ndarray:
    tone = 1 + 0.12 * blotches(rng, shape, 30, per_mm) + 0.13 * noise(rng, shape, per_mm, (0.4, 1.5, 5.0))
    pits = ramp(noise(rng, shape, per_mm, (1.0,)), 2.3, 3.0)
    return _flat((0.31, 0.30, 0.28), tone * (1 - 0.6 * pits))


def _paint(rng: np.random.Generator, shape: tuple[int, int], per_mm: float) -> np.ndarray:
    colour = [(0.07, 0.16, 0.11), (0.06, 0.10, 0.2), (0.30, 0.31, 0.30), (0.45, 0.19, 0.03)][rng.integers(4)]
    field = _flat(colour, 1 + 0.04 * noise(rng, shape, per_mm, (0.8,)) + 0.06 * blotches(rng, shape, 40, per_mm))
    chips = ramp(blotches(rng, shape, 6, per_mm) + 0.4 * blotches(rng, shape, 1.2, per_mm), 2.1, 2.25)[..., None]
    scratch = ramp(noise(rng, shape, per_mm, (0.35,), stretch=90.0, angle_deg=rng.uniform(0, 180)), 2.6, 3.2)[..., None]
    return field + (np.array([0.3, 0.29, 0.28], np.float32) - field) * np.maximum(chips, 0.5 * scratch)


def _paper(rng: np.random.Generator, shape: tuple[int, int], per_mm: float) -> np.ndarray:
    colour = [(0.78, 0.78, 0.76), (0.6, 0.48, 0.3), (0.7, 0.72, 0.74)][rng.integers(3)]
    field = _flat(colour, 1 + 0.015 * noise(rng, shape, per_mm, (0.3, 1.5)) + 0.03 * blotches(rng, shape, 60, per_mm))
    if rng.random() < 0.4:
        step = rng.choice([5.0, 7.0]) * per_mm
        for at in np.arange(rng.uniform(0, step), shape[0], step):
            field[int(at) : int(at) + max(1, int(0.2 * per_mm))] *= np.array([0.72, 0.8, 0.95], np.float32)
    return field


def _rubber(rng: np.random.Generator, shape: tuple[int, int], per_mm: float) -> np.ndarray:
    rows, columns = np.indices(shape, sparse=True)
    rib = np.cos(2 * np.pi * (rows if rng.random() < 0.5 else columns) / (rng.uniform(3, 7) * per_mm))
    tone = 1 + 0.25 * ramp(rib, 0.3, 0.9) + 0.12 * noise(rng, shape, per_mm, (0.4, 2.0)) + np.zeros(shape)
    return _flat((0.035, 0.035, 0.037), tone)
