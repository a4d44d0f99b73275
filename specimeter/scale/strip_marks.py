"""The strip's own millimetre marks, located where its markers say that they must be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from specimeter import lookup
from specimeter.scale.card_layout import Card
from specimeter.scale.graduations_marks import sample
from specimeter.scale.view import View

FEWEST = 5
LEAST_PX = 4.0  # a millimetre in the picture
_FOOT_MM = (18.7, 19.6)  # where all marks show whatever their length, from the strip's upper edge; they end at its lower one
_HEAD_MM = 13.0  # no mark reaches higher
_ROW_MM = 0.15  # step from row to row where their lengths are looked up
_CLEAR_MM = 0.25  # kept from where the short ones end
_LONGER_MM = 0.6  # by which the long ones must be seen to outlast them
_LEAST_CONTRAST = 0.12  # of a mark to the paper beside it, over the paper's light
_USUAL = 0.5  # share of the usual contrast that a mark must have: glare and what lies over the strip leave less
_MOST_OFF = 0.35  # of a millimetre: a mark farther off its place might be its neighbour
_U_PRINT_MM = 0.012  # printers set dots 0.042 mm apart (600 an inch) or finer: a mark's place is rounded to one


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StripMarks:
    """Places on a strip's marks: on the strip as drawn in mm, in the picture in px, all (M, 2).

    `normals` are across each mark, towards higher marks; `u_px` (M,) the standard uncertainty along them, rounding by the
    printer included. `shift_mm` is how far they all lie beyond their places in the view by which they were sought: cards are
    drawn by hands other than ours, and a row of marks set 0.03 mm off its markers must not pass for perspective.
    """

    on_card: np.ndarray
    points_px: np.ndarray
    normals: np.ndarray
    u_px: np.ndarray
    shift_mm: float

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
    rows_mm = _rows(light, row, index)
    halves = np.array([[rows_mm[0], np.mean(rows_mm) - 0.1], [np.mean(rows_mm) + 0.1, rows_mm[1]]])
    shift, noise = (np.stack(both) for both in zip(*(_centred(light, row, index, half) for half in halves), strict=True))
    together = np.nan_to_num(shift.mean(axis=0))
    contrast = _contrast(light, row, index + together, rows_mm)
    usual = float(np.quantile(contrast, 0.7))
    good = np.isfinite(shift) & (contrast > max(_USUAL * usual, _LEAST_CONTRAST))
    if good.all(axis=0).sum() < FEWEST:
        return None
    middles = halves.mean(axis=1)
    points = np.stack(
        [row.places(index + one, middle[None])[0] for one, middle in zip(np.nan_to_num(shift), middles, strict=True)]
    )
    on_card = np.stack(np.broadcast_arrays(index[None, :], middles[:, None]), axis=-1)
    upper, lower = row.places(index, np.array(rows_mm))
    along = (lower - upper) / np.linalg.norm(lower - upper, axis=1, keepdims=True)
    normals = np.column_stack([along[:, 1], -along[:, 0]])
    ahead = np.sum(normals * (row.places(index + 0.5, middles[:1]) - row.places(index - 0.5, middles[:1]))[0], axis=1)
    normals = np.broadcast_to(normals * np.sign(ahead)[:, None], points.shape)
    u = np.hypot(np.nan_to_num(noise), _U_PRINT_MM) * row.period_px(index)
    return StripMarks(
        on_card=on_card[good],
        points_px=points[good],
        normals=normals[good],
        u_px=u[good],
        shift_mm=float(np.median(shift[good])),
    )


def _centred(light: np.ndarray, row: _Row, index: np.ndarray, rows_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How far each mark's middle lies beyond its place (N,), and its noise, in mm: by the centroid of what is dark about it.

    NaN where it lies a third of a division off, or is not darker than the paper.
    """
    tau = np.linspace(-0.5, 0.5, int(np.clip(np.ceil(2 * np.median(row.period_px(index))), 13, 41)))
    v = np.linspace(rows_mm[0], rows_mm[1], int(np.clip(np.ceil(np.ptp(rows_mm) * np.median(row.period_px(index))), 3, 24)))
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
    """Whether the marks of whole centimetres, or of whole and half ones, and they alone, are the long ones: no count is off."""
    row, index = _Row(view=view, print_scale=print_scale), marks.numbers
    above = np.arange(_HEAD_MM, _rows(light, row, index)[0] - _CLEAR_MM, _ROW_MM)
    if len(above) * _ROW_MM < _LONGER_MM:
        return False
    contrast = _contrasts(light, row, index, above)
    for step in (10, 5):
        long = index % step == 0
        if long.any() and not long.all():
            least, most = np.quantile(contrast[:, long], 0.2, axis=1), np.quantile(contrast[:, ~long], 0.9, axis=1)
            if (least > most + _LEAST_CONTRAST / 2).sum() * _ROW_MM >= _LONGER_MM:
                return True
    return False


def _rows(light: np.ndarray, row: _Row, index: np.ndarray) -> tuple[float, float]:
    """From where to where (y on the strip in mm) the short marks show: cards are drawn with marks of other lengths too."""
    short = index % 5 != 0
    rows = np.arange(_FOOT_MM[0], _HEAD_MM, -_ROW_MM)
    if not short.any():
        return _FOOT_MM
    contrast = np.median(_contrasts(light, row, index[short], rows), axis=1)
    foot = np.median(_contrasts(light, row, index[short], np.array(_FOOT_MM)))
    gone = np.flatnonzero(contrast < 0.5 * foot)
    top = rows[gone[0]] if len(gone) else _HEAD_MM
    return min(float(top) + _ROW_MM + _CLEAR_MM, _FOOT_MM[0]), _FOOT_MM[1]


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
        middle = np.array([np.mean(_FOOT_MM)])
        return np.linalg.norm(self.places(u + 0.5, middle)[0] - self.places(u - 0.5, middle)[0], axis=1)


def _contrast(light: np.ndarray, row: _Row, index: np.ndarray, rows_mm: tuple[float, float]) -> np.ndarray:
    """How much darker each mark (N,) is than the paper to either side, over the paper's light; 0 outside the picture."""
    return np.median(_contrasts(light, row, index, np.linspace(*rows_mm, 7)), axis=0)


def _contrasts(light: np.ndarray, row: _Row, index: np.ndarray, v: np.ndarray) -> np.ndarray:
    """The same at each place v (mm from the strip's upper edge) along the marks, shape (V, N)."""
    shifts = np.array([-0.5, -0.42, -0.08, 0.0, 0.08, 0.42, 0.5])
    places = row.places((index[:, None] + shifts).ravel(), v).astype(np.float32)
    seen = lookup.at(light, places[..., 0], places[..., 1], beyond=np.nan).reshape(len(v), len(index), len(shifts))
    paper, mark = seen[..., [0, 1, 5, 6]].mean(axis=2), seen[..., 2:5].mean(axis=2)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.nan_to_num((paper - mark) / np.maximum(paper, 1e-3))
