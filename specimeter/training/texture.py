"""Surfaces that no renderer of ours makes: noise of many families, lays, blotches, stripes, uneven light, tints."""

from __future__ import annotations

import numpy as np

from specimeter.training import grounds
from specimeter.training.noise import smooth, soft_step, spectral


def surface(rng: np.random.Generator, size: int) -> np.ndarray:
    """Linear light (size, size, 3), median about 0.25: one surface, with its light, of a kind drawn by lot."""
    tone = np.zeros((size, size), np.float32)
    lay = rng.uniform(0, np.pi)
    for _ in range(int(rng.integers(1, 4))):
        kind = rng.integers(6)
        strength = float(np.exp(rng.uniform(np.log(0.02), np.log(0.35))))
        if kind == 0:
            layer = spectral(rng, size, power=rng.uniform(0.0, 1.6))
        elif kind == 1:
            layer = spectral(
                rng, size, power=rng.uniform(0.3, 1.5), stretch=rng.uniform(4, 60), angle=lay + rng.normal(0, 0.05)
            )
        elif kind == 2:  # stripes: tool marks, milling, weld ripples
            y, x = np.mgrid[:size, :size].astype(np.float32)
            across = x * np.sin(lay) - y * np.cos(lay) + rng.uniform(0, 8) * smooth(rng, size, 4)
            layer = np.sin(across * 2 * np.pi / np.exp(rng.uniform(np.log(3), np.log(60)))) ** int(rng.choice([1, 3]))
            layer = layer.astype(np.float32) * (1 + 0.5 * smooth(rng, size, 6))
        elif kind == 4:
            layer = grounds.pattern(rng, size)
            strength = min(strength, 0.25)
        else:  # blotches: mill scale, rust, stains
            layer = spectral(rng, size, power=rng.uniform(0.9, 2.2))
            layer = (
                soft_step(layer, rng.normal(0, 1), np.exp(rng.uniform(np.log(0.03), np.log(0.5)))) * rng.choice([-2, 2])
            ).astype(np.float32)
        tone += strength * layer
    light = np.exp(np.clip(rng.uniform(0.0, 0.7) * smooth(rng, size, int(rng.integers(1, 5))), -2.5, 2.5))
    if rng.random() < 0.4:  # the bright band along a bend, and its fall to the sides
        y, x = np.mgrid[:size, :size].astype(np.float32) - rng.uniform(0, size)
        turn = rng.uniform(0, np.pi)
        across = x * np.cos(turn) + y * np.sin(turn)
        light = light + rng.uniform(0.5, 6) * np.exp(-((across / (rng.uniform(0.05, 0.6) * size)) ** 2))
    if rng.random() < 0.12:  # a coarse lay, in which slits are hard to see
        lay = rng.uniform(0, np.pi)
        coarse = spectral(rng, size, power=rng.uniform(0.2, 0.8), stretch=rng.uniform(20, 120), angle=lay)
        tone += np.float32(np.exp(rng.uniform(np.log(0.1), np.log(0.45)))) * coarse
    grey = np.exp(np.clip(tone, -3, 1.2)) * light
    grey *= 0.25 / max(float(np.median(grey)), 1e-6)
    tint = 1 + rng.normal(0, 0.06, 3)
    rgb = grey[..., None] * tint
    if rng.random() < 0.4:  # colour of its own where it is blotched
        rgb = rgb * np.exp(smooth(rng, size, 5)[..., None] * rng.normal(0, 0.12, 3))
    return rgb.astype(np.float32)
