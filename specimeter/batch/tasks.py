"""What a batch is to do: pairs of photograph and sheet, from a folder or from a manifest."""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from specimeter import sheet as sheets
from specimeter.errors import SpecimeterError

PHOTOS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif")
SHEET, LIMITS = ".sheet.toml", ".limits.toml"
SEVERAL = "; "  # between the photographs of one specimen
COLUMNS = ("photo", "sheet", "limits")
Row = tuple[tuple[Path, ...], Path, Path | None]  # photographs, sheet, limits
MOST_BYTES = 50_000_000  # of a manifest


class BatchError(SpecimeterError, ValueError):
    """The folder or the manifest of a batch cannot be worked on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One specimen's photographs with its sheet; paths are absolute, so that any process can find them."""

    photos: tuple[str, ...]
    sheet: str
    limits: str | None
    out: str
    method: str
    settings: str | None = None

    @property
    def name(self) -> str:
        """How the photographs are called in the summary."""
        return SEVERAL.join(Path(photo).name for photo in self.photos)

    def key(self) -> str:
        """SHA-256 over everything that the result depends on: the files' contents and the method."""
        total = hashlib.sha256(f"{self.method}\0".encode())
        for file in (*self.photos, self.sheet, self.limits, self.settings):
            total.update(b"\0" if file is None else _sha256(Path(file)))
        return total.hexdigest()


def read(source: str | Path, *, out: str | Path, limits: str | None, method: str, settings: str | None) -> list[Task]:
    """The tasks of a folder (every photograph with ``NAME.sheet.toml`` beside it) or of a manifest (CSV: photo, sheet, limits).

    Parameters
    ----------
    source : path
        Folder, or CSV file with a head line; its paths are seen from where it lies. A row may name several photographs of one
        specimen, with semicolons between them: ``half-a.jpg; half-b.jpg``.
    limits : str or None
        Limits for those that have none of their own.

    Raises
    ------
    BatchError
        If there is nothing to do, a sheet is missing, or a manifest cannot be read.
    """
    source = Path(source)
    found = list(_of_folder(source) if source.is_dir() else _of_manifest(source))
    if not found:
        raise BatchError(
            "there is nothing to measure",
            file=source,
            expected=f"photographs with a sheet beside each: bend.jpg and bend{SHEET}; or a manifest: photo,sheet",
        )
    return [
        Task(
            photos=tuple(str(photo.resolve()) for photo in photos),
            sheet=str(sheet.resolve()),
            limits=_absolute(own or limits),
            out=str(Path(out).resolve()),
            method=method,
            settings=_absolute(settings),
        )
        for photos, sheet, own in found
    ]


def twins(tasks: list[Task]) -> dict[int, str]:
    """Number of a task -> why it cannot be done: an earlier one is of the same specimen, so that its record would be lost."""
    seen: dict[str, str] = {}
    told = {}
    for number, task in enumerate(tasks):
        try:
            id = sheets.read(task.sheet).specimen.id
        except SpecimeterError:
            continue  # told when it is measured
        if id in seen:
            told[number] = f"{seen[id]} is of the specimen {id!r} too: two photographs cannot share a record"
        else:
            seen[id] = task.name
    return told


def _of_folder(folder: Path) -> Iterator[Row]:
    """Every photograph; that one has no sheet is told when it is measured, if there are sheets at all."""
    if not any(folder.glob(f"*{SHEET}")):
        return
    for photo in sorted(folder.iterdir()):
        if photo.suffix.lower() in PHOTOS and photo.is_file():
            sheet, limits = (photo.with_name(photo.stem + suffix) for suffix in (SHEET, LIMITS))
            yield (photo,), sheet, limits if limits.is_file() else None


def _of_manifest(file: Path) -> Iterator[Row]:
    expected = "a CSV file in UTF-8 with the head line photo,sheet or photo,sheet,limits"
    try:
        if file.stat().st_size > MOST_BYTES:
            raise BatchError("the manifest is too large", file=file, expected=expected)
        lines = file.read_text(encoding="utf-8-sig").splitlines()
        rows = list(csv.DictReader(lines, strict=True))
    except OSError as error:
        raise BatchError(f"the manifest cannot be read ({error.strerror})", file=file, expected=expected) from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise BatchError(f"this is no manifest ({error})", file=file, expected=expected) from error
    for number, row in enumerate(rows, start=2):
        unknown = [str(name) for name in row if name not in COLUMNS]
        photos = tuple(file.parent / name for part in (row.get("photo") or "").split(SEVERAL.strip()) if (name := part.strip()))
        if unknown or not photos or not row.get("sheet"):
            problem = f"the column {unknown[0]!r} is not known" if unknown else "a photo or a sheet is not named"
            raise BatchError(problem, file=file, field=f"line {number}", expected=expected)
        own = (row.get("limits") or "").strip()
        yield photos, file.parent / row["sheet"].strip(), file.parent / own if own else None


def _sha256(file: Path) -> bytes:
    try:
        with file.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").digest()
    except OSError:
        return b"absent"  # told when it is measured


def _absolute(path: str | Path | None) -> str | None:
    return None if path is None else str(Path(path).resolve())
