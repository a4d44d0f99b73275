"""Parting pictures into training and validation so that nothing seen in one is met again in the other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from specimeter.library import look
from specimeter.library.catalogue import Kept
from specimeter.library.store import Store


def groups(store: Store, ones: Sequence[Kept]) -> list[list[Kept]]:
    """Pictures that must stay together: of one coupon, of one specimen, or nearly the same."""
    ids = [one.id for one in ones]
    top = {id_: id_ for id_ in ids}

    def root(id_: int) -> int:
        while top[id_] != id_:
            top[id_] = top[top[id_]]
            id_ = top[id_]
        return id_

    first: dict[tuple[str, str], int] = {}
    for one in ones:
        for name, value in (("coupon", one.entry.coupon), ("specimen", one.entry.specimen)):
            if value:
                top[root(one.id)] = root(first.setdefault((name, value), one.id))
    hashes = dict(store.connection.execute("SELECT id, hash FROM entry"))
    many = np.frombuffer(b"".join(hashes[id_] for id_ in ids), np.uint64).reshape(-1, 2)
    for place, id_ in enumerate(ids[:-1]):
        for other in np.flatnonzero(look.distances(hashes[id_], many[place + 1 :]) <= look.NEARLY):
            top[root(ids[place + 1 + other])] = root(id_)
    together: dict[int, list[Kept]] = {}
    for one in ones:
        together.setdefault(root(one.id), []).append(one)
    return list(together.values())


def split(store: Store, ones: Sequence[Kept], *, validation: float = 0.2, seed: int = 1) -> dict[int, str]:
    """Each entry's part: ``train`` or ``validation``.

    Groups go to validation in a random order until it holds its share; groups with kinds that it lacks go first.
    """
    rng = np.random.default_rng(seed)
    waiting = sorted(groups(store, ones), key=lambda group: group[0].id)
    waiting = [waiting[index] for index in rng.permutation(len(waiting))]
    rare = Counter(kind for group in waiting for kind in {kind for one in group for kind in one.entry.kinds})
    part = {one.id: "train" for one in ones}
    wanted, number, have = validation * len(ones), 0, set()
    while waiting and number < wanted:
        lacking = [
            kind for kind, count in sorted(rare.items(), key=lambda pair: (pair[1], pair[0])) if kind not in have and count > 1
        ]

        def helps(group: list[Kept], lacking: list[str] = lacking) -> int:
            kinds = {kind for one in group for kind in one.entry.kinds}
            return next((len(lacking) - place for place, kind in enumerate(lacking) if kind in kinds), 0)

        room = [group for group in waiting if number + len(group) <= wanted + 0.5] or waiting
        chosen = max(room, key=helps)
        if number and number + len(chosen) > wanted + max(1, 0.05 * len(ones)):
            break
        waiting.remove(chosen)
        for one in chosen:
            part[one.id] = "validation"
        number += len(chosen)
        have |= {kind for one in chosen for kind in one.entry.kinds}
    return part
