"""How many faces that were blurred along a line after they were photographed are told, and how many honest ones are taken so.

``python tests/benchmarks/line_blurs.py CACHE --first SEED [--scenes 15] [--width 2000] [--test nick-break]``
Scenes are drawn into CACHE as `specimeter validate` draws them. On the true face, but for a rim of 8 pixels, the light of 9 or
15 pixels is averaged along 0, 45, 90 or 135 degrees, noise of 0 to 2 levels laid on it, and all saved as JPEG of quality 95.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import cv2
import numpy as np

from specimeter import colour
from specimeter import photo as photos
from specimeter.segment import smear
from specimeter.validate import examine
from specimeter.validate import truth as truths

RIM_PX = 8
LENGTHS_PX, TURNS_DEG = (9, 15), (0, 45, 90, 135)
NOISES = (0.0, 1.0, 2.0)  # standard deviations, in levels of 8 bits


def blurred(rgb: np.ndarray, outline_px: np.ndarray, long_px: int, turn_deg: float, noise: float) -> np.ndarray:
    """The picture, uint8 (H, W, 3), after its face was blurred along a line; `turn_deg` clockwise from right."""
    inside = np.zeros(rgb.shape[:2], np.uint8)
    cv2.fillPoly(inside, [np.round(outline_px).astype(np.int32)], 1)
    inside = cv2.erode(inside, np.ones((2 * RIM_PX + 1,) * 2, np.uint8))
    way = long_px / 2 * np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    line, middle = np.zeros((long_px, long_px), np.float32), np.full(2, long_px // 2)
    cv2.line(line, np.round(middle - way).astype(int).tolist(), np.round(middle + way).astype(int).tolist(), 1.0)
    soft = cv2.filter2D(rgb, cv2.CV_32F, line / line.sum())
    soft += np.float32(noise) * np.random.default_rng(5).standard_normal(rgb.shape[:2], np.float32)[..., None]
    made = np.where(inside[..., None] > 0, np.clip(soft + 0.5, 0, 255), rgb).astype(np.uint8)
    packed = cv2.imencode(".jpg", made[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 95])[1]
    return cv2.cvtColor(cv2.imdecode(packed, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)


def main() -> None:
    """Print what was taken for a blur of the honest faces, then a line for each noise and length."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cache", type=Path)
    parser.add_argument("--first", type=int, required=True)
    parser.add_argument("--scenes", type=int, default=15)
    parser.add_argument("--width", type=int, default=2000)
    parser.add_argument("--test", help="a kind of test (default: bends of all kinds)")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    honest, told = [], {(noise, long_px): [] for noise in NOISES for long_px in LENGTHS_PX}
    for seed in range(options.first, options.first + options.scenes):
        path = examine.prepare(seed, options.width, options.cache, options.test)
        area = truths.area(json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8")))
        rgb = photos.read(path).rgb
        honest.append(smear.length_px(colour.luminance(rgb), area) is not None)
        for (noise, long_px), found in told.items():
            for turn_deg in TURNS_DEG:
                light = colour.luminance(blurred(rgb, area.outline_px, long_px, turn_deg, noise))
                found.append(smear.length_px(light, area) is not None)
    print(f"honest faces taken for blurred: {sum(honest)} of {len(honest)}")
    for (noise, long_px), found in told.items():
        print(f"{long_px} px, noise of {noise:g} levels: told {sum(found)} of {len(found)}")


if __name__ == "__main__":
    main()
