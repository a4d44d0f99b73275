"""The marks of one row: which there are, how long each is, and exactly where, on the full photograph."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy

from specimeter.scale.graduations_row import Path, straightened

_INWARD = 11.0  # periods beyond the shortest marks that long ones may reach
_FINE = 40  # samples a period when looking for marks between marks
_ENOUGH = 100  # marks that tell the usual form
_FOLDS = (10, 5, 4, 2)
_LEAST_DIP = 0.33  # of the strongest mark's: what counts as a mark between
_SEEN = 0.35  # of the usual contrast: a mark that counts
_PATCH_ROWS = 24
FEWEST = 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Marks:
    """The marks found in a row.

    Parameters
    ----------
    path : Path
        Mark n lies at `path.places(n, v)`.
    index : array, shape (N,), int
        Of each mark seen; gaps are left out.
    lengths : array, shape (N,)
        From the row's outer end, in periods.
    inward : float
        +1 or -1: to which side of the path the long marks reach.
    zone : (float, float)
        From where to where aside the shortest marks reach, in periods.
    points_px : array, shape (2, N, 2)
        Places [x, y] on each mark, nearer to its outer and to its inner end; NaN where not located.
    u_px : array, shape (2, N)
        Noise of those places along the row.
    line_px : array, shape (2, 2)
        Where the line through the marks' outer ends meets the first mark and the last.
    u_line : float
        Standard uncertainty of either point across the row, in periods.
    period_px : float
        At the row's middle.
    dark : bool
        Marks darker than the rule.
    contrast : float
        Usual difference of a mark to its surroundings, over their light.
    seen_share : float
        How many of the marks between the first and the last were seen.
    """

    path: Path
    index: np.ndarray
    lengths: np.ndarray
    inward: float
    zone: tuple[float, float]
    points_px: np.ndarray
    u_px: np.ndarray
    line_px: np.ndarray
    u_line: float
    period_px: float
    dark: bool
    contrast: float
    seen_share: float


def sample(light: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Light at pixels [x, y] of any shape (..., 2), interpolated linearly and exactly; NaN outside."""
    coordinates = np.stack([places[..., 1], places[..., 0]])
    return scipy.ndimage.map_coordinates(light, np.nan_to_num(coordinates, nan=-9.0), output=np.float32, order=1, cval=np.nan)


def numbers(path: Path) -> np.ndarray:
    """Whole numbers of the marks that may lie in the picture."""
    ends = path.n_of(np.array(path.span_px))
    return np.arange(np.ceil(ends.min()), np.floor(ends.max()) + 1)


