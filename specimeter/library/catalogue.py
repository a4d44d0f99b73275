"""Putting entries into the library, reading them and changing them, each change logged."""

from __future__ import annotations

import datetime
import json
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from specimeter.errors import LibraryError
from specimeter.library import framing, look, picture
from specimeter.library.entry import Entry, made
from specimeter.library.facets import facets_of, place_of, words_of
from specimeter.library.store import Store

MOST_NEAR = 8  # pictures that are looked at again when their hashes nearly agree
_COLUMNS = "id, sha256, suffix, bytes, width_px, height_px, added, data"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """An entry as it stands in the library, with its number and its picture."""

    id: int
    sha256: str
    suffix: str
    bytes: int
    width_px: int
    height_px: int
    added: str
    entry: Entry


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """What became of one picture: `id` of its entry, whether it is `new`, and the entries that look nearly the same."""

    id: int
    new: bool
    nearly: tuple[int, ...] = ()


def add(store: Store, copy: picture.Copy, entry: Entry, *, who: str = "") -> Added:
    """Keep a picture and its entry. A picture that is there already is not added again.

    The picture's files are on disk before its entry is: whoever is killed between the two leaves a file too many, never an
    entry without a picture.
    """
    if (known := _same(store, copy)) is not None:
        return Added(id=known, new=False)
    hash_, looks = look.difference_hash(copy.rgb), look.description(copy.rgb)
    nearly = tuple(id_ for id_ in near(store, hash_)[:MOST_NEAR] if look.same_view(copy.rgb, _pixels(store, id_)))
    store.keep(store.picture(copy.sha256, copy.suffix), copy.data)
    store.keep(store.thumb(copy.sha256), picture.thumbnail(_shown(copy.rgb, entry)))
    with store.writing() as sql:
        if (known := _same(store, copy)) is not None:  # another process was first
            return Added(id=known, new=False)
        now = moment()
        row = (copy.sha256, copy.source_sha256, copy.suffix, len(copy.data), copy.width_px, copy.height_px)
        id_ = insert(sql, row, hash_, looks.tobytes(), entry, now)
        sql.execute("INSERT INTO log (entry, at, who, what) VALUES (?, ?, ?, 'added')", (id_, now, who))
    return Added(id=id_, new=True, nearly=nearly)


def insert(sql: sqlite3.Connection, row: tuple, hash_: bytes, looks: bytes, entry: Entry, now: str) -> int:
    """The rows of one new entry, inside a transaction; `row` is from sha256 to height_px. Returns its number."""
    cursor = sql.execute(
        "INSERT INTO entry (sha256, source_sha256, suffix, bytes, width_px, height_px, hash, look, place, added, data) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, (SELECT -1 - coalesce(max(id), 0) FROM entry), ?, ?)",
        (*row, hash_, looks, now, _json(entry)),
    )
    id_ = cursor.lastrowid
    assert id_ is not None  # a row was put in
    place = place_of(entry.quality, id_)
    sql.execute("UPDATE entry SET place = ? WHERE id = ?", (place, id_))
    sql.execute("INSERT INTO finder (rowid, words, facets) VALUES (?, ?, ?)", (place, words_of(entry), facets_of(entry)))
    return id_


def near(store: Store, hash_: bytes, *, most: int = look.NEARLY) -> tuple[int, ...]:
    """Entries whose pictures differ from a hash in at most so many of 128 bits, nearest first."""
    ids, hashes = store.hashes
    rows = store.connection.execute("SELECT id, hash FROM entry WHERE id > ? ORDER BY id", (int(ids[-1]) if len(ids) else 0,))
    if new := rows.fetchall():
        ids = np.concatenate([ids, np.array([row[0] for row in new], np.int64)])
        hashes = np.concatenate([hashes, np.frombuffer(b"".join(row[1] for row in new), np.uint64).reshape(-1, 2)])
        store.hashes = ids, hashes
    far = look.distances(hash_, hashes)
    order = np.argsort(far, kind="stable")[: int((far <= most).sum())]
    return tuple(int(id_) for id_ in ids[order])


