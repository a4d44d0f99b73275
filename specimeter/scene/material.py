"""The metal of the bend face as maps over its developed surface: relief, colour, roughness, weld band, scale, rust, strain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft

from specimeter.scene import geometry
from specimeter.scene.describe import Finish, Specimen, Weld

LEG_MM = 14.0  # how far down the legs the maps reach before they repeat mirrored
RUST = np.array([0.30, 0.115, 0.035], np.float32)
SCALE = np.array([0.055, 0.06, 0.07], np.float32)


@dataclass(slots=True, kw_only=True, eq=False)
class Maps:
    """Maps over developed [s, a]; texel (row, column) is at s = s0 + column / per_mm, a = a0 + row / per_mm."""

    per_mm: float
    s0: float
    a0: float
    slope_s: np.ndarray  # of the relief, along s
    slope_a: np.ndarray
    metal: np.ndarray  # (rows, columns, 3) specular reflectance
    body: np.ndarray  # (rows, columns, 3) reflectance of the evenly scattered light
    rough: np.ndarray  # multiplies the finish's roughness

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.rough.shape

    def texel(self, developed_mm: np.ndarray) -> np.ndarray:
        """Texel [column, row], shape (N, 2), of developed [s, a]."""
        return (np.asarray(developed_mm, float).reshape(-1, 2) - [self.s0, self.a0]) * self.per_mm

    def sample(self, field: np.ndarray, s: np.ndarray, a: np.ndarray) -> np.ndarray:
        """Values of one map at developed s, a (N,), interpolated."""
        column = ((s - self.s0) * self.per_mm).astype(np.float32)
        row = ((a - self.a0) * self.per_mm).astype(np.float32)
        width = 4096  # remap wants a picture, not a long line
        count = len(column)
        pad = -count % width
        grid = [np.pad(v, (0, pad)).reshape(-1, width) for v in (column, row)]
        found = cv2.remap(field, grid[0], grid[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
        return np.asarray(found).reshape(count + pad, -1)[:count].squeeze()


def noise(
    rng: np.random.Generator,
    shape: tuple[int, int],
    per_mm: float,
    sizes_mm: Sequence[float],
    *,
    stretch: float = 1.0,
    angle_deg: float = 0.0,
    power: float = 1.0,
) -> np.ndarray:
    """Gaussian random field of unit r.m.s. with bumps of each of `sizes_mm`, `stretch` times longer along an angle.

    The angle is measured from the columns' direction (s) towards the rows' (a); made in the frequency domain.
    """
    rows, columns = shape
    fy = scipy.fft.fftfreq(rows, 1 / per_mm).astype(np.float32)[:, None]
    fx = scipy.fft.rfftfreq(columns, 1 / per_mm).astype(np.float32)[None]
    angle = np.radians(angle_deg)
    along = (fx * np.float32(np.cos(angle)) + fy * np.float32(np.sin(angle))) * np.float32(stretch)
    across = -fx * np.float32(np.sin(angle)) + fy * np.float32(np.cos(angle))
    squared = along * along + across * across
    amplitude = np.zeros(squared.shape, np.float32)
    for size in sizes_mm:
        amplitude += np.exp(squared * np.float32(-2 * (np.pi * size / 2.5) ** 2)) * np.float32((size**power) ** 0.5 * size**0.5)
    spectrum = np.empty(amplitude.shape, np.complex64)
    spectrum.real = rng.standard_normal(amplitude.shape, dtype=np.float32)
    spectrum.imag = rng.standard_normal(amplitude.shape, dtype=np.float32)
    spectrum *= amplitude
    spectrum[0, 0] = 0
    field = scipy.fft.irfft2(spectrum, s=shape, overwrite_x=True)
    return field / (field.std() + 1e-12)


def blotches(rng: np.random.Generator, shape: tuple[int, int], size_mm: float, per_mm: float) -> np.ndarray:
    """Soft random field of unit r.m.s. with features of `size_mm`, made small and enlarged (cheap)."""
    rows, columns = shape
    small = (max(4, int(rows / per_mm / size_mm * 3) + 4), max(4, int(columns / per_mm / size_mm * 3) + 4))
    field = cv2.GaussianBlur(rng.standard_normal(small).astype(np.float32), (0, 0), 1.2)
    field = cv2.resize(field, (columns, rows), interpolation=cv2.INTER_CUBIC)
    return field / (field.std() + 1e-12)


def ramp(values: np.ndarray, low: float, high: float) -> np.ndarray:
    """Smooth step from 0 at low to 1 at high."""
    t = np.clip((values - low) / (high - low), 0, 1)
    return t * t * (3 - 2 * t)


def fusion_lines(weld: Weld, along_mm: np.ndarray, span_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """The weld's two edges: offsets from its middle, at places along it (`span_mm` is the extent of the face there)."""
    rng = np.random.default_rng(weld.seed)
    q = np.clip(along_mm / span_mm + 0.5, 0, 1)  # 0 at one edge of the face, 1 at the other
    if weld.layout != "section":
        base = np.full_like(q, weld.half_width_mm)
    elif weld.shape == "K":
        base = weld.root_half_width_mm + (weld.half_width_mm - weld.root_half_width_mm) * np.abs(2 * q - 1) ** 1.2
    else:
        base = weld.root_half_width_mm + (weld.half_width_mm - weld.root_half_width_mm) * q
    edges = []
    for sign in (-1, 1):
        knots = rng.normal(size=24)
        x = q * 19 + 1.5
        wave = sum(knots[k] * np.exp(-0.5 * ((x - k) / 0.9) ** 2) for k in range(24))
        edges.append(sign * base + weld.wobble_mm * wave)
    return edges[0], edges[1]


