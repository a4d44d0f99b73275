"""Fit what turns the network's proposals on broken faces into confidences, on photographs that trained nothing else.

``python tests/benchmarks/fit_fracture.py FOLDER [FOLDER ...]`` reads [name-]SEED.jpg and its truth and writes
specimeter/segment/fracture_learned.json; prints recall, false calls and log-loss on scenes left out in turn (six folds).
"""

from __future__ import annotations

import argparse
import io
import json
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from fit_learned import BOUNDS, FOLDS, copies, drawn_in, weighed

from specimeter import files
from specimeter import photo as photos
from specimeter.segment import fracture_learned as learned
from specimeter.segment.network import look
from specimeter.training.fracture_sample import family
from specimeter.validate import truth as truths
from specimeter.validate.match import match

SLENDER = np.arange(1, 8.1, 0.5)  # what is round is never an elongated cavity by a hair
FROM = (1.6, 1.8, 2.0, 2.2, 2.5)


def of_photograph(path: Path) -> dict[str, list]:
    """Of one photograph's proposals: figures, right or not, of a fair feature or not, family, families' log-odds, slender."""
    cv2.setNumThreads(1)
    rows: dict[str, list] = {
        name: [] for name in ("figures", "right", "fair", "long", "family", "odds", "slender", "area", "copy")
    }
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    photo, surface, area = photos.read(path), truths.surface(truth), truths.area(truth)
    seed = int(path.stem.split("-")[-1])
    moved = disturbed(area, 1 / truth["mm_per_px"], seed)
    for copy, one in enumerate(copies(photo, seed)):
        for place in (area, moved) if copy == 0 else (moved,) if copy == 1 else (area,):
            _add(rows, one, surface, place, truth)
            rows["copy"].extend([copy] * (len(rows["right"]) - len(rows["copy"])))
    return rows | {"wanted": [2 * sum(_fair(truth))], "wanted_long": [2 * sum(f["length_mm"] > 3 for f in truth["features"])]}


def disturbed(area, pixel: float, seed: int):
    """The area as it is commonly found: each of its four sides moved by a tenth of a millimetre, one in sixteen by up to 1.5.

    `pixel` is the photograph's pixels to a millimetre.
    """
    rng = np.random.default_rng(seed)
    middle = area.outline_px.mean(axis=0)
    _, axes = np.linalg.eigh(np.cov((area.outline_px - middle).T))
    flat = (area.outline_px - middle) @ axes
    half = np.abs(flat).max(axis=0)
    for k in (0, 1):
        for sign in (1, -1):
            moved = rng.normal(0, 0.1) if rng.random() < 0.9375 else rng.uniform(0.3, 1.5)
            flat[:, k] += sign * moved * pixel * np.clip(sign * flat[:, k] / half[k], 0, 1) ** 4
    return replace(area, outline_px=flat @ axes.T + middle)


def _fair(truth: dict) -> list[bool]:
    return [f["length_mm"] >= 0.5 and f["length_mm"] / truth["mm_per_px"] >= 8 for f in truth["features"]]


def _add(rows: dict[str, list], photo, surface, area, truth: dict) -> None:
    seen = look(photo, surface, area, learned.NETWORK)
    found = [(p, learned.outline_of(p, seen, photo.linear())) for p in learned.proposals(seen)]
    found = [(p, edge) for p, edge in found if edge is not None]
    pairs = match([f["outline_px"] for f in truth["features"]], [edge.outline_px for _, edge in found])
    of = {f: t for t, f in pairs}
    size = _fair(truth)
    for k, (proposal, edge) in enumerate(found):
        long, wide = learned.sizes_px(edge.outline_px)
        rows["figures"].append(learned.figures_of(proposal, edge, seen))
        rows["right"].append(float(k in of))
        rows["fair"].append(k in of and size[of[k]])
        rows["long"].append(k in of and truth["features"][of[k]]["length_mm"] > 3)
        rows["family"].append(learned.FAMILIES.index(family(truth["features"][of[k]]["kind"])) if k in of else -1)
        rows["odds"].append(proposal.families)
        rows["slender"].append(long / wide)
        areas = [np.nan, np.nan, np.nan]  # true, the network's own, as drawn, in the photograph's pixels
        if k in of:
            true = np.array(truth["features"][of[k]]["outline_px"])
            rings = (true, learned.own_ring(proposal, seen), edge.outline_px)
            areas = [cv2.contourArea(ring.astype(np.float32).reshape(-1, 1, 2)) for ring in rings]
        rows["area"].append(areas)


