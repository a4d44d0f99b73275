"""Outlines of openings in developed millimetres: smooth simple polygons with an exact length, width and area."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import ArrayLike

FORMS = ("lens", "ragged", "cavity", "fusion-line", "pulled-pore", "corner-tear", "slit")


def smooth_noise(rng: np.random.Generator, count: int, grain: float) -> np.ndarray:
    """Smooth random curve, shape (count,), of unit r.m.s., whose bumps are about `grain` of its whole length."""
    knots = max(4, int(np.ceil(1.0 / grain)) + 3)
    values = rng.normal(size=knots)
    position = np.linspace(1.0, knots - 2.0, count)
    i = np.minimum(position.astype(int), knots - 3)
    f = position - i
    p0, p1, p2, p3 = (values[np.clip(i + k, 0, knots - 1)] for k in (-1, 0, 1, 2))
    return 0.5 * (2 * p1 + (p2 - p0) * f + (2 * p0 - 5 * p1 + 4 * p2 - p3) * f**2 + (3 * p1 - p0 - 3 * p2 + p3) * f**3)


def ribbon(
    rng: np.random.Generator,
    length: float,
    width: float,
    *,
    blunt: float = 0.6,
    bend: float = 0.0,
    ragged: float = 0.0,
    lopsided: float = 0.0,
    skew: float = 0.0,
    count: int = 160,
) -> np.ndarray:
    """A closed outline along u with tips at u = -length/2 and length/2.

    `blunt`: exponent of the tips (0.5 is an ellipse, 1 a lens with sharp tips); `bend`: bow of the middle line over the length;
    `ragged`: jaggedness of middle line and sides over the width; `lopsided` -1 to 1: one side straight;
    `skew`: where it is widest.
    """
    phase = (1 - np.cos(np.linspace(0, np.pi, count))) / 2
    u = length * (phase - 0.5)
    q = np.clip(phase + skew * phase * (1 - phase) * 2, 0, 1)
    profile = (4 * q * (1 - q)) ** blunt
    middle = bend * length * (1 - (2 * phase - 1) ** 2)
    if ragged:
        envelope = np.minimum(1, 6 * np.minimum(phase, 1 - phase))
        grain = np.clip(1.2 * width / length, 0.03, 0.4)
        middle = middle + ragged * width * envelope * (
            smooth_noise(rng, count, grain * 2.5) + 0.45 * smooth_noise(rng, count, grain)
        )
        profile = profile * np.clip(1 + 0.55 * ragged * smooth_noise(rng, count, grain), 0.25, 2)
    sides = []
    for sign in (1, -1):
        own = 1 + (0.35 * ragged * smooth_noise(rng, count, 0.12) if ragged else 0)
        sides.append(middle + sign * 0.5 * width * profile * np.clip(own, 0.3, 2) * (1 + sign * lopsided))
    upper, lower = sides
    return np.concatenate([np.column_stack([u, upper]), np.column_stack([u[1:-1], lower[1:-1]])[::-1]])


def cavity(rng: np.random.Generator, length: float, width: float, rough: float = 0.25, count: int = 200) -> np.ndarray:
    """An irregular closed outline around the origin, longer along u."""
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
    wave = sum(rng.normal() / n**1.25 * np.cos(n * angle + rng.uniform(0, 2 * np.pi)) for n in range(2, 11))
    radius = np.clip(1 + rough * wave, 0.35, 2.2)
    outline = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    return (outline - (outline.min(0) + outline.max(0)) / 2) * ([length, width] / np.ptp(outline, axis=0))


def corner_tear(rng: np.random.Generator, length: float, width: float, ragged: float = 0.15, count: int = 140) -> np.ndarray:
    """A wedge that opens at u = 0 (the edge of the bar) and ends in a tip at u = length."""
    phase = 1 - np.cos(np.linspace(0, np.pi / 2, count))[::-1]
    phase = np.linspace(0, 1, count) * 0.5 + 0.5 * (1 - phase[::-1])
    phase = np.sort((phase - phase.min()) / np.ptp(phase))
    profile = (1 - phase) ** rng.uniform(0.55, 0.9)
    middle = width * ragged * smooth_noise(rng, count, 0.35) * np.minimum(1, 4 * (1 - phase)) * phase**0.3
    own = [np.clip(1 + ragged * smooth_noise(rng, count, 0.15), 0.4, 1.6) for _ in range(2)]
    upper, lower = middle + width / 2 * profile * own[0], middle - width / 2 * profile * own[1]
    u = phase * length
    return np.concatenate([np.column_stack([u, upper]), np.column_stack([u[:-1], lower[:-1]])[::-1]])


def turn(outline: np.ndarray, angle_rad: float, centre_mm: ArrayLike) -> np.ndarray:
    """The outline turned (u towards [cos, sin] in [s, a]) and moved to its place."""
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    return outline @ np.array([[cos, sin], [-sin, cos]]) + np.asarray(centre_mm, float)


def clip_width(outline: np.ndarray, half_mm: float) -> np.ndarray:
    """The part of an outline with |a| <= half_mm (exact at the cut; the outline must leave that strip in one piece)."""
    for sign in (1.0, -1.0):
        over = sign * outline[:, 1] - half_mm
        if not (over > 0).any():
            continue
        kept = []
        for here, there, o, p in zip(outline, np.roll(outline, -1, axis=0), over, np.roll(over, -1), strict=True):
            if o <= 0:
                kept.append(here)
            if (o < 0) != (p < 0) and o != p:
                kept.append(here + (there - here) * (o / (o - p)))
        outline = np.array(kept)
    return outline


# ------------------------------------------------------------------ sizes, exactly


def area_mm2(outline: np.ndarray) -> float:
    """Area of a simple polygon (shoelace formula)."""
    x, y = outline.T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)


def length_mm(outline: np.ndarray) -> float:
    """Greatest straight extent in any direction: the largest distance between two of its points."""
    best = 0.0
    for block in np.array_split(outline, max(1, len(outline) // 256)):
        best = max(best, float(np.max(np.sum((block[:, None] - outline[None]) ** 2, axis=2))))
    return best**0.5


def distance_to(outline: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Signed distance, shape (M,), from points (M, 2) to a closed polygon (N, 2): negative inside."""
    result = np.empty(len(points))
    (x0, y0), (x1, y1) = outline.T, np.roll(outline, -1, axis=0).T
    dx, dy = x1 - x0, y1 - y0
    squared = np.maximum(dx**2 + dy**2, 1e-18)
    for i in range(0, len(points), 512):
        x, y = points[i : i + 512, :1], points[i : i + 512, 1:]
        off_x, off_y = x - x0, y - y0
        along = np.clip((off_x * dx + off_y * dy) / squared, 0, 1)
        gap = np.sqrt(np.min((off_x - along * dx) ** 2 + (off_y - along * dy) ** 2, axis=1))
        point, side = np.nonzero((y0 > y) != (y0 + dy > y))
        right = x0[side] + (y[point, 0] - y0[side]) * dx[side] / dy[side] > x[point, 0]
        inside = np.bincount(point[right], minlength=len(x)) % 2 == 1
        result[i : i + 512] = np.where(inside, -gap, gap)
    return result


