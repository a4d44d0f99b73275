"""The records of a coupon's specimens as they lie on disk; one that was changed counts for nothing."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from PIL import Image

from specimeter.coupon.entered import Entered
from specimeter.errors import SpecimeterError
from specimeter.record import folder as folders
from specimeter.record.folder import Folder


def gather(entered: Entered, records: Path, beside: Path) -> tuple[dict[str, Folder], dict[str, str]]:
    """Id of a specimen -> its record, and id -> why a record that is there cannot be relied on; missing ones are in neither.

    Parameters
    ----------
    records : Path
        Folder in which a record lies under its specimen's id.
    beside : Path
        Folder that a specimen's own `record` path is seen from.
    """
    found, faults = {}, {}
    for one in entered.specimen:
        place = records / one.id if one.record is None else beside / one.record
        if not (place / folders.RECORD).is_file():
            continue
        try:
            folder = folders.sound(place)
        except SpecimeterError as error:
            faults[one.id] = f"its record cannot be relied on: {error.problem}"
            continue
        if folder.record.id != one.id:
            faults[one.id] = f"the record in {place.name} is that of {folder.record.id}"
            continue
        found[one.id] = folder
    return found, faults


def overlays(found: Mapping[str, Folder]) -> dict[str, Image.Image]:
    """The overlay of each record that has one in its folder."""
    pictures = {}
    for id, folder in found.items():
        file = folder.path / "overlay.png"
        if file.is_file():
            with Image.open(file, formats=("PNG",)) as picture:
                pictures[id] = picture.convert("RGB")
    return pictures
