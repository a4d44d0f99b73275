"""The printed cards' geometry, in millimetres from the card's top-left corner: what is printed is what is looked for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np

DICTIONARY = "DICT_4X4_50"  # OpenCV's name for the family that both cards use
MARKER_SIDE_MM = 12.0  # black square, border included
MARKER_CELLS = 6  # cells a side: four of code between two of black border


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """One printed card: x right, y down, origin at its top-left corner.

    Parameters
    ----------
    name : str
        ``"strip"`` or ``"frame"``.
    width_mm, height_mm : float
        The card's outer size; the width is the long side that `printed_length_mm` in a sheet speaks of.
    centres_mm : mapping of marker id to (x, y)
    window_mm : (x, y, width, height), optional
        The opening that the specimen lies in.
    graduations_mm : tuple of (x, top, bottom)
        Millimetre marks, each a line across x.
    """

    name: str
    width_mm: float
    height_mm: float
    centres_mm: Mapping[int, tuple[float, float]]
    window_mm: tuple[float, float, float, float] | None = None
    graduations_mm: tuple[tuple[float, float, float], ...] = ()

    def corners_mm(self, marker_id: int) -> np.ndarray:
        """Corners [x, y] of one marker's black square, shape (4, 2), clockwise from its top left."""
        half = MARKER_SIDE_MM / 2
        return np.array(self.centres_mm[marker_id]) + half * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])


def _graduation(x_mm: int) -> tuple[float, float, float]:
    length_mm = 6.0 if x_mm % 10 == 0 else 4.5 if x_mm % 5 == 0 else 3.0
    return (float(x_mm), 20.0 - length_mm, 20.0)


STRIP = Card(
    name="strip",
    width_mm=100.0,
    height_mm=20.0,
    centres_mm={10: (10.0, 10.0), 11: (90.0, 10.0)},
    graduations_mm=tuple(_graduation(x) for x in range(20, 81)),
)

_COLUMNS = (10.0, 10.0 + 140.0 / 3, 10.0 + 280.0 / 3, 150.0)
_ROWS = (10.0, 10.0 + 100.0 / 3, 10.0 + 200.0 / 3, 110.0)
_CLOCKWISE = (
    *((x, 10.0) for x in _COLUMNS),
    *((150.0, y) for y in _ROWS[1:]),
    *((x, 110.0) for x in reversed(_COLUMNS[:-1])),
    *((10.0, y) for y in reversed(_ROWS[1:-1])),
)
FRAME = Card(
    name="frame",
    width_mm=160.0,
    height_mm=120.0,
    centres_mm=dict(enumerate(_CLOCKWISE, start=20)),
    window_mm=(20.0, 20.0, 120.0, 80.0),
)

CARDS = (STRIP, FRAME)


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """The chessboard with markers (ChArUco) that a lens profile is made from; origin at its top-left corner."""

    columns: int
    rows: int
    square_mm: float
    marker_mm: float
    dictionary: str  # another family than the cards': a board in view is never taken for one

    @property
    def width_mm(self) -> float:
        return self.columns * self.square_mm

    @property
    def height_mm(self) -> float:
        return self.rows * self.square_mm

    def charuco(self) -> cv2.aruco.CharucoBoard:
        """OpenCV's board, in millimetres."""
        family = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, self.dictionary))
        return cv2.aruco.CharucoBoard((self.columns, self.rows), self.square_mm, self.marker_mm, family)


BOARD = Board(columns=7, rows=10, square_mm=24.0, marker_mm=18.0, dictionary="DICT_5X5_50")


def dictionary() -> cv2.aruco.Dictionary:
    """OpenCV's marker family of both cards."""
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))


def marker_cells(marker_id: int) -> np.ndarray:
    """Cells of one marker, shape (6, 6), True where black, its border included."""
    return cv2.aruco.generateImageMarker(dictionary(), marker_id, MARKER_CELLS) < 128
