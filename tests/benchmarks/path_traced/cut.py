"""Etched and unetched cuts through welds, path-traced: faces of `cut_faces.py` as steel on benches, on a glove, in resin.

Three steps; the second in the Python that holds `bpy` (see `common`):

    python tests/benchmarks/path_traced/cut_faces.py FOLDER --count 14
    TRACER/bin/python tests/benchmarks/path_traced/cut.py FOLDER --card strip.png
    python tests/benchmarks/path_traced/evaluate_cuts.py FOLDER
"""

from __future__ import annotations

import json
from pathlib import Path

import bpy
import common
import numpy as np
from materials import material, mesh, node

GROUNDS = ("resin", "bench", "block", "glove", "bench", "resin", "bench")
HELD_OUT = {"ground": ("glove",), "light": ("low lamp",), "bench": ("cloth",)}  # and of faces those of `cut_faces`
RESINS = ((0.02, 0.022, 0.025), (0.6, 0.58, 0.5), (0.05, 0.09, 0.2), (0.2, 0.06, 0.04), (0.3, 0.3, 0.28))
SIDES = (
    (0.16, 0.14, 0.12),
    (0.4, 0.4, 0.4),
    (0.25, 0.1, 0.04),
    (0.05, 0.05, 0.06),
    (0.45, 0.12, 0.08),
)  # sawn, scaled, painted
WIDTH_PX, HEIGHT_PX = 1360, 1020
NEAREST_MM_PER_PX = 0.022


class Lies:
    """A cut's drawing, turned and laid with its face at a height: drawing mm to Blender's axes."""

    def __init__(self, rng: np.random.Generator, metal: np.ndarray, height: float) -> None:
        turn = np.radians(float(rng.choice([0, 0, 180, 90, rng.uniform(0, 360)])) + rng.normal(0, 3))
        self.spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        self.middle = (metal.min(axis=0) + metal.max(axis=0)) / 2
        self.height = height

    def __call__(self, points) -> np.ndarray:
        """(N, 3) of points (N, 2) of the drawing."""
        flat = (np.asarray(points, float).reshape(-1, 2) - self.middle) @ self.spin.T
        return np.column_stack([flat, np.full(len(flat), self.height)])


def etched(folder: Path, seed: int):
    """The face's material, painted over the drawing's box by its UV map."""
    made_of, shader = material("face", Metallic=0.7)
    tree = made_of.node_tree
    at = node(tree, "ShaderNodeUVMap").outputs["UV"]
    for name, socket in (("face", "Base Color"), ("rough", "Roughness"), ("depth", "Height")):
        image = bpy.data.images.load(str((folder / f"cut-{seed}.{name}.png").resolve()))
        image.colorspace_settings.name = "Non-Color"
        colour = node(tree, "ShaderNodeTexImage", {"Vector": at}, image=image, interpolation="Cubic").outputs["Color"]
        if socket == "Height":
            dent = node(tree, "ShaderNodeBump", {"Height": colour, "Strength": 0.25, "Distance": 0.02})
            tree.links.new(dent.outputs["Normal"], shader.inputs["Normal"])
        else:
            tree.links.new(colour, shader.inputs[socket])
    return made_of


def glove(rng: np.random.Generator, under: float) -> None:
    """A blue hill of nitrile that comes up to just below the face's height `under`."""
    x, y = (v.ravel() for v in np.meshgrid(np.linspace(-200, 200, 140), np.linspace(-200, 200, 140)))
    z = np.full(len(x), under - 0.5)
    for _ in range(12):
        way, phase = rng.normal(0, 0.06, 2), rng.uniform(0, 7)
        z -= rng.uniform(0.1, 0.5) * (1 + np.sin(x * way[0] + y * way[1] + phase))
    index = np.arange(140 * 140).reshape(140, 140)
    quads = np.stack([index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]], axis=-1).reshape(-1, 4)
    rubber = material("glove", Base_Color=(0.05, 0.13, 0.4), Roughness=float(rng.uniform(0.3, 0.6)))[0]
    mesh("glove", np.column_stack([x, y, z]), quads, rubber)


def ground_of(kind: str, rng: np.random.Generator, top: np.ndarray, thick: float) -> np.ndarray:
    """What the cut lies on or in; how far it reaches from the middle along x and y."""
    reach = np.abs(top[:, :2]).max(axis=0)
    if kind == "resin" and rng.random() < 0.7:
        ring = np.linspace(0, 2 * np.pi, 160, endpoint=False)
        reach = np.full(2, float(np.hypot(*top[:, :2].T).max() + rng.uniform(2, 6)))
        base = reach[0] * np.column_stack([np.cos(ring), np.sin(ring)])
    else:
        reach = reach + rng.uniform(3, 8, 2) if kind == "resin" else reach
        base = (reach if kind == "resin" else 3 * reach) * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    if kind == "resin":
        tone = np.clip(np.array(RESINS[int(rng.integers(len(RESINS)))]) * rng.uniform(0.7, 1.3, 3), 0.01, 0.9)
        body = material("resin", Base_Color=tuple(tone), Roughness=float(rng.uniform(0.1, 0.5)))[0]
        common.block(base, thick - 0.03, rng, body)
    elif kind == "block":  # an even plate of anything, not far below the face
        common.block(base, float(rng.uniform(0.0, 0.8)) * thick, rng)
    elif kind == "glove":
        glove(rng, thick)
    return reach