def make(specimen: Specimen, finish: Finish, weld: Weld, per_mm: float) -> Maps:
    """The maps of a bare face, before marks."""
    rng = np.random.default_rng(finish.seed)
    reach = specimen.radius_mm * geometry.half_angle(specimen) + min(LEG_MM, geometry.leg_length(specimen))
    half = specimen.width_mm / 2
    shape = (int(np.ceil(2 * half * per_mm)) + 1, int(np.ceil(2 * reach * per_mm)) + 1)
    s = (-reach + np.arange(shape[1]) / per_mm).astype(np.float32)[None]
    a = (-half + np.arange(shape[0]) / per_mm).astype(np.float32)[:, None]

    # the lay: mostly fine streaks, some wide ones, and slow changes of its strength
    fine = finish.streak_mm[0]
    lay = noise(rng, shape, per_mm, (fine, *finish.streak_mm), stretch=70.0, angle_deg=finish.lay_deg, power=0.3)
    grooves = noise(rng, shape, per_mm, (fine, 2.5 * fine), stretch=45.0, angle_deg=finish.lay_deg + rng.normal(0, 1.5))
    lay += np.float32(0.35) * (grooves * np.abs(grooves))  # few deep ones among many shallow ones
    across = np.radians(finish.lay_deg + 90.0)
    strength = finish.streak * (1 + 0.25 * blotches(rng, shape, 6.0, per_mm))
    slope_s, slope_a = lay * strength * np.float32(np.cos(across)), lay * strength * np.float32(np.sin(across))
    tone = 1 + 0.055 * blotches(rng, shape, 9.0, per_mm) + 0.03 * blotches(rng, shape, 2.0, per_mm)
    tone += np.float32(0.35 * min(finish.streak, 0.25)) * noise(
        rng, shape, per_mm, finish.streak_mm, stretch=80.0, angle_deg=finish.lay_deg
    )
    rough = 1 + 0.15 * blotches(rng, shape, 3.0, per_mm)
    if finish.peel:
        crown = np.exp(-0.5 * (s / (0.55 * specimen.radius_mm)) ** 2)
        relief = noise(rng, shape, per_mm, (finish.peel_mm, finish.peel_mm * 2.6), stretch=0.6)
        for slopes, axis in ((slope_s, 1), (slope_a, 0)):
            g = np.gradient(relief, axis=axis).astype(np.float32)
            slopes += g / g.std() * crown * np.float32(finish.peel)
    metal = tone[..., None] * np.array(finish.colour, np.float32)
    body = metal * np.float32(finish.diffuse)
    maps = Maps(
        per_mm=per_mm,
        s0=-reach,
        a0=-half,
        slope_s=slope_s.astype(np.float32),
        slope_a=slope_a.astype(np.float32),
        metal=metal.astype(np.float32),
        body=body.astype(np.float32),
        rough=rough.astype(np.float32),
    )
    _weld(maps, weld, specimen, s, a, rng)
    if finish.scale:
        _scale(maps, finish, rng)
    if finish.tint:
        _tint(maps, finish, rng)
    if finish.rust:
        _rust(maps, finish, rng)
    return maps


