"""Composites: openings and marks drawn on surfaces of our drawing, or on rendered faces, with the maps of what is true."""

from __future__ import annotations

import cv2
import numpy as np

from specimeter.scene import shapes
from specimeter.training import marks, openings, prints, relief, texture
from specimeter.training.noise import smooth, soft_step
from specimeter.training.sample import CHANNELS, Sample, cover, weight_of

SIZE_PX = 384
FATIGUE = 0.25  # of the reliefs: a long crack through paint or along a bead
FOREIGN = 0.02  # of the composites without a face: ground that is no metal; of more, smooth dark openings are taken for print


def outlines(seed: int) -> Sample:
    """Openings alone, most of them small: colours are drawn later, on the accelerator (`bend_forms`)."""
    rng = np.random.default_rng([seed, 16])
    planes = np.zeros((len(CHANNELS), SIZE_PX, SIZE_PX), np.uint8)
    planes[6] = 255
    if rng.random() < 0.3:
        planes[6] = np.where(_side(rng) + rng.choice([0.0, 3.0]) * smooth(rng, SIZE_PX, 5) < 0, 255, 0)
    span = int(rng.choice([50, 80, 160, SIZE_PX], p=[0.35, 0.3, 0.15, 0.2]))
    drawn = _openings(rng, planes, count=int(rng.choice([0, 3, 6, 10, 14]) * (1 if span < SIZE_PX else 0.5)), span=span)
    planes[7] = weight_of(planes[3])
    return Sample(planes=planes, centres_px=np.array([place for place, _, _ in drawn], float).reshape(-1, 2))


def composite(seed: int, background: Sample | None = None) -> Sample:
    """One composite, 384 px square; on a piece of a rendered face if one is given, else on a texture or a shaded relief."""
    rng = np.random.default_rng([seed, 2])
    planes = np.zeros((len(CHANNELS), SIZE_PX, SIZE_PX), np.uint8)
    planes[6] = 255
    if background is None and rng.random() < FOREIGN:
        rgb, centres = _foreign(rng, planes)
    elif background is None and rng.random() < 0.5:
        rgb, centres = _relief(rng, planes)
    else:
        rgb, centres = _painted(rng, planes, background)
    if rng.random() < 0.35:  # things may lie over openings too, as long as they do not hide them
        _distract(rng, rgb, planes)
    planes[5][planes[3] > 0] = 0
    planes[7] = weight_of(planes[3])
    coded = np.clip(rgb, 0, 1) ** np.float32(1 / 2.2)
    planes[:3] = np.round(255 * coded).astype(np.uint8).transpose(2, 0, 1)
    return Sample(planes=planes, centres_px=np.array(centres, float).reshape(-1, 2))


def _foreign(rng: np.random.Generator, planes: np.ndarray) -> tuple[np.ndarray, list]:
    """Print, paper, cloth, wood or a room, whole or beside metal; nothing in it is an opening."""
    rgb, planes[5] = prints.ground(rng, SIZE_PX)
    planes[8] = 255
    lot = rng.random()
    if lot < 0.3:
        _edge_of_specimen(rng, rgb, planes)
    elif lot < 0.45:
        beside = soft_step(_side(rng), 0, rng.uniform(0.4, 1.5))[..., None].astype(np.float32)
        rgb += (texture.surface(rng, SIZE_PX) - rgb) * beside
        planes[5][beside[..., 0] > 0.5] = 0
        planes[8][beside[..., 0] > 0.5] = 0
    return rgb, []


def _relief(rng: np.random.Generator, planes: np.ndarray) -> tuple[np.ndarray, list]:
    """A height field with its openings in it, then marks; enters both into the maps."""
    fatigue = rng.random() < FATIGUE
    body = relief.skin(rng, SIZE_PX, kind=int(rng.choice([0, 0, 8])) if fatigue else None)
    drawn = [(place, share) for place, share, _ in _openings(rng, planes, long_crack=fatigue)]
    share = planes[3].astype(np.float32) / 255
    rgb = relief.shaded(rng, body, share)
    if planes[4].any() and rng.random() < (0.5 if fatigue else 0.3):
        openings.stain(rng, rgb, planes[4].astype(np.float32) / 255)
    if rng.random() < 0.3:
        _edge_of_specimen(rng, rgb, planes)
        planes[3:5][:, planes[6] == 0] = 0
    for _ in range(int(rng.choice([0, 1, 2, 4]))):
        _distract(rng, rgb, planes)
    return rgb, [place for place, _ in drawn]


def _painted(rng: np.random.Generator, planes: np.ndarray, background: Sample | None) -> tuple[np.ndarray, list]:
    """A texture or a piece of a face with marks, and openings carved into it; enters both into the maps."""
    if background is None:
        rgb = texture.surface(rng, SIZE_PX)
        if rng.random() < 0.15:
            other = texture.surface(rng, SIZE_PX)  # a weld, an etched band: another surface beyond a wavy line
            step = soft_step(_side(rng) + rng.uniform(0, 6) * smooth(rng, SIZE_PX, 8), 0, rng.uniform(0.7, 6))
            rgb = rgb + (other * rng.uniform(0.6, 1.4) - rgb) * step[..., None].astype(np.float32)
        if rng.random() < 0.4:
            _edge_of_specimen(rng, rgb, planes)
    else:
        rgb, planes[3:7] = _piece(rng, background)
        if rng.random() < 0.3:
            rgb = rgb * (texture.surface(rng, SIZE_PX) / 0.25) ** np.float32(rng.uniform(0.2, 0.8))
    for _ in range(int(rng.choice([0, 1, 2, 4]))):
        _distract(rng, rgb, planes)
    centres = []
    for place, share, crack in _openings(rng, planes):
        if crack and rng.random() < 0.3:
            openings.stain(rng, rgb, share.astype(np.float32) / 255)
        openings.carve(rng, rgb, share.astype(np.float32) / 255)
        centres.append(place)
    return rgb, centres