def width_mm(outline: np.ndarray) -> float:
    """Greatest thickness across: the diameter of the largest circle inside (grid search, refined far below 0.1 %)."""
    middle = outline.mean(0)  # keeps OpenCV's single precision harmless
    contour = (outline - middle).astype(np.float32).reshape(-1, 1, 2)

    def inside(points: np.ndarray) -> np.ndarray:
        return np.array([cv2.pointPolygonTest(contour, (float(x), float(y)), True) for x, y in points])

    low, high = contour.min(0).ravel(), contour.max(0).ravel()
    step = max((high - low).max() / 40, (high - low).min() / 16)
    axes = (np.arange(lo + step / 4, hi, step) for lo, hi in zip(low, high, strict=True))
    opposite = (outline + np.roll(outline[::-1], 1, axis=0)) / 2 - middle  # between the sides of a ribbon
    centres = np.concatenate([np.stack(np.meshgrid(*axes), -1).reshape(-1, 2), opposite])
    best = centres[np.argsort(-inside(centres))[:5]]
    around = np.array([[i, j] for i in (-1, -0.5, 0, 0.5, 1) for j in (-1, -0.5, 0, 0.5, 1)])
    floor = (high - low).max() * 2e-5
    while step > floor:
        trial = (best[:, None] + around * step).reshape(-1, 2)
        best, step = trial[np.argsort(-inside(trial))[:3]], step * 0.6
    return float(-2 * distance_to(outline, best + middle).min())


# ------------------------------------------------------------------ coverage of pixels


def coverage(outline_px: np.ndarray, x0: int, y0: int, width: int, height: int, lines: int = 16) -> np.ndarray:
    """Share of each pixel, shape (height, width), that a polygon [x, y] covers; pixel (i, j) is centred on (x0 + j, y0 + i).

    Exact along x on `lines` scan lines a pixel (signed area under the crossings); non-zero winding of a simple polygon.
    """
    points = np.asarray(outline_px, float) - [x0 - 0.5, y0 - 0.5]
    ends = np.roll(points, -1, axis=0)
    total = np.zeros((height, width + 1))
    for (xa, ya), (xb, yb) in zip(points, ends, strict=True):
        if ya == yb:
            continue
        sign = 1.0 if yb > ya else -1.0
        first = int(np.ceil(min(ya, yb) * lines - 0.5))
        last = int(np.ceil(max(ya, yb) * lines - 0.5))
        k = np.arange(max(first, 0), min(last, height * lines))
        if not len(k):
            continue
        x = np.clip(xa + ((k + 0.5) / lines - ya) * (xb - xa) / (yb - ya), 0, width - 1e-9)
        column = x.astype(int)
        share = x - column
        row = k // lines
        np.add.at(total, (row, column), sign * (1 - share))
        np.add.at(total, (row, column + 1), sign * share)
    return np.clip(np.abs(np.cumsum(total, axis=1)[:, :width]) / lines, 0, 1)
