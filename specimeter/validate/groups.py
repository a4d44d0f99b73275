"""The same figures for each kind of specimen, finish, light and bench by itself: where it is harder, and how much."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from specimeter.validate.statistics import FAIR_MM, fair

Result = Mapping[str, Any]
HEAD = ("group", "photographs", "of 0.5 mm and more", "found", "false calls a photograph", "length error from 1 mm, median, %")
KINDS = ("test", "joint", "finish", "etch", "light", "bench")  # as far as the scenes of a test differ in them


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What became of one photograph: each fair feature found or not, calls of nothing, relative errors of lengths from 1 mm."""

    found: tuple[bool, ...]
    false: int
    length_off: tuple[float, ...]


def rows(results: Sequence[Result]) -> list[tuple[str, ...]]:
    """One row for each group that some but not all photographs belong to; those that ended in an error are left out."""
    done = [result for result in results if result["error"] is None]
    seen = [_seen(result) for result in done]
    told = []
    for kind in KINDS:
        names = sorted({result["groups"][kind] for result in done if kind in result["groups"]})
        for name in names if len(names) > 1 else ():
            own = [one for one, result in zip(seen, done, strict=True) if result["groups"].get(kind) == name]
            told.append(_row(f"{kind}: {name}", own))
    return told


def _row(name: str, seen: Sequence[Seen]) -> tuple[str, ...]:
    found = [hit for one in seen for hit in one.found]
    off = [error for one in seen for error in one.length_off]
    return (
        name,
        str(len(seen)),
        str(len(found)),
        f"{np.mean(found):.2f}" if found else "-",
        f"{np.mean([one.false for one in seen]):.2f}",
        f"{100 * np.median(off):.1f}" if off else "-",
    )


def _seen(result: Result) -> Seen:
    if "features" in result:  # a section
        asked, false = result["features"]["true"], result["features"]["false"]
        found = [one["found"] for one in asked if one["length_mm"] >= FAIR_MM]
        pairs = [(one["length_mm"], one["found_length_mm"]) for one in asked if one["found"]]
    else:
        asked, false = [one for one in result["truth"] if not one["cut"]], len(result["false_calls"])
        found = [one["found"] is not None for one in asked if fair(one)]
        pairs = [(one["length_mm"], one["found"]["length_mm"]) for one in asked if one["found"]]
    off = tuple(abs(got / true - 1) for true, got in pairs if true >= 1 and got is not None)
    return Seen(found=tuple(found), false=false, length_off=off)
