"""Teach two small networks to read cuts: `python -m specimeter.training.section OUT` renders, paints, trains, writes ONNX.

"far" looks at the whole photograph at 0.3 mm a cell and says where the cut metal lies; "near" looks at the cut at 0.06 mm.
Seeds from 1,600,000; scenes of the groups in HELD_OUT are never trained on, and every second one kept for checking is of them.
"""

from __future__ import annotations

import argparse
import copy
import json
import multiprocessing
import threading
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from specimeter import files
from specimeter.scene.describe import Scene
from specimeter.scene.random import CUTS, MACRO_TESTS, random_scene
from specimeter.scene.render import render
from specimeter.segment.section_reading import FAR_MM, TISSUES
from specimeter.training import photographs, split
from specimeter.training.section_labels import SIDE, of_scene
from specimeter.training.section_paint import Skins, painted
from specimeter.training.section_photographs import photographed

FIRST_SEED, CHECK_SEED = 1_600_000, 731_000
HELD_OUT = {"finish": ("milled",), "etch": ("strong",), "light": split.HELD_OUT["light"], "bench": split.HELD_OUT["bench"]}
NEAR_SAMPLES_MM = (0.045, 0.2)  # the coarsest: photographs of whole plates, read at their own sampling
NETWORKS = ("near", "far")
PHOTOGRAPHS_SEED, MOST_TURNS = 1_900_000, 4  # of pieces of photographs; how often each is looked at
CHECKED = 96  # samples of scenes kept for checking that are looked at


def scene_for(seed: int, held_out: bool, **choices: Any) -> Scene | None:
    """A random section of a seed, of held-out groups or of none; None if its etching belongs to the other part."""
    groups = split.HELD_OUT if held_out else split.TRAINED_ON
    finish = HELD_OUT["finish"] if held_out else tuple(name for name in CUTS if name not in HELD_OUT["finish"])
    test, light, bench = MACRO_TESTS[seed % 2], groups["light"], groups["bench"]
    scene = random_scene(seed, test=test, finish=finish, light=light, bench=bench, **choices)
    return scene if held_out or scene.groups["etch"] not in HELD_OUT["etch"] else None


def rendered(seed: int, networks: Sequence[str] = NETWORKS, held_out: bool = False) -> list[tuple[str, str, np.ndarray]]:
    """Samples of one scene: which network each is for, that it is a scene's, and its planes.

    For the near network alone scenes are drawn near, and more pieces are taken of each.
    """
    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    choices: dict = {"width_px": int(rng.choice([900, 1100, 1300]))}
    alone = "far" not in networks
    near = bool(rng.random() < 0.5)
    if near:
        choices |= {"card": "none", "mm_per_px": float(np.exp(rng.uniform(np.log(0.035), np.log(0.075))))}
    if rng.random() < 0.15:
        choices["clean"] = True
    scene = scene_for(seed, held_out, **choices)
    if scene is None:
        return []
    picture = render(scene)
    rgb = photographs.decoded(picture)
    mm, found = picture.truth["mm_per_px"], []
    outline, weld = np.array(picture.truth["area_outline_px"]), np.array(picture.truth["weld"]["outline_px"])
    middle = (outline.min(0) + outline.max(0)) / 2
    for k in range(0 if alone else 3):
        cell = FAR_MM * float(np.exp(rng.normal(0, 0.15)))
        size = np.array(rgb.shape[1::-1])
        centre = (size - 1) / 2 if k == 0 else middle + rng.normal(0, 12, 2) / mm
        found.append(("far", "scene", of_scene(scene, picture, rgb, max(cell, mm), centre)))
    if mm < 1.2 * NEAR_SAMPLES_MM[1] and "near" in networks:
        coarsest = max(min(NEAR_SAMPLES_MM[1], 1.4 * mm * rgb.shape[1] / SIDE), mm)  # the picture fills most of a sample
        for k in range((10 if alone else 7) if near else 4):
            cell = float(np.exp(rng.uniform(np.log(NEAR_SAMPLES_MM[0]), np.log(coarsest))))
            centre = (weld.mean(0) if k % 2 == 0 else outline[int(rng.integers(len(outline)))]) + rng.normal(0, 2.0, 2) / mm
            found.append(("near", "scene", of_scene(scene, picture, rgb, max(cell, mm), centre)))
    return found


