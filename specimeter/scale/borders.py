"""Where a bent specimen's borders show: brightness profiles across its predicted side edges and silhouettes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from specimeter import lookup
from specimeter.colour import to_linear
from specimeter.scale.surface import Bend

LEAST_PROFILES = 6  # along a side edge
STEEPEST_SIDE_DEG = 78.0  # side edges are followed up to here; beyond, a pixel covers too much arc


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reduced:
    """A photograph shrunk by a whole factor (area average), kept as float32 in 0..1."""

    rgb: np.ndarray
    factor: int

    def sample(self, points_px: np.ndarray) -> np.ndarray:
        """Linear-light RGB, shape (..., 3), at full-size pixels [x, y], shape (rows, columns, 2); NaN outside."""
        x, y = (np.moveaxis(points_px, -1, 0) + 0.5) / self.factor - 0.5
        height, width = self.rgb.shape[:2]
        outside = ~((x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1))
        x, y = (np.where(outside, 0, value).astype(np.float32) for value in (x, y))
        values = lookup.at(self.rgb, x, y).astype(np.float32).reshape(*x.shape, 3)
        if self.rgb.dtype != np.float32:
            values /= np.iinfo(self.rgb.dtype).max
        values[outside] = np.nan
        return to_linear(values.astype(np.float64))


def reduce(rgb: np.ndarray, factor: int) -> Reduced:
    """The photograph shrunk by `factor`; by 1 it is the photograph itself."""
    if factor == 1:
        return Reduced(rgb=rgb, factor=1)
    height, width = (n // factor * factor for n in rgb.shape[:2])
    small = cv2.resize(rgb[:height, :width], (width // factor, height // factor), interpolation=cv2.INTER_AREA)
    return Reduced(rgb=np.asarray(small, np.float32) / np.iinfo(rgb.dtype).max, factor=factor)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crossings:
    """Profiles across one border: one row per place along it, one column per step across.

    `points_px` (K, M, 2); `offset_mm` (M,) from the predicted border, outwards positive; `edge` (K, M) the strength of the
    edge there between 0 and 1 (contrast against the profile's own unrest); `at` (K,) where along the border: s or a in mm.
    """

    points_px: np.ndarray
    offset_mm: np.ndarray
    edge: np.ndarray
    at: np.ndarray
    light: np.ndarray  # (K, M, 3) linear

    @property
    def in_picture(self) -> bool:
        """Whether at least half of the border itself lies within the photograph."""
        return bool(np.mean(np.isfinite(self.light[:, len(self.offset_mm) // 2, 0])) >= 0.5)

    def peaks(self, spread_mm: float, around_mm: float = 0.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Per profile the best edge near offset `around_mm`: its offset in mm, its pixel (K, 2), its strength (0: none)."""
        weight = self.edge * np.exp(-0.5 * ((self.offset_mm - around_mm) / spread_mm) ** 2)
        column = np.clip(np.argmax(weight, axis=1), 1, weight.shape[1] - 2)
        rows = np.arange(len(weight))
        before, here, after = (self.edge[rows, column + step] for step in (-1, 0, 1))
        bend = before - 2 * here + after
        shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, -1), 0.0)
        shift = np.clip(shift, -0.5, 0.5)
        step = self.offset_mm[1] - self.offset_mm[0]
        along = self.points_px[rows, column + 1] - self.points_px[rows, column]
        return self.offset_mm[column] + shift * step, self.points_px[rows, column] + shift[:, None] * along, here

    def votes(self, width_mm: float) -> list[tuple[float, float]]:
        """Offsets in mm at which the profiles agree on an edge, with the share that does, the five strongest."""
        step = self.offset_mm[1] - self.offset_mm[0]
        width = max(1, round(width_mm / step))
        agreed = np.convolve(
            np.pad(np.mean(self.edge, axis=0), width, mode="edge"), np.ones(2 * width + 1) / (2 * width + 1), mode="valid"
        )
        inner = np.arange(1, len(agreed) - 1)
        peaks = inner[(agreed[inner] >= agreed[inner - 1]) & (agreed[inner] >= agreed[inner + 1])]
        best = peaks[np.argsort(agreed[peaks])[::-1][:5]]
        return [(float(self.offset_mm[k]), float(agreed[k])) for k in best] or [(0.0, 0.0)]

    def shifted(self, by_mm: np.ndarray) -> Crossings:
        """The same profiles, each row's offsets counted from its own `by_mm`; keeps the common offsets by resampling."""
        at = self.offset_mm[None, :] + np.asarray(by_mm, float)[:, None]
        step = self.offset_mm[1] - self.offset_mm[0]
        column = ((at - self.offset_mm[0]) / step).astype(np.float32)
        rows = np.broadcast_to(np.arange(len(at), dtype=np.float32)[:, None], column.shape)
        edge = lookup.at(self.edge.astype(np.float32), column, np.ascontiguousarray(rows)).reshape(at.shape)
        light = lookup.at(self.light.astype(np.float32), column, np.ascontiguousarray(rows))
        light = light.reshape(self.light.shape)
        return Crossings(points_px=self.points_px, offset_mm=self.offset_mm, edge=edge, at=self.at, light=light)

    def support(self, within_mm: float) -> float:
        """Share of the border that shows an edge within `within_mm` of offset 0, weighted by its strength, 0 to 1."""
        near = np.abs(self.offset_mm) <= max(within_mm, 1.5 * (self.offset_mm[1] - self.offset_mm[0]))
        return float(np.mean(np.max(self.edge[:, near], axis=1)))


