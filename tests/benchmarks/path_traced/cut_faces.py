"""The faces of cuts as an etchant leaves them, as textures for `cut.py`; runs in the project's own environment.

Grains, weld metal drawn out towards its middle, a zone that fades outwards, a fusion line, runs, stains, grinding, stamps:
own code throughout, none of `specimeter.scene`. What training never draws from is HELD_OUT, here and in `cut.py`.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import cv2
import numpy as np
from cut_joints import butt, fillet
from cut_openings import length_of, openings

FAR_PER_MM, NEAR_PER_MM = 24, 44  # texels
BORDER_MM = 4.0  # of the texture round the metal
ROUND = np.linspace(0, 2 * np.pi, 240)
LOOKS = ("dark-weld", "bright-weld", "dark-zone", "low-contrast", "stained", "bright-line", "unetched")
HELD_OUT = {"look": ("stained", "bright-line"), "finish": ("sawn",)}
FIRST_TRAINING_SEED = 20_000
# of scratches: how many to 100 mm^2, how long in mm, how strong; reflectance and roughness of the metal
FINISHES = {
    "polished": (15, 8, 0.05, 0.62, 0.18),
    "ground": (400, 10, 0.10, 0.5, 0.34),
    "coarse": (230, 20, 0.17, 0.45, 0.4),
    "sawn": (120, 36, 0.2, 0.42, 0.42),
    "dull": (60, 6, 0.05, 0.38, 0.5),
}
# logarithm of tone of weld metal and of the zone
TONES = {
    "dark-weld": (-0.75, -0.25),
    "bright-weld": (0.35, -0.55),
    "dark-zone": (0.1, -0.8),
    "low-contrast": (-0.16, -0.07),
    "stained": (-0.5, -0.3),
    "bright-line": (-0.3, -0.1),
}
COVERS = ("whole", "half", "patchy")  # how far the etchant reached


def cells(rng, shape, size: float) -> np.ndarray:
    """Grains about `size` texels wide: the number of the nearest of scattered points."""
    count = max(int(shape[0] * shape[1] / size**2), 12)
    field = np.ones(shape, np.uint8)
    field[rng.integers(0, shape[0], count), rng.integers(0, shape[1], count)] = 0
    return cv2.distanceTransformWithLabels(field, cv2.DIST_L2, 3, labelType=cv2.DIST_LABEL_PIXEL)[1]


def clouds(rng, shape, size: float) -> np.ndarray:
    """Smooth noise of unit scatter with bumps about `size` texels wide."""
    small = rng.normal(0, 1, tuple(max(int(v / size), 2) + 3 for v in shape)).astype(np.float32)
    wide = cv2.resize(small, (shape[1] + int(2 * size), shape[0] + int(2 * size)), interpolation=cv2.INTER_CUBIC)
    wide = wide[: shape[0], : shape[1]]
    return (wide - wide.mean()) / max(float(wide.std()), 1e-6)


def scratches(rng, shape, count: int, length: float, turn: float) -> np.ndarray:
    """Single straight grinding marks, bright or dark, most along one way."""
    field = np.zeros(shape, np.float32)
    middles, ways = rng.uniform(0, 1, (count, 2)) * shape[::-1], turn + rng.normal(0, 0.12, count)
    reach = length * rng.exponential(size=count)[:, None] / 2 * np.column_stack([np.cos(ways), np.sin(ways)])
    for one, other, tone in zip(
        (middles - reach).astype(int), (middles + reach).astype(int), rng.normal(0, 1, count), strict=True
    ):
        cv2.line(field, one.tolist(), other.tolist(), float(tone), 1)
    return field


class Face:
    """A cut's face in the making: tone (logarithm of reflectance), roughness and height over texels of its box."""

    def __init__(self, rng: np.random.Generator, joint: dict, per_mm: float) -> None:
        self.rng, self.joint, self.per_mm = rng, joint, per_mm
        self.low, self.high = joint["metal"].min(0) - BORDER_MM, joint["metal"].max(0) + BORDER_MM
        self.shape = tuple(int(v) for v in np.ceil((self.high - self.low) * per_mm)[::-1])
        y, x = np.mgrid[: self.shape[0], : self.shape[1]]
        self.x, self.y = x.astype(np.float32), y.astype(np.float32)
        welds = [joint["weld"], *joint["others"]]
        self.weld = np.max([self.filled(one) for one in welds], axis=0)
        self.metal = self.filled(joint["metal"])
        self.tone = 0.06 * self.noise(10.0) + 0.03 * self.noise(2.3)

    def texels(self, points) -> np.ndarray:
        """[x, y] of points in mm."""
        points = np.asarray(points, float).reshape(-1, 2)
        return np.column_stack([(points[:, 0] - self.low[0]) * self.per_mm, (self.high[1] - points[:, 1]) * self.per_mm])

    def mm(self, texels) -> np.ndarray:
        """The reverse of `texels`."""
        return np.column_stack([texels[:, 0] / self.per_mm + self.low[0], self.high[1] - texels[:, 1] / self.per_mm])

    def filled(self, points) -> np.ndarray:
        """Which texels lie inside, bool."""
        field = np.zeros(self.shape, np.uint8)
        cv2.fillPoly(field, [np.round(self.texels(points) * 16).astype(np.int32).reshape(-1, 1, 2)], 1, shift=4)
        return field > 0

    def stroke(self, points, width_mm: float, closed: bool = False) -> np.ndarray:
        """Share of each texel that a line covers."""
        field = np.zeros(self.shape, np.uint8)
        way = [np.round(self.texels(points) * 16).astype(np.int32).reshape(-1, 1, 2)]
        cv2.polylines(field, way, closed, 255, max(round(width_mm * self.per_mm), 1), cv2.LINE_AA, 4)
        return field.astype(np.float32) / 255 * min(1.0, max(width_mm * self.per_mm, 0.4))

    def noise(self, size_mm: float) -> np.ndarray:
        """Clouds so many mm wide."""
        return clouds(self.rng, self.shape, max(size_mm * self.per_mm, 1.5))


