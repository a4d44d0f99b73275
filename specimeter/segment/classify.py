"""How likely a dark region is an opening: a logistic model of a few bent lines in each figure, its weights in a file."""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files

import numpy as np

from specimeter.segment.evidence import NAMES

WEIGHTS = "odds.json"
BENDS = (-1.0, 0.0, 1.0)  # in standard deviations of a figure, where its line may bend


@cache
def _weights() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    data = json.loads(files("specimeter.segment").joinpath(WEIGHTS).read_text(encoding="utf-8"))
    order = [data["names"].index(name) for name in NAMES]
    centre, spread = np.array(data["centre"])[order], np.array(data["spread"])[order]
    slopes = np.array(data["slopes"])[order]  # (figures, 1 + bends)
    return centre, spread, np.concatenate([[data["constant"]], slopes.ravel()])


def design(figures: np.ndarray, centre: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Columns of the model, shape (N, 1 + F * 4): a constant, then each figure and its three hinges, standardised."""
    z = np.clip((np.atleast_2d(figures) - centre) / spread, -4.0, 4.0)
    columns = np.stack([z, *(np.maximum(z - bend, 0.0) for bend in BENDS)], axis=2).reshape(len(z), -1)
    return np.column_stack([np.ones(len(z)), columns])


def log_odds(figures: np.ndarray) -> np.ndarray:
    """Natural log of the odds that each region is an opening, shape (N,), from figures (N, F) in the order of NAMES."""
    if not len(figures):
        return np.empty(0)
    centre, spread, weights = _weights()
    return design(figures, centre, spread) @ weights


def fit(figures: np.ndarray, is_opening: np.ndarray, *, weight: np.ndarray | None = None, ridge: float = 3.0) -> dict:
    """Weights of the model by penalised maximum likelihood (Newton's method), JSON-ready, as `log_odds` reads them.

    Parameters
    ----------
    figures : array, shape (N, F)
    is_opening : bool array, shape (N,)
    weight : array, shape (N,), optional
        How much each example counts.
    ridge : float
        Penalty on the squares of the slopes; the constant is free.
    """
    figures, truth = np.asarray(figures, float), np.asarray(is_opening, float)
    weight = np.ones(len(truth)) if weight is None else weight
    centre, spread = np.median(figures, axis=0), np.maximum(figures.std(axis=0), 1e-3)
    columns = design(figures, centre, spread)
    penalty = np.full(columns.shape[1], ridge)
    penalty[0] = 1e-6
    beta = np.zeros(columns.shape[1])
    for _ in range(60):
        probability = 1 / (1 + np.exp(-np.clip(columns @ beta, -30, 30)))
        gradient = columns.T @ (weight * (truth - probability)) - penalty * beta
        curve = columns.T @ ((weight * probability * (1 - probability))[:, None] * columns) + np.diag(penalty)
        step = np.linalg.solve(curve, gradient)
        beta += step * min(1.0, 4.0 / (np.abs(step).max() + 1e-9))
        if np.abs(step).max() < 1e-6:
            break
    slopes = beta[1:].reshape(len(NAMES), -1)
    return {
        "names": list(NAMES),
        "centre": [round(float(v), 5) for v in centre],
        "spread": [round(float(v), 5) for v in spread],
        "constant": round(float(beta[0]), 5),
        "slopes": [[round(float(v), 5) for v in row] for row in slopes],
    }
