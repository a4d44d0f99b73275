"""What path-traced pictures share: camera, lamps, bench, printed card, clutter, steel; a JPEG with EXIF, its sheet and truth.

Drawn by Cycles, which shares nothing with `specimeter.scene`: no code, no light, no camera, no surface. The scripts beside run
in a Python of their own that holds `bpy` (Blender as a module) and `pillow`:

    python3.11 -m venv TRACER && TRACER/bin/pip install bpy==5.0.1 pillow
    specimeter card strip --out strip.png
    TRACER/bin/python tests/benchmarks/path_traced/bend.py FOLDER --card strip.png --count 12
    python tests/benchmarks/path_traced/evaluate.py FOLDER        (this one in the project's own environment)

Lengths are mm. Blender's axes: x to the right of the bench, y away, z up. In the truth, as in specimeter, y runs down along
the card as printed and z into the bench: `FLIP` turns one into the other.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import bpy
import numpy as np
from materials import bumped, material, mesh, mixed, node, noise, ramp
from PIL import Image

FLIP = np.diag([1.0, -1.0, -1.0])
CARD_MM, SHEET_MM, MARGIN_MM = (100.0, 20.0), 132.0, 16.0  # of the strip, and of the PNG that `specimeter card strip` writes
PAPER_MM = 0.25
FULL_FRAME_DIAGONAL_MM = 43.27


def asked(about: str, *, samples: int = 24, count: int | None = 12, **flags: str) -> argparse.Namespace:
    """What the command line asks for: folder, card, seeds, samples; `flags`: the script's own, each with its help."""
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--card", type=Path, required=True, help="what `specimeter card strip --out strip.png` wrote")
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--count", type=int, default=count, help="how many" if count else "how many; all if not given")
    parser.add_argument("--samples", type=int, default=samples, help="rays through each pixel")
    for name, meaning in flags.items():
        parser.add_argument(f"--{name.replace('_', '-')}", action="store_true", help=meaning)
    return parser.parse_args()


# ------------------------------------------------------------------ camera


@dataclass(frozen=True, kw_only=True)
class Camera:
    """A pinhole or thin lens. `eye`, `target`: mm, Blender's axes; `aperture_mm`: radius of the lens, 0 for all in focus."""

    eye: np.ndarray
    target: np.ndarray
    roll_deg: float
    focal_px: float
    width_px: int
    height_px: int
    aperture_mm: float = 0.0
    focus_mm: float = 0.0  # distance in focus; 0: that of the target

    @property
    def rotation(self) -> np.ndarray:
        """Rows: the picture's right, down and forward in Blender's axes."""
        forward = (self.target - self.eye) / np.linalg.norm(self.target - self.eye)
        right = np.cross(forward, [0.0, 1.0, 0.0])
        right /= np.linalg.norm(right)
        down = np.cross(forward, right)
        cos, sin = np.cos(np.radians(self.roll_deg)), np.sin(np.radians(self.roll_deg))
        return np.array([cos * right + sin * down, cos * down - sin * right, forward])

    @property
    def centre_px(self) -> np.ndarray:
        """Principal point [x, y], pixel centres at whole numbers."""
        return np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

    def project(self, points: np.ndarray) -> np.ndarray:
        """Pixels [x, y], shape (N, 2), of points (N, 3) in Blender's axes."""
        seen = (np.asarray(points, float) - self.eye) @ self.rotation.T
        return self.centre_px + self.focal_px * seen[:, :2] / seen[:, 2:]

    def truth(self) -> dict:
        """As the truth file holds it."""
        rotation = self.rotation @ FLIP
        return {
            "name": "path tracer",
            "focal_px": self.focal_px,
            "centre_px": self.centre_px.tolist(),
            "k1": 0.0,
            "rotation": rotation.tolist(),
            "eye_mm": (FLIP @ self.eye).tolist(),
            "tilt_deg": float(np.degrees(np.arccos(np.clip(rotation[2, 2], -1, 1)))),
            "distance_mm": float(np.linalg.norm(self.eye - self.target)),
        }

    @property
    def focal_35mm_mm(self) -> float:
        """As EXIF tells it: of a full frame of the same diagonal."""
        return self.focal_px * FULL_FRAME_DIAGONAL_MM / float(np.hypot(self.width_px, self.height_px))

    def put(self) -> None:
        """Into Blender's scene."""
        held = bpy.data.cameras.new("camera")
        held.sensor_fit, held.sensor_width = "HORIZONTAL", 36.0
        held.lens = self.focal_px / self.width_px * 36.0
        held.clip_start, held.clip_end = 1.0, 1e5
        if self.aperture_mm:
            held.dof.use_dof = True
            held.dof.focus_distance = self.focus_mm or float(np.linalg.norm(self.target - self.eye))
            held.dof.aperture_fstop = 1e-3 * held.lens / (2 * self.aperture_mm)  # Blender takes a unit for a metre
        own = bpy.data.objects.new("camera", held)
        bpy.context.scene.collection.objects.link(own)
        right, down, forward = self.rotation
        matrix = np.eye(4)
        matrix[:3, :3] = np.column_stack([right, -down, -forward])
        matrix[:3, 3] = self.eye
        own.matrix_world = matrix.T.tolist()
        bpy.context.scene.camera = own


