"""The faces of cuts as an etchant leaves them, as textures for `cut.py`; runs in the project's own environment.

Grains, weld metal drawn out towards its middle, a zone that fades outwards, a fusion line, runs, stains, grinding marks: own
code throughout, none of `specimeter.scene`.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import cv2
import numpy as np
from cut_joints import butt, fillet
from cut_openings import length_of, openings
from scipy.spatial import cKDTree

PER_MM = 26  # texels
BORDER_MM = 8.0  # of the texture round the metal
ROUND = np.linspace(0, 2 * np.pi, 240)
LOOKS = ("dark-weld", "bright-weld", "dark-zone", "low-contrast", "stained", "bright-line", "unetched")
# of scratches: how many, how long in texels, how strong; reflectance and roughness of the metal
FINISHES = {
    "polished": (300, 200, 0.05, 0.62, 0.18),
    "ground": (9000, 260, 0.10, 0.5, 0.34),
    "coarse": (5000, 500, 0.17, 0.45, 0.4),
    "sawn": (2500, 900, 0.2, 0.42, 0.42),
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


def cells(rng, shape, size: float) -> np.ndarray:
    """Grains about `size` texels wide: the number of the nearest of scattered points."""
    count = max(int(shape[0] * shape[1] / size**2), 12)
    tree = cKDTree(rng.uniform(0, 1, (count, 2)) * shape)
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    _, which = tree.query(np.column_stack([rows.ravel(), columns.ravel()]))
    return which.reshape(shape)


def clouds(rng, shape, size: float) -> np.ndarray:
    """Smooth noise of unit scatter with bumps about `size` texels wide."""
    small = rng.normal(0, 1, tuple(max(int(v / size), 2) + 3 for v in shape)).astype(np.float32)
    wide = cv2.resize(small, (shape[1] + int(2 * size), shape[0] + int(2 * size)), interpolation=cv2.INTER_CUBIC)[
        : shape[0], : shape[1]
    ]
    return (wide - wide.mean()) / max(float(wide.std()), 1e-6)


def scratches(rng, shape, count: int, length: float, turn: float) -> np.ndarray:
    """Single straight grinding marks, bright or dark, most along one way."""
    field = np.zeros(shape, np.float32)
    for _ in range(count):
        middle, way = rng.uniform(0, 1, 2) * shape[::-1], turn + rng.normal(0, 0.12)
        reach = length * rng.exponential() / 2 * np.array([np.cos(way), np.sin(way)])
        ends = [tuple(int(v) for v in middle + sign * reach) for sign in (-1, 1)]
        cv2.line(field, *ends, float(rng.normal(0, 1)), 1, cv2.LINE_AA)
    return field


def face_texture(rng, joint: dict, look: str, finish: str, opened=None):
    """Reflectance (H, W, 3), roughness (H, W), height (H, W) of the cut's face; its box's corners in mm; its imperfections.

    `opened`: the lot by which these are drawn; None: there are none.
    """
    low, high = joint["metal"].min(0) - BORDER_MM, joint["metal"].max(0) + BORDER_MM
    shape = tuple(int(v) for v in np.ceil((high - low) * PER_MM)[::-1])

    def texels(points):
        points = np.asarray(points, float)
        return np.column_stack([(points[:, 0] - low[0]) * PER_MM, (high[1] - points[:, 1]) * PER_MM])

    def filled(points):
        field = np.zeros(shape, np.uint8)
        cv2.fillPoly(field, [np.round(texels(points) * 16).astype(np.int32).reshape(-1, 1, 2)], 1, shift=4)
        return field > 0

    weld, rings = filled(joint["weld"]), []
    out = cv2.distanceTransform((~weld).astype(np.uint8), cv2.DIST_L2, 5) / PER_MM
    inn = cv2.distanceTransform(weld.astype(np.uint8), cv2.DIST_L2, 5) / PER_MM
    signed = np.where(weld, inn, -out) + 0.04 * clouds(rng, shape, 8) + 0.03 * clouds(rng, shape, 20)
    share = np.clip(signed / 0.12 + 0.5, 0, 1)
    zone = float(rng.uniform(1.0, 2.8))
    into = np.clip(-signed / zone, 0, None)
    tone = 0.06 * clouds(rng, shape, 260) + 0.03 * clouds(rng, shape, 60)
    turn = float(rng.uniform(0, np.pi))
    count, length, strong, bright, dull = FINISHES[finish]
    rub = scratches(rng, shape, count, length, turn)
    tone = tone + strong * rub
    depth = 0.6 * rub
    if look != "unetched":
        gain = TONES[look]
        grain = cells(rng, shape, 0.35 * PER_MM)
        y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
        middle = texels(joint["middle"][None])[0]
        polar = np.hypot(x - middle[0], y - middle[1]) / 6  # grains drawn out towards the weld's middle
        turned = (np.arctan2(y - middle[1], x - middle[0]) + np.pi) * 220
        swirl = cv2.remap(
            rng.normal(0, 1, (400, 1440)).astype(np.float32),
            turned.astype(np.float32),
            (polar % 399).astype(np.float32),
            cv2.INTER_LINEAR,
        )
        lively = rng.normal(0, 1, int(grain.max()) + 1).astype(np.float32)[grain]
        strength = float(rng.uniform(0.7, 1.0))
        tone = tone + strength * share * (gain[0] + (0.25 if look != "low-contrast" else 0.06) * (0.5 * swirl + 0.5 * lively))
        border = np.clip((1 - into) / 0.12, 0, 1) * (1 - share)
        coarse = np.clip(1 - into * 2.5, 0, 1) * (1 - share)
        tone = tone + strength * (gain[1] * border * (0.5 + 0.5 * (1 - into).clip(0, 1)) + 0.1 * coarse * lively)
        line = np.exp(-0.5 * (signed / 0.08) ** 2)
        tone = tone + strength * line * (0.4 if look == "bright-line" else -0.25 if look != "low-contrast" else -0.08)
        tone = (
            tone
            + 0.05 * clouds(rng, shape, 6) * (1 - share)
            + 0.04 * np.repeat(clouds(rng, (shape[0], 8), 5)[:, :1], shape[1], axis=1)
        )
        if joint["thickness"] > 7 and rng.random() < 0.7:  # runs
            for k in range(1, int(rng.integers(2, 5))):
                centre = texels((joint["middle"] + rng.normal(0, 1.5, 2))[None])[0]
                middle_mm = np.array([centre[0] / PER_MM + low[0], high[1] - centre[1] / PER_MM])
                rings.append(middle_mm + 1.6 * k * np.column_stack([np.cos(ROUND), np.sin(ROUND) / 1.4]))
                ring = np.abs(np.hypot(x - centre[0], (y - centre[1]) * 1.4) / PER_MM - 1.6 * k)
                tone = tone - 0.2 * strength * share * np.exp(-0.5 * (ring / 0.15) ** 2)
    if look == "stained":
        for _ in range(9):
            place, size = rng.uniform(0, 1, 2) * shape, rng.uniform(0.5, 4.0) * PER_MM
            rows, columns = np.mgrid[: shape[0], : shape[1]]
            away = np.hypot(rows - place[0], columns - place[1]) + 0.15 * size * clouds(rng, shape, 30)
            tone = tone - 0.5 * np.exp(-0.5 * ((away - size) / (0.08 * size)) ** 2) - 0.25 * (away < size)
    grey = bright * np.exp(np.clip(tone, -2.2, 0.45))
    hue = np.array([1.0, 1.0, 1.0]) + rng.normal(0, 0.02, 3)
    etched = np.clip(-tone, 0, 1)[..., None] * (0.0 if look == "unetched" else 1.0)
    rgb = grey[..., None] * (hue + etched * rng.choice([0.0, 1.0]) * np.array([0.12, 0.0, -0.16]))
    rough = np.clip(dull + 0.12 * np.clip(-tone, -0.5, 1), 0.08, 0.8)
    for gap in joint["gaps"]:
        field = np.zeros(shape, np.uint8)
        cv2.polylines(
            field,
            [np.round(texels(gap) * 16).astype(np.int32).reshape(-1, 1, 2)],
            False,
            255,
            max(int(rng.uniform(0.04, 0.25) * PER_MM), 1),
            cv2.LINE_AA,
            4,
        )
        rgb = rgb * (1 - 0.93 * (field / 255.0)[..., None])
    found = [] if opened is None else openings(opened, joint, rings)
    for one in found:
        hole = cv2.GaussianBlur(filled(one["outline_mm"]).astype(np.float32), (0, 0), 0.7)
        rgb = rgb * (1 - float(opened.uniform(0.75, 0.97)) * hole[..., None])
        rough, depth = np.clip(rough + 0.4 * hole, 0.08, 0.9), depth - 3.0 * hole
    return np.clip(rgb, 0.004, 0.95).astype(np.float32), rough.astype(np.float32), depth.astype(np.float32), (low, high), found


def draw(seed: int, folder: Path, opened: bool) -> None:
    """Textures and description of one cut: cut-SEED.json, and cut-SEED.face.png, .rough.png, .depth.png beside it."""
    rng = np.random.default_rng(seed)
    look = LOOKS[seed % len(LOOKS)]
    finish = str(rng.choice(list(FINISHES), p=[0.25, 0.4, 0.2, 0.15]))
    joint = (fillet if seed % 2 == 0 else butt)(rng, bool(rng.random() < 0.4), bool(rng.random() < 0.4))
    lot = np.random.default_rng([seed, 11]) if opened else None
    rgb, rough, depth, (low, high), found = face_texture(rng, joint, look, finish, lot)
    folder.mkdir(parents=True, exist_ok=True)
    for name, picture in (("face", rgb[..., ::-1]), ("rough", rough), ("depth", 0.5 + 0.1 * depth)):
        whole = np.round(np.clip(picture, 0, 1) * 65535).astype(np.uint16)
        cv2.imwrite(str(folder / f"cut-{seed}.{name}.png"), whole)
    told = {"look": look, "finish": finish, "box_mm": [low, high], "joint": joint, "features": found}
    for one in found:
        one["length_mm"] = length_of(one["outline_mm"])
    (folder / f"cut-{seed}.json").write_text(json.dumps(told, default=np.ndarray.tolist), encoding="utf-8")


def main() -> None:
    """Draw what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=14)
    parser.add_argument("--opened", action="store_true", help="with pores, slag, cracks and unfused lines in the weld")
    options = parser.parse_args()
    for seed in range(options.first, options.first + options.count):
        draw(seed, options.folder, options.opened)


if __name__ == "__main__":
    main()
