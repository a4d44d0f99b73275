"""A rule alone on a bench, photographed by hand: what finding graduations is measured on, with exact truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from specimeter.scene import bench, camera, clutter, geometry, rule
from specimeter.scene.describe import Bench, Camera, Imaging, Rule
from specimeter.scene.random import CAMERAS

_OVER = 2  # sight lines a pixel, each way
_WIDE_35MM_MM, _WIDE_SHARE = (13.0, 20.0), 0.12  # wide lenses near by: strong perspective
# What is known of lens and rule only within limits is drawn as the scale's budget supposes it (standard deviations): a stated
# interval can only be judged where what it stands for happens.
_SHIFT, _K1 = 0.008, 0.02  # principal point over the long side, first coefficient of distortion
_STATED, _SKEW = 0.03, 0.003  # EXIF's focal length, marks off square in radians
_MOST_STRETCH = 0.001  # of a rule without certificate, half-width
_SHORTEST_MM = 60.0
_STRIP = 128  # rows of the picture drawn at a time


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TableShot:
    """A picture of a rule on a bench and what is true of it."""

    rgb: np.ndarray  # (H, W, 3) uint8
    camera: Camera
    rule: Rule | None
    bench: str

    def mm_per_px(self, point_px: np.ndarray) -> float:
        """Square root of the area in true mm2 that one pixel covers on the rule's plane."""
        steps = np.array([[0.5, 0.0], [-0.5, 0.0], [0.0, 0.5], [0.0, -0.5]])
        right, left, down, up = on_plane(self.camera, np.asarray(point_px, float) + steps, 0.0)
        (ax, ay), (bx, by) = right - left, down - up
        return float(np.sqrt(abs(ax * by - ay * bx)))


def on_plane(view: Camera, points_px: np.ndarray, z_mm: float) -> np.ndarray:
    """Bench [x, y], shape (N, 2), where sight lines meet the plane z = z_mm."""
    rays = geometry.sight(view, points_px)
    return (view.eye_mm + rays * ((z_mm - view.eye_mm[2]) / rays[:, 2])[:, None])[:, :2]


def table_shot(
    seed: int,
    *,
    px_per_mm: float | None = None,
    tilt_deg: float | None = None,
    width_px: int = 1600,
    with_rule: bool = True,
    body: str | None = None,
    division_mm: float | None = None,
    bench_name: str | None = None,
) -> TableShot:
    """One photograph from a seed.

    Parameters
    ----------
    seed : int
    px_per_mm : float, optional
        Scale at the picture's middle; absent: 2 to 60, evenly in its logarithm.
    tilt_deg : float, optional
        Absent: to 15 degrees, all directions of leaning alike.
    width_px : int
        Long side; the short one is three quarters of it.
    with_rule : bool
        False: the same bench and things without the rule.
    body, division_mm : optional
        Of the rule (scene.rule.random_rule).
    bench_name : str, optional
        One of scene.bench.BENCHES.
    """
    rng = np.random.default_rng([seed, 7])
    per_mm = px_per_mm or float(np.exp(rng.uniform(np.log(2), np.log(60))))
    tilt = float(15 * np.sqrt(rng.uniform())) if tilt_deg is None else tilt_deg
    name = str(rng.choice(list(CAMERAS)))
    focal_35 = float(rng.uniform(*(_WIDE_35MM_MM if rng.random() < _WIDE_SHARE else CAMERAS[name][0])))
    size = (width_px, round(width_px * 0.75))
    focal_px = focal_35 * np.hypot(*size) / 43.27
    rotation, eye = camera.look_at((0, 0, 0), focal_px / per_mm, tilt, float(rng.uniform(0, 360)), float(rng.uniform(0, 360)))
    told = rng.random() < 0.7
    centre = (np.array(size) - 1) / 2 + rng.normal(0, _SHIFT * width_px, 2)
    view = Camera(
        name=name, width_px=size[0], height_px=size[1], focal_px=float(focal_px),
        centre_px=(float(centre[0]), float(centre[1])),
        k1=float(rng.normal(0, _K1)),
        rotation=rotation, eye_mm=eye, focal_35mm_mm=focal_35 * float(rng.normal(1, _STATED)) if told else None,
    )  # fmt: skip
    laid = None
    if with_rule:
        drawn = rule.random_rule(seed, body=body, division_mm=division_mm)
        seen_mm = float(np.hypot(*size)) / per_mm
        drawn = replace(drawn, length_mm=min(drawn.length_mm, max(_SHORTEST_MM, 1.6 * seen_mm)))  # more would not show
        stretch, skew = float(rng.uniform(-_MOST_STRETCH, _MOST_STRETCH)), float(rng.normal(0, _SKEW))
        laid = _lay(replace(drawn, stretch=stretch, skew=skew), size, per_mm, rng)
    ground = bench_name or str(rng.choice(bench.BENCHES))
    light = _light(view, laid, ground, per_mm, rng)
    depth = np.full(light.shape[:2], 1.0, np.float32)
    imaging = _imaging(rng, light)
    rgb = camera.expose(light, depth, 1.0, 1.0, view, imaging)
    quality = int(rng.integers(80, 98))
    packed = cv2.imencode(".jpg", rgb, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return TableShot(rgb=np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), order="C"), camera=view, rule=laid, bench=ground)


