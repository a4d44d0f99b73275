"""Fit the weights that turn a network's proposals into confidences, on photographs that trained nothing else.

``python tests/benchmarks/fit_learned.py FOLDER [--jobs N]`` reads what `specimeter.training.make` left in FOLDER/tune and
writes specimeter/segment/learned.json; prints recall, false calls and log-loss on scenes left out in turn (six folds).
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
from scipy.optimize import minimize

from specimeter import files
from specimeter import photo as photos
from specimeter.colour import luminance
from specimeter.scene import shapes
from specimeter.segment import learned
from specimeter.segment.border import border
from specimeter.segment.model import ExaminedArea
from specimeter.segment.sharpness import blur_of
from specimeter.training import prints
from specimeter.training.split import TUNING_SEEDS
from specimeter.validate import truth as truths
from specimeter.validate.match import match

FOLDS = 6
PRINTS, PRINT_PX = 36, 800  # pictures of no metal, which the fit is to leave alone, and their side
BOUNDS = (3, 97)  # per cent of the proposals, between which figures count
HOLD_BACK = 0.02  # ridge on the standardised weights
LEAST_SPREAD = 0.05  # of a figure: one that hardly varies tells nothing
TIPS_HOLD_BACK = 0.1
LEAST_MM = 1.0  # of features whose lengths count


def proposed(path: Path) -> tuple[list, list, list, int, list]:
    """One photograph's figures, whether right, whether a fair feature, how many fair features there are in all, and tips.

    Of each right one of 1 mm or more the tips are: its figures, the tip's stated uncertainty and the length's error over the
    square root of two, both in the network's pixels.
    """
    cv2.setNumThreads(1)
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    photo, surface, area = photos.read(path), truths.surface(truth), truths.area(truth)
    seen = learned.look(photo, surface, area)
    light, blur = photo.linear(), blur_of(photo, area)
    found = [(p, border(learned.patch_of(p, seen), light, blur)) for p in learned.followed(learned.proposals(seen), seen)]
    found = [(p, edge) for p, edge in found if edge is not None]
    pairs = match([f["outline_px"] for f in truth["features"]], [edge.outline_px for _, edge in found])
    of = {f: t for t, f in pairs}
    beyond = truths.cut(truth)
    size = [f["length_mm"] >= 0.5 and f["length_mm"] / truth["mm_per_px"] >= 8 for f in truth["features"]]
    held = [k for k in range(len(found)) if k not in of or not beyond[of[k]]]
    figures = [learned.figures_of(*found[k]) for k in held]
    wanted = sum(big and not cut for big, cut in zip(size, beyond, strict=True))
    tips = []
    for k, one in zip(held, figures, strict=True):
        true = truth["features"][of[k]]["length_mm"] if k in of else 0.0
        ring = surface.develop(found[k][1].outline_px)
        if true >= LEAST_MM and np.isfinite(ring).all():
            error = abs(shapes.length_mm(ring) - true) / truth["mm_per_px"] * seen.zoom
            tips.append((learned.tip_figures(one, found[k][1], seen.zoom), error / np.sqrt(2)))
    return figures, [k in of for k in held], [k in of and size[of[k]] for k in held], wanted, tips


def printed(seed: int) -> np.ndarray:
    """Figures (N, F) of what is proposed on ground that is no metal: all of it wrong."""
    cv2.setNumThreads(1)
    rgb, _ = prints.ground(np.random.default_rng([seed, 4]), PRINT_PX)
    rgb = np.round(255 * np.clip(rgb, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    rgb = cv2.GaussianBlur(rgb, (0, 0), 0.7)
    light = luminance(rgb)
    photo = SimpleNamespace(rgb=rgb, linear=lambda: light)
    surface = SimpleNamespace(shape="flat", mm_per_px_at=lambda point: learned.SAMPLING_MM)
    last = PRINT_PX - 1
    area = ExaminedArea(outline_px=np.array([[0, 0], [last, 0], [last, last], [0, last]], float))
    seen, blur = learned.look(photo, surface, area), blur_of(photo, area)
    found = [(p, border(learned.patch_of(p, seen), light, blur)) for p in learned.followed(learned.proposals(seen), seen)]
    return np.array([learned.figures_of(p, edge) for p, edge in found if edge is not None]).reshape(-1, len(learned.FIGURES))


def gathered(folder: Path, jobs: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, int, list]:
    """Figures (N, F), right or not (N,), fair features (N,), scene (N,), how many fair features there are in all, and tips."""
    paths = sorted(path for path in folder.glob("*.jpg") if path.with_suffix(".truth.json").exists())
    with ProcessPoolExecutor(jobs) as pool:
        parts = list(pool.map(proposed, paths))
    scene = np.repeat(np.arange(len(parts)), [len(part[0]) for part in parts])
    figures, right, fair, tips = ([value for part in parts for value in part[k]] for k in (0, 1, 2, 4))
    return np.array(figures), np.array(right, float), np.array(fair), scene, sum(part[3] for part in parts), tips


def tips_fitted(figures: np.ndarray, error: np.ndarray) -> tuple[np.ndarray, float]:
    """Weights (F,) and constant of the logarithm of a tip's standard uncertainty, so that errors over it have Student's t.

    With four degrees of freedom (errors have a long tail) and a ridge; then stretched until 95 of 100 lie within twice.
    """
    middle, spread = figures.mean(axis=0), figures.std(axis=0) + LEAST_SPREAD
    design = np.column_stack([(figures - middle) / spread, np.ones(len(figures))])

    def loss(w):
        log_u = design @ w
        return np.mean(log_u + 2.5 * np.log1p(error**2 / np.exp(2 * log_u) / 4)) + TIPS_HOLD_BACK * (w[:-1] @ w[:-1]) / 2

    w = minimize(loss, np.zeros(design.shape[1])).x
    w[-1] += np.log(np.percentile(error / np.exp(design @ w), 95) / 2)
    weights = w[:-1] / spread
    return weights, float(w[-1] - weights @ middle)


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


def main() -> None:
    """Fit, print, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="file for what was gathered, so that other fits can be tried")
    options = parser.parse_args()
    figures, right, fair, scene, wanted, tips = gathered(options.folder / "tune", options.jobs)
    with ProcessPoolExecutor(options.jobs) as pool:
        parts = list(pool.map(printed, [TUNING_SEEDS[0] + k for k in range(PRINTS)]))
    other, of_print = np.concatenate(parts), np.repeat(np.arange(PRINTS), [len(part) for part in parts])
    if options.keep:
        kept = {"figures": figures, "right": right, "fair": fair, "scene": scene, "other": other, "of_print": of_print}
        kept |= {"tips": np.array([one for one, _ in tips]), "away": np.array([away for _, away in tips])}
        np.savez_compressed(options.keep, wanted=wanted, **kept)
    least, most = np.percentile(figures, BOUNDS, axis=0)
    k = learned.FIGURES.index("foreign")
    most[k] = max(most[k], np.percentile(other[:, k], BOUNDS[1]) if len(other) else most[k])
    figures, other = np.clip(figures, least, most), np.clip(other, least, most)
    odds, odds_of_print = np.zeros(len(right)), np.zeros(len(other))
    for fold in range(FOLDS):
        out, beside = scene % FOLDS == fold, of_print % FOLDS == fold
        weights, constant = fitted(
            np.concatenate([figures[~out], other[~beside]]), np.concatenate([right[~out], np.zeros((~beside).sum())])
        )
        odds[out], odds_of_print[beside] = figures[out] @ weights + constant, other[beside] @ weights + constant
    print(f"{len(right)} proposals, {int(right.sum())} right; log-loss {np.mean(np.logaddexp(0, odds) - right * odds):.3f}")
    for threshold in (0.3, 0.4, 0.5, 0.6, 0.8):
        called = odds > np.log(threshold / (1 - threshold))
        print(
            f"confidence from {threshold}: recall {(called & fair).sum() / wanted:.3f} of {wanted}, "
            f"false calls a photograph {(called & (right == 0)).sum() / (scene.max() + 1):.2f}, "
            f"on print, cloth or wood {(odds_of_print > np.log(threshold / (1 - threshold))).sum() / PRINTS:.2f}"
        )
    weights, constant = fitted(np.concatenate([figures, other]), np.append(right, np.zeros(len(other))))
    held = _named(learned.FIGURES, {"weights": weights, "least": least, "most": most}, constant)
    tip_figures, error = np.array([one for one, _ in tips]), np.array([away for _, away in tips])
    lowest, highest = np.percentile(tip_figures, BOUNDS, axis=0)
    tip_figures = np.clip(tip_figures, lowest, highest)
    within = np.zeros(len(error))
    for fold in range(FOLDS):
        out = np.arange(len(error)) % FOLDS == fold
        weights, constant = tips_fitted(tip_figures[~out], error[~out])
        within[out] = error[out] / np.exp(tip_figures[out] @ weights + constant)
    own = np.exp(tip_figures[:, learned.TIP_FIGURES.index("tip")])
    for name, u in (("the border's own", own), ("the fitted", error / np.maximum(within, 1e-9))):
        share = np.mean(error < 2 * u)
        print(f"{len(error)} lengths within twice {name} uncertainty: {share:.3f} (median {np.median(u):.2f} px)")
    weights, constant = tips_fitted(tip_figures, error)
    held["tips"] = _named(learned.TIP_FIGURES, {"weights": weights, "least": lowest, "most": highest}, constant)
    files.write(learned.ODDS, (json.dumps(held, indent=1) + "\n").encode())


def _named(names, values: dict[str, np.ndarray], constant: float) -> dict:
    held = {part: dict(zip(names, np.round(row, 5).tolist(), strict=True)) for part, row in values.items()}
    return held | {"constant": round(constant, 5)}


if __name__ == "__main__":
    main()
