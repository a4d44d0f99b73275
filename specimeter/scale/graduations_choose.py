"""Which rows in a photograph are a rule's, what their divisions are, and what to do when that cannot be said."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from specimeter.errors import ScaleError
from specimeter.scale.graduations_marks import Marks, centred, located, numbers, read
from specimeter.scale.graduations_pattern import Pattern, pattern_of
from specimeter.scale.graduations_row import Path, follow, refit, rows_aside, straightened, tone, zone_of
from specimeter.scale.graduations_search import Row, reduced, rows_of_marks

_LEAST_SEEN = 0.4  # share of the marks between the first and the last
_LEAST_OTHER = 0.75  # share explained that the less likely choice of mark and ground must reach
_TRIED = 24  # rows looked at closely before giving up
_LEAST_SPAN = 6.0  # spacings that a row must span to be looked at: a rule of few wide marks shows on a coarser picture
_TIMES = 2  # that a row whose marks do not say what a division is, is read
_BESIDE = 4  # further rows looked at once one is found: the rule's other edge
_PARALLEL_DEG, _WITHIN_MM = 4.0, 60.0
_SAME = 0.01  # of a division, relative
_TELLING_PX = 3.0  # marks nearer than this would not be told apart
# The shortest marks of millimetre rules are 2.5 to 5 mm long, of half-millimetre ones 1.5 to 3 mm: more divisions than these.
# Tenths of an inch are marked as long in mm, and so less than half as long in divisions; all else looks alike (judgement).
_LEAST_LENGTH, _SURE_LENGTH = 1.9, 2.3
_INCH_TENTH = 2.54
_ALIKE = 1.25  # ratio of two edges' spacings beyond which they are not of one unit, perspective allowed for


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edge:
    """One graduated edge of a rule: its marks and what their lengths say."""

    marks: Marks
    pattern: Pattern


def find_edges(photo: Any) -> list[Edge]:
    """Graduated edges in a photograph, the one whose marks say most first; empty if no rule is in view.

    An edge whose lengths name its division ends the search; without one, the best row of marks that may be a rule's.
    """
    green = photo.rgb[..., 1]
    green = np.ascontiguousarray(green if green.dtype == np.uint8 else (green >> 8).astype(np.uint8))
    light: np.ndarray | None = None
    level, beside = 0, 0
    pictures: dict[int, np.ndarray] = {}

    def small(reduction: int) -> np.ndarray:
        if reduction not in pictures:
            pictures[reduction] = reduced(green, reduction)
        return pictures[reduction]

    doubtful: list[Edge] = []
    found: list[Edge] = []
    tried = 0
    for row in rows_of_marks(green):
        if (found and (beside >= _BESIDE or row.reduction != level)) or tried >= _TRIED:
            break
        if np.ptp(row.at_px) < _LEAST_SPAN * np.median(row.period_px):
            continue
        if sum(_again(row, edge) for edge in doubtful) >= _TIMES:
            continue
        if found:
            if not _beside(row, found):
                continue
            beside += 1
        light = photo.linear() if light is None else light
        path = follow(small(row.reduction), row.reduction, row, full_shape=light.shape)
        if path is None:
            continue
        tried += 1
        edge = _edge(small, light, row.reduction, path)
        if edge is None or any(_same(edge, other) for other in found):
            continue
        if edge.pattern.division_mm is None:
            doubtful.append(edge)
        else:
            found.append(edge)
            level = row.reduction
    best = found or sorted(doubtful, key=lambda edge: -len(edge.marks.index))[:1]
    return [] if light is None else [replace(edge, marks=located(light, edge.marks)) for edge in best]


def divisions(edges: list[Edge], said_mm: float | None, photo: Any) -> tuple[list[tuple[Edge, float]], tuple[str, ...]]:
    """Each edge with its division in mm, and what is to be said; edges that the sheet's own word rules out are left out.

    Raises
    ------
    ScaleError
        The marks do not say what a division is and neither does the sheet; or they contradict each other.
    """
    named = [(edge, edge.pattern.division_mm) for edge in edges if edge.pattern.division_mm is not None]
    if not named:
        return _unnamed(edges[0], said_mm, photo)
    if said_mm is None:
        return _millimetres(named, photo)
    if any(abs(mm / said_mm - 1) < _SAME for _, mm in named):
        return named, ()
    ten = named[0][1] == 1.0 and any(abs(said_mm / mm - 1) < _SAME for mm in (0.1, 0.01, 2.54))
    if ten:  # a stage micrometer, or tenths of an inch: counted in tens alike
        return [(edge, said_mm * mm) for edge, mm in named], ()
    seen = " and ".join(sorted({f"{mm:g} mm ({edge.pattern.name})" for edge, mm in named}))
    raise ScaleError(
        f"the sheet says divisions of {said_mm:g} mm, but the long and short marks found say {seen}",
        file=photo.file,
        field="scale.graduation_mm",
        expected="the distance between neighbouring marks of the edge in view; where every fifth and tenth is longer, as on a "
        "rule in whole millimetres, 1",
        mend="look at the rule and correct graduation_mm, or leave it out if the marks found are right",
    )


def _millimetres(named: list[tuple[Edge, float]], photo: Any) -> tuple[list[tuple[Edge, float]], tuple[str, ...]]:
    """Edges whose marks count in tens, those left out that may count tenths of an inch; what is to be said."""

    def per_mm(one: tuple[Edge, float]) -> float:
        return one[0].marks.period_px / one[1]

    finest = min(per_mm(one) for one in named)
    named = [
        one for one in named if abs(per_mm(one) / finest / _INCH_TENTH - 1) > 0.08
    ]  # beside a millimetre edge, an inch one
    shortest = [edge.pattern.kinds[-1] for edge, _ in named]
    sure = [one for one, length in zip(named, shortest, strict=True) if length >= _LEAST_LENGTH]
    if not sure:
        raise ScaleError(
            f"the marks found count in tens, but are short for millimetres: the shortest only {max(shortest):.1f} divisions "
            "long, as those of a rule in tenths of an inch are; or finer marks between them do not show",
            file=photo.file,
            field="scale.graduation_mm",
            expected="marks of a millimetre rule, at least 2 mm long, or the smallest division in the sheet",
            mend="look at the rule and enter graduation_mm: 1 for millimetres, 0.5 for halves, 2.54 for tenths of an inch",
        )
    kept = [one for one in named if any(max(a := per_mm(one), b := per_mm(other)) < _ALIKE * min(a, b) for other in sure)]
    if max(edge.pattern.kinds[-1] for edge, _ in sure) >= _SURE_LENGTH:
        return kept, ()
    return kept, (
        "the rule's shortest marks are short for millimetres; if it counts tenths of an inch, enter graduation_mm = 2.54: the "
        "scale would be wrong by that factor",
    )


def _unnamed(edge: Edge, said_mm: float | None, photo: Any) -> tuple[list[tuple[Edge, float]], tuple[str, ...]]:
    marks, name = edge.marks, edge.pattern.name
    if said_mm is None:
        why = {
            "halving steps": "they halve again and again, as on a rule in inches",
            "alternating": "every second is longer, which halves of anything have",
            "fives": "every fifth is longer, but no tenth longer still",
        }.get(name, "no regular pattern of longer marks shows")
        raise ScaleError(
            f"{len(marks.index)} evenly spaced marks were found, but not what one division is: {why}",
            file=photo.file,
            field="scale.graduation_mm",
            expected="a rule whose fifth and tenth marks are longer, or its smallest division in the sheet",
            mend="enter graduation_mm (1 for whole millimetres, 0.5 for half ones), or photograph the rule sharper and nearer",
        )
    inch = 25.4 / said_mm
    if name == "halving steps" and not any(abs(inch / n - 1) < 0.002 for n in (8, 16, 32, 64)):
        raise ScaleError(
            f"the marks found halve again and again, as on a rule in inches, but the sheet says {said_mm:g} mm",
            file=photo.file,
            field="scale.graduation_mm",
            expected="25.4 / 16 = 1.5875 or alike for such a rule",
            mend="turn the rule to its millimetre edge, or enter the division in mm",
        )
    if name == "none" and (marks.period_px < 2 * _TELLING_PX or len(marks.index) < 20 or marks.seen_share < 0.8):
        raise ScaleError(
            "evenly spaced marks were found, but too few or too fine to be sure that none stand between them",
            file=photo.file,
            field="scale.method",
            expected=f"at least 20 marks, at least {2 * _TELLING_PX:.0f} pixels apart, mostly uncovered",
            mend="move nearer or uncover the rule; or mark two points of it and enter the length between them",
        )
    return [(edge, said_mm)], (
        f"the lengths of the rule's marks do not show what a division is: {said_mm:g} mm is taken as entered; a wrong entry "
        "makes every size wrong by that factor",
    )


def _edge(small: Callable[[int], np.ndarray], light: np.ndarray, seen_at: int, path: Path) -> Edge | None:
    """The marks along a path read, not yet located, their pattern told; None where it is no row of marks as on a rule.

    Where they say nothing, marks half as far apart are looked for: fine halves hardly show between whole millimetres.
    `seen_at`: how many pixels of the photograph one pixel of the picture that the path was followed in is wide.
    """
    edge = _along(small, light, seen_at, path)
    if edge is not None and edge.pattern.name != "none" and edge.pattern.kinds[-1] >= _LEAST_LENGTH:
        return edge
    doubled = replace(path, counts=2 * path.counts)
    reduction = _reduction(doubled, seen_at)
    halves = refit(small(reduction), reduction, doubled)
    if halves is None:
        return edge
    finer = _along(small, light, seen_at, halves)
    return edge if finer is None or finer.pattern.division_mm is None else finer


def _along(small: Callable[[int], np.ndarray], light: np.ndarray, seen_at: int, path: Path) -> Edge | None:
    """The marks that lie on a path."""
    for _ in range(3):  # finer marks between the first ones found: look again
        reduction = _reduction(path, seen_at)
        zone = _zone(small(reduction), path, reduction)
        if zone is None or (middle := centred(light, path, zone)) is None:
            return None
        path, fold, dark = middle
        if fold == 1:
            break
        path = replace(path, counts=path.counts * fold)
        finer = _reduction(path, seen_at)
        refitted = refit(small(finer), finer, path)
        if refitted is None:
            return None
        path = refitted
    else:
        return None
    best = None
    for other in (False, True):
        if other:
            swapped = centred(light, path, zone, other=True)
            if swapped is None:
                break
            path, _, dark = swapped
        marks = read(light, path, dark, zone)
        if marks is None or marks.seen_share < _LEAST_SEEN:
            continue
        edge = Edge(marks=marks, pattern=pattern_of(marks.index, marks.lengths))
        if edge.pattern.division_mm is not None and edge.pattern.explained > (_LEAST_OTHER if other else 0.0):
            return edge
        best = best or edge
        if edge.pattern.name != "none":  # what lies between marks has no pattern of its own
            break
    return best


def _reduction(path: Path, reduction: int) -> int:
    """The reduction, or a finer one where marks would stand less than four pixels apart."""
    period = float(path.period_px(np.array([0.0]))[0])
    return reduction if period / reduction >= 4 else max(1, min(reduction, int(period / 4)))


def _zone(picture: np.ndarray, path: Path, reduction: int) -> tuple[float, float] | None:
    whole = numbers(path)
    if len(whole) < 4:
        return None
    n = np.arange(whole.min() * 8, whole.max() * 8) / 8
    v = rows_aside(path, reduction)
    amplitude, share = tone(straightened(picture, reduction, path, n, v), n)
    return zone_of(np.abs(amplitude) * (share > 0.3), v)


def _again(row: Row, edge: Edge) -> bool:
    """Whether a row was read before, as coarse: what its marks say does not change with the picture it is seen in."""
    ratio = float(np.median(row.period_px)) / edge.marks.period_px
    return 1 / _ALIKE < ratio < _ALIKE and _on(row.origin_px, edge)


def _beside(row: Row, found: list[Edge]) -> bool:
    """Whether a row may be the other edge of the rule whose edges were found: parallel, near, and none of them."""
    edge = found[0]
    turn = np.degrees(np.arccos(min(1.0, abs(float(row.along @ edge.marks.path.along)))))
    division = edge.pattern.division_mm or 1.0
    aside = abs(float((row.origin_px - edge.marks.path.origin_px) @ edge.marks.path.across))
    near = turn < _PARALLEL_DEG and aside < _WITHIN_MM / division * edge.marks.period_px
    return near and not any(_on(row.origin_px, other) for other in found)


def _on(point_px: np.ndarray, edge: Edge) -> bool:
    """Whether a point lies on an edge's marks or right beside them."""
    path, (low, high) = edge.marks.path, edge.marks.zone
    u = float((point_px - path.origin_px) @ path.along)
    middle = float(np.polynomial.polynomial.polyval(u / path.unit_px, path.aside_px))
    aside = (float((point_px - path.origin_px) @ path.across) - middle) / edge.marks.period_px
    return low - 4.0 < aside < high + 4.0


def _same(one: Edge, other: Edge) -> bool:
    """Whether two edges are the same row of marks."""
    path, zone = other.marks.path, other.marks.zone
    index = one.marks.index
    middle = one.marks.path.places(index[[len(index) // 2]], np.array([np.mean(one.marks.zone)]))[0, 0]
    if not np.isfinite(middle).all():
        return True
    aside = float((middle - path.origin_px) @ path.across) / other.marks.period_px
    turn = abs(float(one.marks.path.along @ path.along))
    return turn > 0.99 and zone[0] - 3.0 < aside < zone[1] + 3.0
