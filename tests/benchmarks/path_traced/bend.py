"""Bends drawn by a path tracer: bars with openings cut into them, on benches, under lamps, with the printed card.

``TRACER/bin/python tests/benchmarks/path_traced/bend.py FOLDER --card strip.png [--first 0] [--count 12] [--samples 24]``
How TRACER is made stands at the top of `common.py`. Every fourth bend has no opening. One takes about two minutes of
one core. `--for-training`: near views and many openings too, and none of HELD_OUT's finishes, lights and benches; seeds from
20000, those of the benchmark lie below.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import bend_holes
import bend_skins
import common
import materials
import numpy as np
import outlines

STEEPEST_DEG = 60.0  # beyond, a face is not examined
CLEAN_EVERY = 4
STATIONS, CORNER_STEPS = 360, 6
LONG_PX = 1360
NEAR, NEAR_MM, MOST_FOR_TRAINING = (
    0.65,
    (0.03, 0.12),
    13,
)  # share of near views, their samplings, one more than the most openings
HELD_OUT = {"finish": bend_skins.HELD_OUT, "light": ("low lamp",), "bench": ("cloth",)}


@dataclass(frozen=True, kw_only=True)
class Bar:
    """A bent bar that stands on its legs: mm and degrees. Developed [s, a]: along the arc from the crown, along the axis."""

    radius: float
    width: float
    thickness: float
    angle_deg: float
    crown: float  # above the bench
    corner: float
    axis_deg: float  # of the bend axis in Blender's x, y

    @property
    def half_angle(self) -> float:
        """From the crown to where each leg begins, in radians."""
        return float(np.radians(self.angle_deg) / 2)

    @property
    def leg(self) -> float:
        """Length of each leg's outer side, down to the bench."""
        return float((self.radius * np.cos(self.half_angle) + self.crown - self.radius) / np.sin(self.half_angle))

    def place(self, developed: np.ndarray, depth: np.ndarray | float = 0.0) -> np.ndarray:
        """Points (N, 3) in Blender's axes of developed [s, a], so far below the outer face."""
        s, a = np.asarray(developed, float).T
        theta = np.clip(s / self.radius, -self.half_angle, self.half_angle)
        beyond, out = s - theta * self.radius, self.radius - depth
        along = out * np.sin(theta) + beyond * np.cos(theta)
        up = out * np.cos(theta) - np.abs(beyond) * np.sin(np.abs(theta)) + self.crown - self.radius
        turn = np.radians(self.axis_deg)
        across = np.array([np.sin(turn), -np.cos(turn)])  # along s at the crown; with the axis and up a right-handed frame
        axis = np.array([np.cos(turn), np.sin(turn)])
        return np.column_stack([along[:, None] * across + a[:, None] * axis, up])

    def drop(self, a: np.ndarray) -> np.ndarray:
        """How far the rounded long edges fall below the face at a."""
        over = np.clip(np.abs(a) - (self.width / 2 - self.corner), 0.0, self.corner)
        return self.corner - np.sqrt(np.maximum(self.corner**2 - over**2, 0.0))

    def build(self, made_of):
        """The bar as a closed mesh."""
        quarter = np.linspace(0, np.pi / 2, CORNER_STEPS)
        r, half = self.corner, self.width / 2
        right = [(half - r + r * np.sin(q), r - r * np.cos(q)) for q in quarter]
        low = [(half - r + r * np.cos(q), self.thickness - r + r * np.sin(q)) for q in quarter]
        ring = [*[(a, 0.0) for a in np.linspace(-half + r, half - r, 24)[1:-1]], *right, *low]
        ring += [(-a, d) for a, d in low[::-1]] + [(-a, d) for a, d in right[::-1]]
        a, depth = np.array(ring).T
        reach = self.radius * self.half_angle
        s = np.concatenate([[-reach - self.leg], np.linspace(-reach, reach, STATIONS), [reach + self.leg]])
        developed = np.column_stack([np.repeat(s, len(a)), np.tile(a, len(s))])
        vertices = self.place(developed, np.tile(depth, len(s)))
        count = len(a)
        k, j = (grid.ravel() for grid in np.meshgrid(np.arange(len(s) - 1), np.arange(count), indexing="ij"))
        following = (j + 1) % count
        quads = np.column_stack([k * count + j, k * count + following, (k + 1) * count + following, (k + 1) * count + j])
        ends = [list(range(count)), list(range((len(s) - 1) * count, len(s) * count))[::-1]]
        side = np.sign(np.tile(a, len(s))) * np.maximum(np.tile(depth, len(s)) - r, 0)
        return materials.mesh(
            "bar", vertices, [*(quads[:, ::-1].tolist()), *ends[:]], made_of, developed + np.column_stack([0 * side, side])
        )


