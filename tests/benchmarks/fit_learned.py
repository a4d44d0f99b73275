"""Fit the weights that turn a network's proposals into confidences, on photographs that trained nothing else.

``python tests/benchmarks/fit_learned.py FOLDER [FOLDER ...] [--jobs N] [--plate]`` reads [name-]SEED.jpg and its truth and
writes specimeter/segment/learned.json (plate.json, of the network for what is flat); prints recall, false calls and log-loss
on scenes left out in turn (six folds).
Beside them it draws SIMPLE pictures of simple shapes, all of which are to be found, and PRINTS of no metal, of which none is.

The network is less sure of photographs unlike those that trained it, so the figures are weighed on copies as well: blurred,
noisy, of another tone, and with its log-odds drawn in by up to LEAST_SURE. What confidence that means is then set on the
photographs as they are (Platt 1999).
"""

from __future__ import annotations

import argparse
import io
import json
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import real_cracks
import simple_shapes
from scipy.optimize import minimize

from specimeter import files
from specimeter import photo as photos
from specimeter.colour import luminance
from specimeter.segment import learned
from specimeter.segment.model import ExaminedArea
from specimeter.segment.network import Network, look
from specimeter.segment.sharpness import blur_of
from specimeter.training import prints
from specimeter.training.split import TUNING_SEEDS
from specimeter.validate import truth as truths
from specimeter.validate.match import match

FOLDS = 6
SIMPLE = 60  # pictures of `simple_shapes`, by other seeds than that benchmark's
PRINTS, PRINT_PX = 36, 800  # pictures of no metal, which the fit is to leave alone, and their side
BOUNDS = (3, 97)  # per cent of the proposals, between which figures count
HOLD_BACK = 0.02  # ridge on the standardised weights
LEAST_SPREAD = 0.05  # of a figure: one that hardly varies tells nothing
OF_NETWORK = ("peak", "mean", "share", "mark")  # figures that are log-odds of its own
LEAST_SURE, DRAWN_IN = 0.35, 4  # how far they are drawn in, and how many copies of each row are


def copies(photo, seed: int) -> list:
    """The photograph as it is, blurred and noisy, and of another tone and coarsely coded."""
    rng = np.random.default_rng([seed, 8])
    soft = cv2.GaussianBlur(photo.rgb, (0, 0), rng.uniform(0.6, 1.4)).astype(np.float32)
    soft = np.clip(soft + rng.normal(0, rng.uniform(2, 6), soft.shape), 0, 255).round().astype(np.uint8)
    tone = photo.rgb.astype(np.float32) / 255
    tone = tone ** rng.uniform(0.75, 1.35)
    tone = np.clip(tone + rng.uniform(-0.3, 0.6) * (tone * tone * (3 - 2 * tone) - tone), 0, 1)
    _, coded = cv2.imencode(
        ".jpg", np.round(255 * tone).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(40, 75))]
    )
    return [photo, _shown(soft), _shown(cv2.imdecode(coded, cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION))]


def _shown(rgb: np.ndarray) -> SimpleNamespace:
    light = luminance(rgb)
    return SimpleNamespace(rgb=rgb, linear=lambda: light)


def proposed(path: Path, network: Network = learned.NETWORK) -> dict[str, list]:
    """Of one photograph's proposals, and its copies': figures, right, fair (right, and large enough to count), and copy.

    `wanted` is how many features are large enough.
    """
    cv2.setNumThreads(1)
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    photo = photos.read(path)
    if path.stem.startswith("plate"):
        return _on_plate(photo, ExaminedArea(outline_px=np.array(truth["area_outline_px"])), truth, network)
    surface, area, beyond = truths.surface(truth), truths.area(truth), truths.cut(truth)
    size = [f["length_mm"] >= 0.5 and f["length_mm"] / truth["mm_per_px"] >= 8 for f in truth["features"]]
    rows: dict[str, list] = {name: [] for name in ("figures", "right", "fair", "copy")}
    for copy, one in enumerate(copies(photo, int(path.stem.split("-")[1]))):
        found = _found(one, surface, area, network)
        of = {f: t for t, f in match([f["outline_px"] for f in truth["features"]], [edge.outline_px for _, edge in found])}
        for k, (figures, _) in enumerate(found):
            if k in of and beyond[of[k]]:
                continue
            rows["figures"].append(figures)
            rows["right"].append(k in of)
            rows["fair"].append(k in of and size[of[k]])
            rows["copy"].append(copy)
    return rows | {"wanted": [sum(big and not cut for big, cut in zip(size, beyond, strict=True))]}


