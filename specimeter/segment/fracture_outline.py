"""Where a region of a broken face ends: the line at which a pixel looks as much like its inside as like what lies round it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import skimage

from specimeter.segment.fracture_maps import Face
from specimeter.segment.fracture_propose import Region

CLEAR = 2.5  # difference of linear light over the surroundings' scatter from which it alone draws the outline
SOFT_MM = 0.05  # blur of the maps that are compared
ARM = 0.3  # of a region's greatest half-width: what is thinner and hangs on it is an arm
TIP = 5  # how far what hangs on it may reach, in the disc's diameters, half of it to each side
FLOOR_PX = 0.4  # what rough edges leave of an edge's place at the best of contrasts (judgement)
RAGGED_MM = 0.07  # how ragged the edge of a hollow in broken metal is: a part of a grain (from rendered faces)
TEXTURE_MM = 0.12  # how finely a border told by texture alone can be placed (half of the window that measures it; judgement)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edge:
    """A closed outline [column, row] in the maps' pixels, and the standard uncertainty of its place across, in such pixels."""

    outline: np.ndarray
    u_edge: float


def outline(face: Face, region: Region) -> Edge | None:
    """The outline of a region at the half-level between inside and outside; None where none encloses most of it.

    Where light alone tells it clearly, the half-level is that of linear light. Else light and colours, and on a region that
    is only smoother also roughness, are weighed by Fisher's linear discriminant between the region's middle and a ring round
    it, and the discriminant's half-level is drawn.
    """
    half = float(cv2.distanceTransform(np.pad(region.mask, 1).astype(np.uint8), cv2.DIST_L2, 3).max())
    margin = round(max(0.5 / face.mm, 1.2 * half)) + 3
    rows, columns = face.usable.shape
    y0, x0 = max(region.top - margin, 0), max(region.left - margin, 0)
    y1 = min(region.top + region.mask.shape[0] + margin, rows)
    x1 = min(region.left + region.mask.shape[1] + margin, columns)
    box = slice(y0, y1), slice(x0, x1)
    core = np.zeros((y1 - y0, x1 - x0), np.uint8)
    top, left = region.top - y0, region.left - x0
    core[top : top + region.mask.shape[0], left : left + region.mask.shape[1]] = region.mask
    depth = cv2.distanceTransform(np.pad(core, 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    away = cv2.distanceTransform(1 - core, cv2.DIST_L2, 3)
    usable = face.usable[box]
    inner = (depth > min(0.35 * half, 2.0)) & (core > 0)
    ring = (away > max(1.5, 0.08 / face.mm)) & (away < margin - 1) & usable
    if inner.sum() < 4 or ring.sum() < 12:
        return None
    linear = np.exp(face.light[box])
    told = abs(float(np.median(linear[inner])) - float(np.median(linear[ring]))) / (float(linear[ring].std()) + 1e-6)
    if told > CLEAR and region.look != "smooth":
        looks = [linear]
    else:
        looks = [face.blur(face.light[box], SOFT_MM), face.red[box], face.blue[box]]
    if region.look == "smooth":  # a window of roughness reaches over a sharp edge: where light tells, it alone draws
        looks.append(face.rough[box])
    stack = np.stack(looks, axis=-1).astype(np.float64)
    one, two = stack[inner], stack[ring]
    pooled = 0.5 * (np.atleast_2d(np.cov(one.T)) + np.atleast_2d(np.cov(two.T)))
    pooled += np.diag(np.full(len(looks), 0.01 if len(looks) > 1 else 1e-6))
    weight = np.linalg.solve(pooled, one.mean(axis=0) - two.mean(axis=0))
    inside, outside = float(np.median(one @ weight)), float(np.median(two @ weight))
    spread = 1.4826 * float(np.median(np.abs(two @ weight - outside))) + 1e-6
    if not inside > outside:
        return None
    field = cv2.GaussianBlur(((stack @ weight - outside) / (inside - outside)).astype(np.float32), (0, 0), 0.7)
    # inside, holes (a highlight, a bright grain) do not count; beyond the region's surroundings nothing does
    reach = max(2.0, 0.25 / face.mm, 0.35 * half)
    field = np.where(depth > max(2.0, 0.5 * half), np.maximum(field, 0.8), field)
    field = np.where((away < reach) & usable, field, -0.5)
    field = np.where(_stout(field > 0.5, core > 0), field, np.minimum(field, 0.0))
    padded = np.pad(field, 1, constant_values=-0.5)
    best, most = None, 0
    points = np.argwhere(inner)[:: max(1, int(inner.sum()) // 40)]
    for contour in skimage.measure.find_contours(padded, 0.5):
        if len(contour) < 8 or np.any(contour[0] != contour[-1]):
            continue
        polygon = contour[:-1, ::-1] - 1.0
        border = polygon.astype(np.float32).reshape(-1, 1, 2)
        held = sum(cv2.pointPolygonTest(border, (float(c), float(r)), False) >= 0 for r, c in points)
        if held > most:
            best, most = polygon, held
    if best is None or most < 0.5 * len(points):
        return None
    separation = (inside - outside) / spread
    slope_px = max(SOFT_MM / face.mm, 0.9) * 2.5  # of the blurred step
    u_edge = float(np.linalg.norm([FLOOR_PX, RAGGED_MM / face.mm, slope_px / max(separation, 0.5)]))
    if region.look == "smooth":
        u_edge = float(np.hypot(u_edge, TEXTURE_MM / face.mm))
    return Edge(outline=best + np.array([x0, y0], float), u_edge=u_edge)


def _stout(inside: np.ndarray, core: np.ndarray) -> np.ndarray:
    """Where a mask is no arm: the shaded side of a ridge that runs into a hollow is one, and no part of the hollow."""
    depth = cv2.distanceTransform(np.pad(inside & core, 1).astype(np.uint8), cv2.DIST_L2, 3)
    size = 2 * round(ARM * float(depth.max())) + 1
    if size < 3:
        return np.ones(inside.shape, bool)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    opened = cv2.morphologyEx(np.pad(inside, 1).astype(np.uint8), cv2.MORPH_OPEN, disc)
    near = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (TIP * size,) * 2)  # a tapering tip is short, and stays
    return (cv2.dilate(opened, near)[1:-1, 1:-1] > 0) | ~inside
