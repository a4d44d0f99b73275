"""The finding as the terminal prints it: outcome, why, sizes and cautions in at most 100 columns of plain characters."""

from __future__ import annotations

import textwrap
import unicodedata

from specimeter.record.edit import left_to_do
from specimeter.record.model import Feature, Record
from specimeter.report import cut, words
from specimeter.rounding import plus_minus

WIDTH = 100
MOST_ROWS = 20
_LETTERS = {"ß": "ss", "æ": "ae", "Æ": "AE", "ø": "o", "Ø": "O", "ł": "l", "Ł": "L", "đ": "d", "ı": "i"}  # they have no parts


def summary(record: Record) -> str:
    """A few lines for a person at the terminal, ending without a newline; ``+-`` stands for plus or minus."""
    test = str(record.sheet["specimen"].get("test", "")).replace("-", " ")
    outcome = words.outcome(record.outcome, reviewed=record.review.state != "unreviewed")
    lines = wrapped(f"{record.id}, {test}: {outcome.upper()}", "")
    lines += [line for reason in record.reasons for line in wrapped(reason, "  ")]
    lines.append("")
    if record.cut is not None:
        lines += [plain(line) for line in cut.lines(record)]
        if lacking := cut.lacking(record):
            lines += ["Not measured", *(line for one in lacking for line in wrapped(one, "  "))]
        lines.append("")
    lines += _table(record.features)
    if record.cautions:
        lines += ["", "Cautions"]
        lines += [line for caution in record.cautions for line in wrapped(words.sentence(caution), "  ")]
    lines.append("")
    if record.review.state == "unreviewed":
        lines += wrapped(words.UNREVIEWED[0].upper() + words.UNREVIEWED[1:] + ".", "")
    lines += wrapped(words.DECIDES, "")
    return "\n".join(lines)


def review(record: Record) -> str:
    """What has been reviewed and what is left to do, feature by feature."""
    lines = [
        f"{record.id}: {record.review.state}; {words.outcome(record.outcome, reviewed=record.review.state != 'unreviewed')}"
    ]
    lines += [f"  {feature_line(feature)}" for feature in record.features] or ["  no features"]
    left = left_to_do(record)
    lines += [f"  left to do: {task}" for task in left] or [
        f"  nothing is left to do; the face was looked over by {record.review.by}"
    ]
    if record.issue is not None:
        lines.append(
            f"  issued as {record.issue.number}, revision {record.issue.revision}, authorised by {record.issue.authorised_by}"
        )
    return "\n".join(line for text in lines for line in wrapped(text.strip(), text[: len(text) - len(text.lstrip())]))


def feature_line(feature: Feature) -> str:
    """One feature in a line: number, kind, size, status and why."""
    length = plus_minus(feature.length_mm, feature.U_length_mm)
    parts = [words.kind(feature.kind), f"{length} mm" if length else "length not obtained", feature.status]
    parts += [f"cause {words.kind(feature.cause)} ({feature.cause_basis})"] if feature.cause else []
    parts += [f"at a corner: {'yes' if feature.at_corner else 'no'}"] if feature.at_corner is not None else []
    parts += [f"the same as {feature.same_as}"] if feature.same_as else []
    parts += [feature.reason] if feature.reason else []
    return f"{feature.id}: {', '.join(parts)}"


def _table(features: tuple[Feature, ...]) -> list[str]:
    if not features:
        return ["No feature was found in the examined area. That does not show that there is none."]
    shown = sorted(features, key=lambda feature: -(feature.length_mm or 0.0))[:MOST_ROWS]
    heads = ["no.", "kind", "length mm", "width mm", "area mm2", "corner", "confidence", "status"]
    rows = [heads]
    for feature in shown:
        sizes = [
            plus_minus(feature.length_mm, feature.U_length_mm),
            plus_minus(feature.width_mm, feature.U_width_mm),
            plus_minus(feature.area_mm2, feature.U_area_mm2),
        ]
        corner = "-" if feature.at_corner is None else "yes" if feature.at_corner else "no"
        name = [_cut(plain(feature.id), 8), _cut(words.kind(feature.kind), 20)]
        told = [_cut(plain(size or "-"), 18) for size in sizes]
        sure = words.confidence(feature.confidence) or "-"
        rows.append([*name, *told, corner, sure, feature.status])
    widths = [max(len(row[column]) for row in rows) for column in range(len(heads))]
    right = (2, 3, 4)
    lines = []
    for row in rows:
        cells = [
            text.rjust(w) if column in right else text.ljust(w)
            for column, (text, w) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    if len(features) > len(shown):
        lines.append(f"and {len(features) - len(shown)} smaller ones, in the report")
    return lines


def wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(plain(text), WIDTH, initial_indent=indent, subsequent_indent=indent + "  " if indent else "")


def plain(text: str) -> str:
    """Characters that every terminal shows and none obeys: signs in ASCII, letters without accents, the rest by code point."""
    for sign, ascii_ in (
        ("±", "+-"),
        ("²", "2"),
        ("°", " deg"),
        ("–", "-"),
        ("—", "-"),
        ("−", "-"),
        ("≤", "<="),
        ("≥", ">="),
        ("∞", "inf"),
    ):
        text = text.replace(sign, ascii_)
    return "".join(_letter(character) for character in words.shown(text))


def _letter(character: str) -> str:
    if character.isascii():
        return character
    base = _LETTERS.get(character) or "".join(
        part for part in unicodedata.normalize("NFKD", character) if not unicodedata.combining(part)
    )
    return base if base.isascii() and base else f"[U+{ord(character):04X}]"


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 2] + ".."
