"""Changing a record that lies on disk: read, changed by a function, its report drawn again, put in its place as a whole."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from specimeter import job
from specimeter import photo as photos
from specimeter.errors import RecordError
from specimeter.photo import Photo
from specimeter.record import build, folder, store
from specimeter.record.folder import Folder
from specimeter.record.model import Record
from specimeter.report import house as houses
from specimeter.report.house import House

Change = Callable[[Folder], Record]


def revise(
    path: str | Path,
    change: Change,
    *,
    photo_files: Sequence[str | Path] = (),
    house: House | None = None,
    seal: Callable[[Record, dict[str, bytes]], dict[str, bytes]] | None = None,
) -> Record:
    """Put the record that `change` makes of the one at `path` in its place, with a report of its own.

    An issued record that gives way is kept beside the new one; of any other the new one's log tells all that it held.

    Parameters
    ----------
    path : path
        The record's folder, or its ``record.json``.
    change : callable
        From the folder to the new record; functions of `specimeter.record.edit` on its `record`.
    photo_files : paths
        The photographs that the folder does not keep, or does not keep yet.
    house : House, optional
        Another laboratory's settings than those in the folder.
    seal : callable, optional
        From the new record and all contents of the folder to further files: an issue's seal.

    Raises
    ------
    SpecimeterError
        If the record is damaged, the change is refused, a photograph is not to be had, or the folder cannot be written.
        Nothing is changed then.
    """
    old = folder.sound(path)
    photographs(old, photo_files)  # refused before any work if one is not to be had
    new = change(old)
    pictures = photographs(replace(old, record=new), photo_files)
    house = houses.beside(old.path) if house is None else house
    files = job.folder_files(pictures, new, house)
    if seal is not None:
        files |= seal(new, {**files, folder.RECORD: build.to_json(new)})
    place = old.path.resolve()
    store.commit(
        build.to_json(new),
        files,
        out=place.parent,
        id=place.name,
        replace=True,
        keep=old.record.issue is not None,
        instead_of=old.sha256,
    )
    return new


def photographs(of: Folder, given: Sequence[str | Path] = ()) -> list[Photo]:
    """The record's photographs in its order, from its folder or among the files given, known by their hashes.

    Raises
    ------
    RecordError
        If one is not to be had.
    """
    extra = {photo.sha256: photo for photo in map(photos.read, given)}
    found = []
    for stored in of.record.photos:
        file = of.photo_file(stored.id)
        photo = extra.get(stored.sha256) or (photos.read(file) if file is not None else None)
        if photo is None or photo.sha256 != stored.sha256:
            raise RecordError(
                f"the photograph {stored.id} ({stored.file}) is not in the record's folder",
                file=of.path,
                expected=f"a file whose SHA-256 is {stored.sha256}",
                mend=f"give it: --photo {stored.file}",
            )
        found.append(photo)
    return found
