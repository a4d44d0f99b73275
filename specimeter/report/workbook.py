"""Tables as an XLSX workbook: numbers as numbers, texts as texts that no spreadsheet runs, one frozen head line each."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.properties import PageSetupProperties

from specimeter.record import model
from specimeter.record.model import Record
from specimeter.report import table

WIDEST = 66  # characters of a column; longer texts go on in further lines
LINE_PT, MOST_LINES = 13.5, 20
_NOT_IN_XML = re.compile(r"[\x00-\x08\x0b-\x1f\ufffe\uffff]|[\ud800-\udfff]")
_MODIFIED = re.compile(rb"(<dcterms:modified[^>]*>)[^<]*(</dcterms:modified>)")
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
    """The content of an XLSX file: for each sheet its head line and rows; None is an empty cell."""
    book = Workbook(write_only=True)
    book.properties.creator = "specimeter"
    book.properties.created = book.properties.modified = when.replace(tzinfo=None)
    for title, (heads, rows) in sheets.items():
        sheet = book.create_sheet(title)
        sheet.freeze_panes = "B2"
        sheet.page_setup.orientation = "landscape"
        sheet.page_setup.fitToHeight, sheet.sheet_properties.pageSetUpPr = 0, PageSetupProperties(fitToPage=True)
        rows = [list(row) for row in rows]
        for column, head in enumerate(heads):
            longest = max([len(head), *(len(str(row[column])) for row in rows if row[column] is not None)])
            sheet.column_dimensions[get_column_letter(column + 1)].width = min(longest + 2, WIDEST)
        sheet.append([_cell(sheet, head, bold=True) for head in heads])
        for number, row in enumerate(rows, start=2):
            if (lines := max((-(-len(text) // WIDEST) for text in row if isinstance(text, str)), default=1)) > 1:
                sheet.row_dimensions[number].height = LINE_PT * min(lines, MOST_LINES)  # no spreadsheet does it by itself
            cells = [_cell(sheet, value) for value in row]
            for cell in cells if lines > 1 else []:
                if cell is not None:
                    cell.alignment = Alignment(wrap_text=cell.alignment.wrap_text, vertical="top")
            sheet.append(cells)
    out = io.BytesIO()
    book.save(out)
    return _of_that_moment(out.getvalue(), when)


def _of_that_moment(content: bytes, when: datetime) -> bytes:
    """The same workbook with `when` in place of the present moment, so that the same record gives the same bytes."""
    out = io.BytesIO()
    moment = f"{when.replace(tzinfo=None, microsecond=0).isoformat()}Z".encode()
    with zipfile.ZipFile(io.BytesIO(content)) as given, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        for entry in given.infolist():
            data = given.read(entry)
            if entry.filename == "docProps/core.xml":
                data = _MODIFIED.sub(rb"\g<1>" + moment + rb"\g<2>", data)
            member = zipfile.ZipInfo(entry.filename, max(when.timetuple()[:6], (1980, 1, 1, 0, 0, 0)))
            member.compress_type = zipfile.ZIP_DEFLATED
            made.writestr(member, data)
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
        if len(cell.value) > WIDEST:
            cell.alignment = Alignment(wrap_text=True, vertical="top")
    if bold:
        cell.font = Font(bold=True)
    return cell


def _verdict(verdict: model.Verdict, names: Sequence[str]) -> list[object]:
    return [*(getattr(verdict, name) for name in names), ", ".join(verdict.features)]
