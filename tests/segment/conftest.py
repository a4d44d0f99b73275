"""A small renderer of bent bars on cluttered benches for the tests, independent of the package's own."""

from copy import deepcopy
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from scipy.spatial.transform import Rotation

from specimeter.scale.model import Scale
from specimeter.scale.view import View


def _noise(rng, shape, cell):
    """Smooth noise, about -1 to 1, of the given cell size (rows, columns) in pixels."""
    rows, columns = (max(2, int(n / c) + 2) for n, c in zip(shape, cell, strict=True))
    return cv2.resize(rng.normal(size=(rows, columns)).astype(np.float32), shape[::-1], interpolation=cv2.INTER_CUBIC)


def _profile(u, t, half, middle, leg):
    """Distance from the bar's middle line (arc and two legs) across the axis."""
    u = np.abs(u)
    arc = np.where(np.arctan2(u, t) <= half, np.abs(np.hypot(u, t) - middle), np.inf)
    du, dt = u - middle * np.sin(half), t - middle * np.cos(half)
    along, off = du * np.cos(half) - dt * np.sin(half), du * np.sin(half) + dt * np.cos(half)
    return np.minimum(arc, np.hypot(along - np.clip(along, 0, leg), off))


def _bench(rng, x, y, kind):
    """Linear reflectance (..., 3) of the bench at x, y in mm."""
    texture = rng.choice([0.0, 0.05, 0.25]) * _noise(rng, x.shape, (3, 3)) + 0.1 * _noise(rng, x.shape, (200, 200))
    if kind == "wood":
        turn = rng.uniform(0, np.pi)
        across = x * np.cos(turn) + y * np.sin(turn)
        texture = texture + 0.25 * np.sin(across * rng.uniform(0.5, 2) + 2 * _noise(rng, x.shape, (150, 150)))
        texture = texture - 0.8 * (np.abs((across % 80.0) - 40.0) > 39.3)
        base = np.array([0.45, 0.28, 0.14]) * rng.uniform(0.3, 1.3)
    elif kind == "cloth":
        texture = texture + 0.15 * np.sin(x * 4) * np.sin(y * 4) + 0.2 * _noise(rng, x.shape, (60, 60))
        base = rng.uniform(0.03, 0.5, 3)
    else:
        base = np.full(3, rng.choice([0.03, 0.1, 0.25, 0.5, 0.8])) * rng.uniform(0.85, 1.15, 3)
    colour = base * np.clip(1 + texture[..., None], 0.15, 2.5)
    for _ in range(rng.integers(0, 14)):  # tools, papers, strips, rings
        centre, turn = rng.uniform(-150, 150, 2), rng.uniform(0, np.pi)
        size = rng.choice([(90, 4), (60, 25), (12, 12), (150, 25), (40, 70), (25, 60)]) * rng.uniform(0.6, 1.5, 2)
        u = (x - centre[0]) * np.cos(turn) + (y - centre[1]) * np.sin(turn)
        v = (y - centre[1]) * np.cos(turn) - (x - centre[0]) * np.sin(turn)
        inside = (np.abs(u) < size[0] / 2) & (np.abs(v) < size[1] / 2)
        if rng.random() < 0.3:
            inside = np.abs(np.hypot(u / size[0], v / size[1]) - 0.5) < rng.uniform(0.05, 0.5)
        colour[inside] = rng.uniform(0.02, 0.8) * rng.uniform(0.6, 1.4, 3) * (1 + 0.2 * np.tanh(u / size[0]))[inside, None]
    return colour


