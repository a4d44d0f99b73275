"""What faces of bends are like: how the metal was finished, and what lies on it or was struck into it and is no opening."""

from __future__ import annotations

from dataclasses import dataclass

import materials
import numpy as np
import outlines
from PIL import Image, ImageDraw, ImageFilter

PER_MM = 25  # pixels of what is painted
BASE = {
    "milled": "machined",
    "polished": "brushed",
    "rusty": "blasted",
    "rolled": "scaled",
    "coarse": "ground",
    "oiled": "ground",
}
FINISHES = (*materials.FINISHES, *BASE)
HELD_OUT = ("tinted", "milled")
MARKS = {  # and how often each is drawn
    "scratch": 4, "scratches": 1, "felt-pen": 2, "dust": 3, "gauge-line": 1, "dent": 2, "fibre": 1, "flake": 2, "rust-spot": 2,
    "rub": 1, "ring": 1,
}  # fmt: skip


SPOTS_MM = {"dust": (0.12, 0.4), "dent": (0.4, 2.5), "flake": (0.3, 2.0), "rust-spot": (0.2, 1.5), "ring": (2.0, 6.0)}


@dataclass(frozen=True, kw_only=True)
class Painted:
    """Over s and a from `begin_mm` over `extent_mm`: colours (H, W, 4), linear, and heights (H, W) in mm; and what is drawn."""

    colours: np.ndarray
    heights: np.ndarray
    begin_mm: tuple[float, float]
    extent_mm: tuple[float, float]
    told: list[dict]


class Sheet:
    """Two pictures over a face that are drawn on in mm."""

    def __init__(self, reach: float, width: float, per_mm: float = PER_MM) -> None:
        self.corner, self.per_mm = np.array([reach, width / 2]), per_mm
        size = round(2 * reach * per_mm), round(width * per_mm)
        self.colours = Image.new("RGBA", size, (60, 55, 50, 0))
        self.heights = Image.new("F", size, 0.0)

    def px(self, points: np.ndarray) -> list[tuple[float, float]]:
        return [tuple(((point + self.corner) * self.per_mm).tolist()) for point in np.asarray(points, float)]

    def line(self, line: np.ndarray, wide_mm: float, colour: tuple | None, height_mm: float = 0.0) -> None:
        wide = max(1, round(wide_mm * self.per_mm))
        if colour is not None:
            ImageDraw.Draw(self.colours).line(self.px(line), fill=colour, width=wide, joint="curve")
        if height_mm:
            ImageDraw.Draw(self.heights).line(self.px(line), fill=height_mm, width=wide, joint="curve")

    def area(self, ring: np.ndarray, colour: tuple | None, height_mm: float = 0.0) -> None:
        if colour is not None:
            ImageDraw.Draw(self.colours).polygon(self.px(ring), fill=colour)
        if height_mm:
            ImageDraw.Draw(self.heights).polygon(self.px(ring), fill=height_mm)

    def soften(self, mm: float) -> None:
        self.colours = self.colours.filter(ImageFilter.GaussianBlur(mm * self.per_mm))


