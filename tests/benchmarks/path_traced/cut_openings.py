"""Imperfections in the weld of a path-traced cut, drawn apart from `specimeter.scene`: pores, slag, cracks, unfused lines.

Outlines are mm of the joint's drawing, x right and y up, as in `cut_joints`.
"""

from __future__ import annotations

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


def thin_or_thick(rng, least_mm: float, most_mm: float) -> float:
    """A width of a line, each factor as likely as the next."""
    return float(np.exp(rng.uniform(np.log(least_mm), np.log(most_mm))))


def crack(rng, start) -> np.ndarray:
    """A jagged walk of short straight pieces that thins towards both ends."""
    count, turn, stretch = int(rng.integers(6, 14)), float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(0.8, 2.0))
    pieces = []
    for _ in range(count):
        way = turn + rng.normal(0, 0.45)
        pieces.append(stretch * rng.uniform(0.08, 0.3) * np.array([np.cos(way), np.sin(way)]))
    corners = np.asarray(start, float) + np.concatenate([[[0, 0]], np.cumsum(pieces, axis=0)])
    share = np.linspace(0, count, 8 * count + 1)
    path = np.column_stack([np.interp(share, np.arange(count + 1), column) for column in corners.T])
    return strip(path, thin_or_thick(rng, 0.02, 0.25) * np.clip(4 * share * (count - share) / count**2, 0.1, None) ** 0.6)


def unfused(rng, line: np.ndarray) -> np.ndarray | None:
    """A stretch of a line, smooth, of slowly changing width; None where the line is too short."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    length = float(rng.uniform(0.7, 4.0))
    if along[-1] < length + 1.2:
        return None
    start = float(rng.uniform(0.6, along[-1] - length - 0.6))
    at = np.linspace(start, start + length, 80)
    path = np.column_stack([np.interp(at, along, column) for column in line.T])
    share = np.linspace(0, 1, 80)
    wave = np.interp(share, np.linspace(0, 1, 6), rng.uniform(0.5, 1.3, 6))
    return strip(path, thin_or_thick(rng, 0.03, 0.5) * wave * np.clip(6 * np.minimum(share, 1 - share), 0.05, 1) ** 0.5)


def cavity(rng, centre, angular: bool) -> np.ndarray:
    """A pore, nearly round, or an angular piece of slag."""
    count = int(rng.integers(6, 10)) if angular else 60
    turn = np.sort(rng.uniform(0, 2 * np.pi, count)) if angular else np.linspace(0, 2 * np.pi, count, endpoint=False)
    size = float(rng.uniform(0.5, 2.4)) if angular else thin_or_thick(rng, 0.25, 2.2)
    radius = rng.uniform(0.7, 1.1, count) if angular else 1 + 0.05 * np.cos(3 * turn + rng.uniform(0, 7))
    ring = size / 2 * np.column_stack([radius * np.cos(turn), radius * np.sin(turn) * (0.5 if angular else 1.0)])
    lean = float(rng.uniform(0, np.pi))
    return np.asarray(centre, float) + ring @ np.array([[np.cos(lean), np.sin(lean)], [-np.sin(lean), np.cos(lean)]])


def lamination(rng, joint: dict) -> np.ndarray:
    """A thin line within a plate along its rolling, away from the weld: of the plate, and no imperfection of the weld."""
    plate = np.asarray(joint["plates"][int(rng.integers(2))], float)
    way = (plate[1] - plate[0]) / np.hypot(*(plate[1] - plate[0]))
    into = np.array([way[1], -way[0]])
    into = into if (into @ (np.asarray(joint["middle"]) - plate[0]) > 0) == (joint["test"] == "macro-butt") else -into
    reach = np.linspace(0, rng.uniform(2, 7), 40)[:, None]
    wave = 0.03 * np.sin(reach * rng.uniform(1, 3) + rng.uniform(0, 7))
    path = plate[0] + reach * way + (rng.uniform(0.25, 0.6) * joint["thickness"] + wave) * into
    return strip(path, np.full(40, thin_or_thick(rng, 0.02, 0.12)))


def openings(rng, joint: dict, rings: list[np.ndarray]) -> list[dict]:
    """Up to five imperfections of a joint, apart from each other and from the surface; `rings`: where its runs meet."""
    weld, face, found = np.asarray(joint["weld"]), np.asarray(joint["face"]), []
    fusion = weld[len(face) :]
    surface = np.asarray(joint["metal"])
    closed = np.concatenate([surface, surface[:1]])
    around = np.concatenate([along(one) for one in (closed, *(np.asarray(gap) for gap in joint["gaps"]))])
    wanted = int(rng.choice([1, 2, 3, 4, 5]))
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
            outline = unfused(rng, np.asarray(lines[int(rng.integers(len(lines)))])) if lines else None
        if outline is None or (kind != "lack-of-sidewall-fusion" and not _inside(weld, outline).all()):
            continue
        if _apart(outline, around) > FROM_SURFACE_MM and all(_apart(outline, one["outline_mm"]) > APART_MM for one in found):
            found.append({"kind": kind, "form": "line" if "lack" in kind or kind == "crack" else kind, "outline_mm": outline})
    if rng.random() < 0.15:
        outline = lamination(rng, joint)
        if _inside(surface, outline).all() and all(_apart(outline, one["outline_mm"]) > APART_MM for one in found):
            found.append({"kind": "other", "form": "lamination", "outline_mm": outline})
    return found


def along(path: np.ndarray, step: float = 0.1) -> np.ndarray:
    """Points of a path `step` mm apart."""
    reach = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    at = np.linspace(0, reach[-1], max(int(reach[-1] / step), 2))
    return np.column_stack([np.interp(at, reach, column) for column in path.T])


def _apart(one: np.ndarray, other: np.ndarray) -> float:
    return float(np.sqrt(np.min(np.sum((one[::2, None] - other[None]) ** 2, axis=2))))


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
