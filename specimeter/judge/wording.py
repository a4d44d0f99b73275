"""How numbers and lists are put into a verdict's sentence: no digit that the uncertainty does not justify."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence

from specimeter.judge.interval import Interval
from specimeter.rounding import plus_minus


def quantity(measured: Interval, unit: str) -> str:
    """``2.87 ± 0.12 mm``: no more digits than the uncertainty justifies.

    >>> quantity(Interval.around(2.8713, 0.1171), "mm")
    '2.87 ± 0.12 mm'
    >>> quantity(Interval.exact(3.0), "mm")
    '3 mm'
    """
    if abs(measured.value) * 1e-9 >= measured.U:
        return with_unit(f"{measured.value:.6g}", unit)
    return with_unit(plus_minus(measured.value, measured.U) or "", unit)


def limit(sense: str, value: float, unit: str) -> str:
    """``at most 3 mm``, as entered: up to six significant digits."""
    return f"{sense} {with_unit(f'{value:.6g}', unit)}"


def with_unit(text: str, unit: str) -> str:
    return f"{text} {unit}".rstrip()


def chance(probability: float) -> str:
    """``of 97.7 %``; no certainty where there is none.

    >>> chance(0.97725), chance(0.9999), chance(0.0), chance(0.5)
    ('of 97.7 %', 'above 99.9 %', 'below 0.1 %', 'of 50 %')
    """
    percent = 100 * probability
    if percent > 99.9:
        return "above 99.9 %"
    return "below 0.1 %" if percent < 0.1 else f"of {percent:.3g} %"


def kind_words(kind: str) -> str:
    """A kind's key in words.

    >>> kind_words("lack-of-inter-run-fusion")
    'lack of inter-run fusion'
    """
    return kind.replace("-", " ").replace("inter run", "inter-run")


_SIZES = {
    "nearest": "clear distance", "along_weld": "length along the weld", "through_wall": "extent through the wall",
    "excess_weld": "excess weld metal", "root_excess": "excess at the root", "weld_area": "area of weld metal",
    "haz_width": "heat-affected zone",
}  # fmt: skip


def size_words(name: str) -> str:
    """A size's name in words, without its unit.

    >>> size_words("theoretical_throat_mm"), size_words("haz_width_in"), size_words("weld_area_mm2"), size_words("dilution")
    ('theoretical throat', 'heat-affected zone', 'area of weld metal', 'dilution')
    """
    bare = re.sub(r"_(mm2?|in2?|deg)$", "", name)
    return _SIZES.get(bare, bare.replace("_", " "))


def expression_words(text: str, names: Collection[str]) -> str:
    """An expression with the names of sizes in words.

    >>> expression_words("max(leg_1_mm, leg_2_mm) - t", {"leg_1_mm", "leg_2_mm", "t"})
    'max(leg 1, leg 2) - t'
    """
    return re.sub(r"[^\W\d]\w*", lambda name: size_words(name[0]) if name[0] in names else name[0], text)


def listed(names: Sequence[str], most: int = 8) -> str:
    """``f1``, ``f1 and f2``, ``f1, f2 and f3``; beyond `most` the rest is counted.

    >>> listed(["f1", "f2", "f3"])
    'f1, f2 and f3'
    """
    names = list(names)
    if len(names) > most:
        names = [*names[: most - 1], f"{len(names) - most + 1} more"]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
