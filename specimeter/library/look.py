"""How a picture looks, in a few numbers: a hash that nearly equal pictures share, and a description that like ones resemble."""

from __future__ import annotations

import cv2
import numpy as np

NEARLY = 10  # of 128 bits: the same picture after recompression, resizing or a change of brightness
DIMENSIONS = 96
SAME = 0.98  # correlation of small grey copies


def difference_hash(rgb: np.ndarray) -> bytes:
    """128 bits: whether each of 8 x 8 cells is lighter than its right and than its lower neighbour (difference hash).

    Parameters
    ----------
    rgb : numpy.ndarray, shape (H, W, 3), uint8

    Notes
    -----
    Common practice for near-duplicate pictures; no single source.
    """
    grey = _grey(rgb)
    across = cv2.resize(grey, (9, 8), interpolation=cv2.INTER_AREA).reshape(8, 9)
    down = cv2.resize(grey, (8, 9), interpolation=cv2.INTER_AREA).reshape(9, 8)
    bits = np.concatenate([(across[:, 1:] > across[:, :-1]).ravel(), (down[1:] > down[:-1]).ravel()])
    return np.packbits(bits).tobytes()


def distances(one: bytes, many: np.ndarray) -> np.ndarray:
    """Number of bits in which a hash differs from each of (N, 2) uint64."""
    return np.bitwise_count(many ^ np.frombuffer(one, np.uint64)).sum(1)


def same_view(one: np.ndarray, other: np.ndarray) -> bool:
    """Whether two pictures, (H, W, 3) uint8, show the same but for brightness and coding: their small grey copies correlate.

    A hash of flat pictures says little; this second look keeps plain backgrounds from passing for the same picture.
    """
    small = [cv2.resize(_grey(rgb), (32, 32), interpolation=cv2.INTER_AREA).ravel() for rgb in (one, other)]
    small = [values - values.mean() for values in small]
    lengths = [float(np.linalg.norm(values)) for values in small]
    if min(lengths) < 1e-6:
        return max(lengths) < 1e-6
    return float(small[0] @ small[1]) / (lengths[0] * lengths[1]) >= SAME


def description(rgb: np.ndarray) -> np.ndarray:
    """96 numbers of length 1: where edges run (3 x 3 cells, 8 directions), colours, and how light is spread. float32.

    Like pictures have descriptions whose dot product is near 1. Common practice (histograms of oriented gradients and of
    colour); no single source.
    """
    small = cv2.resize(rgb, (96, 96), interpolation=cv2.INTER_AREA).reshape(96, 96, 3)
    lab = cv2.cvtColor(small, cv2.COLOR_RGB2LAB).reshape(96, 96, 3).astype(np.float32) / 255
    light = lab[..., 0]
    gy, gx = np.gradient(light)
    strength = np.hypot(gx, gy)
    direction = (np.floor((np.arctan2(gy, gx) % np.pi) / np.pi * 8).astype(int)) % 8
    rows, columns = np.indices(light.shape) // 32
    edges = np.bincount((((rows * 3 + columns) * 8) + direction).ravel(), strength.ravel(), minlength=72)
    colours = np.concatenate([lab.reshape(-1, 3).mean(0), lab.reshape(-1, 3).std(0) * 2])
    spread = np.histogram(light, 10, (0, 1))[0].astype(float)
    fineness = np.histogram(np.log10(strength + 1e-3), 8, (-3, 0))[0].astype(float)
    parts = [(_unit(np.sqrt(edges)), 1.0), (_unit(colours), 0.8), (_unit(spread), 0.7), (_unit(fineness), 0.6)]
    whole = np.concatenate([part * weight for part, weight in parts])
    return _unit(whole).astype(np.float32)


def _unit(values: np.ndarray) -> np.ndarray:
    length = np.linalg.norm(values)
    return values / length if length > 0 else values


def _grey(rgb: np.ndarray) -> np.ndarray:
    return cv2.cvtColor(np.ascontiguousarray(rgb), cv2.COLOR_RGB2GRAY).reshape(rgb.shape[:2]).astype(np.float32)
