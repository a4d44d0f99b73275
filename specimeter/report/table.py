"""The features as a table for spreadsheets: one row a feature, units in the column names, U beside each value."""

from __future__ import annotations

import csv as comma_separated
import io
from collections.abc import Iterable, Sequence

from specimeter.record.model import Feature, Record

_NOT_IN_A_TABLE = {"outline_px", "tips_px", "u_edge_px", "u_tip_px", "budget"}
COLUMNS = [name for name in Feature.model_fields if name not in _NOT_IN_A_TABLE]

SECTION = ("size", "value", "U", "missing")
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%", "＝", "＋", "－", "＠")


def features_csv(record: Record) -> bytes:
    """UTF-8 CSV of all features, unrounded, empty where a number is missing (the column `missing` says why).

    A text that a spreadsheet would read as a formula gets an apostrophe before it.
    """
    return csv(COLUMNS, rows(record))


def section_csv(record: Record) -> bytes:
    """UTF-8 CSV of a macro section's sizes, as `section_rows` gives them."""
    return csv(SECTION, section_rows(record))


def section_rows(record: Record) -> list[list[object]]:
    """A macro section's sizes, one a row: name, value, U (k = 2), and why where it is missing."""
    sizes = record.section or {}
    names = [name for name in sizes if not name.startswith("U_")]
    found: list[list[object]] = [[name, sizes[name], sizes.get(f"U_{name}"), None] for name in names]
    found += [[name, None, None, why] for name, why in (record.cut.missing if record.cut else {}).items()]
    return found


def rows(record: Record) -> list[list[object]]:
    """One row for each feature, in the order of `COLUMNS`."""
    found = []
    for feature in record.features:
        row = feature.model_dump(mode="json", exclude={"missing"})
        row["missing"] = "; ".join(f"{name}: {why}" for name, why in feature.missing.items()) or None
        found.append([row[name] for name in COLUMNS])
    return found


def csv(heads: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    """UTF-8 CSV of any table, its texts made harmless to spreadsheets."""
    buffer = io.StringIO(newline="")
    table = comma_separated.writer(buffer, lineterminator="\r\n")
    table.writerow(heads)
    table.writerows([_harmless(value) for value in row] for row in rows)
    return buffer.getvalue().encode()


def _harmless(value: object) -> object:
    """A text as a cell that no spreadsheet runs; anything else as it is."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str) and value.lstrip(" \u00a0\ufeff").startswith(_FORMULA):
        return "'" + value
    return value