def face(bar: Bar, eye: common.Camera) -> np.ndarray:
    """Developed outline (N, 2) of the arc no steeper than 60 degrees to the sight line, over the full width."""
    reach = bar.radius * bar.half_angle
    s = np.linspace(-reach, reach, 801)
    rows = []
    for a in np.linspace(-bar.width / 2, bar.width / 2, 61):
        at = np.column_stack([s, np.full(len(s), a)])
        here = bar.place(at)
        outward = bar.place(at, -1.0) - here
        to_eye = eye.eye - here
        cosine = (outward * to_eye).sum(axis=1) / np.linalg.norm(to_eye, axis=1)
        seen = s[cosine >= np.cos(np.radians(STEEPEST_DEG))]
        rows.append((seen.min(), seen.max(), a))
    low, high, a = np.array(rows).T
    ends = [np.linspace(low[k], high[k], 60)[1:-1] for k in (-1, 0)]
    return np.concatenate(
        [
            np.column_stack([low, a]),
            np.column_stack([ends[0], np.full(58, a[-1])]),
            np.column_stack([high[::-1], a[::-1]]),
            np.column_stack([ends[1][::-1], np.full(58, a[0])]),
        ]
    )


def groups(rng: np.random.Generator, for_training: bool) -> dict:
    """The finish, light and bench by lot; for training none that is held out."""
    choices = {"finish": bend_skins.FINISHES, "light": common.LIGHTS, "bench": common.BENCHES}
    if for_training:
        choices = {name: [one for one in held if one not in HELD_OUT[name]] for name, held in choices.items()}
    return {name: str(rng.choice(held)) for name, held in choices.items()}


def bar_by_lot(rng: np.random.Generator) -> Bar:
    radius = float(np.exp(rng.uniform(np.log(9), np.log(34))))
    return Bar(
        radius=radius,
        width=float(rng.uniform(14, 42)),
        thickness=min(float(rng.uniform(5, 14)), 0.7 * radius),
        angle_deg=float(rng.choice([120, 150, 180])),
        crown=radius + float(rng.uniform(2, 14)),
        corner=float(rng.uniform(0.3, 1.2) if rng.random() < 0.8 else rng.uniform(1.2, 2.4)),
        axis_deg=float(rng.choice([0, 90]) + rng.normal(0, 4)),
    )


def view(rng: np.random.Generator, bar: Bar, middle: np.ndarray, near: bool) -> common.Camera:
    """Of the bar and the card beside it, upright where the axis is; or near, of the face alone."""
    side = np.radians(bar.axis_deg) + np.pi / 2
    upright = abs(np.sin(np.radians(bar.axis_deg))) > 0.7  # the axis in the picture: the card's long side lies along it
    aperture = float(rng.choice([0.0, 0.8, 1.6]))
    if near:
        per_px = float(np.exp(rng.uniform(np.log(NEAR_MM[0]), np.log(NEAR_MM[1]))))
        shown = np.array([1.5 * bar.radius, bar.width]) / per_px + 60
        size = np.clip(shown[::-1] if not upright else shown, 480, 1280).astype(int) // 2 * 2
        at = bar.place(np.array([[rng.normal(0, 0.1) * bar.radius, rng.normal(0, 0.06) * bar.width]]))[0]
        tilt = float(abs(rng.normal(0, 9)))
        wide, tall = map(int, size)
        return common.camera(
            rng, at.tolist(), mm_per_px=per_px, tilt_deg=tilt, width_px=wide, height_px=tall, aperture_mm=aperture
        )  # fmt: skip
    apart = np.sign(middle @ np.array([np.cos(side), np.sin(side)]))
    long, across = common.CARD_MM[0] + float(rng.uniform(8, 16)), 2 * bar.radius + 24.0 + float(rng.uniform(6, 12))
    long_px = float(rng.choice([LONG_PX, LONG_PX, 1.3 * LONG_PX]))
    per_px = max(long / long_px, across / (0.75 * long_px))
    size = [round(long_px / 2) * 2, round(0.75 * long_px / 2) * 2]
    return common.camera(
        rng,
        [*(0.5 * (middle + apart * np.array([np.cos(side), np.sin(side)]) * (10.0 - bar.radius))), bar.crown - 2.0],
        mm_per_px=per_px,
        tilt_deg=float(abs(rng.normal(0, 6))),
        width_px=size[upright],
        height_px=size[not upright],
        aperture_mm=aperture,
    )


