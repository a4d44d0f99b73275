"""Broken metal as height fields and colours: facets, dimples, ridges, terraces, fractal relief, rust, tints, oil, soot."""

from __future__ import annotations

import cv2
import numpy as np
import scipy.fft

from specimeter.training.noise import smooth, soft_step
from specimeter.training.relief import Skin
from specimeter.training.texture import surface


def spectral(rng: np.random.Generator, size: int, *, power: float, stretch: float = 1.0, angle: float = 0.0) -> np.ndarray:
    """As `texture.spectral`, in single precision: half of the time that a composite takes goes into such fields."""
    v = scipy.fft.fftfreq(size).astype(np.float32)[:, None]
    u = scipy.fft.rfftfreq(size).astype(np.float32)[None]
    along, across = u * np.float32(np.cos(angle)) + v * np.float32(np.sin(angle)), v * np.cos(angle) - u * np.sin(angle)
    radius = np.sqrt((along * np.float32(stretch)) ** 2 + across.astype(np.float32) ** 2) + np.float32(1 / size)
    white = np.empty(radius.shape, np.complex64)
    white.real, white.imag = rng.standard_normal((2, *radius.shape), dtype=np.float32)
    field = scipy.fft.irfft2(white * np.exp(np.float32(-power) * np.log(radius)), s=(size, size), overwrite_x=True)
    return (field - field.mean()) / (field.std() + np.float32(1e-9))


def skin(rng: np.random.Generator, size: int) -> Skin:
    """Broken metal by lot: one relief, or two that meet."""
    height = relief(rng, size)
    if rng.random() < 0.3:  # another zone: a shear lip, a fibrous rim, a flat place
        share = soft_step(spectral(rng, size, power=rng.uniform(1.6, 2.6)), rng.normal(0.4, 0.7), rng.uniform(0.02, 0.4))
        height = height * (1 - share) + relief(rng, size) * rng.uniform(0.3, 1.3) * share
    height = height + np.exp(rng.uniform(np.log(0.5), np.log(14))) * smooth(rng, size, int(rng.integers(1, 5)))
    if rng.random() < 0.25:  # a step, where the break changed its level
        height = height + rng.uniform(2, 14) * soft_step(_across(rng, size) + 10 * smooth(rng, size, 6), 0, rng.uniform(0.5, 4))
    level = np.exp(rng.uniform(np.log(0.12), np.log(0.6)))
    tint = 1 + rng.normal(0, 0.04, 3)
    mottled = sum(rng.uniform(0, 0.12) * spectral(rng, size, power=p) for p in (0.3, 1.0, 1.8))
    albedo = (level * np.exp(mottled)[..., None] * tint).astype(np.float32)
    gloss = np.full((size, size), rng.uniform(0.0, 0.9), np.float32)
    if rng.random() < 0.12:
        albedo *= np.clip(surface(rng, size) / 0.25, 0.2, 3) ** np.float32(rng.uniform(0.2, 0.7))
    body = Skin(height=height.astype(np.float32), albedo=albedo, gloss=gloss, exponent=float(np.exp(rng.uniform(1.0, 4.5))))
    for cover, often in ((_rust, 0.3), (_tinted, 0.12), (_oil, 0.15), (_soot, 0.15)):
        if rng.random() < often:
            cover(rng, body, size)
    return body


def relief(rng: np.random.Generator, size: int) -> np.ndarray:
    """Height of one kind of break, in pixels; slopes of about 0.05 to 0.5."""
    total = np.zeros((size, size), np.float32)
    for kind in rng.permutation(7)[: int(rng.choice([1, 2, 2, 3]))]:
        grain = np.exp(rng.uniform(np.log(2.5), np.log(26)))
        turn = rng.uniform(0, np.pi)
        if kind == 0:
            layer = spectral(rng, size, power=rng.uniform(0.9, 1.9))
        elif kind in (1, 2):
            layer = facets(rng, size, grain) if kind == 1 else dimples(rng, size, grain)
        elif kind == 3:
            layer = spectral(rng, size, power=rng.uniform(0.6, 1.6), stretch=rng.uniform(2.5, 12), angle=turn)
        elif kind == 4:  # steps of a river: risers that all look one way
            along = _across(rng, size) / grain + rng.uniform(0.1, 0.6) * spectral(rng, size, power=1.8)
            layer = cv2.GaussianBlur((along - np.floor(along)).astype(np.float32), (0, 0), rng.uniform(0.5, 1.5))
        elif kind == 5:  # terraces
            base = spectral(rng, size, power=rng.uniform(1.3, 2.0)) * rng.uniform(1.0, 4)
            layer = np.floor(base) + soft_step(base - np.floor(base), 0.5, rng.uniform(0.02, 0.15))
        else:  # ridges that fan out
            y, x = np.mgrid[:size, :size].astype(np.float32)
            away = rng.uniform(-0.5, 1.5, 2) * size
            around, reach = np.arctan2(y - away[1], x - away[0]), np.hypot(y - away[1], x - away[0])
            wave = around * rng.uniform(15, 90) + 0.8 * smooth(rng, size, 10) + 0.004 * reach
            layer = np.abs(np.sin(wave)).astype(np.float32)
        slope = float(np.hypot(*np.gradient(layer)).std()) + 1e-6
        total += (layer * np.float32(np.exp(rng.uniform(np.log(0.03), np.log(0.3))) / slope)).astype(np.float32)
    patch = np.clip(1 + rng.uniform(0, 0.6) * smooth(rng, size, int(rng.integers(2, 7))), 0.2, 2.2)
    return total * patch.astype(np.float32)


