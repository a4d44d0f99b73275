"""Where the numbers go: beside their outline, off every outline and off each other, with a short leader line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

_CELL = 4  # px of the picture per cell of the map of what is taken
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
        cv2.line(taken, *[tuple(int(v / _CELL) for v in end) for end in label.leader], _ON_LEADER, 1)
        placed[index] = label
    return [placed[index] for index in range(len(outlines_px))]


def _best(outline: np.ndarray, size: tuple[int, int], taken: np.ndarray, width_px: int, height_px: int) -> Label:
    low, high = outline.min(axis=0), outline.max(axis=0)
    middle, half = (low + high) / 2, (high - low) / 2
    wide, tall = size
    least = np.inf
    for reach in (1.0, 1.8, 2.8, 4.2, 6.0, 9.0):
        if least < 1.0 * tall:  # near enough and free: no farther place can be better
            break
        for angle in np.radians(np.arange(-60, 300, 15)):
            way = np.array([np.cos(angle), np.sin(angle)])
            edge = np.min(
                np.where(np.abs(way) > 1e-9, (half + np.array([wide, tall]) / 2) / np.maximum(np.abs(way), 1e-9), np.inf)
            )
            centre = middle + way * (edge + 0.55 * tall * reach)
            box = (centre[0] - wide / 2, centre[1] - tall / 2, centre[0] + wide / 2, centre[1] + tall / 2)
            foot = outline[np.argmin(np.sum((outline - centre) ** 2, axis=1))]
            head = np.clip(foot, box[:2], box[2:])
            cost = 0.15 * np.linalg.norm(foot - head) + _cost(taken, box, width_px, height_px) + _crossing(taken, foot, head)
            if cost < least:
                best, least = Label(box=box, leader=(tuple(map(float, foot)), tuple(map(float, head)))), cost
    return best


def _cost(taken: np.ndarray, box: tuple[float, ...], width_px: int, height_px: int) -> float:
    outside = max(0.0, 4 - box[0], 4 - box[1], box[2] - (width_px - 4), box[3] - (height_px - 4))
    left, top, right, bottom = (max(0, int(edge / _CELL)) for edge in box)
    return float(taken[top : bottom + 2, left : right + 2].sum()) + (_OUTSIDE + outside if outside else 0.0)


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
