"""Composites of broken faces: imperfections worked into height fields of many statistics, or painted on; drawn another way."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from specimeter.scene import shapes
from specimeter.scene.fracture_lot import angular
from specimeter.segment.fracture_learned import FAMILIES
from specimeter.training import marks, relief
from specimeter.training.fracture_sample import AREA, CHANNELS, WEIGHT
from specimeter.training.fracture_skins import facets, skin, spectral
from specimeter.training.noise import smooth, soft_step
from specimeter.training.sample import Sample, cover, weight_of
from specimeter.training.texture import surface

SIZE_PX = 384
SHARES = (0.28, 0.18, 0.2, 0.18, 0.16)  # of the families, in the order of FAMILIES
TRIES = 6


def outlines(seed: int) -> Sample:
    """Outlines alone, as `composite` has them: colours are drawn later, on the accelerator (`fracture_forms`)."""
    rng = np.random.default_rng([seed, 15])
    planes = np.zeros((len(CHANNELS), SIZE_PX, SIZE_PX), np.uint8)
    planes[AREA] = 255
    return _sample(planes, _features(rng, planes, _border(rng, planes), int(rng.choice([0, 2, 4, 8, 12, 16]))))


def composite(seed: int) -> Sample:
    """One composite: planes (10, 384, 384) as `fracture_sample.CHANNELS`."""
    rng = np.random.default_rng([seed, 13])
    planes = np.zeros((len(CHANNELS), SIZE_PX, SIZE_PX), np.uint8)
    planes[AREA] = 255
    body = skin(rng, SIZE_PX)
    away = _beyond(rng, body, planes)
    features = _features(rng, planes, away, int(rng.choice([0, 1, 2, 3, 4, 6, 9])))
    painted = rng.random() < 0.3
    if not painted:
        for family, share in features:
            box = _box(share)
            part = relief.Skin(height=body.height[box], albedo=body.albedo[box], gloss=body.gloss[box], exponent=body.exponent)
            _work_in(rng, part, family, share[box])
    rgb = relief.shaded(rng, body)
    rgb *= _sky(rng, body.height)[..., None]
    if painted:
        rgb /= max(float(np.median(rgb)), 1e-3) / 0.22
        for family, share in features:
            box = _box(share)
            _paint(rng, rgb[box], family, share[box])
    held = (cv2.dilate(planes[3:AREA].max(axis=0), np.ones((5, 5), np.uint8)) > 0)[..., None]
    for _ in range(int(rng.choice([0, 0, 1, 2, 4]))):
        drawn = rgb.copy()
        marks.distract(rng, drawn, *np.zeros((2, SIZE_PX, SIZE_PX), np.uint8))
        np.copyto(rgb, drawn, where=~held)
    rgb *= 0.22 / max(float(np.median(rgb)), 1e-3) * np.exp(rng.normal(0, 0.35))
    planes[:3] = np.round(255 * np.clip(rgb, 0, 1) ** np.float32(1 / 2.2)).astype(np.uint8).transpose(2, 0, 1)
    return _sample(planes, features)


def _sample(planes: np.ndarray, features: Sequence[tuple[str, np.ndarray]]) -> Sample:
    """Planes with their weights, and where the features' middles lie."""
    planes[WEIGHT] = weight_of(planes[3:AREA].max(axis=0))
    centres = [np.argwhere(share > 0.5).mean(axis=0)[::-1] for _, share in features if (share > 0.5).any()]
    return Sample(planes=planes, centres_px=np.array(centres, float).reshape(-1, 2))


