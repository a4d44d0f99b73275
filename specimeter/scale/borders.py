"""Where a bent specimen's borders show: brightness profiles across its predicted side edges and silhouettes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.colour import to_linear
from specimeter.scale.surface import Bend

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
        values = cv2.remap(self.rgb, x, y, cv2.INTER_LINEAR).astype(np.float32).reshape(*x.shape, 3)
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
        edge = cv2.remap(self.edge.astype(np.float32), column, np.ascontiguousarray(rows), cv2.INTER_LINEAR).reshape(at.shape)
        light = cv2.remap(self.light.astype(np.float32), column, np.ascontiguousarray(rows), cv2.INTER_LINEAR)
        light = light.reshape(self.light.shape)
        return Crossings(points_px=self.points_px, offset_mm=self.offset_mm, edge=edge, at=self.at, light=light)

    def support(self, within_mm: float) -> float:
        """Share of the border that shows an edge within `within_mm` of offset 0, weighted by its strength, 0 to 1."""
        near = np.abs(self.offset_mm) <= max(within_mm, 1.5 * (self.offset_mm[1] - self.offset_mm[0]))
        return float(np.mean(np.max(self.edge[:, near], axis=1)))


def across_side_beyond(picture: Reduced, bend: Bend, side: float, ends_mm: Sequence[float]) -> float | None:
    """How much more the side edges show just before the silhouette on one side than straight beyond it, -1 to 1.

    They end there if it is the specimen's silhouette, and go on if it is a streak of light along the face.
    """
    theta = silhouette_angle(bend, side)
    if theta is None:
        return None
    reach, offset = 0.16 * bend.radius_mm, _steps(picture, bend, 0.9)
    before = theta * bend.radius_mm - side * np.linspace(0.15, 0.45, 8) * bend.radius_mm
    shows = []
    for end in ends_mm:
        outward = np.sign(end) or 1.0
        within = across_side(picture, bend, end, reach_mm=0.9, s_mm=before)
        radius, a = (m.ravel() for m in np.meshgrid(bend.radius_mm + reach * np.linspace(0.25, 1.0, 8), offset, indexing="ij"))
        local = np.column_stack([radius * np.sin(theta), end + outward * a, radius * np.cos(theta)])
        points = bend.view.project(bend.axis_point_mm + local @ bend.frame).reshape(8, len(offset), 2)
        shows.append(within.support(0.4) - _crossings(picture, points, offset, before).support(0.4))
    return float(np.mean(shows))


def side_places(bend: Bend, a_mm: float, count: int = 40) -> np.ndarray:
    """Arc positions s in mm along the side edge at `a_mm` that face the camera, legs included up to a radius' length."""
    reach = bend.arc_half_mm + (0.6 * bend.radius_mm if bend.angle_deg < 170 else 0.0)
    s = np.linspace(-reach, reach, 4 * count)
    seen = s[bend.steepness_on_deg(np.column_stack([s, np.full_like(s, a_mm)])) < STEEPEST_SIDE_DEG]
    return np.linspace(seen[0], seen[-1], count) if len(seen) else np.empty(0)


def across_side(
    picture: Reduced, bend: Bend, a_mm: float, *, reach_mm: float, s_mm: np.ndarray | None = None, bow: float = 0.0
) -> Crossings | None:
    """Profiles along the axis over the side edge at `a_mm` (1 + `bow` (s / R)^2); outwards is away from a = 0."""
    s = side_places(bend, a_mm) if s_mm is None else s_mm
    if len(s) < 6:
        return None
    offset = _steps(picture, bend, reach_mm)
    outward = np.sign(a_mm) or 1.0
    edge = a_mm * (1.0 + bow * (s / bend.radius_mm) ** 2)
    developed = np.stack(np.broadcast_arrays(s[:, None], edge[:, None] + outward * offset[None, :]), axis=-1)
    return _crossings(picture, bend.project(developed.reshape(-1, 2)).reshape(*developed.shape), offset, s)


def silhouette_angle(bend: Bend, side: float) -> float | None:
    """Angle round the cylinder, in radians, where sight lines touch its +s (1) or -s (-1) side; None if a leg hides that."""
    across, _, up = bend.frame @ (bend.view.eye_mm - bend.axis_point_mm)
    distance = np.hypot(across, up)
    theta = np.arctan2(across, up) + side * np.arccos(min(1.0, bend.radius_mm / distance))
    return float(theta) if abs(theta) < np.radians(bend.angle_deg) / 2 else None


def across_silhouette(
    picture: Reduced, bend: Bend, side: float, ends_mm: tuple[float, float], *, reach_mm: float, count: int = 24
) -> Crossings | None:
    """Profiles outwards over the silhouette on one side, at places a between the two side edges."""
    theta = silhouette_angle(bend, side)
    if theta is None:
        return None
    margin = 0.06 * (ends_mm[1] - ends_mm[0])
    a = np.linspace(ends_mm[0] + margin, ends_mm[1] - margin, count)
    offset = _steps(picture, bend, reach_mm)
    radius = bend.radius_mm + offset
    local = np.stack(
        np.broadcast_arrays(radius[None, :] * np.sin(theta), a[:, None], radius[None, :] * np.cos(theta)), axis=-1
    ).reshape(-1, 3)
    points = bend.view.project(bend.axis_point_mm + local @ bend.frame).reshape(count, len(offset), 2)
    return _crossings(picture, points, offset, a)


def clearance_mm(bend: Bend, rays: np.ndarray) -> np.ndarray:
    """How far, in mm, sight lines (unit, world, (N, 3)) pass outside the cylinder: 0 on its silhouette."""
    eye = bend.frame @ (bend.view.eye_mm - bend.axis_point_mm)
    ray = rays @ bend.frame.T
    return np.abs(eye[0] * ray[:, 2] - eye[2] * ray[:, 0]) / np.hypot(ray[:, 0], ray[:, 2]) - bend.radius_mm


def _steps(picture: Reduced, bend: Bend, reach_mm: float) -> np.ndarray:
    centre = bend.project([[0.0, 0.0], [0.0, 1.0]])
    step = picture.factor / max(1e-6, float(np.linalg.norm(centre[1] - centre[0])))  # one pixel of the picture, in mm
    count = int(np.clip(np.ceil(reach_mm / step), 4, 60))
    return np.arange(-count, count + 1) * (reach_mm / count if count == 60 else step)


def _crossings(picture: Reduced, points: np.ndarray, offset: np.ndarray, at: np.ndarray) -> Crossings:
    light = picture.sample(points)
    # neighbouring profiles are averaged: an edge runs on from one to the next, grain does not
    smooth = cv2.blur(np.nan_to_num(light), (1, 3)).reshape(light.shape)
    steepness = np.zeros(light.shape[:2], np.float32)
    root = np.sqrt(np.maximum(smooth, 0) + 0.002)  # evens out shot noise and contrast in dark and bright parts
    steepness[:, 1:-1] = np.linalg.norm(root[:, 2:] - root[:, :-2], axis=2)
    steepness[:, :-1] = np.minimum(steepness[:, :-1], np.where(np.isnan(light[:, 1:, 0]), 0, np.inf))
    unrest = np.mean(steepness**2, axis=1, keepdims=True) + 4e-5
    steepness[np.isnan(light[..., 0])] = 0
    edge = steepness**2 / (steepness**2 + unrest)
    return Crossings(points_px=points, offset_mm=offset, edge=edge, at=at, light=light)
