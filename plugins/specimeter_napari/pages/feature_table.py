"""The table of features: sortable, as many digits as the uncertainty allows, selection linked with the picture."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from qtpy.QtCore import QItemSelectionModel, Qt, Signal
from qtpy.QtGui import QColor
from qtpy.QtWidgets import QAbstractItemView, QHeaderView, QTableWidget, QTableWidgetItem

from specimeter.judge.margin import Margin
from specimeter.record.model import Feature
from specimeter.report import words
from specimeter.rounding import figures, plus_minus, rounded
from specimeter_napari import look

HEADS = ("No.", "Kind", "Length\nmm", "Width\nmm", "Area\nmm²", "Left to\nits limit")
SIZES = {2: "length_mm", 3: "width_mm", 4: "area_mm2"}
LEFT = 5
ROW_PX = 28
SMALL_PX = 900  # a window less high leaves the table fewer lines, so that the buttons under it stay in view


class Cell(QTableWidgetItem):
    """Sorted by its number where it has one, else by its text."""

    def __init__(self, text: str, order: float | str) -> None:
        super().__init__(text)
        self.order = order
        self.setFlags(Qt.ItemFlag.ItemIsSelectable | Qt.ItemFlag.ItemIsEnabled)

    def __lt__(self, other: QTableWidgetItem) -> bool:
        mine, its = self.order, getattr(other, "order", "")
        return mine < its if isinstance(mine, type(its)) else str(mine) < str(its)


class FeatureTable(QTableWidget):
    """`chosen` is told the ids that a person selected."""

    chosen = Signal(tuple)

    def __init__(self) -> None:
        super().__init__(0, len(HEADS))
        self._shown: list[tuple[Feature, Margin | None]] = []
        self._quiet = False
        self.setHorizontalHeaderLabels(HEADS)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setAlternatingRowColors(True)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAsNeeded)
        self.verticalHeader().setVisible(False)
        self.verticalHeader().setDefaultSectionSize(ROW_PX)
        head = self.horizontalHeader()
        head.setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        head.setSectionResizeMode(1, QHeaderView.ResizeMode.Stretch)
        for column_, width in ((0, 46), (2, 90), (3, 94), (4, 98), (LEFT, 70)):
            head.resizeSection(column_, width)
        self.setSortingEnabled(True)
        self.sortByColumn(0, Qt.SortOrder.AscendingOrder)
        self.setTabKeyNavigation(False)
        self.setToolTip("Click or use the arrow keys; the picture follows. Click a heading to sort.")
        self.itemSelectionChanged.connect(self._tell)

    def show_features(self, features: Sequence[Feature], selected: Sequence[str], margins: Mapping[str, Margin]) -> None:
        """Show them; rows that did not change stay as they are."""
        self._quiet = True
        shown = [(feature, margins.get(feature.id)) for feature in features]
        if [feature.id for feature, _ in shown] != [feature.id for feature, _ in self._shown]:
            self.setSortingEnabled(False)
            self.setRowCount(len(shown))
            for line, (feature, margin) in enumerate(shown):
                self._fill(line, feature, margin)
            self.setSortingEnabled(True)
        else:
            changed = {
                new[0].id: new for new, old in zip(shown, self._shown, strict=True) if new[0] is not old[0] or new[1] != old[1]
            }
            if changed:
                self.setSortingEnabled(False)
                for line in range(self.rowCount()):
                    if (id := self._id(line)) in changed:
                        self._fill(line, *changed[id])
                self.setSortingEnabled(True)
        self._shown = shown
        self._select(selected)
        self._quiet = False
        lines = min(max(len(features), 2), 9 if self.window().height() > SMALL_PX else 5)
        self.setFixedHeight(self.horizontalHeader().sizeHint().height() + lines * ROW_PX + 6)

    def _select(self, selected: Sequence[str]) -> None:
        mode = QItemSelectionModel.SelectionFlag
        marked = {self._id(index.row()) for index in self.selectionModel().selectedRows()}
        if marked == set(selected):
            return
        self.selectionModel().clearSelection()
        for line in range(self.rowCount()):
            if self._id(line) in selected:
                self.selectionModel().setCurrentIndex(self.model().index(line, 0), mode.NoUpdate)
                self.selectionModel().select(self.model().index(line, 0), mode.Select | mode.Rows)
                self.scrollTo(self.model().index(line, 0))

    def _id(self, line: int) -> str:
        return self.item(line, 0).data(Qt.ItemDataRole.UserRole)

    def _fill(self, line: int, feature: Feature, margin: Margin | None) -> None:
        number = int("".join(filter(str.isdigit, feature.id)) or 0)
        cells = [
            Cell(f"{feature.id.removeprefix('f')} {look.STATUS_SIGN[feature.status]}", float(number)),
            Cell(_kind(feature), words.kind(feature.kind)),
            *(
                Cell(plus_minus(*_sizes(feature, key)) or "not known", _sizes(feature, key)[0] or -1.0)
                for key in SIZES.values()
            ),
            Cell(left(margin), math.inf if margin is None else margin.left),
        ]
        for column, cell in enumerate(cells):
            cell.setData(Qt.ItemDataRole.UserRole, feature.id)
            cell.setToolTip(f"{feature.id}: {words.kind(feature.kind)}, {look.STATUS_WORD[feature.status]}")
            if column in (*SIZES, LEFT):
                cell.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
            if column == LEFT and margin is not None:
                cell.setToolTip(f"{margin.name}: what is left to its limit; below 0: beyond it")
                cell.setForeground(QColor(look.OUTCOME_COLOUR[_outcome(margin)]))
            if feature.status == "rejected":
                cell.setForeground(QColor(look.QUIET))
                font = cell.font()
                font.setStrikeOut(True)
                cell.setFont(font)
            self.setItem(line, column, cell)

    def _tell(self) -> None:
        if not self._quiet:
            lines = sorted({index.row() for index in self.selectionModel().selectedRows()})
            self.chosen.emit(tuple(self._id(line) for line in lines))


def _sizes(feature: Feature, key: str) -> tuple[float | None, float | None]:
    return getattr(feature, key), getattr(feature, f"U_{key}")


def _kind(feature: Feature) -> str:
    twin = "" if feature.same_as is None else f" = {feature.same_as.removeprefix('f')}"
    return f"{words.kind(feature.kind)}{twin}"


def _outcome(margin: Margin) -> str:
    return {True: "within", False: "exceeds", None: "undecided"}[margin.keeps]


def left(margin: Margin | None) -> str:
    """``+0.43 ✓``: what is left to the limit, in mm unless it says inches, and whether it is kept with its uncertainty."""
    if margin is None:
        return "–"
    size = rounded(margin.left, margin.U)[0] if margin.U else figures(margin.left)
    unit = "" if margin.unit == "mm" else f" {margin.unit}"
    return f"{'' if size.startswith('-') else '+'}{size.replace('-', '−')}{unit} {look.OUTCOME_SIGN[_outcome(margin)]}"
