"""A small random forest that learns in a fraction of a second: trees that ask one question a level, leaves that hold shares.

Oblivious trees (Kohavi 1994) on bootstrap samples with random candidates for each question (Breiman 2001; Geurts, Ernst and
Wehenkel 2006): a level is one comparison of a whole column, so that a quarter of a million pixels take a tenth of a second in
NumPy. OpenCV 5 no longer brings its forests, and a machine-learning library for this one use would double what is installed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

TREES, DEPTH = 40, 7
TRIES = 16  # questions a level chooses from
MOST_EACH = 1500  # examples of each side that a tree sees


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Forest:
    """Per tree and level a column and a threshold, shape (T, D); per leaf the share of examples that are `this`, (T, 2^D)."""

    column: np.ndarray
    threshold: np.ndarray
    share: np.ndarray


def fit(figures: np.ndarray, truth: np.ndarray, *, seed: int = 0) -> Forest:
    """A forest from figures (N, F) and whether each example is `this` (N,); both sides count alike; the same each time.

    Raises
    ------
    ValueError
        If there is not at least one example of either side.
    """
    truth = np.asarray(truth, bool)
    sides = [np.flatnonzero(truth == side) for side in (False, True)]
    if not all(map(len, sides)):
        raise ValueError("examples of both sides are needed")
    rng = np.random.default_rng(seed)
    grown = [_tree(rng, figures, sides) for _ in range(TREES)]
    column, threshold, share = (np.stack(part) for part in zip(*grown, strict=True))
    return Forest(column=column, threshold=threshold, share=share)


def _tree(
    rng: np.random.Generator, figures: np.ndarray, sides: Sequence[np.ndarray]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    count = min(MOST_EACH, max(map(len, sides)))
    rows = np.concatenate([rng.choice(side, count) for side in sides])
    value, this = np.asarray(figures[rows], np.float32), np.repeat([0.0, 1.0], count)
    leaf = np.zeros(len(rows), np.int64)
    column, threshold = np.zeros(DEPTH, np.int64), np.zeros(DEPTH, np.float32)
    for level in range(DEPTH):
        best = np.inf
        for k in rng.integers(0, value.shape[1], TRIES):
            one, other = value[rng.integers(0, count), k], value[rng.integers(count, 2 * count), k]
            at = np.float32(one + rng.random() * (other - one))
            asked = 2 * leaf + (value[:, k] > at)
            held = np.bincount(asked, minlength=2 ** (level + 1))
            mine = np.bincount(asked, weights=this, minlength=2 ** (level + 1))
            impure = float((mine * (held - mine) / np.maximum(held, 1)).sum())  # Gini's, summed over the leaves
            if impure < best:
                best, column[level], threshold[level], chosen = impure, k, at, asked
        leaf = chosen
    held = np.bincount(leaf, minlength=2**DEPTH)
    mine = np.bincount(leaf, weights=this, minlength=2**DEPTH)
    return column, threshold, ((mine + 0.5) / (held + 1)).astype(np.float32)


def chance(forest: Forest, figures: np.ndarray) -> np.ndarray:
    """The chance (M,) that each row of figures (M, F) is `this`: the mean of the trees' leaves."""
    columns = np.ascontiguousarray(np.asarray(figures, np.float32).T)
    total = np.zeros(columns.shape[1], np.float32)
    for column, threshold, share in zip(forest.column, forest.threshold, forest.share, strict=True):
        leaf = np.zeros(columns.shape[1], np.uint16)
        for k, at in zip(column, threshold, strict=True):
            leaf <<= 1
            leaf |= columns[k] > at
        total += share[leaf]
    return total / len(forest.share)
