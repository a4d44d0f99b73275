"""What the names in a rule's expressions stand for: the sheet's values, a feature's sizes, a section's sizes."""

from __future__ import annotations

import math
from collections.abc import Mapping

from specimeter.judge.interval import Interval
from specimeter.judge.limits import FEATURE_SIZES, MM_PER_INCH, SECTION_SIZES, SHEET_ANGLES, SHEET_LENGTHS, Rule, in_inches
from specimeter.judge.wording import size_words
from specimeter.measure.feature import Feature
from specimeter.sheet import Sheet

Known = dict[str, Interval | bool | str | None]  # a reason, as text, where there is no number


def of_sheet(sheet: Sheet, unit: str) -> Known:
    """The sheet's lengths in the rule's unit and its angles in degrees; they count as exact, as entered."""
    known: Known = {}
    for name, (table, key) in (SHEET_LENGTHS | SHEET_ANGLES).items():
        found = getattr(getattr(sheet, table), key, None)
        if found is None:
            known[name] = f"the sheet gives no {table}.{key}"
        else:
            known[name] = Interval.exact(found / MM_PER_INCH if unit == "in" and name in SHEET_LENGTHS else found)
    return known


def of_feature(feature: Feature, on_sheet: Known, *, seen_part: bool = False, asked: frozenset[str] | None = None) -> Known:
    """What a rule's `size`, `where` and `counted` may name, for one feature; `on_sheet` as `of_sheet` gives it.

    With `seen_part` a size of one that is cut off is what is seen of it or more; without, it is not measured. `asked` names
    what is wanted; None: everything.
    """
    known: Known = {}
    for name, power in FEATURE_SIZES.items():
        if asked is not None and name not in asked and in_inches(name) not in asked:
            continue
        if seen_part and name in feature.seen and getattr(feature, name, None) is None:
            part = Interval.at_least(*feature.seen[name])
            part = Interval(max(0.0, part.low), part.value, part.high)
            known |= {name: part} | ({in_inches(name): part.scaled(MM_PER_INCH**-power)} if power else {})
            continue
        size = getattr(feature, name, None)
        U = getattr(feature, f"U_{name}", None)
        why = feature.missing.get(name)
        _enter(known, name, power, size, U, f"the {size_words(name)} of {feature.id}", f" ({why})" if why else "")
    known["at_corner"] = feature.at_corner
    return known | on_sheet


def of_section(section: Mapping[str, float] | None, rule: Rule, sheet: Sheet) -> Known:
    """The same for a macro section's sizes, ``throat_mm`` beside ``U_throat_mm``."""
    section, known = section or {}, Known()
    for name, power in SECTION_SIZES.items():
        _enter(known, name, power, section.get(name), section.get(f"U_{name}"), f"the section's {size_words(name)}")
    return known | of_sheet(sheet, rule.unit)


def _enter(known: Known, name: str, power: int, size: float | None, U: float | None, what: str, why: str = "") -> None:
    if size is None or not math.isfinite(size):
        entry: Interval | str = f"{what} is not measured{why}"
    elif U is None or not math.isfinite(U) or U < 0:
        entry = f"{what} has no uncertainty"
    else:
        around = Interval.around(size, U)
        entry = Interval(max(0.0, around.low), around.value, around.high) if size >= 0 else around
    known[name] = entry
    if power:
        known[in_inches(name)] = entry if isinstance(entry, str) else entry.scaled(MM_PER_INCH**-power)
