"""How wide the heat-affected zone is beside a fusion line: where the light along the line's normals changes its course."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from specimeter.segment.fusion_line import GAP, STEP_MM, WELD, Line, Read

WIDEST_MM, LEAST_MM = 4.5, 0.8  # as wide as a zone may be, and as wide as it is at least to be told from the line's own blur
NARROW_MM, NARROW = 0.4, 0.02  # narrower changes are looked for too: the line's own fringe; chance of one that is borne with
REACH_MM, BESIDE_MM = 6.0, 0.25  # from the line: as far as it is looked, and where the line itself ends
BEYOND_MM = 0.8  # of plate that is seen beyond a border, at least
STRETCHES, PARTS = 12, 4  # of the line: means of light are taken over each; parts of the line that tell different things
SHOWN = 0.5
STEP, RAMP, SLOPE = 0.12, 0.25, 0.02  # how much the logarithm of light may change at the border, towards it, and per mm beyond
BORDER_MM = 0.1  # width of the border itself
LEAST_EVIDENCE, LEAST_WITHOUT = 8.0, 4.0  # log-odds of a zone against none: of all stretches, and of all but those of one part
MISSED_MM = 0.4  # as far apart two parts may put the border
ENDS = 6  # normals at either end that are left out: there the plate's surface is near
U_BORDER_MM = 0.1  # standard uncertainty of the border's place at the best: what of it counts as the border (judgement)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Zone:
    """A zone's width in mm square to the fusion line, the same all along it, and its standard uncertainty.

    `drawn`: in mm, a line (2, 2) from the fusion line's middle to the border, and the border (M, 2) beside each fusion line.
    """

    width_mm: float
    u_mm: float
    drawn: tuple[np.ndarray, ...]


def find_zone(read: Read, lines: Sequence[Line]) -> Zone | None:
    """The zone beside the weld metal; None where none shows at the same distance from all parts of the line."""
    reach = np.arange(BESIDE_MM, REACH_MM, STEP_MM)
    seen = [_beside(read, line, reach) for line in lines]
    light = np.concatenate([one[0] for one in seen])
    if len(light) < 3 * STRETCHES:
        return None
    found = zone_of(np.array([_mean(part, 0.4) for part in np.array_split(light, STRETCHES)]), reach)
    if found is None:
        return None
    borders = [feet + found[0] * normals for _, feet, normals in seen]
    middle = len(borders[0]) // 2
    across = np.array([seen[0][1][middle], borders[0][middle]])
    return Zone(width_mm=found[0], u_mm=found[1], drawn=(across, *borders))


def zone_of(profiles: np.ndarray, reach: np.ndarray) -> tuple[float, float] | None:
    """Width of the zone and its standard uncertainty in mm; None where none is told from the plate's unevenness.

    `profiles` (STRETCHES, R): mean logarithm of light over stretches of the line, by distance `reach` (R,) from it in mm.

    Light within the zone may lie higher or lower than beyond it and slope towards the border, by as much as STEP and RAMP say.
    Against that stands the plate's own unevenness: white noise and a random walk, whose sizes the stretches' differences tell
    (their variogram). The evidence for each width is the Gaussian likelihood of the mean profile with all that averaged over
    (Rasmussen and Williams, Gaussian Processes for Machine Learning, 2.7); the uncertainty is its spread, and the jackknife's
    over the line's parts (Efron 1982).
    """
    whole = _evidence(profiles, reach)
    if whole is None or whole[2] < LEAST_EVIDENCE or whole[3] > NARROW:
        return None
    width, spread, *_ = whole
    others = []
    for part in np.array_split(np.arange(STRETCHES), PARTS):
        one = _evidence(np.delete(profiles, part, axis=0), reach)
        if one is None or one[2] < LEAST_WITHOUT or abs(one[0] - width) > MISSED_MM:
            return None
        others.append(one[0])
    jackknife = float(np.sqrt((PARTS - 1) * np.var(others)))
    return width, float(np.sqrt(spread**2 + jackknife**2 + U_BORDER_MM**2))


def _beside(read: Read, line: Line, reach: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Logarithm of light along the line's normals (N, R), NaN where no etched plate shows; the line's points, and normals."""
    way = np.gradient(line.points, axis=0)
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    normal = np.column_stack([-way[:, 1], way[:, 0]])
    normal *= np.sign(np.sum(normal * line.rays.ways, axis=1))[:, None]
    feet, normal = line.points[ENDS:-ENDS], normal[ENDS:-ENDS]
    places = feet[:, None] + reach[None, :, None] * normal[:, None]
    tissue = read.reading.tissue
    inside = (read.of(read.reading.metal, places) > 0.5) & (read.of(tissue[GAP], places) < 0.5)
    inside &= (read.of(tissue[WELD], places) < 0.5) | (reach[None] < LEAST_MM)
    known = np.cumprod(inside & (read.of(read.reading.seen, places) > SHOWN), axis=1) > 0  # as far as one plate goes on
    return np.where(known, read.of(read.reading.light, places), np.nan), feet, normal


