"""How likely a dark region is an opening: a committee of three small logistic networks over its figures, weights in a file."""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files

import numpy as np
import scipy

from specimeter.segment.evidence import NAMES

WEIGHTS = "odds.json"
MEMBERS, UNITS, RIDGE = 3, 12, 8.0
FARTHEST = 4.0  # in standard deviations: figures beyond are taken as this far, so that nothing unheard-of decides alone


@cache
def _shipped() -> dict:
    return json.loads(files("specimeter.segment").joinpath(WEIGHTS).read_text(encoding="utf-8"))


def log_odds(figures: np.ndarray, model: dict | None = None) -> np.ndarray:
    """Natural log of the odds that each region is an opening, shape (N,), from figures (N, F) in the order of NAMES.

    A linear term and twelve tanh units each, averaged over the three. `model` is what `fit` returned; without it the weights
    shipped beside this module.
    """
    if not len(figures):
        return np.empty(0)
    model = model or _shipped()
    order = [model["names"].index(name) for name in NAMES]
    z = _standard(np.asarray(figures, float)[:, order], np.array(model["centre"]), np.array(model["spread"]))
    return np.mean([_odds(z, [np.array(part) for part in member]) for member in model["members"]], axis=0)


def _standard(figures: np.ndarray, centre: np.ndarray, spread: np.ndarray) -> np.ndarray:
    return np.clip((figures - centre) / spread, -FARTHEST, FARTHEST)


def _odds(z: np.ndarray, member: list[np.ndarray]) -> np.ndarray:
    inward, offset, outward, linear, constant = member
    return np.tanh(z @ inward + offset) @ outward + z @ linear + constant


def fit(figures: np.ndarray, is_opening: np.ndarray, *, weight: np.ndarray | None = None, ridge: float = RIDGE) -> dict:
    """Weights by penalised maximum likelihood (L-BFGS), JSON-ready, as `log_odds` reads them; the same each time.

    Parameters
    ----------
    figures : array, shape (N, F)
        In the order of NAMES.
    is_opening : bool array, shape (N,)
    weight : array, shape (N,), optional
        How much each example counts.
    ridge : float
        Penalty on half the squares of all weights but offsets.
    """
    figures, truth = np.asarray(figures, float), np.asarray(is_opening, bool)
    weight = np.ones(len(truth)) if weight is None else np.asarray(weight, float)
    centre, spread = np.median(figures, axis=0), np.maximum(figures.std(axis=0), 1e-3)
    z = _standard(figures, centre, spread)
    return {
        "names": list(NAMES),
        "centre": [round(float(v), 5) for v in centre],
        "spread": [round(float(v), 5) for v in spread],
        "members": [[np.round(part, 4).tolist() for part in _member(z, truth, weight, ridge, seed)] for seed in range(MEMBERS)],
    }


def _member(z: np.ndarray, truth: np.ndarray, weight: np.ndarray, ridge: float, seed: int) -> list[np.ndarray]:
    count = z.shape[1]
    shapes = [(count, UNITS), (UNITS,), (UNITS,), (count,), ()]
    ends = np.cumsum([int(np.prod(shape)) for shape in shapes])

    def parts(flat: np.ndarray) -> list[np.ndarray]:
        return [piece.reshape(shape) for piece, shape in zip(np.split(flat, ends[:-1]), shapes, strict=True)]

    def cost(flat: np.ndarray) -> tuple[float, np.ndarray]:
        inward, offset, outward, linear, constant = parts(flat)
        hidden = np.tanh(z @ inward + offset)
        odds = hidden @ outward + z @ linear + constant
        off = weight * (1 / (1 + np.exp(-np.clip(odds, -30, 30))) - truth)
        back = np.outer(off, outward) * (1 - hidden**2)
        loss = float(weight @ np.logaddexp(0, np.where(truth, -odds, odds)))
        loss += 0.5 * ridge * sum(float(np.sum(part**2)) for part in (inward, outward, linear))
        slopes = [z.T @ back + ridge * inward, back.sum(axis=0), hidden.T @ off + ridge * outward, z.T @ off + ridge * linear]
        return loss, np.concatenate([*(slope.ravel() for slope in slopes), [off.sum()]])

    rng = np.random.default_rng(seed)
    start = np.concatenate(
        [rng.normal(0, 0.3, count * UNITS), np.zeros(UNITS), rng.normal(0, 0.3, UNITS), np.zeros(count), [-4.0]]
    )
    return parts(scipy.optimize.minimize(cost, start, jac=True, method="L-BFGS-B", options={"maxiter": 400}).x)
