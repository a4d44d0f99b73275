"""Make the data: scenes for tuning and for the check as photographs, then training samples for as long as there is time.

``python -m specimeter.training.make FOLDER --seconds 500 --jobs 16``
"""

from __future__ import annotations

import argparse
import io
import os
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np

from specimeter import files
from specimeter.scene import files as scene_files
from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from specimeter.training.composite import composite
from specimeter.training.sample import Sample, face
from specimeter.training.split import CHECK_SEEDS, CLEAN_EVERY, TRAINING_SEEDS, TUNING_SEEDS, groups_for

COMPOSITES_PER_FACE = 24
PHOTOGRAPH_PX = 1632  # long side of the photographs for tuning and for the check: 2 megapixels


def photograph(seed: int, folder: Path) -> None:
    """Render one scene for tuning or for the check, with its sheet and truth; near enough for 0.045 to 0.09 mm a pixel."""
    rng = np.random.default_rng([seed, 3])
    scene = random_scene(
        seed,
        **groups_for(seed),
        width_px=PHOTOGRAPH_PX,
        mm_per_px=float(rng.uniform(0.045, 0.09)),
        camera=("phone-double", "phone-tele", "bench-camera"),
        clean=seed % CLEAN_EVERY == 0,
    )
    scene_files.save(render(scene), folder, f"scene-{seed}-{PHOTOGRAPH_PX}")


def pack(samples: list[Sample]) -> bytes:
    """Samples of one size as two arrays in NumPy's format: planes (N, 9, H, W), then centres (M, 3) as [sample, x, y]."""
    stream = io.BytesIO()
    centres = [np.column_stack([np.full(len(s.centres_px), k), s.centres_px]) for k, s in enumerate(samples)]
    for array in (np.stack([s.planes for s in samples]), np.concatenate(centres)):
        np.lib.format.write_array(stream, array, allow_pickle=False)
    return stream.getvalue()


def _work(number: int, options: argparse.Namespace) -> int:
    """One process: its share of the photographs, then faces and composites until the time is up; returns how many samples."""
    cv2.setNumThreads(1)
    ends = options.started + options.seconds
    wanted = [(s, "tune") for s in TUNING_SEEDS[: options.tuning]]
    wanted += [(s, "check") for s in CHECK_SEEDS[options.first_check :][: options.photographs]]
    for seed, name in wanted[number :: options.jobs]:
        photograph(seed, options.folder / name)
    made = 0
    for seed in TRAINING_SEEDS[options.first + number :: options.jobs]:
        if time.time() > ends:
            break
        try:
            own = face(seed)
        except ValueError as error:  # a scene that cannot be drawn is left out, and named
            print(f"face {seed}: {error}", flush=True)
            continue
        files.write(options.folder / "train" / f"face-{seed}.samples", pack([own]))
        drawn = [composite(seed * 100 + k, own if k % 3 == 0 else None) for k in range(COMPOSITES_PER_FACE)]
        files.write(options.folder / "train" / f"composite-{seed}.samples", pack(drawn))
        made += 1 + len(drawn)
    return made


def main() -> None:
    """Make what the options ask for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seconds", type=float, default=500)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--photographs", type=int, default=80, help="for the check")
    parser.add_argument("--first_check", type=int, default=0, help="offset of the first seed for the check")
    parser.add_argument("--tuning", type=int, default=60, help="photographs for tuning")
    parser.add_argument("--first", type=int, default=0, help="offset of the first training seed")
    options = parser.parse_args()
    options.started = time.time()
    for name in ("train", "tune", "check"):
        (options.folder / name).mkdir(parents=True, exist_ok=True)
    with ProcessPoolExecutor(options.jobs) as pool:
        made = sum(pool.map(_work, range(options.jobs), [options] * options.jobs))
    print(f"{made} samples in {time.time() - options.started:.0f} s")


if __name__ == "__main__":
    main()
