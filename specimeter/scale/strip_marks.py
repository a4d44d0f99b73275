"""The strip's own millimetre marks, located where its markers say that they must be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from specimeter.scale.card_layout import Card
from specimeter.scale.graduations_marks import glanced, sample
from specimeter.scale.view import View

FEWEST = 5
LEAST_PX = 4.0  # a millimetre in the picture
_ROWS_MM = (17.1, 19.6)  # where all marks show, from the strip's upper edge; they end at its lower one
_TENS_MM = (14.3, 15.2)  # where only every tenth does
_LEAST_CONTRAST = 0.12  # of a mark to the paper beside it, over the paper's light
_USUAL = 0.5  # share of the usual contrast that a mark must have: glare and what lies over the strip leave less
_MOST_OFF = 0.35  # of a millimetre: a mark farther off its place might be its neighbour
_U_PRINT_MM = 0.012  # printers set dots 0.042 mm apart (600 an inch) or finer: a mark's place is rounded to one


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StripMarks:
    """Places on a strip's marks: on the strip as drawn in mm, in the picture in px, all (M, 2).

    `normals` are across each mark, towards higher marks; `u_px` (M,) the standard uncertainty along them, rounding by the
    printer included.
    """

    on_card: np.ndarray
    points_px: np.ndarray
    normals: np.ndarray
    u_px: np.ndarray

    @property
    def numbers(self) -> np.ndarray:
        """Which marks, by their x on the strip in mm."""
        return np.unique(self.on_card[:, 0])


def strip_marks(
    light: np.ndarray, card: Card, view: View, print_scale: float, reach_mm: tuple[float, float]
) -> StripMarks | None:
    """The marks within reach (x, in mm on the strip as drawn); None where they do not show as such.

    Parameters
    ----------
    light : array, shape (H, W)
        Luminance in linear light.
    view : View
        Good to a quarter of a millimetre over that reach.
    """
    row = _Row(view=view, print_scale=print_scale)
    index = np.array([x for x, *_ in card.graduations_mm if reach_mm[0] <= x <= reach_mm[1]])
    if len(index) < FEWEST or np.median(row.period_px(index)) < LEAST_PX:
        return None
    halves = np.array([[_ROWS_MM[0], np.mean(_ROWS_MM) - 0.1], [np.mean(_ROWS_MM) + 0.1, _ROWS_MM[1]]])
    shift, noise = (np.stack(both) for both in zip(*(_centred(light, row, index, half) for half in halves), strict=True))
    together = np.nan_to_num(shift.mean(axis=0))
    contrast = _contrast(light, row, index + together, _ROWS_MM)
    usual = float(np.quantile(contrast, 0.7))
    good = np.isfinite(shift) & (contrast > max(_USUAL * usual, _LEAST_CONTRAST))
    if good.all(axis=0).sum() < FEWEST:
        return None
    middles = halves.mean(axis=1)
    points = np.stack(
        [row.places(index + one, middle[None])[0] for one, middle in zip(np.nan_to_num(shift), middles, strict=True)]
    )
    on_card = np.stack(np.broadcast_arrays(index[None, :], middles[:, None]), axis=-1)
    upper, lower = row.places(index, np.array(_ROWS_MM))
    along = (lower - upper) / np.linalg.norm(lower - upper, axis=1, keepdims=True)
    normals = np.column_stack([along[:, 1], -along[:, 0]])
    ahead = np.sum(normals * (row.places(index + 0.5, middles[:1]) - row.places(index - 0.5, middles[:1]))[0], axis=1)
    normals = np.broadcast_to(normals * np.sign(ahead)[:, None], points.shape)
    u = np.hypot(np.nan_to_num(noise), _U_PRINT_MM) * row.period_px(index)
    return StripMarks(on_card=on_card[good], points_px=points[good], normals=normals[good], u_px=u[good])


def _centred(light: np.ndarray, row: _Row, index: np.ndarray, rows_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How far each mark's middle lies beyond its place (N,), and its noise, in mm: by the centroid of what is dark about it.

    NaN where it lies a third of a division off, or is not darker than the paper.
    """
    tau = np.linspace(-0.5, 0.5, int(np.clip(np.ceil(2 * np.median(row.period_px(index))), 13, 41)))
    v = np.linspace(*rows_mm, int(np.clip(np.ceil(np.ptp(rows_mm) * np.median(row.period_px(index))), 3, 24)))
    shift = np.zeros(len(index))
    for _ in range(5):
        seen = sample(light, row.places((index[:, None] + shift[:, None] + tau).ravel(), v)).reshape(
            len(v), len(index), len(tau)
        )
        with np.errstate(invalid="ignore", divide="ignore"):
            paper = np.stack([seen[..., :2].mean(axis=2), seen[..., -2:].mean(axis=2)])
            level = paper[0, ..., None] + (paper[1] - paper[0])[..., None] * (tau + 0.5)
            dark = 1.0 - seen.mean(axis=0) / level.mean(axis=0)
            step = (dark @ tau) / dark.sum(axis=1)
            apart = ((1.0 - seen / level) @ tau) / dark.sum(axis=1) - step  # of the single rows
        shift = np.where(dark.sum(axis=1) > 0, shift + np.clip(step, -0.15, 0.15), np.nan)
        shift = np.where(np.abs(shift) < _MOST_OFF, shift, np.nan)
    return shift, np.std(apart, axis=0) / np.sqrt(len(v) / 2)


def tens_agree(light: np.ndarray, marks: StripMarks, view: View, print_scale: float) -> bool:
    """Whether the marks of whole centimetres, and they alone, are the long ones: no count is off."""
    row, index = _Row(view=view, print_scale=print_scale), marks.numbers
    contrast = _contrast(light, row, index, _TENS_MM)
    tens = index % 10 == 0
    if not tens.any():
        return False
    return bool(np.quantile(contrast[tens], 0.2) > np.quantile(contrast[~tens], 0.9) + _LEAST_CONTRAST / 2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Row:
    """The strip's marks as a row: mark n at x = n, and v the place y on the strip, both in mm as drawn."""

    view: View
    print_scale: float

    def places(self, n: np.ndarray, v: np.ndarray) -> np.ndarray:
        """Pixels [x, y], shape (V, N, 2)."""
        x, y = np.broadcast_arrays(np.asarray(n, float)[None, :], np.asarray(v, float)[:, None])
        flat = self.print_scale * np.stack([x, y, np.zeros_like(x)], axis=-1)
        return self.view.project(flat.reshape(-1, 3)).reshape(*x.shape, 2)

    def period_px(self, u: np.ndarray) -> np.ndarray:
        middle = np.array([np.mean(_ROWS_MM)])
        return np.linalg.norm(self.places(u + 0.5, middle)[0] - self.places(u - 0.5, middle)[0], axis=1)


def _contrast(light: np.ndarray, row: _Row, index: np.ndarray, rows_mm: tuple[float, float]) -> np.ndarray:
    """How much darker each mark (N,) is than the paper to either side, over the paper's light; 0 outside the picture."""
    v = np.linspace(*rows_mm, 7)
    shifts = np.array([-0.5, -0.42, -0.08, 0.0, 0.08, 0.42, 0.5])
    seen = glanced(light, row.places((index[:, None] + shifts).ravel(), v)).reshape(len(v), len(index), len(shifts))
    paper, mark = seen[..., [0, 1, 5, 6]].mean(axis=2), seen[..., 2:5].mean(axis=2)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.nan_to_num(np.median((paper - mark) / np.maximum(paper, 1e-3), axis=0))
