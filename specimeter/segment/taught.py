"""Finding by example: strokes over "this" and "not this" teach a forest on the spot, which then finds more of it nearby."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import skimage

from specimeter.errors import OutlineError
from specimeter.photo import Photo
from specimeter.segment import forest
from specimeter.segment.border import Patch, border
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.segment.network import inside
from specimeter.segment.sharpness import blur_of

MOST_PX = 220_000  # of the window that is looked at: what can be taught and searched in a second
REACH_PX = 60  # of surroundings about the strokes, at least
SIGMA_PX = (0.7, 6.0)  # scales of the figures
LEAST_CHANCE = 0.5
LEAST_PX = 6
MARGIN_PX = 6

Strokes = Sequence[np.ndarray]


def taught(
    photo: Photo,
    area: ExaminedArea,
    this_px: Strokes,
    not_px: Strokes,
    *,
    radius_px: float = 1.5,
    within_px: np.ndarray | None = None,
) -> list[Outline]:
    """What looks like the strokes over "this" and unlike those over "not this", outlined at the half-level of its edge.

    Parameters
    ----------
    photo : Photo
    area : ExaminedArea
        Nothing is found outside.
    this_px, not_px : sequences of arrays, each (N, 2)
        Strokes [x, y]; a single point is a dab.
    radius_px : float
        Of the brush.
    within_px : array, shape (2, 2), optional
        Corners of the part of the picture to search, as the window shows it; without it the strokes and 60 pixels around them.
        A part larger than 0.2 megapixels is searched at a coarser sampling.

    Returns
    -------
    list of Outline
        Found by "taught"; the confidence is the mean chance that the forest gives its pixels, not a calibrated one.

    Raises
    ------
    OutlineError
        If either kind of stroke is missing, they do not differ, or nothing like them is there.
    """
    for strokes, name in ((this_px, "this"), (not_px, "not this")):
        if not any(len(stroke) for stroke in strokes):
            raise OutlineError(
                f'there is no stroke over "{name}"',
                expected='one stroke or more over "this" and over "not this"',
                mend="draw a stroke over each",
            )
    low, zoom, rgb = _window(photo.rgb, [*this_px, *not_px], within_px)
    size = rgb.shape[:2]
    this, other = (_under(strokes, low, zoom, radius_px, size) for strokes in (this_px, not_px))
    this &= ~other
    if not (this.any() and other.any()):
        raise OutlineError(
            'the strokes over "this" and "not this" lie on one another, or beyond the picture', mend="draw them apart"
        )
    figures = _figures(rgb)
    chosen = this | other
    trees = forest.fit(figures[chosen], this[chosen])
    chance = forest.chance(trees, figures.reshape(-1, figures.shape[2])).reshape(size)
    usable = inside(area, size, zoom, low)
    chance = np.where(usable & ~other, cv2.GaussianBlur(chance, (0, 0), 0.6), 0).astype(np.float32)
    found = _outlines(photo, area, chance, low, zoom)
    if not found:
        raise OutlineError("nothing like these strokes was found", mend='draw more of "this", and of what it was taken for')
    return found


def _window(rgb: np.ndarray, strokes: Strokes, within_px: np.ndarray | None) -> tuple[np.ndarray, float, np.ndarray]:
    """Top-left pixel [x, y] of the part looked at, its pixels to one of the photograph's, and that part, coded 0 to 1."""
    height, width = rgb.shape[:2]
    points = np.concatenate([np.asarray(stroke, float).reshape(-1, 2) for stroke in strokes])
    corners = np.vstack([points - REACH_PX, points + REACH_PX] if within_px is None else [np.asarray(within_px, float), points])
    low = np.clip(np.floor(corners.min(axis=0)), 0, [width - 2, height - 2]).astype(int)
    high = np.clip(np.ceil(corners.max(axis=0)) + 1, low + 2, [width, height]).astype(int)
    piece = rgb[low[1] : high[1], low[0] : high[0]]
    zoom = min(1.0, float(np.sqrt(MOST_PX / np.prod(high - low))))
    if zoom < 1:
        size = tuple(int(n) for n in np.maximum(np.round((high - low) * zoom), 2))
        piece = cv2.resize(piece, size, interpolation=cv2.INTER_AREA)
    top = 65535.0 if piece.dtype == np.uint16 else 255.0
    return low.astype(float), zoom, piece.astype(np.float32) / np.float32(top)


def _under(strokes: Strokes, low: np.ndarray, zoom: float, radius_px: float, size: tuple[int, int]) -> np.ndarray:
    mask = np.zeros(size, np.uint8)
    for stroke in strokes:
        points = (np.asarray(stroke, float).reshape(-1, 2) - low + 0.5) * zoom - 0.5
        fixed = np.round(points * 16).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(mask, [fixed], False, 1, max(1, round(2 * radius_px * zoom)), shift=4)
    return mask > 0


def _figures(rgb: np.ndarray) -> np.ndarray:
    """Intensity, edges and texture at five scales (scikit-image), and two colours; float32 (H, W, F)."""
    grey = rgb.mean(axis=2)
    figures = skimage.feature.multiscale_basic_features(
        grey, intensity=True, edges=True, texture=True, sigma_min=SIGMA_PX[0], sigma_max=SIGMA_PX[1], num_sigma=4
    )
    smooth = cv2.GaussianBlur(rgb, (0, 0), 1.0)
    colours = np.dstack([smooth[..., 0] - smooth[..., 1], smooth[..., 2] - smooth[..., 1]])
    wide = cv2.GaussianBlur(grey, (0, 0), 4 * SIGMA_PX[1])
    return np.dstack([figures, colours, grey / np.maximum(wide, 0.02)]).astype(np.float32)


def _outlines(photo: Photo, area: ExaminedArea, chance: np.ndarray, low: np.ndarray, zoom: float) -> list[Outline]:
    _, labels, stats, _ = cv2.connectedComponentsWithStats((chance > LEAST_CHANCE).astype(np.uint8), connectivity=8)
    light, blur, found = photo.linear(), blur_of(photo, area), []
    for label, (x, y, width, height, size) in enumerate(stats.reshape(-1, 5)):
        if label == 0 or size < LEAST_PX:
            continue
        top, left = max(y - MARGIN_PX, 0), max(x - MARGIN_PX, 0)
        box = np.s_[top : y + height + MARGIN_PX, left : x + width + MARGIN_PX]
        mine = labels[box] == label
        near = cv2.dilate(mine.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        share = np.where(near, chance[box], 0).astype(np.float32)
        edge = border(Patch(share=share, corner_px=np.array([left, top], float), zoom=zoom, offset_px=low), light, blur)
        if edge is None:
            continue
        sure = float(chance[box][mine].mean())
        found.append(
            Outline(
                outline_px=edge.outline_px,
                kind="opening",
                confidence=sure,
                u_edge_px=edge.u_edge_px,
                u_tip_px=edge.u_tip_px,
                found_by="taught",
                evidence={"mean_chance": round(sure, 3), "drawn_by_light": round(edge.drawn_by_light, 3)},
            )
        )
    return sorted(found, key=lambda one: -one.confidence)