def photograph(seed, *, width_px=1000, angle_deg=None, axis=None, tilt_deg=None, sheet_axis_points=False, clean=False):
    """A picture of a bent bar with its exact truth, from sphere tracing a distance field (no ray-cylinder formula)."""
    rng = np.random.default_rng(seed)
    height_px = width_px * 3 // 4
    former, thickness = rng.choice([(20, 5), (30, 8), (40, 10), (40, 10), (60, 12)])
    radius, width = former / 2 + thickness, float(rng.choice([20, 25, 30, 38, 40]))
    angle = float(angle_deg or rng.choice([180, 180, 180, 120, 90]))
    half, middle = np.radians(angle) / 2, radius - thickness / 2
    tall = radius + rng.uniform(15, 70) if angle > 150 else rng.uniform(1.2, 2.0) * radius  # crown over the bench
    height = 0.0 if rng.random() < 0.3 else rng.uniform(0, 1) * tall
    block = tall - height
    leg = max(5.0, (tall - radius * (1 - np.cos(half))) / np.sin(half))
    axis = axis or str(rng.choice(["vertical", "horizontal"]))
    direction = (90.0 if axis == "vertical" else 0.0) + rng.uniform(-18, 18)
    focal = rng.choice([26, 35, 50, 70]) / 36 * width_px
    span = max(4.2 * radius, 110.0) * rng.uniform(1.0, 1.7)
    distance = focal * span / width_px + height
    tilt = rng.uniform(0, 12) if tilt_deg is None else tilt_deg
    turn = rng.uniform(0, 2 * np.pi)
    rotation = Rotation.from_rotvec(np.radians(tilt) * np.array([np.cos(turn), np.sin(turn), 0])).as_matrix()
    reach = (span - 2.2 * radius) / 2 * np.array([1.0, 0.6])
    crown = rng.uniform(-1, 1, 2) * reach * 0.7
    translation = np.array([0, 0, distance]) - rotation @ np.array([0, 0, -height])
    centre_px = np.array([width_px / 2 - 0.5, height_px / 2 - 0.5]) + rng.normal(0, 0.004 * width_px, 2)
    view = View(
        focal_px=focal, centre_px=centre_px, rotation=rotation, translation_mm=translation, k1=float(rng.uniform(-0.06, 0.04))
    )
    columns, rows = np.meshgrid(np.arange(width_px), np.arange(height_px))
    rays = view.rays(np.column_stack([columns.ravel(), rows.ravel()]))
    eye, shape = view.eye_mm, (height_px, width_px)

    on_bench = eye + ((block - eye[2]) / rays[:, 2])[:, None] * rays
    colour = _bench(
        rng, on_bench[:, 0].reshape(shape), on_bench[:, 1].reshape(shape), rng.choice(["wood", "cloth", "plain", "plain"])
    )
    if clean:
        colour[:] = 0.05
    colour = colour.reshape(-1, 3).astype(np.float64)
    on_card = eye + (-eye[2] / rays[:, 2])[:, None] * rays
    side = (
        crown + np.array([0, (radius + 18) * rng.choice([-1, 1])])
        if axis == "horizontal"
        else crown - np.array([0, width + 22])
    )
    card = on_card[:, :2] - (side - [50, 10])
    inside = (card[:, 0] > 0) & (card[:, 0] < 100) & (card[:, 1] > 0) & (card[:, 1] < 20)
    ink = (np.abs(np.abs(card[:, 0] - 50) - 40) < 6) & (np.abs(card[:, 1] - 10) < 6)
    colour[inside] = np.where(ink[:, None], 0.03, 0.75)[inside]

    phi = np.radians(direction)
    frame = np.array([[np.sin(phi), -np.cos(phi), 0], [np.cos(phi), np.sin(phi), 0], [0, 0, -1]])
    origin = np.array([*crown, radius - height])
    corner = rng.uniform(0.3, 1.5)

    def gap(p):
        q = _profile(p[:, 0], p[:, 2], half, middle, leg) - thickness / 2 + corner
        e = np.abs(p[:, 1]) - width / 2 + corner
        return np.hypot(np.maximum(q, 0), np.maximum(e, 0)) + np.minimum(np.maximum(q, e), 0) - corner

    def trace(start, direction, steps, far):
        travelled, nearest, d = np.zeros(len(direction)), np.full(len(direction), np.inf), np.full(len(direction), np.inf)
        going, far = np.arange(len(direction)), np.broadcast_to(far, len(direction))
        for _ in range(steps):
            d[going] = gap(start[going] + travelled[going, None] * direction[going])
            nearest[going] = np.minimum(nearest[going], np.abs(d[going]) / np.maximum(travelled[going], 1e-6))
            travelled[going] = np.minimum(travelled[going] + d[going], far[going])
            going = going[
                (np.abs(d[going]) > 1e-4) & (travelled[going] < far[going])
            ]  # the others have met something, or nothing
        return travelled, d, nearest

    lamp = np.array([*rng.uniform(-250, 250, 2), -rng.uniform(250, 700)])
    local_eye, local_rays, local_lamp = frame @ (eye - origin), rays @ frame.T, frame @ (lamp - origin)
    far = np.linalg.norm(on_bench - eye, axis=1)
    bench_local = (on_bench - origin) @ frame.T
    to_lamp = local_lamp - bench_local
    to_lamp /= np.linalg.norm(to_lamp, axis=1, keepdims=True)
    small = np.flatnonzero((columns.ravel() % 4 == 0) & (rows.ravel() % 4 == 0))
    _, _, nearest = trace(bench_local[small] + 0.01 * to_lamp[small], to_lamp[small], 24, 400.0)
    lit = np.clip(nearest * rng.uniform(6, 40), 0, 1).reshape(-(-height_px // 4), -1).astype(np.float32)
    lit = cv2.resize(lit, shape[::-1]).ravel()
    ambient = rng.uniform(0.25, 0.8)
    colour *= (ambient + (1 - ambient) * np.where(inside, 1.0, lit))[:, None]

    lead = np.maximum(np.linalg.norm(local_eye) - 2.5 * (radius + width + tall), 0.0)
    box = np.array([[u, v, t] for u in (-1, 1) for v in (-1, 1) for t in (-tall, radius)])
    bound = view.project(box * [radius + leg * np.cos(half), width / 2, 1] @ frame + origin)
    (left, top), (right, bottom) = bound.min(axis=0) - 3, bound.max(axis=0) + 3
    near = np.flatnonzero(((columns >= left) & (columns <= right) & (rows >= top) & (rows <= bottom)).ravel())
    travelled, d, _ = trace(local_eye + lead * local_rays[near], local_rays[near], 70, far[near] - lead)
    hit = (d < 0.02) & (travelled < far[near] - lead - 1e-3)
    index = near[hit]
    p = local_eye + (lead + travelled[hit])[:, None] * local_rays[index]
    step = 0.02 * np.eye(3)
    normal = np.column_stack([gap(p + h) - gap(p - h) for h in step])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    s = np.arctan2(p[:, 0], p[:, 2])
    grain = _noise(rng, (400, 400), rng.choice([(4, 200), (200, 4), (8, 8)]))
    texture = map_coordinates(grain, np.array([200 + 190 * p[:, 1] / width, 200 + 190 * s / np.pi]), order=1, mode="nearest")
    bumpy = normal + rng.uniform(0.0, 0.06) * texture[:, None]
    mirror = local_rays[index] - 2 * np.sum(local_rays[index] * bumpy, axis=1, keepdims=True) * bumpy
    shine = np.full(len(p), rng.uniform(0.1, 0.5))
    for _ in range(rng.integers(1, 4)):  # what the metal mirrors: lamps, windows, dark walls
        towards = np.array([*rng.uniform(-1, 1, 2), 1.0])
        shine += rng.uniform(-0.2, 1.6) * np.exp(rng.uniform(3, 40) * (mirror @ (towards / np.linalg.norm(towards)) - 1))
    beam = local_lamp - p
    facing = np.clip(np.sum(normal * beam, axis=1) / np.linalg.norm(beam, axis=1), 0, 1)
    metal = rng.uniform(0.08, 0.7) * (0.5 * shine + rng.uniform(0.1, 0.5) * (ambient + facing)) * (1 + 0.1 * texture)
    inner = np.hypot(p[:, 0], p[:, 2]) < radius - 0.7 * thickness
    metal *= np.where(inner, 0.3, 1.0)
    if rng.random() < 0.5:  # an etched weld, across or along
        place = p[:, 1] if rng.random() < 0.4 else s * radius
        metal *= np.where(
            np.abs(place + 0.4 * np.sin(s * 9 + p[:, 1])) < width * rng.uniform(0.2, 0.35), rng.uniform(0.7, 1.2), 1
        )
    for _ in range(rng.integers(0, 5)):
        where = rng.uniform(-0.6, 0.6), rng.uniform(-0.45, 0.45) * width
        metal *= np.where(np.hypot((s - where[0]) * radius / 1.0, (p[:, 1] - where[1]) / rng.uniform(0.4, 4)) < 0.7, 0.15, 1)
    colour[index] = np.maximum(metal, 0)[:, None] * rng.uniform(0.9, 1.1, 3)

    blur = rng.uniform(0.6, 1.4)
    picture = cv2.GaussianBlur(colour.reshape(*shape, 3).astype(np.float32), (0, 0), blur)
    picture = picture * rng.uniform(0.7, 1.2) + rng.normal(0, 0.004, (*shape, 1)) + rng.normal(0, 0.002, (*shape, 3))
    rgb = np.round(255 * np.clip(picture, 0, 1) ** (1 / 2.2)).astype(np.uint8)

    # the world's origin is the card's corner, as the package has it
    shift = np.array([*(side - [50, 10]), 0.0])
    view = replace(view, translation_mm=translation + rotation @ shift)
    crown, origin = crown - shift[:2], origin - shift
    at = np.linspace(-width / 2, width / 2, 2)[:, None]
    line = view.project(np.hstack([np.zeros((2, 1)), at, np.full((2, 1), radius)]) @ frame + origin)
    calliper = width + rng.normal(0, 0.05)
    sheet = SimpleNamespace(
        specimen=SimpleNamespace(test="face-bend", specimen_thickness_mm=float(thickness), specimen_width_mm=calliper),
        bend=SimpleNamespace(
            former_diameter_mm=float(former),
            edge_radius_mm=None,
            angle_deg=angle,
            axis=line + rng.normal(0, 4, (2, 2)) if sheet_axis_points else axis,
        ),
        region=None,
    )
    scale = Scale(
        method="card", view=view, surface_height_mm=height, surface_height_u_mm=0.5, u_rel=0.0015, budget=(), tilt_deg=tilt,
        evidence={"card": "strip"},
    )  # fmt: skip
    truth = SimpleNamespace(
        crown_mm=crown, direction_deg=direction, radius_mm=radius, width_mm=width, frame=frame, origin=origin, half=half,
        angle_deg=angle, height_mm=height, crown_line_px=line,
    )  # fmt: skip
    photo = SimpleNamespace(file=f"bench-{seed}.png", rgb=rgb, width_px=width_px, height_px=height_px)
    return SimpleNamespace(photo=photo, sheet=sheet, scale=scale, truth=truth)


@pytest.fixture(scope="session")
def bench_photograph():
    """The renderer: call it with a seed; each picture is drawn once, and its sheet may be changed freely."""
    drawn = cache(photograph)

    def picture(seed, **choices):
        one = drawn(seed, **choices)
        return SimpleNamespace(photo=one.photo, sheet=deepcopy(one.sheet), scale=one.scale, truth=one.truth)

    return picture
