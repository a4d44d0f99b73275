"""A small renderer of its own for cards: exact perspective by ray casting, so that the truth is known and shares no code.

It imports nothing of the project but the marker patterns' home, OpenCV: geometry, light and camera are written out here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

SRGB_TO_LINEAR = np.where(
    np.arange(256) / 255 <= 0.04045, np.arange(256) / 255 / 12.92, ((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4
)

# design section 8, written out again so that a slip in the project's table shows
STRIP = {10: (10.0, 10.0), 11: (90.0, 10.0)}
FRAME = {
    20: (10, 10), 21: (56.667, 10), 22: (103.333, 10), 23: (150, 10), 24: (150, 43.333), 25: (150, 76.667),
    26: (150, 110), 27: (103.333, 110), 28: (56.667, 110), 29: (10, 110), 30: (10, 76.667), 31: (10, 43.333),
}  # fmt: skip
SIZES = {"strip": (100.0, 20.0), "frame": (160.0, 120.0)}


@dataclass(frozen=True, kw_only=True)
class Shot:
    """One photograph to be rendered. The camera stands `distance_mm` from the point `look_at_mm` of the card's plane."""

    card: str = "strip"
    width_px: int = 1200
    height_px: int = 900
    focal_px: float = 1200.0
    k1: float = 0.0
    centre_shift_px: tuple[float, float] = (0.0, 0.0)
    look_at_mm: tuple[float, float] = (50.0, 45.0)
    distance_mm: float = 320.0
    tilt_deg: float = 0.0
    azimuth_deg: float = 0.0  # where the camera leans to, in the card's plane
    roll_deg: float = 0.0
    aspect: float = 0.0  # the print's height shrunk by this share
    bloom_mm: float = 0.0  # the print's black grown by this much on every side
    blur_px: float = 0.8
    noise: float = 0.004
    gradient: float = 0.15  # light falls off by this share across the picture
    paper: float = 0.75
    ink: float = 0.04
    jpeg: int | None = 92
    hidden: tuple[int, ...] = ()  # markers left out
    mark_mm: float = 0.0  # thickness of the strip's millimetre marks; 0: none printed
    mark_lengths_mm: tuple[float, float, float] = (3.0, 4.5, 6.0)  # of single, fifth and tenth ones
    covered_mm: tuple[float, float] = (0.0, 0.0)  # from where to where along the card something dark lies over it
    mirrored: bool = False
    seed: int = 1
    focal_35mm_mm: float | None = field(default=None)

    @property
    def centre_px(self) -> np.ndarray:
        return np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2]) + self.centre_shift_px

    @property
    def pose(self) -> tuple[np.ndarray, np.ndarray]:
        """Rotation (3, 3) world to camera, and the eye (3,) in world mm (z away from the camera)."""
        tilt, azimuth, roll = np.radians([self.tilt_deg, self.azimuth_deg, self.roll_deg])
        target = np.array([*self.look_at_mm, 0.0])
        back = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), -np.cos(tilt)])
        eye = target + self.distance_mm * back
        forward = -back
        right = np.array([1.0, 0.0, 0.0]) - forward[0] * forward
        right /= np.linalg.norm(right)
        down = np.cross(forward, right)
        cos, sin = np.cos(roll), np.sin(roll)
        return np.array([cos * right + sin * down, -sin * right + cos * down, forward]), eye

    def project(self, points_mm) -> np.ndarray:
        """Pixels of world points (N, 3)."""
        rotation, eye = self.pose
        local = (np.asarray(points_mm, float) - eye) @ rotation.T
        x = local[:, :2] / local[:, 2:]
        return self.focal_px * x * (1 + self.k1 * np.sum(x**2, axis=1, keepdims=True)) + self.centre_px

    def on_plane(self, points_px, height_mm: float = 0.0) -> np.ndarray:
        """World [x, y] on the plane z = -height."""
        rotation, eye = self.pose
        x, y = np.asarray(points_px, float).T
        x, y = (x - self.centre_px[0]) / self.focal_px, (y - self.centre_px[1]) / self.focal_px
        if self.k1:
            bent = self.k1 * (x * x + y * y)
            nearer = np.ones(len(x))  # than the place seen: the share r / r_d
            for _ in range(4):  # Newton on r (1 + k1 r^2) = r_d: to the last digits
                square = bent * nearer * nearer
                nearer -= (nearer * (1 + square) - 1) / (1 + 3 * square)
            x, y = x * nearer, y * nearer
        ray_x, ray_y, ray_z = (x * rotation[0, k] + y * rotation[1, k] + rotation[2, k] for k in range(3))
        reach = (-height_mm - eye[2]) / ray_z
        return np.stack([eye[0] + reach * ray_x, eye[1] + reach * ray_y]).T

    def mm_per_px(self, point_px, height_mm: float = 0.0) -> float:
        """Square root of the area that one pixel covers."""
        p = np.asarray(point_px, float)
        step = 0.5
        ax, bx, ay, by = self.on_plane(p + step * np.array([[-1, 0], [1, 0], [0, -1], [0, 1]]), height_mm)
        u, v = (bx - ax) / (2 * step), (by - ay) / (2 * step)
        return float(np.sqrt(abs(u[0] * v[1] - u[1] * v[0])))

    @property
    def centres(self) -> dict[int, tuple[float, float]]:
        return STRIP if self.card == "strip" else FRAME


