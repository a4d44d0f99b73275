"""What shows inside an opening: walls, slag and shadow in a hollow under the outline, blended in by exact pixel coverage."""

from __future__ import annotations

import cv2
import numpy as np

from specimeter.scene import geometry, shapes
from specimeter.scene.describe import Opening, Scene, bent_bar
from specimeter.scene.light import lamp_at
from specimeter.scene.material import blotches, noise

BRIGHT = {"dark": (0.05, 0.048, 0.045), "slag": (0.16, 0.12, 0.08), "facets": (0.26, 0.26, 0.27)}


def carve(rgb: np.ndarray, scene: Scene, opening: Opening) -> None:
    """Blend one opening into the linear picture (H, W, 3), in place."""
    specimen, camera = bent_bar(scene)[0], scene.camera
    outline_px = geometry.project(camera, geometry.place(specimen, opening.outline_mm))
    low = np.maximum(np.floor(outline_px.min(0)).astype(int) - 2, 0)
    high = np.minimum(np.ceil(outline_px.max(0)).astype(int) + 3, [camera.width_px, camera.height_px])
    width, height = high - low
    if width <= 0 or height <= 0:
        return
    cover = shapes.coverage(outline_px, low[0], low[1], width, height).astype(np.float32)
    rows, columns = np.nonzero(cover)
    if not len(rows):
        return
    pixels = np.column_stack([columns + low[0], rows + low[1]]).astype(np.float32)
    rays = geometry.sight(camera, pixels)
    hit = geometry.meet(specimen, camera.eye_mm, rays)
    met = hit["part"] != geometry.MISS
    if not met.any():
        return
    share = cover[rows, columns]
    if not opening.at_corner:
        share = share * met
    inner = _inside(scene, opening, hit, rays)
    inner[~met] = inner[met].mean(axis=0)  # half a pixel of opening over the background, at the bar's very edge
    target = rgb[rows + low[1], columns + low[0]]
    rgb[rows + low[1], columns + low[0]] = target + (inner - target) * share[:, None]


def notched(scene: Scene, opening: Opening, s: np.ndarray, a: np.ndarray, depth: np.ndarray) -> np.ndarray:
    """Where a corner tear shows on the bar's side: a wedge that narrows with depth below the face, (N,) bool."""
    outline, half = opening.outline_mm, scene.specimen.width_mm / 2
    edge = outline[np.abs(outline[:, 1]) > half - 0.02]
    if not len(edge):
        return np.zeros(len(s), bool)
    middle, reach = edge[:, 0].mean(), np.ptp(edge[:, 0]) / 2
    deepest = 1.2 * opening.depth_mm + 0.3
    left = np.clip(1 - depth / deepest, 0, 1) ** 0.7
    waver = 0.15 * reach * np.sin(7 * depth + opening.seed % 7)
    return (a * edge[0, 1] > 0) & (np.abs(s - middle - waver) < reach * left)


