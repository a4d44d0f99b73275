"""Teach what a region of a broken face is: `python -m specimeter.training.fracture OUT` renders, gathers, fits, writes.

Scenes: seeds from 1,300,000 (every eighth is kept for checking). The committee is three small networks over the figures of
`specimeter.segment.fracture_figures`.
"""

from __future__ import annotations

import argparse
import io
import json
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np

from specimeter import files
from specimeter.scene.random import BROKEN_TESTS, random_scene
from specimeter.scene.render import render
from specimeter.segment.fracture_figures import NAMES, figures
from specimeter.segment.fracture_maps import prepare
from specimeter.segment.fracture_propose import propose
from specimeter.training import photographs

FIRST_SEED = 1_300_000
CHECK_EVERY = 8
FAMILIES = ("none", "pore", "elongated-cavity", "slag", "unfused", "fisheye")
SURE, DOUBTFUL = 0.45, 0.2  # intersection over union from which a region is a feature, and below which it is none
MEMBERS, UNITS, DECAY = 3, 28, 2e-3


def family(kind: str) -> str:
    """The family of a kind of feature."""
    return "unfused" if kind.startswith("lack-of") else kind


# figures (N, F), families (N,), overlaps (N,); of each true feature whether it had a region, its family and its length
Gathered = tuple[np.ndarray, np.ndarray, np.ndarray, list[tuple[bool, int, float]]]