def body_of(top: np.ndarray, thick: float, rng: np.random.Generator) -> None:
    """The sides of the slice below its face."""
    side, count = SIDES[int(rng.integers(len(SIDES)))], len(top)
    made_of = material("side", Base_Color=side, Metallic=float(rng.uniform(0, 0.9)), Roughness=float(rng.uniform(0.3, 0.8)))[0]
    walls = [[(k + 1) % count, k, count + k, count + (k + 1) % count] for k in range(count)]
    mesh("sides", np.concatenate([top, top - [0, 0, thick]]), walls, made_of)


def view(rng, top: np.ndarray, weld: np.ndarray, reach: np.ndarray, thick: float, told: dict, card: Path):
    """The camera, and the card if one lies there: both about a whole cut, or near the cut without one, or nearer its weld."""
    if told["near"]:
        low, high = top[:, :2].min(axis=0), top[:, :2].max(axis=0)
        closer = told["training"] and rng.random() < 0.6
        least = 1.12 * max((high - low) / [WIDTH_PX, HEIGHT_PX])
        mm_per_px = float(np.exp(rng.uniform(*np.log([NEAREST_MM_PER_PX, max(least, 0.03)])))) if closer else float(least)
        middle = weld.mean(axis=0)[:2] + rng.normal(0, 0.15 * WIDTH_PX * mm_per_px, 2) if closer else (low + high) / 2
        held, aim = None, [middle[0], middle[1], thick]
        ends = np.array([low, high])
    else:
        middle = np.array([rng.normal(0, 3), float(rng.choice([-1, 1])) * (reach[1] + 14 + rng.uniform(0, 5))])
        held = common.card(card, middle, float(rng.normal(0, 2)), thick, rng)
        low = np.minimum(-reach, middle - np.array([52, 13]))
        high = np.maximum(reach, middle + np.array([52, 13]))
        ends, aim = np.array([low, high]), [*(low + high) / 2, thick]
        mm_per_px = 1.1 * max(np.ptp(ends, axis=0) / [WIDTH_PX, HEIGHT_PX])
        if told["training"]:
            mm_per_px *= float(rng.uniform(0.75, 1.9))  # of training, nobody asks that the card be whole
    common.clutter(
        rng,
        int(rng.integers(0, 5)),
        np.array([[-reach[0] - 8, -reach[1] - 8, *(reach + 8)], *([[*(middle - 60), *(middle + 60)]] if held else [])]),
    )
    tilt = float(rng.uniform(0, 0.8) if held is None else rng.uniform(0, 6))
    size = {"width_px": WIDTH_PX, "height_px": HEIGHT_PX}
    return common.camera(rng, aim, mm_per_px=mm_per_px, tilt_deg=tilt, **size), mm_per_px, held


def blurred(pixels: np.ndarray, sigma: float) -> np.ndarray:
    """The picture (H, W, 3) out of focus."""
    at = np.arange(-int(3 * sigma + 1), int(3 * sigma + 1) + 1)
    kernel = np.exp(-0.5 * (at / sigma) ** 2)
    for axis in (0, 1):
        pixels = sum(share * np.roll(pixels, int(k), axis) for k, share in zip(at, kernel / kernel.sum(), strict=True))
    return pixels.astype(np.float32)