def ends_beyond(picture: Reduced, bend: Bend, ends_mm: Sequence[float] | np.ndarray) -> list[float]:
    """How much more the side edges show just before each silhouette in view than straight beyond it, -1 to 1.

    They end there if it is the specimen's silhouette, and go on if it is a streak of light along the face.
    """
    offset, reach = _steps(picture, bend, 0.9), 0.16 * bend.radius_mm
    grids = []
    for side, theta in ((side, silhouette_angle(bend, side)) for side in (-1.0, 1.0)):
        if theta is None:
            continue
        before = theta * bend.radius_mm - side * np.linspace(0.15, 0.45, 8) * bend.radius_mm
        radius = (bend.radius_mm + reach * np.linspace(0.25, 1.0, 8))[:, None]
        for end in ends_mm:
            a = end + (np.sign(end) or 1.0) * offset[None, :]
            grids += [(_over_side(bend, end, before, offset), before), (_round_axis(bend, theta, radius, a), before)]
    shows = [one.support(0.4) for one in _profiles(picture, bend, grids, offset)]
    less = [within - beyond for within, beyond in zip(shows[::2], shows[1::2], strict=True)]
    return [float(np.mean(both)) for both in zip(less[::2], less[1::2], strict=True)]


def side_places(bend: Bend, a_mm: float, count: int = 40) -> np.ndarray:
    """Arc positions s in mm along the side edge at `a_mm` that face the camera, legs included up to a radius' length."""
    return _side_places(bend, [a_mm], count)[0]


def _side_places(bend: Bend, ends_mm: Sequence[float] | np.ndarray, count: int = 40) -> list[np.ndarray]:
    reach = bend.arc_half_mm + (0.6 * bend.radius_mm if bend.angle_deg < 170 else 0.0)
    s = np.linspace(-reach, reach, 4 * count)
    steep = bend.steepness_on_deg(np.column_stack([np.tile(s, len(ends_mm)), np.repeat(ends_mm, len(s))]))
    seen = [s[one < STEEPEST_SIDE_DEG] for one in steep.reshape(len(ends_mm), len(s))]
    return [np.linspace(one[0], one[-1], count) if len(one) else one for one in seen]


def across_side(picture: Reduced, bend: Bend, a_mm: float, *, reach_mm: float, s_mm: np.ndarray) -> Crossings | None:
    """Profiles along the axis over the side edge at `a_mm`, at places s; outwards is away from a = 0; None with too few."""
    if len(s_mm) < LEAST_PROFILES:
        return None
    offset = _steps(picture, bend, reach_mm)
    return _profiles(picture, bend, [(_over_side(bend, a_mm, s_mm, offset), s_mm)], offset)[0]


def across(
    picture: Reduced, bend: Bend, ends_mm: Sequence[float] | np.ndarray, *, reach_mm: float, bow: float = 0.0
) -> tuple[list[Crossings], dict[str, Crossings]] | None:
    """Profiles over both side edges, at `ends_mm` (1 + `bow` (s / R)^2), and over the silhouettes in the picture, by name.

    None where hardly any of a side edge faces the camera.
    """
    places = _side_places(bend, ends_mm)
    if any(len(s) < LEAST_PROFILES for s in places):
        return None
    offset = _steps(picture, bend, reach_mm)
    grids = [(_over_side(bend, end, s, offset, bow), s) for end, s in zip(ends_mm, places, strict=True)]
    margin = 0.06 * (ends_mm[1] - ends_mm[0])
    a = np.linspace(ends_mm[0] + margin, ends_mm[1] - margin, 24)
    names = []
    for name, side in (("silhouette -s", -1.0), ("silhouette +s", 1.0)):
        if (theta := silhouette_angle(bend, side)) is not None:
            grids.append((_round_axis(bend, theta, (bend.radius_mm + offset)[None, :], a[:, None]), a))
            names.append(name)
    one, other, *outlines = _profiles(picture, bend, grids, offset)
    return [one, other], {name: seen for name, seen in zip(names, outlines, strict=True) if seen.in_picture}


