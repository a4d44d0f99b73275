"""What an ideal observer could see of a bend's openings: a filter that knows each one's light, over the ground's own scatter.

``python tests/benchmarks/seen_at_best.py --first SEED [--scenes 8]``: scenes as `specimeter validate` draws them, each drawn
again without its openings; the difference is what an opening does to the photograph. Printed with whether the finder, told
the true surface and area, finds it: how far above its scatter a filter of that very form stands against other places near
("plain"), and one that knows the ground's spectrum as well ("white": Peterson, Birdsall and Fox 1954). The second knows more
than anybody can, the texture of each opening too: what it does not see cannot be found; what it sees may be.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from why_missed import filled

from specimeter import photo as photos
from specimeter.colour import luminance
from specimeter.scene.files import jpeg
from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from specimeter.segment.learned import find_learned
from specimeter.validate import examine, statistics
from specimeter.validate import truth as truths
from specimeter.validate.match import match

HALF_PX = 96  # of the window in which the ground is known
NEAR_PX = 4  # beyond an outline, where lips and soft edges still belong to it
OFF_PX = 57  # how far from an opening the filter is tried elsewhere
SLOW_PX = 12.0  # light that changes no faster is no scatter


def brightness(coded: np.ndarray) -> np.ndarray:
    """Square root of the linear light: its noise is alike in dark and bright parts."""
    return np.sqrt(luminance(np.ascontiguousarray(coded)).astype(float) + 1e-3)


def ratios(drawn: np.ndarray, bare: np.ndarray, ring: np.ndarray) -> tuple[float, float]:
    """Signal over scatter of the plain and of the whitened filter, for one outline [x, y]."""
    height, width = bare.shape
    low = np.clip(ring.mean(axis=0).astype(int) - HALF_PX, 0, [width - 2 * HALF_PX, height - 2 * HALF_PX])
    window = np.s_[low[1] : low[1] + 2 * HALF_PX, low[0] : low[0] + 2 * HALF_PX]
    signal = np.where(filled(ring - low, (2 * HALF_PX,) * 2, NEAR_PX), (drawn - bare)[window], 0)
    ground = bare[window] - cv2.GaussianBlur(bare[window], (0, 0), SLOW_PX)
    taper = np.outer(*[np.hanning(2 * HALF_PX)] * 2)
    power = np.abs(np.fft.fft2(ground * taper)) ** 2 / (taper**2).sum()
    power = np.fft.ifftshift(cv2.GaussianBlur(np.fft.fftshift(power), (0, 0), 1.5))
    form = np.fft.fft2(signal)
    white = np.sqrt((np.abs(form) ** 2 / np.maximum(power, 1e-12)).sum() / signal.size)
    elsewhere = np.fft.fftshift(np.fft.ifft2(np.conj(form) * np.fft.fft2(ground)).real)
    near = np.s_[HALF_PX - OFF_PX : HALF_PX + OFF_PX]
    return float((signal**2).sum() / max(float(elsewhere[near, near].std()), 1e-12)), float(white)


def main() -> None:
    """Print a line an opening of 0.5 mm and 8 px or more, then both figures of those found and missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, required=True)
    parser.add_argument("--scenes", type=int, default=8)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    rows: list[tuple[bool, float, float]] = []
    for seed in range(options.first, options.first + options.scenes):
        scene = random_scene(seed, width_px=2000, clean=seed % examine.CLEAN_EVERY == 0)
        picture = render(scene)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "scene.jpg"
            path.write_bytes(jpeg(picture))
            photo = photos.read(path)
        bare = brightness(cv2.imdecode(np.frombuffer(jpeg(render(replace(scene, openings=()))), np.uint8), 1)[:, :, ::-1])
        drawn, truth = brightness(photo.rgb), picture.truth
        found = find_learned(photo, truths.surface(truth), truths.area(truth))
        rings = [np.array(one["outline_px"]) for one in truth["features"]]
        hit = {true for true, _ in match(rings, [one.outline_px for one in found])}
        for k, (one, beyond) in enumerate(zip(truth["features"], truths.cut(truth), strict=True)):
            if beyond or one["length_mm"] < statistics.FAIR_MM or examine.extent_px(one["outline_px"]) < statistics.FAIR_PX:
                continue
            plain, white = ratios(drawn, bare, rings[k])
            rows.append((k in hit, plain, white))
            said = f"{one['form']} of {one['fill']}, {one['length_mm']:.1f} by {one['width_mm']:.2f} mm"
            print(f"{seed} {'found ' if k in hit else 'missed'} plain {plain:.1f} white {white:.1f}: {said}", flush=True)
    for what in (True, False):
        own = np.array([row[1:] for row in rows if row[0] is what])
        if len(own):
            parts = [np.round(np.percentile(own[:, k], [0, 10, 50, 90, 100]), 1).tolist() for k in (0, 1)]
            print(f"{'found' if what else 'missed'} {len(own)}: least, tenths, most of plain {parts[0]}, white {parts[1]}")


if __name__ == "__main__":
    main()