def painted(rng: np.random.Generator, width: float, weld_half: float, reach: float, holes: list) -> Painted:
    """The weld's tone, stains, lips about the openings, scratches, felt pen and the like."""
    sheet, told = Sheet(reach, width), []
    along = np.linspace(-width / 2, width / 2, 120)
    toe = [np.column_stack([side * weld_half + 0.25 * outlines.wavy(rng, 120, 12), along]) for side in (-1, 1)]
    if rng.random() < 0.8:
        tone = tuple(int(v) for v in rng.uniform(70, 170) * np.array([1.0, 0.97, 0.92]))
        sheet.area(np.concatenate([toe[0], toe[1][::-1]]), (*tone, int(rng.uniform(25, 110))))
    if rng.random() < 0.3:  # the fusion line etched or stained
        for line in toe:
            sheet.line(line, float(rng.uniform(0.2, 0.8)), (40, 35, 30, int(rng.uniform(40, 160))))
    for _ in range(rng.integers(0, 4)):
        spot, r = np.array([rng.uniform(-reach, reach), rng.uniform(-0.5, 0.5) * width]), rng.uniform(0.5, 4)
        sheet.area(spot + r * blob(rng, 0.2), (70, 50, 35, int(rng.uniform(30, 120))))
    for one in holes:
        if rng.random() < 0.15:  # stained about it
            sheet.line(np.concatenate([one.outline, one.outline[:1]]), float(rng.uniform(0.1, 0.6)), (50, 40, 30, 120))
    sheet.soften(0.15)
    for _ in range(rng.integers(0, 7)):
        kind = str(rng.choice(list(MARKS), p=np.array(list(MARKS.values())) / sum(MARKS.values())))
        lines, wide = mark(rng, kind, sheet, reach, width)
        low, high = np.concatenate(lines).min(axis=0) - wide / 2, np.concatenate(lines).max(axis=0) + wide / 2
        box = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
        told.append({"kind": kind, "size_mm": wide, "box_mm": box, "lines_mm": lines})
    rims = [(one.lip_mm, np.concatenate([one.outline, one.outline[:1]])) for one in holes if one.lip_mm]
    for lip, ring in rims:
        sheet.line(ring, 2.5 * lip, None, lip)
    colours = np.asarray(sheet.colours, np.float32) / 255
    colours[..., :3] **= 2.2
    heights = softened(np.array(sheet.heights, np.float32), 1.3)
    return Painted(
        colours=colours, heights=heights, begin_mm=(-reach, -width / 2), extent_mm=(2 * reach, width), told=told
    )  # fmt: skip


def mark(rng, kind: str, sheet: Sheet, reach: float, width: float) -> tuple[list[np.ndarray], float]:
    """Draw one; its lines (N, 2) in mm, and how wide they are."""
    start = np.array([rng.uniform(-0.8, 0.8) * reach, rng.uniform(-0.45, 0.45) * width])
    angle, length = rng.uniform(0, np.pi), float(rng.uniform(2, 12))
    way = np.array([np.cos(angle), np.sin(angle)])
    line = start + np.linspace(0, length, 20)[:, None] * way + 0.02 * length * outlines.wavy(rng, 20, 2)[:, None]
    dark = (int(rng.uniform(10, 70)),) * 3
    if kind in ("scratch", "scratches"):
        wide, cut = float(rng.uniform(0.04, 0.15)), -float(rng.uniform(0.005, 0.04))
        shade = (int(rng.choice([25, 60, 200])),) * 3
        colour = (*shade, int(rng.uniform(120, 240))) if rng.random() < 0.5 else None
        lines = [line]
        if kind == "scratches":
            lines = [
                line + rng.normal(0, 0.8) * way[::-1] * [-1, 1] + rng.normal(0, 1) * way for _ in range(rng.integers(5, 30))
            ]
        for one in lines:
            sheet.line(one, wide, colour, cut)
        return lines, wide
    if kind in ("felt-pen", "gauge-line"):
        wide = float(rng.uniform(0.4, 1.2) if kind == "felt-pen" else rng.uniform(0.1, 0.3))
        hue = (15, 15, 20) if rng.random() < 0.6 else tuple(rng.permutation([20, 30, 130]).tolist())
        lines = [line]
        if kind == "gauge-line":
            s = rng.uniform(-0.8, 0.8) * reach
            lines = [np.array([[s, -width / 2], [s + rng.normal(0, 0.2), width / 2]])]
        elif rng.random() < 0.5:  # writing
            lines = [
                start
                + [1.2 * k, 0]
                + rng.uniform(0.6, 2) * np.column_stack([outlines.wavy(rng, 24, 3), outlines.wavy(rng, 24, 3)])
                for k in range(rng.integers(1, 5))
            ]
        for one in lines:
            sheet.line(one, wide, (*hue, int(rng.uniform(120, 250))), -0.02 if kind == "gauge-line" else 0.0)
        return lines, wide
    if kind == "fibre":
        wide = float(rng.uniform(0.04, 0.09))
        curl = start + np.cumsum(rng.normal(0, 0.12, (60, 2)).cumsum(axis=0) * 0.1 + 0.06 * way, axis=0)
        sheet.line(curl, wide, (*dark, int(rng.uniform(120, 255))), 0.03)
        return [curl], wide
    if kind == "rub":  # dark of the former or the die, along s
        wide = float(rng.uniform(1, 4))
        for k in range(30):
            at = start[1] + rng.normal(0, wide / 3)
            ends = np.array([[-reach * rng.uniform(0.2, 1), at], [reach * rng.uniform(0.2, 1), at]])
            sheet.line(ends, 0.04, (*dark, int(rng.uniform(20, 120))), -0.004 * (k % 3))
        return [np.array([[-reach, start[1]], [reach, start[1]]])], wide
    least, most = SPOTS_MM[kind]
    wide = float(least + (most - least) * rng.random() ** 1.5)
    ring = start + 0.5 * wide * blob(rng, {"dust": 0.1, "dent": 0.05, "ring": 0.05}.get(kind, 0.3)) * [1, rng.uniform(0.5, 1)]
    if kind == "dent":
        for share in (1.0, 0.75, 0.5, 0.25):
            sheet.area(start + share * (ring - start), None, -0.12 * wide * (1 - 0.8 * share))
    elif kind == "ring":
        sheet.line(np.concatenate([ring, ring[:1]]), float(rng.uniform(0.1, 0.3)), (90, 85, 80, int(rng.uniform(60, 180))))
    else:
        colour = {"rust-spot": (110, 60, 30)}.get(kind, dark if rng.random() < 0.7 else (170, 165, 160))
        sheet.area(ring, (*colour, int(rng.uniform(130, 255))), {"flake": 0.04, "dust": 0.03}.get(kind, -0.01))
    return [np.concatenate([ring, ring[:1]]) if kind == "ring" else start[None]], wide if kind != "ring" else 0.3


