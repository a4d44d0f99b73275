"""The four borders of a broken face, followed one after the other where its looks end: least-cost paths over log-odds."""

from __future__ import annotations

import cv2
import numpy as np

from specimeter.segment.area_looks import Looked

GRID = 0.5  # of a cell: step of the straightened patch
MARGIN_MM = 5.0  # how far beyond the rough rectangle a border may lie
INTO = 0.45  # of the rectangle's size across: how far inside a border may lie
STRIP_MM = (0.7, 4.0)  # distance from the rough border of what stands for its two sides
STEEPEST = 2  # grid steps that a border may move from one place to the next
WILL = 2.0  # cost of such a step, in log-odds


def follow(odds: np.ndarray, looked: Looked, corners: np.ndarray) -> tuple[np.ndarray, float]:
    """The outline [column, row] of the face, and 0 to 1 how well its borders show.

    Parameters
    ----------
    odds : array, shape (rows, columns)
        Log-odds that a cell belongs to the face.
    corners : array, shape (4, 2)
        Of the rough rectangle: along the weld from the first to the second, across from the second to the third.
    """
    along, across = corners[1] - corners[0], corners[3] - corners[0]
    size = np.array([np.linalg.norm(along), np.linalg.norm(across)])
    unit = np.array([along / size[0], across / size[1]])
    margin = MARGIN_MM / looked.cell_mm
    count = np.maximum(((size + 2 * margin) / GRID).astype(int), 24)
    origin = corners[0] - margin * unit.sum(axis=0)
    matrix = np.column_stack([GRID * unit[0], GRID * unit[1], origin])

    def straight(field: np.ndarray, outside: float) -> np.ndarray:
        warped = cv2.warpAffine(
            np.ascontiguousarray(field), matrix, (int(count[0]), int(count[1])),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_CONSTANT, borderValue=outside,
        )  # fmt: skip
        return np.asarray(warped, np.float32).reshape(int(count[1]), int(count[0]))

    flat = np.clip(straight(odds, -4.0), -4, 4)
    seen = straight(np.ones(odds.shape, np.float32), 0.0) > 0.5
    step_mm = GRID * looked.cell_mm
    lines = np.array([margin, margin + size[0], margin, margin + size[1]]) / GRID  # left, right, top, bottom
    left, right, top, bottom = (np.full(n, at) for n, at in zip((count[1], count[1], count[0], count[0]), lines, strict=True))
    field = np.where(seen, flat, np.float32(-6))
    for _ in range(2):
        above, below = (
            _paths(field, top, bottom, left, right),
            _paths(field[::-1], count[1] - 1 - bottom, count[1] - 1 - top, left, right),
        )
        top, bottom = above, count[1] - 1 - below
        before, after = (
            _paths(field.T, left, right, top, bottom),
            _paths(field.T[::-1], count[0] - 1 - right, count[0] - 1 - left, top, bottom),
        )
        left, right = before, count[0] - 1 - after
    supports = _told(flat, seen, (top, bottom), (left, right), step_mm)
    supports += _told(flat.T, seen.T, (left, right), (top, bottom), step_mm)
    inside = np.zeros(flat.shape, np.uint8)
    y, x = np.indices(flat.shape, dtype=np.float32)
    inside[(y >= top[None]) & (y <= bottom[None]) & (x >= left[:, None]) & (x <= right[:, None])] = 1
    contours = cv2.findContours(
        cv2.morphologyEx(inside, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8)), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )[0]
    if not contours:
        return corners, 0.0
    outline = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(float)
    outline = _grown(_smooth(outline), 0.5)
    return origin + GRID * (outline @ unit), float(np.mean(sorted(supports)[:3]))


def _told(flat, seen, ends, span, step_mm) -> list[float]:
    """How well the first and the second border across the rows each tell their two sides apart, 0 to 1."""
    rows, columns = flat.shape
    near, far = (int(v / step_mm) for v in STRIP_MM)
    inner_columns = slice(
        int(np.clip(np.median(span[0]) + near, 0, columns - 2)), int(np.clip(np.median(span[1]) - near, 2, columns))
    )
    height = float(np.median(ends[1]) - np.median(ends[0]))
    told = []
    for which, way in ((0, -1), (1, 1)):
        line = ends[which]
        at = np.arange(rows)[:, None] - line[None]
        beyond = at * way
        reach_in = min(far, 0.45 * height)
        inner = (beyond < -near) & (beyond > -max(reach_in, near + 2)) & seen
        outer = (beyond > near) & (beyond < far) & seen
        mask = np.zeros(flat.shape, bool)
        mask[:, inner_columns] = True
        inner, outer = inner & mask, outer & mask
        enough = inner.sum() > 40 and outer.sum() > 40
        told.append(float(0.5 * ((flat[inner] > 0).mean() + (flat[outer] < 0).mean())) if enough else 0.5)
    return told


def _paths(field: np.ndarray, line: np.ndarray, other: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Where the first border across the rows runs in each column: the path that gathers most log-odds below it.

    The gain of a border at row r is the sum of the field from r down to the face's middle; it may move a little from column
    to column. Columns beyond the face's own ends take the nearest's.
    """
    rows, columns = field.shape
    middle = int(np.clip(np.median(line) + INTO * (np.median(other) - np.median(line)), 2, rows - 2))
    gain = np.cumsum(field[:middle][::-1], axis=0)[::-1].T  # (columns, rows above the middle)
    first, last = int(np.clip(np.median(low), 0, columns - 3)), int(np.clip(np.median(high), 2, columns - 1)) + 1
    gain = gain[first:last]
    best = gain[0].copy()
    came = np.zeros(gain.shape, np.int16)
    moves = range(-STEEPEST, STEEPEST + 1)
    for k in range(1, len(gain)):
        choices = np.full((len(moves), gain.shape[1]), -np.inf)
        for m, move in enumerate(moves):
            source = slice(max(0, move), gain.shape[1] + min(0, move))
            target = slice(max(0, -move), gain.shape[1] + min(0, -move))
            choices[m, target] = best[source] - WILL * move * move
        pick = choices.argmax(axis=0)
        came[k] = pick - STEEPEST
        best = choices.max(axis=0) + gain[k]
    path = np.empty(len(gain))
    path[-1] = at = int(best.argmax())
    for k in range(len(gain) - 1, 0, -1):
        at = int(np.clip(at + came[k, at], 0, gain.shape[1] - 1))
        path[k - 1] = at
    full = np.empty(columns)
    full[first:last] = path
    full[:first], full[last:] = path[0], path[-1]
    return full


def _smooth(outline: np.ndarray) -> np.ndarray:
    """Staircases of the grid evened out: a running mean over a few of its points."""
    kernel = np.array([1, 2, 3, 2, 1]) / 9.0
    wrapped = np.concatenate([outline[-2:], outline, outline[:2]])
    return np.column_stack([np.convolve(wrapped[:, k], kernel, mode="valid") for k in (0, 1)])[::2]


def _grown(outline: np.ndarray, by: float) -> np.ndarray:
    """The outline moved outwards: a contour of cells runs through their middles, half a step inside their edge."""
    step = np.roll(outline, -1, axis=0) - np.roll(outline, 1, axis=0)
    normal = np.column_stack([step[:, 1], -step[:, 0]]) / np.maximum(np.linalg.norm(step, axis=1), 1e-9)[:, None]
    x, y = outline.T
    turn = np.sign(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    return outline + by * turn * normal
