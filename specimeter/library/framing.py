"""Which part of a picture is shown: the examined face with a margin, and a scale bar of round length in it."""

from __future__ import annotations

from xml.etree.ElementTree import Element, SubElement

import numpy as np

from specimeter.library.entry import Entry
from specimeter.library.page import clean
from specimeter.report.scale_bar import round_length

MARGIN = 0.09
NARROWEST = 0.55  # short side over long side of what is shown
Box = tuple[float, float, float, float]  # left, top, width, height in pixels, left and top from the picture's own corner


def frame(entry: Entry, width_px: int, height_px: int) -> Box:
    """The box that holds the examined area and every outline, with a margin; the whole picture where neither is known."""
    points = [point for feature in entry.seen for point in feature.outline_px] + list(entry.area_px)
    if not points:
        return (0.0, 0.0, float(width_px), float(height_px))
    spots = np.array(points)
    low, high = spots.min(0), spots.max(0)
    middle, half = (low + high) / 2, (high - low) / 2 + MARGIN * max(high - low)
    half = np.maximum(half, NARROWEST * max(half))
    low, high = np.maximum(middle - half, 0), np.minimum(middle + half, [width_px, height_px])
    if (high - low).min() < 32:
        return (0.0, 0.0, float(width_px), float(height_px))
    left, top = np.floor(low)
    right, bottom = np.ceil(high)
    return (float(left), float(top), float(right - left), float(bottom - top))


def cropped(rgb: np.ndarray, box: Box) -> np.ndarray:
    """The pixels inside a box."""
    left, top, width, height = (round(value) for value in box)
    return np.ascontiguousarray(rgb[top : top + height, left : left + width])


def view(picture: str, words: str, box: Box, size_px: tuple[int, int], mm_per_px: float | None) -> Element:
    """An SVG that shows a picture inside a box, with a scale bar where the scale is known; outlines can be put into it.

    Inside it coordinates are those of files: [x, y] pixels, origin at the centre of the top-left pixel.
    """
    left, top, width, height = box
    svg = Element(
        "svg",
        {
            "viewBox": f"{left - 0.5:g} {top - 0.5:g} {width:g} {height:g}",
            "role": "img",
            "aria-label": clean(words),
            "width": f"{4 * width:g}",  # larger than any screen: the page makes it as large as there is room
            "height": f"{4 * height:g}",
        },
    )
    SubElement(svg, "image", href=picture, x="-0.5", y="-0.5", width=str(size_px[0]), height=str(size_px[1]))
    if mm_per_px:
        _bar(svg, box, mm_per_px)
    return svg


def outline(svg: Element, points: object, look: str = "", tag: str = "") -> None:
    """A closed line over the picture, light over dark, with its name beside it."""
    spots = np.asarray(points, float).reshape(-1, 2)
    text = " ".join(f"{x:.1f},{y:.1f}" for x, y in spots)
    for layer in ("under", "over"):
        SubElement(svg, "polygon", {"class": f"{layer} {look}".strip(), "points": text})
    if tag:
        scale = float(svg.get("data-unit", "12"))
        x, y = spots[:, 0].max(), spots[:, 1].min()
        mark = SubElement(
            svg, "text", {"class": "tag", "transform": f"translate({x + 0.3 * scale:.1f} {y:.1f}) scale({scale:.2f})"}
        )
        mark.text = clean(tag)


def _bar(svg: Element, box: Box, mm_per_px: float) -> None:
    left, top, width, height = box
    length_mm = round_length(0.24 * width * mm_per_px)
    long, unit = length_mm / mm_per_px, max(width, height) / 42
    x, y = left + 0.04 * width, top + height - 1.2 * unit
    ends = (
        f"M{x:.1f},{y - 0.35 * unit:.1f} v{0.7 * unit:.1f} M{x:.1f},{y:.1f} h{long:.1f} m0,{-0.35 * unit:.1f} v{0.7 * unit:.1f}"
    )
    for layer in ("under bar", "over bar"):
        SubElement(svg, "path", {"class": layer, "d": ends})
    text = SubElement(
        svg, "text", {"class": "tag", "transform": f"translate({x:.1f} {y - 0.7 * unit:.1f}) scale({1.25 * unit:.2f})"}
    )
    text.text = f"{length_mm:g} mm"
