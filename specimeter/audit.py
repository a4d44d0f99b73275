"""Whether a record is what was written and follows from its own contents: files, photographs, log, numbers, report, issue."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from specimeter import photo as photos
from specimeter.errors import SpecimeterError
from specimeter.photo import Photo
from specimeter.record import again as again_of
from specimeter.record import build, log, model, recompute, seal
from specimeter.record import folder as folders
from specimeter.record.folder import Folder
from specimeter.report import table
from specimeter.rounding import counted

MOST_TOLD = 12
_WORDS = re.compile(
    r"(reasons|cautions)[. ]|verdicts\.\d+\.(because|name) |features\.[^ ]+\.missing\.|examined\.\d+\.missing\."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing that was checked: what was found wrong, or what was found right; `holds` is None where it could not be told."""

    name: str
    holds: bool | None
    told: tuple[str, ...]


def audit(path: str | Path, *, photo_files: Sequence[str | Path] = (), key: str | None = None) -> list[Step]:
    """Check one record.

    Parameters
    ----------
    path : path
        The record's folder, or its ``record.json``.
    photo_files : paths
        Photographs that the folder does not keep.
    key : str, optional
        Public key, 64 hexadecimal digits, that must have signed the issue.

    Returns
    -------
    list of Step
        In the order in which it was checked; damage is told, never raised.
    """
    path = Path(path)
    path = path.parent if path.name == folders.RECORD and not path.is_dir() else path
    try:
        folder = folders.read(path)
    except SpecimeterError as error:
        steps = [_step("record", [str(error)], "")]
        return [*steps, _step("files", folders.sums_faults(path), "")] if (path / folders.SUMS).is_file() else steps
    steps = []
    try:
        for step in _steps(folder, photo_files, key):
            steps.append(step)
    except OSError as error:
        steps.append(_step("disk", [f"{error.filename or path} cannot be read ({error.strerror or error})"], ""))
    return steps


def _steps(folder: Folder, photo_files: Sequence[str | Path], key: str | None) -> Iterator[Step]:
    version = folder.data["version"]
    features = len(folder.record.features)
    yield _step("record", [], f"format version {version}, {counted(features, 'feature')}, SHA-256 {folder.sha256}")
    if version == 1:
        yield Step(name="files", holds=None, told=("a record of version 1 does not hold the hashes of its files",))
        yield Step(name="log", holds=None, told=("a record of version 1 does not chain its log",))
    else:
        names = len(list(folder.path.iterdir())) - 1
        yield _step("files", folders.sums_faults(folder.path), f"{counted(names, 'file')} as {folders.SUMS} says")
        head = folder.record.log[-1].hash
        yield _step(
            "log", log.faults(folder.data), f"{counted(len(folder.record.log), 'entry', 'entries')}, head of the chain {head}"
        )
    found, step = _photographs(folder, photo_files)
    yield step
    yield _numbers(folder, found)
    yield _report(folder)
    told, words = seal.faults(folder, key)
    yield _step("issue", told, words)
    if folder.record.amends is not None:
        yield _amended(folder)


def _photographs(folder: Folder, given: Sequence[str | Path]) -> tuple[dict[str, Photo], Step]:
    """The photographs that are at hand and are those of the record."""
    found: dict[str, Photo] = {}
    wrong: list[str] = []
    absent: list[str] = []
    extra: dict[str, Photo] = {}
    for path in given:
        try:
            read = photos.read(path)
            extra[read.sha256] = read
        except SpecimeterError as error:
            wrong.append(str(error))
    for stored in folder.record.photos:
        file = folder.photo_file(stored.id)
        photo = extra.get(stored.sha256)
        if photo is None and file is None:
            absent.append(f"{stored.id} ({stored.file}) is not in the folder")
            continue
        try:
            photo = photo or photos.read(file or "")
        except SpecimeterError as error:
            wrong.append(str(error))
            continue
        if photo.sha256 != stored.sha256:
            name = file.name if file else stored.file
            wrong.append(f"{name} is not the photograph that was measured: its SHA-256 is not that of the record")
        elif (photo.width_px, photo.height_px) != (stored.width_px, stored.height_px):
            wrong.append(f"{stored.id} is {photo.width_px} x {photo.height_px} px, and the record says otherwise")
        else:
            found[stored.id] = photo
    if absent and not wrong:
        return found, Step(name="photographs", holds=None, told=(*absent, "give it with --photo"))
    return found, _step("photographs", wrong + absent, f"{len(found)} as measured, by SHA-256")


