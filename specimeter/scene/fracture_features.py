"""What a broken face shows of imperfections, worked into its maps: pores, slag, unfused surface, fisheyes."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import ArrayLike

from specimeter.scene import shapes
from specimeter.scene.describe import Opening
from specimeter.scene.fracture_relief import Relief, grains
from specimeter.scene.material import blotches, noise, ramp

SLAGS = ((0.02, 0.019, 0.018), (0.045, 0.035, 0.025), (0.03, 0.035, 0.028), (0.09, 0.08, 0.065), (0.25, 0.23, 0.19))
OXIDES = ((0.05, 0.05, 0.06), (0.07, 0.055, 0.04), (0.04, 0.05, 0.08), (0.12, 0.1, 0.07))


def work_in(relief: Relief, feature: Opening) -> None:
    """Work one feature into the relief."""
    rng = np.random.default_rng(feature.seed)
    maps = relief.maps
    margin = 3 + 0.4 * maps.per_mm
    texels = maps.texel(feature.outline_mm)
    low = np.maximum(np.floor(texels.min(0) - margin).astype(int), 0)
    high = np.minimum(np.ceil(texels.max(0) + margin).astype(int) + 1, maps.shape[::-1])
    if (high <= low).any():
        return
    box = slice(low[1], high[1]), slice(low[0], high[0])
    size = high - low
    share = shapes.coverage(texels, low[0], low[1], size[0], size[1], lines=4).astype(np.float32)
    {
        "pore": _hollow,
        "elongated-cavity": _hollow,
        "slag": _slag,
        "fisheye": _fisheye,
    }.get(feature.kind, _unfused)(relief, feature, box, share, rng)


def _blend(field: np.ndarray, box: tuple[slice, slice], share: np.ndarray, value: ArrayLike) -> None:
    part = field[box]
    field[box] = part + (np.asarray(value, np.float32) - part) * (share if field.ndim == 2 else share[..., None])


def _flatten(relief: Relief, box: tuple[slice, slice], share: np.ndarray, gradient: float = 0.0) -> None:
    """Take the fine slopes of the broken metal away within a feature."""
    for field in (relief.maps.slope_s, relief.maps.slope_a):
        _blend(field, box, share, gradient)


def _into(share: np.ndarray, per_mm: float) -> np.ndarray:
    """Distance from the outline inwards, mm."""
    return cv2.distanceTransform((share > 0.5).astype(np.uint8), cv2.DIST_L2, 5) / np.float32(per_mm)


def _hollow(relief: Relief, feature: Opening, box: tuple[slice, slice], share: np.ndarray, rng: np.random.Generator) -> None:
    """A gas pore: a smooth bowl, bright or oxidised."""
    per_mm = relief.maps.per_mm
    into = _into(share, per_mm)
    widest = max(float(into.max()), 1e-3)
    bowl = np.sqrt(np.clip(1 - (1 - into / widest) ** 2, 0, 1)) * np.float32(feature.depth_mm)
    bowl *= 1 + 0.06 * blotches(rng, share.shape, max(0.4 * widest, 4 / per_mm), per_mm)
    relief.hollow[box] = np.maximum(relief.hollow[box], bowl.astype(np.float32))
    _flatten(relief, box, share)
    ripple = noise(rng, share.shape, per_mm, (max(0.15, 3 / per_mm),)) if min(share.shape) > 8 else np.zeros(share.shape)
    for field in (relief.maps.slope_s, relief.maps.slope_a):
        field[box] += share * ripple.astype(np.float32) * np.float32(0.04)
    if feature.fill == "shiny":
        metal, body, rough = np.array([0.5, 0.5, 0.5]) * rng.uniform(0.8, 1.1), 0.05, rng.uniform(0.1, 0.2)
    elif feature.fill == "oxidised":
        metal = np.array(OXIDES[int(rng.integers(len(OXIDES)))]) * rng.uniform(1.0, 2.5)
        body, rough = 0.35, rng.uniform(0.15, 0.35)
    else:
        metal, body, rough = np.array([0.08, 0.078, 0.075]) * rng.uniform(0.6, 1.6), 0.3, rng.uniform(0.2, 0.4)
    tone = (1 + 0.12 * blotches(rng, share.shape, max(0.3, 4 / per_mm), per_mm))[..., None]
    _blend(relief.maps.metal, box, share, tone * metal)
    _blend(relief.maps.body, box, share, tone * metal * body)
    _blend(relief.maps.rough, box, share, rough)


def _slag(relief: Relief, feature: Opening, box: tuple[slice, slice], share: np.ndarray, rng: np.random.Generator) -> None:
    """Slag: a glassy, angular lump that partly fills its bed, with a gap at the rim; glass mirrors little, but sharply."""
    per_mm = relief.maps.per_mm
    into = _into(share, per_mm)
    gap = max(0.06, 1.5 / per_mm)
    bed = np.float32(feature.depth_mm) * (0.35 + 0.65 * np.exp(-((into / gap) ** 2))) * (into > 0)
    lump = np.clip(noise(rng, share.shape, per_mm, (max(0.5, 4 / per_mm),)), -2, 2) if min(share.shape) > 8 else 0.0
    bed = np.clip(bed * (1 + 0.25 * lump), 0, None)
    relief.hollow[box] = np.maximum(relief.hollow[box], bed.astype(np.float32))
    _flatten(relief, box, share)
    fs, fa, bright = grains(rng, share.shape, per_mm, max(rng.uniform(0.25, 0.7), 3 / per_mm), rng.uniform(0.2, 0.45))
    relief.maps.slope_s[box] += share * fs
    relief.maps.slope_a[box] += share * fa
    colour = np.array(SLAGS[int(rng.choice(len(SLAGS), p=[0.3, 0.25, 0.2, 0.15, 0.1]))]) * rng.uniform(0.7, 1.5)
    tone = np.clip(1 + 0.25 * bright + 0.2 * blotches(rng, share.shape, max(0.5, 4 / per_mm), per_mm), 0.3, 2)[..., None]
    _blend(relief.maps.metal, box, share, np.full(3, rng.uniform(0.035, 0.07)))
    _blend(relief.maps.body, box, share, tone * colour)
    _blend(relief.maps.rough, box, share, rng.uniform(0.06, 0.2))


def _unfused(relief: Relief, feature: Opening, box: tuple[slice, slice], share: np.ndarray, rng: np.random.Generator) -> None:
    """Surface that never fused: flat and smooth, as it was cut, ground or rolled, often oxidised by the arc's heat."""
    maps, per_mm = relief.maps, relief.maps.per_mm
    part = relief.height[box]
    inner = share > 0.5
    if not inner.any():
        return
    rows, columns = np.nonzero(inner)
    design = np.column_stack([columns, rows, np.ones(len(rows))]).astype(float)
    fit, *_ = np.linalg.lstsq(design, part[inner].astype(float), rcond=None)
    y, x = np.indices(part.shape, dtype=np.float32)
    plane = (fit[0] * x + fit[1] * y + fit[2] - feature.depth_mm).astype(np.float32)
    level = part + (plane - part) * ramp(_into(share, per_mm), 0, 0.1) * inner
    old_a, old_s = np.gradient(part * np.float32(per_mm))
    new_a, new_s = np.gradient(level * np.float32(per_mm))
    relief.height[box] = level
    rim = ramp(_into(share, per_mm), 0.02, 0.15) * share
    _blend(maps.slope_s, box, share, np.clip(new_s, -1.5, 1.5) * (1 - rim) + np.float32(fit[0] * per_mm) * rim)
    _blend(maps.slope_a, box, share, np.clip(new_a, -1.5, 1.5) * (1 - rim) + np.float32(fit[1] * per_mm) * rim)
    near = cv2.dilate(share, np.ones((3, 3), np.uint8)) - share
    maps.slope_s[box] += np.clip(new_s - old_s, -1.5, 1.5) * near
    maps.slope_a[box] += np.clip(new_a - old_a, -1.5, 1.5) * near
    lay = rng.choice([0.0, 90.0]) + rng.normal(0, 8)
    lines = (
        noise(rng, share.shape, per_mm, (max(rng.uniform(0.06, 0.3), 2 / per_mm),), stretch=25.0, angle_deg=lay)
        if min(share.shape) > 8
        else np.zeros(share.shape, np.float32)
    )
    lined = np.float32(rng.choice([0.02, rng.uniform(0.04, 0.12)]))
    maps.slope_s[box] -= share * lines * lined * np.float32(np.sin(np.radians(lay)))
    maps.slope_a[box] += share * lines * lined * np.float32(np.cos(np.radians(lay)))
    tone = (1 + 0.08 * blotches(rng, share.shape, 2.0, per_mm) + 0.05 * lines)[..., None]
    if feature.fill == "smooth":
        metal, body, rough = (
            np.array([0.45, 0.45, 0.45]) * rng.uniform(0.6, 1.1),
            rng.uniform(0.1, 0.25),
            rng.uniform(0.16, 0.3),
        )
    elif feature.fill == "oxidised":
        metal = np.array(OXIDES[int(rng.integers(len(OXIDES)))]) * rng.uniform(1.5, 3.5)
        body, rough = rng.uniform(0.2, 0.5), rng.uniform(0.18, 0.3)
    else:  # scaled: mill scale, bluish black
        metal = np.array([0.05, 0.055, 0.065]) * rng.uniform(0.8, 1.6)
        body, rough = 0.8, rng.uniform(0.2, 0.4)
    _blend(maps.metal, box, share, tone * metal)
    _blend(maps.body, box, share, tone * metal * body)
    _blend(maps.rough, box, share, rough)


