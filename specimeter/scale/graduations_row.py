"""One row of marks followed along its whole length: where each mark must lie, over gaps and through perspective."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from specimeter import lookup
from specimeter.scale.graduations_search import Row

_PER = 8  # samples a period along the row
_ASIDE = 9.0  # periods looked at on either side
_WINDOWS = (10.0, 20.0, 40.0, 80.0, 160.0, 320.0, 900.0)  # half-widths in periods, from the seed outwards
_MOST_MARKS = 900
_LEAST_COHERENCE = 0.30  # share of the light's changes at the marks' own period
_BLOCK = 2  # periods that are looked at together
# of a rule's marks nearly all show about the place where it was seen best, and further off what wear, glare and things that
# lie on it leave; grain is even nowhere for long: least share of even blocks by half-width of the window, in periods
_LEAST_EVEN = {10.0: 0.6, 20.0: 0.5, 40.0: 0.35}
_MOST_OFF = 0.13  # of a period: median miss of the blocks against the path
_LEAST_NEAR = 0.2  # nearer to its vanishing point a row is not followed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Path:
    """Where marks lie: mark n at the distance u(n) along a nearly straight line.

    Parameters
    ----------
    origin_px, along : array, shape (2,)
        A point and the unit direction, [x, y].
    counts : array, shape (4,)
        n(u) = polynomial in t, lowest power first, with t = x / (1 + perspective x) and x = u / `unit_px`: evenly spaced marks
        on a plane are a straight line in t, what a lens bends takes the higher powers.
    perspective : float
    aside_px : array, shape (3,)
        How far the row's middle lies aside of the line, polynomial in u / `unit_px`.
    lean : array, shape (2,)
        Shift along the row per way aside, polynomial in u / `unit_px`: marks that lean, and fan out.
    unit_px : float
    span_px : (float, float)
        u at the picture's borders.
    followed_px : (float, float)
        u between which marks were looked at.
    """

    origin_px: np.ndarray
    along: np.ndarray
    counts: np.ndarray
    aside_px: np.ndarray
    lean: np.ndarray
    unit_px: float
    span_px: tuple[float, float]
    perspective: float = 0.0
    followed_px: tuple[float, float] = (0.0, 0.0)

    @property
    def across(self) -> np.ndarray:
        return np.array([-self.along[1], self.along[0]])

    def n_of(self, u_px: np.ndarray) -> np.ndarray:
        return np.polynomial.polynomial.polyval(self.evened(u_px), self.counts)

    def evened(self, u_px: np.ndarray) -> np.ndarray:
        """The places t in which even marks are even."""
        x = np.asarray(u_px, float) / self.unit_px
        return x / np.maximum(1.0 + self.perspective * x, _LEAST_NEAR)

    def period_px(self, u_px: np.ndarray) -> np.ndarray:
        slope = np.polynomial.polynomial.polyval(self.evened(u_px), np.polynomial.polynomial.polyder(self.counts))
        near = np.maximum(1.0 + self.perspective * np.asarray(u_px, float) / self.unit_px, _LEAST_NEAR)
        return self.unit_px * near**2 / slope

    def u_of(self, n: np.ndarray) -> np.ndarray:
        """Distances along the line of (fractional) marks; NaN where the row has left the picture."""
        u = np.linspace(*self.span_px, 600)
        counted = self.n_of(u)
        rising = np.r_[True, np.diff(np.maximum.accumulate(counted)) > 0] & (self.period_px(u) > 0)
        first = np.interp(n, counted[rising], u[rising], left=np.nan, right=np.nan)
        return first - (self.n_of(first) - n) * self.period_px(first)  # one Newton step: the table is coarse

    def plausible(self) -> bool:
        """Whether, where it was followed, marks stand within 35 degrees of square and spaced as perspective may space them."""
        u = np.linspace(*self.followed_px, 9)
        period = self.period_px(u)
        lean = np.polynomial.polynomial.polyval(u / self.unit_px, self.lean)
        even = bool((period > 0).all() and period.max() < 4.0 * period.min())
        return even and bool(np.abs(lean).max() < 0.7 and abs(lean[len(u) // 2]) < 0.5)

    def places(self, n: np.ndarray, v: np.ndarray) -> np.ndarray:
        """Pixels [x, y], shape (V, N, 2), of marks n at v local periods aside of the row's middle."""
        base, way = self.lines(n)
        return base + np.asarray(v)[:, None, None] * way

    def lines(self, n: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Where marks n cross the row's middle, and the way of one local period along each: both (N, 2) in pixels."""
        u = self.u_of(n)
        x = u[:, None] / self.unit_px
        middle, lean = (np.polynomial.polynomial.polyval(x, some) for some in (self.aside_px, self.lean))
        base = self.origin_px + u[:, None] * self.along + middle * self.across
        return base, self.period_px(u)[:, None] * (lean * self.along + self.across)


def follow(picture: np.ndarray, reduction: int, row: Row, *, full_shape: tuple[int, int]) -> Path | None:
    """The row's path, or None if it is no even row.

    Parameters
    ----------
    picture : array, shape (H, W)
        Reduced picture that the row was seen in.
    reduction : int
    row : Row
    full_shape : (int, int)
        Rows and columns of the full photograph.
    """
    path = _start(row, full_shape)
    if path is None:
        return None
    for window in _WINDOWS:
        fitted = _refit(picture, reduction, path, window)
        if fitted is None:
            return None
        path, reached = fitted
        if not path.plausible():
            return None
        if reached:
            break
    return path


def refit(picture: np.ndarray, reduction: int, path: Path) -> Path | None:
    """The path fitted anew to all marks at once, as when they turned out finer."""
    fitted = _refit(picture, reduction, path, _WINDOWS[-1])
    return fitted[0] if fitted is not None and fitted[0].plausible() else None


def straightened(picture: np.ndarray, reduction: int, path: Path, n: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Light (V, N) at marks n and v periods aside, to a thirty-second of a pixel; NaN outside the picture."""
    base, way = path.lines(n)
    there = np.isfinite(base).all(axis=1) & np.isfinite(way).all(axis=1)
    base = np.where(there[:, None], (base + 0.5) / reduction - 0.5, -1e6).astype(np.float32)
    way = np.where(there[:, None], way / reduction, 0.0).astype(np.float32)
    aside = np.asarray(v, np.float32)[:, None]
    x, y = (base[:, k] + aside * way[:, k] for k in (0, 1))
    values = lookup.at(picture, x, y, border=cv2.BORDER_REPLICATE).astype(np.float32)
    rows, columns = picture.shape
    values[~((x >= 0) & (y >= 0) & (x <= columns - 1) & (y <= rows - 1))] = np.nan
    return values


def rows_aside(path: Path, reduction: int, half: float = _ASIDE) -> np.ndarray:
    """Ways aside, in periods, as fine as the picture, at most 12 a period."""
    period = float(path.period_px(np.array([0.0]))[0]) / reduction
    step = max(1.0 / period, 1.0 / 12)
    return np.arange(-half, half + step / 2, step)


def tone(strip: np.ndarray, n: np.ndarray, spread: float = 1.5) -> tuple[np.ndarray, np.ndarray]:
    """Complex amplitude (V, N) of the marks' own period, and the share (V, N) of the light's changes that it is.

    The strip holds `_PER` samples a period.
    """
    seen = np.isfinite(strip)
    filled = np.where(seen, strip, 0.0).astype(np.float32)
    weight = cv2.blur(seen.astype(np.float32), (_PER, 1)) + 1e-6
    changes = np.where(seen, filled - cv2.blur(filled, (_PER, 1)) / weight, 0.0).astype(np.float32)
    carrier = np.exp(-2j * np.pi * n).astype(np.complex64)
    product = changes * carrier
    parts = np.dstack([product.real, product.imag, changes * changes])
    width = round(np.sqrt(4 * (spread * _PER) ** 2 + 1))  # three boxes as wide as the Gaussian take no longer for a wide one
    for _ in range(3):
        parts = cv2.blur(parts, (width, 1), borderType=cv2.BORDER_REFLECT_101)
    real, imag, power = cv2.split(parts)
    amplitude = real + 1j * imag
    return amplitude, 2 * np.abs(amplitude) ** 2 / (power + 0.5)


def _start(row: Row, shape: tuple[int, int]) -> Path | None:
    u = row.at_px
    frequency = 1.0 / row.period_px
    level, slope = _robust_line(u, frequency)
    unit = float(max(np.ptp(u), 20 * np.median(row.period_px)))
    a0, a1 = _robust_line(u, row.aside_px)
    corners = np.array([[0, 0], [shape[1] - 1, 0], [shape[1] - 1, shape[0] - 1], [0, shape[0] - 1]]) - row.origin_px
    low, high = (corners @ row.along).min(), (corners @ row.along).max()
    reach = _MOST_MARKS / 2 / level
    return Path(
        origin_px=row.origin_px, along=row.along, counts=np.array([0.0, level * unit, 0.0, 0.0]),
        aside_px=np.array([a0, a1 * unit, 0.0]), lean=np.zeros(2), unit_px=unit,
        span_px=(float(max(low, -reach)), float(min(high, reach))),
        perspective=float(np.clip(-0.5 * slope * unit / level, -0.3, 0.3)),
    )  # fmt: skip


def _robust_line(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    weight = np.ones(len(x))
    level, slope = float(np.median(y)), 0.0
    for _ in range(8):
        design = np.column_stack([np.ones(len(x)), x])
        if np.ptp(x) < 1e-6:
            return level, 0.0
        level, slope = np.linalg.lstsq(design * weight[:, None], y * weight, rcond=None)[0]
        off = np.abs(y - level - slope * x)
        weight = 1.0 / (1.0 + (off / (1.4826 * np.median(off) + 1e-9)) ** 2)
    return float(level), float(slope)


def _refit(picture: np.ndarray, reduction: int, path: Path, window: float) -> tuple[Path, bool] | None:
    """The path fitted anew to the marks within `window` periods of its origin; and whether that was all of it."""
    centre = float(path.n_of(np.array([0.0]))[0])
    ends = path.n_of(np.array(path.span_px))
    low, high = max(ends.min(), centre - window), min(ends.max(), centre + window)
    n = np.arange(np.ceil(low * _PER), np.floor(high * _PER)) / _PER
    if len(n) < 4 * _PER:
        return None
    for _ in range(2):
        v = rows_aside(path, reduction)
        strip = straightened(picture, reduction, path, n, v)
        amplitude, share = tone(strip, n)
        strength = np.abs(amplitude) * (share > _LEAST_COHERENCE)
        if not (strength > 0).any():
            return None
        zone = zone_of(strength, v)
        if zone is None:
            return None
        blocks = n[:: _BLOCK * _PER]
        inside = (v >= zone[0] - 1.0) & (v <= zone[1] + 1.0)
        at = strength[inside][:, :: _BLOCK * _PER]
        total = at.sum(axis=0)
        good = total > 0.25 * np.quantile(total, 0.8)
        if good.sum() < 3:
            return None
        u = path.u_of(blocks)
        good &= np.isfinite(u)
        centroid = (at * v[inside][:, None]).sum(axis=0) / np.maximum(total, 1e-6)
        x, period = u / path.unit_px, path.period_px(u)
        # the middle of what shows, block by block: the row's own course
        degree = 0 if window <= 10 else 1 if good.sum() < 12 else 2
        aside = _fit(x[good], (centroid * period)[good], total[good], degree, 3)
        # marks that lean: phase against the way aside
        rows = np.flatnonzero((v >= zone[0]) & (v <= zone[1]))
        turn = np.sum((amplitude[1:] * np.conj(amplitude[:-1]))[rows[:-1]][:, :: _BLOCK * _PER], axis=0)
        gradient = np.angle(turn) / (2 * np.pi * (v[1] - v[0]))  # periods along a period aside
        weight = np.abs(turn)
        lean = _fit(x[good], -gradient[good], weight[good], 0 if window < 40 else 1, 2)
        phase = np.angle(
            np.sum(amplitude[rows][:, :: _BLOCK * _PER] * np.exp(-2j * np.pi * gradient * v[rows][:, None]), axis=0)
        )
        offset = _unwrapped(phase, good, blocks - centre) / (2 * np.pi)
        t = path.evened(u)
        counts = _fit(t[good], offset[good], total[good], 1 if window <= 10 else 2 if window < 100 else 3, 4)
        off = np.abs(offset[good] - np.polynomial.polynomial.polyval(t[good], counts))
        shown = np.isfinite(strip[inside][:, :: _BLOCK * _PER]).any(axis=0).sum()
        if good.sum() < _LEAST_EVEN.get(window, 0.0) * shown or np.median(off) > _MOST_OFF:
            return None
        path = replace(
            path,
            counts=path.counts + counts,
            aside_px=path.aside_px + aside,
            lean=path.lean + lean,
            followed_px=(float(u[good].min()), float(u[good].max())),
        )
        path = _in_perspective(path)
    return path, bool(low <= ends.min() and high >= ends.max())


def _in_perspective(path: Path) -> Path:
    """The same path with its counts' curvature taken up by perspective, as far as that goes, so that it runs on truly."""
    before, beyond = np.array(path.span_px) / path.unit_px
    room = 1.0 - 1.5 * _LEAST_NEAR
    least, most = -room / max(beyond, 1e-3), room / max(-before, 1e-3)
    turned = float(np.clip(path.perspective - path.counts[2] / path.counts[1], least, most))
    u = np.linspace(*path.followed_px, 40)
    counted = path.n_of(u)
    bent = replace(path, perspective=turned)
    return replace(bent, counts=np.polynomial.polynomial.polyfit(bent.evened(u), counted, 3))


def _unwrapped(phase: np.ndarray, good: np.ndarray, away: np.ndarray) -> np.ndarray:
    """Phases without jumps, from the middle outwards, over places that say nothing."""
    result = phase.copy()
    middle = int(np.argmin(np.where(good, np.abs(away), np.inf)))
    for way in (1, -1):
        last = result[middle]
        for k in range(middle + way, len(phase) if way > 0 else -1, way):
            result[k] = last + (phase[k] - last + np.pi) % (2 * np.pi) - np.pi
            if good[k]:
                last = result[k]
    return result


def _fit(x: np.ndarray, y: np.ndarray, weight: np.ndarray, degree: int, size: int) -> np.ndarray:
    """Robust polynomial, lowest power first, padded with noughts to `size`."""
    degree = min(degree, max(len(x) // 3 - 1, 0))
    design = np.vander(x, degree + 1, increasing=True)
    root = np.sqrt(weight / max(float(weight.max()), 1e-9)) + 1e-6
    trust = np.ones(len(x))
    for _ in range(6):
        w = root * np.sqrt(trust)
        found = np.linalg.lstsq(design * w[:, None], y * w, rcond=None)[0]
        off = np.abs(y - design @ found)
        trust = 1.0 / (1.0 + (off / (2.0 * np.median(off) + 1e-4)) ** 2)
    return np.pad(found, (0, size - len(found)))


def zone_of(strength: np.ndarray, v: np.ndarray) -> tuple[float, float] | None:
    """From where to where aside all marks show, in periods; None if they run on beyond what is looked at."""
    score = np.sort(strength, axis=1)[:, strength.shape[1] // 3 :].mean(axis=1)
    top = int(np.argmax(cv2.blur(score[:, None].astype(np.float32), (1, 3)).ravel() * np.exp(-0.5 * (v / 6.0) ** 2)))
    above = score > 0.5 * score[top]
    low = high = top
    while low > 0 and above[low - 1]:
        low -= 1
    while high < len(v) - 1 and above[high + 1]:
        high += 1
    if low == 0 or high == len(v) - 1:
        return None
    return float(v[low]), float(v[high])
