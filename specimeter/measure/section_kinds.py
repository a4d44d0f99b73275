"""What a line in a cut is, by where it lies: along the fusion line, where the plates meet at the root, or within the weld."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from specimeter.measure.section import Section
from specimeter.measure.section_place import fusion_lines
from specimeter.scale.surface import Surface
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.segment.polylines import nearest

LINES = ("crack", "lack-of-fusion", "lack-of-sidewall-fusion", "lack-of-inter-run-fusion", "lack-of-root-fusion")
PARTS = 12  # places along a line's middle
AT_LINE_MM, AT_PX = (
    0.45,
    2.0,
)  # from the fusion line: what runs along it so near lies at it; more in a coarse photograph
ALONG_DEG = 30.0  # to it, at most
AT_ROOT_MM, BEFORE_ROOT_MM = 0.4, 1.0  # across the faying line's own course, and from the plates' corner into the weld


def middle_of(outline_mm: np.ndarray) -> np.ndarray:
    """The middle line of a slender outline from end to end, shape (PARTS, 2), straight where it hardly has one."""
    points = np.asarray(outline_mm, float)
    closed = np.concatenate([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    points = np.column_stack([np.interp(np.linspace(0, along[-1], 240, endpoint=False), along, column) for column in closed.T])
    centre = points.mean(axis=0)
    way = np.linalg.svd(points - centre, full_matrices=False)[2][0]
    reach = (points - centre) @ way
    edges = np.linspace(reach.min(), reach.max() + 1e-9, PARTS + 1)
    part = np.clip(np.searchsorted(edges, reach, side="right") - 1, 0, PARTS - 1)
    return np.array([points[part == k].mean(axis=0) if (part == k).any() else centre + edges[k] * way for k in range(PARTS)])


def named(outlines: Sequence[Outline], section: Section, surface: Surface, area: ExaminedArea) -> list[Outline]:
    """The outlines, those of lines named by where they lie; pores and slag, and what a person or other code named, as they are.

    An unfused line along the fusion line is one of the side wall, one in the course of the faying line at the plates' corner
    one of the root, one within the weld metal one between runs; one on a plate's surface at a toe is the gap under an overlap.
    What the network takes for a crack is one unless it lies along the fusion line and might as well be unfused. Where neither
    is known the network's own word stands.
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


def _kind(one: Outline, path: np.ndarray, lines: Sequence[np.ndarray], root: np.ndarray | None, toes, px_mm: float) -> str:
    near = max(AT_LINE_MM, AT_PX * px_mm)
    if any(_beneath(path, toe, max(AT_ROOT_MM, AT_PX * px_mm)) for toe in toes):
        return "overlap"
    apart, lean = _beside(path, lines)
    along = apart < near and lean < ALONG_DEG
    if root is not None and _in_course(path, root, max(AT_ROOT_MM, AT_PX * px_mm)):
        return "lack-of-root-fusion"
    if one.kind == "crack":
        return "lack-of-sidewall-fusion" if along and one.evidence["crack_over_unfused"] < 0 else "crack"
    if along:
        return "lack-of-sidewall-fusion"
    if not lines:
        return one.kind
    return "lack-of-sidewall-fusion" if apart < near else "lack-of-inter-run-fusion"


def _beside(path: np.ndarray, lines: Sequence[np.ndarray]) -> tuple[float, float]:
    """Median distance of a path from the nearest of several lines in mm, and the angle between their courses in degrees."""
    best, lean = np.inf, 90.0
    way = path[-1] - path[0]
    for line in lines:
        feet = np.array([nearest(point, line) for point in path])
        apart, course = float(np.median(np.hypot(*(feet - path).T))), feet[-1] - feet[0]
        if apart < best:
            turn = abs(way @ course) / max(float(np.hypot(*way) * np.hypot(*course)), 1e-9)
            best, lean = apart, float(np.degrees(np.arccos(np.clip(turn, 0.0, 1.0))))
    return best, lean


def _beneath(path: np.ndarray, toe: np.ndarray, near_mm: float) -> bool:
    """Whether a path lies on a plate's surface from a toe inwards, `toe` and a point further in: the gap under a lip."""
    reach = float(np.hypot(*(toe[1] - toe[0])))
    way = (toe[1] - toe[0]) / max(reach, 1e-9)
    at, off = (path - toe[0]) @ way, np.abs((path - toe[0]) @ np.array([-way[1], way[0]]))
    course = path[-1] - path[0]
    lean = np.degrees(np.arccos(np.clip(abs(course @ way) / max(float(np.hypot(*course)), 1e-9), 0.0, 1.0)))
    return bool(np.median(off) < near_mm and lean < ALONG_DEG and abs(at.min()) < BEFORE_ROOT_MM and 0.2 < at.max() < reach)


def _in_course(path: np.ndarray, root: np.ndarray, near_mm: float) -> bool:
    """Whether a path goes on the faying line's way, `root` from the plates' corner to its end, about the corner."""
    way = root[1] - root[0]
    reach = float(np.hypot(*way))
    way = way / max(reach, 1e-9)
    at = (path - root[0]) @ way
    off = np.abs((path - root[0]) @ np.array([-way[1], way[0]]))
    course = path[-1] - path[0]
    lean = np.degrees(np.arccos(np.clip(abs(course @ way) / max(float(np.hypot(*course)), 1e-9), 0.0, 1.0)))
    return bool(np.median(off) < near_mm and lean < ALONG_DEG and -BEFORE_ROOT_MM < np.median(at) < reach + BEFORE_ROOT_MM)
