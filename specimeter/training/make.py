"""Make the data of a family: photographs for tuning and for the check, then samples to train on for as long as there is time.

``python -m specimeter.training.make bend FOLDER --seconds 500 --jobs 16`` (or ``broken``)
"""

from __future__ import annotations

import argparse
import io
import json
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from specimeter import files
from specimeter.scene import files as scene_files
from specimeter.scene.files import jpeg
from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from specimeter.training import composite, fracture_composite, fracture_sample, photographs, sample, split
from specimeter.training.sample import Sample

PHOTOGRAPH_PX = 1632  # long side of the photographs for tuning and for the check: 2 megapixels


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where a family's data come from.

    Parameters
    ----------
    training, tuning, check : range
        Seeds of the samples, and of the two sets of photographs.
    photograph : callable
        (seed, folder): renders one scene with its truth into a folder.
    samples : callable
        (seed): samples with what they are: "outlines" without colours, then the "face" of one scene, and a "composite" or more.
    taken : callable
        (rgb, truth, seed): the sample of a photograph.
    """

    training: range
    tuning: range
    check: range
    photograph: Callable[[int, Path], None]
    samples: Callable[[int], Iterator[tuple[str, Sample]]]
    taken: Callable[[np.ndarray, dict, int], Sample]


def bend_photograph(seed: int, folder: Path) -> None:
    """One scene, near enough for 0.045 to 0.09 mm a pixel."""
    rng = np.random.default_rng([seed, 3])
    scene = random_scene(
        seed,
        **split.groups_for(seed),
        width_px=PHOTOGRAPH_PX,
        mm_per_px=float(rng.uniform(0.045, 0.09)),
        camera=("phone-double", "phone-tele", "bench-camera"),
        clean=seed % split.CLEAN_EVERY == 0,
    )
    scene_files.save(render(scene), folder, f"scene-{seed}-{PHOTOGRAPH_PX}")


def bend_samples(seed: int, composites: int = 6, outlines: int = 16) -> Iterator[tuple[str, Sample]]:
    """Outlines, a face, then composites, every third of them on it."""
    for k in range(outlines):
        yield "outlines", composite.outlines(seed * 100 + k)
    own = sample.face(seed)
    yield "face", own
    for k in range(composites):
        yield "composite", composite.composite(seed * 100 + k, own if k % 3 == 0 else None)


def broken_photograph(seed: int, folder: Path) -> None:
    """One broken half, whole or near."""
    picture = render(fracture_sample.scene_of(seed, whole=(seed // 2) % 2 == 0, width_px=PHOTOGRAPH_PX))
    files.write(folder / f"{seed}.truth.json", json.dumps(picture.truth).encode())
    files.write(folder / f"{seed}.jpg", jpeg(picture))


def broken_samples(seed: int, composites: int = 6, outlines: int = 12, whole: float = 0.24) -> Iterator[tuple[str, Sample]]:
    """Outlines, a broken face, at times far away with card and bench in view, then composites."""
    for k in range(outlines):
        yield "outlines", fracture_composite.outlines(seed * 100 + k)
    rng = np.random.default_rng([seed, 14])
    far, width_px = rng.random() < whole, int(rng.choice([1000, 1300, PHOTOGRAPH_PX]))
    picture = render(fracture_sample.scene_of(seed, whole=far, width_px=width_px))
    yield "face", fracture_sample.sample(photographs.decoded(picture), picture.truth, seed)
    for k in range(composites):
        yield "composite", fracture_composite.composite(seed * 100 + k)


SOURCES = {
    "bend": Source(
        training=split.TRAINING_SEEDS,
        tuning=split.TUNING_SEEDS,
        check=split.CHECK_SEEDS,
        photograph=bend_photograph,
        samples=bend_samples,
        taken=lambda rgb, truth, _: sample.cut(rgb, truth),
    ),
    "broken": Source(
        training=fracture_sample.TRAINING_SEEDS,
        tuning=fracture_sample.TUNING_SEEDS,
        check=fracture_sample.CHECK_SEEDS,
        photograph=broken_photograph,
        samples=broken_samples,
        taken=fracture_sample.sample,
    ),
}


def pack(samples: list[Sample]) -> bytes:
    """Samples of one size as two arrays in NumPy's format: planes (N, C, H, W), then centres (M, 3) as [sample, x, y]."""
    stream = io.BytesIO()
    centres = [np.column_stack([np.full(len(s.centres_px), k), s.centres_px]) for k, s in enumerate(samples)]
    for array in (np.stack([s.planes for s in samples]), np.concatenate(centres)):
        np.lib.format.write_array(stream, array, allow_pickle=False)
    return stream.getvalue()


def unpack(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """What `pack` wrote."""
    with path.open("rb") as stream:
        planes, centres = (np.lib.format.read_array(stream, allow_pickle=False) for _ in range(2))
    return planes, centres


def work(number: int, options: argparse.Namespace) -> None:
    """One process: its share of the photographs, then samples until the time is up; what cannot be drawn is named, left out."""
    cv2.setNumThreads(1)
    source = SOURCES[options.family]
    given = photographs.for_training(options.photographs) if options.photographs else []
    for k, path in list(enumerate(given))[number :: options.jobs]:
        try:
            taken = source.taken(*photographs.read(path), k)
        except (ValueError, cv2.error) as error:
            print(f"{path.name}: {error}", flush=True)
            continue
        files.write(options.folder / "train" / f"photograph-{path.stem}.samples", pack([taken]))
    wanted = [(seed, "tune") for seed in source.tuning[: options.kept]]
    wanted += [(seed, "check") for seed in source.check[options.first_check :][: options.kept]]
    for seed, name in wanted[number :: options.jobs]:
        try:
            source.photograph(seed, options.folder / name)
        except (ValueError, cv2.error) as error:
            print(f"{name} {seed}: {error}", flush=True)
    for seed in source.training[options.first + number :: options.jobs]:
        if time.time() > options.ends:
            break
        made: dict[str, list[Sample]] = {}
        try:
            for name, one in source.samples(seed):
                made.setdefault(name, []).append(one)
        except (ValueError, cv2.error, np.linalg.LinAlgError) as error:
            print(f"after {sum(map(len, made.values()))} samples of {seed}: {error}", flush=True)
        for name, some in made.items():
            files.write(options.folder / "train" / f"{name}-{seed}.samples", pack(some))


def add_options(parser: argparse.ArgumentParser) -> None:
    """What is made, where, and for how long."""
    parser.add_argument("family", choices=SOURCES)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seconds", type=float, default=500)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--photographs", type=Path, help="folder of photographs with truths, for a third of each batch")
    parser.add_argument("--kept", type=int, default=80, help="photographs drawn for tuning, and as many for the check")
    parser.add_argument("--first-check", type=int, default=0, help="offset of the first seed for the check")
    parser.add_argument("--first", type=int, default=0, help="offset of the first training seed")


def begun(options: argparse.Namespace) -> list:
    """The processes that make it, started."""
    import multiprocessing

    for name in ("train", "tune", "check"):
        (options.folder / name).mkdir(parents=True, exist_ok=True)
    context = multiprocessing.get_context("spawn")
    processes = [context.Process(target=work, args=(k, options)) for k in range(options.jobs)]
    for one in processes:
        one.start()
    return processes


def main() -> None:
    """Make what the options ask for."""
    parser = argparse.ArgumentParser(description=__doc__)
    add_options(parser)
    options = parser.parse_args()
    options.ends = time.time() + options.seconds
    for one in begun(options):
        one.join()


if __name__ == "__main__":
    main()