def _on_plate(photo, area, truth: dict, network: Network) -> dict[str, list]:
    """The same of a painted plate as it is and softened: a piece is right where most of its border lies along a crack."""
    line = np.zeros(photo.rgb.shape[:2], np.uint8)
    for feature in truth["features"]:
        cv2.polylines(line, [np.round(feature["outline_px"]).astype(np.int32)], True, 1)
    away = cv2.distanceTransform(1 - line, cv2.DIST_L2, 5)
    rows: dict[str, list] = {name: [] for name in ("figures", "right", "fair", "copy")}
    surface = SimpleNamespace(shape="flat", mm_per_px_at=lambda point: real_cracks.MM_PER_PX)
    for copy, one in enumerate(copies(photo, truth["seed"])):
        for figures, edge in _found(one, surface, area, network):
            x, y = np.clip(np.round(edge.outline_px).astype(int), 0, np.array(line.shape[::-1]) - 1).T
            rows["figures"].append(figures)
            rows["right"].append(bool((away[y, x] < real_cracks.ON_PX).mean() > 0.5))
            rows["fair"].append(False)
            rows["copy"].append(copy)
    return rows | {"wanted": [0]}


def simple(seed: int, network: Network) -> dict[str, list]:
    """The same of a picture of simple shapes."""
    cv2.setNumThreads(1)
    photo, area, drawn = simple_shapes.picture(np.random.default_rng([seed, 78]))
    surface = SimpleNamespace(shape="flat", mm_per_px_at=lambda point: simple_shapes.MM_PER_PX)
    found = _found(photo, surface, area, network)
    of = {f for _, f in match([ring for _, ring in drawn], [edge.outline_px for _, edge in found])}
    right = [k in of for k in range(len(found))]
    return {
        "figures": [figures for figures, _ in found],
        "right": right,
        "fair": right,
        "copy": [0] * len(found),
        "wanted": [len(drawn)],
    }


def _found(photo, surface, area, network: Network) -> list:
    """Figures and border of each proposal."""
    seen = look(photo, surface, area, network)
    return [(one.figures, one.edge) for one in learned.candidates(seen, area, photo.linear(), blur_of(photo, area))]