def _weld(maps: Maps, weld: Weld, specimen: Specimen, s: np.ndarray, a: np.ndarray, rng: np.random.Generator) -> None:
    if weld.layout == "along":
        low, high = fusion_lines(weld, s[0].astype(float), float(np.ptp(s)))
        low, high, position = low[None], high[None], a
    else:
        low, high = fusion_lines(weld, a[:, 0].astype(float), specimen.width_mm)
        low, high, position = low[:, None], high[:, None], s
    ragged = 0.12 * blotches(rng, maps.shape, 0.8, maps.per_mm)
    inside = np.minimum(position - low, high - position).astype(np.float32) + ragged  # mm inside the weld
    weld_part = ramp(inside, -0.12, 0.12)
    dendrites = noise(rng, maps.shape, maps.per_mm, (0.25, 0.7), stretch=0.3, angle_deg=0 if weld.layout == "along" else 90)
    haz = ramp(inside, -weld.haz_mm, -0.05) * (1 - weld_part)
    line = np.exp(-0.5 * (inside / 0.13) ** 2)
    tone = 1 + weld.contrast * weld_part * (1 + 0.35 * dendrites) - weld.haz * haz - weld.line * line
    tone = np.clip(tone, 0.25, 1.6).astype(np.float32)
    maps.metal *= tone[..., None]
    maps.body *= (0.5 + 0.5 * tone)[..., None]
    maps.rough *= 1 + np.float32(0.8 * abs(weld.contrast)) * weld_part
    if weld.ripple_mm:
        along = a if weld.layout != "along" else s
        bow = 0.35 * (position / weld.half_width_mm) ** 2 * weld.half_width_mm
        phase = 2 * np.pi * (along - bow + 0.25 * weld.ripple_mm * blotches(rng, maps.shape, 4.0, maps.per_mm)) / weld.ripple_mm
        wave = (0.16 * np.cos(phase) + 0.06 * np.cos(2 * phase + 1)) * weld_part
        wave *= 1 + 0.3 * blotches(rng, maps.shape, 3.0, maps.per_mm)
        lift = -0.25 * np.exp(-0.5 * (inside / 0.35) ** 2) * np.sign(position - (low + high) / 2)
        if weld.layout == "along":
            maps.slope_s += wave
            maps.slope_a += lift
        else:
            maps.slope_a += wave
            maps.slope_s += lift
        maps.metal *= (1 + 0.12 * weld_part * np.cos(phase - 0.7))[..., None]


def _scale(maps: Maps, finish: Finish, rng: np.random.Generator) -> None:
    field = 0.8 * blotches(rng, maps.shape, 7.0, maps.per_mm) + 0.5 * blotches(rng, maps.shape, 1.5, maps.per_mm)
    field += 0.35 * noise(rng, maps.shape, maps.per_mm, (0.15, 0.5))
    level = np.quantile(field[::7, ::7], 1 - min(finish.scale, 0.98))
    cover = ramp(field, level - 0.12, level + 0.12)[..., None]
    dark = SCALE * (1 + 0.25 * blotches(rng, maps.shape, 2.5, maps.per_mm))[..., None]
    maps.metal += (dark * 1.1 - maps.metal) * cover
    maps.body += (dark - maps.body) * cover
    maps.rough *= 1 + 0.9 * cover[..., 0]
    edge = np.gradient(cover[..., 0])
    maps.slope_a += np.float32(0.35) * edge[0].astype(np.float32)
    maps.slope_s += np.float32(0.35) * edge[1].astype(np.float32)


def _rust(maps: Maps, finish: Finish, rng: np.random.Generator) -> None:
    field = blotches(rng, maps.shape, 8.0, maps.per_mm) + 0.7 * blotches(rng, maps.shape, 1.8, maps.per_mm)
    field += 0.6 * noise(rng, maps.shape, maps.per_mm, (0.12, 0.4))
    cover = (ramp(field, 1.6, 3.2) * np.float32(min(1.0, finish.rust)))[..., None]
    hue = RUST * (1 + 0.3 * blotches(rng, maps.shape, 1.2, maps.per_mm))[..., None]
    maps.metal *= 1 - 0.9 * cover
    maps.body += (hue - maps.body) * cover
    maps.rough *= 1 + cover[..., 0]


def _tint(maps: Maps, finish: Finish, rng: np.random.Generator) -> None:
    """Oxide film colours, straw to blue, by two-beam interference in a film that thickens towards one side."""
    film = 30 + 60 * np.abs(blotches(rng, maps.shape, 25.0, maps.per_mm)) + 6 * blotches(rng, maps.shape, 3.0, maps.per_mm)
    for band, wave_nm in enumerate((610.0, 545.0, 465.0)):
        phase = 4 * np.pi * 2.3 * film / wave_nm
        maps.metal[..., band] *= 1 - np.float32(finish.tint) * (0.5 - 0.5 * np.cos(phase)).astype(np.float32)