def blob(rng, ragged: float) -> np.ndarray:
    at = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    radius = np.clip(1 + ragged * outlines.wavy(rng, 60, 5), 0.3, 1.7)
    return radius[:, None] * np.column_stack([np.cos(at), np.sin(at)])


def softened(heights: np.ndarray, px: float) -> np.ndarray:
    at = np.arange(-4, 5)
    kernel = np.exp(-0.5 * (at / px) ** 2)
    kernel /= kernel.sum()
    for axis in (0, 1):
        heights = sum(weight * np.roll(heights, int(k), axis) for k, weight in zip(at, kernel, strict=True))
    return heights


# ------------------------------------------------------------------ the metal


def metal(name: str, finish: str, rng: np.random.Generator, over: Painted):
    """Steel of a finish with what is painted on it and worked into it."""
    held = materials.steel(name, BASE.get(finish, finish), rng, over.colours, over.extent_mm, over.begin_mm)
    tree = held.node_tree
    shader = tree.nodes["Principled BSDF"]
    seed = float(rng.uniform(0, 500))
    if finish == "milled":
        at = materials.node(tree, "ShaderNodeUVMap").outputs["UV"]
        centre = tuple(float(v) for v in rng.choice([-1, 1], 2) * rng.uniform(15, 80, 2))
        moved = materials.node(tree, "ShaderNodeMapping", {"Vector": at, "Location": (*centre, 0)})
        inputs = {"Vector": moved.outputs[0], "Scale": 0.314 / float(rng.uniform(0.25, 1.0)), "Distortion": 0.3}
        rings = materials.node(tree, "ShaderNodeTexWave", inputs, wave_type="RINGS", rings_direction="SPHERICAL")
        worked(tree, shader, rings.outputs[1], float(rng.uniform(0.004, 0.02)))
    elif finish == "coarse":
        lay = materials.noise(tree, (0.1, float(rng.uniform(2, 6))), turn=float(rng.uniform(0, np.pi)), seed=seed, detail=3.0)
        worked(tree, shader, lay, float(rng.uniform(0.03, 0.1)))
    elif finish == "polished":
        shader.inputs["Roughness"].default_value = float(rng.uniform(0.12, 0.28))
    elif finish == "rolled":
        large = materials.noise(tree, (0.3, 0.3), seed=seed, detail=4.0)
        _cover(tree, shader, large, (0.1, 0.3), tuple(rng.uniform(0.03, 0.14) * np.array([0.95, 0.97, 1.1])), 0.5)
    elif finish == "oiled":
        film = materials.ramp(tree, materials.noise(tree, (0.15, 0.15), seed=seed), 0.4, 0.55, (0, 0, 0), (1, 1, 1))
        tree.links.new(film, shader.inputs["Coat Weight"])
        shader.inputs["Coat Roughness"].default_value = 0.08
        colour = shader.inputs["Base Color"].links[0].from_socket
        tree.links.new(
            materials.mixed(tree, float(rng.uniform(0.1, 0.4)), colour, (0.12, 0.09, 0.04)), shader.inputs["Base Color"]
        )
    if finish == "rusty" or rng.random() < 0.12:
        first = float(rng.uniform(0.4, 0.62))
        bloom = materials.noise(tree, (0.6, 0.6), seed=seed + 9, detail=8.0)
        rust = tuple(rng.uniform(0.4, 1.3) * np.array([0.28, 0.11, 0.045]))
        _cover(tree, shader, bloom, (first, first + float(rng.uniform(0.05, 0.2))), rust, 0.9)
    if rng.random() < 0.5:  # stretched at the crown it roughens like peel
        worked(tree, shader, materials.noise(tree, (1.1, 0.8), seed=seed + 11), float(rng.uniform(0.02, 0.15)))
    worked(tree, shader, raised(tree, over), 1.0)
    return held


