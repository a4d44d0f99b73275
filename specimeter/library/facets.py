"""What an entry can be found by, as words of the full-text index; sizes become bins of a twentieth of a decade."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from typing import TypeVar

import numpy as np

from specimeter.library.entry import Entry
from specimeter.report import words

Places = TypeVar("Places", int, np.ndarray)
BINS = 20  # to a decade
_FINEST, _COARSEST = -40, 80  # 0.01 mm to 10 m


def words_of(entry: Entry) -> str:
    """Every word that a person might look for."""
    parts = [entry.title, entry.joint, entry.process, entry.material, entry.author, entry.notes, entry.truth]
    parts += [entry.coupon, entry.specimen, entry.test and entry.test.replace("-", " "), *entry.tags]
    parts += [words.kind(kind) for kind in entry.kinds]
    parts += [feature.why for feature in entry.seen]
    if entry.thickness_mm is not None:
        parts.append(f"{entry.thickness_mm:g} mm")
    if entry.clean:
        parts.append("clean no findings")
    return " ".join(part for part in parts if part)


def facets_of(entry: Entry) -> str:
    """The tokens that filters ask for, each a letter and a value run together."""
    tokens = {token("k", kind) for kind in entry.kinds}
    for letter, value in (
        ("t", entry.test),
        ("p", entry.process),
        ("o", entry.outcome),
        ("j", entry.joint),
        ("m", entry.material),
    ):
        if value:
            tokens.add(token(letter, value))
    tokens |= {token("g", tag) for tag in entry.tags}
    for feature in entry.seen:
        if feature.length_mm is not None:
            bin_ = size_bin(feature.length_mm)
            kinds = {feature.kind, feature.cause} - {None}
            tokens |= {size_token(bin_), *(size_token(bin_, kind) for kind in kinds)}
    if entry.clean:
        tokens.add("xclean")
    if entry.publishable:
        tokens.add("xpublish")
    return " ".join(sorted(tokens))


def token(letter: str, value: str) -> str:
    """One facet as one word of the index: nothing in it divides words."""
    plain = re.sub(r"[^0-9a-z]", lambda match: f"{ord(match.group()):x}", value.lower().replace("-", ""))
    return f"{letter}{plain}"


def size_bin(length_mm: float) -> int:
    """The bin that a length falls into."""
    return min(max(math.floor(math.log10(length_mm) * BINS), _FINEST), _COARSEST)


def size_token(bin_: int, kind: str | None = None) -> str:
    """The word for a bin, of any kind or of one."""
    return f"s{bin_ - _FINEST}{token('k', kind) if kind else ''}"


def size_tokens(least_mm: float | None, most_mm: float | None, kind: str | None = None) -> Iterable[str]:
    """Every bin that a range of lengths touches."""
    low = size_bin(least_mm) if least_mm else _FINEST
    high = size_bin(most_mm) if most_mm else _COARSEST
    return [size_token(bin_, kind) for bin_ in range(low, high + 1)]


def place_of(quality: int, id_: int) -> int:
    """Where an entry stands in the index: better examples after worse ones, so that the best come first when read backwards."""
    return (quality << 40) | id_


def id_at(place: Places) -> Places:
    """The entry that stands at a place; of an array, each."""
    return place & ((1 << 40) - 1)