def get(store: Store, id_: int) -> Kept:
    """One entry by its number."""
    row = store.connection.execute(f"SELECT {_COLUMNS} FROM entry WHERE id = ?", (id_,)).fetchone()
    if row is None:
        raise LibraryError(f"there is no entry {id_}", file=store.folder, mend="specimeter library find shows their numbers")
    return kept(row)


def every(store: Store) -> Iterator[Kept]:
    """All entries, best examples first."""
    for row in store.connection.execute(f"SELECT {_COLUMNS} FROM entry ORDER BY place DESC"):
        yield kept(row)


def count(store: Store) -> int:
    """How many entries there are."""
    return store.connection.execute("SELECT count(*) FROM entry").fetchone()[0]


def kept(row: tuple) -> Kept:
    """An entry from its row, columns as in `get`."""
    id_, sha256, suffix, size, width, height, added, data = row
    return Kept(
        id=id_, sha256=sha256, suffix=suffix, bytes=size, width_px=width, height_px=height, added=added, entry=_entry(data, id_)
    )


def edit(store: Store, id_: int, changes: Mapping[str, Any], *, who: str = "") -> Kept:
    """Change fields of an entry; None takes a value away. Every changed field is logged with its old value."""
    with store.writing() as sql:
        before = get(store, id_).entry
        old = before.model_dump(mode="json", exclude_none=True)
        wanted = {key: value for key, value in {**old, **changes}.items() if value is not None}
        entry = made(wanted)
        new = entry.model_dump(mode="json", exclude_none=True)
        now = moment()
        for field in Entry.model_fields:
            if old.get(field) != new.get(field):
                sql.execute(
                    "INSERT INTO log (entry, at, who, what, field, old, new) VALUES (?, ?, ?, 'changed', ?, ?, ?)",
                    (id_, now, who, field, json.dumps(old.get(field)), json.dumps(new.get(field))),
                )
        place = place_of(entry.quality, id_)
        sql.execute("DELETE FROM finder WHERE rowid = ?", (place_of(before.quality, id_),))
        sql.execute("UPDATE entry SET data = ?, place = ? WHERE id = ?", (_json(entry), place, id_))
        sql.execute("INSERT INTO finder (rowid, words, facets) VALUES (?, ?, ?)", (place, words_of(entry), facets_of(entry)))
    return get(store, id_)


def history(store: Store, id_: int) -> list[dict[str, str | None]]:
    """What was done to an entry, oldest first."""
    names = ("at", "who", "what", "field", "old", "new")
    rows = store.connection.execute(f"SELECT {', '.join(names)} FROM log WHERE entry = ? ORDER BY id", (id_,))
    return [dict(zip(names, row, strict=True)) for row in rows]


def moment() -> str:
    """Now, in UTC, ISO 8601."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


def _same(store: Store, copy: picture.Copy) -> int | None:
    query = "SELECT id FROM entry WHERE sha256 = ? OR source_sha256 = ?"
    row = store.connection.execute(query, (copy.sha256, copy.source_sha256)).fetchone()
    return row and row[0]


def _pixels(store: Store, id_: int) -> np.ndarray:
    """The upright pixels of an entry's picture."""
    one = get(store, id_)
    return picture.copy_of(store.picture(one.sha256, one.suffix)).rgb


def _shown(rgb: np.ndarray, entry: Entry) -> np.ndarray:
    """The part of the picture that a thumbnail shows."""
    return framing.cropped(rgb, framing.frame(entry, rgb.shape[1], rgb.shape[0]))


def _json(entry: Entry) -> str:
    return json.dumps(entry.model_dump(mode="json", exclude_defaults=True), ensure_ascii=False, separators=(",", ":"))


def _entry(data: str, id_: int) -> Entry:
    return made(json.loads(data), file=f"entry {id_}")
