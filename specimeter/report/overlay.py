"""The photograph with what was found drawn on it: numbered outlines, examined area, scale bar, and the largest enlarged."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from PIL import Image, ImageDraw

from specimeter.photo import Photo
from specimeter.record.model import Feature, Record
from specimeter.record.rebuild import area_of, crown_line_mm, surface_of
from specimeter.report import labels, words
from specimeter.report.pen import DARK, LIGHT, Style, font, lines, plate, stroke, style_of, text_size
from specimeter.report.rounding import plus_minus
from specimeter.scale.surface import Surface

LONG_SIDE_PX = 2400
INSETS = 4
LABELLED = 200  # above this many, the largest ones are numbered and the rest only outlined
DIMMED = 0.62  # brightness of what was not examined
_PAPER = (251, 250, 247)
_AREA = Style(colour=(178, 230, 222))


def draw(photo: Photo, record: Record) -> Image.Image:
    """The overlay of the record's first photograph, uint8 RGB, at most 2400 px on its long side.

    Below the photograph stand the largest features enlarged, each with its own scale bar, and the key to the line styles.
    """
    surface = surface_of(record)
    shown = sorted((f for f in record.features if f.status != "rejected"), key=_extent_px, reverse=True)[:INSETS]
    columns = len(shown)
    below = (0.27 if columns else 0.0) + 0.045  # heights of the rows under the photograph, in widths of it
    factor = min(1.0, LONG_SIDE_PX / photo.width_px, LONG_SIDE_PX / (photo.height_px + below * photo.width_px))
    width, height = max(1, round(photo.width_px * factor)), max(1, round(photo.height_px * factor))
    main = _photograph(photo, record, surface, width, height)
    unit = _unit(width)
    key_height = round(1.9 * unit)
    inset_height = round(0.26 * width) if columns else 0
    gap = max(2, unit // 4)
    page = Image.new("RGB", (width, height + (inset_height + gap if columns else 0) + key_height + gap), _PAPER)
    page.paste(main, (0, 0))
    if columns:
        inset_width = min(round((width - (columns - 1) * gap) / columns), round(1.6 * inset_height))
        for index, feature in enumerate(shown):
            inset = _inset(photo, feature, surface, inset_width, inset_height, unit)
            page.paste(inset, (index * (inset_width + gap), height + gap))
    _key(page, record, page.height - key_height, unit)
    return page


def bar_length(room_mm: float) -> float:
    """The greatest of 1, 2, 5 times a power of ten that is at most `room_mm`.

    >>> [bar_length(room) for room in (0.7, 2.0, 49.0, 51.0)]
    [0.5, 2.0, 20.0, 50.0]
    """
    power = 10.0 ** math.floor(math.log10(room_mm) + 1e-12)
    step = next(step for step in (5, 2, 1) if step * power <= room_mm * (1 + 1e-12))
    return step * power if power >= 1 else step / round(1 / power)


def _photograph(photo: Photo, record: Record, surface: Surface, width: int, height: int) -> Image.Image:
    ratio = np.array([width / photo.width_px, height / photo.height_px])
    picture = _eight_bit(cv2.resize(photo.rgb, (width, height), interpolation=cv2.INTER_AREA))
    place = lambda points: (np.asarray(points, float).reshape(-1, 2) + 0.5) * ratio - 0.5
    unit = _unit(width)
    thin = unit / 16
    examined = np.zeros((height, width), np.uint8)
    for area in record.examined[:1]:
        cv2.fillPoly(examined, [np.round(place(area.outline_px)).astype(np.int32).reshape(-1, 1, 2)], 1)
        for hole in area.exclude_px:
            cv2.fillPoly(examined, [np.round(place(hole)).astype(np.int32).reshape(-1, 1, 2)], 0)
    dim = (np.arange(256) * DIMMED).astype(np.uint8)
    picture = np.where(examined[..., None] > 0, picture, cv2.LUT(picture, dim))
    for area in record.examined[:1]:
        for line in (area.outline_px, *area.exclude_px):
            stroke(picture, place(line), _AREA, width_px=thin * 0.8)
    outlines = [place(feature.outline_px) for feature in record.features]
    for feature, outline in zip(record.features, outlines, strict=True):
        stroke(picture, outline, style_of(feature.kind), width_px=thin)
        _length_line(picture, feature, surface, place, width_px=1)
        if feature.status == "rejected":
            _strike(picture, outline, width_px=thin)
    numbered = sorted(range(len(outlines)), key=lambda i: -float(np.prod(np.ptp(outlines[i], axis=0))))[:LABELLED]
    size = round(unit * (1.0 if len(numbered) <= 25 else 0.7))
    texts = [_label(record.features[index]) for index in numbered]
    sizes = [(text_size(text, size)[0] + round(0.6 * size), round(1.3 * size)) for text in texts]
    bar, bar_box = _main_bar(record, surface, place, width, height, unit, outlines)
    clear = [] if bar_box is None else [bar_box]
    placed = labels.place([outlines[i] for i in numbered], sizes, width_px=width, height_px=height, keep_clear=clear)
    for label in placed:
        stroke(picture, np.array(label.leader), Style(), width_px=max(1.0, thin * 0.6), closed=False)
    image = Image.fromarray(picture)
    for index, text, label in zip(numbered, texts, placed, strict=True):
        plate(image, label.box, text, size, struck=record.features[index].status == "rejected")
    if bar is not None and bar_box is not None:
        _draw_bar(image, bar, bar_box, unit)
    return image


def _inset(photo: Photo, feature: Feature, surface: Surface, width: int, height: int, unit: int) -> Image.Image:
    outline = np.array(feature.outline_px, float).reshape(-1, 2)
    low, high = outline.min(axis=0), outline.max(axis=0)
    middle, size = (low + high) / 2, high - low
    zoom = min(width / (1.7 * size[0] + 6), height / (1.9 * size[1] + 6), 12.0)
    corner = middle - np.array([width, height]) / (2 * zoom)
    matrix = np.array([[zoom, 0.0, -(corner[0]) * zoom], [0.0, zoom, -(corner[1]) * zoom]])
    left, top = np.maximum(np.floor(corner).astype(int) - 2, 0)
    right, bottom = np.ceil(corner + np.array([width, height]) / zoom).astype(int) + 3
    crop = photo.rgb[top : max(bottom, top + 1), left : max(right, left + 1)]
    shift = matrix.copy()
    shift[:, 2] += zoom * np.array([left, top])
    if zoom < 1:  # reduce by areas first, so that no detail folds over
        small = cv2.resize(crop, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA)
        fx, fy = small.shape[1] / crop.shape[1], small.shape[0] / crop.shape[0]
        shift = np.array(
            [[zoom / fx, 0.0, shift[0, 2] + zoom * (0.5 / fx - 0.5)], [0.0, zoom / fy, shift[1, 2] + zoom * (0.5 / fy - 0.5)]]
        )
        crop = small
    picture = _eight_bit(
        cv2.warpAffine(
            crop, shift, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=(60, 60, 60)
        )
    )
    picture = np.ascontiguousarray(picture)
    place = lambda points: (np.asarray(points, float).reshape(-1, 2) - corner) * zoom
    stroke(picture, place(outline), style_of(feature.kind), width_px=max(1.5, unit / 16))
    _length_line(picture, feature, surface, place, width_px=max(1.0, unit / 24))
    image = Image.fromarray(picture)
    size_px = round(0.8 * unit)
    length = plus_minus(feature.length_mm, feature.U_length_mm)
    text = f"{_label(feature)}   {length} mm" if length else _label(feature)
    tag = (gap := round(0.3 * unit), gap, gap + text_size(text, size_px)[0] + round(0.6 * size_px), gap + round(1.3 * size_px))
    plate(image, tag, text, size_px)
    developed = surface.develop(middle[None])[0]
    if np.isfinite(developed).all():
        bar = _bar(surface, developed, place, room_px=0.3 * min(width, height), note="")
        if bar is not None:
            _draw_bar(image, bar, _bar_box(bar, width, height, size_px, corner=(1, 1)), size_px)
    return image


def _main_bar(record: Record, surface: Surface, place, width: int, height: int, unit: int, outlines: Sequence[np.ndarray]):
    """The bar of the whole picture and its box in the corner where it hides least of the examined area and no outline."""
    line = crown_line_mm(surface, area_of(record))
    note = " at the crown" if surface.shape == "bend" else " at mid-face"
    bar = _bar(surface, line.mean(axis=0), place, room_px=0.22 * min(width, height), note=note)
    if bar is None:
        return None, None
    face = np.round(place(record.examined[0].outline_px)).astype(np.int32).reshape(-1, 1, 2)
    hidden = np.zeros((height, width), np.uint8)
    cv2.fillPoly(hidden, [face], 1)
    for outline in outlines:
        cv2.fillPoly(hidden, [np.round(outline).astype(np.int32).reshape(-1, 1, 2)], 200)
    boxes = [_bar_box(bar, width, height, unit, corner=corner) for corner in ((0, 1), (1, 1), (0, 0), (1, 0))]
    covered = [int(hidden[int(t) : int(b), int(le) : int(r)].sum(dtype=np.int64)) for le, t, r, b in boxes]
    return bar, boxes[covered.index(min(covered))]


def _bar(surface: Surface, at_mm: np.ndarray, place, *, room_px: float, note: str) -> tuple[np.ndarray, str] | None:
    """The vector in px of a bar of round length along the bend axis (flat: along x) at a developed point, and its text."""
    along = np.array([0.0, 1.0]) if surface.shape == "bend" else np.array([1.0, 0.0])
    ends = place(surface.project(np.array([at_mm - 0.5 * along, at_mm + 0.5 * along])))
    px_per_mm = float(np.linalg.norm(ends[1] - ends[0]))
    if not (math.isfinite(px_per_mm) and px_per_mm > 0):
        return None
    length_mm = bar_length(room_px / px_per_mm)
    ends = place(surface.project(np.array([at_mm - length_mm / 2 * along, at_mm + length_mm / 2 * along])))
    return ends[1] - ends[0], f"{length_mm:g} mm{note}"


def _bar_box(bar: tuple[np.ndarray, str], width: int, height: int, unit: int, *, corner: tuple[int, int]):
    (dx, dy), text = np.abs(bar[0]), bar[1]
    pad = 0.5 * unit
    text_width, text_height = text_size(text, round(0.8 * unit))
    upright = dy > dx
    wide = dx + text_width + 3 * pad if upright else max(dx, text_width) + 2 * pad
    tall = max(dy, text_height) + 2 * pad if upright else dy + text_height + 2.6 * pad
    left = pad if corner[0] == 0 else width - wide - pad
    top = pad if corner[1] == 0 else height - tall - pad
    return (left, top, left + wide, top + tall)


def _draw_bar(image: Image.Image, bar: tuple[np.ndarray, str], box: tuple[float, float, float, float], unit: int) -> None:
    vector, text = bar
    (dx, dy), pad, size = np.abs(vector), 0.5 * unit, round(0.8 * unit)
    draw = ImageDraw.Draw(image)
    outlined = {"font": font(size), "fill": LIGHT, "stroke_width": max(2, size // 6), "stroke_fill": DARK}
    if dy > dx:
        middle = np.array([box[0] + pad + dx / 2, (box[1] + box[3]) / 2])
        draw.text((box[0] + 2 * pad + dx, middle[1]), text, anchor="lm", **outlined)
    else:
        middle = np.array([(box[0] + box[2]) / 2, box[1] + 0.9 * pad + dy / 2])
        draw.text((middle[0], box[3] - 0.5 * pad), text, anchor="mb", **outlined)
    ends = np.array([middle - vector / 2, middle + vector / 2])
    tick = np.array([-vector[1], vector[0]]) / np.linalg.norm(vector) * 0.22 * unit
    picture = np.array(image)
    light = max(2, unit // 10)
    for colour, thickness in ((DARK, light + 2 * max(2, unit // 12)), (LIGHT, light)):
        lines(picture, [ends, *(np.array([end - tick, end + tick]) for end in ends)], colour, thickness)
    image.paste(Image.fromarray(picture))


def _key(page: Image.Image, record: Record, top: int, unit: int) -> None:
    """One line under the pictures: how each kind that occurs is drawn."""
    picture = np.array(page)
    size, x = round(0.72 * unit), round(0.3 * unit)
    middle = top + round(0.95 * unit)
    kinds = list(dict.fromkeys(feature.kind for feature in record.features))
    samples = [(words.kind(name), style_of(name)) for name in kinds] + [("examined area", _AREA)]
    texts = []
    for text, style in samples:
        stroke(picture, np.array([[x, middle], [x + 2.4 * unit, middle]]), style, width_px=unit / 12, closed=False)
        texts.append((x + 2.7 * unit, text))
        x += round(2.7 * unit + text_size(text, size)[0] + 1.2 * unit)
        if x > page.width - 4 * unit:
            break
    page.paste(Image.fromarray(picture))
    drawing = ImageDraw.Draw(page)
    for place, text in texts:
        drawing.text((place, middle), text, font=font(size), fill=DARK, anchor="lm")
    if len(record.features) > LABELLED:
        note = f"the {LABELLED} largest are numbered"
        drawing.text((page.width - 0.3 * unit, middle), note, font=font(size), fill=DARK, anchor="rm")


def _length_line(picture: np.ndarray, feature: Feature, surface: Surface, place, *, width_px: float) -> None:
    """The line that the length was measured along: straight on the developed surface, hence curved in the picture."""
    if feature.tips_px is None:
        return
    ends = surface.develop(np.array(feature.tips_px))
    line = place(surface.project(ends[0] + np.linspace(0, 1, 33)[:, None] * (ends[1] - ends[0])))
    if np.isfinite(line).all():
        stroke(picture, line, Style(dashes=(3, 3)), width_px=width_px, closed=False)


def _strike(picture: np.ndarray, outline: np.ndarray, *, width_px: float) -> None:
    low, high = outline.min(axis=0) - 4 * width_px, outline.max(axis=0) + 4 * width_px
    for line in ([low, high], [[low[0], high[1]], [high[0], low[1]]]):
        stroke(picture, np.array(line), Style(), width_px=width_px, closed=False)


def _label(feature: Feature) -> str:
    text = words.shown(feature.id)
    return text if len(text) <= 8 else text[:7] + "…"


def _extent_px(feature: Feature) -> float:
    return float(np.linalg.norm(np.ptp(np.array(feature.outline_px), axis=0)))


def _unit(width: int) -> int:
    """Height of the lettering in px: about 2.4 mm where the picture is printed as wide as an A4 page's text."""
    return max(11, round(width / 70))


def _eight_bit(picture: np.ndarray) -> np.ndarray:
    return picture if picture.dtype == np.uint8 else (picture // 257).astype(np.uint8)
