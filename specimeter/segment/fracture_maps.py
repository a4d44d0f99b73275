"""A broken face prepared for searching: its crop of the photograph as maps of light, colour and roughness, in millimetres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.colour import to_linear

FINE_MM = 0.045  # of a pixel of the maps; coarser where the photograph is
MARGIN_PX = 6
LARGEST_PX = 4_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Face:
    """Maps over a broken face; every array (rows, columns), float32 but for the masks.

    `light` is the natural log of linear luminance; `red`, `blue` logs of their ratio to green; `rough` and `wavy` logs of the
    r.m.s. of `light` within bands of 0.05 to 0.2 mm and of 0.2 to 0.6 mm; `aligned` 0 to 1, how much slopes run one way.
    """

    light: np.ndarray
    red: np.ndarray
    blue: np.ndarray
    rough: np.ndarray
    wavy: np.ndarray
    aligned: np.ndarray
    usable: np.ndarray  # bool: the examined area
    to_border_mm: np.ndarray  # distance inwards from its border
    mm: float  # of a pixel of the maps
    factor: int  # the photograph's pixels to one of the maps'
    corner_px: np.ndarray  # the photograph's pixel [x, y] at the maps' top-left pixel's own top-left photograph pixel
    along: np.ndarray  # unit vector [x, y] along the longer side of the face

    def to_photograph(self, points: np.ndarray) -> np.ndarray:
        """Pixels [x, y] of the photograph of points [column, row] of the maps."""
        return (np.asarray(points, float) + 0.5) * self.factor - 0.5 + self.corner_px

    def blur(self, field: np.ndarray, sigma_mm: float) -> np.ndarray:
        """A map blurred by a Gaussian of that many mm."""
        sigma = sigma_mm / self.mm
        return cv2.GaussianBlur(field, (0, 0), sigma) if sigma > 0.3 else field

    def within(self, field: np.ndarray, sigma_mm: float) -> np.ndarray:
        """A map blurred, with nothing from outside the examined area in it."""
        weight = self.usable.astype(np.float32)
        return self.blur(field * weight, sigma_mm) / np.maximum(self.blur(weight, sigma_mm), 1e-3)


def prepare(rgb: np.ndarray, outline_px: np.ndarray, exclude_px: Sequence[np.ndarray], mm_per_px: float) -> Face:
    """The maps of a broken face.

    Parameters
    ----------
    rgb : array, shape (H, W, 3)
        sRGB-coded, uint8 or uint16.
    outline_px : array, shape (N, 2)
    exclude_px : sequence of arrays (M, 2)
        Holes.
    mm_per_px : float
        Of the photograph, on the face.
    """
    height, width = rgb.shape[:2]
    low = np.clip(np.floor(outline_px.min(axis=0)).astype(int) - MARGIN_PX, 0, [width - 2, height - 2])
    high = np.clip(np.ceil(outline_px.max(axis=0)).astype(int) + MARGIN_PX + 1, low + 2, [width, height])
    size = high - low
    factor = max(1, round(FINE_MM / mm_per_px), int(np.ceil(np.sqrt(size[0] * size[1] / LARGEST_PX))))
    columns, rows = (size // factor).astype(int)
    part = rgb[low[1] : low[1] + rows * factor, low[0] : low[0] + columns * factor]
    coded = cv2.resize(part, (int(columns), int(rows)), interpolation=cv2.INTER_AREA) if factor > 1 else part
    linear = np.asarray(to_linear(coded.astype(np.float32) / np.iinfo(rgb.dtype).max), np.float32)
    mm = mm_per_px * factor

    def filled(outline: np.ndarray) -> np.ndarray:
        mask = np.zeros((int(rows), int(columns)), np.uint8)
        corners = (np.asarray(outline) - low + 0.5) / factor - 0.5
        cv2.fillPoly(mask, [np.round(corners * 16).astype(np.int32).reshape(-1, 1, 2)], 1, shift=4)
        return mask

    usable = filled(outline_px)
    to_border = cv2.distanceTransform(np.pad(usable, 1), cv2.DIST_L2, 3)[1:-1, 1:-1] * np.float32(mm)
    for hole in exclude_px:
        usable &= 1 - filled(hole)
    luminance = linear @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    floor = 0.02 * float(np.median(luminance[usable > 0])) + 2e-4 if usable.any() else 1e-3
    light = np.log(luminance + floor)

    def blur(field: np.ndarray, at_mm: float) -> np.ndarray:
        return cv2.GaussianBlur(field, (0, 0), at_mm / mm) if at_mm / mm > 0.3 else field

    soft, softer = blur(light, 0.2), blur(light, 0.6)
    fine, middle = light - soft, soft - softer
    gx, gy = cv2.Sobel(blur(light, 0.08), cv2.CV_32F, 1, 0), cv2.Sobel(blur(light, 0.08), cv2.CV_32F, 0, 1)
    xx, yy, xy = (blur(product, 0.5) for product in (gx * gx, gy * gy, gx * gy))
    green = np.log(blur(linear[..., 1], 0.12) + floor)
    (_, (w, h), angle) = cv2.minAreaRect(np.asarray(outline_px, np.float32).reshape(-1, 1, 2))
    turn = np.radians(angle + (90 if h > w else 0))
    return Face(
        light=light,
        red=np.log(blur(linear[..., 0], 0.12) + floor) - green,
        blue=np.log(blur(linear[..., 2], 0.12) + floor) - green,
        rough=0.5 * np.log(blur(fine * fine, 0.2) + 1e-6),
        wavy=0.5 * np.log(blur(middle * middle, 0.4) + 1e-6),
        aligned=np.sqrt((xx - yy) ** 2 + 4 * xy * xy) / np.maximum(xx + yy, 1e-8),
        usable=usable > 0,
        to_border_mm=to_border,
        mm=mm,
        factor=factor,
        corner_px=low.astype(float),
        along=np.array([np.cos(turn), np.sin(turn)]),
    )
