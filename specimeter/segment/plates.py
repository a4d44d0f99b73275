"""The straight plate surfaces in the outline of a section: found as long runs, fitted robustly, with their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

LEAST_RUN_MM = 2.5  # a shorter straight piece is a chamfer, a saw nick or a piece of the weld's face
SHORT_MM, END_DEG, OPPOSITE_DEG, EDGE_MM = 1.2, 15.0, 4.0, 2.0  # unless it ends at its plate's end, square to it by so much, is
# parallel to that plate's other surface by so much, and edges are broken by no more; then it may be as short as that
SPLIT_MM = 0.2  # how far a run may leave its chord: plates bend, saws wander
SAME_DEG, SAME_MM = 2.0, 0.25  # neighbouring runs that differ by less are one surface with a mark on it
NICK_MM, ROUGH_MM = 1.5, 0.025  # width of a mark on a plate; what a plate's surface scatters at least
ON_LINE_MM, ON_SCATTERS = 0.1, 3.0  # so near to a surface's line lies what is more of that surface
KEPT_OFF = 0.06  # share of a run at either end that its fit leaves out: corners are rounded
TUKEY = 4.685  # scales of residual beyond which a point counts for nothing (95 % efficiency; Huber and Ronchetti)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Run:
    """One straight plate surface: a line, and the part of the outline that lies on it.

    The outline runs counter-clockwise as seen with y upwards (metal on its left), so `normal` points out of the metal.

    Parameters
    ----------
    point, direction, normal : array, shape (2,)
        A point on the line (the middle of the run), its unit direction along the outline, and the unit normal out of the metal.
    first, last : int
        Indices of the outline's points where the run begins and ends; `last` may be less than `first` past the outline's seam.
    length_mm : float
        Between its ends.
    scatter_mm : float
        Robust standard deviation of the outline's distance from the line.
    u_offset_mm, u_angle_rad : float
        Standard uncertainties of the line's place at `point` and of its direction, from the scatter.
    """

    point: np.ndarray
    direction: np.ndarray
    normal: np.ndarray
    first: int
    last: int
    length_mm: float
    scatter_mm: float
    u_offset_mm: float
    u_angle_rad: float

    def along(self, points: np.ndarray) -> np.ndarray:
        """Coordinate along the line, from `point`, shape (N,)."""
        return (np.asarray(points, float) - self.point) @ self.direction

    def height(self, points: np.ndarray) -> np.ndarray:
        """Distance from the line, positive out of the metal, shape (N,)."""
        return (np.asarray(points, float) - self.point) @ self.normal

    def bears(self, other: Run) -> bool:
        """Whether another run lies on this one's line from end to end: more of the same surface."""
        ends = other.point + np.array([[-0.5], [0.5]]) * other.length_mm * other.direction
        return bool(np.abs(self.height(ends)).max() < max(ON_LINE_MM, ON_SCATTERS * self.scatter_mm))

    def at(self, along: float) -> np.ndarray:
        """The point of the line at a coordinate, shape (2,)."""
        return self.point + along * self.direction


def resampled(outline: np.ndarray, step_mm: float) -> np.ndarray:
    """The closed outline, counter-clockwise with y upwards, with points `step_mm` apart, shape (N, 2)."""
    outline = np.asarray(outline, float)
    x, y = outline.T
    if np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)) > 0:  # y points down in pictures: turn it the other way
        outline = outline[::-1]
    closed = np.concatenate([outline, outline[:1]])
    reach = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.arange(max(round(reach[-1] / step_mm), 8)) * reach[-1] / max(round(reach[-1] / step_mm), 8)
    return np.column_stack([np.interp(at, reach, column) for column in closed.T])


def fit_line(points: np.ndarray) -> tuple[np.ndarray, np.ndarray, float, float, float]:
    """Orthogonal least squares with Tukey's weights.

    Returns the weighted middle, the unit direction, the residuals' robust standard deviation, and the standard uncertainties
    of the offset at the middle and of the direction in radians, for residuals that are independent.

    Source of the formula: orthogonal regression is the principal axis of the points' scatter (Pearson 1901); weights
    by Huber and Ronchetti, Robust Statistics, 2nd ed., 4.8.
    """
    points = np.asarray(points, float)
    weight = np.ones(len(points))
    for _ in range(12):
        heavy = weight[:, None]
        middle = (points * heavy).sum(axis=0) / heavy.sum(axis=0)
        offsets = points - middle
        direction = np.linalg.eigh((offsets * heavy).T @ offsets)[1][:, 1]
        residual = offsets @ np.array([-direction[1], direction[0]])
        sigma = max(1.4826 * _median(np.abs(residual - _median(residual))), 1e-9)
        weight = np.where(np.abs(residual) < TUKEY * sigma, (1 - (residual / (TUKEY * sigma)) ** 2) ** 2, 0.0)
        if weight.sum() < 2:
            weight = np.ones(len(points))
            break
    along = offsets @ direction
    count = max(weight.sum(), 2.0)
    spread = np.sqrt(np.average(along**2, weights=weight))
    return middle, direction, sigma, sigma / np.sqrt(count), sigma / (np.sqrt(count) * max(spread, 1e-9))


def _median(values: np.ndarray) -> float:
    """Of finite numbers, (N,): as numpy's, in a fifth of the time that it takes for a few dozen."""
    half = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, half)[half])
    lower, upper = np.partition(values, (half - 1, half))[half - 1 : half + 1]
    return float((lower + upper) / 2)