def facets(rng: np.random.Generator, size: int, grain: float) -> np.ndarray:
    """Facets that each face their own way, with steps between."""
    count = max(6, int((size / grain) ** 2))
    seeds = np.ones((size, size), np.uint8)
    rows, columns = rng.integers(0, size, (2, count))
    seeds[rows, columns] = 0
    labels = cv2.distanceTransformWithLabels(seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)[1]
    own = rng.standard_normal((int(labels.max()) + 1, 3)).astype(np.float32)[labels]
    y, x = np.mgrid[:size, :size].astype(np.float32)
    middle_y, middle_x = (_own_means(field, labels) for field in (y, x))
    height = own[..., 0] * (x - middle_x) + own[..., 1] * (y - middle_y) + rng.uniform(0, 0.3) * grain * own[..., 2]
    return cv2.GaussianBlur(height, (0, 0), rng.uniform(0.4, 1.2))


def _own_means(field: np.ndarray, labels: np.ndarray) -> np.ndarray:
    sums, counts = np.bincount(labels.ravel(), field.ravel()), np.bincount(labels.ravel())
    return (sums / np.maximum(counts, 1)).astype(np.float32)[labels]


def dimples(rng: np.random.Generator, size: int, grain: float) -> np.ndarray:
    """Cups or knobs side by side, of sizes of their own."""
    height = np.zeros((size, size), np.float32)
    for own in (grain, 0.45 * grain):
        seeds = (rng.random((size, size)) > 1 / max(own, 1.5) ** 2).astype(np.uint8)
        seeds[0, 0] = 0
        away = cv2.distanceTransform(seeds, cv2.DIST_L2, 5) / max(own, 1.5)
        height += own * rng.choice([-1, 1]) * away ** rng.uniform(1.0, 2.2)
    return cv2.GaussianBlur(height, (0, 0), 0.7)


def _across(rng: np.random.Generator, size: int) -> np.ndarray:
    turn = rng.uniform(0, 2 * np.pi)
    y, x = np.mgrid[:size, :size].astype(np.float32)
    return (x - rng.uniform(0.1, 0.9) * size) * np.cos(turn) + (y - rng.uniform(0.1, 0.9) * size) * np.sin(turn)


def _patches(rng: np.random.Generator, size: int) -> np.ndarray:
    """Shares (size, size) of blotches with soft or hard borders, or of a few round blooms."""
    if rng.random() < 0.5:
        return soft_step(
            spectral(rng, size, power=rng.uniform(1.0, 2.0)),
            rng.uniform(0.2, 1.8),
            np.exp(rng.uniform(np.log(0.03), np.log(0.6))),
        ).astype(np.float32)
    share = np.zeros((size, size), np.float32)
    y, x = np.mgrid[:size, :size].astype(np.float32)
    for _ in range(int(rng.integers(1, 8))):
        middle, radius = rng.uniform(0, size, 2), np.exp(rng.uniform(np.log(4), np.log(60)))
        reach = np.hypot(x - middle[0], y - middle[1]) / radius + 0.25 * smooth(rng, size, 12)
        share = np.maximum(share, soft_step(-reach, -1, rng.uniform(0.05, 0.4)).astype(np.float32) * rng.uniform(0.3, 1))
    return share


def _rust(rng: np.random.Generator, body: Skin, size: int) -> None:
    share = _patches(rng, size)[..., None] * np.float32(rng.uniform(0.3, 1))
    rust = np.array([0.30, 0.13, 0.06]) * rng.uniform(0.3, 1.6) * np.exp(0.35 * spectral(rng, size, power=0.8))[..., None]
    body.albedo = (body.albedo * (1 - share) + rust * share).astype(np.float32)
    body.gloss *= 1 - 0.9 * share[..., 0]
    body.height += share[..., 0] * rng.uniform(0.1, 0.8) * spectral(rng, size, power=0.8)


def _tinted(rng: np.random.Generator, body: Skin, size: int) -> None:
    film = 25 + 55 * np.abs(smooth(rng, size, int(rng.integers(2, 6)))) + 8 * spectral(rng, size, power=1.0)
    for band, wave_nm in enumerate((610.0, 545.0, 465.0)):
        gain = 1 - np.float32(rng.uniform(0.2, 0.7)) * (0.5 - 0.5 * np.cos(4 * np.pi * 2.3 * film / wave_nm))
        body.albedo[..., band] *= gain.astype(np.float32)


def _oil(rng: np.random.Generator, body: Skin, size: int) -> None:
    share = _patches(rng, size) * np.float32(rng.uniform(0.3, 1))
    body.albedo *= (1 - share * rng.uniform(0.2, 0.6))[..., None].astype(np.float32)
    body.gloss += share * np.float32(rng.uniform(0, 0.6))


def _soot(rng: np.random.Generator, body: Skin, size: int) -> None:
    share = _patches(rng, size)[..., None] * np.float32(rng.uniform(0.3, 0.9))
    body.albedo *= 1 - 0.9 * share
    body.gloss *= 1 - share[..., 0]