def brushed(seed: int, networks: Sequence[str] = NETWORKS) -> list[tuple[str, str, np.ndarray]]:
    """Painted samples for both networks, or one, with a few surfaces laid again and again."""
    cv2.setNumThreads(1)
    rng, found = np.random.default_rng(seed), []
    skins = Skins(rng, SIDE)
    for k in range(15):
        name = networks[0] if len(networks) == 1 else "far" if k % 3 == 2 else "near"
        far, near = FAR_MM * float(np.exp(rng.normal(0, 0.2))), float(np.exp(rng.uniform(*np.log(NEAR_SAMPLES_MM))))
        found.append((name, "painted", painted(rng, far if name == "far" else near, skins=skins)))
    return found


def kept_apart(seed: int, networks: Sequence[str] = NETWORKS) -> list[tuple[str, str, np.ndarray]]:
    """Samples of a scene for checking, of held-out groups where the seed is even."""
    return rendered(seed, networks, held_out=seed % 2 == 0)


def gather(
    pool: ProcessPoolExecutor, jobs: int, stocks: dict, check: dict, end: float, seed: int, checks: int, others: list[Path]
) -> None:
    """Fill the stocks from the pool until a time; scenes take three quarters of the jobs. `others`: photographs."""
    waiting: list = []
    networks = tuple(stocks)
    number = checked = looked = 0
    while time.monotonic() < end:
        while len(waiting) < 2 * jobs and time.monotonic() < end - 12:
            number += 1
            paint = number % 4 == 0 or number < jobs // 2  # painted ones come sooner
            if number % 5 == 1 and number > jobs and checked < checks:
                waiting.append(("check", pool.submit(kept_apart, CHECK_SEED + checked, networks)))
                checked += 1
            waiting.append(("train", pool.submit(brushed if paint else rendered, seed + number, networks)))
            for _ in range(4 if looked < MOST_TURNS * len(others) else 0):
                path = others[looked % len(others)]
                given = path, PHOTOGRAPHS_SEED + looked, networks, NEAR_SAMPLES_MM
                waiting.append(("train", pool.submit(photographed, *given)))
                looked += 1
        done = [one for one in waiting if one[1].done()]
        waiting = [one for one in waiting if not one[1].done()]
        for part, future in done:
            try:
                samples = future.result()
            except Exception as error:  # one seed that cannot be drawn is left out, and said
                print(f"left out: {error!r}", flush=True)
                continue
            for network, origin, sample in samples:
                if part == "check":
                    check[network].append(sample)
                else:
                    stocks[network].add(origin, sample)
        time.sleep(0.05)
    for _, future in waiting:
        future.cancel()


def sheet(samples: Sequence[np.ndarray], odds: np.ndarray, rows: int = 8) -> bytes:
    """A JPEG of pictures with truth and answer beneath them, for looking at."""
    colours = np.array([[0, 0, 0], [120, 120, 120], [0, 160, 255], [0, 0, 220], [255, 0, 255]], np.uint8)
    tiles = []
    for sample, one in list(zip(samples, odds, strict=True))[: 2 * rows]:
        picture = sample[:3].transpose(1, 2, 0)[..., ::-1].copy()
        truth = colours[np.minimum(sample[3], 4)] * np.where(sample[5] > 0, 1.0, 0.5)[..., None]
        truth[sample[4] > 0] = (0, 255, 255)
        count = len(TISSUES)
        own = colours[one[:count].argmax(0)] * np.where(one[count] > 0, 1.0, 0.5)[..., None]
        own[one[count + 1] > 0] = (0, 255, 255)
        tiles.append(np.vstack([picture, truth.astype(np.uint8), own.astype(np.uint8)])[::2, ::2])
    strips = [np.hstack(tiles[k : k + rows]) for k in range(0, len(tiles), rows) if len(tiles[k : k + rows]) == rows]
    return cv2.imencode(".jpg", np.vstack(strips))[1].tobytes() if strips else b""


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description="Teach two small networks to read cuts.")
    parser.add_argument("out", type=Path, help="folder for section_far.onnx, section_near.onnx, their weights and figures")
    parser.add_argument("--seconds", type=float, default=500)
    parser.add_argument("--jobs", type=int, default=15)
    parser.add_argument("--seed", type=int, default=FIRST_SEED, help="first training seed")
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--checks", type=int, default=60, help="scenes kept for checking")
    parser.add_argument("--resume", type=Path, help="folder with weights to start from (`specimeter.training.restore`)")
    parser.add_argument(
        "--photographs", type=Path, help="folder of photographs with their truths, a part of what is learned from"
    )
    parser.add_argument("--share", type=float, default=photographs.SHARE, help="of the photographs in what is learned from")
    parser.add_argument("--only", choices=NETWORKS, help="teach one network alone")
    options = parser.parse_args()
    started = time.monotonic()
    options.out.mkdir(parents=True, exist_ok=True)
    with ProcessPoolExecutor(options.jobs, mp_context=multiprocessing.get_context("spawn")) as pool:
        teach(pool, options, started)
    print(f"all done after {time.monotonic() - started:.0f} s", flush=True)
    return 0


