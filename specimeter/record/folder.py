"""A record's folder as it is read back: the record, the files beside it and whether they are what was written.

``SHA256SUMS`` names every other file of the folder with its hash, in the format that ``sha256sum -c`` reads. The photographs
lie in the folder under their ids, ``p1.jpg``; what their files hold beside the picture (places, serial numbers) stays there.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any

from specimeter import files
from specimeter.errors import RecordError
from specimeter.record import log, model
from specimeter.record.model import Record

SUMS, RECORD = "SHA256SUMS", "record.json"
_LINE = re.compile(r"([0-9a-f]{64})  ([^\n]+)")
_SUFFIX = re.compile(r"\.[a-z0-9]{1,5}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Folder:
    """A record with the place it lies in; `data` is what ``record.json`` holds, before any model read it."""

    path: Path
    record: Record
    data: Mapping[str, Any]
    sha256: str  # of record.json as it lies there

    def photo_file(self, photo: str) -> Path | None:
        """The photograph kept in the folder, or None."""
        stored = next(one for one in self.record.photos if one.id == photo)
        file = self.path / photo_name(stored)
        return file if file.is_file() else None


def read(path: str | Path) -> Folder:
    """The record of a folder (or of its ``record.json``); whether it is sound is for `faults` to say.

    Raises
    ------
    RecordError
        If there is no record, or it cannot be read.
    """
    path = Path(path)
    path = path.parent if path.name == RECORD and not path.is_dir() else path
    record = model.load(path)
    try:
        content = files.read(path / RECORD, most=model.MOST_BYTES)
    except OSError as error:
        raise RecordError(f"the record cannot be read ({error.strerror})", file=path, expected="a record.json") from error
    return Folder(path=path, record=record, data=json.loads(content), sha256=hashlib.sha256(content).hexdigest())


def sound(path: str | Path) -> Folder:
    """The same, refused with its first fault if anything in it is not as it was written.

    Raises
    ------
    RecordError
        As `read`, or naming the fault.
    """
    folder = read(path)
    if told := faults(folder):
        raise RecordError(
            told[0] + (f" (and {len(told) - 1} more)" if len(told) > 1 else ""),
            file=folder.path,
            expected="a record as specimeter wrote it",
            mend="specimeter check says what is wrong; take the record from a copy, or measure the photograph again",
        )
    return folder


def faults(folder: Folder) -> list[str]:
    """What in the folder is not as it was written: files by their hashes, the log by its chain; empty where all holds.

    Records of version 1 had neither.
    """
    if folder.data["version"] == 1:
        return []
    return [*sums_faults(folder.path), *photo_faults(folder), *log.faults(folder.data)]


def photo_name(photo: model.Photo) -> str:
    """The photograph's name in the folder: its id with the suffix of the file that it came from."""
    suffix = PurePath(photo.file).suffix.lower()
    return photo.id + (suffix if _SUFFIX.fullmatch(suffix) else "")


def sums(files: Mapping[str, bytes]) -> bytes:
    """Content of ``SHA256SUMS`` for these files."""
    return "".join(f"{hashlib.sha256(files[name]).hexdigest()}  {name}\n" for name in sorted(files)).encode()


def sums_faults(path: Path) -> list[str]:
    """Files that are missing, changed, or not listed in ``SHA256SUMS``, in sentences."""
    try:
        listing = (path / SUMS).read_bytes()
        own = (entry for entry in path.iterdir() if entry.name != SUMS and not of_the_system(entry.name))
        there = {entry.name: _of_file(entry) if entry.is_file() else "" for entry in own}
    except FileNotFoundError:
        return [f"{SUMS} is missing: nothing says what the files were"]
    except OSError as error:
        return [_unreadable(error, path)]
    return unlike_listing(listing, there)


def unlike_listing(listing: bytes, there: Mapping[str, str]) -> list[str]:
    """In what files, given by their hashes, are not those that the content of a ``SHA256SUMS`` lists."""
    try:
        lines = listing.decode().split("\n")
    except UnicodeDecodeError:
        return [f"{SUMS} is damaged: it is not text"]
    matches = [_LINE.fullmatch(line) for line in lines[:-1]]
    if lines[-1] or not matches or None in matches:
        return [f"{SUMS} is damaged: a line in it is not a hash and a name"]
    listed = {match[2]: match[1] for match in matches if match}
    if len(listed) != len(matches):
        return [f"{SUMS} is damaged: a file stands twice in it"]
    told = []
    for name, sha256 in listed.items():
        if name not in there:
            told.append(f"{name} is missing")
        elif there[name] != sha256:
            told.append(f"{name} is not the file that was written: its hash differs from the one in {SUMS}")
    return told + [f"{name} is not listed in {SUMS}: it was added afterwards" for name in sorted(set(there) - set(listed))]


def of_the_system(name: str) -> bool:
    """Whether a file was put there by a desktop or an office program that only showed the folder or a file of it."""
    return name in (".DS_Store", "Thumbs.db", "desktop.ini") or name.startswith(("~$", ".~lock."))


def photo_faults(folder: Folder) -> list[str]:
    """Photographs in the folder that are not those that were measured."""
    try:
        return [
            f"{file.name} is not the photograph that was measured: its SHA-256 is not that of the record"
            for photo in folder.record.photos
            if (file := folder.photo_file(photo.id)) is not None and _of_file(file) != photo.sha256
        ]
    except OSError as error:
        return [_unreadable(error, folder.path)]


def _unreadable(error: OSError, path: Path) -> str:
    return f"{PurePath(error.filename or path).name} cannot be read ({error.strerror or error})"


def _of_file(file: Path) -> str:
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