def reflectance(shot: Shot, points: np.ndarray, marker_id: int | None = None) -> np.ndarray:
    """How bright the card's plane is at world points (N, 2), with at most one marker on it."""
    width, height = SIZES[shot.card]
    x, y = points[:, 0], points[:, 1] / (1 + shot.aspect)
    value = 0.28 + 0.05 * np.sin(x / 7.0) * np.cos(y / 9.0)  # the bench
    on_card = (x >= 0) & (x <= width) & (y >= 0) & (y <= height)
    if shot.card == "frame":
        on_card &= ~((x > 20) & (x < 140) & (y > 20) & (y < 100))
    value = np.where(on_card, shot.paper, value)
    if marker_id is not None:
        cx, cy = shot.centres[marker_id]
        dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
        cells = cv2.aruco.generateImageMarker(dictionary, marker_id, 6) < 128
        u, v = x - cx + 6, y - cy + 6
        b = shot.bloom_mm
        inside = np.flatnonzero((u >= -b) & (u < 12 + b) & (v >= -b) & (v < 12 + b))
        column = np.clip(np.floor(u[inside] / 2), 0, 5).astype(int)
        row = np.clip(np.floor(v[inside] / 2), 0, 5).astype(int)
        value[inside[cells[row, column]]] = shot.ink
    if shot.mark_mm and shot.card == "strip":
        single, fifth, tenth = shot.mark_lengths_mm
        near = np.flatnonzero((y > 20.0 - max(shot.mark_lengths_mm)) & (y < 20.0))
        number = np.clip(np.rint(x[near]), 20, 80)
        long = np.where(number % 10 == 0, tenth, np.where(number % 5 == 0, fifth, single))
        value[near[(np.abs(x[near] - number) < shot.mark_mm / 2) & (y[near] > 20.0 - long)]] = shot.ink
    if shot.covered_mm[0] == shot.covered_mm[1]:
        return value
    return np.where((x > shot.covered_mm[0]) & (x < shot.covered_mm[1]), 0.15, value)


@lru_cache(maxsize=8)
def expose(shot: Shot) -> np.ndarray:
    """The photograph, (H, W, 3) uint8: area averages near markers, blur and noise in linear light, sRGB, JPEG."""
    rng = np.random.default_rng(shot.seed)
    xx, yy = np.meshgrid(np.arange(shot.width_px), np.arange(shot.height_px))
    pixels = np.column_stack([xx.ravel(), yy.ravel()]).astype(float)
    picture = reflectance(shot, shot.on_plane(pixels)).reshape(xx.shape)
    over = 5
    grid = (np.arange(over) + 0.5) / over - 0.5
    finely = [(marker_id, cx, cy, 7, 7) for marker_id, (cx, cy) in shot.centres.items() if marker_id not in shot.hidden]
    if shot.mark_mm and shot.card == "strip":
        finely += [(None, 24.5 + 10 * k, 17.5, 5.5, 3.8) for k in range(6)]
    for marker_id, cx, cy, rx, ry in finely:
        corners = shot.project(np.array([[cx + a, (cy + b) * (1 + shot.aspect), 0.0] for a in (-rx, rx) for b in (-ry, ry)]))
        x0, y0 = np.maximum(np.floor(corners.min(axis=0)).astype(int), 0)
        x1, y1 = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 1, [shot.width_px, shot.height_px])
        if x1 <= x0 or y1 <= y0:
            continue
        fx = (np.arange(x0, x1)[:, None] + grid).ravel()
        fy = (np.arange(y0, y1)[:, None] + grid).ravel()
        gx, gy = np.meshgrid(fx, fy)
        samples = np.column_stack([gx.ravel(), gy.ravel()])
        samples += rng.uniform(-0.5, 0.5, samples.shape) / over  # or edges along the grid would snap to it
        fine = reflectance(shot, shot.on_plane(samples), marker_id)
        picture[y0:y1, x0:x1] = fine.reshape(y1 - y0, over, x1 - x0, over).mean(axis=(1, 3))
    picture = picture * (1 + shot.gradient * (xx / shot.width_px - 0.5))
    if shot.blur_px:
        picture = cv2.GaussianBlur(picture, (0, 0), shot.blur_px, borderType=cv2.BORDER_REPLICATE)
    picture = picture + rng.normal(0, shot.noise, picture.shape) * np.sqrt(np.clip(picture, 0.02, None) / 0.75)
    picture = np.clip(picture, 0, 1)
    encoded = np.where(picture <= 0.0031308, 12.92 * picture, 1.055 * picture ** (1 / 2.4) - 0.055)
    grey = np.round(255 * encoded).astype(np.uint8)
    if shot.mirrored:
        grey = grey[:, ::-1]
    rgb = np.repeat(grey[:, :, None], 3, axis=2)
    if shot.jpeg:
        rgb = cv2.imdecode(cv2.imencode(".jpg", rgb, [cv2.IMWRITE_JPEG_QUALITY, shot.jpeg])[1], cv2.IMREAD_COLOR)
    rgb = np.ascontiguousarray(rgb)
    rgb.flags.writeable = False
    return rgb