def printed(seed: int, network: Network) -> np.ndarray:
    """Figures (N, F) of what is proposed on ground that is no metal: all of it wrong."""
    cv2.setNumThreads(1)
    rgb, _ = prints.ground(np.random.default_rng([seed, 4]), PRINT_PX)
    rgb = np.round(255 * np.clip(rgb, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    surface = SimpleNamespace(shape="flat", mm_per_px_at=lambda point: learned.NETWORK.sampling_mm)
    last = PRINT_PX - 1
    area = ExaminedArea(outline_px=np.array([[0, 0], [last, 0], [last, last], [0, last]], float))
    found = _found(_shown(cv2.GaussianBlur(rgb, (0, 0), 0.7)), surface, area, network)
    return np.array([figures for figures, _ in found]).reshape(-1, len(learned.FIGURES))


def gathered(folders: Sequence[Path], jobs: int, network: Network) -> dict[str, np.ndarray]:
    """The same of all photographs of folders, with the number of each row's scene, and figures and number of the prints."""
    paths = [path for folder in folders for path in sorted(folder.glob("*.jpg")) if path.with_suffix(".truth.json").exists()]
    with ProcessPoolExecutor(jobs) as pool:
        parts = list(pool.map(partial(proposed, network=network), paths))
        parts += pool.map(partial(simple, network=network), range(SIMPLE))
        sheets = list(pool.map(partial(printed, network=network), [TUNING_SEEDS[0] + k for k in range(PRINTS)]))
    rows = {name: np.array([value for part in parts for value in part[name]]) for name in parts[0]}
    rows["scene"] = np.repeat(np.arange(len(parts)), [len(part["right"]) for part in parts])
    rows |= {"other": np.concatenate(sheets), "of_print": np.repeat(np.arange(PRINTS), [len(part) for part in sheets])}
    return rows | {"wanted": rows["wanted"].sum(), "photographs": len(parts)}


def fitted(figures: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, float]:
    """Weights (F,) and constant of a ridge logistic regression."""
    middle, spread = figures.mean(axis=0), figures.std(axis=0) + LEAST_SPREAD
    design = np.column_stack([(figures - middle) / spread, np.ones(len(figures))])

    def loss(w):
        z = design @ w
        slope = design.T @ (1 / (1 + np.exp(-z)) - right) / len(right)
        held = np.append(w[:-1], 0.0)
        return np.mean(np.logaddexp(0, z) - right * z) + HOLD_BACK * (held @ held) / 2, slope + HOLD_BACK * held

    w = minimize(loss, np.zeros(design.shape[1]), jac=True).x
    weights = w[:-1] / spread
    return weights, float(w[-1] - weights @ middle)


def drawn_in(figures: np.ndarray, by: np.ndarray, names: tuple[str, ...]) -> np.ndarray:
    """Figures (N, F), called `names`, as they would be if the network's log-odds were less by factors (N,)."""
    less = figures.copy()
    less[:, [k for k, name in enumerate(names) if name in OF_NETWORK]] *= by[:, None]
    return less


def weighed(
    figures: np.ndarray, right: np.ndarray, plain: np.ndarray, bounds: np.ndarray, names: tuple[str, ...]
) -> tuple[np.ndarray, float]:
    """Weights and constant fitted on all rows and on copies less sure, then set right on the plain ones."""
    rng = np.random.default_rng(0)
    less = [drawn_in(figures, rng.uniform(LEAST_SURE, 1, len(figures)), names) for _ in range(DRAWN_IN)]
    many = np.concatenate([figures, *less])
    weights, constant = fitted(np.clip(many, *bounds), np.tile(right, DRAWN_IN + 1))
    odds, true = np.clip(figures[plain], *bounds) @ weights + constant, right[plain]
    gain, shift = minimize(lambda p: np.mean(np.logaddexp(0, p[0] * odds + p[1]) - true * (p[0] * odds + p[1])), [1.0, 0.0]).x
    return gain * weights, float(gain * constant + shift)


def confidence(rows: dict[str, np.ndarray]) -> dict:
    """Weights, bounds and constant of the confidence; prints how they do on scenes left out in turn."""
    figures, other = rows["figures"], rows["other"]
    right, plain = rows["right"].astype(float), rows["copy"] == 0
    least, most = np.percentile(figures, BOUNDS, axis=0)
    bounds = np.array([least, most])

    def fit(of_rows, of_prints):
        joined = np.concatenate([figures[of_rows], other[of_prints]])
        true = np.concatenate([right[of_rows], np.zeros(of_prints.sum())])
        return weighed(joined, true, np.concatenate([plain[of_rows], np.zeros(of_prints.sum(), bool)]), bounds, learned.FIGURES)

    odds, unsure, of_print = np.zeros(len(right)), np.zeros(len(right)), np.zeros(len(other))
    for fold in range(FOLDS):
        out, beside = rows["scene"] % FOLDS == fold, rows["of_print"] % FOLDS == fold
        weights, constant = fit(~out, ~beside)
        odds[out] = np.clip(figures[out], *bounds) @ weights + constant
        unsure[out] = np.clip(drawn_in(figures[out], np.full(out.sum(), 0.6), learned.FIGURES), *bounds) @ weights + constant
        of_print[beside] = np.clip(other[beside], *bounds) @ weights + constant
    loss = np.mean((np.logaddexp(0, odds) - right * odds)[plain])
    print(f"{plain.sum()} proposals, {int(right[plain].sum())} right; log-loss {loss:.3f}")
    for threshold in (0.2, 0.3, 0.35, 0.4, 0.5, 0.6, 0.8):
        level = np.log(threshold / (1 - threshold))
        said = [
            f"{name} {(called & rows['fair']).sum() / rows['wanted'] / count:.3f}, "
            f"{(called & (right == 0)).sum() / rows['photographs'] / count:.2f}"
            for name, called, count in (
                ("as they are", plain & (odds > level), 1),
                ("copies", ~plain & (odds > level), 2),
                ("log-odds times 0.6", plain & (unsure > level), 1),
            )
        ]
        said.append(f"a print {(of_print > level).sum() / PRINTS:.2f}")
        print(f"confidence from {threshold}: recall, false calls {'; '.join(said)}")
    weights, constant = fit(np.ones(len(right), bool), np.ones(len(other), bool))
    return _named(learned.FIGURES, {"weights": weights, "least": least, "most": most}, constant)


def main() -> None:
    """Fit, print, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--plate", action="store_true", help="of the network for what is flat")
    parser.add_argument("--keep", type=Path, help="file for what was gathered (.npz), so that other fits can be tried")
    options = parser.parse_args()
    network, file = (learned.PLATE, learned.PLATE_ODDS) if options.plate else (learned.NETWORK, learned.ODDS)
    rows = gathered(options.folders, options.jobs, network)
    if options.keep:
        stream = io.BytesIO()
        np.savez_compressed(stream, **rows)
        files.write(options.keep, stream.getvalue())
    files.write(file, (json.dumps(confidence(rows), indent=1) + "\n").encode())


def _named(names, values: dict[str, np.ndarray], constant: float) -> dict:
    held = {part: dict(zip(names, np.round(row, 5).tolist(), strict=True)) for part, row in values.items()}
    return held | {"constant": round(constant, 5)}


if __name__ == "__main__":
    main()
