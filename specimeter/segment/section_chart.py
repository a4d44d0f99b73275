"""A cut's metal unrolled onto millimetres: its tone, colours and textures, none of them mixed with what lies round it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.colour import to_linear
from specimeter.photo import Photo
from specimeter.scale.surface import Surface
from specimeter.segment.model import ExaminedArea

CELL_MM = 0.05  # of the chart, if the photograph is as fine
MOST_CELLS = 12_000_000
DARK = -0.45  # logarithm of light below what lies round it
UNITS = (0.2, 0.06, 0.06, 0.45, 0.45)  # spread of each look on a plain plate, about


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chart:
    """Looks float32 (rows, columns, K) of about unit spread.

    `edge`: how clear a border of tone runs there; `metal`: well inside; `hollow`: pores, cracks, gaps.
    """

    looks: np.ndarray
    edge: np.ndarray
    metal: np.ndarray
    hollow: np.ndarray
    low: np.ndarray
    mm: float

    def _cells(self, points_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        cells = ((np.asarray(points_mm, float) - self.low) / self.mm).astype(np.float32)
        return cells[..., 0].copy(), cells[..., 1].copy()

    def at(self, points_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Looks (N, M, K) at places (N, M, 2) in mm, and whether those lie well inside the metal (N, M)."""
        x, y = self._cells(points_mm)
        looks = np.dstack([cv2.remap(self.looks[..., k], x, y, cv2.INTER_LINEAR) for k in range(self.looks.shape[2])])
        metal = cv2.remap(self.metal.astype(np.uint8), x, y, cv2.INTER_NEAREST) > 0
        return np.asarray(looks).reshape(*x.shape, -1), np.asarray(metal).reshape(x.shape)

    def hollow_at(self, points_mm: np.ndarray) -> np.ndarray:
        """Whether places (N, M, 2) lie in something hollow, shape (N, M)."""
        x, y = self._cells(points_mm)
        return np.asarray(cv2.remap(self.hollow, x, y, cv2.INTER_NEAREST)).reshape(x.shape) > 0

    def edge_at(self, points_mm: np.ndarray) -> np.ndarray:
        """Clearness of a border at places (N, M, 2), shape (N, M)."""
        x, y = self._cells(points_mm)
        return np.asarray(cv2.remap(self.edge, x, y, cv2.INTER_LINEAR)).reshape(x.shape)


def chart_of(photo: Photo, surface: Surface, area: ExaminedArea) -> Chart | None:
    """The chart of an examined area; None if it is too small or too large for one."""
    developed = surface.develop(area.outline_px)
    mm = max(CELL_MM, 0.8 * float(surface.mm_per_px_at(area.outline_px.mean(axis=0))))
    low = developed.min(axis=0) - 3 * mm
    size = np.ceil((developed.max(axis=0) + 3 * mm - low) / mm).astype(int) + 1
    if np.prod(size) > MOST_CELLS or min(size) < 20:
        return None
    x, y = np.meshgrid(low[0] + np.arange(size[0]) * mm, low[1] + np.arange(size[1]) * mm)
    pixels = surface.project(np.column_stack([x.ravel(), y.ravel()])).astype(np.float32).reshape(*x.shape, 2)
    linear = np.asarray(to_linear(photo.rgb.astype(np.float32) / np.iinfo(photo.rgb.dtype).max), np.float32)
    seen = np.asarray(cv2.remap(linear, pixels[..., 0], pixels[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
    metal = np.zeros(x.shape, np.uint8)
    cv2.fillPoly(metal, [np.round((developed - low) / mm).astype(np.int32).reshape(-1, 1, 2)], 1)
    inner = cv2.erode(metal, np.ones((3, 3), np.uint8), iterations=max(1, round(0.12 / mm))) > 0
    if inner.sum() < 400:
        return None
    base = 0.02 * float(np.median(seen[inner])) + 1e-4
    light = _filled(np.log(seen.mean(axis=2) + base), inner)
    green = np.log(seen[..., 1] + base)
    red, blue = (_filled(np.log(seen[..., k] + base) - green, inner) for k in (0, 2))

    def blur(field, at_mm):
        return cv2.GaussianBlur(field, (0, 0), max(at_mm / mm, 0.6))

    slow = blur(light, 6.0)  # light that falls unevenly on the whole cut
    fine, middle = light - blur(light, 0.15), blur(light, 0.12) - blur(light, 0.5)
    tone = cv2.medianBlur(light, 5)
    looks = [blur(tone, 0.15) - 0.6 * slow, blur(red, 0.25), blur(blue, 0.25)]
    looks += [0.5 * np.log(blur(fine**2, 0.35) + 1e-5), 0.5 * np.log(blur(middle**2, 0.45) + 1e-5)]
    hollow = ((light - blur(light, 0.9)) < DARK).astype(
        np.uint8
    )  # pores, cracks, gaps between the plates: neither weld nor plate
    hollow[~inner] = 0
    inner &= cv2.dilate(hollow, np.ones((3, 3), np.uint8), iterations=max(1, round(0.15 / mm))) == 0
    stack = [np.clip((field - np.median(field[inner])) / unit, -4, 4) for field, unit in zip(looks, UNITS, strict=True)]
    soft = blur(tone, 0.12)
    slope = np.hypot(cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1))
    edge = slope / (np.median(slope[inner]) * 2.0 + 1e-6)
    return Chart(
        looks=np.dstack(stack).astype(np.float32), edge=edge.astype(np.float32), metal=inner, hollow=hollow, low=low, mm=mm
    )


def _filled(field: np.ndarray, inner: np.ndarray) -> np.ndarray:
    """The field with what lies outside the metal taken from the nearest metal, so that no blur reaches across the edge."""
    labels = cv2.distanceTransformWithLabels((~inner).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)[1]
    lookup = np.zeros(int(labels.max()) + 1, np.float32)
    lookup[labels[inner]] = field[inner]
    return lookup[labels].astype(np.float32)
