"""The photograph with what was found drawn on it: numbered outlines, examined area, scale bar, and the largest enlarged."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageDraw

from specimeter.photo import Photo
from specimeter.record.model import Feature, Record
from specimeter.record.rebuild import area_of, crown_line_mm, surface_of
from specimeter.report import cut_drawing, labels, scale_bar, words
from specimeter.report.cut import undercuts
from specimeter.report.pen import DARK, LIGHT, Style, drawable, plate, stroke, style_of, text_size, write
from specimeter.rounding import plus_minus
from specimeter.scale.surface import Surface
from specimeter.segment.model import ExaminedArea

LONG_SIDE_PX = 2400
WIDTH_PX = 1900
MOST_ZOOM, MOST_ZOOM_OF_CUT = 3.0, 8.0  # a cut's weld may be small in the photograph, and bears the letters of a dozen sizes
INSETS = 4
LABELLED = 200  # above this many, the largest ones are numbered and the rest only outlined
DIMMED = 0.62  # brightness of what was not examined
_PAPER = (251, 250, 247)
_AREA = Style(colour=(178, 230, 222))
_FRAME = Style(dashes=(6, 4))
_LENGTH = Style(dashes=(3, 3))


Say = Callable[[str], str]
Cell = tuple[int, int, int, int]  # left, top, width, height in px of the page


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Window:
    """A part of the photograph enlarged or reduced: `corner_px` is where its top-left corner lies in the photograph."""

    corner_px: np.ndarray
    zoom: float
    width: int
    height: int

    def place(self, points_px: np.ndarray) -> np.ndarray:
        """Pixels of the window, shape (N, 2), of pixels [x, y] of the photograph; both have the origin at a pixel's centre."""
        return (np.asarray(points_px, float).reshape(-1, 2) + 0.5 - self.corner_px) * self.zoom - 0.5

    def shows(self, points_px: np.ndarray) -> bool:
        """Whether any of the box around these pixels of the photograph lies in the window."""
        placed = self.place(points_px)
        return bool(np.all(placed.max(axis=0) >= 0) and np.all(placed.min(axis=0) <= [self.width, self.height]))

    def cut(self, rgb: np.ndarray) -> np.ndarray:
        """This part of a picture (H, W, 3), as uint8 that may be drawn on; grey where the picture ends."""
        low = np.maximum(np.floor(self.corner_px).astype(int) - 3, 0)
        high = np.ceil(self.corner_px + np.array([self.width, self.height]) / self.zoom).astype(int) + 4
        crop = rgb[low[1] : max(high[1], low[1] + 1), low[0] : max(high[0], low[0] + 1)]
        factor = np.ones(2)
        if self.zoom < 1:  # reduced by areas first, so that no detail folds over
            whole = max(1, min(int(0.5 / self.zoom), *crop.shape[:2]))  # by a whole number first, which is much faster
            if whole > 1:
                crop = crop[: crop.shape[0] // whole * whole, : crop.shape[1] // whole * whole]
            full = np.array([crop.shape[1], crop.shape[0]])
            if whole > 1:
                crop = cv2.resize(crop, (full // whole).tolist(), interpolation=cv2.INTER_AREA)
            size = np.maximum(np.round(full * self.zoom), 1).astype(int)
            factor = size / full
            crop = cv2.resize(crop, size.tolist(), interpolation=cv2.INTER_AREA)
        if crop.dtype != np.uint8:
            crop = (crop // 257).astype(np.uint8)
        scale = self.zoom / factor
        shift = (low - self.corner_px) * self.zoom + 0.5 * scale - 0.5
        matrix = np.array([[scale[0], 0.0, shift[0]], [0.0, scale[1], shift[1]]])
        flags: dict[str, Any] = {"flags": cv2.INTER_CUBIC, "borderMode": cv2.BORDER_CONSTANT, "borderValue": (60, 60, 60)}
        return np.ascontiguousarray(cv2.warpAffine(crop, matrix, (self.width, self.height), **flags))


def draw(photo: Photo, record: Record, photo_id: str | None = None, say: Say = str) -> Image.Image:
    """The overlay of one of the record's photographs (the first, if none is named): RGB, at most 2400 px on its long side.

    `say` puts what is written on it into another language. First the part with the examined area; below it, or beside a tall
    one, the whole photograph (where it shows more) and the largest features enlarged, each with its own scale bar; last the
    key to the line styles.
    """
    photo_id = photo_id or record.photos[0].id
    in_words = say
    say = lambda text: drawable(in_words(text))

    surface, area = surface_of(record, photo_id), area_of(record, photo_id)
    record = record.model_copy(update={"features": tuple(f for f in record.features if f.photo == photo_id)})
    if record.cut is not None and record.cut.photo != photo_id:
        record = record.model_copy(update={"cut": None})
    framed_px = None if record.cut is None else cut_drawing.framed(record.cut, area.outline_px)
    main, whole = _main_window(photo, area, framed_px, MOST_ZOOM if record.cut is None else MOST_ZOOM_OF_CUT)
    shown = sorted((f for f in record.features if f.status != "rejected"), key=_length, reverse=True)
    tall = main.height > 1.2 * main.width and (shown or not whole)
    shown = shown[: INSETS + (bool(tall) and not whole)]  # an even number of cells where they stand in two columns
    unit = _unit(main.height if tall else main.width)
    gap = unit // 4
    cells = _beside(main, len(shown) + (not whole), gap) if tall else _below(photo, main, len(shown), not whole, gap)
    right = max([main.width, *(left + width for left, _, width, _ in cells)])
    bottom = max([main.height, *(top + height for _, top, _, height in cells)])
    notches = bool(undercuts(record))
    strip = round(0.2 * right) if notches else 0
    page = Image.new("RGB", (right, bottom + strip + round(1.9 * unit)), _PAPER)
    with ThreadPoolExecutor(2) as beside:  # what is cut out of the photograph leaves Python alone
        parts = {(0, 0): beside.submit(_main, photo, record, surface, area, main, unit, say)}
        if not whole:
            (left, top, width, height), *cells = cells
            parts[left, top] = beside.submit(_context, photo, area, main, width, height, unit, say)
        for feature, (left, top, width, height) in zip(shown, cells, strict=True):
            parts[left, top] = beside.submit(_inset, photo, record, feature, surface, width, height, unit, say)
        for corner, part in parts.items():
            page.paste(part.result(), corner)
    if notches:
        page.paste(cut_drawing.notches(record, right, strip, say), (0, bottom))
    _key(page, record, bottom + strip, unit, say)
    return page


def _below(photo: Photo, main: Window, features: int, context: bool, gap: int) -> list[Cell]:
    """Cells in a row under the main picture; the whole photograph's, if wanted, comes first and has its own shape."""
    height, top = round(0.26 * main.width), main.height + gap
    cells = (
        [(0, top, min(round(height * photo.width_px / photo.height_px), round(0.4 * main.width)), height)] if context else []
    )
    left = sum(cell[2] + gap for cell in cells)
    if features:
        width = min((main.width - left - (features - 1) * gap) // features, round(1.5 * height))
        cells += [(left + number * (width + gap), top, width, height) for number in range(features)]
    return cells


def _beside(main: Window, count: int, gap: int) -> list[Cell]:
    """Equal cells in one or two columns at the right of a tall picture, which together make about a square."""
    columns = 1 if count <= 3 else 2
    rows = -(-count // columns)
    width = max(round((1.05 * main.height - main.width) / columns) - gap, round(0.24 * main.height))
    height = (main.height - (rows - 1) * gap) // rows
    return [
        (main.width + gap + (number % columns) * (width + gap), (number // columns) * (height + gap), width, height)
        for number in range(count)
    ]


def _main_window(
    photo: Photo, area: ExaminedArea, framed_px: np.ndarray | None = None, most_zoom: float = MOST_ZOOM
) -> tuple[Window, bool]:
    """The examined area (of a section: the weld) with a margin, at most 2 : 1 and at least 3 : 4.

    The whole photograph if that is hardly more.
    """
    size = np.array([photo.width_px, photo.height_px], float)
    framed_px = area.outline_px if framed_px is None else framed_px
    low, high = framed_px.min(axis=0), framed_px.max(axis=0)
    wanted = (high - low) * 1.16 + 0.04 * max(high - low)
    wanted = np.maximum(wanted, [0.75 * wanted[1], 0.5 * wanted[0]])
    whole = bool(np.all(wanted > 0.7 * size))
    wanted = size if whole else np.minimum(wanted, size)
    corner = np.clip((low + high) / 2 + 0.5 - wanted / 2, 0, size - wanted)
    zoom = min(WIDTH_PX / wanted[0], 0.68 * LONG_SIDE_PX / wanted[1], most_zoom)
    width, height = np.maximum(np.round(wanted * zoom).astype(int), 1).tolist()
    return Window(corner_px=corner, zoom=float(zoom), width=width, height=height), whole


def _main(
    photo: Photo, record: Record, surface: Surface, area: ExaminedArea, window: Window, unit: int, say: Say
) -> Image.Image:
    picture = _dimmed(window.cut(photo.rgb), area, window)
    thin = unit / 16
    for line in (area.outline_px, *_left_out(area)):
        stroke(picture, window.place(line), _AREA, width_px=0.8 * thin)
    outlines = [window.place(np.array(feature.outline_px)) for feature in record.features]
    for feature, outline in zip(record.features, outlines, strict=True):
        stroke(picture, outline, style_of(feature.kind), width_px=thin)
        if feature.status == "rejected":
            _strike(picture, outline, width_px=thin)
    numbered = sorted(range(len(outlines)), key=lambda i: -float(np.prod(np.ptp(outlines[i], axis=0))))[:LABELLED]
    size = round(unit * (1.1 if record.cut is not None else 0.9 if len(numbered) <= 25 else 0.62))
    texts = [_label(record.features[index]) for index in numbered]
    sizes = [(text_size(text, size)[0] + round(0.6 * size), round(1.3 * size)) for text in texts]
    note = " at the crown" if surface.shape == "bend" else " at mid-face"
    at_mm = crown_line_mm(surface, area).mean(axis=0)
    bar = scale_bar.make(surface, at_mm, window.place, room_px=0.22 * min(window.width, window.height), note=note, say=say)
    clear = []
    if bar is not None:
        face = window.place(area.outline_px)
        clear = [scale_bar.clear_box(bar, window.width, window.height, unit, hide_little=face, hide_none=outlines)]
    shown = [outlines[i] for i in numbered]
    struck = [record.features[i].status == "rejected" for i in numbered]
    if record.cut is not None:
        for line, name, short in cut_drawing.strokes(picture, record.cut, window.place, thin):
            shown.append(line)
            texts.append(cut_drawing.label(record, name, short, say))
            sizes.append((text_size(texts[-1], size)[0] + round(0.6 * size), round(1.3 * size)))
            struck.append(False)
    placed = labels.place(shown, sizes, width_px=window.width, height_px=window.height, keep_clear=clear)
    for label in placed:
        stroke(picture, np.array(label.leader), Style(), width_px=max(1.0, 0.6 * thin), closed=False)
    image = Image.fromarray(picture)
    for through, text, label in zip(struck, texts, placed, strict=True):
        plate(image, label.box, text, size, struck=through)
    if bar is not None:
        scale_bar.draw(image, bar, clear[0], unit)
    return image


def _context(photo: Photo, area: ExaminedArea, main: Window, width: int, height: int, unit: int, say: Say) -> Image.Image:
    """The whole photograph, small, amid its cell, with the examined area and the frame of the main picture."""
    zoom = min(height / photo.height_px, width / photo.width_px)
    size = np.maximum(np.round(np.array([photo.width_px, photo.height_px]) * zoom), 1).astype(int)
    window = Window(corner_px=np.zeros(2), zoom=float(zoom), width=int(size[0]), height=int(size[1]))
    picture = window.cut(photo.rgb)
    stroke(picture, window.place(area.outline_px), _AREA, width_px=1)
    low, high = main.corner_px, main.corner_px + np.array([main.width, main.height]) / main.zoom
    corners = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    stroke(picture, window.place(corners - 0.5), _FRAME, width_px=1.5)
    image = Image.new("RGB", (width, height), DARK)
    image.paste(Image.fromarray(picture), ((width - window.width) // 2, (height - window.height) // 2))
    _tag(image, say("whole photograph"), unit)
    return image


def _inset(
    photo: Photo, record: Record, feature: Feature, surface: Surface, width: int, height: int, unit: int, say: Say
) -> Image.Image:
    outline = np.array(feature.outline_px, float).reshape(-1, 2)
    low, high = outline.min(axis=0), outline.max(axis=0)
    middle, size = (low + high) / 2, high - low
    zoom = float(min(width / (1.7 * size[0] + 6), height / (1.9 * size[1] + 6), 12.0))
    window = Window(corner_px=middle + 0.5 - np.array([width, height]) / (2 * zoom), zoom=zoom, width=width, height=height)
    picture = window.cut(photo.rgb)
    for other in record.features:
        if other.id != feature.id and window.shows(np.array(other.outline_px)):
            stroke(picture, window.place(np.array(other.outline_px)), style_of(other.kind), width_px=1)
    stroke(picture, window.place(outline), style_of(feature.kind), width_px=max(1.2, min(unit / 16, 0.5 * zoom)))
    _length_line(picture, feature, surface, window, width_px=max(1.0, unit / 24))
    image = Image.fromarray(picture)
    length = plus_minus(feature.length_mm, feature.U_length_mm)
    tag = _tag(image, f"{_label(feature)}   {say(f'{length} mm')}" if length else _label(feature), unit)
    developed = surface.develop(middle[None])[0]
    if np.isfinite(developed).all():
        bar = scale_bar.make(surface, developed, window.place, room_px=0.3 * min(width, height), say=say)
        if bar is not None:
            taken = [np.array([tag[:2], (tag[2], tag[1]), tag[2:], (tag[0], tag[3])]), window.place(outline)]
            where = scale_bar.clear_box(bar, width, height, unit, hide_little=taken[1], hide_none=taken)
            scale_bar.draw(image, bar, where, unit)
    return image


def _key(page: Image.Image, record: Record, top: int, unit: int, say: Say) -> None:
    """One line under the pictures: how each kind that occurs is drawn."""
    picture = np.array(page.crop((0, top, page.width, page.height)))
    size, x = round(0.8 * unit), round(0.3 * unit)
    down = round(0.95 * unit)
    middle = top + down
    kinds = list(dict.fromkeys(feature.kind for feature in record.features))
    samples = [(say("examined area"), _AREA), *((say(words.kind(name)), style_of(name)) for name in kinds)]
    notes = [say(f"the {LABELLED} largest are numbered")] if len(record.features) > LABELLED else []
    note = "; ".join([*notes, *([say("not reviewed")] if record.review.state == "unreviewed" else [])])
    end = page.width - (text_size(note, size)[0] if note else 0) - unit
    texts = []
    for text, style in samples:
        step = round(2.7 * unit + text_size(text, size)[0] + 1.2 * unit)
        if x + step > end:
            break
        stroke(picture, np.array([[x, down], [x + 2.4 * unit, down]]), style, width_px=unit / 12, closed=False)
        texts.append((x + 2.7 * unit, text))
        x += step
    page.paste(Image.fromarray(picture), (0, top))
    pen = ImageDraw.Draw(page)
    for place, text in texts:
        write(pen, (place, middle), text, size, anchor="lm")
    if note:
        write(pen, (page.width - 0.3 * unit, middle), note, size, anchor="rm")


def _left_out(area: ExaminedArea) -> list[np.ndarray]:
    """Outlines within the examined area where nothing was looked for, or nothing could be seen."""
    return [*area.exclude_px, *(part.outline_px for part in area.unseen)]


def _dimmed(picture: np.ndarray, area: ExaminedArea, window: Window) -> np.ndarray:
    examined = np.zeros(picture.shape[:2], np.uint8)
    for line, value in [(area.outline_px, 1), *((hole, 0) for hole in _left_out(area))]:
        cv2.fillPoly(examined, [np.round(window.place(line)).astype(np.int32).reshape(-1, 1, 2)], value)
    darker = cv2.LUT(picture, (np.arange(256) * DIMMED).astype(np.uint8))
    return cv2.copyTo(picture, examined, darker)


def _tag(image: Image.Image, text: str, unit: int) -> tuple[int, int, int, int]:
    size, gap = round(0.85 * unit), round(0.3 * unit)
    while size > 8 and text_size(text, size)[0] + 0.6 * size > image.width - 2 * gap:
        size -= 1
    where = (gap, gap, gap + text_size(text, size)[0] + round(0.6 * size), gap + round(1.3 * size))
    plate(image, where, text, size)
    return where


def _length_line(picture: np.ndarray, feature: Feature, surface: Surface, window: Window, *, width_px: float) -> None:
    """The line that the length was measured along: straight on the developed surface, hence curved in the picture."""
    if feature.tips_px is None:
        return
    ends = surface.develop(np.array(feature.tips_px))
    line = window.place(surface.project(ends[0] + np.linspace(0, 1, 33)[:, None] * (ends[1] - ends[0])))
    if np.isfinite(line).all():
        stroke(picture, line, _LENGTH, width_px=width_px, closed=False)


def _strike(picture: np.ndarray, outline: np.ndarray, *, width_px: float) -> None:
    low, high = outline.min(axis=0) - 4 * width_px, outline.max(axis=0) + 4 * width_px
    for line in ([low, high], [[low[0], high[1]], [high[0], low[1]]]):
        stroke(picture, np.array(line), Style(colour=LIGHT), width_px=width_px, closed=False)


def _label(feature: Feature) -> str:
    text = drawable(words.shown(feature.id))
    return text if len(text) <= 8 else text[:7] + "…"


def _length(feature: Feature) -> tuple[float, float]:
    """For the order by size: in mm, and where that is missing in pixels after all that have one."""
    return feature.length_mm or 0.0, float(np.linalg.norm(np.ptp(np.array(feature.outline_px), axis=0)))


def _unit(width: int) -> int:
    """Height of the lettering in px: about 2.8 mm where the picture is printed as wide as an A4 page's text."""
    return max(11, round(width / 60))
