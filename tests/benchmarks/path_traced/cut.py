"""Etched and unetched cuts through welds, path-traced: faces of `cut_faces.py` as steel on benches, on a glove, in resin.

Three steps; the second in the Python that holds `bpy` (see `common`):

    python tests/benchmarks/path_traced/cut_faces.py FOLDER --count 14
    TRACER/bin/python tests/benchmarks/path_traced/cut.py FOLDER --card strip.png
    python tests/benchmarks/path_traced/evaluate_cuts.py FOLDER
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import bpy
import common
import numpy as np
from materials import material, mesh, node

GROUNDS = ("resin", "bench", "bench", "glove", "bench", "resin", "bench")
RESINS = ((0.02, 0.022, 0.025), (0.6, 0.58, 0.5), (0.05, 0.09, 0.2), (0.2, 0.06, 0.04))
WIDTH_PX, HEIGHT_PX = 1360, 1020


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


def draw(seed: int, folder: Path, card: Path, samples: int) -> None:
    """One photograph of the cut that `cut_faces.py` drew."""
    told = json.loads((folder / f"cut-{seed}.json").read_text(encoding="utf-8"))
    joint, (low, high) = told["joint"], np.array(told["box_mm"])
    rng = np.random.default_rng([seed, 5])
    ground, light = GROUNDS[seed % len(GROUNDS)], str(rng.choice(common.LIGHTS))
    metal, thick = np.array(joint["metal"]), float(rng.uniform(8, 18))
    lies = Lies(rng, metal, thick)
    common.begin()
    common.bench(str(rng.choice(common.BENCHES)), rng)
    top, side = lies(metal), material("side", Base_Color=(0.16, 0.14, 0.12), Metallic=0.5, Roughness=0.5)[0]
    count = len(top)
    mesh("face", top, [list(range(count))], etched(folder, seed), (metal - low) / (high - low))
    foot = top - [0, 0, thick]
    mesh(
        "sides",
        np.concatenate([top, foot]),
        [[(k + 1) % count, k, count + k, count + (k + 1) % count] for k in range(count)],
        side,
    )
    reach = np.abs(top[:, :2]).max(axis=0)
    if ground == "resin":
        ring = np.linspace(0, 2 * np.pi, 160, endpoint=False)
        radius = float(np.hypot(*top[:, :2].T).max() + rng.uniform(2, 6))
        reach = np.full(2, radius)
        body = material("resin", Base_Color=RESINS[int(rng.integers(len(RESINS)))], Roughness=0.25)[0]
        common.block(radius * np.column_stack([np.cos(ring), np.sin(ring)]), thick - 0.03, rng, body)
    elif ground == "glove":
        glove(rng, thick)
    middle = np.array([rng.normal(0, 3), float(rng.choice([-1, 1])) * (reach[1] + 14 + rng.uniform(0, 5))])
    held = common.card(card, middle, float(rng.normal(0, 2)), thick, rng)
    ends = np.array(
        [
            [min(-reach[0], middle[0] - 52), min(-reach[1], middle[1] - 13)],
            [max(reach[0], middle[0] + 52), max(reach[1], middle[1] + 13)],
        ]
    )
    common.clutter(
        rng, int(rng.integers(0, 5)), np.array([[-reach[0] - 8, -reach[1] - 8, *(reach + 8)], [*(middle - 60), *(middle + 60)]])
    )
    across = np.ptp(ends, axis=0)
    mm_per_px = 1.1 * max(across[0] / WIDTH_PX, across[1] / HEIGHT_PX)
    aim = [*ends.mean(axis=0), thick]
    eye = common.camera(
        rng, aim, mm_per_px=mm_per_px, tilt_deg=float(rng.uniform(0, 6)), width_px=WIDTH_PX, height_px=HEIGHT_PX
    )
    common.lamps(light, rng, eye.eye)
    pixels = common.render(eye, samples, seed)
    outline_px = eye.project(top)
    inner = np.zeros(pixels.shape[:2], bool)
    box = np.concatenate([outline_px.min(axis=0), outline_px.max(axis=0)]).astype(int).clip(0)
    inner[box[1] : box[3], box[0] : box[2]] = True
    rgb = common.developed(pixels, rng, inner)

    def seen(points) -> list:
        return eye.project(lies(points)).round(3).tolist()

    toes = np.array(seen(joint["toes"]))
    sizes, along = dict(joint["sizes"]), toes[1] - toes[0]
    swap = joint["test"] == "macro-butt" and (along[0] if abs(along[0]) >= abs(along[1]) else along[1]) < 0
    if swap:
        sizes["toe_angle_1_deg"], sizes["toe_angle_2_deg"] = sizes["toe_angle_2_deg"], sizes["toe_angle_1_deg"]
    truth = {
        "seed": seed,
        "groups": {"look": told["look"], "finish": told["finish"], "light": light, "ground": ground, "joint": joint["kind"]},
        "mm_per_px": mm_per_px,
        "specimen": {"test": joint["test"], "thickness_mm": joint["thickness"], "crown_height_mm": thick},
        "area_outline_px": outline_px.round(3).tolist(),
        "section": sizes,
        "weld": {
            "etch": float(told["look"] != "unetched"),
            "outline_px": seen(joint["weld"]),
            "toes_px": toes.tolist(),
            "face_px": seen(joint["face"]),
            "plates_px": [seen(plate) for plate in joint["plates"]],
        },
        "undercuts": [
            {**one, "toe": 3 - one["toe"] if swap else one["toe"], "outline_px": seen(one["outline_mm"])}
            for one in joint["undercuts"]
        ],
        "unfused": [
            {"line_px": seen(gap), "length_mm": float(np.hypot(*np.subtract(gap[-1], gap[0])))} for gap in joint["gaps"]
        ],
        "overlaps": [],
        "features": [{**one, "outline_px": seen(one["outline_mm"])} for one in told.get("features", [])],
        "card": held,
        "surface_height_mm": 0.0,
    }
    common.save(folder, f"cut-{seed}", rgb, eye, truth, sheet(seed, joint, told["look"] != "unetched"), rng)


def sheet(seed: int, joint: dict, shown: bool) -> str:
    """What a person would enter."""
    etchant = 'etchant = "nital"' if shown else ""
    return f"""[specimen]
id = "PT-{seed}"
test = "{joint["test"]}"
parent_thickness_mm = {joint["thickness"]:.1f}

[section]
grit = 400
{etchant}

[scale]
method = "card"
surface_height_mm = 0.0
surface_height_U_mm = 0.4

[validity]
valid = true
"""


def main() -> None:
    """Draw what has a face and no photograph yet."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--card", type=Path, required=True, help="what `specimeter card strip --out strip.png` wrote")
    parser.add_argument("--samples", type=int, default=16)
    options = parser.parse_args(sys.argv[1:])
    for file in sorted(options.folder.glob("cut-*.json")):
        if not file.name.endswith(".truth.json") and not file.with_suffix(".jpg").exists():
            draw(int(file.stem.split("-")[1]), options.folder, options.card, options.samples)


main()
