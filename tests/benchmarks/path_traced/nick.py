"""Path-traced broken halves: a broken face between its notches, its relief and what broke open in it as one height field.

``python tests/benchmarks/path_traced/nick.py FOLDER --card strip.png --first 0 --count 12`` writes nick-SEED.jpg, its sheet and
its truth (how to get the Python that runs it: see `common`). Even seeds are nick-breaks, odd ones fillet-breaks with the plate
beside the root; every fourth has no feature. The end stands up; x runs along the weld, y through the wall, z to the camera.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, field
from pathlib import Path

import common
import materials
import numpy as np
import outlines

STEP_MM = 0.09  # of the height field
LOOKS = ("fractal", "cleavage", "fibrous", "mixed")
CLEAN_EVERY = 4
FORMS = ("pore", "pore", "elongated", "slag", "root", "line")


@dataclass(kw_only=True)
class End:
    """The broken end as fields (rows along y, columns along x) over places `x`, `y` in mm."""

    x: np.ndarray
    y: np.ndarray
    height: np.ndarray
    colour: np.ndarray  # (rows, columns, 3)
    metal: np.ndarray
    rough: np.ndarray
    face: np.ndarray  # (N, 2) outline in mm
    body: np.ndarray
    features: list[dict] = field(default_factory=list)

    def heights(self, points: np.ndarray) -> np.ndarray:
        """Height (N,) at the grid's place nearest to each point (N, 2)."""
        column = np.abs(self.x[0][None] - points[:, :1]).argmin(axis=1)
        row = np.abs(self.y[:, column].T - points[:, 1:]).argmin(axis=1)
        return self.height[row, column]


# ------------------------------------------------------------------ fields of noise


def spectral(rng: np.random.Generator, shape, step: float, power: float, finest_mm: float, stretch=(1.0, 1.0)) -> np.ndarray:
    """Noise of unit scatter whose amplitude falls as frequency to the power, smooth below `finest_mm`; stretched along x, y."""
    fy = np.fft.fftfreq(shape[0], step)[:, None] * stretch[1]
    fx = np.fft.rfftfreq(shape[1], step)[None] * stretch[0]
    reach = np.hypot(fx, fy)
    gain = (reach + 1.0 / 30) ** -power * np.exp(-((reach * finest_mm) ** 2))
    white = rng.normal(size=gain.shape) + 1j * rng.normal(size=gain.shape)
    made = np.fft.irfft2(white * gain, s=shape)
    return (made - made.mean()) / made.std()


def facets(rng: np.random.Generator, x: np.ndarray, y: np.ndarray, size: float, tilt: float) -> np.ndarray:
    """Cleavage: each grain a plane of its own tilt; the planes meet in steps. One grain to a cell of a grid, off its middle."""
    column, row = ((v - v.min()) / size for v in (x, y))
    many = int(row.max()) + 4, int(column.max()) + 4
    off = rng.uniform(-0.5, 0.5, (*many, 2))
    slope, lift = rng.normal(0, tilt, (*many, 2)), 0.2 * size * tilt * rng.normal(size=many)
    nearest, height = np.full(x.shape, np.inf), np.zeros(x.shape)
    for i in (0, 1, 2):
        for j in (0, 1, 2):
            r, c = row.astype(int) + i, column.astype(int) + j
            dx, dy = column - (c - 0.5 + off[r, c, 0]), row - (r - 0.5 + off[r, c, 1])
            own = dx**2 + dy**2
            better = own < nearest
            plane = size * (dx * slope[r, c, 0] + dy * slope[r, c, 1]) + lift[r, c]
            nearest, height = np.where(better, own, nearest), np.where(better, plane, height)
    return height


