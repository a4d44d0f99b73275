"""The table of features: sortable, as many digits as the uncertainty allows, selection linked with the picture."""

from __future__ import annotations

from collections.abc import Sequence

from qtpy.QtCore import QItemSelectionModel, Qt, Signal
from qtpy.QtGui import QColor
from qtpy.QtWidgets import QAbstractItemView, QHeaderView, QTableWidget, QTableWidgetItem

from specimeter.record.model import Feature
from specimeter.report import words
from specimeter.rounding import plus_minus
from specimeter_napari import look

HEADS = ("No.", "Kind", "Length\nmm", "Width\nmm", "Area\nmm²")
SIZES = {2: "length_mm", 3: "width_mm", 4: "area_mm2"}
ROW_PX = 28


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
        self._shown: list[Feature] = []
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
        for column_, width in ((0, 44), (2, 94), (3, 98), (4, 98)):
            head.resizeSection(column_, width)
        self.setSortingEnabled(True)
        self.sortByColumn(0, Qt.SortOrder.AscendingOrder)
        self.setTabKeyNavigation(False)
        self.setToolTip("Click or use the arrow keys; the picture follows. Click a heading to sort.")
        self.itemSelectionChanged.connect(self._tell)

    def show_features(self, features: Sequence[Feature], selected: Sequence[str]) -> None:
        """Show them; rows that did not change stay as they are."""
        self._quiet = True
        if len(features) != len(self._shown) or any(one is not two for one, two in zip(features, self._shown, strict=True)):
            self._fill(features)
        mode = QItemSelectionModel.SelectionFlag
        self.selectionModel().clearSelection()
        for line in range(self.rowCount()):
            if self.item(line, 0).data(Qt.ItemDataRole.UserRole) in selected:
                self.selectionModel().select(self.model().index(line, 0), mode.Select | mode.Rows)
                self.scrollTo(self.model().index(line, 0))
        self._quiet = False
        lines = min(max(len(features), 2), 9)
        self.setFixedHeight(self.horizontalHeader().sizeHint().height() + lines * ROW_PX + 6)

    def _fill(self, features: Sequence[Feature]) -> None:
        self.setSortingEnabled(False)
        self.setRowCount(len(features))
        for line, feature in enumerate(features):
            number = int("".join(filter(str.isdigit, feature.id)) or 0)
            cells = [
                Cell(f"{feature.id.removeprefix('f')} {look.STATUS_SIGN[feature.status]}", float(number)),
                Cell(words.kind(feature.kind), words.kind(feature.kind)),
                *(
                    Cell(plus_minus(*_sizes(feature, key)) or "not known", _sizes(feature, key)[0] or -1.0)
                    for key in SIZES.values()
                ),
            ]
            for column, cell in enumerate(cells):
                cell.setData(Qt.ItemDataRole.UserRole, feature.id)
                cell.setToolTip(f"{feature.id}: {words.kind(feature.kind)}, {look.STATUS_WORD[feature.status]}")
                if column in SIZES:
                    cell.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
                if feature.status == "rejected":
                    cell.setForeground(QColor(look.QUIET))
                    font = cell.font()
                    font.setStrikeOut(True)
                    cell.setFont(font)
                self.setItem(line, column, cell)
        self._shown = list(features)
        self.setSortingEnabled(True)

    def _tell(self) -> None:
        if not self._quiet:
            lines = sorted({index.row() for index in self.selectionModel().selectedRows()})
            self.chosen.emit(tuple(self.item(line, 0).data(Qt.ItemDataRole.UserRole) for line in lines))


def _sizes(feature: Feature, key: str) -> tuple[float | None, float | None]:
    return getattr(feature, key), getattr(feature, f"U_{key}")
