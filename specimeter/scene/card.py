"""Drawing the printed cards of design section 8: strip and frame, as grey textures in card millimetres."""

from __future__ import annotations

import cv2
import numpy as np

SIZE_MM = {"strip": (100.0, 20.0), "frame": (160.0, 120.0)}
WINDOW_MM = (20.0, 20.0, 140.0, 100.0)  # of the frame: x0, y0, x1, y1
MARKER_MM = 12.0
_FRAME_X = (10.0, 170.0 / 3, 310.0 / 3, 150.0)
_FRAME_Y = (10.0, 130.0 / 3, 230.0 / 3, 110.0)
CENTRES_MM = {
    "strip": {10: (10.0, 10.0), 11: (90.0, 10.0)},
    "frame": dict(
        zip(
            range(20, 32),
            [(x, 10.0) for x in _FRAME_X]
            + [(150.0, y) for y in _FRAME_Y[1:3]]
            + [(x, 110.0) for x in _FRAME_X[::-1]]
            + [(10.0, y) for y in _FRAME_Y[2:0:-1]],
            strict=True,
        )
    ),
}


def _box(ink: np.ndarray, per_mm: int, x0: float, y0: float, x1: float, y1: float) -> None:
    """Ink an axis-aligned box given in mm, with exact coverage of the texels it cuts."""
    h, w = ink.shape

    def share(lo: float, hi: float, n: int) -> np.ndarray:
        edges = np.arange(n)
        return np.clip(np.minimum(edges + 1, hi * per_mm) - np.maximum(edges, lo * per_mm), 0, 1)

    rows, cols = share(y0, y1, h), share(x0, x1, w)
    r, c = np.flatnonzero(rows), np.flatnonzero(cols)
    if len(r) and len(c):
        part = ink[r[0] : r[-1] + 1, c[0] : c[-1] + 1]
        np.maximum(part, np.outer(rows[r[0] : r[-1] + 1], cols[c[0] : c[-1] + 1]), out=part)


def draw(kind: str, per_mm: int) -> np.ndarray:
    """Ink, 0 (paper) to 1 (black), float32 (rows, columns), `per_mm` texels a mm; texel (0, 0) spans 0 to 1/per_mm mm."""
    width, height = SIZE_MM[kind]
    ink = np.zeros((round(height * per_mm), round(width * per_mm)), np.float32)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    cell = MARKER_MM / 6
    for marker, (cx, cy) in CENTRES_MM[kind].items():
        bits = np.asarray(cv2.aruco.generateImageMarker(dictionary, marker, 6)).reshape(6, 6)
        for i, j in zip(*np.nonzero(bits < 128), strict=True):
            x, y = cx - MARKER_MM / 2 + j * cell, cy - MARKER_MM / 2 + i * cell
            _box(ink, per_mm, x, y, x + cell, y + cell)
    if kind == "strip":
        for mm in range(20, 81):
            long = 5.0 if mm % 10 == 0 else 3.6 if mm % 5 == 0 else 2.4
            _box(ink, per_mm, mm - 0.09, height - long, mm + 0.09, height)
        _box(ink, per_mm, 20 - 0.09, height - 0.18, 80 + 0.09, height)
        for mm in range(20, 90, 10):
            _number(ink, per_mm, str(mm - 20), mm, height - 8.0)
        _check_line(ink, per_mm, 25.0, 75.0, 4.0)
    else:
        _check_line(ink, per_mm, 22.0, 138.0, 18.0)
        _check_line(ink, per_mm, 22.0, 98.0, 18.0, upright=True)
    return ink


def _check_line(ink: np.ndarray, per_mm: int, start: float, stop: float, across: float, upright: bool = False) -> None:
    for lo, hi, half in ((start, stop, 0.1), (start - 0.1, start + 0.1, 1.0), (stop - 0.1, stop + 0.1, 1.0)):
        box = (lo, across - half, hi, across + half)
        _box(ink, per_mm, *(box if not upright else (box[1], box[0], box[3], box[2])))


def _number(ink: np.ndarray, per_mm: int, text: str, x_mm: float, y_mm: float) -> None:
    scale = 1.9 * per_mm / 22
    thick = max(1, round(0.2 * per_mm))
    (w, h), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, thick)
    at = (round(x_mm * per_mm - w / 2), round(y_mm * per_mm + h / 2))
    layer = np.zeros(ink.shape, np.uint8)
    cv2.putText(layer, text, at, cv2.FONT_HERSHEY_SIMPLEX, scale, 255, thick, cv2.LINE_AA)
    np.maximum(ink, layer.astype(np.float32) / 255, out=ink)