def draw(seed: int, folder: Path, card: Path, samples: int, for_training: bool = False) -> None:
    """One bend: photograph, sheet, truth."""
    rng = np.random.default_rng([seed, 607])
    common.begin()
    bar, lot = bar_by_lot(rng), groups(rng, for_training)
    weld_half, reach = float(rng.uniform(3, 9)), 0.75 * bar.radius
    test = str(rng.choice(["face-bend", "root-bend", "side-bend"]))
    holes: list[bend_holes.Hole] = []
    wanted = 0 if seed % CLEAN_EVERY == CLEAN_EVERY - 1 else int(rng.integers(2, MOST_FOR_TRAINING if for_training else 7))
    for _ in range(60):
        if len(holes) == wanted:
            break
        new = bend_holes.hole(rng, bar, weld_half, reach)
        if bend_holes.apart(holes, new, 0.6):
            holes.append(new)
    over = bend_skins.painted(rng, bar.width, weld_half, 1.2 * reach, holes)
    body = bar.build(bend_skins.metal("bar", lot["finish"], rng, over))
    materials.carve_all(body, [one.cutter(bar, rng) for one in holes])
    body.data.shade_smooth()
    body.data.set_sharp_from_angle(angle=np.radians(25))

    high, near = rng.random() < 0.7, for_training and rng.random() < NEAR
    side, apart = np.radians(bar.axis_deg) + np.pi / 2, float(rng.choice([-1, 1])) * (bar.radius + 14.0)
    middle = apart * np.array([np.cos(side), np.sin(side)])
    eye = view(rng, bar, middle, near)
    common.bench(lot["bench"], rng)
    turn = bar.axis_deg + float(rng.choice([0, 180])) + float(rng.normal(0, 3))
    lies = bar.crown - float(rng.uniform(0, 2)) if high else common.PAPER_MM
    held = common.card(card, middle, turn, lies, rng)
    clear = np.array([[-60.0, -60.0, 60.0, 60.0], [*(middle - 55.0), *(middle + 55.0)]])
    common.clutter(rng, int(rng.integers(0, 6)), clear)
    common.lamps(lot["light"], rng, eye.eye)
    pixels = common.render(eye, samples, seed)

    outline = face(bar, eye)
    outline_px = eye.project(bar.place(outline, bar.drop(outline[:, 1])))
    low, high_px = outline_px.min(axis=0).astype(int).clip(0), outline_px.max(axis=0).astype(int) + 1
    middle_of = np.zeros(pixels.shape[:2], bool)
    middle_of[low[1] : high_px[1], low[0] : high_px[0]] = True
    rgb = common.developed(pixels, rng, middle_of)

    def on_face(points: np.ndarray) -> np.ndarray:
        return eye.project(bar.place(points, bar.drop(points[:, 1])))

    features = []
    for one in holes:
        ring = bend_holes.clipped(one.outline, bar.width / 2)
        if len(ring) >= 3 and np.abs(ring[:, 0]).max() <= bar.radius * bar.half_angle:
            features.append(one.truth(ring, bar.width / 2) | {"outline_px": on_face(ring).round(3).tolist()})
    step = 1e-3
    around = eye.project(bar.place(np.array([[-step, 0], [step, 0], [0, -step], [0, step]])))
    jacobian = np.array([around[1] - around[0], around[3] - around[2]]) / (2 * step)
    truth = {
        "seed": seed,
        "for_training": for_training,
        "near": near,
        "groups": lot | {"height": "level" if high else "bench"},
        "mm_per_px": float(1 / np.sqrt(abs(np.linalg.det(jacobian)))),
        "specimen": {
            "test": test,
            "radius_mm": bar.radius,
            "width_mm": bar.width,
            "thickness_mm": bar.thickness,
            "angle_deg": bar.angle_deg,
            "corner_mm": bar.corner,
            "crown_height_mm": bar.crown,
            "axis_angle_deg": -bar.axis_deg,
        },
        "axis_px": eye.project(bar.place(np.array([[0.0, -bar.width / 2], [0.0, bar.width / 2]]))).round(3).tolist(),
        "area_outline_px": outline_px.round(3).tolist(),
        "area_outline_mm": outline.round(4).tolist(),
        "area_mm2": outlines.area_mm2(outline),
        "features": features,
        "distractors": [
            {
                "kind": mark["kind"],
                "size_mm": mark["size_mm"],
                "outline_px": on_face(mark["box_mm"]).round(2).tolist(),
                "lines_px": [on_face(line).round(2).tolist() for line in mark["lines_mm"]],
            }
            for mark in over.told
        ],
        "card": held,
        "surface_height_mm": bar.crown - lies,
    }
    common.save(folder, f"bend-{seed}", rgb, eye, truth, sheet(seed, bar, test, weld_half, eye, bar.crown - lies), rng)


def sheet(seed: int, bar: Bar, test: str, weld_half: float, eye: common.Camera, height: float) -> str:
    """What a person would enter."""
    ends = eye.project(bar.place(np.array([[0.0, -bar.width / 2], [0.0, bar.width / 2]])))
    upright = abs(ends[1, 1] - ends[0, 1]) > abs(ends[1, 0] - ends[0, 0])
    return f"""[specimen]
id = "PT-{seed}"
test = "{test}"
specimen_thickness_mm = {bar.thickness:.2f}
specimen_width_mm = {bar.width:.2f}
weld_width_mm = {2 * weld_half:.1f}

[bend]
former_diameter_mm = {2 * (bar.radius - bar.thickness):.1f}
angle_deg = {bar.angle_deg:.0f}
axis = "{"vertical" if upright else "horizontal"}"

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
    options = common.asked(__doc__, for_training="without what is held out")
    for seed in range(options.first, options.first + options.count):
        draw(seed, options.folder, options.card, options.samples, options.for_training)


if __name__ == "__main__":
    main()