def teach(pool: ProcessPoolExecutor, options: argparse.Namespace, started: float) -> None:
    """Gather and train until the time is up; write what was learned, now and then and at the end."""
    import torch

    from specimeter.training.network import to_bytes
    from specimeter.training.section_network import to_onnx
    from specimeter.training.section_train import Stock, Trainer, answers, figures

    count = torch.cuda.device_count()
    names = NETWORKS if options.only is None else (options.only,)
    devices = {name: f"cuda:{k % count}" if count else "cpu" for k, name in enumerate(names)}
    torch.manual_seed(options.seed)
    rng = np.random.default_rng(options.seed)
    others = [] if options.photographs is None else photographs.for_training(options.photographs)
    stocks = {name: Stock(devices[name], options.share) for name in devices}
    check: dict[str, list[np.ndarray]] = {name: [] for name in devices}
    end = started + options.seconds - 45
    filling = threading.Thread(
        target=gather, args=(pool, options.jobs, stocks, check, end, options.seed, options.checks, others), daemon=True
    )
    filling.start()
    trainers = {}
    for name in stocks:
        weights = None
        if options.resume is not None:
            weights = (options.resume / f"section_{name}.bin").read_bytes()
        trainers[name] = Trainer(name, devices[name], options.rate, weights)
    before = None if options.resume is None else {name: copy.deepcopy(one.steady) for name, one in trainers.items()}
    while not all(stock.ready() for stock in stocks.values()) and time.monotonic() < end:
        time.sleep(0.2)
    begun, told, saved = time.monotonic(), time.monotonic(), time.monotonic()

    def save() -> None:
        for name, trainer in trainers.items():
            files.write(options.out / f"section_{name}.bin", to_bytes(trainer.steady))

    while time.monotonic() < end:
        past = (time.monotonic() - begun) / (end - begun)
        for name, trainer in trainers.items():
            for _ in range(2 if name == "near" and devices.get("far") == devices["near"] else 1):
                trainer.step(stocks[name].batch(rng, options.batch), past)
        if time.monotonic() - told > 20:
            told = time.monotonic()
            for name, trainer in trainers.items():
                kept = {origin: len(some) for origin, some in stocks[name].kept.items()}
                print(f"{told - started:.0f} s, {name}: {trainer.said()}, {kept}", flush=True)
        if time.monotonic() - saved > 120:
            saved = time.monotonic()
            save()
    save()
    result: dict = {
        "seconds": round(time.monotonic() - begun),
        "seed": options.seed,
        "rate": options.rate,
    }
    for name, trainer in trainers.items():
        files.write(options.out / f"section_{name}.onnx", to_onnx(trainer.steady))
        result[name] = {"steps": trainer.count} | {origin: len(some) for origin, some in stocks[name].kept.items()}
        if check[name]:
            if before is not None:
                result[name]["before"] = figures(*answers(before[name], check[name][:CHECKED], devices[name]))
            odds, truth = answers(trainer.steady, check[name][:CHECKED], devices[name])
            result[name]["check"] = figures(odds, truth)
            files.write(options.out / f"check_{name}.jpg", sheet(check[name], odds))
    files.write(options.out / "section.json", json.dumps(result, indent=1).encode())
    print(json.dumps(result, indent=1), flush=True)


if __name__ == "__main__":
    raise SystemExit(main())
