"""How wide the heat-affected zone is beside a fusion line: where the light along the line's normals steps, all along it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from specimeter.segment.fusion_line import GAP, HAZ, PLATE, STEP_MM, WELD, Line, Read

WIDEST_MM, LEAST_MM = 6.0, 0.8  # as wide as a zone may be, and as wide as it is at least to be told from the line's own blur
BESIDE_MM = 0.2  # from the line: where that ends
ASIDE_MM = 0.3  # on either side of a border: over which the light is compared
BLOCKS = 8  # stretches of the line, which must tell the same
SHOWN = 0.5
LEAST_STEP = 0.012  # of the logarithm of light at the border
LEAST_T, RIVAL = 4.5, 0.7  # step over its standard error from block to block; share of it that no other place may reach
NEAR_MM = 0.7  # of the border: what lies nearer is no other place
LIKE_NETWORK = 0.4  # of the width, to which the network's border must be the same
LEAST_ODDS = 0.5  # by which the network's log-odds of zone against plate must fall at the border
ENDS = 6  # normals at either end that are left out: there the plate's surface is near
GREATEST = 80  # percentile of the blocks' widths that counts as the greatest: the very greatest is the noisiest
U_BORDER_MM = 0.12  # standard uncertainty of the border's place at the best (from scenes)


def zone_width(read: Read, lines: Sequence[Line]) -> tuple[float | None, float]:
    """Greatest width of the zone beside the weld metal in mm, square to the fusion line, and its u; None: it does not show.

    The border is a step of the light that all stretches of the line show at about the same distance, against the slope of the
    light on either side of it; the network must hold what lies within for the zone rather than what lies beyond.
    """
    reach = np.arange(0.0, WIDEST_MM, STEP_MM)
    light, odds = (np.concatenate(parts) for parts in zip(*(_beside(read, line, reach) for line in lines), strict=True))
    if len(light) < 3 * BLOCKS:
        return None, 0.0
    light[:, reach < BESIDE_MM] = np.nan
    light = light - _over(np.nanmean, np.where(reach < 1.0, light, np.nan).T)[:, None]
    steps = np.array([_steps(part) for part in np.array_split(light, BLOCKS)])
    enough = np.isfinite(steps).sum(axis=0) >= BLOCKS - 2
    enough &= reach >= LEAST_MM
    if not enough.any():
        return None, 0.0
    mean = np.where(enough, _over(np.nanmean, steps), 0.0)
    error = _over(np.nanstd, steps) / np.sqrt(np.maximum(np.isfinite(steps).sum(axis=0) - 1, 1)) + 0.1 * LEAST_STEP
    told = np.where(enough, np.abs(mean) / np.where(enough, error, 1.0), 0.0)
    size = np.where(told > LEAST_T, np.abs(mean), 0.0)
    best = int(np.argmax(size))
    away = np.abs(reach - reach[best]) > NEAR_MM
    if size[best] < LEAST_STEP or size[away].max(initial=0.0) > RIVAL * size[best]:
        return None, 0.0
    within, beyond = (reach > 0.15) & (reach < reach[best]), (reach > reach[best] + 0.2) & (reach < reach[best] + 1.2)
    middle = _over(np.nanmean, odds)
    ends = np.flatnonzero((middle < 0) & (reach > BESIDE_MM))
    if not len(ends) or abs(reach[ends[0]] - reach[best]) > LIKE_NETWORK * reach[best]:
        return None, 0.0
    if not _over(np.nanmean, middle[within][:, None])[0] - _over(np.nanmean, middle[beyond][:, None])[0] > LEAST_ODDS:
        return None, 0.0
    near = np.flatnonzero(np.abs(reach - reach[best]) <= ASIDE_MM)
    signed = np.nan_to_num(np.sign(mean[best]) * steps[:, near], nan=-np.inf)
    widths = reach[near][np.argmax(signed[np.isfinite(signed).any(axis=1)], axis=1)]
    greatest = float(np.percentile(widths, GREATEST))
    return greatest, float(np.hypot(U_BORDER_MM, max(np.std(widths), abs(greatest - reach[best])) / 2))


def _beside(read: Read, line: Line, reach: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Logarithm of light and log-odds of zone against plate along the line's normals, (N, R); NaN where no plate shows."""
    points = line.points
    way = np.gradient(points, axis=0)
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    normal = np.column_stack([-way[:, 1], way[:, 0]])
    normal *= np.sign(np.sum(normal * line.rays.ways, axis=1))[:, None]
    places = (points[:, None] + reach[None, :, None] * normal[:, None])[ENDS:-ENDS]
    tissue = read.reading.tissue
    inside = (read.of(read.reading.metal, places) > 0.5) & (read.of(tissue[GAP], places) < 0.5)
    inside &= (read.of(tissue[WELD], places) < 0.5) | (reach[None] < LEAST_MM)
    known = np.cumprod(inside & (read.of(read.reading.seen, places) > SHOWN), axis=1) > 0  # as far as one plate goes on
    light, odds = read.of(read.reading.light, places), read.of(read.odds(HAZ, PLATE), places)
    return np.where(known, light, np.nan), np.where(known, odds, np.nan)


def _steps(light: np.ndarray) -> np.ndarray:
    """Step of the mean light at each distance, less what its slope on either side makes of it, (R,); NaN: too little known."""
    half = round(ASIDE_MM / STEP_MM)
    known = np.isfinite(light)
    profile = np.where(known.sum(axis=0) >= max(0.4 * len(light), 2), _over(np.nanmean, light), np.nan)
    kernel = np.ones(half) / half
    mean = np.convolve(profile, kernel, "valid")  # mean[k]: of the places from k on
    step = np.full(len(profile), np.nan)
    for k in range(2 * half, len(profile) - 2 * half + 1):
        before, after = mean[k - half], mean[k] if k < len(mean) else np.nan
        outer = mean[k - 2 * half], mean[k + half] if k + half < len(mean) else np.nan
        step[k] = (after - before) - 0.5 * ((before - outer[0]) + (outer[1] - after))
    return step


def _over(function, values: np.ndarray) -> np.ndarray:
    """A statistic over the first axis; NaN, without a word, where nothing is known."""
    known = np.isfinite(values).any(axis=0)
    result = np.full(values.shape[1], np.nan)
    result[known] = function(values[:, known], axis=0)
    return result