def camera(
    rng: np.random.Generator,
    target: Sequence[float],
    *,
    mm_per_px: float,
    tilt_deg: float,
    width_px: int = 1280,
    height_px: int = 960,
    focal_35mm_mm: float | None = None,
    aperture_mm: float = 0.0,
) -> Camera:
    """One that looks at the target from any side, tilted, at the distance that gives the sampling there."""
    focal_35 = float(rng.choice([26, 35, 50, 77])) if focal_35mm_mm is None else focal_35mm_mm
    focal = focal_35 / FULL_FRAME_DIAGONAL_MM * float(np.hypot(width_px, height_px))
    distance, side, tilt = mm_per_px * focal, rng.uniform(0, 2 * np.pi), np.radians(tilt_deg)
    away = np.array([np.sin(tilt) * np.cos(side), np.sin(tilt) * np.sin(side), np.cos(tilt)])
    return Camera(
        eye=np.asarray(target, float) + distance * away,
        target=np.asarray(target, float),
        roll_deg=float(rng.normal(0, 4)),
        focal_px=focal,
        width_px=width_px,
        height_px=height_px,
        aperture_mm=aperture_mm,
        focus_mm=distance,
    )


# ------------------------------------------------------------------ bench, card, clutter, lamps


def begin() -> None:
    """An empty scene, rendered by Cycles in linear light: on an accelerator that speaks CUDA where there is one."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene = bpy.context.scene
    scene.render.engine = "CYCLES"
    cycles = bpy.context.preferences.addons["cycles"].preferences
    accelerators = [device for device in cycles.get_devices_for_type("CUDA") if device.type == "CUDA"]
    if accelerators:
        cycles.compute_device_type = "CUDA"
        for device in cycles.devices:
            device.use = device.type == "CUDA"
    scene.cycles.device = "GPU" if accelerators else "CPU"
    scene.render.threads_mode, scene.render.threads = "FIXED", 2  # many draw side by side, and stood in each other's way
    scene.view_settings.view_transform = "Raw"
    scene.world = bpy.data.worlds.new("world")


BENCHES = ("wood", "paint", "steel", "paper", "cloth")


def bench(kind: str, rng: np.random.Generator, size_mm: float = 900.0):
    """A large plane at z = 0."""
    half = size_mm / 2
    colour = {
        "wood": (0.35, 0.2, 0.1),
        "paint": tuple(rng.uniform(0.05, 0.4, 3)),
        "steel": (0.3, 0.3, 0.3),
        "paper": (0.75, 0.74, 0.7),
        "cloth": tuple(rng.uniform(0.02, 0.25, 3)),
    }[kind]
    made_of, shader = material("bench", Base_Color=colour, Roughness=float(rng.uniform(0.35, 0.9)))
    tree = made_of.node_tree
    per_mm = {"wood": (0.02, 0.6), "paint": (0.05, 0.05), "steel": (0.01, 2.0), "paper": (1.0, 1.0), "cloth": (1.8, 1.8)}[kind]
    pattern = noise(tree, per_mm, seed=float(rng.uniform(0, 99)), turn=float(rng.uniform(0, 3)))
    tree.links.new(
        ramp(tree, pattern, 0.3, 0.7, tuple(0.55 * np.array(colour)), tuple(np.clip(1.25 * np.array(colour), 0, 1))),
        shader.inputs["Base Color"],
    )
    if kind in ("cloth", "wood", "steel"):
        bumped(tree, shader, pattern, {"cloth": 0.5, "wood": 0.15, "steel": 0.02}[kind])
    if kind == "steel":
        shader.inputs["Metallic"].default_value = 1.0
    corners = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    return mesh("bench", np.column_stack([corners, np.zeros(4)]), [[0, 1, 2, 3]], made_of, corners)


def card(file: Path, middle_mm: Sequence[float], angle_deg: float, height_mm: float, rng: np.random.Generator) -> dict:
    """The printed strip, its middle at [x, y], lying at a height (on a block where that is above the bench); its truth."""
    made_of, shader = material("card", Roughness=float(rng.uniform(0.6, 0.95)))
    tree = made_of.node_tree
    image = bpy.data.images.load(str(Path(file).resolve()))
    at = node(tree, "ShaderNodeUVMap").outputs["UV"]
    printed = node(tree, "ShaderNodeTexImage", {"Vector": at}, image=image, interpolation="Cubic").outputs["Color"]
    ink, paper = float(rng.uniform(0.02, 0.05)), float(rng.uniform(0.6, 0.85))
    tree.links.new(mixed(tree, printed, (ink,) * 3, (paper, paper, 0.97 * paper)), shader.inputs["Base Color"])
    width, height = CARD_MM
    nominal = np.array([[0, 0], [width, 0], [width, height], [0, height]])
    u = (nominal[:, 0] + MARGIN_MM) / SHEET_MM
    v = 1 - (nominal[:, 1] + MARGIN_MM) / SHEET_MM
    top = _on_card(nominal, middle_mm, angle_deg, height_mm)
    mesh("card", top, [[3, 2, 1, 0]], made_of, np.column_stack([u, v]))
    if height_mm > PAPER_MM:
        block(
            _on_card(np.array([[-2, -2], [102, -2], [102, 22], [-2, 22]]), middle_mm, angle_deg, 0)[:, :2],
            height_mm - 0.05,
            rng,
        )
    return {"kind": "strip", "height_mm": height_mm, "outline_mm": (top @ FLIP).tolist()}


def _on_card(nominal_mm: np.ndarray, middle_mm, angle_deg: float, height_mm: float) -> np.ndarray:
    """Points of the card as printed (x right, y down from its top-left corner), in Blender's axes."""
    x, y = (nominal_mm - np.array(CARD_MM) / 2).T
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.column_stack([middle_mm[0] + cos * x + sin * y, middle_mm[1] + sin * x - cos * y, np.full(len(x), height_mm)])


