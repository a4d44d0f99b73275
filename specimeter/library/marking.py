"""Marking a trainee's marks against a reference: finding, naming, size and verdict apart; cracks by path and tips, not overlap.

The page does the same in ``exercise-score.js``; tests hold the two together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

SAMPLES = 33
COVERED = 0.5  # of a crack's path that a mark must follow
WEIGHT_REJECTABLE, WEIGHT_OTHER, WEIGHT_FALSE = 3.0, 1.0, 1.0
LEAST_TOLERANCE_MM = 0.3
GRID = 48


def path_of(outline_px: np.ndarray) -> np.ndarray:
    """The middle line of an outline from tip to tip, shape (33, 2): between the two ways round from one tip to the other."""
    outline = np.asarray(outline_px, float).reshape(-1, 2)
    far = np.linalg.norm(outline[:, None] - outline[None], axis=2)
    first, last = sorted(np.unravel_index(np.argmax(far), far.shape))
    one = outline[first : last + 1]
    other = np.vstack([outline[last:], outline[: first + 1]])[::-1]
    return (resampled(one) + resampled(other)) / 2


def resampled(line: np.ndarray, count: int = SAMPLES) -> np.ndarray:
    """So many points at equal steps along a line, ends included."""
    line = np.asarray(line, float).reshape(-1, 2)
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    if along[-1] == 0:
        return np.repeat(line[:1], count, axis=0)
    at = np.linspace(0, along[-1], count)
    return np.column_stack([np.interp(at, along, line[:, axis]) for axis in (0, 1)])


def distances(points: np.ndarray, line: np.ndarray) -> np.ndarray:
    """From each of (N, 2) points to the nearest place on a line of (M, 2) points."""
    starts, ends = line[:-1], line[1:]
    span = ends - starts
    square = np.maximum((span**2).sum(1), 1e-12)
    share = np.clip(((points[:, None] - starts) * span).sum(2) / square, 0, 1)
    return np.linalg.norm(points[:, None] - (starts + share[..., None] * span), axis=2).min(1)


def mean_distance(one: np.ndarray, other: np.ndarray) -> float:
    """The mean distance from a line's points to another line."""
    return float(distances(resampled(one), other).mean())


def mark_path(mark: Mapping[str, Any]) -> np.ndarray:
    """The line that a mark means: the line itself, or the longer axis of its oval, shape (33, 2)."""
    points = np.asarray(mark["points_px"], float).reshape(-1, 2)
    if mark["shape"] == "line":
        return resampled(points)
    (x0, y0), (x1, y1) = points[0], points[-1]
    if abs(x1 - x0) >= abs(y1 - y0):
        return resampled(np.array([[min(x0, x1), (y0 + y1) / 2], [max(x0, x1), (y0 + y1) / 2]]))
    return resampled(np.array([[(x0 + x1) / 2, min(y0, y1)], [(x0 + x1) / 2, max(y0, y1)]]))


def closeness(mark: Mapping[str, Any], item: Mapping[str, Any], tolerance_px: float) -> dict[str, Any]:
    """How a mark lies to one item of the reference: whether it `hits`, its `distance` in pixels, for long ones the tips'."""
    path, truth = mark_path(mark), np.asarray(item["path_px"], float)
    if item["long"]:
        away = float(distances(path, truth).mean())
        covered = float((distances(resampled(truth), path) <= tolerance_px).mean())
        tips = min(
            (np.linalg.norm(path[0] - truth[0]) + np.linalg.norm(path[-1] - truth[-1])) / 2,
            (np.linalg.norm(path[-1] - truth[0]) + np.linalg.norm(path[0] - truth[-1])) / 2,
        )
        return {"hits": away <= tolerance_px and covered >= COVERED, "distance": away, "tips": float(tips), "covered": covered}
    half, extent = item["half_px"], float(np.linalg.norm(path[-1] - path[0])) / 2
    away = float(np.linalg.norm((path[0] + path[-1]) / 2 - np.asarray(item["centre_px"], float)))
    near = away <= max(tolerance_px, 0.7 * half)
    like = extent <= 3 * half + tolerance_px and extent >= half / 3 - tolerance_px
    return {
        "hits": near and like,
        "distance": away,
        "overlap": overlap(mark, item["outline_px"]),
        "boundary": boundary(mark, item["outline_px"]),
    }


