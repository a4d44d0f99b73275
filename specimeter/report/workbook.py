"""Tables as an XLSX workbook: numbers as numbers, texts as texts that no spreadsheet runs, one frozen head line each."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

import xlsxwriter

from specimeter.record import model
from specimeter.record.model import Record
from specimeter.report import table

WIDEST = 66  # characters of a column; longer texts go on in further lines
LINE_PT, MOST_LINES = 13.5, 20
_NOT_IN_XML = re.compile(r"[\x00-\x08\x0b-\x1f\ufffe\uffff]|[\ud800-\udfff]")
_MOST = 32_000  # characters in a cell

Rows = Iterable[Sequence[object]]


def features_xlsx(record: Record) -> bytes:
    """The record's features, verdicts and what they belong to, unrounded, a sheet for each; of a section its sizes too."""
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
            **({} if record.cut is None else {"section": (table.SECTION, table.section_rows(record))}),
            "about": (["entry", "value"], about),
        },
        when=datetime.fromisoformat(record.log[-1].when),
    )


def workbook(sheets: Mapping[str, tuple[Sequence[str], Rows]], *, when: datetime) -> bytes:
    """The content of an XLSX file: for each sheet its head line and rows; None is an empty cell.

    The same tables and `when` give the same bytes.
    """
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        book.set_properties({"author": "specimeter", "created": when.replace(tzinfo=None)})
        bold, top, wrapped = (
            book.add_format(form) for form in ({"bold": True}, {"valign": "top"}, {"valign": "top", "text_wrap": True})
        )
        for title, (heads, rows) in sheets.items():
            sheet = book.add_worksheet(title)
            sheet.freeze_panes(1, 1)
            sheet.set_landscape()
            sheet.fit_to_pages(1, 0)
            texts = [[_entry(value) for value in row] for row in rows]
            for column, head in enumerate(heads):
                longest = max([len(head), *(len(str(row[column])) for row in texts if row[column] is not None)])
                sheet.set_column(column, column, min(longest + 2, WIDEST))
                sheet.write_string(0, column, head, bold)
            for number, row in enumerate(texts, start=1):
                if (lines := max((-(-len(text) // WIDEST) for text in row if isinstance(text, str)), default=1)) > 1:
                    sheet.set_row(number, LINE_PT * min(lines, MOST_LINES))  # no spreadsheet does it by itself
                for column, value in enumerate(row):
                    if isinstance(value, str):  # never a formula, whatever it begins with
                        form = wrapped if len(value) > WIDEST else top if lines > 1 else None
                        sheet.write_string(number, column, value, form)
                    elif value is not None:
                        sheet.write_number(number, column, value, top if lines > 1 else None)
    return out.getvalue()


def _entry(value: object) -> str | float | None:
    """As a cell holds it: what XML cannot hold is replaced, what a cell cannot hold is cut."""
    if value is None or (isinstance(value, int | float) and not isinstance(value, bool)):
        return value
    text = ("no", "yes")[value] if isinstance(value, bool) else str(value)
    return _NOT_IN_XML.sub("\N{REPLACEMENT CHARACTER}", text)[:_MOST]


def _verdict(verdict: model.Verdict, names: Sequence[str]) -> list[object]:
    return [*(getattr(verdict, name) for name in names), ", ".join(verdict.features)]