def _mean(rows: np.ndarray, least: float) -> np.ndarray:
    """Mean over the first axis of what is known; NaN where less than a share of it is."""
    known = np.isfinite(rows)
    enough = known.sum(axis=0) >= max(least * len(rows), 2)
    return np.where(enough, np.where(known, rows, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1), np.nan)


def _evidence(profiles: np.ndarray, reach: np.ndarray) -> tuple[float, float, float, float] | None:
    """A zone's likely width, the width's standard deviation, the log-odds of a zone against none, and the chance that what
    changes there is a fringe narrower than any zone; None: too little seen.
    """
    usable = np.isfinite(profiles).sum(axis=0) >= 0.5 * STRETCHES
    if usable.sum() < (LEAST_MM + BEYOND_MM) / STEP_MM or np.isnan(profiles[:, usable]).all(axis=1).any():
        profiles = profiles[np.isfinite(profiles[:, usable]).any(axis=1)] if usable.any() else profiles[:0]
    if len(profiles) < 0.5 * STRETCHES or usable.sum() < (LEAST_MM + BEYOND_MM) / STEP_MM:
        return None
    profiles, reach = profiles[:, usable], reach[usable]
    known = np.isfinite(profiles)
    first = known & (np.cumsum(known, axis=1) <= 1.2 / STEP_MM)
    profiles = profiles - (np.where(first, profiles, 0.0).sum(axis=1) / first.sum(axis=1))[:, None]
    mean = _mean(profiles, 0.0)
    white, walk = _unevenness(profiles - mean)
    own = white * np.eye(len(reach)) + walk * np.minimum.outer(reach, reach)
    own = own * STRETCHES / (PARTS * known.sum(axis=0).mean()) + 1.0 + _like(SLOPE * reach)  # their level tells nothing
    widths = np.arange(NARROW_MM, min(WIDEST_MM, reach[-1] - BEYOND_MM) + 1e-9, STEP_MM)
    if not len(widths):
        return None
    within = [np.clip((width - reach) / BORDER_MM + 0.5, 0, 1) for width in widths]
    odds = np.array(
        [
            _likelihood(mean, own + _like(STEP * zone) + _like(RAMP * zone * (1 - reach / width)))
            for zone, width in zip(within, widths, strict=True)
        ]
    )
    chance = np.exp(odds - odds.max())
    evidence = float(np.log(chance.mean()) + odds.max() - _likelihood(mean, own))
    chance /= chance.sum()
    middle = float(chance @ widths)
    return middle, float(np.sqrt(chance @ (widths - middle) ** 2)), evidence, float(chance[widths < LEAST_MM - 1e-9].sum())


def _like(course: np.ndarray) -> np.ndarray:
    """Covariance of a course whose size is unknown, of unit variance."""
    return np.outer(course, course)


def _likelihood(values: np.ndarray, covariance: np.ndarray) -> float:
    """Logarithm of the Gaussian density of values about 0, but for a constant."""
    root = np.linalg.cholesky(covariance)
    return -0.5 * float(np.sum(scipy.linalg.solve_triangular(root, values, lower=True) ** 2)) - float(
        np.log(np.diag(root)).sum()
    )


def _unevenness(off: np.ndarray) -> tuple[float, float]:
    """Variance of white noise, and of a random walk per mm, from what stretches (N, R) differ from their mean by."""
    lags = np.array([1, 2, 3, 4, 6, 8, 12, 16, 20, 24])
    lags = lags[lags < off.shape[1]]
    halves = [np.nanmean((off[:, lag:] - off[:, :-lag]) ** 2) / 2 for lag in lags]
    half = np.maximum(np.array(halves) * len(off) / (len(off) - 1), 1e-9)
    parts = np.column_stack([np.ones(len(lags)), STEP_MM * lags])
    white, walk = np.linalg.lstsq(parts / half[:, None], np.ones(len(lags)), rcond=None)[0]
    return max(float(white), 1e-6), max(float(walk), 1e-6)
