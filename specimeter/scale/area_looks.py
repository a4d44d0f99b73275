"""What every place of a photograph looks like, in millimetres of the specimen: light, colour, roughness at several scales."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.colour import mean_of_channels, to_linear
from specimeter.scale.borders import reduce

FINE_MM = 0.09  # of a pixel in which roughness is looked at
CELL_MM = 0.3  # of a cell of the map
MOST_CELLS = 420_000
CENTRE = {
    "light": 0.0,
    "red": 0.0,
    "blue": 0.0,
    "fine": -3.0,
    "middle": -2.6,
    "coarse": -2.6,
    "sparkle": 0.0,
    "aligned": 0.3,
    "level step": -1.0,
}
SPREAD = {
    "light": 0.8,
    "red": 0.15,
    "blue": 0.2,
    "fine": 1.0,
    "middle": 1.0,
    "coarse": 1.0,
    "sparkle": 0.6,
    "aligned": 0.2,
    "level step": 1.0,
}
OWN = ("light", "red", "blue", "fine", "middle", "coarse", "sparkle", "aligned", "level step")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Looked:
    """Figures of every cell, float32 (rows, columns, len(OWN)), each of about unit spread, and where cells lie."""

    own: np.ndarray
    hidden: np.ndarray  # bool (rows, columns): the card
    cell_px: np.ndarray  # (2,) photograph's pixels to a cell, along x and y
    cell_mm: float

    def to_photograph(self, points: np.ndarray) -> np.ndarray:
        """Pixels [x, y] of the photograph of points [column, row] of the map."""
        return (np.asarray(points, float) + 0.5) * self.cell_px - 0.5

    def from_photograph(self, points_px: np.ndarray) -> np.ndarray:
        """Points [column, row] of the map of pixels [x, y]."""
        return (np.asarray(points_px, float) + 0.5) / self.cell_px - 0.5


def look(rgb: np.ndarray, mm_per_px: float, hide_px: Sequence[np.ndarray] = ()) -> Looked:
    """Figures of a whole photograph whose pixels are about `mm_per_px` wide on the specimen.

    `hide_px`: outlines (N, 2) of what is no specimen for certain, holes after their outlines (even-odd).
    """
    picture = reduce(rgb, max(1, round(FINE_MM / mm_per_px)))
    shrunk = (
        picture.rgb if picture.rgb.dtype == np.float32 else picture.rgb.astype(np.float32) / np.iinfo(picture.rgb.dtype).max
    )
    linear = np.asarray(to_linear(shrunk), np.float32)
    mm = mm_per_px * picture.factor
    rows, columns = linear.shape[:2]
    cell = max(CELL_MM / mm, np.sqrt(rows * columns / MOST_CELLS), 1.0)
    size = (max(int(columns / cell), 8), max(int(rows / cell), 8))
    cell = columns / size[0]
    dark = 0.01 * float(np.median(linear[::7, ::7, 1])) + 2e-4

    def blur(field: np.ndarray, at_mm: float) -> np.ndarray:
        sigma = at_mm / mm
        return cv2.GaussianBlur(field, (0, 0), sigma) if sigma > 0.3 else field

    def down(field: np.ndarray) -> np.ndarray:
        return cv2.resize(field, size, interpolation=cv2.INTER_AREA)

    light = np.log(mean_of_channels(linear) + dark)
    soft, softer, softest = blur(light, 0.14), blur(light, 0.4), blur(light, 1.1)
    bands = (light - soft, soft - softer, softer - softest)
    powers = [blur(band * band, at) for band, at in zip(bands, (0.45, 0.6, 1.0), strict=True)]
    least = np.maximum(powers[0], 1e-7)
    sparkle = blur(bands[0] * bands[0] * bands[0], 0.5) / (least * np.sqrt(least))  # a power takes ten times as long
    gx, gy = cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)
    xx, yy, xy = (blur(product, 0.7) for product in (gx * gx, gy * gy, gx * gy))
    aligned = np.sqrt((xx - yy) ** 2 + 4 * xy * xy) / np.maximum(xx + yy, 1e-8)
    step = np.log(blur(np.hypot(cv2.Sobel(softer, cv2.CV_32F, 1, 0), cv2.Sobel(softer, cv2.CV_32F, 0, 1)), 0.3) / mm + 0.01)
    green = np.log(linear[..., 1] + dark)
    red, blue = (down(blur(np.log(linear[..., k] + dark) - green, 0.3)) for k in (0, 2))
    base = float(np.median(light[::5, ::5]))
    own = {
        "light": down(softer) - base,
        "red": red - float(np.median(red)),
        "blue": blue - float(np.median(blue)),
        "fine": 0.5 * np.log(down(powers[0]) + 1e-6),
        "middle": 0.5 * np.log(down(powers[1]) + 1e-6),
        "coarse": 0.5 * np.log(down(powers[2]) + 1e-6),
        "sparkle": np.clip(down(sparkle), -3, 3),
        "aligned": down(aligned),
        "level step": down(step),
    }
    hidden = np.zeros(size[::-1], np.uint8)
    cell_px = np.array([columns / size[0], rows / size[1]]) * picture.factor
    corners = [np.round((np.asarray(outline) + 0.5) / cell_px - 0.5).astype(np.int32).reshape(-1, 1, 2) for outline in hide_px]
    if corners:
        cv2.fillPoly(hidden, corners, 1)
    figures = np.dstack([(own[name] - CENTRE[name]) / SPREAD[name] for name in OWN]).astype(np.float32)
    figures[hidden > 0] = 0
    return Looked(own=figures, hidden=hidden > 0, cell_px=cell_px, cell_mm=cell * mm)