def relief(rng: np.random.Generator, look: str, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Height in mm of a broken face."""
    shape = x.shape
    height = rng.uniform(0.15, 0.5) * spectral(rng, shape, STEP_MM, 1.9, 0.6)
    if look in ("fractal", "mixed"):
        height = height + rng.uniform(0.06, 0.16) * spectral(rng, shape, STEP_MM, 1.25, 0.1)
    if look in ("cleavage", "mixed"):
        size = rng.uniform(0.35, 0.9)
        height = height + facets(rng, x, y, size, rng.uniform(0.15, 0.35)) + facets(rng, x, y, 0.4 * size, 0.2)
    if look == "fibrous":
        way = (8.0, 1.0) if rng.random() < 0.5 else (1.0, 5.0)
        height = height + rng.uniform(0.05, 0.12) * spectral(rng, shape, STEP_MM, 1.0, 0.15, way)
        height = height + 0.03 * spectral(rng, shape, STEP_MM, 0.6, 0.12)
    return height


# ------------------------------------------------------------------ the specimen


def end(rng: np.random.Generator, test: str, look: str) -> tuple[End, dict]:
    """A broken end without features, and its sizes."""
    nick = test == "nick-break"
    width = float(rng.uniform(22, 45) if nick else rng.uniform(28, 60))
    thick = float(rng.uniform(8, 22) if nick else rng.uniform(5, 11))
    plate = 0.0 if nick else float(rng.uniform(3, 8))
    notch = rng.uniform(2.0, 5.5, 2) if nick else rng.uniform(2.0, 6.0, 2) * (rng.random(2) < 0.5)
    columns = int(width / STEP_MM) + 1
    line = np.linspace(-width / 2, width / 2, columns)
    low = -thick / 2 + 0.15 * _wave(rng, line) * (plate == 0)
    high = thick / 2 + rng.uniform(0.1, 0.45) * _wave(rng, line) + rng.uniform(0, 0.9) * (1 - (2 * line / width) ** 2)
    share = np.linspace(0, 1, int((thick + plate) / STEP_MM) + 1)[:, None]
    x = np.repeat(line[None], len(share), axis=0)
    y = (low - plate) + share * (high - low + plate)
    left = -width / 2 + notch[0] + (0.25 * _wave(rng, y[:, 0]) * (notch[0] > 0))
    right = width / 2 - notch[1] + (0.25 * _wave(rng, y[:, 0]) * (notch[1] > 0))
    height = relief(rng, look, x, y)
    edge = np.minimum(y - low, high - y)
    lips = rng.uniform(0.0, 1.0, 2) * (rng.random(2) < 0.6)
    wide = rng.uniform(0.8, 2.2)
    for lip, away in zip(lips, (y - low, high - y), strict=True):
        height += rng.choice([-1, 1]) * lip * np.clip(1 - away / wide, 0, 1) ** 1.5
    torn = np.clip(1 - edge / wide, 0, 1) * lips.max()
    grey = rng.uniform(0.35, 0.6) * (1 + 0.03 * rng.normal(size=3))
    tone = 1 + 0.12 * spectral(rng, x.shape, STEP_MM, 1.2, 0.2) + 0.1 * spectral(rng, x.shape, STEP_MM, 1.8, 1.0)
    colour = grey * np.clip(tone, 0.4, 1.6)[..., None]
    rust = rng.choice([0.0, 0.0, 0.35, 0.8])
    stain = np.clip(spectral(rng, x.shape, STEP_MM, 1.6, 0.3) - 1.8 + 2.0 * rust, 0, 1)[..., None] * (rust > 0)
    colour = colour * (1 - stain) + np.array([0.22, 0.1, 0.045]) * stain
    metal, rough = 1 - stain[..., 0], np.clip(rng.uniform(0.3, 0.5) + 0.12 * torn + 0.3 * stain[..., 0], 0, 1)
    columns_left = (x < left[:, None]) & (notch[0] > 0)
    columns_right = (x > right[:, None]) & (notch[1] > 0)
    cut = spectral(rng, x.shape, STEP_MM, 0.8, 0.1, (1.0, 14.0) if rng.random() < 0.5 else (14.0, 1.0))
    bright = rng.uniform(0.3, 0.6)
    for where, level in ((columns_left, rng.normal(0, 0.8)), (columns_right, rng.normal(0, 0.8))):
        height[where] = (level + 0.012 * cut)[where]
        colour[where] = (bright * (1 + 0.08 * cut))[where][:, None]
        metal[where], rough[where] = 1.0, 0.35
    if plate:
        under = y < low
        scale = spectral(rng, x.shape, STEP_MM, 1.5, 0.3) > rng.normal(0, 0.7)
        height[under] = (-rng.uniform(0.2, 1.2) + 0.01 * cut)[under]
        colour[under] = np.where(scale[..., None], [0.05, 0.05, 0.055], [0.35, 0.34, 0.33])[under]
        metal[under], rough[under] = np.where(scale, 0.2, 1.0)[under], 0.55
    outline = _ring(line, low, high, left, right, y, notch)
    body = np.concatenate(
        [
            np.column_stack([line, low - plate]), np.column_stack([y[:, -1] * 0 + width / 2, y[:, -1]])[1:],
            np.column_stack([line, high])[::-1][1:], np.column_stack([y[:, 0] * 0 - width / 2, y[:, 0]])[::-1][1:-1],
        ]
    )  # fmt: skip
    made = End(x=x, y=y, height=height, colour=colour, metal=metal, rough=rough, face=outline, body=body)
    return made, {"width": width, "thick": thick, "plate": plate, "low": (line, low)}


def _wave(rng: np.random.Generator, at: np.ndarray) -> np.ndarray:
    """A smooth random curve of about unit scatter along places in mm."""
    total = np.zeros(len(at))
    for k in range(1, 9):
        total += rng.normal(0, 1 / k) * np.sin(2 * np.pi * k * at / 55 + rng.uniform(0, 2 * np.pi))
    return total


def _ring(line, low, high, left, right, y, notch) -> np.ndarray:
    """The face's outline between the notches."""
    at = np.linspace(0, 1, 160)

    def side(edge):
        x = np.interp(at, np.linspace(0, 1, len(edge)), edge)
        bottom, top = np.interp(x, line, low), np.interp(x, line, high)
        own = np.interp(bottom + at * (top - bottom), y[:, 0], edge)
        return np.column_stack([own, np.interp(own, line, low) + at * (np.interp(own, line, high) - np.interp(own, line, low))])

    one = side(left) if notch[0] else np.column_stack([np.full(160, line[0]), low[0] + at * (high[0] - low[0])])
    two = side(right) if notch[1] else np.column_stack([np.full(160, line[-1]), low[-1] + at * (high[-1] - low[-1])])
    bottom = line[(line > one[0, 0]) & (line < two[0, 0])]
    top = line[(line > one[-1, 0]) & (line < two[-1, 0])][::-1]
    return np.concatenate(
        [
            np.column_stack([bottom, np.interp(bottom, line, low)]),
            two,
            np.column_stack([top, np.interp(top, line, high)]),
            one[::-1],
        ]
    )


# ------------------------------------------------------------------ features


def add(rng: np.random.Generator, made: End, sizes: dict, form: str) -> bool:
    """Work one feature into the end; False where it finds no room."""
    outline, kind = _drawn(rng, made, sizes, form)
    others = [np.asarray(one["outline"]) for one in made.features]
    border = np.abs(made.face[:, None] - outline[None]).max(axis=2).min()
    if form != "root" and (border < 0.4 or not outlines.holds(made.face, outline).all()):
        return False
    if any(np.linalg.norm(outline[:, None] - other[None], axis=2).min() < 0.5 for other in others):
        return False
    low, high = outline.min(axis=0) - 0.3, outline.max(axis=0) + 0.3
    box = (made.x >= low[0]) & (made.x <= high[0]) & (made.y >= low[1]) & (made.y <= high[1])
    index = np.nonzero(box)
    points = np.column_stack([made.x[index], made.y[index]])
    within = outlines.holds(outline, points)
    index = tuple(part[within] for part in index)
    points = points[within]
    if len(points) < 4:
        return False
    gap = outlines.gaps(outline, points)
    deepest = max(float(gap.max()), 0.1)
    level = float(np.median(made.height[index]))
    fill = "smooth"
    if form in ("pore", "elongated"):
        fill = str(rng.choice(["shiny", "oxidised", "as bright"]))
        round_ = np.sqrt(np.clip(1 - (1 - gap / deepest) ** 2, 0, 1))
        made.height[index] -= rng.uniform(0.6, 1.3) * deepest * round_ + 0.6 * (made.height[index] - level)
        tone = {"shiny": rng.uniform(0.4, 0.65), "oxidised": rng.uniform(0.03, 0.12), "as bright": None}[fill]
        if tone is not None:
            tint = np.array([1.1, 1.0, 0.9]) if fill == "oxidised" else np.ones(3)
            made.colour[index] = tone * tint
            made.metal[index] = 1.0 if fill == "shiny" else 0.1
        made.rough[index] = {"shiny": 0.18, "oxidised": 0.7, "as bright": 0.3}[fill]
    elif form == "slag":
        fill = "glass"
        made.height[index] = level - rng.uniform(-0.15, 0.3) * np.minimum(gap / 0.2, 1) + 0.3 * (made.height[index] - level)
        made.colour[index] = (
            rng.uniform(0.02, 0.09) * np.array([1.0, 0.97, 0.92]) * (1 + 0.2 * rng.normal(size=(len(points), 1)))
        )
        made.metal[index], made.rough[index] = 0.0, float(rng.uniform(0.12, 0.4))
    else:
        fill = str(rng.choice(["smooth", "oxidised"]))
        flat = np.clip(gap / 0.15, 0, 1)
        made.height[index] += (level - rng.uniform(0.0, 0.2) - made.height[index]) * flat
        made.colour[index] = (rng.uniform(0.3, 0.5) if fill == "smooth" else rng.uniform(0.07, 0.16)) * np.ones(3)
        made.metal[index], made.rough[index] = 0.8 if fill == "smooth" else 0.2, float(rng.uniform(0.3, 0.5))
    made.features.append({"kind": kind, "form": form, "fill": fill, "outline": outline, "depth": deepest})
    return True


def _drawn(rng: np.random.Generator, made: End, sizes: dict, form: str) -> tuple[np.ndarray, str]:
    """An outline in mm and its kind."""
    low, high = made.face.min(axis=0), made.face.max(axis=0)
    spot = rng.uniform(low + 0.1 * (high - low), high - 0.1 * (high - low))
    if form == "root":
        length, deep = float(np.exp(rng.uniform(np.log(2.5), np.log(12)))), float(rng.uniform(0.5, 1.6))
        middle = rng.uniform(low[0] + length / 2 + 1, high[0] - length / 2 - 1)
        x = np.linspace(middle - length / 2, middle + length / 2, 90)
        t = np.linspace(0, 1, 90)
        foot = np.interp(x, *sizes["low"])
        top = foot + deep * (4 * t * (1 - t)) ** 0.35 * np.clip(1 + 0.15 * outlines.wavy(rng, 90, 9), 0.5, 1.5)
        return np.concatenate([np.column_stack([x, foot]), np.column_stack([x, top])[::-1][1:-1]]), "lack-of-root-fusion"
    at = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    if form == "pore":
        radius = 0.5 * float(np.exp(rng.uniform(np.log(0.6), np.log(3.0)))) * (1 + 0.03 * outlines.wavy(rng, 90, 4))
        return spot + np.column_stack([radius * np.cos(at), radius * np.sin(at)]), "pore"
    if form == "elongated":
        long, wide = float(rng.uniform(1.8, 6)), float(rng.uniform(0.5, 1.3))
        radius = 1 + 0.05 * outlines.wavy(rng, 90, 5)
        own = np.column_stack(
            [0.5 * long * radius * np.sign(np.cos(at)) * np.abs(np.cos(at)) ** 0.8, 0.5 * wide * radius * np.sin(at)]
        )
        return spot + _turned(own, rng.normal(0, 0.5) + rng.choice([0, np.pi / 2])), "elongated-cavity"
    if form == "slag":
        long, wide = float(rng.uniform(0.8, 5)), float(rng.uniform(0.4, 1.4))
        corners = np.sort(rng.uniform(0, 2 * np.pi, 9))
        radius = np.interp(at, corners, rng.uniform(0.6, 1.2, 9), period=2 * np.pi)
        return spot + _turned(
            np.column_stack([0.5 * long * radius * np.cos(at), 0.5 * wide * radius * np.sin(at)]), rng.normal(0, 0.3)
        ), "slag"
    long, wide = float(rng.uniform(2.5, 10)), float(rng.uniform(0.4, 1.0))
    t = (1 - np.cos(np.linspace(0, np.pi, 70))) / 2
    half = 0.5 * wide * (4 * t * (1 - t)) ** 0.4 * np.clip(1 + 0.25 * outlines.wavy(rng, 140, 14)[:70], 0.4, 1.7)
    u, bow = long * (t - 0.5), 0.1 * outlines.wavy(rng, 140, 6)[:70]
    ring = np.concatenate([np.column_stack([u, bow + half])[:-1], np.column_stack([u, bow - half])[:0:-1]])
    return spot + _turned(ring, rng.normal(0, 0.1)), "lack-of-inter-run-fusion"


def _turned(points: np.ndarray, turn: float) -> np.ndarray:
    cos, sin = np.cos(turn), np.sin(turn)
    return points @ np.array([[cos, sin], [-sin, cos]])


# ------------------------------------------------------------------ picture


def build(made: End, turn: float, crown: float, rng: np.random.Generator) -> None:
    """The end and the bar below it as a mesh in Blender's scene."""
    rows, columns = made.x.shape
    flat = _turned(np.column_stack([made.x.ravel(), made.y.ravel()]), turn)
    top = np.column_stack([flat, crown + made.height.ravel()])
    edge = np.concatenate(
        [np.arange(columns), columns * np.arange(1, rows) + columns - 1, columns * (rows - 1) + np.arange(columns - 1)[::-1],
         columns * np.arange(1, rows - 1)[::-1]]
    )  # fmt: skip
    foot = top[edge].copy()
    foot[:, 2] = 0.0
    i, j = (grid.ravel() for grid in np.meshgrid(np.arange(rows - 1), np.arange(columns - 1), indexing="ij"))
    at = i * columns + j
    quads = np.column_stack([at, at + 1, at + columns + 1, at + columns])
    k = np.arange(len(edge))
    sides = np.column_stack([edge, rows * columns + k, rows * columns + (k + 1) % len(edge), np.roll(edge, -1)])
    held, shader = materials.material("end")
    tree = held.node_tree
    body = materials.mesh("end", np.concatenate([top, foot]), np.concatenate([quads, sides]).tolist(), held)
    side_tone = rng.uniform(0.08, 0.5)
    for name, values, of_side in (("tone", made.colour, side_tone), ("metal", made.metal, 0.7), ("rough", made.rough, 0.45)):
        layer = body.data.attributes.new(name, "FLOAT_COLOR", "POINT")
        own = np.ones((len(top) + len(foot), 4), np.float32)
        own[: len(top), :3] = np.asarray(values).reshape(len(top), -1)
        own[len(top) :, :3] = of_side
        layer.data.foreach_set("color", own.ravel())
        read = materials.node(tree, "ShaderNodeAttribute", attribute_name=name)
        target = {"tone": "Base Color", "metal": "Metallic", "rough": "Roughness"}[name]
        tree.links.new(read.outputs["Color" if name == "tone" else "Fac"], shader.inputs[target])
    body.data.shade_smooth()
    body.data.set_sharp_from_angle(angle=np.radians(50))


def draw(seed: int, folder: Path, card: Path, samples: int) -> None:
    """One broken half: photograph, sheet, truth."""
    rng = np.random.default_rng([seed, 707])
    common.begin()
    test = ("nick-break", "fillet-break")[seed % 2]
    look, light = str(rng.choice(LOOKS)), str(rng.choice(common.LIGHTS))
    made, sizes = end(rng, test, look)
    wanted = 0 if seed % CLEAN_EVERY == CLEAN_EVERY - 1 else int(rng.integers(2, 6))
    for _ in range(60):
        if len(made.features) == wanted:
            break
        add(rng, made, sizes, str(rng.choice(FORMS)))
    crown = float(rng.uniform(8, 40))
    turn = float(rng.choice([0, np.pi / 2]) + rng.normal(0, 0.07))
    build(made, turn, crown, rng)

    def place(points: np.ndarray, heights=0.0) -> np.ndarray:
        return np.column_stack([_turned(np.asarray(points, float), turn), np.full(len(points), crown) + heights])

    high = rng.random() < 0.7
    wide, tall = (1280, 960) if abs(np.cos(turn)) > 0.5 else (960, 1280)  # the card lies along the specimen
    eye = common.camera(
        rng, [0, 0, crown], mm_per_px=float(rng.uniform(0.085, 0.11)), tilt_deg=float(abs(rng.normal(0, 6))),
        width_px=wide, height_px=tall, aperture_mm=float(rng.choice([0.0, 0.8])),
    )  # fmt: skip
    common.bench(str(rng.choice(common.BENCHES)), rng)
    across = np.ptp(made.body[:, 1]) / 2 + float(rng.uniform(13, 20)) + (0.5 * crown * (not high))
    middle = _turned(np.array([[0.0, float(rng.choice([-1, 1])) * across]]), turn)[0]
    lies = crown - float(rng.uniform(0, 1.5)) if high else common.PAPER_MM
    held = common.card(card, middle, np.degrees(turn) + float(rng.choice([0, 180])) + float(rng.normal(0, 3)), lies, rng)
    reach = max(58.0, sizes["width"] / 2 + 6)
    common.clutter(rng, int(rng.integers(0, 7)), np.array([[-reach, -reach, reach, reach]]))
    common.lamps(light, rng, eye.eye)
    pixels = common.render(eye, samples, seed)
    outline_px = eye.project(place(made.face, made.heights(made.face)))
    low, high_px = outline_px.min(axis=0).astype(int).clip(0), outline_px.max(axis=0).astype(int) + 1
    there = np.zeros(pixels.shape[:2], bool)
    there[low[1] : high_px[1], low[0] : high_px[0]] = True
    rgb = common.developed(pixels, rng, there)
    features = [
        {
            "kind": one["kind"], "form": one["form"], "fill": one["fill"],
            "outline_px": eye.project(place(one["outline"], made.heights(_out(one["outline"], 0.15)))).round(3).tolist(),
            "outline_mm": one["outline"].round(5).tolist(),
            "length_mm": outlines.extent_mm(one["outline"]), "width_mm": outlines.width_mm(one["outline"]),
            "area_mm2": outlines.area_mm2(one["outline"]), "depth_mm": one["depth"], "at_corner": one["form"] == "root",
        }
        for one in made.features
    ]  # fmt: skip
    step = 1e-3
    around = eye.project(place(np.array([[-step, 0], [step, 0], [0, -step], [0, step]])))
    jacobian = np.array([around[1] - around[0], around[3] - around[2]]) / (2 * step)
    truth = {
        "seed": seed,
        "groups": {"finish": look, "light": light, "height": "level" if high else "bench"},
        "mm_per_px": float(1 / np.sqrt(abs(np.linalg.det(jacobian)))),
        "specimen": {"test": test, "crown_height_mm": crown, "width_mm": sizes["width"], "thickness_mm": sizes["thick"]},
        "axis_px": eye.project(place(np.array([[-sizes["width"] / 2, 0.0], [sizes["width"] / 2, 0.0]]))).round(3).tolist(),
        "area_outline_px": outline_px.round(3).tolist(),
        "area_outline_mm": made.face.round(4).tolist(),
        "area_mm2": outlines.area_mm2(made.face),
        "features": features,
        "distractors": [],
        "card": held,
        "surface_height_mm": crown - lies,
    }
    common.save(folder, f"nick-{seed}", rgb, eye, truth, sheet(seed, test, sizes, eye, crown - lies), rng)


def _out(outline: np.ndarray, by: float) -> np.ndarray:
    """Places just outside an outline, from its middle: what the break's own height is there."""
    off = outline - outline.mean(axis=0)
    return outline + by * off / np.maximum(np.linalg.norm(off, axis=1), 1e-9)[:, None]


def sheet(seed: int, test: str, sizes: dict, eye: common.Camera, height: float) -> str:
    """What a person would enter."""
    return f"""[specimen]
id = "PN-{seed}"
test = "{test}"
specimen_thickness_mm = {sizes["thick"] * (1.0 if test == "nick-break" else 1.2):.2f}
specimen_width_mm = {sizes["width"]:.2f}

[scale]
method = "card"
surface_height_mm = {height:.1f}
surface_height_U_mm = 1.0
camera_distance_mm = {np.linalg.norm(eye.eye - eye.target):.0f}

[validity]
valid = true
"""


def main() -> None:
    """Draw what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--card", type=Path, required=True, help="what `specimeter card strip --out strip.png` wrote")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=12)
    parser.add_argument("--samples", type=int, default=24)
    options = parser.parse_args(sys.argv[1:])
    for seed in range(options.first, options.first + options.count):
        draw(seed, options.folder, options.card, options.samples)


if __name__ == "__main__":
    main()
