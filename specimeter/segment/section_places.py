"""Where cut metal may lie in a photograph: a network's coarse readings at several scales, and the photograph's own colours."""

from __future__ import annotations

from collections.abc import Iterator
from functools import reduce

import cv2
import numpy as np

from specimeter.segment.section_reading import FAR_MM, Reading, read_far, read_whole, with_metal

SCALES_MM = (FAR_MM, 0.22, 0.16)  # of a cell: no one scale shows every plate's grain and every edge
EVEN = 0.02  # chance by which no reading is surer than it can be
SURE_CUT, LIKELY_CUT, SURELY_NOT = 0.7, 0.35, 0.03  # chances of metal: colours are learned where it is so sure, either way
ROUNDS = 4  # of learning the colours and cutting anew
TRUSTED = 1.5  # log-odds that the colours add
LEAST_CELLS = 60  # that are surely metal, for its colours to be learned
ROUND_MM = 15.0  # about what may be metal: surroundings that colours are learned from
BORDERS_MM = {"coarse": (0.6, 0.8), "coloured": (0.25, 0.35)}  # from its border: so far a reading has no say, then by degrees


def readings(rgb: np.ndarray, mm_per_px: float) -> Iterator[tuple[Reading, tuple[float, float]]]:
    """Readings of the whole photograph, the plainest first, each with how near to its border it has no say, in mm.

    The second is the mean of log-odds at several scales; the third cuts that by the photograph's own colours; the last is for
    a cut that fills the picture, which is no small thing on a bench.
    """
    plain = read_far(rgb, mm_per_px)
    yield plain, BORDERS_MM["coarse"]
    finer = [read_far(rgb, mm_per_px, cell) for cell in SCALES_MM[1:] if cell > mm_per_px]
    finest = finer[-1] if finer else plain
    odds = [_odds(one, finest) for one in (plain, *finer)]
    mean = with_metal(finest, _chance(reduce(np.add, odds) / len(odds)))
    if finer:
        yield mean, BORDERS_MM["coarse"]
    coloured = by_colours(rgb, mean)
    if coloured is not None:
        yield coloured, BORDERS_MM["coloured"]
    yield read_whole(rgb, mm_per_px), BORDERS_MM["coarse"]


def by_colours(rgb: np.ndarray, reading: Reading) -> Reading | None:
    """A reading cut along the photograph's own colours: what looks like the sure metal is metal, what like the rest is not.

    Mixtures of colours inside and outside with a smooth border between: Rother, Kolmogorov and Blake 2004. None where too
    little is surely metal for its colours to be learned.
    """
    metal = reading.metal
    mask = np.where(metal > LIKELY_CUT, cv2.GC_PR_FGD, np.where(metal > SURELY_NOT, cv2.GC_PR_BGD, cv2.GC_BGD)).astype(np.uint8)
    mask[metal > SURE_CUT] = cv2.GC_FGD
    if (mask == cv2.GC_FGD).sum() < LEAST_CELLS or (mask == cv2.GC_BGD).sum() < LEAST_CELLS:
        return None
    rows, columns = metal.shape
    small: np.ndarray = cv2.resize(rgb, (columns, rows), interpolation=cv2.INTER_AREA)
    if small.dtype != np.uint8:
        small = (small / np.float32(np.iinfo(small.dtype).max) * 255).astype(np.uint8)
    inside, outside = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.setRNGSeed(0)
    seen, nowhere = cv2.cvtColor(small, cv2.COLOR_RGB2LAB), (0, 0, 0, 0)
    cv2.grabCut(seen, mask, nowhere, inside, outside, ROUNDS, cv2.GC_INIT_WITH_MASK)
    own = (mask == cv2.GC_FGD) | (mask == cv2.GC_PR_FGD)
    if not own.any() or own.all():
        return None
    odds = 0.5 * np.log((metal + EVEN) / (1 - metal + EVEN)) + np.where(own, TRUSTED, -TRUSTED)
    return with_metal(reading, _chance(odds))


def _odds(reading: Reading, onto: Reading) -> np.ndarray:
    """Log-odds of metal on the cells of another reading of the same picture."""
    rows, columns = onto.metal.shape
    metal = cv2.resize(reading.metal, (columns, rows), interpolation=cv2.INTER_LINEAR)
    return np.log((metal + EVEN) / (1 - metal + EVEN))


def _chance(odds: np.ndarray) -> np.ndarray:
    return np.asarray(1 / (1 + np.exp(-odds)), np.float32)
