"""What the bench is made of: the path, the next step, the work going on, the pages, undo and what is kept."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QProgressBar, QScrollArea, QSizePolicy, QStackedWidget, QVBoxLayout, QWidget

from specimeter_napari import look, parts
from specimeter_napari.pages import area, features, finding, limits, scale, specimen
from specimeter_napari.path import Path
from specimeter_napari.steps import STEPS

PAGES = {
    "specimen": specimen.SpecimenPage,
    "scale": scale.ScalePage,
    "area": area.AreaPage,
    "features": features.FeaturesPage,
    "limits": limits.LimitsPage,
    "finding": finding.FindingPage,
}
LEAST_WIDTH_PX = 550


class Frame(QWidget):
    """The widgets of the bench and where they stand; what they do is the bench's."""

    def __init__(self) -> None:
        super().__init__()
        self.setObjectName("bench")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.setStyleSheet(look.SHEET)
        self.setMinimumWidth(LEAST_WIDTH_PX)

    def build(self) -> None:
        self.path = Path()
        self.path.chosen.connect(self.go)
        self.next_words = parts.label("", wrap=True)
        self.next_button = parts.button("", self._next, role="main", key="Enter in the bench", tip="Go to the next step")
        line = parts.row(self.next_words, self.next_button)
        line.layout().setStretch(1, 0)
        self.next_card = parts.card(line, role="next")
        self.stage = parts.label("")
        self.bar = QProgressBar()
        self.bar.setRange(0, 0)
        self.bar.setTextVisible(False)
        self.stop = parts.button("Stop", self.stop_work, key="Esc", tip="Stop this work; nothing is lost")
        self.busy_card = parts.card(self.stage, self.bar, parts.row(self.stop))
        self.wrong = parts.Wrong()
        self.pages = {name: make(self) for name, make in PAGES.items()}
        self.stack = QStackedWidget()
        for name in STEPS:
            self.stack.addWidget(self._scrolled(self.pages[name]))
        self.feet = {name: page.foot for name, page in self.pages.items() if page.foot is not None}
        self.reads = parts.label("", "quiet", wrap=False)
        self.undo_button = parts.button("Undo", self.undo, key="Ctrl+Z")
        self.redo_button = parts.button("Redo", self.redo, key="Ctrl+Shift+Z")
        self.kept = parts.label("", "quiet", wrap=False)
        down = QVBoxLayout(self)
        down.setContentsMargins(10, 8, 10, 8)
        down.setSpacing(8)
        for widget in (self.path, self.next_card, self.busy_card, self.wrong):
            down.addWidget(widget)
        for widget in (self.next_card, self.busy_card, self.wrong):
            widget.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Maximum)
        down.addWidget(self.stack, 1)
        for foot in self.feet.values():  # what a page always shows lies under it, however far it is scrolled
            down.addWidget(foot)
        last = parts.row(self.reads, self.kept)
        last.layout().setStretch(1, 0)
        down.addWidget(parts.row(self.undo_button, self.redo_button))
        down.addWidget(last)
        self.reads.setText("Over the picture: millimetres along the surface.")

    @staticmethod
    def _scrolled(page: QWidget) -> QScrollArea:
        area_ = QScrollArea()
        area_.setWidgetResizable(True)
        area_.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        area_.setWidget(page)
        return area_