class Photograph(SimpleNamespace):
    """What the scale stage asks of a photograph."""

    def linear(self) -> np.ndarray:
        weights = np.array([0.2126, 0.7152, 0.0722])
        return (SRGB_TO_LINEAR[self.rgb] @ weights).astype(np.float32)


def photograph(rgb: np.ndarray, focal_35mm_mm: float | None = None) -> Photograph:
    height, width = rgb.shape[:2]
    return Photograph(rgb=rgb, file="shot.jpg", width_px=width, height_px=height, focal_35mm_mm=focal_35mm_mm)


def random_shot(seed: int, card: str = "strip", **fixed) -> Shot:
    """A hand-held photograph: any lean to 15 degrees, any roll, some lens distortion, print bloom, blur, noise and JPEG."""
    rng = np.random.default_rng([20261125, seed, card == "frame"])
    width, height = [(1200, 900), (900, 1200), (1200, 800)][rng.integers(3)]
    equivalent = rng.uniform(23, 52)
    focal = equivalent / 43.27 * np.hypot(width, height)
    spread = rng.uniform(0.60, 0.85) if card == "strip" else rng.uniform(0.8, 0.92)
    size = (100.0, 70.0) if card == "strip" else (160.0, 120.0)
    roll = rng.choice([0, 90, 180, 270]) + rng.normal(0, 6)
    upright = round(roll / 90) % 2 == 0
    across, down = (width, height) if upright else (height, width)
    distance = focal * max(size[0] / (spread * across), size[1] / (spread * down))
    settings = {
        "card": card,
        "width_px": width,
        "height_px": height,
        "focal_px": focal,
        "k1": float(rng.normal(0, 0.015)),
        "centre_shift_px": tuple(rng.normal(0, 0.005, 2) * width),
        "look_at_mm": (50 + rng.normal(0, 3), 35 + rng.normal(0, 5))
        if card == "strip"
        else (80 + rng.normal(0, 3), 60 + rng.normal(0, 3)),
        "distance_mm": distance,
        "tilt_deg": 15 * np.sqrt(rng.uniform()),
        "azimuth_deg": rng.uniform(0, 360),
        "roll_deg": roll,
        "aspect": float(rng.normal(0, 0.001)),
        "bloom_mm": rng.uniform(-0.05, 0.12),
        "blur_px": rng.uniform(0.5, 1.8),
        "noise": rng.uniform(0.002, 0.012),
        "gradient": rng.uniform(-0.5, 0.5),
        "jpeg": int(rng.integers(80, 97)),
        "seed": seed,
        "focal_35mm_mm": float(np.round(equivalent * (1 + rng.normal(0, 0.015)))),
    }
    settings.update(fixed)
    return Shot(**settings)


@pytest.fixture(scope="session")
def cards():
    """The renderer, by its functions: Shot, expose, photograph, random_shot."""
    return SimpleNamespace(Shot=Shot, expose=expose, photograph=photograph, random_shot=random_shot, FRAME=FRAME)


@pytest.fixture(scope="session")
def sheet():
    """A sheet of a bend (or another test) with the given entries in its scale."""
    from specimeter.sheet import Sheet

    def make(test: str = "face-bend", **entries):
        tables = {"specimen": {"id": "A-1", "test": test}, "scale": entries}
        if test.endswith("-bend"):
            tables["specimen"]["specimen_thickness_mm"] = 10.0
            tables["bend"] = {"former_diameter_mm": 40.0, "angle_deg": 180.0, "axis": "vertical"}
        return Sheet.model_validate(tables)

    return make
