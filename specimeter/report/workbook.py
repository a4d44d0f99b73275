"""Tables as an XLSX workbook: numbers as numbers, texts as texts that no spreadsheet runs, one frozen head line each."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter

from specimeter.record import model
from specimeter.record.model import Record
from specimeter.report import table

WIDEST = 60  # characters of a column
_NOT_IN_XML = re.compile(r"[\x00-\x08\x0b-\x1f\ufffe\uffff]|[\ud800-\udfff]")
_MOST = 32_000  # characters in a cell

Rows = Iterable[Sequence[object]]


def features_xlsx(record: Record) -> bytes:
    """The record's features, verdicts and what they belong to, unrounded, in three sheets."""
    verdicts = [name for name in model.Verdict.model_fields if name != "features"]
    about = [
        ("specimen", record.id),
        ("outcome", record.outcome),
        ("review", record.review.state),
        *(("reason", reason) for reason in record.reasons),
        *(("caution", caution) for caution in record.cautions),
        ("record.json, SHA-256", model.sha256(record)),
        ("log, hash of its head", record.log[-1].hash),
        ("uncertainties", "U: expanded, k = 2"),
    ]
    return workbook(
        {
            "features": (table.COLUMNS, table.rows(record)),
            "verdicts": ([*verdicts, "features"], [_verdict(verdict, verdicts) for verdict in record.verdicts]),
            "about": (["entry", "value"], about),
        },
        when=datetime.fromisoformat(record.log[-1].when),
    )


def workbook(sheets: Mapping[str, tuple[Sequence[str], Rows]], *, when: datetime) -> bytes:
    """The content of an XLSX file: for each sheet its head line and rows; None is an empty cell."""
    book = Workbook(write_only=True)
    book.properties.creator = "specimeter"
    book.properties.created = book.properties.modified = when.replace(tzinfo=None)
    for title, (heads, rows) in sheets.items():
        sheet = book.create_sheet(title)
        sheet.freeze_panes = "B2"
        rows = [list(row) for row in rows]
        for column, head in enumerate(heads):
            longest = max([len(head), *(len(str(row[column])) for row in rows if row[column] is not None)])
            sheet.column_dimensions[get_column_letter(column + 1)].width = min(longest + 2, WIDEST)
        sheet.append([_cell(sheet, head, bold=True) for head in heads])
        for row in rows:
            sheet.append([_cell(sheet, value) for value in row])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _cell(sheet, value: object, *, bold: bool = False) -> WriteOnlyCell | None:
    if value is None:
        return None
    if isinstance(value, bool):
        value = "yes" if value else "no"
    cell = WriteOnlyCell(sheet, value=value if isinstance(value, int | float) else "")
    if not isinstance(value, int | float):
        cell.value = _NOT_IN_XML.sub("\N{REPLACEMENT CHARACTER}", str(value))[:_MOST]
        cell.data_type = "s"  # never a formula, whatever it begins with
    if bold:
        cell.font = Font(bold=True)
    return cell


def _verdict(verdict: model.Verdict, names: Sequence[str]) -> list[object]:
    return [*(getattr(verdict, name) for name in names), ", ".join(verdict.features)]
