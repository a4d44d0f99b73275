"""A section's constructions on its photograph, and its notches beside two known ones, all drawn to one scale."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from PIL import Image, ImageDraw

from specimeter.record.model import Cut, Record
from specimeter.report.cut import SHORT, radius, said, undercuts
from specimeter.report.pen import DARK, Style, drawable, stroke, text_size, write
from specimeter.report.scale_bar import Place

LAID_DOWN = "dilution"  # measured by an area, what was laid down before the plates' surfaces, and not by a dimension
DIMENSION = Style(colour=(255, 236, 120))
BASE = Style(dashes=(4, 4), colour=(178, 230, 222))
FUSION = Style(dashes=(9, 3, 2, 3), colour=(255, 190, 130))
KNOWN = ((0.4, 0.05), (1.2, 1.0))  # depth and root radius in mm of the two notches that are compared


def strokes(picture: np.ndarray, cut: Cut, place: Place, width_px: float) -> list[tuple[np.ndarray, str, str]]:
    """Draw every construction in place; returns each dimension's line on the picture, its size's name and its short name."""
    if cut.weld_px is not None:
        stroke(picture, place(np.array(cut.weld_px)), FUSION, width_px=0.7 * width_px)
    labelled = []
    for drawn in cut.drawn:
        if drawn.size not in (*SHORT, LAID_DOWN):
            continue
        for line in drawn.lines_px[:1] if drawn.size == LAID_DOWN else drawn.lines_px[1:]:
            stroke(picture, place(np.array(line)), BASE, width_px=0.5 * width_px, closed=False)
    for drawn in cut.drawn:
        if drawn.size in SHORT:
            shown = place(np.array(drawn.lines_px[0]))
            stroke(picture, shown, DIMENSION, width_px=0.8 * width_px, closed=False)
            labelled.append((shown, drawn.size, SHORT[drawn.size]))
    return labelled


def framed(cut: Cut, area_px: np.ndarray) -> np.ndarray:
    """Points that the enlarged picture of a section holds: its weld with all dimensions and a margin; else the whole area."""
    lines = [np.array(drawn.lines_px[0]) for drawn in cut.drawn] + [np.array(drawn.lines_px[-1]) for drawn in cut.drawn[:2]]
    if not lines:
        return area_px
    points = np.concatenate(lines)
    margin = 0.25 * float(np.ptp(points, axis=0).max())
    return np.array([points.min(axis=0) - margin, points.max(axis=0) + margin])


def label(record: Record, name: str, short: str, say: Callable[[str], str] = str) -> str:
    """What stands beside a dimension; `say` puts it into another language."""
    return drawable(f"{say(short)} {say(said(record, name) or '')}".strip().replace("²", "2"))


def notches(record: Record, width: int, height: int, say: Callable[[str], str] = str) -> Image.Image:
    """The record's undercuts beside a shallow sharp and a deep round one, all to one scale, with their factors."""
    shapes = [
        (*_known(depth, r), f"{depth:g} mm deep, root {r:g} mm: x {1 + 2 * np.sqrt(depth / r):.1f}") for depth, r in KNOWN
    ]
    for one, feature in undercuts(record):
        outline = _own(np.array(one.fitted_px), feature.depth_mm or 0.0)
        factor = f"x {one.stress_concentration:.1f}" + ("" if one.root_radius_mm else " or more")
        shapes.append((outline, f"{one.feature}: {feature.depth_mm:.2f} mm deep, root {radius(one)}: {factor}"))
    page = Image.new("RGB", (width, height), (251, 250, 247))
    pen = ImageDraw.Draw(page)
    cell = width / len(shapes)
    size = max(11, round(height / 12))
    room = height - 2.9 * size
    captions = [[drawable(line) for line in say(text).replace(", ", ",\n", 1).split("\n")] for _, text in shapes]
    while size > 8 and max(text_size(line, size)[0] for caption in captions for line in caption) > 0.96 * cell:
        size -= 1
    scale = min(
        0.8 * cell / max(np.ptp(shape[:, 0]) for shape, _ in shapes),
        0.82 * room / max(shape[:, 1].max() for shape, _ in shapes),
    )
    for k, ((shape, _), caption) in enumerate(zip(shapes, captions, strict=True)):
        left, right, top = k * cell + 0.06 * cell, (k + 1) * cell - 0.06 * cell, 0.06 * room
        middle = (left + right) / 2
        points = [(middle + (x - np.mean(shape[[0, -1], 0])) * scale, top + max(y, 0) * scale) for x, y in shape]
        pen.polygon([(left, top), *points, (right, top), (right, room), (left, room)], fill=(196, 200, 204), outline=DARK)
        for line, text in enumerate(caption):
            down = 1.25 * size * (line - 0.5 * (len(caption) - 1))
            write(pen, (middle, room + 0.5 * (height - room) + down), text, size, anchor="mm")
    return page


def _known(depth: float, r: float, half_deg: float = 25.0) -> tuple[np.ndarray]:
    half = np.radians(half_deg)
    turn = np.linspace(np.pi - half, half, 60)
    root = np.column_stack([r * np.cos(turn), depth - r + r * np.sin(turn)])
    if root[:, 1].min() <= 0:  # the arc itself reaches the surface
        return (root[root[:, 1] > 0],)
    reach = r * np.cos(half) + root[0, 1] * np.tan(half)
    return (np.concatenate([[[-reach, 0.0]], root, [[reach, 0.0]]]),)


def _own(fitted_px: np.ndarray, depth_mm: float) -> np.ndarray:
    """A fitted notch turned so that its depth points down, in mm."""
    ends = fitted_px[-1] - fitted_px[0]
    along = ends / max(float(np.hypot(*ends)), 1e-9)
    down = np.array([-along[1], along[0]])
    local = (fitted_px - fitted_px[0]) @ np.column_stack([along, down])
    if local[np.argmax(np.abs(local[:, 1])), 1] < 0:
        local[:, 1] *= -1
    return local * depth_mm / max(float(local[:, 1].max()), 1e-9)