def _fisheye(relief: Relief, feature: Opening, box: tuple[slice, slice], share: np.ndarray, rng: np.random.Generator) -> None:
    """A fisheye: a bright, fine-grained disc round a small pore or inclusion."""
    maps, per_mm = relief.maps, relief.maps.per_mm
    soft = cv2.GaussianBlur(share, (0, 0), max(0.04 * per_mm, 0.6))
    _blend(maps.slope_s, box, soft * 0.65, 0.0)
    _blend(maps.slope_a, box, soft * 0.65, 0.0)
    y, x = np.indices(share.shape, dtype=np.float32)
    middle = maps.texel(feature.outline_mm).mean(0) - [box[1].start, box[0].start]
    dx, dy = x - np.float32(middle[0]), y - np.float32(middle[1])
    around, reach = np.arctan2(dy, dx), np.hypot(dx, dy) / per_mm
    radius = np.sqrt(shapes.area_mm2(feature.outline_mm) / np.pi)
    rays = sum(rng.normal() / n**0.5 * np.cos(n * around + rng.uniform(0, 6.3)) for n in range(3, 28))
    rays = (rays / np.std(rays)).astype(np.float32) * np.clip(reach / radius, 0, 1)
    maps.slope_s[box] += soft * 0.06 * rays * np.float32(1) * (-dy / np.maximum(np.hypot(dx, dy), 1))
    maps.slope_a[box] += soft * 0.06 * rays * (dx / np.maximum(np.hypot(dx, dy), 1))
    fs, fa, _ = grains(rng, share.shape, per_mm, max(0.12, 2.5 / per_mm), 0.16)
    maps.slope_s[box] += soft * fs
    maps.slope_a[box] += soft * fa
    bright = rng.uniform(0.55, 0.75)
    tone = (1 + 0.06 * rays)[..., None]
    _blend(maps.metal, box, soft, tone * bright)
    _blend(maps.body, box, soft, tone * bright * 0.22)
    _blend(maps.rough, box, soft, rng.uniform(0.2, 0.3))
    core = np.float32(rng.uniform(0.06, 0.14) * radius * 1.2 + 0.05)
    bed = np.clip(1 - (reach / core) ** 2, 0, 1)
    relief.hollow[box] = np.maximum(relief.hollow[box], np.sqrt(bed) * core)
    dark = ramp(core - reach, -0.5 / per_mm, 0.5 / per_mm)
    _blend(maps.metal, box, dark, 0.08)
    _blend(maps.body, box, dark, 0.03)
