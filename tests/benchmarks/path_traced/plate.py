"""Painted plates at a fillet weld, drawn by a path tracer, with fatigue cracks as inspectors photograph them on structures.

``TRACER/bin/python tests/benchmarks/path_traced/plate.py FOLDER [--first 0] [--count 12] [--samples 48]``
How TRACER is made stands at the top of `common.py`. No card, no scale: what `real_cracks.py` looks at, with exact truth. Every
sixth plate has no crack. `--for-training`: seeds from 20000; those of the benchmark lie below and have held-out paints.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import bend_skins
import common
import materials
import numpy as np
import outlines

CLEAN_EVERY = 6
HALF_MM = 150.0  # of the plate, about the picture's middle
PER_MM = 16  # pixels of what is painted
REACH_MM = 65.0  # of what is painted on it, about the middle
PAINTS = {  # linear light
    "grey": (0.42, 0.43, 0.42), "beige": (0.55, 0.5, 0.38), "white": (0.75, 0.75, 0.72), "green": (0.12, 0.25, 0.16),
    "blue": (0.1, 0.2, 0.38), "red-oxide": (0.3, 0.08, 0.05), "yellow": (0.6, 0.42, 0.08), "primer": (0.28, 0.3, 0.33),
}  # fmt: skip
HELD_OUT = ("beige", "blue")
LIGHTS = ("torch", "torch", "torch", "flash", "softbox", "window", "tubes", "overcast")


@dataclass(frozen=True, kw_only=True)
class Joint:
    """A fillet weld along x whose toe on the plate is y = 0, and the rib behind it: mm and degrees."""

    leg: float
    lean_deg: float  # of the rib from the plate
    bulge: float
    ripple: float
    pitch: float
    ends: tuple[float, float]  # of the bead along x
    high: float  # the rib

    def face_y(self, z: float) -> float:
        """Where the rib's face stands at a height."""
        return self.leg + min(z, self.high) / float(np.tan(np.radians(self.lean_deg)))

    def bead(self, rng: np.random.Generator, made_of):
        """The bead as a mesh, rippled as it froze."""
        along = np.arange(self.ends[0], self.ends[1], 0.3)
        t = np.linspace(0, 1, 24)
        lean = np.radians(self.lean_deg)
        top = self.leg * np.array([np.cos(lean), np.sin(lean)]) + [self.leg, 0]
        chord = np.outer(1 - t, [0, 0]) + np.outer(t, top)
        normal = np.array([-top[1], top[0]]) / np.hypot(*top)
        wander = 0.6 * outlines.wavy(rng, len(along), max(3, len(along) // 60))
        vertices = []
        for k, x in enumerate(along):
            end = min(1.0, min(x - self.ends[0], self.ends[1] - x) / self.leg + 0.05)
            phase = 2 * np.pi * (x + 1.5 * np.sin(np.pi * t) + wander[k]) / self.pitch
            out = np.sqrt(end) * (self.bulge * np.sin(np.pi * t) + self.ripple * np.sin(phase) * np.sin(np.pi * t) ** 0.5)
            at = chord + out[:, None] * normal
            vertices.append(np.column_stack([np.full(len(t), x), at[:, 0], np.maximum(at[:, 1], -0.2)]))
        count = len(t)
        k, j = (grid.ravel() for grid in np.meshgrid(np.arange(len(along) - 1), np.arange(count - 1), indexing="ij"))
        corners = np.column_stack([k * count + j, (k + 1) * count + j, (k + 1) * count + j + 1, k * count + j + 1])
        flat = np.concatenate(vertices)
        return materials.mesh("bead", flat, corners.tolist(), made_of, flat[:, :2])

    def rib(self, made_of, rng: np.random.Generator):
        """The plate that stands on the other, 12 mm thick, as long as the bead or longer."""
        lean, high = np.radians(self.lean_deg), self.high
        x0, x1 = self.ends[0] - (HALF_MM if rng.random() < 0.6 else 0), self.ends[1] + 1.0
        foot, up = np.array([self.leg, 0.0]), np.array([np.cos(lean), np.sin(lean)])
        back = 12.0 * np.array([np.sin(lean), -np.cos(lean)])
        ring = [foot - up, foot + high * up, foot + high * up + back, foot + back - up]
        vertices = np.array([[x, *point] for x in (x0, x1) for point in ring])
        sides = [[k, (k + 1) % 4, 4 + (k + 1) % 4, 4 + k] for k in range(4)]
        uv = np.column_stack([vertices[:, 0], 300 + vertices[:, 2]])
        return materials.mesh("rib", vertices, [[0, 1, 2, 3], [7, 6, 5, 4], *sides], made_of, uv)


def crack(rng: np.random.Generator, joint: Joint) -> tuple[np.ndarray, np.ndarray]:
    """Its middle line (N, 2) on the plate and its width at each point, mm."""
    length, count = float(np.exp(rng.uniform(np.log(8), np.log(110)))), 400
    t = np.linspace(0, 1, count)
    walk = outlines.wavy(rng, count, 4) * float(rng.uniform(0.2, 1.5)) + outlines.wavy(rng, count, 60) * float(
        rng.uniform(0.02, 0.25)
    )
    if rng.random() < 0.55:  # along the toe
        start = np.array([rng.uniform(joint.ends[0], joint.ends[1] - 0.4 * length), -float(rng.uniform(0.1, 0.6))])
        line = start + np.column_stack([length * t, -np.abs(walk) * 0.6])
    else:  # out of the bead's end, or out of its side, into the plate
        out = np.radians(rng.normal(-90 if rng.random() < 0.5 else 0, 25))
        way = np.array([np.cos(out), min(np.sin(out), 0.05)])
        start = np.array([joint.ends[1], 0.5 * joint.leg * rng.uniform(-0.4, 0.2)])
        if abs(way[1]) > 0.5:
            start = np.array([rng.uniform(*joint.ends), -0.2])
        line = start + length * t[:, None] * way + walk[:, None] * np.array([-way[1], way[0]])
    width = float(np.exp(rng.uniform(np.log(0.06), np.log(0.6))))
    swell = np.clip(1 + 0.5 * outlines.wavy(rng, count, 12) + 0.3 * outlines.wavy(rng, count, 80), 0.15, 2.2)
    taper = np.minimum(1, np.minimum(t, 1 - t) / float(rng.uniform(0.03, 0.3))) ** float(rng.uniform(0.4, 1.0))
    inside = np.flatnonzero((np.abs(line) < REACH_MM - 0.5).all(axis=1))
    if len(inside) < 100:
        return crack(rng, joint)
    kept = max(np.split(inside, np.flatnonzero(np.diff(inside) > 1) + 1), key=len)
    return line[kept], (width * swell * np.maximum(taper, 0.05))[kept]


def ribbon(line: np.ndarray, width: np.ndarray) -> np.ndarray:
    """The outline (2 N, 2) of a line so wide at each of its points."""
    way = np.gradient(line, axis=0)
    side = np.column_stack([-way[:, 1], way[:, 0]]) / np.maximum(np.linalg.norm(way, axis=1), 1e-9)[:, None]
    return np.concatenate([line + side * width[:, None] / 2, (line - side * width[:, None] / 2)[::-1]])


def painted(rng: np.random.Generator, found: list) -> bend_skins.Painted:
    """Cracks, with stain, hairs and edges of the paint; felt pen, rust, dirt, scratches, pits."""
    sheet, told = bend_skins.Sheet(REACH_MM, 2 * REACH_MM, PER_MM), []
    for line, _ in found:
        if rng.random() < 0.45:
            rust = (int(rng.uniform(60, 130)), int(rng.uniform(35, 70)), 25, int(rng.uniform(30, 150)))
            a, b = sorted(rng.integers(0, len(line), 2))
            if b - a > 5:
                sheet.line(line[a:b], float(rng.uniform(0.4, 2.5)), rust)
    for _ in range(rng.integers(0, 5)):  # dirt and rubs
        spot, r = rng.uniform(-REACH_MM, REACH_MM, 2), float(rng.uniform(1, 15))
        sheet.area(
            spot + r * bend_skins.blob(rng, 0.3) * [1, rng.uniform(0.2, 1)],
            (*(int(v) for v in rng.uniform(30, 150, 3)), int(rng.uniform(8, 60))),
        )
    sheet.soften(float(rng.uniform(0.3, 0.8)))
    for line, width in found:
        edge = float(rng.uniform(0, 0.06)) if rng.random() < 0.5 else 0.0
        if edge:
            sheet.area(ribbon(line, 2.5 * width + 0.1), None, edge)
        dark = (int(rng.uniform(3, 40)), int(rng.uniform(3, 32)), int(rng.uniform(3, 30)))
        sheet.area(ribbon(line, width), (*dark, int(rng.uniform(190, 255))), -float(rng.uniform(0.05, 0.3)))
        if rng.random() < 0.35:  # hairs across, as bleeding makes them
            for k in rng.integers(0, len(line), rng.integers(10, 80)):
                reach = float(rng.uniform(0.2, 1.2))
                sheet.line(line[k] + [[0, -reach], [0, reach * rng.random()]], 0.05, (*dark, int(rng.uniform(60, 200))))
    for _ in range(rng.integers(0, 4)):
        told.extend(_pen(rng, sheet, found))
    for _ in range(rng.integers(0, 14)):
        kind = str(rng.choice(["scratch", "dust", "dent", "rust-spot", "fibre", "flake", "dent"]))
        lines, wide = bend_skins.mark(rng, kind, sheet, REACH_MM, 2 * REACH_MM)
        told.append({"kind": kind, "size_mm": wide, "lines_mm": lines})
    colours = np.asarray(sheet.colours, np.float32) / 255
    colours[..., :3] **= 2.2
    heights = bend_skins.softened(np.array(sheet.heights, np.float32), 1.3)
    return bend_skins.Painted(
        colours=colours, heights=heights, begin_mm=(-REACH_MM,) * 2, extent_mm=(2 * REACH_MM,) * 2, told=told
    )  # fmt: skip


def _pen(rng: np.random.Generator, sheet, found: list) -> list[dict]:
    """A felt pen's box about a crack, or arrow, or writing, or line."""
    wide = float(rng.uniform(0.6, 3.5))
    ink = (12, 12, 16) if rng.random() < 0.7 else tuple(int(v) for v in rng.permutation([160, 25, 25]))
    if found and rng.random() < 0.5:
        line = found[0][0]
        a, b = sorted(rng.uniform(0, len(line) - 1, 2).astype(int))
        low, high = line[a : b + 2].min(axis=0) - rng.uniform(2, 8, 2), line[a : b + 2].max(axis=0) + rng.uniform(2, 8, 2)
        box = np.array([low, [high[0], low[1]], high, [low[0], high[1]], low])[: rng.integers(3, 6)]
        steps = np.linspace(0, len(box) - 1, 60)
        path = np.column_stack([np.interp(steps, np.arange(len(box)), box[:, k]) for k in (0, 1)])
        lines = [path + 0.6 * np.column_stack([outlines.wavy(rng, 60, 8), outlines.wavy(rng, 60, 8)])]
    else:
        start, size = rng.uniform(-0.8, 0.8, 2) * REACH_MM, float(rng.uniform(3, 14))
        lines = [
            start + [1.3 * size * k, 0] + size * 0.5 * np.column_stack([outlines.wavy(rng, 40, 3), outlines.wavy(rng, 40, 3)])
            for k in range(rng.integers(1, 7))
        ]
    for one in lines:
        sheet.line(one, wide, (*ink, int(rng.uniform(170, 255))))
    return [{"kind": "felt-pen", "size_mm": wide, "lines_mm": lines}]


def paint(kind: str, rng: np.random.Generator, over: bend_skins.Painted | None):
    """A coat of paint over steel, with the skin of an orange, and what is painted on it."""
    tone = np.array(PAINTS[kind]) * rng.uniform(0.6, 1.25) * (1 + rng.normal(0, 0.04, 3))
    tone = tuple(np.clip(tone, 0.01, 0.9))
    held, shader = materials.material("paint", Base_Color=tone, Roughness=float(rng.uniform(0.2, 0.6)))
    tree, seed = held.node_tree, float(rng.uniform(0, 500))
    large = materials.noise(tree, (0.03, 0.03), seed=seed, detail=3.0)
    colour = materials.ramp(tree, large, 0.3, 0.7, tuple(0.85 * np.array(tone)), tuple(np.clip(1.05 * np.array(tone), 0, 1)))
    peel = materials.noise(tree, (float(rng.uniform(0.25, 1.2)),) * 2, seed=seed + 5, detail=float(rng.uniform(0, 3)))
    bend_skins.worked(tree, shader, peel, float(rng.uniform(0.02, 0.35)))
    if rng.random() < 0.25:
        first = float(rng.uniform(0.55, 0.7))
        bloom = materials.noise(tree, (0.12, 0.12), seed=seed + 9, detail=8.0)
        colour = materials.mixed(
            tree, materials.ramp(tree, bloom, first, first + 0.06, (0, 0, 0), (1, 1, 1)), colour, (0.22, 0.09, 0.04)
        )
    if over is not None:
        colour, _ = materials.painted_over(tree, over.colours, over.extent_mm, over.begin_mm, colour)
        bend_skins.worked(tree, shader, bend_skins.raised(tree, over), 1.0)
    tree.links.new(colour, shader.inputs["Base Color"])
    return held


def label(rng: np.random.Generator, found: list) -> np.ndarray | None:
    """A sticker on the plate: its corners (4, 2)."""
    size = np.array([rng.uniform(18, 40), rng.uniform(6, 14)])
    for _ in range(40):
        at, turn = rng.uniform(-0.7, 0.7, 2) * REACH_MM * [1, 0.5] - [0, 0.35 * REACH_MM], rng.normal(0, 0.15)
        cos, sin = np.cos(turn), np.sin(turn)
        ring = at + (np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * size / 2) @ np.array([[cos, sin], [-sin, cos]])
        if ring[:, 1].max() < -1 and all(np.linalg.norm(line - at, axis=1).min() > 0.7 * size[0] for line, _ in found):
            return ring
    return None


def torch(rng: np.random.Generator, eye: common.Camera) -> None:
    """One held beside the camera: its light falls off from the middle of its cone."""
    place, aim = eye.eye + rng.normal(0, 40, 3), eye.target + rng.normal(0, 1, 3) * [12, 12, 0]
    far = float(np.linalg.norm(place - aim))
    held = materials.bpy.data.lights.new("torch", "SPOT")
    held.spot_size, held.spot_blend = float(np.radians(rng.uniform(15, 50))), float(rng.uniform(0.6, 1.0))
    held.energy, held.shadow_soft_size = float(rng.uniform(8, 40)) * 4 * np.pi**2 * far**2, float(rng.uniform(3, 20))
    own = materials.bpy.data.objects.new("torch", held)
    materials.bpy.context.scene.collection.objects.link(own)
    back = (place - aim) / far
    right = np.cross([0.0, 1.0, 0.0], back)
    right /= np.linalg.norm(right)
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = np.column_stack([right, np.cross(back, right), back]), place
    own.matrix_world = matrix.T.tolist()


def draw(seed: int, folder: Path, samples: int, for_training: bool = False) -> None:
    """One plate: photograph and truth."""
    rng = np.random.default_rng([seed, 613])
    common.begin()
    choices = [one for one in PAINTS if not for_training or one not in HELD_OUT]
    lot = {"paint": str(rng.choice(choices)), "light": str(rng.choice(LIGHTS))}
    ends = sorted([float(rng.uniform(-90, -20)), float(rng.uniform(15, 90))])
    joint = Joint(
        leg=float(rng.uniform(4, 10)),
        lean_deg=float(rng.uniform(60, 110)),
        bulge=float(rng.uniform(0.0, 1.2)),
        ripple=float(rng.uniform(0.0, 0.35)),
        pitch=float(rng.uniform(1.2, 4.0)),
        ends=(ends[0], ends[1]),
        high=float(rng.uniform(40, 120)),
    )
    found = [] if seed % CLEAN_EVERY == CLEAN_EVERY - 1 else [crack(rng, joint) for _ in range(1 if rng.random() < 0.8 else 2)]
    over = painted(rng, found)
    made_of, plain = paint(lot["paint"], rng, over), paint(lot["paint"], rng, None)
    corners = HALF_MM * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    materials.mesh("plate", np.column_stack([corners, np.zeros(4)]), [[0, 1, 2, 3]], made_of, corners)
    if rng.random() < 0.85:
        joint.bead(rng, plain)
        joint.rib(plain, rng)
    told = over.told
    ring = label(rng, found) if rng.random() < 0.6 else None
    if ring is not None:
        paper, _ = materials.material("label", Base_Color=tuple(rng.uniform(0.6, 0.9) * np.ones(3)), Roughness=0.6)
        common.block(ring, float(rng.uniform(0.1, 1.0)), rng, paper)
        told = [*told, {"kind": "label", "size_mm": 0.5, "lines_mm": [np.concatenate([ring, ring[:1]])]}]
    aim = found[0][0][int(rng.uniform(0.2, 0.8) * len(found[0][0]))] if found else rng.uniform(-20, 20, 2) * [1, 0.5]
    per_px = float(np.exp(rng.uniform(np.log(0.05), np.log(0.13))))
    size = (1280, 960) if rng.random() < 0.7 else (960, 1280)
    while True:
        eye = common.camera(
            rng, [*(aim + rng.normal(0, 6, 2)), 0.0], mm_per_px=per_px, tilt_deg=float(np.clip(abs(rng.normal(0, 25)), 0, 60)),
            width_px=size[0], height_px=size[1], aperture_mm=float(rng.choice([0.0, 0.5, 1.0])),
        )  # fmt: skip
        if eye.eye[1] < min(eye.target[1] + 0.05 * eye.eye[2], joint.face_y(eye.eye[2]) - 10):
            break
    eye = replace(eye, roll_deg=float(rng.uniform(-180, 180)))
    common.lamps("flash" if lot["light"] == "torch" else lot["light"], rng, eye.eye)
    if lot["light"] == "torch":
        torch(rng, eye)
    rgb = common.developed(common.render(eye, samples, seed), rng)

    def on_plate(points: np.ndarray) -> np.ndarray:
        return eye.project(np.column_stack([points, np.zeros(len(points))]))

    frame = np.array([[0, 0], [size[0] - 1, 0], [size[0] - 1, size[1] - 1], [0, size[1] - 1]], float)
    features = []
    for line, width in found:
        outline = on_plate(ribbon(line, width))
        if ((outline > 0) & (outline < frame[2])).all(axis=1).mean() > 0.2:
            length = float(np.hypot(*np.diff(line, axis=0).T).sum())
            features.append({"kind": "crack", "length_mm": length, "outline_px": outline.round(3).tolist()})
    distractors = [
        one | {"lines_px": [on_plate(np.atleast_2d(line)).round(2).tolist() for line in one.pop("lines_mm")]} for one in told
    ]
    truth = {
        "seed": seed, "for_training": for_training, "groups": lot, "mm_per_px": per_px, "specimen": {"test": "face-bend"},
        "area_outline_px": frame.tolist(), "features": features, "card": None,
        "distractors": distractors,
    }  # fmt: skip
    common.save(folder, f"plate-{seed}", rgb, eye, truth, "", rng)


def main() -> None:
    """Draw what is asked for."""
    options = common.asked(__doc__, samples=48, for_training="without what is held out")
    for seed in range(options.first, options.first + options.count):
        draw(seed, options.folder, options.samples, options.for_training)


if __name__ == "__main__":
    main()
