"""Bends drawn by a path tracer: bars with openings cut into them, on benches, under lamps, with the printed card.

``TRACER/bin/python tests/benchmarks/path_traced/bend.py FOLDER --card strip.png [--first 0] [--count 12] [--samples 24]``
How TRACER is made stands at the top of `common.py`. Every fourth bend has no opening. One takes about two minutes of
one core.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import common
import materials
import numpy as np
import outlines
from PIL import Image, ImageDraw, ImageFilter

STEEPEST_DEG = 60.0  # beyond, a face is not examined
CLEAN_EVERY = 4
STATIONS, CORNER_STEPS = 360, 6
PAINT_PER_MM = 25
LONG_PX, SHORT_PX = 1360, 1020
ABOVE_MM = 0.4  # how far a cutter stands out of the face
FORMS = ("tear", "tear", "lens", "cavity", "fusion-line", "slit", "corner-tear")


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


@dataclass(frozen=True, kw_only=True)
class Hole:
    """An opening: its outline (N, 2) in developed mm, how deep, and how its walls close in."""

    form: str
    fill: str
    outline: np.ndarray
    depth: float
    floor: float  # width of the floor over that of the mouth

    def cutter(self, bar: Bar, rng: np.random.Generator):
        """The room that it takes."""
        layers, count = [], len(self.outline)
        middle = self.outline.mean(axis=0)
        offset = self.outline - middle
        long = np.linalg.svd(offset, full_matrices=False)[2][0]
        along = offset @ long
        for share, width, length in (
            (0.0, 1.0, 1.0),
            (0.35, 0.5 + 0.5 * self.floor, 0.97),
            (0.8, self.floor, 0.9),
            (1.0, 0.6 * self.floor, 0.75),
        ):
            drawn = middle + (length * along)[:, None] * long + width * (offset - along[:, None] * long)
            layers.append((drawn, share * self.depth))
        layers = [(self.outline, -ABOVE_MM), *layers]
        vertices = np.concatenate([bar.place(ring, depth) for ring, depth in layers])
        j = np.arange(count)
        sides = [
            np.column_stack(
                [k * count + j, k * count + (j + 1) % count, (k + 1) * count + (j + 1) % count, (k + 1) * count + j]
            )
            for k in range(len(layers) - 1)
        ]
        faces = [
            *np.concatenate(sides).tolist(),
            list(range(count))[::-1],
            list(range((len(layers) - 1) * count, len(layers) * count)),
        ]
        return materials.mesh(
            "cutter",
            vertices,
            faces,
            materials.hollow(f"wall {self.form}", rng, self.fill),
            np.concatenate([ring for ring, _ in layers]),
        )


def ribbon(rng: np.random.Generator, length: float, width: float, ragged: float, blunt: float) -> np.ndarray:
    """A long outline about the origin, tips at u = ± length / 2, within 0.05 mm from point to point."""
    count = int(np.clip(length / 0.05, 40, 200))
    t = (1 - np.cos(np.linspace(0, np.pi, count))) / 2
    profile = (4 * t * (1 - t)) ** blunt
    wave = [outlines.wavy(rng, 2 * count, max(4, int(length / max(width, 0.3)))) for _ in range(2)]
    middle = ragged * width * profile * wave[0][:count] + 0.05 * length * rng.normal() * 4 * t * (1 - t)
    half = 0.5 * width * profile * np.clip(1 + 0.4 * ragged * wave[1][:count], 0.4, 1.8)
    u = length * (t - 0.5)
    return np.concatenate([np.column_stack([u, middle + half])[:-1], np.column_stack([u, middle - half])[:0:-1]])


def hole(rng: np.random.Generator, form: str, bar: Bar, weld_half: float, reach: float) -> Hole:
    """One opening somewhere on the face."""
    length = float(np.exp(rng.uniform(np.log(0.6), np.log(7.0))))
    width = length * rng.uniform(0.1, 0.3)
    turn, ragged, blunt = np.pi / 2 + rng.normal(0, 0.3), 0.5, 0.8
    if form == "cavity":
        length = float(np.exp(rng.uniform(np.log(0.5), np.log(2.5))))
        count = 90
        at = np.linspace(0, 2 * np.pi, count, endpoint=False)
        radius = 0.5 * length * (1 + 0.07 * outlines.wavy(rng, count, 5))
        outline = np.column_stack([radius * np.cos(at), radius * rng.uniform(0.6, 1) * np.sin(at)])
    else:
        if form == "slit":
            length, width, ragged, blunt = max(length, 1.5), float(rng.uniform(0.1, 0.22)), 1.2, 0.35
        elif form == "fusion-line":
            length, width, ragged, turn = max(length, 2.0), float(rng.uniform(0.2, 0.6)), 0.3, np.pi / 2 + rng.normal(0, 0.06)
        elif form == "lens":
            ragged, blunt = 0.1, 0.6
        elif form == "corner-tear":
            length, width = float(np.exp(rng.uniform(np.log(1.2), np.log(5)))), float(rng.uniform(0.3, 1.0))
        outline = ribbon(rng, length, width, ragged, blunt)
    cos, sin = np.cos(turn), np.sin(turn)
    outline = outline @ np.array([[cos, sin], [-sin, cos]])
    s = float(rng.uniform(-0.8, 0.8) * reach)
    a = float(rng.uniform(-1, 1) * (bar.width / 2 - bar.corner - length / 2 - 0.8))
    if form == "fusion-line":
        s = float(rng.choice([-1, 1])) * weld_half
    elif form == "corner-tear":
        a = float(rng.choice([-1, 1])) * bar.width / 2
    fill = str(rng.choice(["oxide", "torn", "slag"], p=[0.6, 0.25, 0.15]))
    deep = float(np.clip(rng.uniform(0.6, 2.0) * min(width, length), 0.25, 0.5 * bar.thickness))
    return Hole(form=form, fill=fill, outline=outline + np.array([s, a]), depth=deep, floor=float(rng.uniform(0.25, 0.9)))


def clipped(outline: np.ndarray, half: float) -> np.ndarray:
    """The part of an outline within |a| <= half (Sutherland and Hodgman 1974)."""
    for side in (1, -1):
        kept = []
        for one, two in zip(outline, np.roll(outline, -1, axis=0), strict=True):
            inner = [side * point[1] <= half for point in (one, two)]
            if inner[0]:
                kept.append(one)
            if inner[0] != inner[1]:
                kept.append(one + (two - one) * (side * half - one[1]) / (two[1] - one[1]))
        outline = np.array(kept).reshape(-1, 2)
    return outline


def face(bar: Bar, eye: common.Camera) -> np.ndarray:
    """Developed outline (N, 2) of the arc no steeper than 60 degrees to the sight line, over the full width."""
    reach = bar.radius * bar.half_angle
    s = np.linspace(-reach, reach, 1201)
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


def marks(rng: np.random.Generator, bar: Bar, weld_half: float, reach: float) -> tuple[np.ndarray, list[dict]]:
    """What is painted on the face, (H, W, 4) over s and a: the weld's tone, stains, scratches, felt pen; and their truth."""

    size = round(2 * reach * PAINT_PER_MM), round(bar.width * PAINT_PER_MM)

    def to_px(points):
        return [
            tuple(((point + np.array([reach, bar.width / 2])) * PAINT_PER_MM).tolist()) for point in np.asarray(points, float)
        ]

    picture = Image.new("RGBA", size, (60, 55, 50, 0))
    draw, told = ImageDraw.Draw(picture), []
    toe = [
        np.column_stack(
            [side * weld_half + 0.25 * outlines.wavy(rng, 120, 12), np.linspace(-bar.width / 2, bar.width / 2, 120)]
        )
        for side in (-1, 1)
    ]
    if rng.random() < 0.8:
        tone = tuple(int(v) for v in rng.uniform(70, 170) * np.array([1.0, 0.97, 0.92]))
        draw.polygon(to_px(np.concatenate([toe[0], toe[1][::-1]])), fill=(*tone, int(rng.uniform(25, 110))))
    for _ in range(rng.integers(0, 4)):
        x, y, r = rng.uniform(-reach, reach), rng.uniform(-0.5, 0.5) * bar.width, rng.uniform(0.5, 4)
        draw.ellipse(
            [*to_px([[x - r, y - 0.7 * r]])[0], *to_px([[x + r, y + 0.7 * r]])[0]], fill=(70, 50, 35, int(rng.uniform(30, 120)))
        )
    picture = picture.filter(ImageFilter.GaussianBlur(0.15 * PAINT_PER_MM))
    draw = ImageDraw.Draw(picture)
    for _ in range(rng.integers(0, 5)):
        kind = str(rng.choice(["scratch", "scratch", "felt-pen", "dust"]))
        start = np.array([rng.uniform(-0.8, 0.8) * reach, rng.uniform(-0.4, 0.4) * bar.width])
        angle, length = rng.uniform(0, np.pi), float(rng.uniform(2, 12))
        line = (
            start
            + np.linspace(0, length, 20)[:, None] * [np.cos(angle), np.sin(angle)]
            + 0.02 * length * outlines.wavy(rng, 20, 2)[:, None]
        )
        if kind == "dust":
            line, wide = start[None] + rng.normal(0, 0.01, (2, 2)), float(rng.uniform(0.15, 0.4))
        else:
            wide = float(rng.uniform(0.06, 0.15) if kind == "scratch" else rng.uniform(0.4, 1.0))
        shade = int(rng.choice([25, 60, 200])) if kind == "scratch" else int(rng.uniform(10, 60))
        draw.line(
            to_px(line),
            fill=(shade, shade, shade, int(rng.uniform(120, 240))),
            width=max(1, round(wide * PAINT_PER_MM)),
            joint="curve",
        )
        low, high = line.min(axis=0) - wide / 2, line.max(axis=0) + wide / 2
        told.append({"kind": kind, "size_mm": wide, "box_mm": np.array([low, [high[0], low[1]], high, [low[0], high[1]]])})
    painted = np.asarray(picture, np.float32) / 255
    painted[..., :3] **= 2.2
    return painted, told