def centred(light: np.ndarray, path: Path, zone: tuple[float, float], *, other: bool = False) -> tuple[Path, int, bool] | None:
    """The path with whole n on the marks' middles; by how much its spacing is too wide; whether the marks are dark.

    `other`: the less likely choice of what is mark and what is ground.
    """
    n = numbers(path)
    if len(n) < 4:
        return None
    n = n[:: max(1, len(n) // _ENOUGH)]
    step = np.arange(_FINE) / _FINE
    period = float(path.period_px(np.array([0.0]))[0])
    v = np.arange(zone[0] - 1.3, zone[1] + 1.3, max(1.0 / period, 1 / 14))
    strip = straightened(light, 1, path, (n[:, None] + step).ravel(), v).reshape(len(v), len(n), _FINE)
    with np.errstate(invalid="ignore", divide="ignore"):
        relative = strip / strip.mean(axis=2, keepdims=True) - 1.0
    usable = np.isfinite(relative).all(axis=2)
    rows = (v >= zone[0]) & (v <= zone[1])
    if not rows.any():
        return None
    strength = np.where(usable, np.where(usable[..., None], relative, 0.0).std(axis=2), 0.0)[rows].mean(axis=0)
    usable &= strength > _SEEN * np.quantile(strength, 0.85)  # glare and what lies over the rule leave no marks
    enough = usable.sum(axis=1) >= 4
    if not enough.any():
        return None
    wave = np.full((len(v), _FINE), np.nan)
    shown = usable[rows].all(axis=0)
    if shown.sum() >= 4:
        told = relative[enough][:, shown]
        wave[enough] = np.median(np.where(np.isfinite(told), told, 0.0), axis=1)
    else:
        for row in np.flatnonzero(enough):
            wave[row] = np.median(relative[row][usable[row]], axis=0)
    inside = (v >= zone[0]) & (v <= zone[1]) & enough
    if not inside.any():
        return None
    mean = scipy.ndimage.gaussian_filter1d(wave[inside].mean(axis=0), 1.0, mode="wrap")
    dark = bool(np.median(mean) - mean.min() > mean.max() - np.median(mean)) != other
    wave = wave if dark else -wave
    middle = int(np.argmin(mean if dark else -mean))
    shifted = np.roll(np.nan_to_num(wave), -middle, axis=1)
    fold = next((k for k in _FOLDS if _folds(shifted, v, k)), 1)
    counts = path.counts.copy()
    counts[0] -= middle / _FINE
    return replace(path, counts=counts), fold, dark


def _folds(wave: np.ndarray, v: np.ndarray, k: int) -> bool:
    """Whether `k` marks stand in each period, over a length of at least one of the finer divisions."""
    smooth = scipy.ndimage.gaussian_filter1d(wave, 0.8, axis=1, mode="wrap")
    at = np.rint(np.arange(k) * _FINE / k).astype(int)
    half = _FINE / (2 * k)
    between = [smooth[:, np.rint(at + way * half).astype(int) % _FINE] for way in (-1, 1)]
    near = [smooth[:, (at + shift) % _FINE] for shift in (-1, 0, 1)]
    dips = 0.5 * (between[0] + between[1]) - np.min(near, axis=0)
    fine = (dips.min(axis=1) > _LEAST_DIP * dips.max(axis=1)) & (dips.max(axis=1) > 0.35 * dips.max())
    run = longest = 0
    for one in fine:
        run = run + 1 if one else 0
        longest = max(longest, run)
    return longest * (v[1] - v[0]) >= 0.8 / k and longest >= 3


def read(light: np.ndarray, path: Path, dark: bool, zone: tuple[float, float]) -> Marks | None:
    """Marks along a centred path, roughly within a zone aside of it, not yet located; None if they are not as on a rule."""
    n = numbers(path)
    period = float(path.period_px(np.array([0.0]))[0])
    v = np.arange(-_INWARD - 3, _INWARD + 3, max(1.0 / period, 1 / 10))
    shifts = np.array([-0.5, -0.42, -0.08, 0.0, 0.08, 0.42, 0.5])
    strip = straightened(light, 1, path, (n[:, None] + shifts).ravel(), v).reshape(len(v), len(n), len(shifts))
    ground = strip[..., [0, 1, 5, 6]].mean(axis=2)
    with np.errstate(invalid="ignore", divide="ignore"):
        contrast = (ground - strip[..., 2:5].mean(axis=2)) / np.maximum(ground, 1e-3)
    contrast = contrast if dark else -contrast
    roughly = np.nan_to_num(contrast)[(v >= zone[0]) & (v <= zone[1])]
    if not roughly.size:
        return None
    roughly = np.median(roughly, axis=0)
    showing = roughly > _SEEN * np.quantile(roughly, 0.85)
    found = _zone(contrast[:, showing], v)
    if found is None:
        return None
    zone = found
    inside = (v >= zone[0]) & (v <= zone[1])
    own = np.nanmedian(np.where(np.isfinite(contrast[inside]), contrast[inside], 0.0), axis=0)
    usual = float(np.quantile(own[showing], 0.6))
    seen = own > _SEEN * usual
    seen = _connected(seen)
    if seen.sum() < FEWEST or usual < 0.03:
        return None
    inward, lengths, outer = _lengths(contrast, v, zone, own, seen)
    line_px, u_line = _line(path, n[seen], outer[seen])
    between = (n >= n[seen].min()) & (n <= n[seen].max())
    index = n[seen]
    return Marks(
        path=path,
        index=index.astype(int),
        lengths=_even_lengths(lengths[seen]),
        inward=inward,
        zone=zone,
        points_px=np.full((2, len(index), 2), np.nan),
        u_px=np.full((2, len(index)), np.nan),
        line_px=line_px,
        u_line=u_line,
        period_px=period,
        dark=dark,
        contrast=usual,
        seen_share=float(seen.sum() / between.sum()),
    )


def located(light: np.ndarray, marks: Marks) -> Marks:
    """The same marks with their exact places."""
    points, u_px = _located(light, marks.path, marks.index, marks.zone, marks.period_px)
    return replace(marks, points_px=points, u_px=u_px)


def _connected(seen: np.ndarray) -> np.ndarray:
    """Marks that belong to the longest part of the row without a wide empty stretch: beyond it there may be no rule."""
    at = np.flatnonzero(seen)
    if len(at) < 2:
        return seen
    groups = np.split(at, np.flatnonzero(np.diff(at) > 12) + 1)
    dense = [g for g in groups if len(g) >= 5 and len(g) > 0.5 * (g[-1] - g[0] + 1)]
    result = np.zeros_like(seen)
    for group in dense:
        result[group] = True
    return result


def _zone(contrast: np.ndarray, v: np.ndarray) -> tuple[float, float] | None:
    if not contrast.shape[1]:
        return None
    score = np.quantile(np.nan_to_num(contrast), 0.45, axis=1)  # what lies outside the picture shows no mark
    top = int(np.argmax(score * np.exp(-0.5 * (v / 5.0) ** 2)))
    if score[top] <= 0:
        return None
    low = high = top
    while low > 0 and score[low - 1] > 0.45 * score[top]:
        low -= 1
    while high < len(v) - 1 and score[high + 1] > 0.45 * score[top]:
        high += 1
    if low == 0 or high == len(v) - 1 or v[high] - v[low] < 0.6:
        return None
    return float(v[low]), float(v[high])


def _lengths(
    contrast: np.ndarray, v: np.ndarray, zone: tuple[float, float], own: np.ndarray, seen: np.ndarray
) -> tuple[float, np.ndarray, np.ndarray]:
    """To which side long marks reach; how long each mark is from the zone's other end; where its outer end is; in periods."""
    step = v[1] - v[0]
    reach = {}
    inside = np.flatnonzero((v >= zone[0]) & (v <= zone[1]))
    for side in (-1.0, 1.0):
        rows = np.flatnonzero(v > zone[1]) if side > 0 else np.flatnonzero(v < zone[0])[::-1]
        rows = np.concatenate([inside[:: int(side)], rows])
        relative = np.nan_to_num(contrast[rows]) / np.maximum(own, 1e-6)
        smooth = scipy.ndimage.uniform_filter1d(relative, 3, axis=0, mode="nearest")
        broken = smooth < 0.45
        broken[: len(inside) // 2] = False
        first = np.where(broken.any(axis=0), broken.argmax(axis=0), len(rows))
        # a fraction of a row: where the contrast crosses between two rows
        after, before = (np.take_along_axis(smooth, np.clip(first + k, 0, len(rows) - 1)[None], 0)[0] for k in (0, -1))
        part = np.clip((before - 0.45) / np.maximum(before - after, 1e-6), 0, 1)
        reach[side] = (first - 1 + part) * step
    spread = {side: np.quantile(r[seen], 0.95) - np.quantile(r[seen], 0.3) for side, r in reach.items()}
    inward = 1.0 if spread[1.0] >= spread[-1.0] else -1.0
    outer = v[inside[-1]] - reach[-1.0] if inward > 0 else v[inside[0]] + reach[1.0]
    return inward, reach[inward], outer


def _even_lengths(lengths: np.ndarray) -> np.ndarray:
    """Lengths freed of a steady growth along the row, which perspective gives them: judged by the shortest kind."""
    width = min(25, len(lengths) // 2 * 2 - 1)
    short = scipy.ndimage.percentile_filter(lengths, 25, size=width, mode="nearest")
    at = np.linspace(-1, 1, len(lengths))
    trend = np.polynomial.polynomial.polyval(at, np.polynomial.polynomial.polyfit(at, short, 2 if len(at) > 60 else 1))
    middle = float(np.median(trend))
    return lengths / np.clip(trend / middle, 0.4, 2.5) if middle > 0 else lengths


def _line(path: Path, n: np.ndarray, outer: np.ndarray) -> tuple[np.ndarray, float]:
    """Points (2, 2) in pixels where the marks' outer ends run, at the first and the last mark; u in periods."""
    away = (n - n.mean()) / max(np.ptp(n) / 2, 1.0)
    weight = np.ones(len(n))
    for _ in range(8):
        level, slope = np.polynomial.polynomial.polyfit(away, outer, 1, w=np.sqrt(weight))
        off = np.abs(outer - level - slope * away)
        spread = 1.4826 * float(np.median(off)) + 0.01
        weight = 1.0 / (1.0 + (off / (2 * spread)) ** 4)
    ends = path.places(np.array([n[0], n[-1]], float), level + slope * away[[0, -1]])
    u = float(max(2.0 * spread / np.sqrt(len(n)), 0.02))
    return np.array([ends[0, 0], ends[1, 1]]), u


def _located(
    light: np.ndarray, path: Path, index: np.ndarray, zone: tuple[float, float], period: float
) -> tuple[np.ndarray, np.ndarray]:
    """Places (2, N, 2) on each mark and their noise (2, N) in pixels along the row.

    Every mark is compared with the middle one of all: its shift is what the slope of the shared form explains best. What
    lens and sharpening do to the form they do to all alike.
    """
    width = zone[1] - zone[0]
    halves = ((zone[0] + 0.08 * width, zone[0] + 0.46 * width), (zone[0] + 0.54 * width, zone[1] - 0.08 * width))
    tau = np.linspace(-0.46, 0.46, int(np.clip(np.ceil(1.6 * period), 9, 41)))
    points, noise = np.full((2, len(index), 2), np.nan), np.full((2, len(index)), np.nan)
    for which, (low, high) in enumerate(halves):
        rows = np.linspace(low, high, int(np.clip(np.ceil((high - low) * period), 2, _PATCH_ROWS)))
        shift = np.zeros(len(index))
        for exactly in (False, False, True, True):
            n = (index[:, None] + shift[:, None] + tau).ravel()
            seen = sample(light, path.places(n, rows)) if exactly else straightened(light, 1, path, n, rows)
            seen = seen.reshape(len(rows), len(index), len(tau)).mean(axis=0)
            with np.errstate(invalid="ignore", divide="ignore"):
                seen = seen / seen.mean(axis=1, keepdims=True)
            good = np.isfinite(seen).all(axis=1)
            if good.sum() < FEWEST:
                break
            form = np.median(seen[good], axis=0)
            slope = np.gradient(form, tau)
            design = np.column_stack([form, slope, np.ones(len(tau)), tau])
            solution = np.linalg.lstsq(design, np.nan_to_num(seen, nan=1.0).T, rcond=None)[0]
            residual = np.nan_to_num(seen, nan=1.0).T - design @ solution
            with np.errstate(invalid="ignore", divide="ignore"):
                step = -solution[1] / solution[0]
            step = np.where(good & (solution[0] > 0.2), step, np.nan)
            shift = np.where(np.abs(shift + step) < 0.3, shift + np.clip(step, -0.1, 0.1), np.nan)
        else:
            gain = np.linalg.inv(design.T @ design)[1, 1]
            local = path.period_px(path.u_of(index))
            own = np.sqrt(np.sum(residual**2, axis=0) / max(len(tau) - 4, 1) * gain) / np.maximum(solution[0], 0.2) * local
            points[which] = path.places(index + shift, np.array([(low + high) / 2]))[0]
            noise[which] = np.where(np.isfinite(shift), np.maximum(own, 0.01), np.nan)
    return points, noise
