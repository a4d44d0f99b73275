"""The photograph with its scale drawn on it: marks found, how far they miss the fit, a grid of centimetres."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike
from PIL import Image

from specimeter.photo import Photo
from specimeter.report.pen import DARK, Style, lines, plate, stroke, text_size
from specimeter.scale.model import Scale
from specimeter.scale.surface import Flat

LEAST_PX, MOST_PX = 900, 2400  # long side of the picture
MAGNIFIED = 200  # residuals are drawn so many times as long
MARKS_MAGNIFIED = 50  # those of a rule's marks
_STEP_MM = 10.0
_MOST_LINES = 60
_FOUND = Style(colour=(255, 221, 87))
_MISS = (255, 120, 90)
_GRID = (140, 226, 255)


def draw(photo: Photo, scale: Scale) -> Image.Image:
    """The photograph, 900 to 2400 px long, with what the scale rests on.

    Markers: their outlines as found, and on each edge how far it lies off the fit, 200 times enlarged. A rule: its marks as
    found, and how far each lies off its place, 50 times enlarged. A known length: its two ends. Over everything a grid of
    10 mm on the measured surface's plane: held against the specimen it shows at once whether the scale is right.
    """
    long_side = max(photo.width_px, photo.height_px)
    factor = long_side / min(max(long_side, LEAST_PX), MOST_PX)
    size = (round(photo.width_px / factor), round(photo.height_px / factor))
    rgb = photo.rgb if photo.rgb.dtype == np.uint8 else (photo.rgb >> 8).astype(np.uint8)
    picture = np.ascontiguousarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA if factor > 1 else cv2.INTER_CUBIC))
    unit = max(1, round(max(size) / 900))

    def place(points_px: ArrayLike) -> np.ndarray:
        return (np.asarray(points_px, float).reshape(-1, 2) + 0.5) / factor - 0.5

    for piece in _grid(photo, scale):
        lines(picture, [place(piece)], _GRID, unit)
    for marker in scale.evidence.get("markers", ()):
        corners = np.array(marker["corners_px"])
        stroke(picture, place(corners), _FOUND, width_px=unit)
        for side, miss in enumerate(marker["residual_px"]):
            first, second = corners[side], corners[(side + 1) % 4]
            along = (second - first) / np.linalg.norm(second - first)
            middle = (first + second) / 2
            tip = middle + miss * MAGNIFIED * np.array([along[1], -along[0]])
            lines(picture, [place([middle, tip])], DARK, 4 * unit)
            lines(picture, [place([middle, tip])], _MISS, 2 * unit)
    for key in ("from_px", "to_px"):
        if key in scale.evidence:
            x, y = place(scale.evidence[key])[0]
            arm = 9.0 * unit
            for ends in ([[x - arm, y], [x + arm, y]], [[x, y - arm], [x, y + arm]]):
                stroke(picture, np.array(ends), _FOUND, width_px=unit, closed=False)
    for point in scale.evidence.get("strip_marks_px", ()):
        x, y = place(point)[0]
        stroke(picture, np.array([[x - 2.0 * unit, y], [x + 2.0 * unit, y]]), _FOUND, width_px=1, closed=False)
        stroke(picture, np.array([[x, y - 2.0 * unit], [x, y + 2.0 * unit]]), _FOUND, width_px=1, closed=False)
    for edge in scale.evidence.get("edges", ()):
        _marks(picture, edge, place, unit)
    return _legend(Image.fromarray(picture), scale, unit)


def _marks(picture: np.ndarray, edge: Mapping[str, Any], place: Callable, unit: int) -> None:
    """One row of marks: each from its outer to its inner place, and beyond it, along the rule, how far it misses the fit."""
    outer, inner, miss = (np.array(edge[key], float) for key in ("outer_px", "inner_px", "residual_mm"))
    if len(outer) < 2:
        return
    along = (outer[-1] - outer[0]) / np.ptp(edge["index"]) / edge["division_mm"]  # pixels a millimetre, towards higher marks
    for one, other, mm in zip(outer, inner, miss, strict=True):
        stroke(picture, place([one, other]), _FOUND, width_px=1, closed=False)
        foot = one + (one - other)
        bar = place([foot, foot + mm * MARKS_MAGNIFIED * along])
        lines(picture, [bar], DARK, 4 * unit)
        lines(picture, [bar], _MISS, 2 * unit)


def _grid(photo: Photo, scale: Scale) -> list[np.ndarray]:
    """Lines 10 mm apart on the measured surface's plane, in pixels, each (N, 2), over all of the picture."""
    flat = Flat(view=scale.view, height_mm=scale.surface_height_mm)
    width, height = photo.width_px - 1.0, photo.height_px - 1.0
    seen = flat.develop(np.array([[0, 0], [width, 0], [width, height], [0, height], [width / 2, height / 2]]))
    seen = seen[np.isfinite(seen).all(axis=1)]
    low, high = np.floor(seen.min(axis=0) / _STEP_MM), np.ceil(seen.max(axis=0) / _STEP_MM)
    step = np.maximum(1, np.ceil((high - low) / _MOST_LINES))
    pieces = []
    for axis in (0, 1):
        run = np.linspace(low[1 - axis], high[1 - axis], 40) * _STEP_MM
        for at in np.arange(low[axis], high[axis] + 1, step[axis]) * _STEP_MM:
            points = np.column_stack([np.full_like(run, at), run])
            pieces.append(flat.project(points if axis == 0 else points[:, ::-1]))
    return pieces


def _legend(image: Image.Image, scale: Scale, unit: int) -> Image.Image:
    """What is drawn, in words, on a band under the picture."""
    size = max(14, 13 * unit)
    said: Sequence[str] = [
        f"grid: 10 mm on the plane {scale.surface_height_mm:.1f} mm over the marker, U {200 * scale.u_rel:.2g} % (k = 2)",
        *([f"squares as found; bars: edges' distance from the fit, {MAGNIFIED} times enlarged"]
          if "markers" in scale.evidence else []),
        *([f"marks as found; bars along the rule: how far each lies off an even rule, {MARKS_MAGNIFIED} times enlarged"]
          if "edges" in scale.evidence else []),
        *([f"small crosses: the strip's millimetre marks as found, {scale.evidence['strip_marks']} of them"]
          if "strip_marks" in scale.evidence else []),
        *(["crosses: the two ends of the known length as used"] if "from_px" in scale.evidence else []),
        *([f"resolution stored in the file: {scale.evidence['dots_per_inch']:.0f} dots an inch"]
          if "dots_per_inch" in scale.evidence else []),
    ]  # fmt: skip
    high = round(1.9 * size)
    page = Image.new("RGB", (image.width, image.height + high * len(said) + size // 2), DARK)
    page.paste(image, (0, 0))
    for row, text in enumerate(said):
        width, _ = text_size(text, size)
        top = image.height + size // 4 + row * high
        plate(page, (size // 2, top, min(size // 2 + width + size, page.width - 2), top + high - 4), text, size)
    return page