def draw(seed: int, folder: Path, card: Path, samples: int) -> None:
    """One bend: photograph, sheet, truth."""
    rng = np.random.default_rng([seed, 606])
    common.begin()
    radius = float(rng.uniform(14, 28))
    thickness = float(rng.uniform(6, 12))
    bar = Bar(
        radius=radius,
        width=float(rng.uniform(18, 40)),
        thickness=thickness,
        angle_deg=float(rng.choice([120, 150, 180])),
        crown=radius + float(rng.uniform(2, 14)),
        corner=float(rng.uniform(0.5, 1.2)),
        axis_deg=float(rng.choice([0, 90]) + rng.normal(0, 4)),
    )
    weld_half, reach = float(rng.uniform(4, 9)), 0.75 * radius
    test = str(rng.choice(["face-bend", "root-bend", "side-bend"]))
    finish, light = str(rng.choice(materials.FINISHES)), str(rng.choice(common.LIGHTS))
    painted, told = marks(rng, bar, weld_half, 1.2 * reach)
    body = bar.build(materials.steel("bar", finish, rng, painted, (2.4 * reach, bar.width), (-1.2 * reach, -bar.width / 2)))
    holes: list[Hole] = []
    wanted = 0 if seed % CLEAN_EVERY == CLEAN_EVERY - 1 else int(rng.integers(2, 6))
    for _ in range(60):
        if len(holes) == wanted:
            break
        new = hole(rng, str(rng.choice(FORMS)), bar, weld_half, reach)
        if all(np.linalg.norm(new.outline[:, None] - old.outline[None], axis=2).min() > 0.6 for old in holes):
            holes.append(new)
            materials.carve(body, new.cutter(bar, rng))
    body.data.shade_smooth()
    body.data.set_sharp_from_angle(angle=np.radians(25))

    high = rng.random() < 0.7
    side, apart = np.radians(bar.axis_deg) + np.pi / 2, float(rng.choice([-1, 1])) * (radius + 14.0)
    middle = apart * np.array([np.cos(side), np.sin(side)])
    upright = abs(np.sin(np.radians(bar.axis_deg))) > 0.7  # the axis in the picture: the card's long side lies along it
    long, across = common.CARD_MM[0] + float(rng.uniform(8, 16)), abs(apart) + radius + 10.0 + float(rng.uniform(6, 12))
    per_px = max(long / LONG_PX, across / SHORT_PX)
    eye = common.camera(
        rng,
        [*(0.5 * (middle + np.array([np.cos(side), np.sin(side)]) * (10.0 - radius) * np.sign(apart))), bar.crown - 2.0],
        mm_per_px=per_px,
        tilt_deg=float(abs(rng.normal(0, 6))),
        width_px=SHORT_PX if upright else LONG_PX,
        height_px=LONG_PX if upright else SHORT_PX,
        aperture_mm=float(rng.choice([0.0, 0.8, 1.6])),
    )
    common.bench(str(rng.choice(common.BENCHES)), rng)
    turn = bar.axis_deg + float(rng.choice([0, 180])) + float(rng.normal(0, 3))
    lies = bar.crown - float(rng.uniform(0, 2)) if high else common.PAPER_MM
    held = common.card(card, middle, turn, lies, rng)
    clear = np.array([[-60.0, -60.0, 60.0, 60.0], [*(middle - 55.0), *(middle + 55.0)]])
    common.clutter(rng, int(rng.integers(0, 6)), clear)
    common.lamps(light, rng, eye.eye)
    pixels = common.render(eye, samples, seed)

    outline = face(bar, eye)
    outline_px = eye.project(bar.place(outline, bar.drop(outline[:, 1])))
    low, high_px = outline_px.min(axis=0).astype(int).clip(0), outline_px.max(axis=0).astype(int) + 1
    middle_of = np.zeros(pixels.shape[:2], bool)
    middle_of[low[1] : high_px[1], low[0] : high_px[0]] = True
    rgb = common.developed(pixels, rng, middle_of)
    features = []
    for one in holes:
        ring = clipped(one.outline, bar.width / 2)
        if len(ring) < 3 or np.abs(ring[:, 0]).max() > radius * bar.half_angle:
            continue
        features.append(
            {
                "kind": "crack" if one.form == "slit" else "opening",
                "form": one.form,
                "fill": one.fill,
                "outline_px": eye.project(bar.place(ring, bar.drop(ring[:, 1]))).round(3).tolist(),
                "outline_mm": ring.round(5).tolist(),
                "length_mm": outlines.extent_mm(ring),
                "width_mm": outlines.width_mm(ring),
                "area_mm2": outlines.area_mm2(ring),
                "depth_mm": one.depth,
                "at_corner": bool(np.abs(ring[:, 1]).max() > bar.width / 2 - 1e-6),
            }
        )
    step = 1e-3
    around = eye.project(bar.place(np.array([[-step, 0], [step, 0], [0, -step], [0, step]])))
    jacobian = np.array([around[1] - around[0], around[3] - around[2]]) / (2 * step)
    truth = {
        "seed": seed,
        "groups": {"finish": finish, "light": light, "height": "level" if high else "bench"},
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
                "outline_px": eye.project(bar.place(mark["box_mm"])).round(2).tolist(),
            }
            for mark in told
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