def reached(face: Face, cover: str) -> np.ndarray:
    """How strongly each place was etched, 0 to about 1."""
    rng, whole = face.rng, np.full(face.shape, float(face.rng.uniform(0.6, 1.0)), np.float32)
    if cover == "half":
        turn, middle = rng.uniform(0, 2 * np.pi), face.texels(face.joint["middle"])[0]
        away = ((face.x - middle[0]) * np.cos(turn) + (face.y - middle[1]) * np.sin(turn)) / face.per_mm + rng.uniform(-3, 4)
        return whole / (1 + np.exp(-np.clip((away + 0.8 * face.noise(4.0)) / rng.uniform(0.05, 0.8), -30, 30)))
    if cover == "patchy":
        return whole * np.clip(0.75 + 0.35 * face.noise(rng.uniform(2, 8)), 0.0, 1.2)
    return whole


def etch(face: Face, look: str, gain, cover: str, rings: list) -> tuple[float, np.ndarray]:
    """Put weld metal, zone, fusion line and runs into the face's tone; the zone's width in mm, and the etching's strength.

    `rings`: gets the lines in mm where runs meet.
    """
    rng, plain = face.rng, look == "low-contrast"
    out = cv2.distanceTransform((~face.weld).astype(np.uint8), cv2.DIST_L2, 5) / face.per_mm
    inn = cv2.distanceTransform(face.weld.astype(np.uint8), cv2.DIST_L2, 5) / face.per_mm
    signed = np.where(face.weld, inn, -out) + 0.04 * face.noise(0.3) + 0.03 * face.noise(0.8)
    share = np.clip(signed / float(rng.uniform(0.05, 0.25)) + 0.5, 0, 1)
    zone, strength = float(rng.uniform(0.8, 3.2)), reached(face, cover)
    into = np.clip(-signed / zone, 0, None)
    middle = face.texels(face.joint["middle"])[0]
    grain = cells(rng, face.shape, rng.uniform(0.12, 0.5) * face.per_mm)
    polar = np.hypot(face.x - middle[0], face.y - middle[1]) / (rng.uniform(0.12, 0.3) * face.per_mm)
    turned = (np.arctan2(face.y - middle[1], face.x - middle[0]) + np.pi) * 220  # grains drawn out towards the weld's middle
    places = turned.astype(np.float32), (polar % 399).astype(np.float32)
    swirl = cv2.remap(rng.normal(0, 1, (400, 1440)).astype(np.float32), *places, cv2.INTER_LINEAR)
    lively = rng.normal(0, 1, int(grain.max()) + 1).astype(np.float32)[grain]
    within = gain[0] + (0.06 if plain else rng.uniform(0.08, 0.3)) * (0.5 * swirl + 0.5 * lively)
    border = np.clip((1 - into) / 0.12, 0, 1) * (1 - share)
    coarse = np.clip(1 - into * 2.5, 0, 1) * (1 - share)
    tone = share * within + gain[1] * border * (0.5 + 0.5 * (1 - into).clip(0, 1)) + 0.1 * coarse * lively
    deep = 0.4 if look == "bright-line" else -0.08 if plain else -float(rng.choice([0.0, rng.uniform(0.1, 0.4)]))
    tone += deep * np.exp(-0.5 * (signed / 0.08) ** 2)
    tone += 0.05 * face.noise(0.24) * (1 - share)
    tone += float(rng.uniform(0, 0.08)) * clouds(rng, (face.shape[0], 8), 5)[:, :1]
    count = int(rng.integers(1, 4)) if face.joint["thickness"] > 7 and rng.random() < 0.5 else 0
    for k in range(1, count + 1):  # runs about a point
        centre = face.texels(face.joint["middle"] + rng.normal(0, 1.5, 2))[0]
        rings.append(face.mm(centre[None]) + 1.6 * k * np.column_stack([np.cos(ROUND), np.sin(ROUND) / 1.4]))
    for one in face.joint["runs"]:
        rings.append(np.asarray(one))
    for one in rings:
        wide, dark = float(rng.uniform(0.05, 0.2)), float(rng.uniform(0.05, 0.3))
        seam = cv2.GaussianBlur(face.stroke(one, wide), (0, 0), wide * face.per_mm)
        tone -= dark * share * np.minimum(1.5 * seam, 1.0)
    face.tone += strength * tone
    return zone, strength


