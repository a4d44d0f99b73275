"""Likeness between all pictures of a library: their descriptions side by side, kept in one file that is mapped into memory."""

from __future__ import annotations

import contextlib
import mmap

import numpy as np

from specimeter import files
from specimeter.errors import LibraryError
from specimeter.library.look import DIMENSIONS
from specimeter.library.store import Store

FILE = "looks.bin"  # may be deleted at any time: it is made again from the library
_STALE = 500


class Looks:
    """The descriptions of every picture, shape (N, 96), with their entries' numbers, shape (N,)."""

    def __init__(self, store: Store) -> None:
        ids, looks = _kept(store)
        rows = store.connection.execute(
            "SELECT id, look FROM entry WHERE id > ? ORDER BY id", (int(ids[-1]) if len(ids) else 0,)
        ).fetchall()
        self.parts = [(ids, looks)]
        if rows:
            new = np.frombuffer(b"".join(row[1] for row in rows), np.float32).reshape(-1, DIMENSIONS)
            self.parts.append((np.array([row[0] for row in rows], np.int64), new))
            if len(rows) > _STALE:
                _keep(store, self.parts)

    def like(self, id_: int, *, most: int, among: np.ndarray | None = None) -> np.ndarray:
        """At most so many entries' numbers, the most alike first; only those `among` (ascending) where that is given."""
        wanted = None
        for ids, looks in self.parts:
            at = int(np.searchsorted(ids, id_))
            if at < len(ids) and ids[at] == id_:
                wanted = looks[at]
        if wanted is None:
            raise LibraryError(f"there is no entry {id_}", field="like")
        numbers, scores = [], []
        for ids, looks in self.parts:
            if among is not None and len(ids):
                places = np.minimum(np.searchsorted(ids, among), len(ids) - 1)
                places = places[ids[places] == among]
                ids, looks = ids[places], looks[places]
            numbers.append(ids)
            scores.append(looks @ wanted)
        every, score = np.concatenate(numbers), np.concatenate(scores)
        if len(every) > most:
            best = np.argpartition(-score, most)[:most]
            every, score = every[best], score[best]
        return every[np.lexsort((every, -score))]


def _kept(store: Store) -> tuple[np.ndarray, np.ndarray]:
    """What the file holds; nothing where there is none or it is not whole."""
    with contextlib.suppress(OSError, ValueError), open(store.folder / FILE, "rb") as stream:
        data = mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ)
        number = int(np.frombuffer(data, np.int64, 1)[0])
        if len(data) == 8 + number * (8 + 4 * DIMENSIONS):
            ids = np.frombuffer(data, np.int64, number, 8)
            looks = np.frombuffer(data, np.float32, number * DIMENSIONS, 8 + 8 * number)
            return ids, looks.reshape(number, DIMENSIONS)
    return np.empty(0, np.int64), np.empty((0, DIMENSIONS), np.float32)


def _keep(store: Store, parts: list[tuple[np.ndarray, np.ndarray]]) -> None:
    ids, looks = (np.concatenate([part[index] for part in parts]) for index in (0, 1))
    with contextlib.suppress(OSError):  # a library that may only be read is searched all the same
        files.write(store.folder / FILE, np.int64(len(ids)).tobytes() + ids.tobytes() + looks.tobytes())