def block(base: np.ndarray, height_mm: float, rng: np.random.Generator, made_of=None):
    """An upright prism on the bench over a base (N, 2)."""
    count = len(base)
    made_of = (
        made_of or material("block", Base_Color=tuple(rng.uniform(0.03, 0.5, 3)), Roughness=float(rng.uniform(0.3, 0.9)))[0]
    )
    vertices = np.concatenate([np.column_stack([base, np.full(count, z)]) for z in (0.0, height_mm)])
    sides = [[k, (k + 1) % count, count + (k + 1) % count, count + k] for k in range(count)]
    return mesh("block", vertices, [list(range(count))[::-1], list(range(count, 2 * count)), *sides], made_of)


def clutter(rng: np.random.Generator, count: int, clear: np.ndarray, reach_mm: float = 170.0) -> None:
    """Pens, nuts, coins, offcuts and tapes about the bench, none within what is clear: boxes (N, 4) as x0, y0, x1, y1."""
    for _ in range(count):
        kind = rng.choice(["pen", "nut", "coin", "offcut", "tape"])
        size = {"pen": 70.0, "nut": 12.0, "coin": 13.0, "offcut": 25.0, "tape": 30.0}[kind]
        for _ in range(30):
            x, y = rng.uniform(-reach_mm, reach_mm, 2)
            if not any(x0 - size < x < x1 + size and y0 - size < y < y1 + size for x0, y0, x1, y1 in clear):
                break
        else:
            continue
        metal = kind in ("nut", "coin", "offcut")
        made_of, _ = material(
            kind, Base_Color=tuple(rng.uniform(0.05, 0.7, 3)), Metallic=float(metal), Roughness=float(rng.uniform(0.15, 0.6))
        )
        turn = float(rng.uniform(0, 2 * np.pi))
        around = np.linspace(0, 2 * np.pi, 6 if kind == "nut" else 48, endpoint=False) + turn
        if kind == "pen":
            ring = np.linspace(0, 2 * np.pi, 32, endpoint=False)
            ends = np.array([-65.0, 65.0])
            along, over = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
            points = np.concatenate(
                [
                    np.column_stack([[x, y] + end * along + 4.5 * np.cos(ring)[:, None] * over, 4.5 + 4.5 * np.sin(ring)])
                    for end in ends
                ]
            )
            mesh(
                kind,
                points,
                [[k, (k + 1) % 32, 32 + (k + 1) % 32, 32 + k] for k in range(32)]
                + [list(range(32))[::-1], list(range(32, 64))],
                made_of,
            )
        elif kind in ("nut", "coin", "tape"):
            radius, tall = {"nut": (9.0, 7.0), "coin": (11.0, 1.8), "tape": (26.0, 18.0)}[kind]
            block(np.array([x, y]) + radius * np.column_stack([np.cos(around), np.sin(around)]), tall, rng, made_of)
        else:
            corners = np.array([[-18, -9], [18, -9], [18, 9], [-18, 9.0]])
            rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
            block(np.array([x, y]) + corners @ rotation.T, float(rng.uniform(4, 14)), rng, made_of)


