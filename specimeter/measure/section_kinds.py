"""What a line in a cut is, by where it lies: along the fusion line, where the plates meet at the root, or within the weld."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from specimeter.measure.section import Section
from specimeter.measure.section_place import fusion_lines
from specimeter.scale.surface import Surface
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.segment.polylines import middle_of, nearest

LINES = ("crack", "lack-of-fusion", "lack-of-sidewall-fusion", "lack-of-inter-run-fusion", "lack-of-root-fusion")
AT_LINE_MM, AT_PX = 0.45, 2.0  # from the fusion line: what runs along it so near lies at it; more in a coarse photograph
ALONG_DEG = 30.0  # to it, at most
AT_ROOT_MM, BEFORE_ROOT_MM = 0.4, 1.0  # across the faying line's own course, and from the plates' corner into the weld
LEVEL_DEG, MAY_BE = 15.0, 0.5  # to a butt weld's plates: runs lie on each other so; log-odds up to which a crack may be unfused
UNDER_LIP_MM = 0.2  # the gap under a lip reaches farther in from the toe than this


def named(outlines: Sequence[Outline], section: Section, surface: Surface, area: ExaminedArea) -> list[Outline]:
    """The outlines, those of lines named by where they lie; pores and slag, and what a person or other code named, as they are.

    An unfused line along the fusion line is one of the side wall, one in the course of the faying line at the plates' corner
    one of the root, one within the weld metal one between runs; one on a plate's surface at a toe is the gap under an overlap.
    What the network takes for a crack is one unless it lies along the fusion line and might as well be unfused, or within a
    butt weld as level as its runs lie on each other. Where neither is known the network's own word stands.
    """
    lines = []
    if section.weld_px is not None:
        lines = fusion_lines(surface.develop(section.weld_px), surface.develop(area.outline_px))
    toes = [surface.develop(toe) for toe in section.toes_px]
    root = None if section.root_px is None else surface.develop(section.root_px)
    found = []
    for one in outlines:
        if one.kind not in LINES or "crack_over_unfused" not in one.evidence:
            found.append(one)
            continue
        path = middle_of(surface.develop(one.outline_px))
        px_mm = float(surface.mm_per_px_at(one.outline_px.mean(axis=0)))
        found.append(replace(one, kind=_kind(one, path, lines, root, toes, px_mm)))
    return found


def _kind(
    one: Outline,
    path: np.ndarray,
    lines: Sequence[np.ndarray],
    root: np.ndarray | None,
    toes: Sequence[np.ndarray],
    px_mm: float,
) -> str:
    at_line, at_root = (max(near, AT_PX * px_mm) for near in (AT_LINE_MM, AT_ROOT_MM))
    if any(_beneath(path, toe, at_root) for toe in toes):
        return "overlap"
    if root is not None and _in_course(path, root, at_root):
        return "lack-of-root-fusion"
    apart, lean = _beside(path, lines)
    if one.kind == "crack":
        over = one.evidence["crack_over_unfused"]
        if apart < at_line and lean < ALONG_DEG and over < 0:
            return "lack-of-sidewall-fusion"
        return "lack-of-inter-run-fusion" if apart > at_line and over < MAY_BE and _level(path, toes, root) else "crack"
    if not lines:
        return one.kind
    return "lack-of-sidewall-fusion" if apart < at_line else "lack-of-inter-run-fusion"


def _level(path: np.ndarray, toes: Sequence[np.ndarray], root: np.ndarray | None) -> bool:
    """Whether a path runs along the surfaces of a butt weld's plates; a fillet has a `root`, and runs in every course."""
    return root is None and any(_lean(path[-1] - path[0], toe[1] - toe[0]) < LEVEL_DEG for toe in toes)


def _beside(path: np.ndarray, lines: Sequence[np.ndarray]) -> tuple[float, float]:
    """Median distance of a path from the nearest of several lines in mm, and the angle between their courses in degrees."""
    best, lean = np.inf, 90.0
    for line in lines:
        feet = np.array([nearest(point, line) for point in path])
        apart = float(np.median(np.hypot(*(feet - path).T)))
        if apart < best:
            best, lean = apart, _lean(path[-1] - path[0], feet[-1] - feet[0])
    return best, lean


def _beneath(path: np.ndarray, toe: np.ndarray, near_mm: float) -> bool:
    """Whether a path lies on a plate's surface from a toe inwards, `toe` and a point further in: the gap under a lip."""
    at, reach, follows = _along(path, toe, near_mm)
    return bool(follows and abs(at.min()) < BEFORE_ROOT_MM and UNDER_LIP_MM < at.max() < reach)


def _in_course(path: np.ndarray, root: np.ndarray, near_mm: float) -> bool:
    """Whether a path goes on the faying line's way, `root` from the plates' corner to its end, about the corner."""
    at, reach, follows = _along(path, root, near_mm)
    return bool(follows and -BEFORE_ROOT_MM < np.median(at) < reach + BEFORE_ROOT_MM)


def _along(path: np.ndarray, line: np.ndarray, near_mm: float) -> tuple[np.ndarray, float, bool]:
    """Where a path's points lie along a straight line, (2, 2), from its first end; how long that is; whether it follows it."""
    reach = float(np.hypot(*(line[1] - line[0])))
    way = (line[1] - line[0]) / max(reach, 1e-9)
    off = np.median(np.abs((path - line[0]) @ np.array([-way[1], way[0]])))
    return (path - line[0]) @ way, reach, bool(off < near_mm and _lean(path[-1] - path[0], way) < ALONG_DEG)


def _lean(one: np.ndarray, other: np.ndarray) -> float:
    """The angle between two courses, whichever way each is gone, in degrees."""
    turn = abs(one @ other) / max(float(np.hypot(*one) * np.hypot(*other)), 1e-9)
    return float(np.degrees(np.arccos(min(turn, 1.0))))