def gathered(seed: int) -> Gathered:
    """Of one scene: figures (N, F), families (N,), overlaps (N,), whether each true feature had a region."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    test = BROKEN_TESTS[seed % len(BROKEN_TESTS)]
    choices: dict = {"width_px": int(rng.choice([1000, 1300, 1600]))}
    if rng.random() < 0.6:  # near
        width = random_scene(seed, test=test, width_px=1000).specimen.width_mm
        choices["mm_per_px"] = float(
            max(rng.uniform(0.035, 0.09), 1.15 * width / choices["width_px"] if rng.random() < 0.7 else 0)
        )
        choices["card"] = "none"
    picture = render(random_scene(seed, test=test, clean=rng.random() < 0.12, **choices))
    rgb = photographs.decoded(picture)
    return of_photograph(rgb, picture.truth, rng)


def of_photograph(rgb: np.ndarray, truth: dict, rng: np.random.Generator) -> Gathered:
    """Figures, families, overlaps and what was proposed, of one photograph with its truth."""
    outline = np.array(truth["area_outline_px"])
    middle = outline.mean(0)
    outline = middle + (outline - middle) * (1 + rng.normal(0, 0.012, 2)) + rng.normal(0, 0.1, 2) / truth["mm_per_px"]
    outline = np.clip(outline, 0, [truth["width_px"] - 1, truth["height_px"] - 1])
    prepared = prepare(rgb, outline, (), truth["mm_per_px"] * float(np.exp(rng.normal(0, 0.02))))
    rows, families, overlaps, masks = [], [], [], []
    for feature in truth["features"]:
        mask = np.zeros(prepared.usable.shape, np.uint8)
        corners = (np.array(feature["outline_px"]) - prepared.corner_px + 0.5) / prepared.factor - 0.5
        cv2.fillPoly(mask, [np.round(corners * 16).astype(np.int32).reshape(-1, 1, 2)], 1, shift=4)
        masks.append((mask > 0, FAMILIES.index(family(feature["kind"])), feature["length_mm"]))
    best = np.zeros(len(masks))
    for region in propose(prepared):
        found = figures(prepared, region)
        if found is None:
            continue
        window, size = region.window(), int(region.mask.sum())
        overlap, kind = 0.0, 0
        for k, (own, which, _) in enumerate(masks):
            both = int((own[window] & region.mask).sum())
            share = both / max(int(own.sum()) + size - both, 1)
            best[k] = max(best[k], share)
            if share > overlap:
                overlap, kind = share, which
        rows.append(found)
        families.append(kind if overlap >= SURE else 0)
        overlaps.append(overlap)
    hit = [(bool(b >= SURE), which, length) for b, (_, which, length) in zip(best, masks, strict=True)]
    return np.array(rows, np.float32).reshape(-1, len(NAMES)), np.array(families), np.array(overlaps), hit


def fit(x: np.ndarray, y: np.ndarray, seconds: float) -> dict:
    """The committee, JSON-ready, as `specimeter.segment.fracture` reads it."""
    import torch

    device = "cuda" if torch.cuda.is_available() else "cpu"
    centre, spread = np.median(x, axis=0), np.maximum(x.std(axis=0), 1e-3)
    z = torch.from_numpy(np.clip((x - centre) / spread, -4, 4).astype(np.float32)).to(device)
    truth = torch.from_numpy(y).long().to(device)
    counts = np.bincount(y, minlength=len(FAMILIES))
    weight = torch.tensor(np.where(np.arange(len(FAMILIES)) == 0, 1.0, 1.5), dtype=torch.float32, device=device)
    members = []
    for seed in range(MEMBERS):
        torch.manual_seed(seed)
        net = torch.nn.Sequential(
            torch.nn.Linear(x.shape[1], UNITS), torch.nn.Tanh(), torch.nn.Linear(UNITS, UNITS), torch.nn.Tanh(),
            torch.nn.Linear(UNITS, len(FAMILIES)),
        ).to(device)  # fmt: skip
        steps_of = torch.optim.AdamW(net.parameters(), lr=4e-3, weight_decay=DECAY * 10)
        started = time.monotonic()
        while (past := (time.monotonic() - started) / (seconds / MEMBERS)) < 1:
            for group in steps_of.param_groups:
                group["lr"] = 4e-3 * (0.5 + 0.5 * np.cos(np.pi * past)) + 1e-5
            chosen = torch.randint(len(z), (4096,), device=device)
            noisy = z[chosen] + 0.08 * torch.randn(4096, z.shape[1], device=device)
            loss = torch.nn.functional.cross_entropy(net(noisy), truth[chosen], weight=weight, label_smoothing=0.005)
            steps_of.zero_grad()
            loss.backward()
            steps_of.step()
        members.append([np.round(p.detach().cpu().numpy(), 4).tolist() for p in net.parameters()])
    return {
        "names": list(NAMES),
        "families": list(FAMILIES),
        "centre": [round(float(v), 5) for v in centre],
        "spread": [round(float(v), 5) for v in spread],
        "members": members,
        "examples": counts.tolist(),
    }


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description="Teach what a region of a broken face is.")
    parser.add_argument("out", type=Path, help="folder for fracture_odds.json")
    parser.add_argument("--scenes", type=int, default=2000)
    parser.add_argument("--render-seconds", type=float, default=150, help="no new scene is begun after that")
    parser.add_argument("--fit-seconds", type=float, default=20)
    parser.add_argument("--jobs", type=int, default=15)
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    started = time.monotonic()
    train: list = []
    check: list = []
    with ProcessPoolExecutor(options.jobs) as pool:
        waiting = {}
        seeds = iter(range(FIRST_SEED, FIRST_SEED + options.scenes))
        for seed in seeds:
            waiting[seed] = pool.submit(gathered, seed)
            if len(waiting) < 2 * options.jobs:
                continue
            first = next(iter(waiting))
            (check if first % CHECK_EVERY == 0 else train).append(waiting.pop(first).result())
            if time.monotonic() - started > options.render_seconds:
                break
        for seed, future in waiting.items():
            if not future.cancel():
                (check if seed % CHECK_EVERY == 0 else train).append(future.result())
    print(f"{len(train)} scenes, {len(check)} to check, {time.monotonic() - started:.0f} s", flush=True)
    x, y, overlap = (np.concatenate([one[k] for one in train]) for k in range(3))
    clear = (overlap >= SURE) | (overlap < DOUBTFUL)
    model = fit(x[clear], y[clear], options.fit_seconds)
    files.write(options.out / "fracture_odds.json", json.dumps(model, separators=(",", ":")).encode())
    everything = {
        f"{name}_{part}": np.concatenate([one[k] for one in some])
        for part, some in (("train", train), ("check", check))
        for k, name in ((0, "x"), (1, "y"), (2, "overlap"))
    }
    everything |= {
        f"scene_{part}": np.repeat(np.arange(len(some)), [len(one[0]) for one in some])
        for part, some in (("train", train), ("check", check))
    }
    figures = io.BytesIO()
    np.savez_compressed(
        figures,
        **{k: v.astype(np.float16 if k.startswith("x") else np.float32) for k, v in everything.items()},  # type: ignore[arg-type]  # no key is its one other keyword
    )
    files.write(options.out / "figures.npz", figures.getvalue())
    hits = [one for part in check for one in part[3] if one[2] >= 0.5]
    for number, name in enumerate(FAMILIES[1:], start=1):
        own = [one[0] for one in hits if one[1] == number]
        print(f"proposed on the check scenes: {name} {np.mean(own) if own else float('nan'):.2f} of {len(own)}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
