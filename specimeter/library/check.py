"""Whether a library is whole: every entry has its picture, every picture its hash, the index knows every entry."""

from __future__ import annotations

import hashlib
import sqlite3
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from specimeter.library import catalogue, facets, framing, picture
from specimeter.library.store import Store, explained
from specimeter.rounding import counted


@dataclass(kw_only=True)
class Health:
    """What a check found. `faults` are losses; `leftovers` are files that no entry needs, as a killed run may leave them."""

    entries: int = 0
    faults: list[str] = field(default_factory=list)
    leftovers: list[Path] = field(default_factory=list)
    mended: list[str] = field(default_factory=list)


def check(store: Store, *, mend: bool = False) -> Health:
    """Read everything and compare; with `mend`, thumbnails are made again, leftovers removed and the index rebuilt.

    Leftovers younger than any writer's work could be those of another process: `mend` is for when no one else writes.
    """
    health = Health()
    sql = store.connection
    for (line,) in sql.execute("PRAGMA integrity_check").fetchall():
        if line != "ok":
            health.faults.append(f"the SQLite file is damaged: {line}")
    known: set[Path] = set()
    entries = list(catalogue.every(store))
    health.entries = len(entries)
    for one in entries:
        path, thumb = store.picture(one.sha256, one.suffix), store.thumb(one.sha256)
        known |= {path, thumb}
        _picture(one, path, health)
        if not thumb.is_file():
            _thumb(store, one, path, thumb, health, mend=mend)
    _index(store, entries, health, mend=mend)
    for folder in ("pictures", "thumbs"):
        for path in sorted((store.folder / folder).rglob("*")) if (store.folder / folder).is_dir() else ():
            if path.is_file() and path not in known:
                health.leftovers.append(path)
    health.leftovers += sorted(store.folder.glob(".*.part"))
    if mend:
        for path in health.leftovers:
            with explained(path):
                path.unlink(missing_ok=True)
            health.mended.append(f"removed {path.name}, which no entry needs")
        health.leftovers = []
    return health


def _picture(one: catalogue.Kept, path: Path, health: Health) -> None:
    try:
        if hashlib.sha256(path.read_bytes()).hexdigest() != one.sha256:
            health.faults.append(f"entry {one.id}: its picture {path.name} is not the one that was kept")
    except FileNotFoundError:
        health.faults.append(f"entry {one.id}: its picture {path.name} is missing")
    except OSError as error:
        health.faults.append(f"entry {one.id}: its picture {path.name} cannot be read ({error.strerror})")


def _thumb(store: Store, one: catalogue.Kept, path: Path, thumb: Path, health: Health, *, mend: bool) -> None:
    if not mend or not path.is_file():
        health.faults.append(f"entry {one.id}: its thumbnail is missing")
        return
    try:
        pixels = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    except (OSError, cv2.error):
        pixels = None
    if pixels is None:
        health.faults.append(f"entry {one.id}: its picture cannot be decoded")
        return
    pixels = np.ascontiguousarray(pixels[..., ::-1])
    shown = framing.cropped(pixels, framing.frame(one.entry, one.width_px, one.height_px))
    store.keep(thumb, picture.thumbnail(shown))
    health.mended.append(f"entry {one.id}: made its thumbnail again")


def _index(store: Store, entries: list[catalogue.Kept], health: Health, *, mend: bool) -> None:
    sql = store.connection
    wanted = {facets.place_of(one.entry.quality, one.id): one.entry for one in entries}
    have = {row[0]: row[1:] for row in sql.execute("SELECT rowid, words, facets FROM finder")}
    wrong = [place for place, entry in wanted.items() if have.get(place) != (facets.words_of(entry), facets.facets_of(entry))]
    wrong += [place for place in have if place not in wanted]
    try:
        sql.execute("INSERT INTO finder (finder) VALUES ('integrity-check')")
    except sqlite3.DatabaseError as error:
        wrong.append(0)
        health.faults.append(f"the index is damaged: {error}")
    if not wrong:
        return
    if not mend:
        health.faults.append(f"the index differs from the entries in {counted(len(wrong), 'place')}")
        return
    with store.writing():
        sql.execute("DELETE FROM finder")
        for place, entry in wanted.items():
            row = (place, facets.words_of(entry), facets.facets_of(entry))
            sql.execute("INSERT INTO finder (rowid, words, facets) VALUES (?, ?, ?)", row)
    health.faults = [fault for fault in health.faults if not fault.startswith("the index")]
    health.mended.append("built the index again")