def spotted(face: Face) -> None:
    """Stains of drops that have dried."""
    for _ in range(9):
        place, size = face.rng.uniform(0, 1, 2) * face.shape, face.rng.uniform(0.5, 4.0) * face.per_mm
        away = np.hypot(face.y - place[0], face.x - place[1]) + 0.15 * size * face.noise(1.2)
        face.tone -= 0.5 * np.exp(-0.5 * ((away - size) / (0.08 * size)) ** 2) + 0.25 * (away < size)


def marked(face: Face) -> np.ndarray:
    """Numbers punched or written on a plate, away from the weld; share of each texel that they cover."""
    field = np.zeros(face.shape, np.uint8)
    if face.rng.random() < 0.3:
        plate = np.asarray(face.joint["plates"][int(face.rng.integers(2))], float)
        place = face.texels(plate[1] + face.rng.uniform(-3, 3, 2))[0]
        text = "".join(face.rng.choice(list("0123456789ABEHKLMTX"), int(face.rng.integers(1, 5))))
        size = float(face.rng.uniform(1.0, 4.0)) * face.per_mm / 22
        cv2.putText(
            field, text, place.astype(int).tolist(), cv2.FONT_HERSHEY_SIMPLEX, size, 255, max(int(2 * size), 1), cv2.LINE_AA
        )
    away = cv2.distanceTransform((~face.weld).astype(np.uint8), cv2.DIST_L2, 5) / face.per_mm
    return field / np.float32(255) * (away > 2.5)


