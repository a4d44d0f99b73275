"""Random fields that everything drawn for training is made of: noise of a spectrum, slow bumps, soft steps."""

from __future__ import annotations

import cv2
import numpy as np


def spectral(rng: np.random.Generator, size: int, *, power: float, stretch: float = 1.0, angle: float = 0.0) -> np.ndarray:
    """Noise (size, size) of unit variance; amplitude falls as frequency to the `power`; lines along `angle` if stretched."""
    v, u = np.meshgrid(np.fft.fftfreq(size), np.fft.rfftfreq(size), indexing="ij")
    along, across = u * np.cos(angle) + v * np.sin(angle), v * np.cos(angle) - u * np.sin(angle)
    radius = np.sqrt((along * stretch) ** 2 + across**2) + 1.0 / size
    white = rng.normal(size=radius.shape) + 1j * rng.normal(size=radius.shape)
    field = np.fft.irfft2(white * radius**-power, s=(size, size))
    return ((field - field.mean()) / (field.std() + 1e-9)).astype(np.float32)


def smooth(rng: np.random.Generator, size: int, cells: int) -> np.ndarray:
    """Slow noise (size, size), about unit variance, with so many bumps across."""
    coarse = rng.normal(size=(cells + 2, cells + 2)).astype(np.float32)
    return cv2.resize(coarse, (size, size), interpolation=cv2.INTER_CUBIC)


def soft_step(field: np.ndarray, at: float, width: float) -> np.ndarray:
    """0 below `at`, 1 above, with a smooth passage."""
    return 1 / (1 + np.exp(-np.clip((field - at) / max(width, 1e-3), -30, 30)))