LIGHTS = ("softbox", "two lamps", "window", "flash", "low lamp")
MORE_LIGHTS = ("ring", "tubes", "overcast")


def lamps(kind: str, rng: np.random.Generator, eye: np.ndarray) -> None:
    """Area lamps about the origin, and a room that is neither even nor black."""
    side = float(rng.uniform(0, 2 * np.pi))
    if kind == "softbox":
        placed = [(side, rng.uniform(25, 60), 450.0, float(rng.uniform(180, 420)), 6.0)]
    elif kind == "two lamps":
        placed = [
            (side + k * rng.uniform(2.0, 3.6), rng.uniform(30, 65), 350.0, float(rng.uniform(25, 90)), 4.0) for k in range(2)
        ]
    elif kind == "window":
        placed = [(side, rng.uniform(15, 40), 1500.0, 1100.0, 5.0)]
    elif kind == "low lamp":
        placed = [(side, rng.uniform(10, 22), 300.0, 40.0, 8.0)]
    elif kind == "tubes":
        placed = [(side + rng.normal(0, 0.5), rng.uniform(40, 85), rng.uniform(600, 1500), 1200.0, 3.0) for _ in range(2)]
    elif kind == "overcast":
        placed = [(side, rng.uniform(50, 85), 900.0, float(rng.uniform(1000, 2000)), 2.0)]
    elif kind == "ring":
        placed, around, radius = [], 2 * np.pi * np.arange(10) / 10, rng.uniform(30, 80)
        for turn in around:
            _lamp(eye + radius * np.array([np.cos(turn), np.sin(turn), 0.0]), 9.0, 0.9)
    else:
        placed = []
        _lamp(eye + np.array([12.0, 8.0, 0.0]), 9.0, 9.0)
    for turn, rise_deg, far, size, strength in placed:
        rise = np.radians(rise_deg)
        way = np.array([np.cos(rise) * np.cos(turn), np.cos(rise) * np.sin(turn), np.sin(rise)])
        _lamp(far * way, size, strength, 60.0 if kind == "tubes" else size)
    world = bpy.context.scene.world
    if world.node_tree is None:
        world.use_nodes = True
    tree = world.node_tree
    way = node(tree, "ShaderNodeTexCoord").outputs["Generated"]
    cloud = node(
        tree, "ShaderNodeTexNoise", {"Vector": way, "Scale": 1.6, "W": float(rng.uniform(0, 99))}, noise_dimensions="4D"
    )
    shade = ramp(
        tree, cloud.outputs[0], 0.35, 0.65, (0.03, 0.03, 0.035), tuple(rng.uniform(0.5, 1.0) * np.array([1.0, 0.97, 0.92]))
    )
    tree.links.new(shade, tree.nodes["Background"].inputs["Color"])


def _lamp(place: np.ndarray, size_mm: float, strength: float, high_mm: float | None = None) -> None:
    """One that faces the origin, square or `high_mm` high; `strength`: its light there over that of a white room."""
    held = bpy.data.lights.new("lamp", "AREA")
    held.shape, held.size, held.size_y = "RECTANGLE", size_mm, size_mm if high_mm is None else high_mm
    held.energy = strength * np.pi**2 * float(place @ place)
    own = bpy.data.objects.new("lamp", held)
    bpy.context.scene.collection.objects.link(own)
    back = place / np.linalg.norm(place)
    right = np.cross([0.0, 0.0, 1.0], back)
    right = right / np.linalg.norm(right) if np.linalg.norm(right) > 1e-6 else np.array([1.0, 0, 0])
    matrix = np.eye(4)
    matrix[:3, :3] = np.column_stack([right, np.cross(back, right), back])
    matrix[:3, 3] = place
    own.matrix_world = matrix.T.tolist()


