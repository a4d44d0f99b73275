"""The end of a broken specimen as maps over its mean plane: height, slopes, colour, gloss of broken face, notches and plate."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.scene import shapes
from specimeter.scene.describe import Broken, Fracture, Zone
from specimeter.scene.material import RUST, SCALE, Maps, blotches, noise, ramp

MARGIN_MM = 1.5  # how far the maps reach beyond the body
STEP_MM = 0.12  # over which one level goes into the next at the border of a zone


@dataclass(slots=True, kw_only=True, eq=False)
class Relief:
    """The maps of a broken end; every array has the shape of the maps."""

    maps: Maps
    height: np.ndarray  # mm over the mean plane, without hollows
    hollow: np.ndarray  # mm that hollows go down below it
    inside: np.ndarray  # signed distance from the body's outline, mm, positive inside
    face: np.ndarray  # 1 on the broken face

    def heights(self, developed_mm: np.ndarray) -> np.ndarray:
        """Height, shape (N,), at developed [s, a]."""
        s, a = np.asarray(developed_mm, np.float32).reshape(-1, 2).T
        return self.maps.sample(self.height, s, a)


def mask(maps: Maps, outline_mm: np.ndarray) -> np.ndarray:
    """Share of each texel inside a developed outline, float32."""
    texels = np.round((maps.texel(outline_mm)) * 256).astype(np.int32)
    field = np.zeros(maps.shape, np.uint8)
    cv2.fillPoly(field, [texels.reshape(-1, 1, 2)], 255, cv2.LINE_AA, 8)
    return field.astype(np.float32) / 255


def signed_mm(share: np.ndarray, per_mm: float) -> np.ndarray:
    """Signed distance from a mask's border in mm, positive inside."""
    inner = (share > 0.5).astype(np.uint8)
    gap = cv2.distanceTransform(inner, cv2.DIST_L2, 5) - cv2.distanceTransform(1 - inner, cv2.DIST_L2, 5)
    return (gap - np.sign(gap) * np.float32(0.5)) / np.float32(per_mm)


def make(specimen: Broken, finish: Fracture, per_mm: float) -> Relief:
    """The maps of a broken end, before features and marks."""
    rng = np.random.default_rng(finish.seed)
    low, high = specimen.body_mm.min(0) - MARGIN_MM, specimen.body_mm.max(0) + MARGIN_MM
    shape = tuple(np.ceil((high - low) * per_mm).astype(int)[::-1] + 1)
    blank = np.zeros(shape, np.float32)
    maps = Maps(
        per_mm=per_mm,
        s0=float(low[0]),
        a0=float(low[1]),
        slope_s=blank.copy(),
        slope_a=blank.copy(),
        metal=np.zeros((*shape, 3), np.float32),
        body=np.zeros((*shape, 3), np.float32),
        rough=np.ones(shape, np.float32),
    )
    inside, within = (signed_mm(mask(maps, outline), per_mm) for outline in (specimen.body_mm, specimen.face_mm))
    face = ramp(within, -0.5 * STEP_MM, 0.5 * STEP_MM)
    height = _break(maps, specimen, finish, within, rng)
    for zone in specimen.zones:
        share = mask(maps, zone.outline_mm) * (1 - face)
        _zone(maps, zone, share, height)
    if finish.rust:
        _rust(maps, finish.rust, rng)
    slope_a, slope_s = np.gradient(height * np.float32(per_mm))
    maps.slope_a += np.clip(slope_a, -2, 2)
    maps.slope_s += np.clip(slope_s, -2, 2)
    return Relief(maps=maps, height=height, hollow=blank, inside=inside, face=face)


