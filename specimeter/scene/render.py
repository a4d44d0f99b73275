"""Rendering a scene: one sight line a pixel (sixteen along edges), shading in linear light, then lens and sensor."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from specimeter.scene import bar, bench, camera, card, fracture, geometry, light, rule, section, truth
from specimeter.scene.describe import Broken, Camera, Picture, Scene, Specimen

BENCH, CARD, BLOCK = 8, 16, 24  # added to no part of the bar: ids of the other things a sight line can end on
BODIES: dict[type[Specimen | Broken], type[bar.Bar | fracture.BrokenEnd]] = {
    Specimen: bar.Bar,
    Broken: fracture.BrokenEnd,
    section.Section: section.CutFace,
}  # by what a specimen of each shape is drawn
_CHUNK = 1 << 18


def render(scene: Scene) -> Picture:
    """The photograph of a scene with its truth and its sheet."""
    rgb, depth, level = light_of(scene)
    crown = geometry.crown(scene.specimen)
    crown_depth = float((scene.camera.rotation @ (crown - scene.camera.eye_mm))[2])
    return Picture(
        rgb=camera.expose(rgb, depth, crown_depth, level, scene.camera, scene.imaging),
        truth=truth.of(scene),
        sheet_toml=truth.sheet_toml(scene),
        focal_35mm_mm=scene.camera.focal_35mm_mm,
        jpeg_quality=scene.imaging.jpeg_quality,
    )


def light_of(scene: Scene) -> tuple[np.ndarray, np.ndarray, float]:
    """Linear light (H, W, 3) before the lens, depth along the optical axis (H, W) in mm, and the face's median level."""
    caster = _Caster(scene)
    width, height = scene.camera.width_px, scene.camera.height_px
    rgb: np.ndarray = np.empty((height * width, 3), np.float32)
    depth: np.ndarray = np.empty(height * width, np.float32)
    ids: np.ndarray = np.empty(height * width, np.uint8)
    face = []
    for start in range(0, height * width, _CHUNK):
        i = np.arange(start, min(start + _CHUNK, height * width))
        points = np.column_stack([i % width, i // width]).astype(np.float32)
        rgb[i], ids[i], depth[i], seen = caster.shade(points)
        face.append(seen)
    rgb, ids, depth = rgb.reshape(height, width, 3), ids.reshape(height, width), depth.reshape(height, width)
    edge = np.zeros(ids.shape, np.uint8)
    edge[:, 1:] |= ids[:, 1:] != ids[:, :-1]
    edge[1:] |= ids[1:] != ids[:-1]
    rows, columns = np.nonzero(cv2.dilate(edge, np.ones((3, 3), np.uint8)))
    sub = (np.arange(4) - 1.5) / 4
    offsets = np.array([[dx, dy] for dy in sub for dx in sub])
    for start in range(0, len(rows), _CHUNK // 16):
        r, c = rows[start : start + _CHUNK // 16], columns[start : start + _CHUNK // 16]
        points = (np.column_stack([c, r])[:, None] + offsets).reshape(-1, 2).astype(np.float32)
        rgb[r, c] = caster.shade(points)[0].reshape(len(r), 16, 3).mean(axis=1)
    caster.body.carve(rgb)
    level = max(float(np.median(np.concatenate(face))) if any(len(f) for f in face) else 1.0, 1e-6)
    if scene.card.kind != "none" and (ids == CARD).any():  # a camera's meter keeps most of the paper below full white
        paper = float(np.quantile(rgb[ids == CARD][::7].max(axis=1), 0.8))
        level = max(level, paper * scene.imaging.exposure / scene.imaging.paper)
    return rgb, depth, level


class _Caster:
    """Everything that shading needs, prepared once for a scene."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.body = BODIES[type(scene.specimen)](scene)
        px_per_mm = self.body.px_per_mm
        rng = np.random.default_rng(scene.seed)
        self._prepare_card(px_per_mm)
        self.body_box = _box(scene.camera, self.body.box())
        corners = np.array([[0, 0], [1, 0], [0, 1], [1, 1], [0.5, 0], [0.5, 1], [0, 0.5], [1, 0.5]])
        corners = corners * [scene.camera.width_px, scene.camera.height_px]
        rays = geometry.sight(scene.camera, corners)
        ground = scene.camera.eye_mm + rays * (-scene.camera.eye_mm[2] / rays[:, 2])[:, None]
        self.low, high = ground[:, :2].min(0) - 2, ground[:, :2].max(0) + 2
        self.bench_per_mm = px_per_mm * 0.7
        lamp = max(scene.light.lamps, key=lambda lamp: lamp.power)
        shadow = -np.array(lamp.place_mm[:2]) / max(-lamp.place_mm[2], 100.0)
        self.bench_top = bench.draw(scene.bench, high[0] - self.low[0], high[1] - self.low[1], self.bench_per_mm, shadow)
        x, y = (np.linspace(self.low[k], high[k], 72) for k in (0, 1))
        self.grid = (x[0], y[0], x[1] - x[0], y[1] - y[0])
        self.falling = [light.falling(scene.specimen, scene.light, x, y, 0.0, rng, self.body.blocked, self._under_block)]
        if scene.card.kind != "none":
            level = scene.card.origin_mm[2]
            self.falling.append(light.falling(scene.specimen, scene.light, x, y, level, rng, self.body.blocked))

    def _prepare_card(self, px_per_mm: float) -> None:
        kind = self.scene.card.kind
        self.blocks: list[np.ndarray] = []
        if kind == "none":
            return
        self.card_per_mm = int(np.clip(np.ceil(px_per_mm * 2), 8, 60))
        own = self.scene.rule
        self.card_size = np.array(card.SIZE_MM[kind] if own is None else (own.length_mm, own.width_mm))
        ink = card.draw(kind, self.card_per_mm) if own is None else rule.draw(own, self.card_per_mm)
        self.ink = cv2.GaussianBlur(ink, (0, 0), 0.33 * self.card_per_mm / px_per_mm)  # a pixel's own width
        angle = np.radians(self.scene.card.angle_deg)
        self.card_axes = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        width, height = self.card_size * self.scene.card.shrink
        rim = 3.0
        spans = [((-rim, -rim), (width + rim, height + rim))]
        if kind == "frame":
            spans = [((-rim, -rim), (18.0, height + rim)), ((width - 18.0, -rim), (width + rim, height + rim))]
        self.blocks = [np.array(span, np.float32) for span in spans] if self.scene.card.block else []
        flat = np.array([[-rim, -rim], [width + rim, -rim], [width + rim, height + rim], [-rim, height + rim]]) @ self.card_axes
        top = np.column_stack([flat, np.zeros(4)]) + self.scene.card.origin_mm
        self.card_box = _box(self.scene.camera, np.concatenate([top, top * [1, 1, 0]]) if self.scene.card.block else top)

    def _under_block(self, points: np.ndarray, rays: np.ndarray) -> np.ndarray:
        """Whether a block stands between points on the bench and the sky along rays, (N,)."""
        result = np.zeros(len(points), bool)
        top = -self.scene.card.origin_mm[2]
        for low, high in self.blocks:
            start = (points[:, :2] - self.scene.card.origin_mm[:2]) @ self.card_axes.T
            flat = rays[:, :2] @ self.card_axes.T
            with np.errstate(divide="ignore", invalid="ignore"):
                one, two = (low - start) / flat, (high - start) / flat
            near, far = np.minimum(one, two).max(axis=1), np.maximum(one, two).min(axis=1)
            over = top / np.maximum(-rays[:, 2], 1e-4)  # reach at which the ray has risen above the block
            result |= np.maximum(near, 0) < np.minimum(far, over)
        return result

    def shade(self, points_px: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Radiance (N, 3), id (N,), depth along the optical axis (N,), and levels of the face's central part."""
        scene = self.scene
        eye = scene.camera.eye_mm
        rays = geometry.sight(scene.camera, points_px)
        reach = np.float32(-eye[2]) / rays[:, 2]
        ids = np.full(len(rays), BENCH, np.uint8)
        coords = np.zeros((len(rays), 2), np.float32)
        if scene.card.kind != "none":
            self._meet_card(points_px, rays, reach, ids, coords)
        near = np.flatnonzero(_between(points_px, *self.body_box))
        hit = self.body.meet(rays[near])
        first = hit["reach"] < reach[near]
        met = near[first]
        ids[met], reach[met] = hit["part"][first], hit["reach"][first]
        rgb = np.empty((len(rays), 3), np.float32)
        points = (eye + reach[:, None] * rays).astype(np.float32)
        level = np.empty(0, np.float32)
        for kind, shader in ((BENCH, self._bench), (CARD, self._card), (BLOCK, self._block)):
            chosen = np.flatnonzero(ids == kind)
            if len(chosen):
                rgb[chosen] = shader(points[chosen], coords[chosen])
        if len(met):
            part = {name: values[first] for name, values in hit.items()}
            rgb[met] = self.body.shade(points[met], -rays[met], part)
            level = rgb[met][self.body.central(part)][::5].mean(axis=1)
        depth = reach * (rays @ scene.camera.rotation[2].astype(np.float32))
        return rgb, ids, depth, level

    def _meet_card(
        self, points_px: np.ndarray, rays: np.ndarray, reach: np.ndarray, ids: np.ndarray, coords: np.ndarray
    ) -> None:
        """Shorten `reach` to the card and its block where they are met first; `coords` then hold card mm, or a block's tone."""
        index = np.flatnonzero(_between(points_px, *self.card_box))
        if not len(index):
            return
        scene, shown = self.scene, rays[index]
        start = scene.camera.eye_mm - scene.card.origin_mm
        flat = shown[:, :2] @ self.card_axes.T.astype(np.float32)
        start_flat = (start[:2] @ self.card_axes.T).astype(np.float32)
        level = (-start[2] / shown[:, 2]).astype(np.float32)  # reach to the card's plane
        uv = start_flat + level[:, None] * flat
        best, what, where = reach[index], np.full(len(index), BENCH, np.uint8), np.zeros((len(index), 2), np.float32)
        for low, high in self.blocks:
            with np.errstate(divide="ignore", invalid="ignore"):
                one, two = (low - start_flat) / flat, (high - start_flat) / flat
            near = np.maximum(np.minimum(one[:, 0], two[:, 0]), np.minimum(one[:, 1], two[:, 1]))
            far = np.minimum(np.maximum(one[:, 0], two[:, 0]), np.maximum(one[:, 1], two[:, 1]))
            top = _between(uv, low, high)
            side = ~top & (near > level) & (near < np.minimum(far, best))
            best, what = np.where(top, level, np.where(side, near, best)), np.where(top | side, BLOCK, what)
            where[top], where[side] = 1.0, 0.42
        nominal = uv / np.asarray(scene.card.shrink, np.float32)
        on = _between(nominal, (0, 0), self.card_size) & (level <= best)
        if scene.card.kind == "frame":
            on &= ~_between(nominal, card.WINDOW_MM[:2], card.WINDOW_MM[2:])
        best[on], what[on], where[on] = level[on], CARD, nominal[on]
        reach[index], ids[index], coords[index] = best, what, where

    def _falling(self, which: int, points: np.ndarray) -> np.ndarray:
        x0, y0, dx, dy = self.grid
        return _pick(self.falling[which], (points[:, 0] - x0) / dx, (points[:, 1] - y0) / dy)

    def _bench(self, points: np.ndarray, _coords: np.ndarray) -> np.ndarray:
        texel = (points[:, :2] - self.low) * self.bench_per_mm
        return _pick(self.bench_top, texel[:, 0], texel[:, 1]) * self._falling(0, points)

    def _card(self, points: np.ndarray, coords: np.ndarray) -> np.ndarray:
        ink = _pick(self.ink, coords[:, 0] * self.card_per_mm - 0.5, coords[:, 1] * self.card_per_mm - 0.5)
        if self.scene.rule is not None:
            shine = rule.shine(self.scene.rule, ink, points, self.scene.camera.eye_mm, self.scene.light, self.body.crown)
            return ink * self._falling(1, points) + shine
        grey = self.scene.card.white + (self.scene.card.black - self.scene.card.white) * ink
        return grey[:, None] * self._falling(1, points)

    def _block(self, points: np.ndarray, coords: np.ndarray) -> np.ndarray:
        wood = np.array([0.3, 0.24, 0.17], np.float32)
        return coords[:, :1] * wood * self._falling(1, points)


def _box(camera_: Camera, points_mm: np.ndarray) -> np.ndarray:
    """Corners [low, high], shape (2, 2), in pixels, around world points, a little widened."""
    seen = geometry.project(camera_, points_mm)
    return np.array([seen.min(axis=0) - 3, seen.max(axis=0) + 3], np.float32)


def _between(points: np.ndarray, low: Sequence[float] | np.ndarray, high: Sequence[float] | np.ndarray) -> np.ndarray:
    """Which points (N, 2) lie inside a box."""
    x, y = points[:, 0], points[:, 1]
    return (x > low[0]) & (x < high[0]) & (y > low[1]) & (y < high[1])


def _pick(field: np.ndarray, column: np.ndarray, row: np.ndarray) -> np.ndarray:
    """Values of a texture at texel places (N,), interpolated."""
    width = 4096
    count = len(column)
    pad = -count % width
    x, y = (np.pad(v.astype(np.float32), (0, pad)).reshape(-1, width) for v in (column, row))
    found = np.asarray(cv2.remap(field, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
    return found.reshape((count + pad, *field.shape[2:]))[:count]