def _inside(scene: Scene, opening: Opening, hit: dict[str, np.ndarray], rays: np.ndarray) -> np.ndarray:
    """Radiance (N, 3) of the hollow's walls where sight lines end in it."""
    specimen, crown = scene.specimen, geometry.place(scene.specimen, [[0, 0]])[0]
    rng = np.random.default_rng(opening.seed)
    outline = opening.outline_mm
    width = max(2 * shapes.area_mm2(outline) / max(shapes.length_mm(outline), 1e-6), 0.02)
    per_mm = np.clip(24 / width, 20, 160)
    corner = outline.min(0) - 3 / per_mm
    size = np.ceil((np.ptp(outline, axis=0) + 6 / per_mm) * per_mm).astype(int) + 1
    texels = (outline - corner) * per_mm
    mask = shapes.coverage(texels, 0, 0, size[0], size[1], lines=3) > 0.5
    into = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5) / np.float32(per_mm)
    steep = (0.16 if opening.fill != "slag" else 0.3) * width
    floor = opening.depth_mm * (1 - np.exp(-into / steep))
    floor *= 1 + 0.25 * blotches(rng, mask.shape, max(0.4 * width, 4 / per_mm), per_mm)
    if opening.fill != "dark":
        floor += 0.12 * width * noise(rng, mask.shape, per_mm, (max(0.25 * width, 3 / per_mm),)) * (into > 0)
    floor = np.clip(floor, 0, opening.depth_mm * 1.4).astype(np.float32)

    def at(field: np.ndarray, s: np.ndarray, a: np.ndarray) -> np.ndarray:
        x, y = (s - corner[0]) * per_mm, (a - corner[1]) * per_mm
        picked = (
            cv2.remap(
                field,
                x.astype(np.float32)[None],
                y.astype(np.float32)[None],
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=0,
            )
            if len(x) < 32000
            else np.concatenate([at(field, s[i : i + 30000], a[i : i + 30000]) for i in range(0, len(s), 30000)])
        )
        return np.asarray(picked).ravel()

    normal, s, a = hit["normal"], hit["s"], hit["a"]
    along_a = np.broadcast_to(geometry.axes(specimen)[1].astype(normal.dtype), normal.shape)
    along_s = np.cross(along_a, normal)

    def local(vectors: np.ndarray) -> list[np.ndarray]:
        return [np.einsum("ij,ij->i", vectors, axis) for axis in (along_s, along_a, normal)]

    ds, da, dn = local(rays)
    down = np.maximum(-dn, 0.15)
    deep = np.zeros(len(s), np.float32)
    over = at(floor, s, a)
    running = np.ones(len(s), bool)
    step = np.float32(opening.depth_mm * 1.4 / 24)
    for _ in range(24):
        ahead = deep + step
        gap = at(floor, s + ds / down * ahead, a + da / down * ahead) - ahead
        end = running & (gap <= 0)
        deep = np.where(end, deep + step * over / np.maximum(over - gap, 1e-6), np.where(running, ahead, deep))
        over = np.where(running, np.maximum(gap, 0), over)
        running &= ~end
    hs, ha = s + ds / down * deep, a + da / down * deep
    ga, gs = np.gradient(floor * np.float32(per_mm))
    slope_s, slope_a = at(np.ascontiguousarray(gs), hs, ha), at(np.ascontiguousarray(ga), hs, ha)
    scale = 1 / np.sqrt(1 + slope_s**2 + slope_a**2)  # wall's normal: (slope_s, slope_a, 1) / length, as depth grows inward
    points = camera_points(scene, hit, rays)
    level = np.zeros((len(s), 3), np.float32)
    for lamp in scene.light.lamps:
        toward, strength, _ = lamp_at(lamp, points, crown)
        ts, ta, tn = local(toward.astype(np.float32))
        cosine = np.clip((slope_s * ts + slope_a * ta + tn) * scale, 0, 1)
        lit = (tn > 0.03).astype(np.float32)
        for k in range(1, 9):  # is the way out to the lamp free?
            rise = deep * k / 8
            free = (deep - rise) < at(
                floor, hs + ts / np.maximum(tn, 0.05) * rise, ha + ta / np.maximum(tn, 0.05) * rise
            ) + 1e-4
            lit *= free if k < 8 else 1.0
        level += (cosine * strength * lit)[:, None] * np.asarray(lamp.colour, np.float32)
    sky = np.exp(-1.5 * deep / width)
    level += (scene.light.ambient * 0.6 * sky)[:, None] * np.asarray(scene.light.ambient_colour, np.float32)
    level *= (0.35 + 0.65 * np.exp(-0.8 * deep / width))[:, None]
    rim = at(into, hs, ha) / (0.12 * width)  # the wall's foot, just under the edge, is the darkest part
    level *= (0.3 + 0.7 * np.clip(rim, 0, 1))[:, None]
    colour = np.array(BRIGHT[opening.fill], np.float32) * np.float32(rng.uniform(0.7, 1.6))
    grain = at(noise(rng, mask.shape, per_mm, (max(0.08, 3 / per_mm), 0.3)), hs, ha)
    rough = {"dark": 0.2, "slag": 0.35, "facets": 0.6}[opening.fill]
    return level * colour * np.clip(1 + rough * grain, 0.1, 3)[:, None]


def camera_points(scene: Scene, hit: dict[str, np.ndarray], rays: np.ndarray) -> np.ndarray:
    """World points (N, 3) where sight lines met the bar."""
    reach = np.where(np.isfinite(hit["reach"]), hit["reach"], 0)
    return (scene.camera.eye_mm + reach[:, None] * rays).astype(np.float32)
