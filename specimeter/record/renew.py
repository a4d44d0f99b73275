"""A record whose ground was laid anew under what people have said of it: placed again, other limits, or edits taken back."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from specimeter.judge.limits import Limits
from specimeter.record import build, model
from specimeter.record.model import Record
from specimeter.record.recompute import recompute


def placed_again(old: Record, fresh: Record, *, by: str, when: datetime, why: str) -> Record:
    """The record of a new scale, surface and area with the features, words and log of the old one; every size recomputed.

    Parameters
    ----------
    old : Record
        With the features as people left them.
    fresh : Record
        Built from the first photograph after it was placed again: its sheet, limits, scale, surface and area are taken; the
        record's further photographs stay as they are.
    """
    further = {
        name: (*getattr(fresh, name), *getattr(old, name)[len(getattr(fresh, name)) :])
        for name in ("photos", "scales", "surfaces", "examined")
    }
    kept = further | {"features": old.features, "review": old.review, "log": old.log}
    entry = {"what": "placed again", "field": "scales", "why": why}
    changed = [
        {"what": "entered", "field": f"sheet.{name}", "old": old.sheet.get(name), "new": fresh.sheet.get(name)}
        for name in dict.fromkeys((*old.sheet, *fresh.sheet))
        if old.sheet.get(name) != fresh.sheet.get(name)
    ]
    return _sealed(fresh.model_copy(update=kept), [*changed, entry], by=by, when=when)


def with_limits(record: Record, limits: Limits | None, *, by: str, when: datetime) -> Record:
    """The same evidence judged by other limits; None: by none."""
    tables = None if limits is None else build.plain(limits.model_dump(mode="json", exclude_none=True))
    titles = [None if table is None else table["limits"]["title"] for table in (record.limits, tables)]
    entry = {"what": "limits entered", "field": "limits", "old": titles[0], "new": titles[1]}
    return _sealed(record.model_copy(update={"limits": tables}), [entry], by=by, when=when)


def taken_back(record: Record, kept: Sequence[model.LogEntry], *, by: str, when: datetime) -> Record:
    """A record that went back behind what was already written, under the log that was written: nothing is struck from a log."""
    entry = {"what": "earlier acts taken back", "field": "log", "old": len(kept), "new": len(record.log)}
    return _sealed(record.model_copy(update={"log": tuple(kept)}), [entry], by=by, when=when)


def _sealed(record: Record, entries: Sequence[dict], *, by: str, when: datetime) -> Record:
    lines = [{**entry, "when": build.utc(when), "who": by} for entry in entries]
    return model.logged(model.parts_of(recompute(record)), *lines)
