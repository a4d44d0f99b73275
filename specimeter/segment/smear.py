"""Whether a face was blurred in one direction, as by a smear: noise and texture alike then have evenly spaced gaps along it.

The light of a line of pixels averaged over L of them has no detail at 1/L, 2/L, ... cycles a pixel, whatever lay there before:
its spectrum is multiplied by that of a box, sinc(f L) squared. No texture, lens or camera leaves such a row of gaps in the mean
spectrum of many lines. Not noticed: a blur along grinding marks, which were as smooth that way before; one without an even
weight; and one under noise laid on it that fills the gaps.
"""

from __future__ import annotations

import cv2
import numpy as np

from specimeter import lookup
from specimeter.segment.model import ExaminedArea

LINE_PX = 64
TURNS_DEG = range(0, 180, 15)  # a direction between two of these is up to 7.5 degrees off: of 15 pixels, 2 to the side
LENGTHS_PX = np.arange(8.0, 24.5, 0.5)
INSET_PX = 14  # from the face's rim, whose edges are no detail of the face
FEWEST, MOST = 1000, 3000  # lines; fewer tell too little
LEAST_SHARE = 0.43  # of a full box's gaps, weighed by how well nothing else explains the spectrum; honest faces reach 0.36
GRID_PX = 8  # a JPEG file's own blocks leave gaps of their own along rows and columns
_AT = np.fft.rfftfreq(LINE_PX)
_USED = (_AT >= 0.03) & (_AT <= 0.48)
_TAPER = np.hanning(LINE_PX + 2)[1:-1].astype(np.float32)
_SMOOTH = np.linalg.qr(np.log(_AT[_USED])[:, None] ** np.arange(4))[0]  # what textures and lenses do, over log frequency
_SLOPE = np.linalg.qr(np.linspace(-1, 1, LINE_PX)[:, None] ** np.arange(2))[0].astype(np.float32)
_FILLED = 0.02  # of the power is left in a gap


def _beyond_smooth(curve: np.ndarray) -> np.ndarray:
    return curve - _SMOOTH @ (_SMOOTH.T @ curve)


_BOXES = _beyond_smooth(10 * np.log10(np.sinc(_AT[_USED][:, None] * LENGTHS_PX) ** 2 + _FILLED))


def length_px(light: np.ndarray, area: ExaminedArea) -> float | None:
    """Length of the blur in one direction that the examined area was given, in pixels; None where nothing tells of one.

    Parameters
    ----------
    light : float32 array, shape (H, W)
        Linear light.
    area : ExaminedArea
    """
    low = np.clip(np.floor(area.outline_px.min(axis=0)).astype(int), 0, None)
    high = np.ceil(area.outline_px.max(axis=0)).astype(int) + 1
    root = np.sqrt(np.maximum(light[low[1] : high[1], low[0] : high[0]], 0), dtype=np.float32)  # steadies shot noise
    inside = np.zeros(root.shape, np.uint8)
    cv2.fillPoly(inside, [np.round(area.outline_px - low).astype(np.int32)], 1)
    for hole in area.exclude_px:
        cv2.fillPoly(inside, [np.round(hole - low).astype(np.int32)], 0)
    square = np.ones((2 * INSET_PX + 1,) * 2, np.uint8)
    inside = cv2.erode(inside, square, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    most, found = LEAST_SHARE, None
    for turn in TURNS_DEG:
        lines = _lines(root, inside, turn)
        if len(lines) < FEWEST:
            continue
        shares = box_shares(lines)
        if turn % 90 == 0:
            shares = np.where(np.abs(LENGTHS_PX / GRID_PX - np.round(LENGTHS_PX / GRID_PX)) < 0.1, 0.0, shares)
        if shares.max() > most:
            most, found = float(shares.max()), float(LENGTHS_PX[shares.argmax()])
    return found


def box_shares(lines: np.ndarray) -> np.ndarray:
    """How much of the gaps that a box of each of `LENGTHS_PX` leaves is in the mean spectrum of lines (N, 64): 0 none, 1 all,
    times their correlation with what of the spectrum is not smooth.
    """
    flat = lines - (lines @ _SLOPE) @ _SLOPE.T
    power = np.abs(np.fft.rfft(flat * _TAPER, axis=1)[:, _USED]) ** 2 / (_TAPER @ _TAPER)
    left = _beyond_smooth(10 * np.log10(power + 1e-10).mean(axis=0))
    along, size = left @ _BOXES, np.sum(_BOXES**2, axis=0)
    return along / size * np.maximum(along / np.sqrt(size * max(float(left @ left), 1e-12)), 0.0)


def _lines(root: np.ndarray, inside: np.ndarray, turn_deg: float) -> np.ndarray:
    """Lines (N, 64) of the picture wholly inside, along a direction (clockwise from right as the picture is seen)."""
    turned: np.ndarray = np.eye(2, 3)
    if turn_deg:
        height, width = root.shape
        turned = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), turn_deg, 1.0)
        cos, sin = np.abs(turned[0, :2])
        size = int(height * sin + width * cos) + 1, int(height * cos + width * sin) + 1
        turned[:, 2] += (np.array(size) - 1) / 2 - [(width - 1) / 2, (height - 1) / 2]
        every_other = turned * [[1.0], [0.5]]
        inside = cv2.warpAffine(inside, every_other, (size[0], (size[1] + 1) // 2), flags=cv2.INTER_NEAREST)
    else:
        inside = inside[::2]
    rows, cols = np.nonzero(_runs(inside))
    if not len(rows):
        return np.zeros((0, LINE_PX), np.float32)
    rows, cols = 2 * rows, LINE_PX // 4 * cols
    if len(rows) > MOST:
        kept = np.linspace(0, len(rows) - 1, MOST).astype(int)
        rows, cols = rows[kept], cols[kept]
    back = cv2.invertAffineTransform(turned)
    x, y = (row[0] * (cols[:, None] + np.arange(LINE_PX)) + row[1] * rows[:, None] + row[2] for row in back.astype(np.float64))
    return lookup.at(root, x.astype(np.float32), y.astype(np.float32), kind=cv2.INTER_CUBIC)


def _runs(inside: np.ndarray) -> np.ndarray:
    """Whether the line that begins at every 16th pixel of a row lies wholly in a mask of 0 and 1, (rows, columns / 16)."""
    step = LINE_PX // 4
    parts = -(-inside.shape[1] // step)
    padded = np.zeros((len(inside), (parts + 3) * step), np.uint8)
    padded[:, : inside.shape[1]] = inside
    eights = padded.view(np.uint64) == np.uint64(0x0101010101010101)
    held = eights[:, ::2] & eights[:, 1::2]
    return held[:, :parts] & held[:, 1 : parts + 1] & held[:, 2 : parts + 2] & held[:, 3 : parts + 3]