def draw(seed: int, folder: Path, card: Path, samples: int) -> None:
    """One photograph of the cut that `cut_faces.py` drew."""
    told = json.loads((folder / f"cut-{seed}.json").read_text(encoding="utf-8"))
    joint, (low, high) = told["joint"], np.array(told["box_mm"])
    rng = np.random.default_rng([seed, 5])

    def drawn_from(what: str, names) -> list:
        return [one for one in names if not (told["training"] and one in HELD_OUT[what])]

    grounds, light = drawn_from("ground", GROUNDS), str(rng.choice(drawn_from("light", common.LIGHTS)))
    ground, bench = grounds[seed % len(grounds)], str(rng.choice(drawn_from("bench", common.BENCHES)))
    metal, thick = np.array(joint["metal"]), float(rng.uniform(8, 18))
    lies = Lies(rng, metal, thick)
    common.begin()
    common.bench(bench, rng)
    top = lies(metal)
    mesh("face", top, [list(range(len(top)))], etched(folder, seed), (metal - low) / (high - low))
    body_of(top, thick, rng)
    reach = ground_of(ground, rng, top, thick)
    eye, mm_per_px, held = view(rng, top, lies(joint["weld"]), reach, thick, told, card)
    common.lamps(light, rng, eye.eye)
    pixels = common.render(eye, samples, seed)
    if rng.random() < 0.4:
        pixels = blurred(pixels, float(rng.uniform(0.4, 1.3)))
    outline_px = eye.project(top)
    inner = np.zeros(pixels.shape[:2], bool)
    box = np.concatenate([outline_px.min(axis=0), outline_px.max(axis=0)]).clip(0).astype(int)
    inner[box[1] : box[3], box[0] : box[2]] = True
    rgb = common.developed(pixels, rng, inner)

    def seen(points) -> list:
        return eye.project(lies(points)).round(3).tolist()

    toes = np.array(seen(joint["toes"]))
    sizes, along = dict(joint["sizes"]), toes[1] - toes[0]
    swap = joint["test"] == "macro-butt" and (along[0] if abs(along[0]) >= abs(along[1]) else along[1]) < 0
    if swap:
        sizes["toe_angle_1_deg"], sizes["toe_angle_2_deg"] = sizes["toe_angle_2_deg"], sizes["toe_angle_1_deg"]
    groups = {name: told[name] for name in ("look", "finish", "cover")}
    groups |= {"light": light, "ground": ground, "bench": bench, "joint": joint["kind"]}
    truth = {
        "seed": seed,
        "for_training": told["training"],
        "groups": groups | {"near": "yes" if told["near"] else "no"},
        "mm_per_px": mm_per_px,
        "specimen": {"test": joint["test"], "thickness_mm": joint["thickness"], "crown_height_mm": thick},
        "area_outline_px": outline_px.round(3).tolist(),
        "section": sizes,
        "weld": {
            "etch": float(told["look"] != "unetched"),
            "etched_px": [seen(one) for one in told["etched"]],
            "haz_mm": told["zone_mm"],
            "outline_px": seen(joint["weld"]),
            "others_px": [seen(one) for one in joint["others"]],
            "toes_px": toes.tolist(),
            "face_px": seen(joint["face"]),
            "plates_px": [seen(plate) for plate in joint["plates"]],
        },
        "undercuts": [
            {**one, "toe": 3 - one["toe"] if swap else one["toe"], "outline_px": seen(one["outline_mm"])}
            for one in joint["undercuts"]
        ],
        "unfused": [
            {"line_px": seen(gap), "length_mm": float(np.hypot(*np.subtract(gap[-1], gap[0]))), "width_mm": told["gap_mm"]}
            for gap in joint["gaps"]
        ],
        "overlaps": [{**one, "outline_px": seen(one["outline_mm"])} for one in joint["overlaps"]],
        "features": [{**one, "outline_px": seen(one["outline_mm"])} for one in told["features"]],
        "card": held,
        "surface_height_mm": 0.0,
    }
    common.save(folder, f"cut-{seed}", rgb, eye, truth, sheet(seed, joint, told, toes, held is not None), rng)
    if told["training"]:
        for name in ("face", "rough", "depth"):
            (folder / f"cut-{seed}.{name}.png").unlink()


def sheet(seed: int, joint: dict, told: dict, toes_px: np.ndarray, with_card: bool) -> str:
    """What a person would enter; without a card, the distance between the toes as if taken with a calliper."""
    etchant = 'etchant = "nital"' if told["look"] != "unetched" else ""
    apart = float(np.hypot(*np.subtract(*joint["toes"])))
    scale = f"""method = "length"
from_px = {toes_px[0].tolist()}
to_px = {toes_px[1].tolist()}
length_mm = {apart:.4f}
length_U_mm = 0.02"""
    return f"""[specimen]
id = "PT-{seed}"
test = "{joint["test"]}"
parent_thickness_mm = {joint["thickness"]:.1f}

[section]
grit = 400
{etchant}

[scale]
{'method = "card"' if with_card else scale}
surface_height_mm = 0.0
surface_height_U_mm = 0.4

[validity]
valid = true
"""


def main() -> None:
    """Draw what has a face and no photograph yet."""
    options = common.asked(__doc__, samples=16, count=None)
    for file in sorted(options.folder.glob("cut-*.json")):
        if file.name.endswith(".truth.json") or file.with_suffix(".jpg").exists():
            continue
        seed = int(file.stem.split("-")[1])
        if seed >= options.first and (options.count is None or seed < options.first + options.count):
            draw(seed, options.folder, options.card, options.samples)


main()
