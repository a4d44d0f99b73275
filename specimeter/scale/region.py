"""How a bent face differs from what lies round it: colour, light and texture inside its borders against outside them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.colour import mean_of_channels, to_linear
from specimeter.scale.borders import Reduced, silhouette_angle
from specimeter.scale.surface import Bend

# How far apart two samples may be and still look alike: light and unrest as logarithms, colours as log ratios (judgement)
ALIKE = np.array([0.30, 0.07, 0.07, 0.45], np.float32)
LEAST_DENSITY = 0.02  # of the densest possible: what looks like neither side says nothing
BAND = 0.18  # of the face's length or width: the strips along its borders that are judged by themselves
LEAST_EXPONENT = np.float32(-80.0)  # below it exp gives numbers that single precision holds denormalised, which are slow
FEWEST = 12  # samples that a strip must have in view


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Looks:
    """What every pixel of a shrunk photograph looks like: log light, log red and blue over green, log unrest."""

    values: np.ndarray  # (rows, columns, 4) float32, in units of ALIKE
    hidden: np.ndarray  # (rows, columns) bool: the card
    factor: int

    def sample(self, points_px: np.ndarray) -> np.ndarray:
        """The looks, shape (N, 4), at full-size pixels [x, y], shape (N, 2); NaN outside the picture and on the card."""
        column, row = np.rint((np.nan_to_num(points_px, nan=-1e6) + 0.5) / self.factor - 0.5).astype(int).T
        rows, columns = self.hidden.shape
        inside = (column >= 0) & (row >= 0) & (column < columns) & (row < rows)
        row, column = np.where(inside, row, 0), np.where(inside, column, 0)
        found = self.values[row, column]
        found[~inside | self.hidden[row, column]] = np.nan
        return found


def looks(picture: Reduced, hide_px: Sequence[np.ndarray] = ()) -> Looks:
    """The looks of all pixels; `hide_px`: polygons (N, 2) in pixels left out of the comparison, holes after outlines."""
    rgb = picture.rgb if picture.rgb.dtype == np.float32 else picture.rgb.astype(np.float32) / np.iinfo(picture.rgb.dtype).max
    linear = np.asarray(to_linear(rgb), np.float32)
    soft = cv2.GaussianBlur(linear, (0, 0), 1.5) + 0.004
    light = np.log(mean_of_channels(soft))
    even = cv2.GaussianBlur(linear, (0, 0), 3.0) + 0.01
    sharp = np.log(mean_of_channels(linear) + 0.01)
    mean, square = (cv2.blur(value, (7, 7)) for value in (sharp, sharp * sharp))
    unrest = 0.5 * np.log(np.maximum(square - mean * mean, 0) + 4e-4)
    values = np.stack([light, np.log(even[..., 0] / even[..., 1]), np.log(even[..., 2] / even[..., 1]), unrest], axis=-1)
    hidden = np.zeros(light.shape, np.uint8)
    corners = [np.round((np.asarray(p) + 0.5) / picture.factor - 0.5).astype(np.int32).reshape(-1, 1, 2) for p in hide_px]
    if corners:
        cv2.fillPoly(hidden, corners, 1)
        cv2.polylines(hidden, corners, True, 1, thickness=5)
    return Looks(values=values / ALIKE, hidden=hidden > 0, factor=picture.factor)


def told_apart(seen: Looks, bend: Bend, ends_mm: Sequence[float] | np.ndarray) -> Mapping[str, float]:
    """For each strip along the face's borders, inside and outside, how surely it belongs to its side, 0 to 1.

    A strip is compared with the whole of either side but itself: one half says nothing, less that it looks like the other
    side, so that the border lies elsewhere.
    """
    strips = _strips(bend, ends_mm)
    values = seen.sample(np.concatenate(list(strips.values())))
    parts = np.split(values, np.cumsum([len(points) for points in strips.values()])[:-1])
    samples = {name: part[np.isfinite(part[:, 0])] for name, part in zip(strips, parts, strict=True)}
    samples = {name: values for name, values in samples.items() if len(values) >= FEWEST}
    names = list(samples)
    inner = np.array([name.startswith("in") for name in names], bool)
    if inner.sum() < 2 or (~inner).sum() < 2:
        return {}
    every = np.concatenate([samples[name] for name in names])
    square = np.sum(every * every, axis=1)
    counts = np.array([len(samples[name]) for name in names])
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
    near = every @ every.T
    near -= 0.5 * square[:, None]
    near -= 0.5 * square
    np.exp(np.clip(near, LEAST_EXPONENT, 0.0, out=near), out=near)
    sums = near @ np.repeat(np.eye(len(names), dtype=np.float32), counts, axis=0)  # of each sample to each strip
    result = {}
    for k, name in enumerate(names):
        if name == "in the middle":
            continue
        own = inner == inner[k]
        own[k] = False
        if not own.any():
            continue
        other = inner != inner[k]
        rows = slice(starts[k], starts[k] + counts[k])
        mine = sums[rows][:, own].sum(axis=1) / counts[own].sum() + LEAST_DENSITY
        theirs = sums[rows][:, other].sum(axis=1) / counts[other].sum() + LEAST_DENSITY
        result[name] = float(np.mean(mine / (mine + theirs)))
    return result


def _strips(bend: Bend, ends_mm: Sequence[float] | np.ndarray) -> dict[str, np.ndarray]:
    """Pixels (N, 2) of the strips along the borders, inside and outside, and of the middle of the face."""
    radius, width = bend.radius_mm, ends_mm[1] - ends_mm[0]
    thetas = {side: silhouette_angle(bend, side) for side in (-1.0, 1.0)}
    reach = {
        side: theta * radius if theta is not None else side * (bend.arc_half_mm + 0.4 * radius)
        for side, theta in thetas.items()
    }
    s = np.linspace(reach[-1.0], reach[1.0], 19)[1:-1]
    a = np.linspace(ends_mm[0], ends_mm[1], 14)[1:-1]
    along, across = (m.ravel() for m in np.meshgrid((s - s[0]) / (s[-1] - s[0]), (a - a[0]) / (a[-1] - a[0]), indexing="ij"))
    beyond = [end + way * width * np.linspace(0.08, 0.3, 4) for end, way in zip(ends_mm, (-1.0, 1.0), strict=True)]
    grids = [np.column_stack([np.repeat(s, len(at)), np.tile(at, len(s))]) for at in (a, *beyond)]
    grid, *outer = np.split(bend.project(np.concatenate(grids)), np.cumsum([len(one) for one in grids])[:-1])
    strips, left = {}, np.ones(len(grid), bool)
    for name, which in (
        ("in at -s", along < BAND),
        ("in at +s", along > 1 - BAND),
        ("in at -a", across < BAND),
        ("in at +a", across > 1 - BAND),
    ):
        strips[name] = grid[which & left]
        left &= ~which
    strips["in the middle"] = grid[left]
    for name, side in (("-s", -1.0), ("+s", 1.0)):
        if (theta := thetas[side]) is not None:
            out, at = (m.ravel() for m in np.meshgrid(radius * (1 + np.linspace(0.07, 0.3, 5)), a, indexing="ij"))
            local = np.column_stack([out * np.sin(theta), at, out * np.cos(theta)])
            strips[f"out at {name}"] = bend.view.project(bend.axis_point_mm + local @ bend.frame)
    return strips | {f"out at {name}": points for name, points in zip(("-a", "+a"), outer, strict=True)}