# ------------------------------------------------------------------ the photograph


def render(eye: Camera, samples: int, seed: int) -> np.ndarray:
    """Linear light (H, W, 3), float32, as Cycles gives it."""
    eye.put()
    scene = bpy.context.scene
    scene.render.resolution_x, scene.render.resolution_y, scene.render.resolution_percentage = eye.width_px, eye.height_px, 100
    scene.cycles.samples, scene.cycles.seed = samples, seed
    scene.cycles.use_denoising, scene.cycles.use_adaptive_sampling = False, True
    scene.cycles.adaptive_threshold = 0.02
    scene.cycles.max_bounces, scene.cycles.sample_clamp_indirect = 6, 4.0
    scene.cycles.filter_width = 1.2
    scene.render.image_settings.file_format = "OPEN_EXR"
    scene.render.image_settings.color_depth = "32"
    with tempfile.TemporaryDirectory() as folder:
        scene.render.filepath = str(Path(folder) / "light.exr")
        bpy.ops.render.render(write_still=True)
        image = bpy.data.images.load(scene.render.filepath)
        image.colorspace_settings.name = "Non-Color"
        held = np.empty(eye.width_px * eye.height_px * 4, np.float32)
        image.pixels.foreach_get(held)
        bpy.data.images.remove(image)
    return held.reshape(eye.height_px, eye.width_px, 4)[::-1, :, :3].copy()


def developed(light: np.ndarray, rng: np.random.Generator, middle: np.ndarray | None = None) -> np.ndarray:
    """8-bit sRGB as a camera would give it: exposed, with noise, a shoulder, some sharpening. `middle`: (H, W) what is exposed
    for."""
    aimed = light.mean(axis=2)[middle] if middle is not None else light.mean(axis=2)[light.shape[0] // 4 : -light.shape[0] // 4]
    level = max(float(np.median(aimed)), 0.35 * float(np.percentile(aimed, 90)), 1e-6)
    bright = light * (rng.uniform(0.14, 0.38) / level)
    noise_of = rng.uniform(0.0005, 0.004)
    bright = bright + rng.normal(size=bright.shape).astype(np.float32) * np.sqrt(
        noise_of**2 + noise_of * 0.5 * np.clip(bright, 0, 2)
    )
    bright = np.where(bright > 0.6, 0.6 + 0.4 * np.tanh((bright - 0.6) / 0.6), np.maximum(bright, 0))
    code = np.where(bright <= 0.0031308, 12.92 * bright, 1.055 * np.power(np.maximum(bright, 1e-9), 1 / 2.4) - 0.055)
    curve = rng.uniform(0, 0.35)
    code = code + curve * (code * code * (3 - 2 * code) - code)
    soft = (code + np.roll(code, 1, 0) + np.roll(code, -1, 0) + np.roll(code, 1, 1) + np.roll(code, -1, 1)) / 5
    code = code + rng.uniform(0, 0.8) * (code - soft)
    return np.round(255 * np.clip(code, 0, 1)).astype(np.uint8)


def save(folder: Path, stem: str, rgb: np.ndarray, eye: Camera, truth: dict, sheet: str, rng: np.random.Generator) -> None:
    """stem.jpg, stem.sheet.toml and stem.truth.json."""
    folder.mkdir(parents=True, exist_ok=True)
    exif = Image.Exif()
    exif[0x0112] = 1  # orientation: as it is
    inner = exif.get_ifd(0x8769)
    inner[0x9003] = "2025:05:06 09:00:00"
    inner[0xA405] = round(eye.focal_35mm_mm)
    Image.fromarray(rgb).save(folder / f"{stem}.jpg", quality=int(rng.integers(82, 97)), exif=exif.tobytes())
    (folder / f"{stem}.sheet.toml").write_text(sheet, encoding="utf-8")
    whole = {"format": "specimeter-truth", "version": 1, "photo": f"{stem}.jpg", "scene": stem, "camera": eye.truth()}
    whole |= {"width_px": eye.width_px, "height_px": eye.height_px, **truth}
    if truth["card"]:
        corners = np.array(truth["card"]["outline_mm"]) @ FLIP
        whole["card"] = truth["card"] | {"outline_px": eye.project(corners).round(3).tolist()}
    (folder / f"{stem}.truth.json").write_text(json.dumps(whole, separators=(",", ":")), encoding="utf-8")