def _numbers(folder: Folder, found: dict[str, Photo]) -> Step:
    """Everything recomputed, and what a photograph can resolve measured again where the photograph is at hand."""
    record, version = folder.record, folder.data["version"]
    try:
        again = recompute.recompute(record)
        unlike = list(recompute.differences(_compared(record, version), _compared(again, version)))
        reworded = [] if record.tool.code_sha256 == build.code_sha256() else [told for told in unlike if _WORDS.match(told)]
        wrong = [told for told in unlike if told not in reworded]
        exact = model.dump(again) == model.dump(record)
        unseen = [photo.id for photo in record.photos if photo.id not in found]
        open_ = [f"of {', '.join(unseen)} the width, the parts that show nothing and what it resolves"] if unseen else []
        for photo, picture in found.items():
            faults, left = again_of.faults(record, photo, picture)
            wrong += faults
            open_ += left
    except (SpecimeterError, ArithmeticError, LookupError, ValueError, TypeError, np.linalg.LinAlgError) as error:
        return _step("numbers", [f"the record cannot be recomputed: {error}"], "")
    same = "the same to the last bit" if exact else "the same to 1e-9"
    if reworded and not wrong:
        same += f"; {len(reworded)} sentences are worded otherwise by this program than by the one that wrote them"
    right = [f"sizes, areas, scale, verdicts, outcome and review recomputed: {same}"]
    if found:
        right.append(
            f"measured again in {' and '.join(found)}: what it resolves, the specimen's width, the parts that show nothing"
            + (", every size of the section" if record.cut is not None else "")
        )
    return _step("numbers", wrong, *right, f"{'; '.join([again_of.AS_STORED, *open_])}")


def _compared(record: model.Record, version: int) -> dict:
    data = record.model_dump(mode="json", exclude_none=True)
    if version == 1:  # it kept the cautions of all stages in one list
        data["cautions"] = sorted(data["cautions"])
    return data


def _report(folder: Folder) -> Step:
    """Whether the report is of this record: the table again byte for byte, the record's hash on the page."""
    wrong, told = [], []
    file, page = folder.path / "features.csv", folder.path / "report.html"
    if file.is_file():
        if file.read_bytes() == (again := table.features_csv(folder.record)):
            told.append("features.csv holds the record's numbers")
        elif folder.record.tool.code_sha256 != build.code_sha256() and _same_where_both_have_it(file.read_bytes(), again):
            told.append("features.csv holds the record's numbers, in the columns of the program that wrote it")
        elif folder.data["version"] == model.VERSION:
            wrong.append("features.csv is not what the record gives")
    if page.is_file():
        if folder.sha256.encode() in page.read_bytes():
            told.append("report.html bears the record's hash")
        else:
            wrong.append("report.html is not of this record: it does not bear its hash")
    if not wrong and not told:
        return Step(name="report", holds=None, told=("there is no report in the folder",))
    return _step("report", wrong, "; ".join(told))


def _same_where_both_have_it(one: bytes, other: bytes) -> bool:
    """Whether two tables have as many rows and say the same in every column that both have."""
    try:
        first, second = (list(csv.DictReader(io.StringIO(part.decode("utf-8-sig")))) for part in (one, other))
    except (UnicodeDecodeError, csv.Error):
        return False
    if len(first) != len(second):
        return False
    return all(
        {"id", "length_mm"} <= set(row) & set(like) and all(row[name] == like[name] for name in set(row) & set(like))
        for row, like in zip(first, second, strict=True)
    )


def _amended(folder: Folder) -> Step:
    """The revision that this one departs from, looked for beside it by its hash."""
    amends = folder.record.amends
    assert amends is not None  # asked of an amendment only
    name = f"{amends.number}, revision {amends.revision}"
    for other in sorted(folder.path.resolve().parent.glob("*/" + folders.RECORD)):
        content = other.read_bytes()
        if hashlib.sha256(content).hexdigest() == amends.sha256:
            issue = json.loads(content).get("issue") or {}
            same = (issue.get("number"), issue.get("revision")) == (amends.number, amends.revision)
            return _step(
                "amends", [] if same else [f"{other.parent.name} is not {name}"], f"{name} lies in {other.parent.name}"
            )
    return Step(name="amends", holds=None, told=(f"{name} (record.json with SHA-256 {amends.sha256}) does not lie beside it",))


def _step(name: str, wrong: Sequence[str], *right: str) -> Step:
    if len(wrong) > MOST_TOLD:
        wrong = [*wrong[:MOST_TOLD], f"and {len(wrong) - MOST_TOLD} more"]
    return Step(name=name, holds=not wrong, told=tuple(wrong) if wrong else right)
