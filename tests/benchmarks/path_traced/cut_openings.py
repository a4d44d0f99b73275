"""Imperfections in the weld of a path-traced cut, drawn apart from `specimeter.scene`: pores, slag, cracks, unfused lines.

Outlines are mm of the joint's drawing, x right and y up, as in `cut_joints`.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

KINDS = ("pore", "pore", "slag", "crack", "lack-of-sidewall-fusion", "lack-of-inter-run-fusion")
FROM_SURFACE_MM, APART_MM = 0.7, 0.8
MOST_TRIES = 60


def strip(path: np.ndarray, width: np.ndarray) -> np.ndarray:
    """A closed outline of a width (N,) of its own at each point of a path (N, 2)."""
    way = np.gradient(path, axis=0)
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    side = np.column_stack([-way[:, 1], way[:, 0]]) * (width / 2)[:, None]
    return np.concatenate([path + side, (path - side)[::-1]])


def crack(rng, start) -> np.ndarray:
    """A jagged walk of short straight pieces that thins towards both ends."""
    count, turn = int(rng.integers(6, 14)), float(rng.uniform(0, 2 * np.pi))
    pieces = []
    for _ in range(count):
        way = turn + rng.normal(0, 0.45)
        pieces.append(rng.uniform(0.08, 0.3) * np.array([np.cos(way), np.sin(way)]))
    corners = np.asarray(start, float) + np.concatenate([[[0, 0]], np.cumsum(pieces, axis=0)])
    share = np.linspace(0, count, 8 * count + 1)
    path = np.column_stack([np.interp(share, np.arange(count + 1), column) for column in corners.T])
    return strip(path, float(rng.uniform(0.04, 0.13)) * np.clip(4 * share * (count - share) / count**2, 0.1, None) ** 0.6)


def unfused(rng, line: np.ndarray) -> np.ndarray | None:
    """A stretch of a line, smooth, of slowly changing width; None where the line is too short."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    length = float(rng.uniform(0.7, 3.0))
    if along[-1] < length + 1.2:
        return None
    start = float(rng.uniform(0.6, along[-1] - length - 0.6))
    at = np.linspace(start, start + length, 80)
    path = np.column_stack([np.interp(at, along, column) for column in line.T])
    share = np.linspace(0, 1, 80)
    wave = np.interp(share, np.linspace(0, 1, 6), rng.uniform(0.5, 1.3, 6))
    return strip(path, float(rng.uniform(0.07, 0.26)) * wave * np.clip(6 * np.minimum(share, 1 - share), 0.05, 1) ** 0.5)


def cavity(rng, centre, angular: bool) -> np.ndarray:
    """A pore, nearly round, or an angular piece of slag."""
    count = int(rng.integers(6, 10)) if angular else 60
    turn = np.sort(rng.uniform(0, 2 * np.pi, count)) if angular else np.linspace(0, 2 * np.pi, count, endpoint=False)
    size = float(rng.uniform(0.5, 1.8)) if angular else float(rng.uniform(0.3, 1.2))
    radius = rng.uniform(0.7, 1.1, count) if angular else 1 + 0.05 * np.cos(3 * turn + rng.uniform(0, 7))
    ring = size / 2 * np.column_stack([radius * np.cos(turn), radius * np.sin(turn) * (0.5 if angular else 1.0)])
    lean = float(rng.uniform(0, np.pi))
    return np.asarray(centre, float) + ring @ np.array([[np.cos(lean), np.sin(lean)], [-np.sin(lean), np.cos(lean)]])


def openings(rng, joint: dict, rings: list[np.ndarray]) -> list[dict]:
    """Up to four imperfections of a joint, apart from each other and from the surface; `rings`: where its runs meet."""
    weld, face, found = np.asarray(joint["weld"]), np.asarray(joint["face"]), []
    fusion = weld[len(face) :]
    surface = np.asarray(joint["metal"])
    surface = np.concatenate([surface, surface[:1]])
    dense = np.concatenate([a + np.linspace(0, 1, 40)[:, None] * (b - a) for a, b in pairwise(surface)])
    wanted = int(rng.choice([1, 2, 3, 4]))
    for _ in range(MOST_TRIES):
        if len(found) == wanted:
            break
        kind = str(rng.choice(KINDS))
        place = rng.uniform(weld.min(axis=0), weld.max(axis=0))
        if kind in ("pore", "slag"):
            outline = cavity(rng, place, kind == "slag") if _inside(weld, place[None]).all() else None
        elif kind == "crack":
            outline = crack(rng, place)
        else:
            lines = [fusion] if kind == "lack-of-sidewall-fusion" else rings
            outline = unfused(rng, lines[int(rng.integers(len(lines)))]) if lines else None
        if outline is None or (kind != "lack-of-sidewall-fusion" and not _inside(weld, outline).all()):
            continue
        others = [dense, *(one["outline_mm"] for one in found)]
        away = [float(np.min(np.hypot(*(outline[:, None] - other[None]).transpose(2, 0, 1)))) for other in others]
        if away[0] > FROM_SURFACE_MM and min(away) > min(FROM_SURFACE_MM, APART_MM):
            found.append({"kind": kind, "form": "line" if "lack" in kind or kind == "crack" else kind, "outline_mm": outline})
    return found


def length_of(outline: np.ndarray) -> float:
    """Greatest distance between two of its points."""
    return float(np.max(np.hypot(*(outline[:, None] - outline[None]).transpose(2, 0, 1))))


def _inside(polygon: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Whether points lie within a closed polygon (crossings of a ray to the right)."""
    x, y = points[:, None, 0], points[:, None, 1]
    one, two = polygon[None], np.roll(polygon, -1, axis=0)[None]
    spans = (one[..., 1] > y) != (two[..., 1] > y)
    with np.errstate(divide="ignore", invalid="ignore"):
        cross = one[..., 0] + (y - one[..., 1]) / (two[..., 1] - one[..., 1]) * (two[..., 0] - one[..., 0])
    return np.asarray((spans & (x < cross)).sum(axis=1) % 2 == 1)
