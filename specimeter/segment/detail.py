"""How fine the detail is that a face itself shows above its noise: one smoothed between sharp edges is noticed, block by block.

Light that went through a lens falls off towards fine detail as the texture does and as the blur does, and ends in the noise.
Where detail falls much faster than a surface's does and then levels off, a face was smoothed, or it is a smooth one. Smoothing
takes the camera's noise away with the detail: only a face that has no more noise than the picture around it, where that is as
bright, is said to be smoothed; where a face fills the picture, missing detail alone says it. One on which as much noise was
laid again looks like smooth metal, and is not told from it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy

from specimeter.segment import smear
from specimeter.segment.model import ExaminedArea

BLOCKS_PX = (64, 32)  # the smaller on faces that hold few of the larger
FEW, MOST = 6, 400  # blocks
INSET_PX = {64: 14, 32: 8}  # from the face's rim, whose edges are no detail of the face
BANDS = np.array([0.025, 0.04, 0.06, 0.08, 0.1, 0.13, 0.16, 0.2, 0.25, 0.3, 0.36, 0.42, 0.5])  # cycles a pixel
MIDDLES = np.sqrt(BANDS[1:] * BANDS[:-1])
FINEST = slice(8, None)  # bands in which noise is looked for: from 0.25 cycles a pixel
LEVEL, LEVEL_ENDS = slice(6, 8), 0.13  # noise that a file's own compression took out of the finest bands
ABOVE_DB = 3.0  # twice the noise
LEAST_DB = 6.0  # of a block's coarsest detail over its noise; below it, it shows nothing
FALL_DB = 20.0  # a decade, of a surface's own detail: power as f^-2, as of natural pictures (Field, 1987)
GAUSS_DB = 10 * np.log10(np.e) * (2 * np.pi) ** 2  # loss by a Gaussian blur, in dB per (sigma f)^2
SMOOTHED_PX = {64: 3.5, 32: 2.5}  # full width at half height, of the middle block; small blocks tell less of it
PARTLY_PX = 3.5  # of one large block in ten
SOFTER = 1.6  # times softer than the edges: the face was smoothed, or lies out of focus by itself
LEAST_SHARE = 0.1  # of the blocks must show detail
NOISIER_DB = 10.0  # than the picture around where it is as bright: noise that the camera did not make
SMOOTHER_DB = (
    3.0  # a smoothed face's noise is over it by less: honest faces of two renderers have 0 to 20 dB more, most of it grain
)
ALIKE = 2.5  # times as bright or as dark
FEWEST_ALIKE = 12  # blocks, or a sixth of them: else the nearest in brightness
FWHM = 2 * np.sqrt(2 * np.log(2))
SMOOTHED, NOISE = "smoothed", "nothing but noise"


@dataclass(frozen=True, slots=True, kw_only=True)
class Detail:
    """What the blocks of a face show.

    `fwhm_px`: full width at half height of the blur that at least explains how its detail ends, None where too little detail
    shows; `worst_px`: of the blur that explains it all; `smoothed`: the first is more than lenses and textures account for, or
    it was blurred in one direction, and no more noise than around the face; `only_noise`: no detail, and more noise.
    """

    fwhm_px: float | None = None
    worst_px: float | None = None
    smoothed: bool = False
    only_noise: bool = False


def of_face(light: np.ndarray, area: ExaminedArea) -> Detail:
    """Detail and noise within the examined area.

    Parameters
    ----------
    light : float32 array, shape (H, W)
        Linear light.
    area : ExaminedArea
    """
    low = np.clip(np.floor(area.outline_px.min(axis=0)).astype(int), 0, None)
    high = np.clip(np.ceil(area.outline_px.max(axis=0)).astype(int) + 1, 1, light.shape[::-1])
    near = np.s_[low[1] : high[1], low[0] : high[0]]
    inside = np.zeros(light.shape, np.uint8)
    cv2.fillPoly(inside, [np.round(area.outline_px).astype(np.int32)], 1)
    for hole in area.exclude_px:
        cv2.fillPoly(inside, [np.round(hole).astype(np.int32)], 0)
    for size in BLOCKS_PX:
        blocks = _blocks(light[near], _inner(inside[near], INSET_PX[size]), size)
        if len(blocks) >= FEW:
            break
    if len(blocks) < FEW:
        return Detail()
    power = _power_db(blocks)
    noise, level = power[:, FINEST].min(axis=1), power[:, LEVEL].mean(axis=1)
    shows = power[:, 0] - noise > LEAST_DB
    if shows.mean() < LEAST_SHARE or shows.sum() < FEW:
        return Detail(only_noise=_over_around(light, inside, blocks, noise) > NOISIER_DB)
    seen, over, level = power[shows], noise[shows], level[shows]
    fine, compressed = _blur_px(seen, over, FALL_DB, 0.5), _blur_px(seen, level, FALL_DB, LEVEL_ENDS)
    worst = np.maximum(_blur_px(seen, over, 0.0, 0.5), _blur_px(seen, level, 0.0, LEVEL_ENDS))
    one_way = smear.length_px(light, area) or 0.0
    middle, partly = FWHM * np.median(np.maximum(fine, compressed)), FWHM * np.percentile(fine, 90)
    soft = bool(middle > SMOOTHED_PX[size] or (partly > PARTLY_PX and size == BLOCKS_PX[0]) or one_way)
    softer = np.flatnonzero(shows)[FWHM * np.maximum(fine, compressed) > SMOOTHED_PX[size]]
    which = softer if len(softer) and not one_way else np.flatnonzero(shows)
    return Detail(
        fwhm_px=float(middle),
        worst_px=max(float(FWHM * np.percentile(worst, 75)), one_way),
        smoothed=soft and not _over_around(light, inside, blocks[which], noise[which]) >= SMOOTHER_DB,  # NaN: by detail alone
    )


def _over_around(light: np.ndarray, inside: np.ndarray, blocks: np.ndarray, noise: np.ndarray) -> float:
    """By how many dB a face's noise is over that of the picture around, where it is as bright; NaN if that is too little."""
    around = _blocks(light, 1 - cv2.dilate(inside, np.ones((41, 41), np.uint8)), blocks.shape[1])
    if len(around) < FEW:
        return np.nan
    middle, each = (np.log(np.median(one, axis=(1, 2)) ** 2 + 1e-4) for one in (blocks, around))
    away = np.abs(each - np.median(middle))
    alike = away < max(np.log(ALIKE), np.sort(away)[min(max(FEWEST_ALIKE, len(around) // 6), len(around)) - 1] + 1e-9)
    return float(np.median(noise) - np.median(_power_db(around[alike])[:, FINEST].min(axis=1)))


def width_px(detail: Detail, edges_px: float | None) -> tuple[float | None, str]:
    """Full width at half height of what a face resolves, where its edges resolve `edges_px`, and why it shows less than they.

    Where a face is much softer than its edges, how soft it is is taken at its worst; None where nothing tells. Why: one of
    `SMOOTHED` and `NOISE`, or nothing.
    """
    if detail.only_noise:
        return None, NOISE
    if edges_px is None or not detail.smoothed or detail.worst_px is None or detail.worst_px <= SOFTER * edges_px:
        return edges_px, ""
    return detail.worst_px, SMOOTHED


def _inner(mask: np.ndarray, inset_px: int) -> np.ndarray:
    return cv2.erode(mask, np.ones((2 * inset_px + 1,) * 2, np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)


def _blocks(light: np.ndarray, mask: np.ndarray, size: int) -> np.ndarray:
    """Square roots of light (steadies shot noise) in blocks (N, size, size) wholly within the mask, evenly spread."""
    rows, cols = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if not len(rows):
        return np.zeros((0, size, size), np.float32)
    step = max(size // 2, int(np.sqrt(int(mask.sum()) / MOST)))
    held = cv2.integral(mask)
    found = [
        light[row : row + size, col : col + size]
        for row in range(rows[0], rows[-1] - size + 2, step)
        for col in range(cols[0], cols[-1] - size + 2, step)
        if held[row + size, col + size] - held[row, col + size] - held[row + size, col] + held[row, col] == size * size
    ]
    return np.sqrt(np.maximum(np.stack(found), 0)) if found else np.zeros((0, size, size), np.float32)


def _power_db(blocks: np.ndarray) -> np.ndarray:
    """Power density (N, bands) of blocks, over all directions, less each block's mean and slope; in dB."""
    size = blocks.shape[1]
    steps = np.arange(size, dtype=np.float32) / size - 0.5
    plane = np.column_stack([np.ones(size * size), np.tile(steps, size), np.repeat(steps, size)])
    level = np.linalg.qr(plane)[0].astype(np.float32)
    flat = blocks.reshape(len(blocks), -1)
    flat = flat - (flat @ level) @ level.T
    taper = np.hanning(size + 2)[1:-1].astype(np.float32)
    window = taper[:, None] * taper / (taper @ taper)
    spectrum = np.abs(scipy.fft.rfft2(flat.reshape(blocks.shape) * window)) ** 2
    band = np.digitize(np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)), BANDS) - 1
    share = (band.reshape(-1, 1) == np.arange(len(MIDDLES))).astype(np.float32)
    return 10 * np.log10(spectrum.reshape(len(blocks), -1) @ (share / share.sum(axis=0)) + 1e-12)


def _blur_px(power_db: np.ndarray, noise_db: np.ndarray, fall_db: float, ends: float) -> np.ndarray:
    """Sigma (N,) of the blur that takes a texture that falls by `fall_db` a decade down to the noise where it meets it.

    0 where it does not need one, or where detail goes on beyond `ends` cycles a pixel.
    """
    over = power_db - noise_db[:, None] - ABOVE_DB
    first = np.where((over > 0).all(axis=1), len(MIDDLES), np.argmin(over > 0, axis=1))  # band that meets the noise
    row, at = np.arange(len(over)), np.clip(first, 1, len(MIDDLES) - 1)
    before, after = over[row, at - 1], over[row, at]
    meets = MIDDLES[at - 1] + (MIDDLES[at] - MIDDLES[at - 1]) * before / np.maximum(before - after, 1e-6)
    meets = np.where(first == 0, MIDDLES[0], np.where(first == len(MIDDLES), BANDS[-1], meets))
    lost = over[:, 0] - fall_db * np.log10(np.maximum(meets / MIDDLES[0], 1.0))
    squares = np.maximum(lost, 0) / (GAUSS_DB * np.maximum(meets**2 - MIDDLES[0] ** 2, 1e-6))
    return np.sqrt(np.where((first == 0) | (meets >= ends), 0.0, squares))
