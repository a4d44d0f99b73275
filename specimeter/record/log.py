"""The append-only log: every entry is chained to the one before by SHA-256, and the last one holds the hash of all the rest.

An entry's `hash` is SHA-256 over ``specimeter-log-entry``, a zero byte, the hash of the entry before (of the first: 64 zeros),
a zero byte and the entry's canonical JSON without its `hash`. Its `body` is SHA-256 over ``specimeter-record-body``, a zero
byte and the canonical JSON of the record without its log, as it stood after the entry. Canonical: UTF-8, keys sorted, no
spaces, numbers as Python writes them. So a value that was changed without an entry, an entry that was changed, moved or taken
out, and (by the head that reports print) a log that was cut off at its end, all show.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

ENTRY, BODY = b"specimeter-log-entry", b"specimeter-record-body"
START = "0" * 64


def canonical(value: Any) -> bytes:
    """JSON as it is hashed."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))
    return text.encode("utf-8", "surrogatepass")


def body_sha256(data: Mapping[str, Any]) -> str:
    """Of a record's JSON data, all but its log."""
    return _sha256(BODY, canonical({key: value for key, value in data.items() if key != "log"}))


def entry_sha256(before: str, entry: Mapping[str, Any]) -> str:
    """Of one entry's JSON data, chained to the hash of the entry before."""
    return _sha256(ENTRY, before.encode(), canonical({key: value for key, value in entry.items() if key != "hash"}))


def chained(kept: Sequence[Mapping[str, Any]], new: Iterable[Mapping[str, Any]], body: str) -> list[dict[str, Any]]:
    """Entries `new`, JSON data without hashes, chained after `kept`; the last one gets `body`."""
    added = [dict(entry) for entry in new]
    added[-1]["body"] = body
    before, out = (kept[-1]["hash"] if kept else START), []
    for entry in added:
        before = entry_sha256(before, entry)
        out.append({**entry, "hash": before})
    return out


def faults(data: Mapping[str, Any]) -> list[str]:
    """What is wrong with the log of a record's JSON data, in sentences; empty where the whole chain holds.

    `data` is what ``record.json`` holds, not what a model made of it: fields that a later version added would change the hash.
    """
    told, before, last = [], START, ""
    for number, entry in enumerate(data["log"], start=1):
        if entry.get("hash") != entry_sha256(before, entry):
            told.append(
                f"log entry {number} ({entry.get('when')}, {entry.get('who')}) is not what was written, or not in its place"
            )
            break  # every later one would be told as well, and says nothing new
        if last and entry["when"] < last:
            told.append(f"log entry {number} is earlier than the one before it")
        before, last = entry["hash"], entry["when"]
    else:
        if data["log"][-1].get("body") != body_sha256(data):
            told.append("the record is not what its last log entry left: something was changed and not logged")
    return told


def _sha256(*parts: bytes) -> str:
    return hashlib.sha256(b"\0".join(parts)).hexdigest()
