"""Which plate surfaces make the joint: pairs of runs with a weld's face between them, for fillets and for butts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.segment.plates import Run, runs
from specimeter.segment.polylines import area_mm2, corner, nearest
from specimeter.segment.weld_face import WeldFace, weld_face

SKIPPED = 9  # a face may itself be made of so many straight runs
FACE_TURN_DEG = 75.0  # how far a piece of a weld's face may turn back or on, beyond the turn from plate to plate
CORNER_DEG = (40.0, 140.0)  # between the two plates of a fillet
STRAIGHT_DEG = 12.0  # between the two plates of a butt
DISTORTED_DEG = 3.0  # by which welding has turned them, as a rule: half of a flat face looks straight, and turns farther
ENOUGH_MM = 20.0  # a plate surface seen so far is as good as a longer one
INSIDE_MM = 0.5  # how deep in the metal the corner of a fillet lies at least
APART_MM = 0.5  # toes nearer to a weld's face than this belong to that weld
SAME_PLATE_MM = 0.5  # a run that goes on past the corner within this of the same line is the same plate's


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fillet:
    """A fillet weld: its face, which of its toes lies on the plate that runs through, and how sure that is."""

    face: WeldFace
    through: int
    through_sure: bool
    others: tuple[WeldFace, ...]  # further fillets that the outline shows


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Butt:
    """A butt weld: its face side and root side (None: no toes seen there), and the direction from plate 1 to plate 2."""

    top: WeldFace
    bottom: WeldFace | None
    across: np.ndarray


def find_fillet(outline: np.ndarray, plates: tuple[Run, ...] | None = None) -> Fillet | None:
    """The largest fillet weld in an outline as from `plates.resampled`, in mm with y down; None if there is none.

    `plates`: its runs, if they are at hand.
    """
    plates = runs(outline) if plates is None else plates
    contour = outline.astype(np.float32).reshape(-1, 1, 2)
    found: list[tuple[float, WeldFace]] = []
    for before, after, turn in _pairs(plates):
        root = corner(before, after)
        if not CORNER_DEG[0] < turn < CORNER_DEG[1] or root is None:
            continue
        if cv2.pointPolygonTest(contour, (float(root[0]), float(root[1])), True) < INSIDE_MM:
            continue
        face = weld_face(outline, before, after)
        if face is None or not _ends_apart(face, root):
            continue
        size = area_mm2(np.concatenate([root[None], face.points]))
        seen = min(before.length_mm, after.length_mm, ENOUGH_MM)
        found.append((size * seen, face))
    if not found:
        return None
    found.sort(key=lambda one: -one[0])
    kept = [found[0][1]]
    for _, face in found[1:]:  # what ends on a weld already kept is a part of that one
        if all(_gap(toe.point, one.points) > APART_MM for one in kept for toe in face.toes):
            kept.append(face)
    through, sure = _through(kept[0], plates)
    return Fillet(face=kept[0], through=through, through_sure=sure, others=tuple(kept[1:]))


def find_butt(outline: np.ndarray, plates: tuple[Run, ...] | None = None) -> Butt | None:
    """The butt weld in an outline as from `plates.resampled`, in mm with y down; None if there is none. As `find_fillet`."""
    plates = runs(outline) if plates is None else plates
    usual = float(np.median([run.scatter_mm for run in plates])) if plates else 0.0
    found: list[tuple[float, np.ndarray, WeldFace]] = []
    for before, after, turn in _pairs(plates):
        ahead = before.along(after.point[None])[0]
        if abs(turn) > STRAIGHT_DEG or ahead <= 0:
            continue
        face = weld_face(outline, before, after)
        if face is not None:
            normal = before.normal + after.normal
            length = min(before.length_mm, ENOUGH_MM) * min(after.length_mm, ENOUGH_MM)
            flat = min(1.0, 2 * usual / max(before.scatter_mm, after.scatter_mm, 1e-9))
            found.append((length * flat * np.exp(-0.5 * (turn / DISTORTED_DEG) ** 2), normal / np.hypot(*normal), face))
    if not found:
        return None
    found.sort(key=lambda one: -one[0])
    _, normal, first = found[0]
    second = next((face for _, other, face in found[1:] if other @ normal < -0.9), None)
    sides = [(first, normal)] + ([(second, -normal)] if second is not None else [])
    sides.sort(key=lambda side: (-round(side[0].width_mm / 1.0), side[1][1]))  # the wider is the face; else the upper one
    top, up = sides[0]
    across = np.array([-up[1], up[0]])
    across *= np.sign(across[0] if abs(across[0]) >= abs(across[1]) else across[1])
    return Butt(top=top, bottom=sides[1][0] if len(sides) > 1 else None, across=across)


def _pairs(plates: tuple[Run, ...]) -> Iterator[tuple[Run, Run, float]]:
    """Runs that follow each other in the outline, the turn between them, and with up to SKIPPED pieces of a face between.

    Yields (before, after, turn in degrees); a positive turn: the metal has a hollow there. Pieces between them turn no
    further back or on than a weld's face does, so no other corner of a plate lies between, nor more of either plate.
    """
    for i, before in enumerate(plates):
        turns: list[float] = []
        passed: list[Run] = []
        for k in range(1, min(SKIPPED + 1, len(plates) - 1) + 1):
            after = plates[(i + k) % len(plates)]
            turn = _turn_deg(before, after)
            if passed and before.bears(passed[-1]):
                break
            if all(min(0.0, turn) - FACE_TURN_DEG < one < max(0.0, turn) + FACE_TURN_DEG for one in turns) and not any(
                after.bears(one) for one in passed
            ):
                yield before, after, turn
            turns.append(turn)
            passed.append(after)


def _turn_deg(before: Run, after: Run) -> float:
    sine = before.direction[0] * after.direction[1] - before.direction[1] * after.direction[0]
    return float(np.degrees(np.arctan2(sine, before.direction @ after.direction)))


def _ends_apart(face: WeldFace, root: np.ndarray) -> bool:
    """Whether both toes lie away from the corner, on the air's side of it."""
    for toe, way in zip(face.toes, (-1.0, 1.0), strict=True):
        if way * float((toe.point - root) @ toe.plate.direction) < 0.5:
            return False
    return True


def _through(face: WeldFace, plates: tuple[Run, ...]) -> tuple[int, bool]:
    """Which toe lies on the plate that runs through: the one whose surface shows again past the corner; else the longer."""
    root = corner(face.toes[0].plate, face.toes[1].plate)
    again = []
    for toe in face.toes:
        way = np.sign((root - toe.point) @ toe.plate.direction)
        past = [
            run
            for run in plates
            if run is not toe.plate
            and abs(run.direction @ toe.plate.direction) > 0.995
            and run.normal @ toe.plate.normal > 0
            and abs(toe.plate.height(run.point[None])[0]) < SAME_PLATE_MM
            and way * float((run.point - root) @ toe.plate.direction) > 0
        ]
        again.append(bool(past))
    if again[0] != again[1]:
        return (0 if again[0] else 1), True
    lengths = [toe.plate.length_mm for toe in face.toes]
    return int(np.argmax(lengths)), False


def _gap(point: np.ndarray, path: np.ndarray) -> float:
    return float(np.hypot(*(nearest(point, path) - point)))
