"""Earlier versions of ``record.json``, brought up to the present one as plain data before it is checked."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping
from typing import Any

from specimeter.record import log

Data = dict[str, Any]

_NOT_REVIEWED = "Not reviewed:"


def upgraded(data: Data) -> Data:
    """The same record as the present version would hold it; the damage of damaged data is left for whoever checks them."""
    while data.get("version") in UPGRADES:
        try:
            data = UPGRADES[data["version"]](data)
        except (AttributeError, KeyError, TypeError, ValueError, IndexError):
            return {**data, "version": data["version"] + 1}  # its damage is told by whoever checks it
    return data


def _from_1(data: Mapping[str, Any]) -> Data:
    """Version 2 keeps the photograph's own cautions with it, and chains the log."""
    stages = {c for name in ("scales", "surfaces", "examined") for part in data[name] for c in part.get("cautions", ())}
    own = [c for c in data["cautions"] if c not in stages and not c.startswith(_NOT_REVIEWED)]
    photos = [{**photo, "cautions": own if place == 0 else []} for place, photo in enumerate(data["photos"])]
    entries = [dict(entry) for entry in data["log"]]
    if data.get("review", {}).get("state") == "issued":  # nothing could issue a record then
        raise KeyError("issue")
    new = {**data, "version": 2, "photos": photos}
    with contextlib.suppress(ValueError):  # a number that is none: told when the data are checked
        new["log"] = log.chained([], entries, log.body_sha256(new))
    return new


UPGRADES: dict[int, Callable[[Mapping[str, Any]], Data]] = {1: _from_1}
