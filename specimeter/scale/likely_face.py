"""Where a photograph likely shows a bent face: a small network's word on every cell, held against places with fitting edges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from specimeter import lookup, networks
from specimeter.scale.area_looks import look
from specimeter.scale.surface import Bend

MODEL = Path(__file__).with_name("bent_face.onnx")
SEEN_AT = 0.5  # the photograph is looked at as if it showed things half as large: a face is large, cells of 0.6 mm will do
STEEPEST_DEG = 60.0  # of the face that the network was taught
STEP = 32  # the network's coarsest grid
LEAST_CELLS = 8.0  # of a likely face near a place: fewer have no middle worth comparing


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LikelyFace:
    """How likely every cell of a photograph shows a bent face, 0 to 1, float32 (rows, columns); a cell's size in pixels."""

    share: np.ndarray
    cell_px: np.ndarray

    def at(self, points_px: np.ndarray) -> np.ndarray:
        """The share at pixels [x, y], shape (rows, columns, 2); 0 outside the picture."""
        places = ((points_px + 0.5) / self.cell_px - 0.5).astype(np.float32)
        return lookup.at(self.share, places[..., 0], places[..., 1]).reshape(places.shape[:2])

    def agreement(self, bend: Bend, ends_mm: Sequence[float] | np.ndarray) -> tuple[float, float]:
        """How well a place agrees: overlap, 0 to 1, and by how much of the radius its middle lies beside, along the arc.

        The overlap is Dice's coefficient: twice what is likely within the place, over its own size and all that is likely
        near; likely cells farther away than the place is large are another thing's. The middles are the centres of mass of
        the place and of what is likely near; where next to nothing is, the overlap is 0 and so is the other.
        """
        rows, columns = self.share.shape
        reach = min(np.radians(STEEPEST_DEG) * bend.radius_mm, bend.arc_half_mm)
        s = np.linspace(-reach, reach, 13)
        outline = np.concatenate(
            [np.column_stack([s, np.full(13, ends_mm[0])]), np.column_stack([s[::-1], np.full(13, ends_mm[1])])]
        )
        points = (bend.project(outline) + 0.5) / self.cell_px - 0.5
        if not np.isfinite(points).all():
            return 0.0, 0.0
        extent = np.ptp(points, axis=0)
        low = np.clip(np.floor(points.min(axis=0) - extent / 2), 0, [columns, rows]).astype(int)
        high = np.clip(np.ceil(points.max(axis=0) + extent / 2) + 1, 0, [columns, rows]).astype(int)
        near = self.share[low[1] : high[1], low[0] : high[0]]
        if not near.size or near.sum() < LEAST_CELLS:
            return 0.0, 0.0
        own = np.zeros(near.shape, np.uint8)
        cv2.fillPoly(own, [np.round((points - low) * 16).astype(np.int32).reshape(-1, 1, 2)], 1, shift=4)
        if not own.any():
            return 0.0, 0.0
        overlap = 2 * near[own > 0].sum() / (near.sum() + own.sum())
        beside = _middle(near) - _middle(own)
        axes = np.diff(bend.project(np.array([[-1.0, 0.0], [1.0, 0.0], [0.0, -1.0], [0.0, 1.0]])), axis=0)[::2] / (
            2 * self.cell_px
        )
        along = np.linalg.solve(axes.T, beside)[0]
        return float(overlap), float(along / bend.radius_mm)


def _middle(weights: np.ndarray) -> np.ndarray:
    """Centre of mass [x, y] of cells, shape (rows, columns)."""
    moments = cv2.moments(weights.astype(np.float32))
    return np.array([moments["m10"], moments["m01"]]) / moments["m00"]


def likely_face(rgb: np.ndarray, mm_per_px: float, hide_px: Sequence[np.ndarray] = ()) -> LikelyFace:
    """What the network says of a whole photograph, shape (H, W, 3), whose pixels are about `mm_per_px` wide on the specimen.

    `hide_px`: outlines (N, 2) of what is no specimen for certain, holes after their outlines (even-odd).
    """
    looked = look(rgb, SEEN_AT * mm_per_px, hide_px)
    rows, columns = looked.hidden.shape
    figures = np.pad(looked.own, ((0, -rows % STEP), (0, -columns % STEP), (0, 0)), mode="edge").transpose(2, 0, 1)
    odds = networks.answer(MODEL, figures[None]).reshape(figures.shape[1:])[:rows, :columns]
    share = np.where(looked.hidden, 0, 1 / (1 + np.exp(-np.clip(odds, -20, 20))))
    return LikelyFace(share=share.astype(np.float32), cell_px=looked.cell_px)
