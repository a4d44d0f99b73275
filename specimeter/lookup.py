"""What a picture shows between its pixels, the same by every OpenCV that the package takes.

OpenCV before 5 rounds the places that `remap` and `warpAffine` read to a thirty-second of a pixel (`INTER_BITS` in its
imgproc.hpp); OpenCV 5 reads at the place itself, but for pictures of float64. There its own functions are called; for an older
one the same is worked out here from the neighbouring pixels, more slowly.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np

ROUNDS = int(cv2.__version__.split(".")[0]) < 5  # to a thirty-second of a pixel
_CUBIC = -0.75  # OpenCV's parameter of the cubic


def at(
    picture: np.ndarray,
    x: np.ndarray,
    y: np.ndarray,
    *,
    kind: int = cv2.INTER_LINEAR,
    border: int = cv2.BORDER_CONSTANT,
    beyond: float = 0.0,
) -> np.ndarray:
    """The picture at places between its pixels, as `cv2.remap` gives it.

    Parameters
    ----------
    picture : (H, W) or (H, W, C)
        uint8, uint16, float32 or float64.
    x, y : float32, (M, N)
        Places in its pixels, the middle of the first one at 0.
    kind : int
        INTER_LINEAR or INTER_CUBIC.
    border, beyond : int, float
        What is taken for pixels outside of it, as in OpenCV.
    """
    if ROUNDS and picture.dtype != np.float64:
        return of_neighbours(picture, x, y, kind=kind, border=border, beyond=beyond)
    return np.asarray(cv2.remap(picture, x, y, kind, borderMode=border, borderValue=beyond))


def turned(
    picture: np.ndarray,
    matrix: np.ndarray,
    size: tuple[int, int],
    *,
    inverse: bool = False,
    border: int = cv2.BORDER_CONSTANT,
    beyond: float = 0.0,
) -> np.ndarray:
    """The picture turned by an affine matrix (2, 3), linear between pixels, as `cv2.warpAffine` gives it.

    `size`: (width, height) of what comes out; `inverse`: the matrix goes from what comes out to the picture.
    """
    if not ROUNDS or picture.dtype == np.float64:
        flags = cv2.INTER_LINEAR | (cv2.WARP_INVERSE_MAP if inverse else 0)
        return np.asarray(cv2.warpAffine(picture, matrix, size, flags=flags, borderMode=border, borderValue=beyond))
    back = np.asarray(matrix if inverse else cv2.invertAffineTransform(matrix), float)
    across, down = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    x, y = (row[0] * across + row[1] * down + row[2] for row in back)
    return of_neighbours(picture, x.astype(np.float32), y.astype(np.float32), border=border, beyond=beyond)


def of_neighbours(
    picture: np.ndarray,
    x: np.ndarray,
    y: np.ndarray,
    *,
    kind: int = cv2.INTER_LINEAR,
    border: int = cv2.BORDER_CONSTANT,
    beyond: float = 0.0,
) -> np.ndarray:
    """As `at`, from the four or sixteen pixels about each place, each read where no OpenCV rounds: at its middle."""
    left, top = np.floor(x), np.floor(y)
    shares, weights = _SHARES[kind](x - left), _SHARES[kind](y - top)
    total: Any = 0
    for step, weight in weights.items():
        for shift, share in shares.items():
            found = np.asarray(
                cv2.remap(picture, left + shift, top + step, cv2.INTER_NEAREST, borderMode=border, borderValue=beyond)
            )
            both = (share * weight).reshape(*found.shape[:2], *[1] * (found.ndim - 2))
            total = total + both * found
    if picture.dtype.kind == "u":
        total = np.clip(np.rint(total), 0, np.iinfo(picture.dtype).max)
    return np.asarray(total, picture.dtype)


def _linear(part: np.ndarray) -> dict[int, np.ndarray]:
    """The share of each neighbour, by how many pixels it lies on, for a place so far (0 to 1) beyond a pixel's middle."""
    return {0: 1 - part, 1: part}


def _cubic(part: np.ndarray) -> dict[int, np.ndarray]:
    """The same of the four neighbours of the cubic convolution (Keys, IEEE Trans. ASSP 29, 1981, p. 1153; from memory)."""

    def far(distance: np.ndarray) -> np.ndarray:
        return _CUBIC * (((distance - 5) * distance + 8) * distance - 4)

    def near(distance: np.ndarray) -> np.ndarray:
        return ((_CUBIC + 2) * distance - (_CUBIC + 3)) * distance * distance + 1

    return {-1: far(part + 1), 0: near(part), 1: near(1 - part), 2: far(2 - part)}


_SHARES: dict[int, Callable[[np.ndarray], dict[int, np.ndarray]]] = {cv2.INTER_LINEAR: _linear, cv2.INTER_CUBIC: _cubic}