def _box(share: np.ndarray) -> tuple[slice, slice]:
    """A square that holds a feature and what lies round it."""
    rows, columns = np.nonzero(share > 0)
    side = min(SIZE_PX, 16 * int(np.ceil((max(np.ptp(rows), np.ptp(columns)) + 40) / 16)))
    top, left = (int(np.clip((v.min() + v.max() - side) // 2, 0, SIZE_PX - side)) for v in (rows, columns))
    return slice(top, top + side), slice(left, left + side)


def _border(rng: np.random.Generator, planes: np.ndarray) -> np.ndarray:
    """Signed distance in px from where the face ends (positive beyond it), entered into the planes; far off where none is."""
    if rng.random() < 0.4:
        return np.full((SIZE_PX, SIZE_PX), -1e3, np.float32)
    turn = rng.uniform(0, 2 * np.pi)
    y, x = np.mgrid[:SIZE_PX, :SIZE_PX].astype(np.float32)
    away = (x - rng.uniform(0.15, 0.85) * SIZE_PX) * np.cos(turn) + (y - rng.uniform(0.15, 0.85) * SIZE_PX) * np.sin(turn)
    away = away + rng.choice([0.0, 2.0, 5.0]) * smooth(rng, SIZE_PX, 6) + rng.uniform(0, 1.0) * smooth(rng, SIZE_PX, 40)
    planes[AREA] = np.round(255 * soft_step(-away, 0, 0.25)).astype(np.uint8)
    return away


def _beyond(rng: np.random.Generator, body: relief.Skin, planes: np.ndarray) -> np.ndarray:
    """The same, with what lies there worked into the body: a notch, a plate or the bench."""
    away = _border(rng, planes)
    if away.max() < 0:
        return away
    beyond = soft_step(away, 0, rng.uniform(0.3, 1.5)).astype(np.float32)
    gy, gx = np.gradient(away)
    lay = float(np.arctan2(gy.mean(), gx.mean())) + rng.normal(0, 0.1) + rng.choice([0, np.pi / 2])
    other = rng.uniform(0.02, 0.5) * spectral(
        rng, SIZE_PX, power=rng.uniform(0.3, 1.2), stretch=rng.choice([1, 10, 40]), angle=lay
    )
    body.height += ((other + rng.uniform(-18, 8)) - body.height) * beyond
    tone = surface(rng, SIZE_PX) * np.exp(rng.uniform(-2.2, 0.8))
    body.albedo += (tone - body.albedo) * beyond[..., None]
    body.gloss += (np.float32(rng.uniform(0, 0.8)) - body.gloss) * beyond
    return away


def _features(rng: np.random.Generator, planes: np.ndarray, away: np.ndarray, number: int) -> list[tuple[str, np.ndarray]]:
    """Up to so many features apart from each other, entered into the planes: family and share of each pixel."""
    found: list[tuple[str, np.ndarray]] = []
    taken = np.zeros((SIZE_PX, SIZE_PX), bool)
    for _ in range(number):
        family = str(rng.choice(FAMILIES, p=SHARES))
        done = False
        for _ in range(TRIES):
            for share in _shares(rng, family, away):
                share = np.minimum(share, planes[AREA])
                near = cv2.dilate((share > 0).astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
                if share.max() < 200 or (near & taken).any():
                    continue
                taken |= share > 0
                plane = planes[3 + FAMILIES.index(family)]
                np.maximum(plane, share, out=plane)
                found.append((family, share.astype(np.float32) / 255))
                done = True
            if done:
                break
    return found


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _shares(rng: np.random.Generator, family: str, away: np.ndarray) -> list[np.ndarray]:
    """Shares (384, 384) uint8 of one feature, or of a cluster or row of pores."""
    spot, turn = rng.uniform(0.03, 0.97, 2) * SIZE_PX, rng.uniform(0, np.pi)

    def there(outline: np.ndarray, at: np.ndarray = spot, angle: float = turn) -> np.ndarray:
        return cover(shapes.turn(outline, angle, at), (SIZE_PX, SIZE_PX))

    if family == "pore":
        if rng.random() < 0.3:
            size, number = _log(rng, 5, 22), int(rng.integers(3, 9))
            step = size * rng.uniform(1.6, 3) * np.array([np.cos(turn), np.sin(turn)])
            row = rng.random() < 0.5
            places = [spot + (step * k + rng.normal(0, 2, 2) if row else rng.normal(0, 1.7 * size, 2)) for k in range(number)]
            return [there(_round(rng, size * rng.uniform(0.6, 1.5)), place, rng.uniform(0, 6)) for place in places]
        return [there(_round(rng, _log(rng, 5, 70)))]
    if family == "elongated-cavity":
        length = _log(rng, 15, 150)
        width = float(np.clip(length * rng.uniform(0.12, 0.42), 5, 36))
        bow, uneven = float(rng.normal(0, 0.08)), float(rng.uniform(-0.3, 0.3))
        return [there(shapes.ribbon(rng, length, width, blunt=float(rng.uniform(0.25, 0.6)), bend=bow, lopsided=uneven))]
    if family == "slag":
        length = _log(rng, 6, 110)
        if rng.random() < 0.35:
            length, width = 1.6 * length, float(np.clip(length * rng.uniform(0.08, 0.3), 5, 26))
            blunt, ragged = float(rng.uniform(0.3, 0.5)), float(rng.uniform(0.2, 0.6))
            return [there(shapes.ribbon(rng, length, width, blunt=blunt, ragged=ragged, bend=float(rng.normal(0, 0.04))))]
        width = float(np.clip(length * rng.uniform(0.3, 0.95), 4.5, 60))
        plain = rng.random() < 0.25
        return [there(shapes.cavity(rng, length, width, rough=0.22) if plain else angular(rng, length, width))]
    if family == "fisheye":
        size = _log(rng, 18, 110)
        return [there(shapes.cavity(rng, size * rng.uniform(1, 1.25), size, rough=float(rng.uniform(0.005, 0.05))))]
    kind = rng.random()
    if kind < 0.45 and away.max() > 0:
        return [_along_edge(rng, away)]
    if kind < 0.72:
        length = _log(rng, 25, 220)
        width = float(np.clip(length * rng.uniform(0.05, 0.25), 5, 30))
        blunt, ragged = float(rng.uniform(0.15, 0.5)), float(rng.uniform(0.0, 0.35))
        lopsided = float(rng.uniform(-0.7, 0.7))
        return [there(shapes.ribbon(rng, length, width, blunt=blunt, ragged=ragged, lopsided=lopsided))]
    length = _log(rng, 18, 200)
    width = length * rng.uniform(0.3, 0.85)
    return [there(shapes.cavity(rng, length, width, rough=float(rng.uniform(0.05, 0.2))))]


def _round(rng: np.random.Generator, size: float) -> np.ndarray:
    return shapes.cavity(rng, size * rng.uniform(1.0, 1.25), size, rough=float(rng.uniform(0.003, 0.07)))


def _along_edge(rng: np.random.Generator, away: np.ndarray) -> np.ndarray:
    """Unfused surface along the face's border: straight there, wavy where fusion began."""
    y, x = np.mgrid[:SIZE_PX, :SIZE_PX].astype(np.float32)
    gy, gx = np.gradient(cv2.GaussianBlur(away, (0, 0), 8))
    row, column = np.unravel_index(int(np.argmin(np.abs(away) + 60 * rng.random(away.shape))), away.shape)
    normal = np.array([gx[row, column], gy[row, column]])
    normal /= np.linalg.norm(normal) + 1e-6
    along = (y - row) * normal[0] - (x - column) * normal[1]
    half, depth = _log(rng, 15, 260), _log(rng, 6, 45)
    profile = np.clip(1 - (along / half) ** 2, 0, 1) ** rng.uniform(0.15, 0.6) * depth
    profile = profile * np.clip(1 + rng.uniform(0, 0.35) * smooth(rng, SIZE_PX, int(rng.integers(4, 14))), 0.3, 1.8)
    return np.round(255 * soft_step(away + profile, 0, 0.3) * (np.abs(along) < half)).astype(np.uint8)


def _lay(rng: np.random.Generator, size: int) -> np.ndarray:
    """What unfused surface has of its own relief: tool marks, rolled skin, next to nothing."""
    return float(_log(rng, 0.005, 0.12)) * spectral(
        rng, size, power=rng.uniform(0.3, 1.2), stretch=float(rng.choice([1, 8, 40])), angle=rng.uniform(0, np.pi)
    )


def _into(share: np.ndarray) -> tuple[np.ndarray, float]:
    into = cv2.distanceTransform((share > 0.5).astype(np.uint8), cv2.DIST_L2, 5)
    return into, max(float(into.max()), 1.0)


def _fill(rng: np.random.Generator, kind: str) -> tuple[np.ndarray, float]:
    """Albedo and gloss of a surface that never broke."""
    if kind == "shiny":
        return np.full(3, rng.uniform(0.1, 0.5)) * (1 + rng.normal(0, 0.03, 3)), rng.uniform(0.5, 1.4)
    if kind == "oxidised":
        hue = [(1, 0.8, 0.55), (0.7, 0.8, 1.1), (0.9, 0.75, 0.8), (1, 1, 1), (1.1, 0.7, 0.4)][int(rng.integers(5))]
        return np.array(hue) * rng.uniform(0.05, 0.3), rng.uniform(0.05, 0.6)
    return np.full(3, rng.uniform(0.02, 0.1)), rng.uniform(0.0, 0.3)


def _set(body: relief.Skin, share: np.ndarray, albedo: np.ndarray, gloss: float) -> None:
    body.albedo += (np.asarray(albedo, np.float32) - body.albedo) * share[..., None]
    body.gloss += (np.float32(gloss) - body.gloss) * share


def _work_in(rng: np.random.Generator, body: relief.Skin, family: str, share: np.ndarray) -> None:
    """One feature as a form in the height field, with a surface of its own."""
    size = len(share)
    into, widest = _into(share)
    own = share > 0.5
    wall = np.clip(into - 0.6, 0, 1)  # slopes reach over a step: it begins within, so as not to shade what lies round it
    calm = cv2.GaussianBlur(body.height, (0, 0), max(2.0, 0.6 * widest))
    mottle = np.exp(rng.uniform(0, 0.3) * spectral(rng, size, power=rng.uniform(0.6, 1.6)))[..., None]
    if family in ("pore", "elongated-cavity"):
        bowl = np.sqrt(np.clip(1 - (1 - into / widest) ** 2, 0, 1)) * wall * widest * rng.uniform(0.4, 1.6)
        ripple = rng.uniform(0, 0.25) * spectral(rng, size, power=rng.uniform(0.8, 1.8))
        body.height += (calm - bowl + ripple - body.height) * own
        if rng.random() < 0.3:  # a rim that stands up, or is rounded off
            near = np.clip(cv2.GaussianBlur(share, (0, 0), rng.uniform(1, 4)) - share, 0, 1)
            body.height += near * rng.uniform(-2, 4)
        albedo, gloss = _fill(rng, str(rng.choice(["shiny", "oxidised", "dark"], p=[0.4, 0.35, 0.25])))
        _set(body, share, albedo * mottle, gloss)
    elif family == "slag":
        gap = max(1.0, rng.uniform(0.05, 0.3) * widest)
        bed = rng.uniform(0.1, 0.8) * widest * (0.3 + 0.7 * np.exp(-((into / gap) ** 2))) * wall
        lump = relief_of_glass(rng, size) * min(1.0, widest / 8)
        body.height += (calm - bed + lump - body.height) * own
        dark = rng.random() < 0.75
        hue = np.array([[1, 1, 1], [1.1, 0.95, 0.75], [0.9, 1, 0.9], [1.2, 0.8, 0.6]][int(rng.integers(4))])
        _set(body, share, hue * (_log(rng, 0.01, 0.08) if dark else _log(rng, 0.08, 0.35)) * mottle, rng.uniform(0.02, 0.5))
    elif family == "unfused":
        rows, columns = np.nonzero(own)
        design = np.column_stack([columns, rows, np.ones(len(rows))]).astype(float)
        fit, *_ = np.linalg.lstsq(design, body.height[own].astype(float), rcond=None)
        y, x = np.indices(own.shape, dtype=np.float32)
        plane = fit[0] * x + fit[1] * y + fit[2] - rng.choice([0.0, rng.uniform(0.5, 6)])
        plane = plane + rng.uniform(0, 0.3) * widest * smooth(rng, size, 4) * rng.choice([0, 0.3]) + _lay(rng, size)
        body.height += ((plane - body.height) * own).astype(np.float32)
        keeps = rng.random() < 0.25  # the metal's own tone
        albedo, gloss = _fill(rng, str(rng.choice(["shiny", "oxidised", "dark"], p=[0.4, 0.4, 0.2])))
        base = float(np.median(body.albedo)) * rng.uniform(0.7, 1.3) if keeps else albedo
        _set(body, share, base * mottle, gloss)
    else:  # fisheye: a flat disc of fine crystals round a core
        soft = cv2.GaussianBlur(share, (0, 0), rng.uniform(0.6, 2.0))
        y, x = np.indices(own.shape, dtype=np.float32)
        rows, columns = np.nonzero(own)
        middle = np.array([columns.mean(), rows.mean()]) + rng.normal(0, 0.08 * widest, 2)
        around, reach = np.arctan2(y - middle[1], x - middle[0]), np.hypot(x - middle[0], y - middle[1])
        rays = sum(rng.normal() / n**0.5 * np.cos(n * around + rng.uniform(0, 6.3)) for n in range(3, 30))
        fine = rng.uniform(0.05, 0.4) * spectral(rng, size, power=rng.uniform(0.2, 0.9))
        flat = calm + rng.uniform(0, 0.02) * reach * rays / 3 + fine
        body.height += (flat - body.height) * soft * rng.uniform(0.6, 1.0)
        bright = float(np.median(body.albedo)) * rng.uniform(1.0, 1.9)
        _set(
            body, soft, np.clip(bright * (1 + rng.uniform(0, 0.06) * rays)[..., None] * np.ones(3), 0, 0.9), rng.uniform(0, 0.7)
        )
        core = max(1.5, rng.uniform(0.07, 0.22) * widest)
        pit = soft_step(core - reach, 0, 0.4).astype(np.float32)
        body.height -= pit * core * np.float32(rng.uniform(0.4, 1.5))
        _set(body, pit, np.full(3, rng.uniform(0.02, 0.15)), rng.uniform(0, 0.6))


def relief_of_glass(rng: np.random.Generator, size: int) -> np.ndarray:
    """Height of a glassy lump: conchoidal waves, flat facets, or spongy."""
    kind = int(rng.integers(3))
    if kind == 0:
        return rng.uniform(0.5, 4) * smooth(rng, size, max(3, int(size * rng.uniform(0.03, 0.13))))
    if kind == 1:
        return rng.uniform(0.1, 0.4) * facets(rng, size, _log(rng, 5, 20))
    return rng.uniform(0.2, 1.0) * spectral(rng, size, power=rng.uniform(0.4, 1.2))


def _sky(rng: np.random.Generator, height: np.ndarray) -> np.ndarray:
    """Share of the sky that each place sees, from how deep it lies below its surroundings."""
    buried = np.zeros_like(height)
    for size in (2.0, 6.0, 18.0):
        buried += np.clip((cv2.GaussianBlur(height, (0, 0), size) - height) / np.float32(size), -0.3, 2)
    return np.exp(-np.float32(rng.uniform(0.3, 1.1)) * buried).clip(0.05, 1.2).astype(np.float32)


def _paint(rng: np.random.Generator, rgb: np.ndarray, family: str, share: np.ndarray) -> None:
    """One feature painted over the light as it lies: tone, a shaded rim, a highlight; no height field behind it."""
    size = len(share)
    into, widest = _into(share)
    soft = cv2.GaussianBlur(share, (0, 0), rng.uniform(0.3, 1.2))[..., None]
    around = max(float(np.median(rgb[share < 0.1])), 1e-3)
    tone = np.float32(around) * np.ones(3, np.float32)
    y, x = np.indices(share.shape, dtype=np.float32)
    rows, columns = np.nonzero(share > 0.5)
    turn = rng.uniform(0, 2 * np.pi)
    slant = ((x - columns.mean()) * np.cos(turn) + (y - rows.mean()) * np.sin(turn)) / widest
    hue = 1 + rng.normal(0, 0.12, 3)
    if family in ("pore", "elongated-cavity"):
        deep = (into / widest) ** rng.uniform(0.3, 1.5)
        value = np.exp(-rng.uniform(0.5, 3.0) * deep - rng.uniform(-0.3, 1.2)) * np.exp(
            rng.uniform(-0.6, 0.6) * np.clip(slant, -1.5, 1.5)
        )
        value = value[..., None] * tone * hue
        if rng.random() < 0.55:
            away = np.hypot(x - columns.mean() - rng.normal(0, 0.4) * widest, y - rows.mean() - rng.normal(0, 0.4) * widest)
            spot = soft_step(-away, -widest * rng.uniform(0.12, 0.45), rng.uniform(0.5, 2))
            value = value + (spot * rng.uniform(0.3, 3))[..., None] * tone
    elif family == "slag":
        value = (
            tone
            * hue
            * _log(rng, 0.06, 0.6)
            * np.exp(rng.uniform(0.1, 0.5) * spectral(rng, size, power=rng.uniform(0.5, 1.5)))[..., None]
        )
        glints = soft_step(spectral(rng, size, power=1.0), rng.uniform(1.3, 2.6), 0.1) * rng.choice([0, 1])
        value = value + glints[..., None] * tone * rng.uniform(0.5, 3)
        value = value * (1 - rng.uniform(0, 0.7) * np.exp(-into / 2))[..., None]
    elif family == "unfused":
        fine = rng.uniform(0.02, 0.12) * spectral(
            rng, size, power=rng.uniform(0.3, 1.3), stretch=float(rng.choice([1, 10, 40])), angle=turn
        )
        value = tone * hue * _log(rng, 0.2, 1.9) * np.exp(fine + rng.uniform(-0.3, 0.3) * np.clip(slant, -2, 2))[..., None]
    else:
        reach = 1 - into / widest
        rays = np.exp(rng.uniform(0.0, 0.15) * spectral(rng, size, power=0.5))
        value = (rays * _log(rng, 1.1, 2.2) * (1 + rng.uniform(-0.3, 0.3) * reach))[..., None] * tone
        core = soft_step(into, widest * rng.uniform(0.78, 0.92), 0.5)[..., None]
        value = value * (1 - core * rng.uniform(0.6, 0.95))
    rgb += (value.astype(np.float32) - rgb) * soft
    if rng.random() < 0.4:
        ring = np.clip(cv2.GaussianBlur(share, (0, 0), 2.0) - share, 0, 1)[..., None]
        rgb *= 1 + ring * np.float32(rng.uniform(-0.9, 1.2))
