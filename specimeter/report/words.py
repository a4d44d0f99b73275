"""The words a reader meets for what the record stores in keys: kinds, outcomes, confidences, and entries of the sheet."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from typing import Any

from specimeter.report.language import Said

KINDS = {
    "opening": "opening",
    "crack": "crack",
    "pore": "pore",
    "elongated-cavity": "elongated cavity",
    "slag": "slag inclusion",
    "lack-of-sidewall-fusion": "lack of sidewall fusion",
    "lack-of-inter-run-fusion": "lack of inter-run fusion",
    "lack-of-root-fusion": "lack of root fusion",
    "lack-of-fusion": "lack of fusion",
    "lack-of-penetration": "lack of penetration",
    "undercut": "undercut",
    "overlap": "overlap",
    "fisheye": "fisheye",
    "other": "other",
}

OUTCOMES = {
    "within": "Within the limits entered",
    "exceeds": "Exceeds the limits entered",
    "undecided": "Undecided",
    "not-measured": "Not measured",
    "replace": "Replace: another specimen is asked for",
    "void": "Void: the test was not valid",
    "no-limits": "Measured; no limits were entered",
}

VERDICTS = {
    "within": "within",
    "exceeds": "exceeds",
    "undecided": "undecided",
    "not-measured": "not measured",
    "replace": "replace",
}

DECISIONS = {
    "guarded": "Guarded: a size is within only if, with its expanded uncertainty against it, it still keeps the limit; beyond "
    "only if it breaks the limit with the uncertainty in its favour; between the two it is undecided.",
    "simple": "Simple: the size itself is compared with the limit and its expanded uncertainty is reported beside it; close to "
    "the limit up to half of such calls can be wrong.",
}

UNREVIEWED = "unreviewed: not a test report"
DECIDES = "The authorised inspector and the governing code decide. The limits are as the user entered them."
BY_EYE = "Bend and break tests are judged by eye; sizes from photographs support that judgement and do not replace it."
ONE_PLANE = "A section shows one plane of the weld: what lies before or behind it is not seen."
NOBODY = "No named person has reviewed it yet."
SAFETY = "This report measures and compares. It does not say that a weld is safe."

MOST_LISTED = 14  # as many as there are kinds

_JOINED = re.compile(r"_|(?<=\w)-(?=\w)")  # between words; a sign stays a sign
_UNITS = {
    "_kJ_mm": "kJ/mm",
    "_mm_s": "mm/s",
    "_mm2": "mm²",
    "_mm": "mm",
    "_deg": "°",
    "_px": "px",
    "_rel": "(relative)",
    "_percent": "%",
    "_A": "A",
    "_V": "V",
    "_C": "°C",
    "_s": "s",
}


def kind(key: str) -> str:
    """A feature's kind in words."""
    return KINDS.get(key, key.replace("-", " "))


def confidence(value: float) -> str:
    """How sure the finder was: ``sure``, ``likely`` or ``doubtful``."""
    return "sure" if value >= 0.9 else "likely" if value >= 0.6 else "doubtful"


def outcome(key: str, *, reviewed: bool) -> str:
    """The outcome in words; nothing is simply within before a person has been through it."""
    return OUTCOMES[key] + (", not reviewed" if key == "within" and not reviewed else "")


def heading(test: str) -> str:
    """``"side-bend"`` becomes ``"Side bend test: findings"``."""
    return f"{test.replace('-', ' ').capitalize()} test: findings"


def sentence(text: str) -> str:
    """A clause as a sentence, with its capital and full stop; what begins with a name, such as ``f1``, keeps it.

    >>> sentence("the camera leaned 20 deg"), sentence("f1 is open")
    ('The camera leaned 20 deg.', 'f1 is open.')
    """
    begun = text[:1].upper() + text[1:] if re.match(r"[a-z]+\b", text) else text
    return begun if begun.endswith((".", "?", "!", ":")) or not begun else f"{begun}."


def shown(text: str) -> str:
    """Text as it may stand in a report: characters that would be invisible or turn the reading order are written out.

    >>> shown("a" + chr(0x202E) + "b")
    'a[U+202E]b'
    """
    return text if text.isprintable() else "".join(_visible(character) for character in text)


def _visible(character: str) -> str:
    if character in "\n\r\t":
        return " "
    if character in "\u200c\u200d\ufe0e\ufe0f":  # joiners and selectors that scripts need for their right shapes
        return character
    hidden = unicodedata.category(character) in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
    return f"[U+{ord(character):04X}]" if hidden else character


def entered(value: Any, unit: str = "", *, digits: int | None = None) -> str:
    """A value as the user entered it: no digit added, none taken away; with `digits` a computed one, cut to so many."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        text = repr(value).removesuffix(".0") if digits is None or isinstance(value, int) else f"{value:.{digits}g}"
        return f"{text}{unit}" if unit == "°" else f"{text} {unit}".rstrip()
    if isinstance(value, list | tuple):
        if _is_points(value):
            return Said("; ".join(f"[{', '.join(entered(item, digits=digits) for item in point)}]" for point in value))
        if len(value) > MOST_LISTED or any(isinstance(item, list | tuple | dict) for item in value):
            return "1 entry, in the record" if len(value) == 1 else f"{len(value)} entries, in the record"
        text = ", ".join(entered(item, digits=digits) for item in value) + (f" {unit}" if unit and value else "")
        return Said(text) if any(isinstance(item, str) for item in value) else text
    return Said(value) if isinstance(value, str) else str(value)


def _is_points(value: Any) -> bool:
    """A few points [x, y], such as the ends of an axis."""
    return 0 < len(value) <= 4 and all(
        isinstance(point, list | tuple) and len(point) == 2 and all(isinstance(item, int | float) for item in point)
        for point in value
    )


def entries(table: Mapping[str, Any], before: str = "", *, digits: int | None = None) -> Iterator[tuple[str, str]]:
    """Name and value in words of each entry that has one, nested tables joined to one line each.

    >>> list(entries({"former_diameter_mm": 40.0, "weld": {"gap_deg": 1.5}}))
    [('former diameter', '40 mm'), ('weld, gap', '1.5°')]
    """
    for key, value in table.items():
        unit_key = next((suffix for suffix in _UNITS if key.endswith(suffix)), "")
        name = before + _JOINED.sub(" ", key.removesuffix(unit_key)).strip()
        if name.endswith(" U"):
            name = f"{name[:-2]}, U (k = 2)"
        if isinstance(value, Mapping):
            yield from entries(value, name + ", ", digits=digits)
        elif value not in ([], "", None):
            yield name, entered(value, _UNITS.get(unit_key, ""), digits=digits)


def missing_name(key: str) -> str:
    """``"length_mm"`` becomes ``"length"``."""
    name = next((key.removesuffix(suffix) for suffix in _UNITS if key.endswith(suffix)), key)
    return {"nearest": "clear distance"}.get(name, name.replace("_", " "))
