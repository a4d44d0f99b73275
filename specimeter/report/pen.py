"""Lines and lettering that stay legible on any metal: a light stroke over a dark one, kinds told apart by dashes."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

Colour = tuple[int, int, int]
DARK: Colour = (15, 24, 31)
LIGHT: Colour = (250, 248, 240)
_SHIFT = 4  # cv2 draws to 1/16 px


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """How one kind is drawn: lengths of strokes and gaps in line widths (none: solid), and a light colour."""

    dashes: tuple[float, ...] = ()
    colour: Colour = LIGHT


STYLES = {
    "opening": Style(colour=(255, 221, 87)),
    "crack": Style(dashes=(9, 4), colour=(140, 226, 255)),
    "pore": Style(dashes=(2, 3), colour=LIGHT),
    "slag": Style(dashes=(5, 4), colour=(255, 190, 214)),
    "undercut": Style(dashes=(14, 4), colour=(190, 240, 170)),
}
_FUSION = Style(dashes=(9, 3, 2, 3), colour=(255, 190, 130))
_OTHER = Style(dashes=(4, 3, 4, 7), colour=(214, 200, 255))
_AREA = Style(colour=(178, 230, 222))


def style_of(kind: str) -> Style:
    """The style of a feature's kind; kinds of missing fusion share one, all the rest another."""
    return STYLES.get(kind, _FUSION if kind.startswith("lack-of") else _OTHER)


def stroke(picture: np.ndarray, points_px: np.ndarray, style: Style = _AREA, *, width_px: float, closed: bool = True) -> None:
    """Draw a line in place on uint8 RGB (H, W, 3) through [x, y] points, shape (N, 2): a light line over a dark one."""
    points = np.asarray(points_px, float).reshape(-1, 2)
    if closed:
        points = np.vstack([points, points[:1]])
    light = max(1, round(width_px))
    casing = light + 2 * max(1, round(0.6 * width_px))
    pieces = dash(points, tuple(step * max(width_px, 1.5) for step in style.dashes))
    lines(picture, pieces, DARK, casing)
    lines(picture, pieces, style.colour, light)


def lines(picture: np.ndarray, pieces: list[np.ndarray], colour: Colour, thickness: int) -> None:
    """Draw open lines, each (N, 2) in [x, y], in place, to a sixteenth of a pixel."""
    fixed = [np.round(piece * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2) for piece in pieces]
    cv2.polylines(picture, fixed, False, colour, thickness, cv2.LINE_AA, _SHIFT)


def dash(points_px: np.ndarray, pattern_px: tuple[float, ...]) -> list[np.ndarray]:
    """Cut a line, shape (N, 2), into strokes along its length: stroke, gap, stroke, gap, ... in pixels; empty: one piece."""
    if not pattern_px or len(points_px) < 2:
        return [points_px]
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points_px, axis=0), axis=1))])
    if along[-1] < sum(pattern_px):
        return [points_px]
    repeats = max(1, round(along[-1] / sum(pattern_px)))
    pattern = np.array(pattern_px) * along[-1] / (repeats * sum(pattern_px))  # a whole number of repeats: no broken seam
    ends = np.concatenate([[0.0], np.cumsum(np.tile(pattern, repeats))])
    pieces = []
    for start, stop in zip(ends[0:-1:2], ends[1::2], strict=True):
        inside = along[(along > start) & (along < stop)]
        at = np.concatenate([[start], inside, [min(stop, along[-1])]])
        pieces.append(np.column_stack([np.interp(at, along, points_px[:, axis]) for axis in (0, 1)]))
    return pieces


_DOTTED = str.maketrans("äöüÄÖÜ", "aouAOU")  # the shipped lettering has the letters without their dots, which `write` adds
_HAD = "±°…·äöüÄÖÜ"
_TWO = dict(zip("ß–—−×µ", ("ss", "-", "-", "-", "x", "u"), strict=True))


@lru_cache(maxsize=16)
def font(size_px: int) -> ImageFont.FreeTypeFont:
    """The lettering that ships with Pillow, at a size in pixels."""
    lettering = ImageFont.load_default(size_px)
    assert isinstance(lettering, ImageFont.FreeTypeFont)  # Pillow is built with FreeType wherever it has a wheel
    return lettering


def drawable(text: str) -> str:
    """The text in letters that the shipped lettering has: umlauts as they are, other accents dropped, the rest as ``?``.

    >>> drawable("Größe 7,45 ± 0,51 mm, José")
    'Grösse 7,45 ± 0,51 mm, Jose'
    """
    return "".join(letter if letter.isascii() or letter in _HAD else _spelt(letter) for letter in text)


def _spelt(letter: str) -> str:
    base = unicodedata.normalize("NFKD", letter).encode("ascii", "ignore").decode()
    return _TWO.get(letter) or base or "?"


def text_size(text: str, size_px: int) -> tuple[int, int]:
    """Width and height in pixels of one line of text."""
    left, _, right, _ = font(size_px).getbbox(text.translate(_DOTTED))
    return int(np.ceil(right - left)), round(1.25 * size_px)


def write(
    pen: ImageDraw.ImageDraw,
    at: tuple[float, float],
    text: str,
    size_px: int,
    *,
    fill: Colour = DARK,
    anchor: str = "la",
    casing: tuple[int, Colour] | None = None,
) -> None:
    """One line of `drawable` text at [x, y]; `anchor` as Pillow has it. `casing`: width and colour of a rim."""
    face, plain = font(size_px), text.translate(_DOTTED)
    ascent, descent = face.getmetrics()
    x = at[0] - {"l": 0.0, "m": 0.5, "r": 1.0}[anchor[0]] * face.getlength(plain)
    y = at[1] + {"a": ascent, "m": (ascent - descent) / 2, "b": -descent, "s": 0.0}[anchor[1]]
    rim: dict[str, Any] = {} if casing is None else {"stroke_width": casing[0], "stroke_fill": casing[1]}
    pen.text((x, y), plain, font=face, fill=fill, anchor="ls", **rim)
    dots = []
    for place, (letter, base) in enumerate(zip(text, plain, strict=True)):
        if letter != base:
            left, top, right, _ = face.getbbox(base, anchor="ls")
            middle = x + face.getlength(plain[:place]) + (left + right) / 2
            dots += [(middle + side * 0.13 * size_px, y + top - 0.11 * size_px) for side in (-1, 1)]
    for radius, colour in [*([(0.06 * size_px + casing[0], casing[1])] if casing else []), (0.06 * size_px, fill)]:
        for dot in dots:
            pen.ellipse((dot[0] - radius, dot[1] - radius, dot[0] + radius, dot[1] + radius), fill=colour)


def plate(
    picture: Image.Image, box: tuple[float, float, float, float], text: str, size_px: int, *, struck: bool = False
) -> None:
    """A light plate with dark lettering in the middle of `box` (left, top, right, bottom)."""
    draw = ImageDraw.Draw(picture)
    line = max(1, size_px // 12)
    draw.rounded_rectangle(box, radius=size_px // 4, fill=LIGHT, outline=DARK, width=line)
    middle = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
    write(draw, middle, text, size_px, anchor="mm")
    if struck:
        draw.line([(box[0] + line, middle[1]), (box[2] - line, middle[1])], fill=DARK, width=max(2, size_px // 9))
