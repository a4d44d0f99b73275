"""The reference of an exercise's picture: from its truth, or from several readers by majority; no score on what is disputed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from specimeter.library import marking
from specimeter.library.entry import Entry, Seen

READERS = 3  # behind a reference that no truth supports
LEAST_PX, LEAST_MM = 10.0, 0.5  # what is smaller is shown but not asked for
ALLOWANCE = 0.15  # of a length: what estimating by eye against a scale bar is allowed (common practice, no source)
LONG = 3.0  # length over width from which tips and path count, not overlap


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One thing that the reference holds; pixels are [x, y], sizes mm.

    `kinds` are names that count as right, empty where the readers disagree; `spread_mm` is the standard deviation between
    readers; `scored` is False where it is disputed or too small to be asked for, and `note` says which.
    """

    id: str
    kinds: tuple[str, ...]
    outline_px: np.ndarray
    length_mm: float | None
    U_mm: float
    spread_mm: float
    scored: bool
    note: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """What a picture shows, by which right, and how far readers lie apart in it (standard deviation, pixels; None: unknown)."""

    items: tuple[Item, ...]
    basis: str
    spread_px: float | None


def reference(entry: Entry, *, tolerance_px: float) -> Reference | None:
    """The reference of an entry, or None where nothing is known well enough to mark by.

    Parameters
    ----------
    entry : Entry
        Its known truth comes first; else at least three readings.
    tolerance_px : float
        Within this distance two readers mean the same thing.
    """
    readings = entry.readings
    if entry.truth and (entry.seen or entry.clean):
        spread_px, spreads = _spread(entry.seen, [reading.seen for reading in readings], tolerance_px)
        items = [_known(feature, spreads.get(feature.id, 0.0)) for feature in entry.seen if feature.outline_px]
        return Reference(items=tuple(items), basis=entry.truth, spread_px=spread_px)
    if len(readings) < READERS:
        return None
    groups = _groups([reading.seen for reading in readings], tolerance_px)
    items = [_agreed(f"r{number}", group, len(readings)) for number, group in enumerate(groups, start=1)]
    spread_px = _between([group for group in groups if len(group) > 1])
    return Reference(items=tuple(items), basis=f"{len(readings)} readers, by majority", spread_px=spread_px)


def _known(feature: Seen, spread_mm: float) -> Item:
    outline = np.asarray(feature.outline_px, float)
    kinds = tuple(dict.fromkeys(kind for kind in (feature.kind, feature.cause) if kind))
    note = _too_small(outline, feature.length_mm)
    return Item(
        id=feature.id,
        kinds=kinds,
        outline_px=outline,
        length_mm=feature.length_mm,
        U_mm=feature.U_length_mm or 0.0,
        spread_mm=spread_mm,
        scored=not note,
        note=note,
        why=feature.why or "",
    )


def _agreed(id_: str, group: dict[int, Seen], readers: int) -> Item:
    """One thing that some readers saw: scored if more than half of them did."""
    ones = list(group.values())
    counted = Counter(one.kind for one in ones).most_common()
    kinds = (counted[0][0],) if 2 * counted[0][1] > len(ones) else ()
    middle = ones[len(ones) // 2] if len(ones) > 1 else ones[0]
    lengths = np.array([one.length_mm for one in ones if one.length_mm])
    outline = np.asarray(middle.outline_px, float)
    note = "" if 2 * len(ones) > readers else f"seen by {len(ones)} of {readers} readers: disputed"
    note = note or _too_small(outline, float(lengths.mean()) if len(lengths) else None)
    return Item(
        id=id_,
        kinds=kinds,
        outline_px=outline,
        length_mm=float(lengths.mean()) if len(lengths) else None,
        U_mm=max((one.U_length_mm or 0.0 for one in ones), default=0.0),
        spread_mm=float(lengths.std(ddof=1)) if len(lengths) > 1 else 0.0,
        scored=not note,
        note=note,
        why=next((one.why for one in ones if one.why), ""),
    )


def _too_small(outline: np.ndarray, length_mm: float | None) -> str:
    extent = float(np.ptp(outline, axis=0).max())
    if extent < LEAST_PX or (length_mm is not None and length_mm < LEAST_MM):
        return "too small in this picture to be asked for"
    return ""


def _groups(readings: Sequence[Sequence[Seen]], tolerance_px: float) -> list[dict[int, Seen]]:
    """Features of several readers that mean the same thing, each group reader by reader, at most one of each."""
    groups: list[dict[int, Seen]] = []
    for reader, seen in enumerate(readings):
        taken: set[int] = set()
        for feature in seen:
            if not feature.outline_px:
                continue
            line = marking.path_of(np.asarray(feature.outline_px, float))
            best, where = tolerance_px, None
            for index, group in enumerate(groups):
                if index in taken or reader in group:
                    continue
                other = marking.path_of(np.asarray(next(iter(group.values())).outline_px, float))
                away = max(marking.mean_distance(line, other), marking.mean_distance(other, line))
                if away <= best:
                    best, where = away, index
            if where is None:
                groups.append({reader: feature})
                taken.add(len(groups) - 1)
            else:
                groups[where][reader] = feature
                taken.add(where)
    return groups


def _spread(
    known: Sequence[Seen], readings: Sequence[Sequence[Seen]], tolerance_px: float
) -> tuple[float | None, dict[str, float]]:
    """How far readers lie apart on features whose truth is known: pixels in all, and millimetres by feature."""
    groups = _groups([known, *readings], tolerance_px)
    spreads = {}
    for group in groups:
        if 0 in group:
            lengths = [one.length_mm for reader, one in group.items() if reader and one.length_mm]
            if len(lengths) > 1:
                spreads[group[0].id] = float(np.std(lengths, ddof=1))
    shared = [{reader: one for reader, one in group.items() if reader} for group in groups]
    return _between([group for group in shared if len(group) > 1]), spreads


def _between(groups: Sequence[dict[int, Seen]]) -> float | None:
    """The standard deviation of the readers' centres, pooled over groups, pixels; None without two readers on one thing."""
    squares, freedom = 0.0, 0
    for group in groups:
        centres = np.array([np.mean(one.outline_px, axis=0) for one in group.values()])
        squares += float(((centres - centres.mean(0)) ** 2).sum() / 2)
        freedom += len(centres) - 1
    return float(np.sqrt(squares / freedom)) if freedom else None