def silhouette_angle(bend: Bend, side: float) -> float | None:
    """Angle round the cylinder, in radians, where sight lines touch its +s (1) or -s (-1) side; None if a leg hides that."""
    across, _, up = bend.frame @ (bend.view.eye_mm - bend.axis_point_mm)
    distance = np.hypot(across, up)
    theta = np.arctan2(across, up) + side * np.arccos(min(1.0, bend.radius_mm / distance))
    return float(theta) if abs(theta) < np.radians(bend.angle_deg) / 2 else None


def _over_side(bend: Bend, a_mm: float, s_mm: np.ndarray, offset: np.ndarray, bow: float = 0.0) -> np.ndarray:
    """World points (K, M, 3) of profiles along the axis over a side edge."""
    edge = a_mm * (1.0 + bow * (s_mm / bend.radius_mm) ** 2)
    a = edge[:, None] + (np.sign(a_mm) or 1.0) * offset[None, :]
    developed = np.empty((*a.shape, 2))
    developed[..., 0], developed[..., 1] = s_mm[:, None], a
    return bend.points_mm(developed).reshape(*a.shape, 3)


def _round_axis(bend: Bend, theta: float, radius_mm: np.ndarray, a_mm: np.ndarray) -> np.ndarray:
    """World points (K, M, 3) at an angle round the cylinder's axis; radii and places along it broadcast to (K, M)."""
    local = np.empty((*np.broadcast_shapes(radius_mm.shape, a_mm.shape), 3))
    local[..., 0], local[..., 1], local[..., 2] = radius_mm * np.sin(theta), a_mm, radius_mm * np.cos(theta)
    return bend.axis_point_mm + local @ bend.frame


def clearance_mm(eyes: np.ndarray, rays: np.ndarray, radii_mm: np.ndarray) -> np.ndarray:
    """How far, in mm, (B, N), sight lines pass outside cylinders (radii (B,)): 0 on their silhouettes.

    `eyes` (B, 3) and unit `rays` (B, N, 3) are in axes across, along and up from each cylinder's axis.
    """
    across, up = rays[..., 0], rays[..., 2]
    return np.abs(eyes[:, 0, None] * up - eyes[:, 2, None] * across) / np.hypot(across, up) - radii_mm[:, None]


def _steps(picture: Reduced, bend: Bend, reach_mm: float) -> np.ndarray:
    centre = bend.project(np.array([[0.0, 0.0], [0.0, 1.0]]))
    step = picture.factor / max(1e-6, float(np.linalg.norm(centre[1] - centre[0])))  # one pixel of the picture, in mm
    count = int(np.clip(np.ceil(reach_mm / step), 4, 60))
    return np.arange(-count, count + 1) * (reach_mm / count if count == 60 else step)


def _profiles(
    picture: Reduced, bend: Bend, grids: Sequence[tuple[np.ndarray, np.ndarray]], offset: np.ndarray
) -> list[Crossings]:
    """Of each border its profiles' world points (K, M, 3), and where along it they stand (K,); all sampled at once."""
    if not grids:
        return []
    counts = [len(at) for _, at in grids]
    points = bend.view.project(np.concatenate([grid for grid, _ in grids])).reshape(sum(counts), len(offset), 2)
    light = picture.sample(points)
    outside = np.isnan(light[..., 0])
    smooth = np.where(outside[..., None], 0.0, light)
    parts = [slice(end - count, end) for end, count in zip(np.cumsum(counts).tolist(), counts, strict=True)]
    for part in parts:  # neighbouring profiles are averaged: an edge runs on from one to the next, grain does not
        smooth[part] = cv2.blur(smooth[part], (1, 3)).reshape(smooth[part].shape)
    steepness = np.zeros(light.shape[:2], np.float32)
    root = np.sqrt(np.maximum(smooth, 0) + 0.002)  # evens out shot noise and contrast in dark and bright parts
    steepness[:, 1:-1] = np.linalg.norm(root[:, 2:] - root[:, :-2], axis=2)
    steepness[:, :-1][outside[:, 1:]] = 0
    unrest = np.mean(steepness**2, axis=1, keepdims=True) + 4e-5
    steepness[outside] = 0
    edge = steepness**2 / (steepness**2 + unrest)
    return [
        Crossings(points_px=points[part], offset_mm=offset, edge=edge[part], at=at, light=light[part])
        for part, (_, at) in zip(parts, grids, strict=True)
    ]
