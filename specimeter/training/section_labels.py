"""Truth for the networks that read cuts, as maps of cells: from a rendered scene, or from a joint drawn by hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike

from specimeter.scene import geometry
from specimeter.scene.describe import Picture, Scene
from specimeter.scene.section import Section, cut_of, etched
from specimeter.segment.section_reading import KINDS, TISSUES
from specimeter.training.sample import cover

SIDE = 448  # cells of a sample
FAINT = 0.16  # strength of etching from which it shows what is what
LAMINATION = len(KINDS) + 1
FAMILY = {"pore": 1, "slag": 2, "crack": 3, "other": LAMINATION}  # all others are lack of fusion


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parts:
    """What lies where, in cells [x, y]: the metal, its welds, gaps, and imperfections with their kinds' numbers."""

    metal: np.ndarray
    welds: Sequence[np.ndarray]
    gaps: Sequence[np.ndarray]
    gap_cells: float
    haz_cells: float
    features: Sequence[tuple[np.ndarray, int]]


def filled(polygons: Sequence[np.ndarray], shape: tuple[int, int]) -> np.ndarray:
    """Share of each cell inside polygons [x, y], float32 (rows, columns)."""
    field = np.zeros(shape, np.uint8)
    for polygon in polygons:
        np.maximum(field, cover(np.clip(polygon, -5000, 5000), shape), out=field)
    return field.astype(np.float32) / 255


def drawn(lines: Sequence[np.ndarray], width: float, shape: tuple[int, int], finer: int = 4) -> np.ndarray:
    """Share of each cell covered by lines of a width in cells."""
    field = np.zeros((shape[0] * finer, shape[1] * finer), np.uint8)
    for line in lines:
        corners = np.clip((np.asarray(line, float) + 0.5) * finer - 0.5, -20000, 20000)
        points = np.round(corners * 8).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(field, [points], False, 255, max(1, round(width * finer)), cv2.LINE_8, 3)
    return cv2.resize(field, shape[::-1], interpolation=cv2.INTER_AREA).astype(np.float32) / 255


def beside(share: np.ndarray) -> np.ndarray:
    """Distance of each cell outside a region from it, in cells, float32."""
    return cv2.distanceTransform((share < 0.5).astype(np.uint8), cv2.DIST_L2, 5)