def grains(
    rng: np.random.Generator, shape: tuple[int, int], per_mm: float, size_mm: float, tilt: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Slopes along columns and rows, and a tone of unit spread, of facets that each face their own way."""
    count = max(4, int(shape[0] * shape[1] / (size_mm * per_mm) ** 2))
    seeds = np.ones(shape, np.uint8)
    seeds[rng.integers(0, shape[0], count), rng.integers(0, shape[1], count)] = 0
    labels = cv2.distanceTransformWithLabels(seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)[1]
    own = rng.standard_normal((int(labels.max()) + 1, 3)).astype(np.float32)
    own[:, :2] *= np.float32(tilt)
    found = own[labels]
    return found[..., 0], found[..., 1], found[..., 2]


def _break(maps: Maps, specimen: Broken, finish: Fracture, within: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Work the broken metal into the maps; returns its height in mm."""
    shape, per_mm = maps.shape, maps.per_mm
    s = (maps.s0 + np.arange(shape[1], dtype=np.float32) / per_mm)[None]
    a = (maps.a0 + np.arange(shape[0], dtype=np.float32) / per_mm)[:, None]
    height = finish.waves_mm * (blotches(rng, shape, 7.0, per_mm) + 0.4 * blotches(rng, shape, 2.2, per_mm))
    height = height.astype(np.float32)
    if finish.ridges:
        height += _ridges(rng, shape, per_mm, finish, s, a)
    edge_s = np.minimum(s - specimen.face_mm[:, 0].min(), specimen.face_mm[:, 0].max() - s)  # mm from the long edges
    if finish.lip_mm:
        uneven = finish.lip_mm * (1 + 0.35 * blotches(rng, shape, 5.0, per_mm))
        into = np.clip(1 - edge_s / np.maximum(uneven, 0.2), 0, 1)
        sign = np.where(s * specimen.root > 0, rng.choice([-1, 1]), rng.choice([-1, 1]))
        height += (sign * finish.lip * 0.5 * uneven * into**2).astype(np.float32)
    else:
        into = np.zeros(shape, np.float32)
    crystalline = np.clip(1 - 1.3 * into, 0, 1)
    if finish.rim_mm:
        wave = finish.rim_mm * (1 + 0.4 * blotches(rng, shape, 4.0, per_mm))
        crystalline = crystalline * ramp(within - wave, -0.4, 0.5)
    fine = noise(rng, shape, per_mm, (finish.dimple_mm, 2.5 * finish.dimple_mm))
    ga, gs = np.gradient(fine)
    scale = np.float32(finish.dimple) / max(float(gs.std()), 1e-6)
    patch = np.clip(1 + 0.3 * blotches(rng, shape, 2.5, per_mm), 0.3, 2).astype(np.float32)
    maps.slope_s += gs * scale * patch
    maps.slope_a += ga * scale * patch
    tone = 1 + 0.07 * blotches(rng, shape, 6.0, per_mm) + 0.05 * blotches(rng, shape, 1.2, per_mm) + 0.05 * fine
    rough = np.full(shape, finish.rough, np.float32) * (1 + 0.12 * blotches(rng, shape, 2.0, per_mm))
    if finish.grain_mm:
        for size, share in ((finish.grain_mm, 0.8), (0.45 * finish.grain_mm, 0.6)):
            fs, fa, bright = grains(rng, shape, per_mm, max(size, 2.5 / per_mm), finish.tilt * share)
            maps.slope_s += fs * crystalline
            maps.slope_a += fa * crystalline
            tone += 0.06 * bright * crystalline
        rough = rough * (1 - 0.25 * crystalline) + 0.08 * (1 - crystalline)
    colour = finish.level * np.array([1 + finish.warm, 1, 1 - finish.warm], np.float32)
    metal = np.clip(tone, 0.4, 1.7)[..., None] * colour * (0.75 + 0.25 * crystalline[..., None])
    maps.metal[:] = metal
    maps.body[:] = metal * np.float32(finish.diffuse) * (1 + 0.5 * (1 - crystalline[..., None]))
    maps.rough[:] = np.clip(rough, 0.06, 0.9)
    if finish.tint:
        film = 25 + 55 * np.abs(blotches(rng, shape, 14.0, per_mm)) + 8 * blotches(rng, shape, 1.5, per_mm)
        for band, wave_nm in enumerate((610.0, 545.0, 465.0)):
            gain = 1 - np.float32(finish.tint) * (0.5 - 0.5 * np.cos(4 * np.pi * 2.3 * film / wave_nm)).astype(np.float32)
            maps.metal[..., band] *= gain
            maps.body[..., band] *= gain
    return height


def _ridges(
    rng: np.random.Generator, shape: tuple[int, int], per_mm: float, finish: Fracture, s: np.ndarray, a: np.ndarray
) -> np.ndarray:
    """Height of ridges that run one way, or fan out from a place beyond the face."""
    angle = np.radians(finish.ridge_deg)
    if finish.fan < 0.5:
        field = noise(rng, shape, per_mm, (finish.ridge_mm, 2.4 * finish.ridge_mm), stretch=7.0, angle_deg=finish.ridge_deg)
    else:
        away = rng.uniform(0.55, 1.3) * max(float(np.ptp(s)), float(np.ptp(a)))
        ds, da = s + np.float32(away * np.cos(angle)), a + np.float32(away * np.sin(angle))
        around, reach = np.arctan2(da, ds), np.hypot(ds, da)
        count = 4096
        random = rng.standard_normal((64, count)).astype(np.float32)
        line: np.ndarray = np.hstack([random[:, -256:], random, random[:, :256]])
        width = min(finish.ridge_mm / max(away, 5.0) / (2 * np.pi) * count, 70.0)
        line = cv2.GaussianBlur(line, (0, 0), sigmaX=max(0.5 * width, 0.6), sigmaY=3.0)[:, 256:-256]
        x = ((around / (2 * np.pi)) % 1.0 * (count - 1)).astype(np.float32)
        y = np.clip(reach / 1.2, 0, 63).astype(np.float32)
        field = np.asarray(cv2.remap(line / line.std(), x, y, cv2.INTER_LINEAR)).reshape(shape)
    slope = np.hypot(*np.gradient(field)).std() * per_mm
    return (
        field * np.clip(1 + 0.5 * blotches(rng, shape, 4.0, per_mm), 0, 2) * np.float32(finish.ridges / max(slope, 1e-6))
    ).astype(np.float32)


def _zone(maps: Maps, zone: Zone, share: np.ndarray, height: np.ndarray) -> None:
    """One part round the broken face: its level, and how it was made."""
    rng = np.random.default_rng(zone.seed)
    rows, columns = np.nonzero(share > 0)
    if not len(rows):
        return
    box = slice(rows.min(), rows.max() + 1), slice(columns.min(), columns.max() + 1)
    part, shape, per_mm = share[box], share[box].shape, maps.per_mm
    s = (maps.s0 + np.arange(box[1].start, box[1].stop, dtype=np.float32) / per_mm)[None]
    a = (maps.a0 + np.arange(box[0].start, box[0].stop, dtype=np.float32) / per_mm)[:, None]
    middle = zone.outline_mm.mean(0)
    level = zone.level_mm + zone.slope_s * (s - middle[0]) + 0.04 * blotches(rng, shape, 6.0, per_mm)
    slope_s: np.ndarray = np.zeros(shape, np.float32)
    slope_a: np.ndarray = np.zeros(shape, np.float32)
    tone = 1 + 0.05 * blotches(rng, shape, 4.0, per_mm)
    rough: np.ndarray = np.full(shape, 0.26, np.float32)
    colour, body = np.array([0.5, 0.5, 0.5]) * rng.uniform(0.45, 1.0), 0.2
    if zone.kind in ("saw-cut", "disc-cut", "machined"):
        pitch = {"saw-cut": rng.uniform(0.12, 0.45), "disc-cut": rng.uniform(0.06, 0.2), "machined": rng.uniform(0.1, 0.3)}[
            zone.kind
        ]
        turn = rng.normal(0, 8) + (90 if rng.random() < 0.25 else 0)  # the cut's marks run mostly through the wall
        lines = noise(rng, shape, per_mm, (max(pitch, 2.0 / per_mm),), stretch=12.0, angle_deg=turn)
        strength = np.float32(rng.uniform(0.03, 0.14))
        slope_s, slope_a = (
            -strength * lines * np.float32(np.sin(np.radians(turn))),
            strength * lines * np.float32(np.cos(np.radians(turn))),
        )
        tone = tone + 0.08 * lines
        rough += np.float32(rng.uniform(-0.1, 0.12))
        if zone.kind == "disc-cut" and rng.random() < 0.6:  # burnt by the disc
            colour = colour * rng.choice([0.35, 0.6]) * np.array([1.0, 0.92, 0.85])
    elif zone.kind == "plate":
        cover = ramp(
            blotches(rng, shape, 6.0, per_mm) + 0.6 * blotches(rng, shape, 1.4, per_mm),
            *(np.array([-0.2, 0.2]) + rng.uniform(-1.8, 0.8)),
        )
        dark = SCALE * (1 + 0.25 * blotches(rng, shape, 2.5, per_mm))[..., None]
        maps.metal[box] += (dark * 1.2 - maps.metal[box]) * part[..., None]
        rough += 0.1
        grain = 0.05 * noise(rng, shape, per_mm, (0.15, 0.6))
        slope_s, slope_a = slope_s + grain, slope_a + 0.05 * noise(rng, shape, per_mm, (0.2,))
        tone = (tone * (1 - cover) + cover * 0.16).astype(np.float32)
        rough = rough + 0.15 * cover
    else:  # cap: ripples of the weld's own surface, oxidised
        ripple = rng.uniform(0.8, 1.8)
        phase = 2 * np.pi * (a + 0.2 * (s - middle[0]) ** 2 / 4 + 0.25 * ripple * blotches(rng, shape, 4.0, per_mm)) / ripple
        slope_a = (0.25 * np.cos(phase) + 0.08 * np.cos(2 * phase + 1)).astype(np.float32)
        tone = tone * (1 + 0.12 * np.cos(phase - 0.7))
        colour = colour * rng.uniform(0.3, 0.8) * np.array([1.0, 0.95, 0.88 if rng.random() < 0.5 else 1.05])
        rough += 0.1
    share3 = part[..., None]
    metal = (np.clip(tone, 0.1, 1.7)[..., None] * colour).astype(np.float32)
    maps.metal[box] += (metal - maps.metal[box]) * share3
    maps.body[box] += (metal * np.float32(body) - maps.body[box]) * share3
    maps.rough[box] += (np.clip(rough, 0.08, 0.7) - maps.rough[box]) * part
    for field, own in ((maps.slope_s, slope_s), (maps.slope_a, slope_a)):
        field[box] += (own - field[box]) * part
    height[box] += (level - height[box]).astype(np.float32) * part


def _rust(maps: Maps, strength: float, rng: np.random.Generator) -> None:
    shape, per_mm = maps.shape, maps.per_mm
    field = (
        blotches(rng, shape, 7.0, per_mm)
        + 0.7 * blotches(rng, shape, 1.6, per_mm)
        + 0.6 * noise(rng, shape, per_mm, (0.15, 0.4))
    )
    cover = (ramp(field, 2.2 - 2.4 * strength, 3.4 - 2.0 * strength) * np.float32(min(1.0, 0.4 + strength)))[..., None]
    hue = RUST * rng.uniform(0.6, 1.1) * (1 + 0.3 * blotches(rng, shape, 1.0, per_mm))[..., None]
    maps.metal *= 1 - 0.9 * cover
    maps.body += (hue - maps.body) * cover
    maps.rough += 0.3 * cover[..., 0]


def strip_mm(low_s: float, high_s: float, low_a: float, high_a: float) -> np.ndarray:
    """A rectangle as an outline, shape (4, 2)."""
    return np.array([[low_s, low_a], [high_s, low_a], [high_s, high_a], [low_s, high_a]])


def shifted(outline_mm: np.ndarray, half: str) -> np.ndarray:
    """A developed outline as it lies on the half asked for: mirrored in a on the mating one."""
    return outline_mm if half == "a" else outline_mm[::-1] * [1, -1]


def area_mm2(specimen: Broken) -> float:
    """Area of the broken face on its mean plane."""
    return shapes.area_mm2(specimen.face_mm)
