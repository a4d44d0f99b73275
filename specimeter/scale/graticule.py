"""Millimetre lines that lie on the measured surface as a soft rule would: what a reader checks the scale with by eye."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from specimeter.scale.surface import Surface

MOST_TICKS = 600
ROUNDING = 1e-6  # of a step: a division that falls on the area's very end belongs to it
_TALL = {10: 2.4, 5: 1.6, 1: 0.9}  # tick height in steps, by which multiples of the step it marks


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Graticule:
    """Polylines in pixels, each (N, 2), and numbers in mm with the pixel [x, y] they stand at."""

    lines_px: tuple[np.ndarray, ...]
    numbers: tuple[tuple[float, tuple[float, float]], ...]
    step_mm: float


def graticule(surface: Surface, outline_px: np.ndarray, *, inset: float = 0.04) -> Graticule:
    """A rule along s (across a bend's axis; flat: along x) near the far side of an area, from the point where s is 0.

    Parameters
    ----------
    outline_px : array, shape (N, 2)
        The area that the rule stays within.
    inset : float
        Its distance from the area's side, in parts of the area's size along a.

    Notes
    -----
    Every point is projected from its developed place, so the divisions draw together where the surface turns away.
    """
    developed = surface.develop(outline_px)
    developed = developed[np.isfinite(developed).all(axis=1)]
    if len(developed) < 3:
        return Graticule(lines_px=(), numbers=(), step_mm=1.0)
    (low_s, low_a), (high_s, high_a) = developed.min(axis=0), developed.max(axis=0)
    step = 1.0
    while (high_s - low_s) / step > MOST_TICKS:
        step *= 10
    base = high_a - inset * (high_a - low_a)
    tick = min(step, 0.03 * (high_a - low_a))
    zero = 0.0 if surface.shape == "bend" else low_s
    first, last = math.ceil((low_s - zero) / step - ROUNDING), math.floor((high_s - zero) / step + ROUNDING)
    along = np.linspace(zero + first * step, zero + last * step, 80)
    lines = [surface.project(np.column_stack([along, np.full(80, base)]))]
    numbers = []
    for number in range(first, last + 1):
        multiple = next(m for m in _TALL if number % m == 0)
        s, top = zero + number * step, base - _TALL[multiple] * tick
        lines.append(surface.project(np.array([[s, base], [s, top]])))
        if multiple == 10:
            x, y = surface.project(np.array([[s, top - 0.9 * tick]]))[0]
            numbers.append((abs(number * step), (float(x), float(y))))
    return Graticule(lines_px=tuple(lines), numbers=tuple(numbers), step_mm=step)
