"""Roughly where a bent specimen stands in a photograph: two parallel edges and two silhouettes at the right distances.

The picture is seen as if from above, in millimetres, on two planes: one through the upper part of the side edges, one through
the cylinder's axis, where silhouettes lie. On these an edge at a known place is a straight segment of known length, so its
evidence at every place is one running mean; hypotheses are scored for all places at once, direction by direction.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import cv2
import numpy as np

from specimeter import lookup
from specimeter.scale.borders import Reduced
from specimeter.scale.likely_face import STEEPEST_DEG, LikelyFace
from specimeter.scale.surface import Bend

CELLS_ACROSS_FACE = (
    26.0  # cells of the map over the smaller of the face's sides: fine enough for an edge, coarse enough to be quick
)
TURNS_DEG = np.arange(-24.0, 24.1, 3.0)  # how far "vertical" or "horizontal" may be off
SILHOUETTE_WEIGHT = 0.45  # of each silhouette beside the pair of side edges: shadows blur them, legs may hide them
LIKELY_WEIGHT = 0.5  # of the share of its cells that the network takes for a face (judgement)
WIDTHS_MM = 8.0 * 1.07 ** np.arange(36)  # tried where no calliper width is given: 8 to 85 mm


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """One place that the specimen may stand at."""

    bend: Bend
    width_mm: float
    score: float  # mean evidence of its borders, 0 to 1, and what the network says of it


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Map:
    """Edge evidence on a plane of the world seen from above: entries of the structure tensor over the local unrest."""

    tensor: np.ndarray  # (rows, columns, 3): xx, xy, yy, each over (own + surrounding)
    likely: np.ndarray  # (rows, columns): how likely a bent face shows there, 0 to 1
    left_mm: float
    top_mm: float
    cell_mm: float


def candidates(
    picture: Reduced,
    start: Bend,
    width_mm: float | None,
    likely: LikelyFace,
    *,
    window_mm: Sequence[float],
    hide_px: Sequence[np.ndarray] = (),
    turns_deg: np.ndarray = TURNS_DEG,
    sizes: Sequence[float] | np.ndarray = (1.0,),
    count: int = 6,
) -> list[Candidate]:
    """The best places for `start`, moved and turned, in falling order of score.

    Parameters
    ----------
    picture : Reduced
        With pixels no larger than about a twentieth of the specimen's width.
    start : Bend
        Radius, height, angle and the expected direction; its place is free.
    width_mm : float or None
        By calliper; None tries all of `WIDTHS_MM`.
    likely : LikelyFace
    window_mm : left, top, right, bottom in the world, at the crown's height: where crowns may be.
    hide_px : polygons (N, 2) in pixels in and on which edges are hardly the specimen's (a card; a second one is its hole).
    turns_deg : directions tried, relative to the start's.
    sizes : factors on radius and width that are tried, where the scale at the crown is not well known.
    """
    radius, half = start.radius_mm, np.radians(start.angle_deg) / 2
    cell = max(min(width_mm or 20.0, 1.6 * radius) / CELLS_ACROSS_FACE, (window_mm[2] - window_mm[0]) / 420.0)
    flank = min(half, np.radians(65.0))
    pad = 1.3 * radius + 0.6 * (width_mm or 25.0)
    upper_depth = 0.5 * radius * (1 - np.cos(flank))  # half way down the part of a side edge that is looked at
    turned = [replace(start, direction_deg=start.direction_deg + float(turn)) for turn in turns_deg]
    with ThreadPoolExecutor(2) as beside:  # large arrays leave Python alone

        def evidence(depth_mm: float) -> _Map:
            return _evidence(picture, likely, start, depth_mm, window_mm, pad, cell, hide_px)

        upper, lower = beside.map(evidence, (upper_depth, radius))

        def places(bend: Bend) -> list[tuple[float, float, float, float, float]]:
            return _best_places(upper, lower, bend, width_mm, window_mm, flank, sizes, count)

        found = [(bend, *one) for bend, some in zip(turned, beside.map(places, turned), strict=True) for one in some]
    kept: list[Candidate] = []
    for bend, score, x, y, width, size in sorted(found, key=lambda one: -one[1]):
        if len(kept) == count:
            break
        placed = replace(bend, crown_mm=np.array([x, y]), radius_mm=radius * size)
        one = Candidate(bend=placed, width_mm=width * size, score=score)
        if not any(_same(one, other) for other in kept):
            kept.append(one)
    return kept


def _same(one: Candidate, other: Candidate) -> bool:
    apart = math.dist(one.bend.crown_mm, other.bend.crown_mm)  # there are thousands of pairs
    turned = abs(one.bend.direction_deg - other.bend.direction_deg)
    return (
        apart < 0.07 * (one.width_mm + one.bend.radius_mm) and turned < 7 and abs(math.log(one.width_mm / other.width_mm)) < 0.1
    )


def _evidence(
    picture: Reduced,
    likely: LikelyFace,
    start: Bend,
    depth_mm: float,
    window_mm: Sequence[float],
    pad: float,
    cell: float,
    hide_px: Sequence[np.ndarray],
) -> _Map:
    """The structure tensor of the picture on the plane `depth_mm` under the crown, evened out by the local unrest."""
    left, top, right, bottom = np.asarray(window_mm, float) + np.array([-pad, -pad, pad, pad])
    columns, rows = int(np.ceil((right - left) / cell)), int(np.ceil((bottom - top) / cell))
    x, y = np.meshgrid(left + cell * (np.arange(columns) + 0.5), top + cell * (np.arange(rows) + 0.5))
    plane = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, depth_mm - start.height_mm)])
    points = start.view.project(plane).reshape(rows, columns, 2)
    light = picture.sample(points)
    outside = np.isnan(light[..., 0])
    root = np.sqrt(np.maximum(np.nan_to_num(light), 0) + 0.002).astype(np.float32)
    root = cv2.GaussianBlur(root, (0, 0), 0.8)
    dx, dy = (cv2.Scharr(root, cv2.CV_32F, *order).reshape(root.shape) / 32 for order in ((1, 0), (0, 1)))
    tensor = np.stack([np.sum(dx * dx, axis=2), np.sum(dx * dy, axis=2), np.sum(dy * dy, axis=2)], axis=-1)
    near_outside = cv2.dilate(outside.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    tensor[near_outside] = 0
    gain = np.ones(outside.shape, np.float32)
    if len(hide_px):
        hidden = np.zeros(picture.rgb.shape[:2], np.uint8)
        corners = [np.round((np.asarray(p) + 0.5) / picture.factor - 0.5).astype(np.int32).reshape(-1, 1, 2) for p in hide_px]
        cv2.fillPoly(hidden, corners, 1)  # a polygon in another is a hole
        cv2.polylines(hidden, corners, True, 1, thickness=7)
        small = (points + 0.5) / picture.factor - 0.5
        x, y = np.moveaxis(small.astype(np.float32), -1, 0)
        card = cv2.remap(hidden, x, y, cv2.INTER_NEAREST).reshape(outside.shape)
        gain[card > 0] = 0.1
    trace = tensor[..., 0] + tensor[..., 2]
    reach = round(14.0 / cell) | 1
    unrest = cv2.blur(trace, (reach, reach)).reshape(trace.shape)
    floor = 0.5 * np.median(trace[~near_outside]) + 1e-5 if (~near_outside).any() else 1e-5
    return _Map(
        tensor=tensor * (gain / (trace + unrest + floor))[..., None],
        likely=likely.at(points),
        left_mm=left,
        top_mm=top,
        cell_mm=cell,
    )


def _best_places(
    upper: _Map,
    lower: _Map,
    bend: Bend,
    width_mm: float | None,
    window_mm: Sequence[float],
    flank: float,
    sizes: Sequence[float] | np.ndarray,
    count: int,
) -> list[tuple[float, float, float, float, float]]:
    """The best places for one direction of the axis, as (score, x, y, width, size)."""
    cell, radius = upper.cell_mm, bend.radius_mm
    across, along, _ = bend.frame
    rows, columns = upper.tensor.shape[:2]
    middle = np.array([upper.left_mm + cell * columns / 2, upper.top_mm + cell * rows / 2])
    # turned maps: columns run along the axis (+a), rows across it towards -s, so that nothing is mirrored
    size = int(np.ceil(np.hypot(rows, columns)))
    turn = np.array([along[:2], -across[:2]])
    shift = (size - 1) / 2 - turn @ np.array([(columns - 1) / 2, (rows - 1) / 2])
    matrix = np.column_stack([turn, shift])
    sides, lows = (_directional(lay.tensor, matrix, size, turn[k]) for k, lay in enumerate((upper, lower)))
    faces = lookup.turned(upper.likely, matrix, (size, size))
    sides, lows = cv2.dilate(sides, np.ones((1, 3), np.uint8)), cv2.dilate(lows, np.ones((3, 1), np.uint8))

    steps = np.arange(size) - (size - 1) / 2
    s = -cell * steps
    eye_s = float(across[:2] @ (bend.view.eye_mm[:2] - middle))
    x = middle[0] + cell * (steps[None, :] * along[0] - steps[:, None] * across[0])
    y = middle[1] + cell * (steps[None, :] * along[1] - steps[:, None] * across[1])
    left, top, right, bottom = window_mm
    within = (x >= left) & (x <= right) & (y >= top) & (y <= bottom)
    held = [np.flatnonzero(within.any(axis=axis)) for axis in (1, 0)]
    if not len(held[0]):
        return []
    part = rows_of, columns_of = tuple(slice(one[0], one[-1] + 1) for one in held)  # of the maps, where crowns may be
    x, y, within, s = x[part], y[part], within[part], s[rows_of]
    columns_at = np.arange(size)[columns_of]

    best = []
    for factor, width in ((f, w) for f in sizes for w in ([width_mm] if width_mm else WIDTHS_MM)):
        sized = replace(bend, radius_mm=radius * factor)
        half = round(width * factor / 2 / cell)
        length = max(3, round(2 * 0.95 * sized.radius_mm * np.sin(flank) / cell))
        run = cv2.blur(sides, (1, length))[rows_of]
        one, two = (run[:, (columns_at + step) % size] for step in (-half, half))
        total, weight = 0.6 * np.minimum(one, two) + 0.2 * (one + two), np.ones(len(s))
        strip = cv2.blur(lows, (max(3, round(0.84 * width * factor / cell)), 1))[:, columns_of]
        for side in (-1.0, 1.0):
            visible, crossing = _silhouette_rows(sized, eye_s - s, side)
            row = np.round((size - 1) / 2 - (s + crossing) / cell)
            inside = visible & (row >= 0) & (row < size)
            value = strip[np.where(inside, row, 0).astype(int)]
            total = total + SILHOUETTE_WEIGHT * np.where(inside[:, None], value, 0)
            weight = weight + SILHOUETTE_WEIGHT * visible
        face = max(3, round(2 * sized.radius_mm * np.sin(min(flank, np.radians(STEEPEST_DEG))) / cell))
        inside = np.asarray(cv2.blur(faces, (2 * half + 1, face))[part], np.float64)
        score = np.where(within, total / weight[:, None] + LIKELY_WEIGHT * inside, 0).astype(np.float32)
        peaks = np.argwhere((score >= cv2.dilate(score, np.ones((7, 7), np.uint8))) & (score > 0))
        worth = score[tuple(peaks.T)]
        for peak in np.argsort(worth)[::-1][:count]:
            at = tuple(peaks[peak])
            best.append((float(worth[peak]), float(x[at]), float(y[at]), float(width), float(factor)))
    return best


def _directional(tensor: np.ndarray, matrix: np.ndarray, size: int, normal: np.ndarray) -> np.ndarray:
    """The map turned by `matrix`, as evidence of edges whose normal is `normal` [x, y]."""
    weights = np.array([normal[0] ** 2, 2 * normal[0] * normal[1], normal[1] ** 2], np.float32)
    return lookup.turned(tensor @ weights, matrix, (size, size))


def _silhouette_rows(bend: Bend, lateral_mm: np.ndarray, side: float) -> tuple[np.ndarray, np.ndarray]:
    """Where sight lines that touch the cylinder cross the plane through its axis, from the axis, and whether it is the arc
    that they touch (else a leg stands out), for eyes `lateral_mm` to the +s side of the crown."""
    radius, height = bend.radius_mm, bend.view.distance_mm - bend.height_mm + bend.radius_mm
    square = lateral_mm**2 + height**2
    touch = np.arctan2(lateral_mm, height) + side * np.arccos(np.minimum(1.0, radius / np.sqrt(square)))
    root = radius * np.sqrt(radius**2 * lateral_mm**2 + (height**2 - radius**2) * square)
    crossing = (side * root - radius**2 * lateral_mm) / (height**2 - radius**2)
    return np.abs(touch) < np.radians(bend.angle_deg) / 2, crossing
