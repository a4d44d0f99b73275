"""The workbook: openpyxl reads back the record's numbers, and no cell of it is a formula."""

from __future__ import annotations

import io
import re
import zipfile
from datetime import UTC, datetime

import openpyxl
import pytest

from specimeter.record import model
from specimeter.report import table
from specimeter.report.workbook import features_xlsx, workbook

NOW = datetime(2026, 11, 26, tzinfo=UTC)


def opened(data: bytes):
    return openpyxl.load_workbook(io.BytesIO(data))


def test_read_back_it_is_the_record(five):
    """Three sheets; each number to the 16 digits that openpyxl writes, empty where it is missing; the record's hash."""
    book = opened(features_xlsx(five.record))
    assert book.sheetnames == ["features", "verdicts", "about"]
    head, *rows = book["features"].values
    assert list(head) == table.COLUMNS
    for row, feature in zip(rows, five.record.features, strict=True):
        entries = dict(zip(head, row, strict=True))
        for name in ("length_mm", "U_length_mm", "width_mm", "area_mm2", "nearest_mm"):
            value = getattr(feature, name)
            assert entries[name] == (None if value is None else pytest.approx(value, rel=1e-15))
        assert entries["at_corner"] == ("yes" if feature.at_corner else "no")
    assert [row[0] for row in book["verdicts"].values][1:] == ["single", "total"]
    about = dict(list(book["about"].values)[1:][:3])
    assert about == {"specimen": "SB-25-03", "outcome": "exceeds", "review": "unreviewed"}
    assert model.sha256(five.record) in [row[1] for row in book["about"].values]


@pytest.mark.parametrize(
    "evil", ['=HYPERLINK("http://x.invalid")', "+1+1", "@SUM(A1)", "-2", "=1\x00\x0b", "\ud800", "x" * 40_000]
)
def test_no_text_becomes_a_formula(evil):
    """Whatever it begins with it is a text; what XML cannot hold is replaced, what a cell cannot hold is cut."""
    data = workbook({"t": (["a"], [[evil]])}, when=NOW)
    cell = opened(data)["t"]["A2"]
    assert cell.data_type == "s"
    assert cell.value[:4] == re.sub("[\x00\x0b\ud800]", "\N{REPLACEMENT CHARACTER}", evil[:4])
    sheet = zipfile.ZipFile(io.BytesIO(data)).read("xl/worksheets/sheet1.xml")
    assert b"<f>" not in sheet


def test_an_empty_table_has_its_head():
    """Columns are named even where there is no row."""
    assert list(opened(workbook({"t": (["a", "b"], [])}, when=NOW))["t"].values) == [("a", "b")]