def face_texture(rng, joint: dict, look: str, finish: str, cover: str, per_mm: float, opened=None) -> dict:
    """Reflectance `rgb` (H, W, 3), `rough` and `depth` (H, W) of the cut's face; its box's corners, what is true of it, in mm.

    `opened`: the lot by which imperfections are drawn; None: there are none.
    """
    face, rings = Face(rng, joint, per_mm), []
    count, length, strong, bright, dull = FINISHES[finish]
    rub = scratches(
        rng, face.shape, int(count * face.shape[0] * face.shape[1] / per_mm**2 / 100), length * per_mm, rng.uniform(0, np.pi)
    )
    face.tone += strong * rub
    depth, zone, strength = 0.6 * rub, 0.0, np.zeros(face.shape, np.float32)
    gain = TONES.get(look, (float(rng.uniform(-0.9, 0.45)), float(rng.uniform(-0.8, 0.25))))
    if look != "unetched":
        zone, strength = etch(face, look, gain, cover, rings)
    if look == "stained":
        spotted(face)
    if rng.random() < 0.4:  # an edge rounded, bright or dark
        inner = cv2.distanceTransform(face.metal.astype(np.uint8), cv2.DIST_L2, 5) / per_mm
        face.tone += float(rng.uniform(-0.8, 0.4)) * np.exp(-inner / float(rng.uniform(0.03, 0.15)))
    hue = 1.0 + rng.normal(0, 0.02, 3)
    dark = np.clip(-face.tone, 0, 1) * (strength > 0)
    warm = float(rng.choice([0.0, rng.uniform(-0.6, 1.4)])) * np.array([0.12, 0.0, -0.16])
    face.tone = np.clip(face.tone, -2.2, 0.45)
    rgb = (bright * np.exp(face.tone))[..., None] * (hue + dark[..., None] * warm)
    rough = np.clip(dull + 0.12 * np.clip(-face.tone, -0.5, 1), 0.08, 0.8)
    marks = marked(face)
    if marks.any():
        punched = rng.random() < 0.5
        depth = depth - (4.0 * marks if punched else 0)
        ink = rng.uniform(0.02, 0.3, 3)
        rgb = rgb * (1 - (0.4 if punched else 0.9) * marks[..., None]) + (0 if punched else 0.9) * marks[..., None] * ink
    gap_mm, filling = (
        float(np.exp(rng.uniform(np.log(0.02), np.log(0.6)))),
        float(rng.choice([0.05, 0.05, rng.uniform(0, 0.5)])),
    )
    for gap in joint["gaps"]:
        rgb = rgb * (1 - (1 - filling) * face.stroke(gap, gap_mm)[..., None])
    found = [] if opened is None else openings(opened, joint, rings)
    for one in found:
        rgb, rough, depth = hollowed(face, one, opened, rgb, rough, depth)
    return {
        "rgb": np.clip(rgb, 0.004, 0.95).astype(np.float32), "rough": rough, "depth": depth, "box": (face.low, face.high),
        "features": found, "zone_mm": zone, "gap_mm": gap_mm, "etched": shows(face, strength),
    }  # fmt: skip