def runs(outline: np.ndarray, *, least_mm: float = LEAST_RUN_MM, independent_mm: float = 0.3) -> tuple[Run, ...]:
    """Straight plate surfaces in the order in which the outline meets them.

    Parameters
    ----------
    outline : array, shape (N, 2)
        As from `resampled`, in mm.
    least_mm : float
        Shortest run that counts.
    independent_mm : float
        How far apart points are whose errors are independent (saw and grinding marks, the picture's blur).
    """
    outline = np.asarray(outline, float)
    step = float(np.median(np.hypot(*np.diff(outline, axis=0).T)))
    corners = _corners(outline)
    pieces = [(int(a), int(b)) for a, b in zip(corners, np.roll(corners, -1), strict=True)]
    found = [run for a, b in pieces if (run := _fit(outline, a, b, least_mm, step, independent_mm)) is not None]
    merged: list[Run] = []
    for run in found:
        before = merged[-1] if merged else None
        if before is not None and _same(before, run) and (joined := _joined(outline, before, run, step, independent_mm)):
            merged[-1] = joined
        else:
            merged.append(run)
    if (
        len(merged) > 1
        and _same(merged[-1], merged[0])
        and (joined := _joined(outline, merged[-1], merged[0], step, independent_mm))
    ):
        merged = [joined, *merged[1:-1]]
    short = [run for a, b in pieces if (run := _fit(outline, a, b, SHORT_MM, step, independent_mm)) is not None]
    beside = [run for run in short if run.length_mm < least_mm and _at_an_end(run, merged, len(outline), step)]
    return tuple(sorted([*merged, *beside], key=lambda run: run.first))


def fitted_again(outline: np.ndarray, plates: tuple[Run, ...], *, independent_mm: float = 0.3) -> tuple[Run, ...]:
    """The same runs fitted to an outline that has been moved a little, point by point."""
    step = float(np.median(np.hypot(*np.diff(outline, axis=0).T)))
    again = [_fit(outline, run.first, run.last, 0.0, step, independent_mm) for run in plates]
    return tuple(run for run in again if run is not None)


def _at_an_end(short: Run, plates: list[Run], count: int, step: float) -> bool:
    """Whether a short straight piece is the rest of a plate's surface at that plate's end: between a weld and the end, say.

    The end stands square to it, leads from it round the metal, and ends at a surface that is parallel to it, back to back.
    `count`: points of the outline; `step`: between them, in mm.
    """

    def near(one: Run, other: Run) -> bool:
        return (other.first - one.last) % count * step < EDGE_MM

    def square(one: Run, other: Run) -> bool:
        turn = one.direction[0] * other.direction[1] - one.direction[1] * other.direction[0]
        return bool(turn < -np.cos(np.radians(END_DEG)))

    for end in plates:
        for one, other in ((short, end), (end, short)):
            if near(one, other) and square(one, other):
                behind = [near(end, run) if one is short else near(run, end) for run in plates]
                if any(
                    run.normal @ short.normal < -np.cos(np.radians(OPPOSITE_DEG))
                    for run, at in zip(plates, behind, strict=True)
                    if at
                ):
                    return True
    return False


def _corners(outline: np.ndarray) -> np.ndarray:
    """Indices of the corners of a polygon that leaves the outline nowhere by more than SPLIT_MM (Douglas and Peucker 1973)."""
    scale = 1 << 10
    low = outline.min(axis=0)
    fixed = np.rint((outline - low) * scale).astype(np.int32)
    kept = np.asarray(cv2.approxPolyDP(fixed.reshape(-1, 1, 2), SPLIT_MM * scale, True)).reshape(-1, 2)
    index = [int(np.argmin(np.abs(fixed - corner).sum(axis=1))) for corner in kept]
    return np.unique(index)


def between(first: int, last: int, count: int) -> np.ndarray:
    """Indices from first to last, both included, going on past the end of the outline."""
    return np.arange(first, last + 1) if last >= first else np.concatenate([np.arange(first, count), np.arange(last + 1)])


def _fit(outline: np.ndarray, first: int, last: int, least_mm: float, step: float, independent_mm: float) -> Run | None:
    index = between(first, last, len(outline))
    length = float(np.hypot(*(outline[last] - outline[first])))
    off = int(np.ceil(KEPT_OFF * len(index)))
    if length < least_mm or len(index) - 2 * off < 6:
        return None
    middle, direction, scatter, u_offset, u_angle = fit_line(outline[index[off : len(index) - off]])
    if direction @ (outline[last] - outline[first]) < 0:
        direction = -direction
    dependent = max(independent_mm / step, 1.0) ** 0.5
    return Run(
        point=middle,
        direction=direction,
        normal=np.array([-direction[1], direction[0]]),
        first=int(first),
        last=int(last),
        length_mm=length,
        scatter_mm=scatter,
        u_offset_mm=u_offset * dependent,
        u_angle_rad=u_angle * dependent,
    )


def _same(one: Run, other: Run) -> bool:
    turn = np.degrees(np.arccos(np.clip(one.direction @ other.direction, -1.0, 1.0)))
    return bool(turn < SAME_DEG and abs(one.height(other.point[None])[0]) < SAME_MM + 0.01 * other.length_mm)


def _joined(outline: np.ndarray, one: Run, other: Run, step: float, independent_mm: float) -> Run | None:
    """Both runs as one, if what lies between them is no longer than they are and stays near the line."""
    gap = outline[between(one.last, other.first, len(outline))]
    scatter = max(one.scatter_mm, other.scatter_mm, ROUGH_MM)
    deep = 2 * SAME_MM if len(gap) * step < NICK_MM else 5 * scatter  # a weld is flat too, but wider than a nick
    if len(gap) * step > min(one.length_mm, other.length_mm) or np.abs(one.height(gap)).max() > deep + 0.01 * len(gap) * step:
        return None
    joined = _fit(outline, one.first, other.last, 0.0, step, independent_mm)
    return joined if joined is not None and joined.scatter_mm < 2.5 * scatter else None  # else a step lies between
