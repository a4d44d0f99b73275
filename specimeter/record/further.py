"""A further photograph of the same specimen: named after those that are there, joined to a stored record, or placed again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from specimeter.errors import PhotoError
from specimeter.photo import Photo
from specimeter.record import build, edit
from specimeter.record.model import Record
from specimeter.sheet import Sheet


def check_new(photo: Photo, there: Sequence[str]) -> None:
    """Refuse a photograph whose SHA-256 is among those that are there: it would be no second look. Raises PhotoError."""
    if photo.sha256 in there:
        raise PhotoError(
            f"this is photograph {build.photo_id(1 + list(there).index(photo.sha256))} once more",
            file=photo.path,
            expected="another photograph of the same specimen",
            mend="give each photograph once",
        )


def named(seen: Any, number: int, *, already: int) -> Any:
    """What one photograph gave, its features named as those of that number, after as many as there are `already`."""
    if number == 1 and not already:
        return seen
    features = tuple(
        replace(feature, id=f"f{already + at}", photo=build.photo_id(number)) for at, feature in enumerate(seen.features, 1)
    )
    return replace(seen, features=features)


def joined(
    record: Record, seen: build.Seen, *, by: str, when: datetime, why: str | None = None, sheet: Sheet | None = None
) -> Record:
    """The record with a further photograph, measured on its own, under the next ids; all is judged again, by another sheet if
    one is given.

    What was said of the whole face was said before this photograph was there: it is to be said again.

    Raises
    ------
    PhotoError
        If it is one of the record's own.
    RecordError
        If the record is issued.
    """
    check_new(seen.photo, [photo.sha256 for photo in record.photos])
    number = len(record.photos) + 1
    parts = build.photo_parts(named(seen, number, already=edit.last_number(record)), build.photo_id(number))
    changes: dict[str, Any] = {name: (*getattr(record, name), *own) for name, own in parts.items()}
    changes["review"] = record.review.model_copy(update={"by": None, "when": None})
    entered = [] if sheet is None else _sheet_entered(record, changes, sheet)
    entry = {"what": "photograph added", "field": f"photos.{build.photo_id(number)}", "new": seen.photo.sha256}
    return edit.entered(record, changes, [*entered, entry], by=by, when=when, why=why)


def _sheet_entered(record: Record, changes: dict[str, Any], sheet: Sheet) -> list[dict[str, Any]]:
    """Put the sheet among the changes; the log's entries for what of it is new."""
    changes["sheet"] = build.plain(sheet.model_dump(mode="json", exclude_none=True))
    return [
        {"what": "entered", "field": f"sheet.{name}", "old": record.sheet.get(name), "new": changes["sheet"].get(name)}
        for name in dict.fromkeys((*record.sheet, *changes["sheet"]))
        if record.sheet.get(name) != changes["sheet"].get(name)
    ]


def placed_again(record: Record, seen: build.Seen, number: int, sheet: Sheet, *, by: str, when: datetime, why: str) -> Record:
    """The record with one later photograph on a scale, surface and area found anew by another sheet; its features stay.

    Raises
    ------
    RecordError
        If the record is issued.
    """
    id, parts = build.photo_id(number), build.photo_parts(seen, build.photo_id(number))
    changes: dict[str, Any] = {
        name: tuple(parts[name][0] if one.photo == id else one for one in getattr(record, name))
        for name in ("scales", "surfaces", "examined")
    }
    entries = _sheet_entered(record, changes, sheet)
    entry = {"what": "placed again", "field": f"photos.{id}"}
    return edit.entered(record, changes, [*entries, entry], by=by, when=when, why=why)