def hollowed(face: Face, one: dict, rng, rgb, rough, depth):
    """An imperfection in reflectance, roughness and height: dark, or a cavity whose far wall is lit, or grey with oxide."""
    finer = 4
    field = np.zeros(face.shape, np.uint8)
    corners = face.texels(one["outline_mm"])
    low = np.maximum(np.floor(corners.min(0)) - 4, 0).astype(int)
    size = np.minimum(np.ceil(corners.max(0)) + 5, np.array(face.shape[::-1])).astype(int) - low
    large = np.zeros((size[1] * finer, size[0] * finer), np.uint8)
    points = np.round(((corners - low + 0.5) * finer - 0.5) * 16).astype(np.int32).reshape(-1, 1, 2)
    cv2.fillPoly(large, [points], 255, shift=4)
    place = np.s_[low[1] : low[1] + size[1], low[0] : low[0] + size[0]]
    field[place] = cv2.resize(large, size.tolist(), interpolation=cv2.INTER_AREA)
    hole = cv2.GaussianBlur(field, (0, 0), 0.6).astype(np.float32) / 255
    tone = np.full((*size[::-1], 3), float(rng.choice([rng.uniform(0.02, 0.2), rng.uniform(0.02, 0.2), rng.uniform(0.2, 0.5)])))
    if one["form"] in ("pore", "slag") and rng.random() < 0.4:
        y, x = np.mgrid[-1 : 1 : complex(size[1]), -1 : 1 : complex(size[0])]
        turn = rng.uniform(0, 2 * np.pi)
        tone *= (1 + rng.uniform(0.3, 1.0) * (x * np.cos(turn) + y * np.sin(turn)))[..., None]
    part = hole[place][..., None]
    rgb[place] = rgb[place] * (1 - part) + part * tone * rgb[place].mean((0, 1)) * (1 + rng.normal(0, 0.08, 3))
    return rgb, np.clip(rough + 0.4 * hole, 0.08, 0.9), depth - 3.0 * hole


def shows(face: Face, strength: np.ndarray) -> list[np.ndarray]:
    """Polygons in mm of where the etching can be seen."""
    small = cv2.resize((strength > 0.3).astype(np.uint8), None, fx=0.1, fy=0.1, interpolation=cv2.INTER_AREA)
    lines, _ = cv2.findContours(small, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    return [face.mm(10.0 * line.reshape(-1, 2) + 5.0) for line in lines if len(line) > 2]


def draw(seed: int, folder: Path, opened: bool, training: bool) -> None:
    """Textures and description of one cut: cut-SEED.json, and cut-SEED.face.png, .rough.png, .depth.png beside it."""
    rng = np.random.default_rng(seed)
    look, finishes, odds = LOOKS[seed % len(LOOKS)], list(FINISHES), np.array([0.25, 0.35, 0.15, 0.15, 0.1])
    if training:
        look = str(rng.choice([one for one in LOOKS if one not in HELD_OUT["look"]] + 3 * ["mixed"]))
        odds = odds * [one not in HELD_OUT["finish"] for one in finishes]
        opened = bool(rng.random() < 0.8)
    finish = str(rng.choice(finishes, p=odds / odds.sum()))
    cover = str(rng.choice(COVERS, p=[0.65, 0.2, 0.15]))
    joint, near = (fillet if seed % 2 == 0 else butt)(rng), bool(rng.random() < 0.4)
    lot = np.random.default_rng([seed, 11]) if opened else None
    made = face_texture(rng, joint, look, finish, cover, NEAR_PER_MM if near else FAR_PER_MM, lot)
    folder.mkdir(parents=True, exist_ok=True)
    for name, picture in (("face", made["rgb"][..., ::-1]), ("rough", made["rough"]), ("depth", 0.5 + 0.1 * made["depth"])):
        whole = np.round(np.clip(picture, 0, 1) * 65535).astype(np.uint16)
        cv2.imwrite(str(folder / f"cut-{seed}.{name}.png"), whole, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    told = {name: made[name] for name in ("features", "zone_mm", "gap_mm", "etched")}
    told |= {
        "look": look,
        "finish": finish,
        "cover": cover,
        "near": near,
        "training": training,
        "box_mm": made["box"],
        "joint": joint,
    }
    for one in made["features"]:
        one["length_mm"] = length_of(one["outline_mm"])
    (folder / f"cut-{seed}.json").write_text(json.dumps(told, default=np.ndarray.tolist), encoding="utf-8")


def main() -> None:
    """Draw what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=14)
    parser.add_argument("--opened", action="store_true", help="with pores, slag, cracks and unfused lines in the weld")
    parser.add_argument("--for-training", action="store_true", help=f"nothing held out; seeds from {FIRST_TRAINING_SEED} on")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    for seed in range(options.first, options.first + options.count):
        draw(seed, options.folder, options.opened, options.for_training)


if __name__ == "__main__":
    main()
