"""Fit the weights that turn a network's proposals into confidences, on photographs that trained nothing else.

``python tests/benchmarks/fit_learned.py FOLDER`` reads what `specimeter.training.make` left in FOLDER/tune and writes
specimeter/segment/learned.json; prints recall, false calls and log-loss on scenes left out in turn (six folds).
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import minimize

from specimeter import files
from specimeter import photo as photos
from specimeter.segment import learned
from specimeter.segment.border import border
from specimeter.segment.sharpness import blur_of
from specimeter.validate import truth as truths
from specimeter.validate.match import match

FOLDS = 6
BOUNDS = (3, 97)  # per cent of the proposals, between which figures count
HOLD_BACK = 0.02  # ridge on the standardised weights


def gathered(folder: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, int]:
    """Figures (N, F), right or not (N,), fair features (N,), scene (N,), and how many fair features there are in all."""
    figures, right, fair, scene, wanted = [], [], [], [], 0
    for number, path in enumerate(sorted(folder.glob("*.jpg"))):
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
        wanted += sum(big and not cut for big, cut in zip(size, beyond, strict=True))
        for k, (proposal, edge) in enumerate(found):
            if k in of and beyond[of[k]]:
                continue
            figures.append(learned.figures_of(proposal, edge))
            right.append(k in of)
            fair.append(k in of and size[of[k]])
            scene.append(number)
    return np.array(figures), np.array(right, float), np.array(fair), np.array(scene), wanted


def fitted(figures: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, float]:
    """Weights (F,) and constant of a ridge logistic regression."""
    middle, spread = figures.mean(axis=0), figures.std(axis=0) + 1e-9
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
    options = parser.parse_args()
    cv2.setNumThreads(1)
    figures, right, fair, scene, wanted = gathered(options.folder / "tune")
    least, most = np.percentile(figures, BOUNDS, axis=0)
    figures = np.clip(figures, least, most)
    odds = np.zeros(len(right))
    for fold in range(FOLDS):
        out = scene % FOLDS == fold
        weights, constant = fitted(figures[~out], right[~out])
        odds[out] = figures[out] @ weights + constant
    print(f"{len(right)} proposals, {int(right.sum())} right; log-loss {np.mean(np.logaddexp(0, odds) - right * odds):.3f}")
    for threshold in (0.3, 0.4, 0.5, 0.6, 0.8):
        called = odds > np.log(threshold / (1 - threshold))
        print(
            f"confidence from {threshold}: recall {(called & fair).sum() / wanted:.3f} of {wanted}, "
            f"false calls a photograph {(called & (right == 0)).sum() / (scene.max() + 1):.2f}"
        )
    weights, constant = fitted(figures, right)
    named = {"weights": weights, "least": least, "most": most}
    held = {part: dict(zip(learned.FIGURES, np.round(values, 5).tolist(), strict=True)) for part, values in named.items()}
    held["constant"] = round(constant, 5)
    files.write(learned.ODDS, (json.dumps(held, indent=1) + "\n").encode())


if __name__ == "__main__":
    main()
