"""A macro section's sizes in a table: each with its uncertainty and its limit; the selected one's construction is shown."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtGui import QColor
from qtpy.QtWidgets import QAbstractItemView, QHeaderView, QTableWidget

from specimeter.record.model import Record, Verdict
from specimeter.report import cut
from specimeter.rounding import figures
from specimeter_napari import look
from specimeter_napari.pages.feature_table import SMALL_PX, Cell
from specimeter_napari.picture import SIGNS

HEADS = ("", "Size", "Measured", "Limit")
ROW_PX = 28
UNITS = {"deg": "°", "mm2": "mm²"}


class SectionSizes(QTableWidget):
    """Every size that a section can have: what was measured, or why it was not."""

    def __init__(self, bench) -> None:
        super().__init__(0, len(HEADS))
        self.bench, self._shown = bench, None
        self.setHorizontalHeaderLabels(HEADS)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setAlternatingRowColors(True)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setTabKeyNavigation(False)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.verticalHeader().setVisible(False)
        self.verticalHeader().setDefaultSectionSize(ROW_PX)
        head = self.horizontalHeader()
        head.setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        head.setSectionResizeMode(1, QHeaderView.ResizeMode.Stretch)
        for column, width in ((0, 44), (2, 124), (3, 156)):
            head.resizeSection(column, width)
        self.setToolTip("Click or use the arrow keys; how it was measured is drawn white in the picture")
        self.itemSelectionChanged.connect(self._show_drawn)

    def show_record(self, record: Record | None) -> None:
        there = record is not None and record.cut is not None
        self.setVisible(there)
        if not there or self._shown is record:
            return
        self._shown = record
        by_size = {rule["size"]: verdict for rule, verdict in _judged(record)}
        names = [name for name in cut.NAMES if cut.said(record, name) or name in record.cut.missing]
        self.setRowCount(len(names))
        for line, name in enumerate(names):
            told, (short, meaning) = cut.said(record, name), cut.NAMES[name]
            verdict = by_size.get(name)
            cells = [
                Cell(SIGNS.get(name, ""), line),
                Cell(short, short),
                Cell(told or "not measured", line),
                Cell("" if verdict is None else _limit(verdict), line),
            ]
            for column, cell in enumerate(cells):
                cell.setData(Qt.ItemDataRole.UserRole, name)
                cell.setToolTip(f"{short}: {meaning}" if told else f"{short} was not measured: {record.cut.missing[name]}")
                if column == 3 and verdict is not None:
                    cell.setForeground(QColor(look.OUTCOME_COLOUR[verdict.outcome]))
                    cell.setToolTip(verdict.because)
                elif not told:
                    cell.setForeground(QColor(look.QUIET))
                self.setItem(line, column, cell)
        lines = len(names) if self.window().height() > SMALL_PX else min(len(names), 5)
        self.setFixedHeight(self.horizontalHeader().sizeHint().height() + max(lines, 1) * ROW_PX + 6)

    def _show_drawn(self) -> None:
        lines = self.selectionModel().selectedRows()
        name = self.item(lines[0].row(), 0).data(Qt.ItemDataRole.UserRole) if lines else None
        self.bench.picture.show_size(self.bench.session.record.cut, name)


def _judged(record: Record) -> list[tuple[dict, Verdict]]:
    """The rules on one of the section's sizes by itself, with their verdicts."""
    rules = {rule["id"]: rule for rule in (record.limits or {}).get("rule", ()) if rule["test"] == "section"}
    return [(rules[verdict.rule], verdict) for verdict in record.verdicts if verdict.rule in rules]


def _limit(verdict: Verdict) -> str:
    sign = look.OUTCOME_SIGN[verdict.outcome]
    if verdict.limit is None:
        return sign
    return f"{verdict.sense} {figures(verdict.limit)} {UNITS.get(verdict.unit, verdict.unit)} {sign}"