def worked(tree, shader, height, distance_mm: float) -> None:
    """Tilt the normals further by a socket of heights."""
    inputs = {"Height": height, "Distance": distance_mm, "Strength": 1.0}
    if shader.inputs["Normal"].is_linked:
        inputs["Normal"] = shader.inputs["Normal"].links[0].from_socket
    tree.links.new(materials.node(tree, "ShaderNodeBump", inputs).outputs[0], shader.inputs["Normal"])


def _cover(tree, shader, value, between: tuple[float, float], colour: tuple, rough: float) -> None:
    """A dull skin over the metal where a socket's value is high."""
    mask = materials.ramp(tree, value, *between, (0, 0, 0), (1, 1, 1))
    for name, full in (("Base Color", colour), ("Metallic", (0.0,) * 3), ("Roughness", (rough,) * 3)):
        held = shader.inputs[name]
        bare = held.links[0].from_socket if held.is_linked else held.default_value
        if not held.is_linked and name != "Base Color":
            bare = (float(bare),) * 3
        tree.links.new(materials.mixed(tree, mask, bare, full), held)


def raised(tree, over: Painted):
    height, width = over.heights.shape
    image = materials.bpy.data.images.new("heights", width, height, float_buffer=True)
    image.colorspace_settings.name = "Non-Color"
    image.pixels.foreach_set(np.ascontiguousarray(np.repeat(over.heights[..., None], 4, 2), np.float32).ravel())
    image.update()
    at = materials.node(tree, "ShaderNodeUVMap").outputs["UV"]
    moved = materials.node(tree, "ShaderNodeMapping", {"Vector": at, "Location": (-over.begin_mm[0], -over.begin_mm[1], 0)})
    scale = (1 / over.extent_mm[0], 1 / over.extent_mm[1], 1.0)
    placed = materials.node(tree, "ShaderNodeMapping", {"Vector": moved.outputs[0], "Scale": scale})
    made = materials.node(
        tree, "ShaderNodeTexImage", {"Vector": placed.outputs[0]}, image=image, extension="EXTEND", interpolation="Cubic"
    )
    return made.outputs["Color"]