def _lay(drawn: Rule, size: tuple[int, int], per_mm: float, rng: np.random.Generator) -> Rule:
    """The rule put down so that a good part of it shows, beside the picture's middle where the specimen would lie."""
    field = np.array(size) / per_mm
    angle = np.radians(rng.choice([0.0, 90.0, rng.uniform(0, 180)]) + rng.normal(0, 4) + rng.choice([0.0, 180.0]))
    along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    shown = min(field.min(), drawn.length_mm - 10.0)
    start = rng.uniform(0, max(drawn.length_mm - shown, 0.1)) + shown / 2
    aside = rng.uniform(-0.22, 0.22) * field.min()
    edge = drawn.width_mm / 2 if drawn.width_mm < 0.4 * field.min() else rng.uniform(0, 4)
    origin = aside * across - start * along - edge * across
    return replace(drawn, origin_mm=(float(origin[0]), float(origin[1]), 0.0), angle_deg=float(np.degrees(angle)))


def _light(view: Camera, laid: Rule | None, ground: str, per_mm: float, rng: np.random.Generator) -> np.ndarray:
    """Linear light (H, W, 3) before the lens."""
    width, height = view.width_px, view.height_px
    corners = on_plane(view, np.array([[-1, -1], [width, -1], [width, height], [-1, height]]), 0.0)
    low, high = corners.min(0) - 3, corners.max(0) + 3
    texel = max(per_mm * 0.8, 2.0)
    top = bench.draw(
        Bench(name=ground, clutter=int(rng.integers(0, 6)), seed=int(rng.integers(1 << 31))),
        high[0] - low[0], high[1] - low[1], texel, rng.normal(0, 0.5, 2), without=("rule",),
    )  # fmt: skip
    fine = per_mm * 1.6
    drawn = None if laid is None else cv2.GaussianBlur(rule.draw(laid, fine), (0, 0), 0.3 * fine / per_mm)
    cover = None
    if laid is not None and rng.random() < 0.35:  # something lies over a part of the rule
        cover = np.zeros((*top.shape[:2], 3), np.float32) - 1.0
        clutter.drop(cover, np.random.default_rng(int(rng.integers(1 << 31))), texel, (0.0, 0.0), ("rule",))
    glare = _glare(laid, view, rng)
    result = np.empty((height, width, 3), np.float32)
    for y0 in range(0, height, _STRIP):
        rows = np.arange(y0 - 1, min(y0 + _STRIP, height) + 1)
        grid = np.stack(np.meshgrid(np.arange(-1, width + 1), rows), axis=-1).reshape(-1, 2)
        plane = on_plane(view, grid, 0.0).reshape(len(rows), width + 2, 2)
        at, right, down = plane[1:-1, 1:-1], plane[1:-1, 2:] - plane[1:-1, :-2], plane[2:, 1:-1] - plane[:-2, 1:-1]
        x, y = (((at[..., k] - low[k]) * texel - 0.5).astype(np.float32) for k in (0, 1))
        light = cv2.remap(top, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        if laid is not None and drawn is not None:
            light = _with_rule(light, at, right / 2, down / 2, laid, drawn, fine, glare)
        if cover is not None:
            over = cv2.remap(cover, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            light = np.where((over.min(axis=-1) > 0)[..., None], over, light)
        result[y0 : y0 + len(rows) - 2] = light
    return result


def _with_rule(
    light: np.ndarray,
    at: np.ndarray,
    right: np.ndarray,
    down: np.ndarray,
    laid: Rule,
    drawn: np.ndarray,
    fine: float,
    glare: Callable[[np.ndarray], np.ndarray | None],
) -> np.ndarray:
    """The light (H, W, 3) with the rule over it; `at` (H, W, 2) on the bench, `right` and `down` a pixel's steps there."""
    angle = np.radians(laid.angle_deg)
    frame = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    own = (((at - laid.origin_mm[:2]) @ frame.T) / (1 + laid.stretch)).astype(np.float32)
    own[..., 0] += np.float32(laid.skew) * (own[..., 1] - np.float32(laid.width_mm / 2))
    away = np.maximum(np.abs(own[..., 0] - laid.length_mm / 2) - laid.length_mm / 2,
                      np.abs(own[..., 1] - laid.width_mm / 2) - laid.width_mm / 2)  # fmt: skip
    near = np.argwhere(away < 9.0)
    if not len(near):
        return light
    (top, left), (bottom, end) = near.min(axis=0), near.max(axis=0) + 1
    part = (slice(top, bottom), slice(left, end))
    right, down = ((step[part] @ frame.T / (1 + laid.stretch)).astype(np.float32) for step in (right, down))
    for step in (right, down):
        step[..., 0] += np.float32(laid.skew) * step[..., 1]
    own, ground = own[part], light[part] * (1 - 0.4 * np.exp(-np.clip(away[part], 0, 9)))[..., None]
    # polished metal mirrors the lamp between the marks; what is engraved or printed does not
    mirrored = glare(at[part])
    total = np.zeros_like(ground)
    for dy in (np.arange(_OVER) + 0.5) / _OVER - 0.5:
        for dx in (np.arange(_OVER) + 0.5) / _OVER - 0.5:
            spot = own + np.float32(dx) * right + np.float32(dy) * down
            u, v = spot[..., 0], spot[..., 1]
            on = (u > 0) & (u < laid.length_mm) & (v > 0) & (v < laid.width_mm)
            picked: np.ndarray = cv2.remap(
                drawn, u * fine - 0.5, v * fine - 0.5, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
            )
            if mirrored is not None:
                grey = (picked[..., 0] + picked[..., 1] + picked[..., 2]) / 3
                bare = np.clip((grey - laid.mark_reflectance) / (laid.reflectance - laid.mark_reflectance), 0, 1)
                picked += (mirrored * (0.25 + 0.75 * bare))[..., None]
            total += np.where(on[..., None], picked, ground)
    light[part] = total / _OVER**2
    return light


def _glare(laid: Rule | None, view: Camera, rng: np.random.Generator) -> Callable[[np.ndarray], np.ndarray | None]:
    """Lamp light mirrored by the rule, as a soft blot that drowns the marks where it is strong."""
    if laid is None or laid.shine < 0.05 or rng.random() < 0.4:
        return lambda plane: None
    reach = view.eye_mm[2] * -0.5 * view.width_px / view.focal_px
    centre, spread = rng.uniform(-0.8, 0.8, 2) * reach, rng.uniform(0.15, 0.6) * reach
    power = laid.shine * float(rng.uniform(0.2, 2.5))
    return lambda plane: (power * np.exp(-0.5 * np.sum((plane - centre) ** 2, axis=-1) / spread**2)).astype(np.float32)


def _imaging(rng: np.random.Generator, light: np.ndarray) -> Imaging:
    seen = np.quantile(light[::9, ::9].mean(axis=-1), [0.9, 0.99])
    level = max(float(max(seen[0], 0.75 * seen[1])), 0.02)  # metered so that a small bright rule is not burnt out altogether
    gain = float(rng.uniform(0.45, 0.9)) / level
    warm = float(rng.normal(0, 0.06))
    return Imaging(
        psf_px=float(rng.uniform(0.5, 1.4)),
        vignette=float(rng.uniform(0, 0.35)),
        flare=float(rng.uniform(0, 0.03)),
        exposure=gain,
        balance=(1 + warm, 1.0, 1 - warm),
        photons=float(10 ** rng.uniform(3.0, 4.3)),
        read_noise=float(rng.uniform(0.0005, 0.002)),
        chroma_blur_px=float(rng.choice([0.0, 1.0, 2.0])),
        sharpen=float(rng.choice([0.0, rng.uniform(0.2, 0.9)])),
        sharpen_px=float(rng.uniform(0.8, 1.6)),
        curve=float(rng.choice([0.0, rng.uniform(0.1, 0.45)])),
        seed=int(rng.integers(1 << 31)),
    )
