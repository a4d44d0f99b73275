"""Path-traced broken halves: a broken face between its notches, its relief and what broke open in it as one height field.

``python tests/benchmarks/path_traced/nick.py FOLDER --card strip.png --first 0 --count 12`` writes nick-SEED.jpg, its sheet and
its truth (how to get the Python that runs it: see `common`). Even seeds are nick-breaks, odd ones fillet-breaks with the plate
beside the root; every fourth has no feature. The end stands up; x runs along the weld, y through the wall, z to the camera.
With ``--for-training`` nothing of HELD_OUT is drawn, and half are near, without the card: seeds from 20000 on. With ``--near``
all are near.
"""

from __future__ import annotations

from pathlib import Path

import common
import materials
import numpy as np
import outlines
from nick_face import LOOKS, SKINS, End, end, marked
from nick_features import AT_BORDER, FORMS, add, turned

HELD_OUT = {"finish": ("fibrous", "columnar"), "light": ("flash", "low lamp"), "bench": ("cloth",)}
LIGHTS = (*common.LIGHTS, *common.MORE_LIGHTS)
CLEAN_EVERY, TRAINED_CLEAN = 4, 0.1


def build(made: End, turn: float, crown: float, rng: np.random.Generator) -> None:
    """The end and the bar below it as a mesh in Blender's scene."""
    rows, columns = made.x.shape
    flat = turned(np.column_stack([made.x.ravel(), made.y.ravel()]), turn)
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
    body = materials.quads("end", np.concatenate([top, foot]), np.concatenate([quads, sides]), held)
    layers = {"tone": (made.colour, rng.uniform(0.08, 0.5)), "metal": (made.metal, 0.7), "rough": (made.rough, 0.45)}
    layers["grain"] = (made.grain, 0.0)
    read = {}
    for name, (values, of_side) in layers.items():
        layer = body.data.attributes.new(name, "FLOAT_COLOR", "POINT")
        own = np.ones((len(top) + len(foot), 4), np.float32)
        own[: len(top), :3] = np.asarray(values).reshape(len(top), -1)
        own[len(top) :, :3] = of_side
        layer.data.foreach_set("color", own.ravel())
        read[name] = materials.node(tree, "ShaderNodeAttribute", attribute_name=name).outputs[
            "Color" if name == "tone" else "Fac"
        ]
    for name, target in (("tone", "Base Color"), ("metal", "Metallic"), ("rough", "Roughness")):
        tree.links.new(read[name], shader.inputs[target])
    if made.grain.any():
        materials.grained(tree, shader, read["grain"], made.grain_mm)
    body.data.shade_smooth()
    body.data.set_sharp_from_angle(angle=np.radians(50))


def drawn_from(rng: np.random.Generator, name: str, among: tuple[str, ...], for_training: bool) -> str:
    """One of a group, for training none that is held out."""
    return str(rng.choice([one for one in among if not (for_training and one in HELD_OUT[name])]))


