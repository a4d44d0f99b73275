"""The features as a table for spreadsheets: one row a feature, units in the column names, U beside each value."""

from __future__ import annotations

import io

import pandas as pd

from specimeter.record.model import Feature, Record

_NOT_IN_A_TABLE = {"outline_px", "tips_px", "u_edge_px", "u_tip_px", "budget"}
COLUMNS = [name for name in Feature.model_fields if name not in _NOT_IN_A_TABLE]

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%", "＝", "＋", "－", "＠")


def features_csv(record: Record) -> bytes:
    """UTF-8 CSV of all features, unrounded, empty where a number is missing (the column `missing` says why).

    A text that a spreadsheet would read as a formula gets an apostrophe before it.
    """
    rows = []
    for feature in record.features:
        row = feature.model_dump(mode="json", exclude={"missing"})
        row["missing"] = "; ".join(f"{name}: {why}" for name, why in feature.missing.items()) or None
        rows.append({name: _harmless(row[name]) for name in COLUMNS})
    table = pd.DataFrame(rows, columns=COLUMNS, dtype=object)
    buffer = io.StringIO()
    table.to_csv(buffer, index=False, lineterminator="\r\n")
    return buffer.getvalue().encode()


def _harmless(value: object) -> object:
    """A text as a cell that no spreadsheet runs; anything else as it is."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str) and value.lstrip(" \u00a0\ufeff").startswith(_FORMULA):
        return "'" + value
    return value