def _openings(
    rng: np.random.Generator, planes: np.ndarray, long_crack: bool = False, count: int | None = None, span: int = SIZE_PX
) -> list[tuple[np.ndarray, np.ndarray, bool]]:
    """Openings apart from each other, six at most unless `count` says how many, for a picture of `span` pixels.

    They are entered into the maps; of each its place, share of each pixel, whether it is a crack.
    """
    drawn = []
    count = int(rng.choice([0, 1, 1, 2, 3, 4, 6])) if count is None else count
    for number in range(max(count, int(long_crack))):
        first = long_crack and number == 0
        parts, crack = openings.outline(rng, span, int(rng.choice(openings.LONG_CRACKS)) if first else None)
        place, angle = _place(rng, planes[6]), rng.uniform(0, 2 * np.pi)
        if rng.random() < 0.2 and planes[5].any():  # on a scratch, beside a stain
            rows, columns = np.nonzero(planes[5])
            k = int(rng.integers(len(rows)))
            place = np.array([columns[k], rows[k]], float)
        share = np.zeros((SIZE_PX, SIZE_PX), np.uint8)
        for part in parts:
            np.maximum(share, cover(shapes.turn(part, angle, place), share.shape), out=share)
        near = cv2.dilate(share, np.ones((5, 5), np.uint8)) > 0
        if not near.any():
            continue
        if (planes[3][near] > 0).any() or (planes[8][near] > 0).mean() > 0.3:  # nothing opens in a label
            continue
        drawn.append((place, share, crack))
        share = np.minimum(share, planes[6])
        planes[3] = np.maximum(planes[3], share)
        if crack:
            planes[4] = np.maximum(planes[4], share)
    return drawn


def _distract(rng: np.random.Generator, rgb: np.ndarray, planes: np.ndarray) -> None:
    """Something that is no opening, beneath or beside the openings."""
    mark, foreign, drawn = planes[5].copy(), planes[8].copy(), rgb.copy()
    marks.distract(rng, drawn, mark, foreign)
    held = cv2.dilate(planes[3], np.ones((3, 3), np.uint8)) > 0
    np.copyto(rgb, drawn, where=~held[..., None])
    planes[5], planes[8] = mark, np.where(held, planes[8], foreign)


def _side(rng: np.random.Generator) -> np.ndarray:
    """Signed distance, in px, from a random straight line across the picture."""
    turn = rng.uniform(0, 2 * np.pi)
    y, x = np.mgrid[:SIZE_PX, :SIZE_PX].astype(np.float32)
    return (x - rng.uniform(0.1, 0.9) * SIZE_PX) * np.cos(turn) + (y - rng.uniform(0.1, 0.9) * SIZE_PX) * np.sin(turn)


def _edge_of_specimen(rng: np.random.Generator, rgb: np.ndarray, planes: np.ndarray) -> None:
    """Beyond a line lies something else, often dark; the examined area ends there, give or take a few pixels."""
    away = _side(rng) + rng.choice([0.0, 3.0]) * smooth(rng, SIZE_PX, 5)
    beyond = soft_step(away, 0, rng.uniform(0.3, 2))[..., None].astype(np.float32)
    rounded = soft_step(away, -rng.uniform(2, 20), rng.uniform(1, 8))[..., None].astype(np.float32)
    rgb *= 1 + rounded * rng.uniform(-0.8, 1.0)
    rgb += (texture.surface(rng, SIZE_PX) * np.exp(rng.uniform(-3.5, 1.0)) - rgb) * beyond
    planes[6] = np.where(away < rng.normal(0, 2.5), 255, 0).astype(np.uint8)


def _piece(rng: np.random.Generator, background: Sample) -> tuple[np.ndarray, np.ndarray]:
    """A piece of a rendered face in linear light, and its maps from `feature` to `area`; turned and mirrored."""
    planes = background.planes
    pad = [max(0, SIZE_PX - n) for n in planes.shape[1:]]
    if any(pad):
        planes = np.pad(
            planes, ((0, 0), (0, pad[0]), (0, pad[1])), mode="reflect" if max(pad) < min(planes.shape[1:]) else "edge"
        )
    row, column = (int(rng.integers(0, n - SIZE_PX + 1)) for n in planes.shape[1:])
    piece = planes[:, row : row + SIZE_PX, column : column + SIZE_PX]
    piece = np.rot90(piece, int(rng.integers(4)), axes=(1, 2))
    if rng.random() < 0.5:
        piece = piece[:, :, ::-1]
    return ((piece[:3].transpose(1, 2, 0) / np.float32(255)) ** np.float32(2.2)), piece[3:7]


def _place(rng: np.random.Generator, area: np.ndarray) -> np.ndarray:
    """Somewhere within the area; sometimes on its border, where tears begin."""
    if rng.random() < 0.3 and (area == 0).any():
        border = cv2.morphologyEx((area > 0).astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
        rows, columns = np.nonzero(border)
    else:
        rows, columns = np.nonzero(area[::4, ::4])
        rows, columns = rows * 4, columns * 4
    if not len(rows):
        return rng.uniform(0.1, 0.9, 2) * SIZE_PX
    k = int(rng.integers(len(rows)))
    return np.array([columns[k], rows[k]], float)