def planes(parts: Parts, strength: np.ndarray) -> np.ndarray:
    """Labels uint8 (4, rows, columns): number in TISSUES; kind of imperfection, 0 for none; 255 where the etching shows; the
    share of each cell that imperfections cover, 255 for all of it.
    """
    shape = strength.shape
    metal = filled([parts.metal], shape) > 0.5
    weld = filled(parts.welds, shape)
    tissue = np.where(metal, TISSUES.index("plate"), 0).astype(np.uint8)
    seen = (strength > FAINT) & metal
    zone = (beside(weld) < parts.haz_cells) & seen
    tissue[metal & zone] = TISSUES.index("haz")
    tissue[metal & (weld > 0.5)] = TISSUES.index("weld")
    if parts.gaps:
        gap = drawn(parts.gaps, max(parts.gap_cells, 1.0), shape) > (0.4 if parts.gap_cells >= 1 else 0.3)
        tissue[metal & gap] = TISSUES.index("gap")
    kinds, covered = np.zeros(shape, np.uint8), np.zeros(shape, np.float32)
    for outline, kind in parts.features:
        share = filled([outline], shape)
        ridge = (share > 0.12) & (share >= cv2.dilate(share, np.ones((3, 3), np.uint8)) - 0.02)
        wide = cv2.dilate((ridge | (share > 0.5)).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        kinds[wide & metal] = kind
        if kind != LAMINATION:
            covered = np.maximum(covered, share)
    return np.stack([tissue, kinds, (seen * 255).astype(np.uint8), np.round(covered * 255).astype(np.uint8)])


def of_scene(
    scene: Scene, picture: Picture, rgb: np.ndarray, mm_per_cell: float, centre_px: ArrayLike, room: int = SIDE
) -> np.ndarray:
    """A sample uint8 (7, room, room): red, green, blue and the labels, of a piece of a rendered photograph about a pixel.

    What lies beyond the photograph has 255 for its tissue: not known.
    """

    def labels(cells: Callable, mm: float) -> np.ndarray:
        def of_developed(developed: np.ndarray) -> np.ndarray:
            return cells(geometry.project(scene.camera, geometry.place(scene.specimen, np.asarray(developed, float))))

        return planes(_parts(scene, of_developed, mm), _strength(scene, of_developed, room))

    return piece(rgb, picture.truth["mm_per_px"], mm_per_cell, centre_px, labels, room)


def piece(
    rgb: np.ndarray, mm_per_px: float, mm_per_cell: float, centre_px: ArrayLike, labels: Callable, room: int = SIDE
) -> np.ndarray:
    """A sample as of `of_scene` of any photograph; `labels`: from cells [x, y] of pixels, and a cell's mm, to `planes`."""
    zoom = min(mm_per_px / mm_per_cell, 1.0)
    size = max(round(rgb.shape[1] * zoom), 8), max(round(rgb.shape[0] * zoom), 8)
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    factor = np.array(size) / rgb.shape[1::-1]
    centre = (np.asarray(centre_px, float) + 0.5) * factor - 0.5
    low = np.round(centre - room / 2).astype(int)

    def cells(pixels: np.ndarray) -> np.ndarray:
        return (np.asarray(pixels, float) + 0.5) * factor - 0.5 - low

    drawn_on = labels(cells, mm_per_px / float(factor.mean()))
    return np.concatenate([_window(small, low, room), _unknown(drawn_on, low, size, room)])


def _parts(scene: Scene, cells: Callable, mm_per_cell: float) -> Parts:
    specimen, surface = cut_of(scene)
    joint = specimen.joint
    return Parts(
        metal=cells(specimen.face_mm),
        welds=[cells(specimen.developed(p)) for p in (joint.weld, *joint.others)],
        gaps=[cells(specimen.developed(p)) for p in joint.gaps],
        gap_cells=specimen.gap_mm / mm_per_cell,
        haz_cells=surface.haz_mm / mm_per_cell,
        features=[(cells(one.outline_mm), number(one.kind)) for one in scene.openings],
    )


def number(kind: str) -> int:
    """The number of an imperfection's family in the labels."""
    return FAMILY.get(kind, KINDS.index("lack-of-fusion") + 1)


def _strength(scene: Scene, cells: Callable, room: int) -> np.ndarray:
    """Strength of the etching at each cell, taken from the scene's own map."""
    specimen, surface = cut_of(scene)
    if not surface.etch:
        return np.zeros((room, room), np.float32)
    per_mm = 4.0
    field = etched(specimen, surface, per_mm)
    low = specimen.body_mm.min(0) - _margin(specimen, field.shape, per_mm)
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32) * (np.array(field.shape[::-1]) - 1)
    there = cells(low + corners / per_mm).astype(np.float32)
    move = cv2.getPerspectiveTransform(corners.astype(np.float32), there)
    return np.asarray(cv2.warpPerspective(field, move, (room, room), flags=cv2.INTER_LINEAR))


def _margin(specimen: Section, shape: tuple[int, ...], per_mm: float) -> np.ndarray:
    return (np.array(shape[::-1]) / per_mm - np.ptp(specimen.body_mm, axis=0)) / 2


def _window(picture: np.ndarray, low: np.ndarray, room: int) -> np.ndarray:
    """Channels (3, room, room) of a picture from a place on, what lies beyond it mirrored."""
    before, after = np.maximum(-low, 0), np.maximum(low + room - picture.shape[1::-1], 0)
    start = np.maximum(low, 0)
    piece = picture[start[1] : max(low[1] + room, start[1] + 1), start[0] : max(low[0] + room, start[0] + 1)]
    mirrored = cv2.copyMakeBorder(piece, int(before[1]), int(after[1]), int(before[0]), int(after[0]), cv2.BORDER_REFLECT)
    return np.asarray(mirrored)[:room, :room].transpose(2, 0, 1)


def _unknown(labels: np.ndarray, low: np.ndarray, size: tuple[int, int], room: int) -> np.ndarray:
    columns, rows = np.arange(room) + low[0], np.arange(room) + low[1]
    inside = ((rows >= 0) & (rows < size[1]))[:, None] & ((columns >= 0) & (columns < size[0]))[None]
    labels[0][~inside] = 255
    return labels
