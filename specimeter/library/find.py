"""Finding entries: by words, kind, test, process, size and outcome, and by likeness; the best examples first."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

import numpy as np

from specimeter.errors import LibraryError
from specimeter.library import catalogue, facets
from specimeter.library.alike import Looks
from specimeter.library.catalogue import Kept
from specimeter.library.entry import OUTCOMES, TESTS
from specimeter.library.store import Store
from specimeter.sheet import KINDS
from specimeter.toml_file import nearest

FEW = 20_000  # matches that are read whole when likeness is asked for
COUNTED = 1000  # beyond this many, a total is only said to be more
_JOIN = "FROM finder JOIN entry ON entry.place = finder.rowid WHERE finder MATCH ? ORDER BY finder.rowid DESC"
_COLUMNS = "entry.id, sha256, suffix, bytes, width_px, height_px, added, data"


@dataclass(frozen=True, slots=True, kw_only=True)
class Query:
    """What is looked for; whatever is None or empty does not narrow it. Lengths in mm; `like` is an entry's number.

    Words are joined by "and"; a word also finds longer words that begin with it, from two letters up.
    """

    words: str = ""
    kind: str | None = None
    test: str | None = None
    process: str | None = None
    outcome: str | None = None
    joint: str | None = None
    material: str | None = None
    tags: tuple[str, ...] = ()
    least_mm: float | None = None
    most_mm: float | None = None
    clean: bool | None = None
    publishable: bool = False
    like: int | None = None

    def __post_init__(self) -> None:
        for name, known in (("kind", KINDS), ("test", TESTS), ("outcome", OUTCOMES)):
            value = getattr(self, name)
            if value is not None and value not in known:
                near = nearest(value, known)
                mend = f'did you mean "{near}"?' if near else None
                raise LibraryError(f'unknown {name} "{value}"', field=name, expected=", ".join(known), mend=mend)
        if self.least_mm is not None and self.most_mm is not None and self.least_mm > self.most_mm:
            raise LibraryError(f"no length is at least {self.least_mm:g} and at most {self.most_mm:g} mm", field="size")


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The best hits, and how many there are in all: exact up to `COUNTED`, then None."""

    hits: tuple[Kept, ...]
    total: int | None


def find(store: Store, query: Query, *, limit: int = 24, looks: Looks | None = None) -> Found:
    """Entries that fit a query, best examples first, or the most alike first where it asks for likeness.

    Parameters
    ----------
    store : Store
        An open library.
    query : Query
        What is looked for.
    limit : int
        At most so many hits.
    looks : Looks, optional
        The descriptions of all pictures, if they are at hand already.

    Raises
    ------
    LibraryError
        The entry to be like is not there.
    """
    match = expression(query)
    if query.like is not None:
        return _alike(store, query, match, limit, looks or Looks(store))
    if match is None:
        rows = store.connection.execute(f"SELECT {_COLUMNS} FROM entry ORDER BY place DESC LIMIT ?", (limit,))
        return Found(hits=tuple(catalogue.kept(row) for row in rows), total=catalogue.count(store))
    hits = []
    for one in _stream(store, match):
        if _fits(one, query):
            hits.append(one)
            if len(hits) == limit:
                break
    return Found(hits=tuple(hits), total=len(hits) if len(hits) < limit else _total(store, match, query))


def expression(query: Query) -> str | None:
    """The query in the index's own language; every word is quoted, so that a word is never an operator."""
    parts = []
    if typed := words_in(query.words):
        parts.append("words : (" + " AND ".join(f'"{word}"' + ("*" if len(word) > 1 else "") for word in typed) + ")")
    wanted = [
        facets.token(letter, value)
        for letter, value in (
            ("k", query.kind),
            ("t", query.test),
            ("p", query.process),
            ("o", query.outcome),
            ("j", query.joint),
            ("m", query.material),
            *(("g", tag) for tag in query.tags),
        )
        if value
    ]
    wanted += ["xclean"] if query.clean else []
    wanted += ["xpublish"] if query.publishable else []
    if wanted:
        parts.append("facets : (" + " AND ".join(f'"{token}"' for token in wanted) + ")")
    if query.least_mm is not None or query.most_mm is not None:
        bins = facets.size_tokens(query.least_mm, query.most_mm, query.kind)
        parts.append("facets : (" + " OR ".join(f'"{token}"' for token in bins) + ")")
    return " AND ".join(parts) or None


def words_in(text: str) -> list[str]:
    """The words of a typed line, at most twelve, as the index divides them."""
    return re.findall(r"[^\W_]+", text.lower())[:12]


def _stream(store: Store, match: str) -> Iterator[Kept]:
    for row in store.connection.execute(f"SELECT {_COLUMNS} {_JOIN}", (match,)):
        yield catalogue.kept(row)


def _fits(one: Kept, query: Query) -> bool:
    """Whether a hit's sizes are in the range exactly (the index knows only bins), and it is not clean unasked."""
    if query.clean is False and one.entry.clean:
        return False
    if query.least_mm is None and query.most_mm is None:
        return True
    low, high = query.least_mm or 0.0, query.most_mm or float("inf")
    return any(
        feature.length_mm is not None
        and low <= feature.length_mm <= high
        and (query.kind is None or query.kind in (feature.kind, feature.cause))
        for feature in one.entry.seen
    )


def _total(store: Store, match: str, query: Query) -> int | None:
    if query.least_mm is not None or query.most_mm is not None or query.clean is False:
        return None
    within = "SELECT count(*) FROM (SELECT rowid FROM finder WHERE finder MATCH ? ORDER BY rowid DESC LIMIT ?)"
    total = store.connection.execute(within, (match, COUNTED + 1)).fetchone()[0]
    return total if total <= COUNTED else None


def _alike(store: Store, query: Query, match: str | None, limit: int, looks: Looks) -> Found:
    among, sparse = None, match is not None
    if match is not None:
        some = "SELECT rowid FROM finder WHERE finder MATCH ? LIMIT ?"
        rows = store.connection.execute(some, (match, FEW + 1)).fetchall()
        sparse = len(rows) <= FEW
        among = np.sort(facets.id_at(np.array(rows, np.int64).ravel())) if sparse else None
    wanted, hits = 2 * limit + 1, []
    while True:  # exact sizes are not in the index, and of many matches not all were read: some of the most alike may not fit
        ids = looks.like(query.like or 0, most=wanted, among=among)
        others = _these(store, ids[ids != query.like])
        hits = list(islice((one for one in others if _fits(one, query) and (sparse or _matches(store, one, match))), limit))
        if len(hits) == limit or len(ids) < wanted:
            return Found(hits=tuple(hits), total=len(hits) if len(hits) < limit else None)
        wanted *= 4


def _matches(store: Store, one: Kept, match: str | None) -> bool:
    """Whether one entry is among the matches."""
    if match is None:
        return True
    place = facets.place_of(one.entry.quality, one.id)
    query = "SELECT 1 FROM finder WHERE finder MATCH ? AND rowid = ?"
    return store.connection.execute(query, (match, place)).fetchone() is not None


def _these(store: Store, ids: np.ndarray) -> list[Kept]:
    """Entries by number, in the order given."""
    found: dict[int, Kept] = {}
    for start in range(0, len(ids), 500):
        some = [int(id_) for id_ in ids[start : start + 500]]
        query = f"SELECT {_COLUMNS} FROM entry WHERE id IN ({', '.join('?' * len(some))})"
        found |= {row[0]: catalogue.kept(row) for row in store.connection.execute(query, some)}
    return [found[int(id_)] for id_ in ids if int(id_) in found]
