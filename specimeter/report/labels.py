"""Where the numbers go: beside their outline, off every outline and off each other, with a short leader line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

_CELL = 4  # px of the picture per cell of the map of what is taken
_REACHES = np.array([1.0, 1.8, 2.8, 4.2, 6.0, 9.0])
_ANGLES = np.radians(np.arange(-60, 300, 15))
_WAYS = np.column_stack([np.cos(_ANGLES), np.sin(_ANGLES)])
_ON_OUTLINE, _ON_LABEL, _ON_LEADER, _OUTSIDE = 40.0, 60.0, 6.0, 400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A placed label: its box (left, top, right, bottom) and its leader's two ends, all in pixels [x, y]."""

    box: tuple[float, float, float, float]
    leader: tuple[tuple[float, float], tuple[float, float]]


def place(
    outlines_px: Sequence[np.ndarray],
    sizes_px: Sequence[tuple[int, int]],
    *,
    width_px: int,
    height_px: int,
    keep_clear: Sequence[tuple[float, float, float, float]] = (),
) -> list[Label]:
    """A label for each outline.

    Parameters
    ----------
    outlines_px : sequence of arrays, each (N, 2)
        Polygons [x, y].
    sizes_px : sequence of (width, height)
        Size of each label.
    width_px, height_px : int
        Size of the picture.
    keep_clear : sequence of boxes
        Other things on the picture that no label may cover (left, top, right, bottom).

    Returns
    -------
    list of Label
        In the order of `outlines_px`. Where there is no free place the least crowded one is taken.
    """
    taken = np.zeros((height_px // _CELL + 1, width_px // _CELL + 1), np.float32)
    polygons = [np.round(outline / _CELL).astype(np.int32).reshape(-1, 1, 2) for outline in outlines_px]
    for polygon in polygons:
        cv2.fillPoly(taken, [polygon], _ON_OUTLINE)
        cv2.polylines(taken, [polygon], True, _ON_OUTLINE, 2)
    for box in keep_clear:
        _fill(taken, box, _ON_LABEL)
    placed: dict[int, Label] = {}
    for index in sorted(range(len(outlines_px)), key=lambda i: -float(np.prod(np.ptp(outlines_px[i], axis=0)))):
        label = _best(np.asarray(outlines_px[index], float), sizes_px[index], taken, width_px, height_px)
        _fill(taken, label.box, _ON_LABEL)
        begin, end = ((int(x / _CELL), int(y / _CELL)) for x, y in label.leader)
        cv2.line(taken, begin, end, (_ON_LEADER,), 1)
        placed[index] = label
    return [placed[index] for index in range(len(outlines_px))]


def _best(outline: np.ndarray, size: tuple[int, int], taken: np.ndarray, width_px: int, height_px: int) -> Label:
    low, high = outline.min(axis=0), outline.max(axis=0)
    middle, half, label = (low + high) / 2, (high - low) / 2, np.array(size, float)
    edge = np.min(
        (half + label / 2) / np.maximum(np.abs(_WAYS), 1e-9), axis=1
    )  # where the label's box just leaves the outline's
    centres = (middle + _WAYS * (edge + np.outer(_REACHES, np.full(len(_WAYS), 0.55 * label[1])))[..., None]).reshape(-1, 2)
    boxes = np.hstack([centres - label / 2, centres + label / 2])
    feet = outline[np.argmin(np.sum((outline - centres[:, None]) ** 2, axis=2), axis=1)]
    heads = np.clip(feet, boxes[:, :2], boxes[:, 2:])
    outside = np.max(np.hstack([4 - boxes[:, :2], boxes[:, 2:] - [width_px - 4, height_px - 4]]), axis=1)
    costs = (
        0.15 * np.linalg.norm(feet - heads, axis=1) + np.where(outside > 0, _OUTSIDE + outside, 0.0) + _covered(taken, boxes)
    )
    best, least = 0, np.inf
    for index in np.argsort(costs, kind="stable"):
        if costs[index] >= least:
            break
        cost = costs[index] + _crossing(taken, feet[index], heads[index])
        if cost < least:
            best, least = int(index), cost
    return Label(box=tuple(boxes[best].tolist()), leader=(tuple(feet[best].tolist()), tuple(heads[best].tolist())))


def _covered(taken: np.ndarray, boxes: np.ndarray) -> np.ndarray:
    """What each box (left, top, right, bottom in px), shape (N, 4), would cover: sums from the integral of the map."""
    rows, columns = taken.shape
    cells = np.floor(boxes / _CELL).astype(int)
    left, top = np.clip(cells[:, 0], 0, columns), np.clip(cells[:, 1], 0, rows)
    right, bottom = np.clip(cells[:, 2] + 2, 0, columns), np.clip(cells[:, 3] + 2, 0, rows)
    total = cv2.integral(taken)
    return total[bottom, right] - total[top, right] - total[bottom, left] + total[top, left]


def _crossing(taken: np.ndarray, foot: np.ndarray, head: np.ndarray) -> float:
    """What a leader runs over on its way, its own outline's rim left out."""
    steps = int(np.linalg.norm(head - foot) / _CELL)
    if steps < 4:
        return 0.0
    points = foot + np.linspace(0, 1, steps)[3:-1, None] * (head - foot)
    columns = np.clip((points[:, 0] / _CELL).astype(int), 0, taken.shape[1] - 1)
    rows = np.clip((points[:, 1] / _CELL).astype(int), 0, taken.shape[0] - 1)
    return float(taken[rows, columns].sum())


def _fill(taken: np.ndarray, box: tuple[float, ...], value: float) -> None:
    left, top, right, bottom = (max(0, int(edge / _CELL)) for edge in box)
    taken[top : bottom + 1, left : right + 1] += value