def gathered(folders: Sequence[Path], jobs: int) -> dict[str, np.ndarray]:
    """The same of all photographs of some folders, with each row's scene by number, and how many fair features there are."""
    with ProcessPoolExecutor(jobs) as pool:
        each = list(pool.map(of_photograph, sorted(path for folder in folders for path in folder.glob("*.jpg"))))
    scene = np.repeat(np.arange(len(each)), [len(one["right"]) for one in each])
    joined = {name: np.array([row for one in each for row in one[name]]) for name in each[0]}
    return joined | {"scene": scene, "wanted": joined["wanted"].sum(), "wanted_long": joined["wanted_long"].sum()}


def proportions(rows: dict[str, np.ndarray]) -> tuple[float, float, float]:
    """How much proportions push towards an elongated cavity, from which on, and the share of families right with that."""
    true = rows["family"] >= 0
    best = (0.0, 2.0, -1.0)
    for start in FROM:
        for push in SLENDER:
            odds = learned.divided(rows["odds"][true], rows["slender"][true], push, start)
            share = float((odds.argmax(axis=1) == rows["family"][true]).mean())
            if share > best[2]:
                best = (float(push), start, share)
    return best


def main() -> None:
    """Fit, print, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="write the figures there (.npz)")
    options = parser.parse_args()
    rows = gathered(options.folders, options.jobs)
    if options.keep:
        stream = io.BytesIO()
        np.savez_compressed(stream, **rows)
        files.write(options.keep, stream.getvalue())
    figures, right, fair, scene = (rows[name] for name in ("figures", "right", "fair", "scene"))
    wanted = int(rows["wanted"])
    least, most = np.percentile(figures, BOUNDS, axis=0)
    figures = np.clip(figures, least, most)
    odds, plain = np.zeros(len(right)), rows["copy"] == 0
    unsure = np.zeros(len(right))
    for fold in range(FOLDS):
        out = scene % FOLDS == fold
        weights, constant = weighed(figures[~out], right[~out], plain[~out], np.array([least, most]), learned.FIGURES)
        odds[out] = figures[out] @ weights + constant
        less = drawn_in(figures[out], np.full(out.sum(), 0.6), learned.FIGURES)
        unsure[out] = np.clip(less, least, most) @ weights + constant
    loss = np.mean((np.logaddexp(0, odds) - right * odds)[plain])
    print(f"{plain.sum()} proposals, {int(right[plain].sum())} right; log-loss {loss:.3f}")
    print(f"proposed: {(fair & plain).sum() / wanted:.3f} of {wanted} features of 0.5 mm and 8 px or more")
    for threshold in (0.2, 0.3, 0.35, 0.4, 0.5, 0.6, 0.8):
        level = np.log(threshold / (1 - threshold))
        said = [
            f"{name} {(called & fair).sum() / wanted:.3f}, "
            f"over 3 mm {(called & rows['long']).sum() / rows['wanted_long']:.3f}, "
            f"{(called & (right == 0)).sum() / (2 * (scene.max() + 1)):.2f}"
            for name, called in (
                ("as they are", plain & (odds > level)),
                ("copies", ~plain & (odds > level)),
                ("log-odds times 0.6", plain & (unsure > level)),
            )
        ]
        print(f"confidence from {threshold}: recall, false calls {'; '.join(said)}")
    push, start, share = proportions(rows)
    alone = float((rows["odds"].argmax(axis=1) == rows["family"])[rows["family"] >= 0].mean())
    print(f"families right {alone:.3f}; with proportions ({push} from {start}) {share:.3f}")
    weights, constant = weighed(figures, right, plain, np.array([least, most]), learned.FIGURES)
    named = {"weights": weights, "least": least, "most": most}
    held = {part: dict(zip(learned.FIGURES, np.round(values, 5).tolist(), strict=True)) for part, values in named.items()}
    held |= {"constant": round(constant, 5), "slender": push, "elongated_from": start}
    files.write(learned.ODDS, (json.dumps(held, indent=1) + "\n").encode())


if __name__ == "__main__":
    main()
