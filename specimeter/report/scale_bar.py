"""A scale bar of round length, laid along the bend axis at the place where its length holds."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageDraw

from specimeter.report.pen import DARK, LIGHT, lines, text_size, write
from specimeter.scale.surface import Surface

Place = Callable[[np.ndarray], np.ndarray]  # pixels of the photograph, shape (N, 2) -> pixels of the drawing
Box = tuple[float, float, float, float]  # left, top, right, bottom
CORNERS = ((1, 1), (0, 1), (1, 0), (0, 0))  # bottom right first


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bar:
    """A bar ready to be drawn: its vector in pixels of the drawing, shape (2,), its length and its text."""

    vector_px: np.ndarray
    length_mm: float
    text: str


def round_length(room_mm: float) -> float:
    """The greatest of 1, 2, 5 times a power of ten that is at most `room_mm`.

    >>> [round_length(room) for room in (0.7, 2.0, 49.0, 51.0)]
    [0.5, 2.0, 20.0, 50.0]
    """
    power = math.floor(math.log10(room_mm) + 1e-12)
    step = next(step for step in (5, 2, 1) if step * 10.0**power <= room_mm * (1 + 1e-12))
    return float(f"{step}e{power}")


def make(
    surface: Surface, at_mm: np.ndarray, place: Place, *, room_px: float, note: str = "", say: Callable[[str], str] = str
) -> Bar | None:
    """The bar for the developed point [s, a] `at_mm`, at most about `room_px` long; None where the surface is not seen.

    It lies along the bend axis (flat: along x), where a bend does not foreshorten; its ends are projected through the camera,
    so that at its place it is exact.
    """
    along = np.array([0.0, 1.0]) if surface.shape == "bend" else np.array([1.0, 0.0])

    def vector(length_mm: float) -> np.ndarray:
        ends = place(surface.project(np.asarray(at_mm, float) + np.outer([-0.5, 0.5], along * length_mm)))
        return ends[1] - ends[0]

    px_per_mm = float(np.linalg.norm(vector(1.0)))
    if not (math.isfinite(px_per_mm) and px_per_mm > 0):
        return None
    length_mm = round_length(room_px / px_per_mm)
    return Bar(vector_px=vector(length_mm), length_mm=length_mm, text=say(f"{length_mm:g} mm{note}"))


def box(bar: Bar, width: int, height: int, unit: int, *, corner: tuple[int, int]) -> Box:
    """The room that the bar and its text take in a corner (0 left or top, 1 right or bottom) of a drawing."""
    dx, dy = np.abs(bar.vector_px)
    pad = 0.5 * unit
    text_width, text_height = text_size(bar.text, round(0.9 * unit))
    wide, tall = (dx + text_width + 3 * pad, max(dy, text_height) + 2 * pad)
    if dx >= dy:
        wide, tall = max(dx, text_width) + 2 * pad, dy + text_height + 2.6 * pad
    left = pad if corner[0] == 0 else width - wide - pad
    top = pad if corner[1] == 0 else height - tall - pad
    return (left, top, left + wide, top + tall)


def clear_box(bar: Bar, width: int, height: int, unit: int, *, hide_little: np.ndarray, hide_none: Sequence[np.ndarray]) -> Box:
    """The corner's box that hides least of one polygon and, above all, nothing of the others; polygons are (N, 2) in [x, y]."""
    cost = np.zeros((height, width), np.uint8)
    for polygon, value in [(hide_little, 1), *((outline, 200) for outline in hide_none)]:
        cv2.fillPoly(cost, [np.round(polygon).astype(np.int32).reshape(-1, 1, 2)], value)
    boxes = [box(bar, width, height, unit, corner=corner) for corner in CORNERS]
    return min(
        boxes, key=lambda b: int(cost[max(0, int(b[1])) : int(b[3]) + 1, max(0, int(b[0])) : int(b[2]) + 1].sum(dtype=np.int64))
    )


def draw(image: Image.Image, bar: Bar, where: Box, unit: int) -> None:
    """Draw the bar with end ticks and its text, in place."""
    vector, pad, size = bar.vector_px, 0.5 * unit, round(0.9 * unit)
    dx, dy = np.abs(vector)
    pen = ImageDraw.Draw(image)
    outlined: dict[str, Any] = {"fill": LIGHT, "casing": (max(2, size // 6), DARK)}
    if dy > dx:
        middle = np.array([where[0] + pad + dx / 2, (where[1] + where[3]) / 2])
        write(pen, (where[0] + 2 * pad + dx, middle[1]), bar.text, size, anchor="lm", **outlined)
    else:
        middle = np.array([(where[0] + where[2]) / 2, where[1] + 0.9 * pad + dy / 2])
        write(pen, (middle[0], where[3] - 0.5 * pad), bar.text, size, anchor="mb", **outlined)
    ends = middle + np.outer([-0.5, 0.5], vector)
    tick = np.array([-vector[1], vector[0]]) / np.linalg.norm(vector) * 0.22 * unit
    strokes = [ends, *(np.array([end - tick, end + tick]) for end in ends)]
    picture = np.array(image)
    light = max(2, unit // 10)
    for colour, thickness in ((DARK, light + 2 * max(2, unit // 12)), (LIGHT, light)):
        lines(picture, strokes, colour, thickness)
    image.paste(Image.fromarray(picture))