def draw(seed: int, folder: Path, card: Path, samples: int, *, for_training: bool = False, near: bool = False) -> None:
    """One broken half: photograph, sheet, truth."""
    rng = np.random.default_rng([seed, 707])
    common.begin()
    near = near or (for_training and rng.random() < 0.5)
    mm_per_px = float(np.exp(rng.uniform(np.log(0.03), np.log(0.085)))) if near else float(rng.uniform(0.085, 0.11))
    if for_training and not near:
        mm_per_px *= float(rng.uniform(1, 1.6))
    test = ("nick-break", "fillet-break")[seed % 2]
    look, light, ground = (
        drawn_from(rng, name, among, for_training)
        for name, among in (("finish", LOOKS), ("light", LIGHTS), ("bench", common.BENCHES))
    )
    skin = str(rng.choice(SKINS))
    made, sizes = end(rng, test, look, skin, float(np.clip(0.9 * mm_per_px, 0.05, 0.09)))
    clean = rng.random() < TRAINED_CLEAN if for_training else seed % CLEAN_EVERY == CLEAN_EVERY - 1
    wanted = 0 if clean else int(rng.integers(2, 9 if for_training else 6))
    for _ in range(60):
        if len(made.features) >= wanted:
            break
        add(rng, made, str(rng.choice(FORMS)))
    marked(rng, made)
    crown = float(rng.uniform(8, 40))
    turn = float(rng.choice([0, np.pi / 2]) + rng.normal(0, 0.07))
    build(made, turn, crown, rng)

    def place(points: np.ndarray, heights=0.0) -> np.ndarray:
        return np.column_stack([turned(np.asarray(points, float), turn), np.full(len(points), crown) + heights])

    high = rng.random() < 0.7
    wide, tall = (1280, 960) if abs(np.cos(turn)) > 0.5 else (960, 1280)  # the card lies along the specimen
    aim = turned(rng.uniform(-0.25, 0.25, (1, 2)) * np.ptp(made.face, axis=0), turn)[0] if near else np.zeros(2)
    eye = common.camera(
        rng, [*aim, crown], mm_per_px=mm_per_px, tilt_deg=float(abs(rng.normal(0, 10 if for_training else 6))),
        width_px=wide, height_px=tall, aperture_mm=float(rng.choice([0.0, 0.8, 1.6] if for_training else [0.0, 0.8])),
    )  # fmt: skip
    common.bench(ground, rng)
    across = np.ptp(made.body[:, 1]) / 2 + float(rng.uniform(13, 20)) + (0.5 * crown * (not high))
    middle = turned(np.array([[0.0, float(rng.choice([-1, 1])) * across]]), turn)[0]
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
    rgb = common.developed(pixels * np.exp(rng.normal(0, 0.07, 3)), rng, there)
    features = [
        {
            "kind": one["kind"], "form": one["form"], "fill": one["fill"],
            "outline_px": eye.project(place(one["outline"], made.heights(_out(one["outline"], 0.15)))).round(3).tolist(),
            "outline_mm": one["outline"].round(5).tolist(),
            "length_mm": outlines.extent_mm(one["outline"]), "width_mm": outlines.width_mm(one["outline"]),
            "area_mm2": outlines.area_mm2(one["outline"]), "depth_mm": one["depth"], "at_corner": one["form"] in AT_BORDER,
        }
        for one in made.features
    ]  # fmt: skip
    step = 1e-3
    around = eye.project(place(np.array([[-step, 0], [step, 0], [0, -step], [0, step]])))
    jacobian = np.array([around[1] - around[0], around[3] - around[2]]) / (2 * step)
    truth = {
        "seed": seed,
        "for_training": for_training,
        "groups": {"finish": look, "light": light, "bench": ground, "skin": skin, "height": "level" if high else "bench"},
        "mm_per_px": float(1 / np.sqrt(abs(np.linalg.det(jacobian)))),
        "specimen": {"test": test, "crown_height_mm": crown, "width_mm": sizes["width"], "thickness_mm": sizes["thick"]},
        "axis_px": eye.project(place(np.array([[-sizes["width"] / 2, 0.0], [sizes["width"] / 2, 0.0]]))).round(3).tolist(),
        "area_outline_px": outline_px.round(3).tolist(),
        "area_outline_mm": made.face.round(4).tolist(),
        "area_mm2": outlines.area_mm2(made.face),
        "end_outline_px": eye.project(place(made.body, made.heights(made.body))).round(3).tolist(),
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
    near = "0.03 to 0.085 mm a pixel, the card hardly in view"
    options = common.asked(__doc__, for_training="nothing that is held out; half of them near", near=near)
    for seed in range(options.first, options.first + options.count):
        draw(seed, options.folder, options.card, options.samples, for_training=options.for_training, near=options.near)


if __name__ == "__main__":
    main()
