"""Where in a photograph rows of evenly spaced marks may run: direction, place and spacing, from a reduced picture."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from specimeter import lookup

_STRIP = 8  # cells' rows gone through at a time
_CELL = 8  # px of the reduced picture: light's changes are gathered over two by two cells
_REACH = 96  # px: length of the line of light that is looked at for evenness
_LEAST_COHERENCE = 0.45
_LEAST_SCORE = 0.42  # share of the light's changes that even marks explain
_MOST_CELLS = 6000
_PERIODS_PX = (2.3, 14.0)  # spacings that a line of that length shows well; wider ones show on a coarser picture
_LONG_SIDES_PX = (
    325,
    650,
    1300,
    2600,
    6000,
)  # of the pictures looked at, one after the other, as far as the photograph has them
_FINE_PX = 5  # box that light is freed of its slower changes by: shades, the rule's own edges, most grain
_FEWEST_CELLS = 3
_BETWEEN, _BETWEEN_PX, _LIKE = float(np.radians(4.0)), 10.0, 0.06  # of one line's cells: turned, aside, relative spacing
_SEEDS, _ROWS = 60, 8  # cells that lines are begun from; lines of a picture that are looked at
_ABOUT = 10.0  # spacings to either side of the place that a row is followed from


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Row:
    """A row of marks as first seen. Places are pixels of the full photograph.

    Parameters
    ----------
    origin_px, along : array, shape (2,)
        A point amid the marks and the unit direction along the row, [x, y].
    at_px : array, shape (N,)
        Distances from the origin along the row where marks were seen.
    aside_px : array, shape (N,)
        How far aside (to the left of `along` turned by -90 degrees: towards [-along_y, along_x]) they were seen there.
    period_px : array, shape (N,)
        Spacing of the marks there.
    reduction : int
        How many pixels of the photograph one pixel of the picture looked at is wide.
    """

    origin_px: np.ndarray
    along: np.ndarray
    at_px: np.ndarray
    aside_px: np.ndarray
    period_px: np.ndarray
    reduction: int


def rows_of_marks(green: np.ndarray) -> Iterator[Row]:
    """Likely rows of marks, the coarsest picture's first, the best supported first.

    Parameters
    ----------
    green : array, shape (H, W), uint8
        The photograph, encoded (not linear): dark rules show as well as bright ones.
    """
    done = None
    for wanted in _LONG_SIDES_PX:
        reduction = max(1, int(np.ceil(max(green.shape) / wanted)))
        if reduction == done:
            continue
        done = reduction
        yield from _rows(reduced(green, reduction), reduction)
        if reduction == 1:
            break


def reduced(picture: np.ndarray, reduction: int) -> np.ndarray:
    """The picture with `reduction` x `reduction` pixels averaged into one; rows and columns left over are dropped."""
    if reduction == 1:
        return picture
    rows, columns = (size // reduction for size in picture.shape[:2])
    return cv2.resize(picture[: rows * reduction, : columns * reduction], (columns, rows), interpolation=cv2.INTER_AREA)


def _rows(picture: np.ndarray, reduction: int) -> Iterator[Row]:
    centres, angle = _coherent_cells(picture)
    if len(centres) < _FEWEST_CELLS:
        return
    period, score = _even(picture, centres, angle)
    good = score > _LEAST_SCORE
    centres, angle, period, score = centres[good], angle[good], period[good], score[good]
    free = np.ones(len(centres), bool)
    for members in _lines(centres, angle, period, score, max(picture.shape)):
        members = members[free[members]]
        if len(members) < _FEWEST_CELLS:
            continue
        free[members] = False
        yield _row(centres[members], angle[members], period[members], score[members], reduction)


def _coherent_cells(picture: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Centres (N, 2), and direction in which light changes (N,) in radians, of cells where it changes one way."""
    shape = (picture.shape[1] // _CELL, picture.shape[0] // _CELL)
    if min(shape) < 4:
        return np.empty((0, 2)), np.empty(0)
    xx, yy, xy = (np.concatenate(planes) for planes in zip(*_products(picture, shape), strict=True))
    xx, yy, xy = (plane[:-1, :-1] + plane[1:, :-1] + plane[:-1, 1:] + plane[1:, 1:] for plane in (xx, yy, xy))
    total = xx + yy
    coherence = np.hypot(xx - yy, 2 * xy) / (total + 1.0)
    strength = total / 4
    floor = max(200.0, 2.0 * float(np.median(strength)) if np.median(strength) < 400 else 400.0)
    row, column = np.nonzero((coherence > _LEAST_COHERENCE) & (strength > floor))
    if len(row) > _MOST_CELLS:
        keep = np.argsort(-(coherence * np.minimum(strength, 4e4))[row, column])[:_MOST_CELLS]
        row, column = row[keep], column[keep]
    angle = 0.5 * np.arctan2(2 * xy, xx - yy)[row, column]
    centres = np.column_stack([column + 1, row + 1]) * float(_CELL) - 0.5
    return centres, angle


def _products(picture: np.ndarray, shape: tuple[int, int]) -> Iterator[list[np.ndarray]]:
    """Means over cells of the products of light's slopes (xx, yy, xy), strip by strip: what fits the cache is quick."""
    columns, rows = shape
    for first in range(0, rows, _STRIP):
        last = min(first + _STRIP, rows)
        top, bottom = max(first * _CELL - 4, 0), min(last * _CELL + 4, picture.shape[0])
        strip = picture[top:bottom, : min(columns * _CELL + 4, picture.shape[1])].astype(np.float32)
        strip -= cv2.blur(strip, (_FINE_PX, _FINE_PX))
        part = (slice(first * _CELL - top, last * _CELL - top), slice(0, columns * _CELL))
        dx, dy = cv2.Sobel(strip, cv2.CV_32F, 1, 0)[part], cv2.Sobel(strip, cv2.CV_32F, 0, 1)[part]
        size = (columns, last - first)
        yield [cv2.resize(cv2.multiply(a, b), size, interpolation=cv2.INTER_AREA) for a, b in ((dx, dx), (dy, dy), (dx, dy))]


def _even(picture: np.ndarray, centres: np.ndarray, angle: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Spacing in pixels (N,) of the strongest even marks on a line through each centre; the share (N,) they explain."""
    along = np.column_stack([np.cos(angle), np.sin(angle)]).astype(np.float32)
    across = along[:, ::-1] * np.array([-1, 1], np.float32)
    steps = (np.arange(_REACH) - (_REACH - 1) / 2).astype(np.float32)
    profile = np.zeros((len(centres), _REACH), np.float32)
    middle = centres.astype(np.float32)
    for aside in (-2.5, 0.0, 2.5):
        start = middle + aside * across
        x = start[:, :1] + along[:, :1] * steps
        y = start[:, 1:] + along[:, 1:] * steps
        profile += _pick(picture, x, y)
    profile = profile - _moving_mean(profile, 25)
    window = np.hanning(_REACH).astype(np.float32)
    padded = 2 * _REACH
    power = np.abs(np.fft.rfft(profile * window, padded, axis=1)) ** 2
    low, high = int(padded / _PERIODS_PX[1]), int(padded / _PERIODS_PX[0])
    band = power[:, low - 1 : high + 1]
    rising = (band[:, 1:-1] > band[:, :-2]) & (band[:, 1:-1] >= band[:, 2:])  # a tone stands out; grain only grows with length
    peak = low + np.argmax(band[:, 1:-1] * rising, axis=1)
    rows = np.arange(len(peak))
    # the main tone may be the second harmonic of the true one where marks are narrow: take the lower if it is there too
    half = np.rint(peak / 2).astype(int)
    near_half = np.max([power[rows, np.clip(half + k, 1, None)] for k in (-1, 0, 1)], axis=0)
    peak = np.where((half >= low) & (near_half > 0.35 * power[rows, peak]), half, peak)
    fine = np.clip(peak, 2, power.shape[1] - 2)
    for _ in range(2):
        best = np.argmax([power[rows, np.clip(fine + k, 2, power.shape[1] - 2)] for k in (-1, 0, 1)], axis=0) - 1
        fine = np.clip(fine + best, 2, power.shape[1] - 2)
    a, b, c = (np.log(power[rows, fine + k] + 1e-9) for k in (-1, 0, 1))
    exact = fine + np.clip(0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-6), -0.6, 0.6)
    explained = np.zeros(len(peak))
    total = power[:, 3:].sum(axis=1) + 1e-9
    for harmonic in (1, 2, 3):
        at = np.rint(exact * harmonic).astype(int)
        for k in range(-3, 4):
            inside = (at + k > 2) & (at + k < power.shape[1])
            explained += np.where(inside, power[rows, np.clip(at + k, 0, power.shape[1] - 1)], 0)
    return padded / exact, explained / total


def _moving_mean(values: np.ndarray, count: int) -> np.ndarray:
    return cv2.blur(values, (count, 1), borderType=cv2.BORDER_REFLECT)


def _pick(picture: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return lookup.at(picture, x, y, border=cv2.BORDER_REPLICATE).astype(np.float32)


def _lines(centres: np.ndarray, angle: np.ndarray, period: np.ndarray, score: np.ndarray, long_side: int) -> list[np.ndarray]:
    """Which cells (numbers, the best supported lines first) lie on one line, direction and spacing changing steadily along it.

    How fast they may change is what a wide lens (principal distance 0.37 of the picture's long side) makes of 15 degrees.
    """
    found: list[tuple[float, np.ndarray]] = []
    tried = np.zeros(len(centres), bool)
    for k in np.argsort(-score)[:_SEEDS]:
        if tried[k]:
            continue
        tried[k] = True
        along = np.array([np.cos(angle[k]), np.sin(angle[k])])
        offset = centres - centres[k]
        far, aside = offset @ along, offset @ np.array([-along[1], along[0]])
        reach = np.abs(far) / long_side
        turn = (angle - angle[k] + np.pi / 2) % np.pi - np.pi / 2
        log = np.log(period / period[k])
        on = (np.abs(turn) < _BETWEEN + 0.5 * reach) & (np.abs(aside) < _BETWEEN_PX + 0.25 * np.abs(far))
        may = np.flatnonzero(on & (np.abs(log) < _LIKE + 1.2 * reach))
        x, weight = far[may], score[may]
        every = ((turn[may], _BETWEEN), (aside[may], _BETWEEN_PX), (log[may], _LIKE))
        mine = np.ones(len(may), bool)
        for _ in range(3):
            if mine.sum() < _FEWEST_CELLS:
                break
            near = np.ones(len(may), bool)
            for values, allowed in every:
                level, slope = _line(x[mine], values[mine], weight[mine], allowed)
                near &= np.abs(values - level - slope * x) < allowed
            mine = near
        members = may[mine]
        if len(members) < _FEWEST_CELLS:
            continue
        tried[members] = True
        found.append((float(score[members].sum()) + 0.02 * float(np.ptp(far[members]) / period[k]), members))
    found.sort(key=lambda one: -one[0])
    return [members for _, members in found[:_ROWS]]


def _line(x: np.ndarray, y: np.ndarray, weight: np.ndarray, allowed: float) -> tuple[float, float]:
    """Level and slope of the line through (x, y) that begins flat through the origin, by Cauchy weights of width `allowed`."""
    level = slope = 0.0
    if np.ptp(x) < 2.0 * _CELL:
        return level, slope
    for _ in range(4):
        w = weight / (1.0 + ((y - level - slope * x) / allowed) ** 2)
        total = float(w.sum())
        mean = float(w @ x) / total
        away = x - mean
        slope = float((w * away) @ y) / max(float((w * away) @ away), 1e-9)
        level = float(w @ y) / total - slope * mean
    return level, slope


def _row(centres: np.ndarray, angle: np.ndarray, period: np.ndarray, score: np.ndarray, reduction: int) -> Row:
    twice = np.sum(score * np.exp(2j * angle))
    direction = np.angle(twice) / 2
    along = np.array([np.cos(direction), np.sin(direction)])
    across = np.array([-along[1], along[0]])
    far = (centres - np.average(centres, axis=0, weights=score)) @ along
    near = np.abs(far[:, None] - far) < _ABOUT * np.median(period)
    best = np.argmax(near @ score)  # where the row shows best: half covered, its middle may lie under what covers it
    middle = np.average(centres[near[best]], axis=0, weights=score[near[best]])
    offset = centres - middle
    return Row(
        origin_px=(middle + 0.5) * reduction - 0.5,
        along=along,
        at_px=offset @ along * reduction,
        aside_px=offset @ across * reduction,
        period_px=period * reduction,
        reduction=reduction,
    )
