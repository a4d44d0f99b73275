"""What a path given to the bench means: a photograph, a record, a folder of them; and what lies beside a photograph."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from specimeter import sheet as sheets
from specimeter.errors import PhotoError, RecordError, SpecimeterError
from specimeter.judge import limits as judge_limits
from specimeter.photo import Photo
from specimeter.record import folder as folder_of
from specimeter.record import model, recompute
from specimeter.record.model import Feature, Record
from specimeter.record.model import Photo as PhotoOf
from specimeter.scale.reading import place
from specimeter.scale.surface import Surface
from specimeter_napari.session import Session, State

PHOTOGRAPHS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif")


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """What there is to open: one photograph with what was given for it, or some to choose from."""

    photo: Path | None = None
    further: tuple[Path, ...] = ()  # the photographs of the same specimen after the first
    sheet: Path | None = None
    limits: Path | None = None
    record: Record | None = None
    folder: Path | None = None  # of the record
    choices: tuple[Path, ...] = ()


def look_up(path: str | Path, *more: str | Path, sheet: str | Path | None = None, limits: str | Path | None = None) -> Opened:
    """What a path means; several are photographs of one specimen. Raises PhotoError or RecordError where it means nothing."""
    path = Path(path)
    given = {"sheet": sheet and Path(sheet), "limits": limits and Path(limits)}
    if more:
        photographs = (path, *map(Path, more))
        for one in photographs:
            if one.is_dir() or one.suffix.lower() not in PHOTOGRAPHS:
                raise PhotoError(
                    "several were given to open, and this is no photograph",
                    file=one,
                    expected="photographs of one specimen; or one record or one folder by itself",
                )
        return Opened(photo=path, further=photographs[1:], **given)
    if path.name == "record.json":
        path = path.parent
    if path.is_dir() and (path / "record.json").is_file():
        record = model.load(path)
        first, *further = (photo_of(wanted, path) for wanted in record.photos)
        return Opened(photo=first, further=tuple(further), record=record, folder=path, **given)
    if path.is_dir():
        choices = tuple(sorted(one for one in path.iterdir() if one.suffix.lower() in PHOTOGRAPHS))
        if not choices:
            raise PhotoError("there is no photograph in this folder", file=path, expected="JPEG, PNG, TIFF or HEIC files")
        return Opened(photo=choices[0] if len(choices) == 1 else None, choices=choices, **given)
    if path.name.endswith(".toml"):
        raise PhotoError("this is a sheet or limits, not a photograph", file=path, mend="open the photograph it belongs to")
    return Opened(photo=path, **given)


def photo_of(wanted: PhotoOf, folder: Path) -> Path:
    """Where one of a record's photographs lies: in its folder, beside it or one folder further up; known by its hash."""
    places = [
        folder / folder_of.photo_name(wanted),
        *(place / wanted.file for place in (folder, folder.parent, folder.parent.parent)),
    ]
    for found in places:
        if found.is_file() and hashlib.sha256(found.read_bytes()).hexdigest() == wanted.sha256:
            return found
    raise RecordError(
        f"a photograph of this record, {wanted.file}, is not where it can be found, or is not the same any more",
        file=folder,
        expected=f"{wanted.file} in the record's folder, beside it or one folder up",
        mend="put the photograph there, and open the record again",
    )


def beside(photo: Photo, opened: Opened, now: Session) -> tuple[State, list[SpecimeterError]]:
    """The state to begin from: the record opened or already written, else the sheet and limits beside the photograph."""
    trouble: list[SpecimeterError] = []
    if opened.record is not None:
        now.written, now.folder, now.out = opened.record, opened.folder, opened.folder.parent
        return _of_record(opened.record, opened.further), trouble
    stem = photo.path.with_suffix("")
    parts = {}
    for name, given, read in (("sheet", opened.sheet, sheets.read), ("limits", opened.limits, judge_limits.read)):
        file = given or Path(f"{stem}.{name}.toml")
        if given is None and not file.is_file():
            continue
        try:
            parts[name] = read(file)
            setattr(now, f"{name}_file", file)
        except SpecimeterError as error:
            trouble.append(error)
    sheet = parts.get("sheet")
    if sheet is not None:
        folder = now.out / sheet.specimen.id
        try:
            record = model.load(folder) if (folder / "record.json").is_file() else None
        except SpecimeterError as error:
            trouble.append(error)
            record = None
        if record is not None and record.photos[0].sha256 == photo.sha256:
            try:
                further = [photo_of(wanted, folder) for wanted in record.photos[1:]]
            except RecordError as error:
                trouble.append(error)
            else:
                now.written, now.folder = record, folder
                return _of_record(record, further), trouble
    return State(**parts, further=tuple(map(str, opened.further))), trouble


def not_in(record: Record | None, photographs: Sequence[Photo]) -> str:
    """Which of the photographs given a record that was written before does not hold, in a sentence; "" where none."""
    held = set() if record is None else {one.sha256 for one in record.photos}
    left = [one.file for one in photographs if record is not None and one.sha256 not in held]
    if not left:
        return ""
    return f"The record that was written before does not hold {', '.join(left)}: add it in the step Specimen."


def _of_record(record: Record, further: Sequence[Path]) -> State:
    sheet, limits = recompute.sheet_of(record), recompute.limits_of(record)
    return State(sheet=sheet, limits=limits, record=record, further=tuple(map(str, further)))


def records_folder(photo: Path) -> Path:
    """Where records go unless told otherwise: beside the photograph, or at home where that cannot be written to."""
    folder = photo.resolve().parent
    return (folder if os.access(folder, os.W_OK) else Path.home()) / "records"


def feature_at(features: Sequence[Feature], point: np.ndarray, *, reach_px: float) -> str | None:
    """The feature whose outline holds a point [x, y], else the nearest one within reach; of several the smallest."""
    best, least = None, np.inf
    for feature in features:
        outline = np.array(feature.outline_px, np.float32).reshape(-1, 1, 2)
        inside = cv2.pointPolygonTest(outline, (float(point[0]), float(point[1])), True)
        if inside >= -reach_px:
            size = cv2.contourArea(outline) if inside >= 0 else 1e12 - inside
            if size < least:
                best, least = feature.id, size
    return best


def reading(surface: Surface | None, point: np.ndarray) -> str:
    """Where the cursor is, along the surface in mm where it is known."""
    x, y = point
    if surface is None:
        return f"x {x:.0f}, y {y:.0f} px"
    there = place(surface, point)
    if there is None:
        return f"off the surface · x {x:.0f}, y {y:.0f} px"
    s, a, mm_per_px = there
    names = ("along the arc", "along the axis") if surface.shape == "bend" else ("across", "down")
    return f"{s:.2f} mm {names[0]}, {a:.2f} mm {names[1]} · {mm_per_px:.4f} mm/px"