def overlap(mark: Mapping[str, Any], outline_px: Sequence[Sequence[float]]) -> float | None:
    """Shared area over joined area of an oval and an outline, by counting 48 x 48 places; None for a line."""
    if mark["shape"] == "line":
        return None
    (x0, y0), (x1, y1) = mark["points_px"][0], mark["points_px"][-1]
    outline = np.asarray(outline_px, float)
    low = np.minimum(outline.min(0), [min(x0, x1), min(y0, y1)])
    high = np.maximum(outline.max(0), [max(x0, x1), max(y0, y1)])
    xs, ys = (low[axis] + (np.arange(GRID) + 0.5) / GRID * (high[axis] - low[axis]) for axis in (0, 1))
    x, y = np.meshgrid(xs, ys)
    rx, ry = max(abs(x1 - x0) / 2, 1e-9), max(abs(y1 - y0) / 2, 1e-9)
    mine = ((x - (x0 + x1) / 2) / rx) ** 2 + ((y - (y0 + y1) / 2) / ry) ** 2 <= 1
    theirs = np.zeros_like(mine)
    for (ax, ay), (bx, by) in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        crosses = (ay > y) != (by > y)
        with np.errstate(divide="ignore", invalid="ignore"):
            theirs ^= crosses & (x < (bx - ax) * (y - ay) / (by - ay) + ax)
    joined = (mine | theirs).sum()
    return float((mine & theirs).sum() / joined) if joined else 0.0


def boundary(mark: Mapping[str, Any], outline_px: Sequence[Sequence[float]]) -> float | None:
    """The mean distance in pixels from an oval's line to an outline; None for a line."""
    if mark["shape"] == "line":
        return None
    (x0, y0), (x1, y1) = mark["points_px"][0], mark["points_px"][-1]
    turn = 2 * np.pi * np.arange(SAMPLES) / SAMPLES
    oval = np.column_stack([(x0 + x1) / 2 + abs(x1 - x0) / 2 * np.cos(turn), (y0 + y1) / 2 + abs(y1 - y0) / 2 * np.sin(turn)])
    outline = np.asarray(outline_px, float)
    return float(distances(oval, np.vstack([outline, outline[:1]])).mean())


def marked(task: Mapping[str, Any], marks: Sequence[Mapping[str, Any]], verdict: str | None) -> dict[str, Any]:
    """A task's result.

    Parameters
    ----------
    task : mapping
        With its key: `items`, `tolerance_px`, `verdict`.
    marks : sequence of mappings
        ``kind``, ``shape`` ("line" or "oval"), ``points_px``, ``length_mm`` (or None).
    verdict : str or None
        "accept", "reject", or none given.

    Returns
    -------
    dict
        ``finding`` 0 to 1; ``hits`` pairs of (mark, item); ``missed``, ``false``, ``again`` and ``unscored`` indices;
        ``named`` and ``sized`` as [right, of]; ``verdict`` "right", "wrong" or None; ``serious``: a rejectable item was missed,
        or a face to be rejected was accepted.
    """
    items, tolerance = task["items"], task["tolerance_px"]
    near = [[closeness(mark, item, tolerance) for item in items] for mark in marks]
    pairs = sorted(
        (near[m][i]["distance"], m, i)
        for m in range(len(marks))
        for i in range(len(items))
        if near[m][i]["hits"] and items[i]["scored"]
    )
    hits: list[tuple[int, int]] = []
    for _, m, i in pairs:
        if all(m != mark and i != item for mark, item in hits):
            hits.append((m, i))
    used = {m for m, _ in hits}
    again: list[int] = []
    unscored: list[int] = []
    false: list[int] = []
    for m in range(len(marks)):
        if m not in used:
            touched = [i for i in range(len(items)) if near[m][i]["hits"]]
            scored = any(items[i]["scored"] for i in touched)
            (again if scored else unscored if touched else false).append(m)
    found = {i for _, i in hits}
    asked = [i for i, item in enumerate(items) if item["scored"]]
    weight = {i: WEIGHT_REJECTABLE if items[i]["rejectable"] else WEIGHT_OTHER for i in asked}
    whole = sum(weight.values()) + WEIGHT_FALSE * len(false) + (0 if asked else 1)
    finding = (sum(weight[i] for i in found) + (0 if asked else 1)) / whole
    named = [(m, i) for m, i in hits if items[i]["kinds"]]
    sized = [(m, i) for m, i in hits if items[i]["length_mm"] is not None and marks[m].get("length_mm") is not None]
    right = None if task["verdict"] is None or verdict is None else "right" if verdict == task["verdict"] else "wrong"
    missed = [i for i in asked if i not in found]
    return {
        "finding": finding,
        "hits": sorted(hits),
        "missed": missed,
        "false": false,
        "again": again,
        "unscored": unscored,
        "named": [sum(marks[m]["kind"] in items[i]["kinds"] for m, i in named), len(named)],
        "sized": [sum(_sized(marks[m], items[i]) for m, i in sized), len(sized)],
        "verdict": right,
        "serious": any(items[i]["rejectable"] for i in missed) or (right == "wrong" and task["verdict"] == "reject"),
    }


def _sized(mark: Mapping[str, Any], item: Mapping[str, Any]) -> bool:
    return abs(mark["length_mm"] - item["length_mm"]) <= item["tolerance_mm"]


def size_tolerance_mm(length_mm: float, U_mm: float, spread_mm: float, allowance: float) -> float:
    """What an estimate may be off: reading by eye, the reference's U and twice the readers' spread, combined."""
    return max(LEAST_TOLERANCE_MM, float(np.sqrt((allowance * length_mm) ** 2 + U_mm**2 + (2 * spread_mm) ** 2)))
