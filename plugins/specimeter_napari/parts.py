"""Small parts that every page is made of: titles, quiet words, cards, big buttons, fold-outs, fields that say what is wrong."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from qtpy.QtCore import Qt
from qtpy.QtGui import QFontDatabase
from qtpy.QtWidgets import (
    QDialog,
    QFormLayout,
    QFrame,
    QHBoxLayout,
    QInputDialog,
    QLabel,
    QLayout,
    QPlainTextEdit,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from specimeter_napari import look


class Words(QLabel):
    """Wrapped text that never gets less height than it needs: layouts ask a label's height for one width only."""

    def setText(self, text: str) -> None:
        super().setText(text)
        self._fit()

    def resizeEvent(self, event) -> None:
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        if self.wordWrap():
            self.setMinimumHeight(0)  # what a longer text needed would be told as needed still
            self.setMinimumHeight(max(0, self.heightForWidth(self.width())))


def label(text: str = "", role: str = "", *, wrap: bool = True) -> QLabel:
    made = Words(text)
    made.setWordWrap(wrap)
    made.setTextFormat(Qt.TextFormat.PlainText)
    if role:
        made.setProperty("role", role)
    return made


def button(text: str, press: Callable[[], None], *, key: str = "", tip: str = "", role: str = "", check: bool = False):
    """A button as tall as a gloved finger needs; its tooltip gives the key."""
    made = QPushButton(text)
    if role:
        made.setProperty("role", role)
    if role != "link":
        made.setMinimumHeight(look.TOUCH_PX)
    made.setToolTip(f"{tip or text}{f'  (key {key})' if key else ''}")
    made.setCheckable(check)
    made.setAutoDefault(True)
    made.clicked.connect(lambda _=False: press())
    return made


def card(*widgets: QWidget, role: str = "card") -> QFrame:
    made = QFrame()
    made.setProperty("role", role)
    column = QVBoxLayout(made)
    column.setContentsMargins(10, 8, 10, 8)
    column.setSpacing(6)
    for widget in widgets:
        column.addWidget(widget)
    return made


def row(*widgets: QWidget, stretch: bool = True) -> QWidget:
    made = QWidget()
    line = QHBoxLayout(made)
    line.setContentsMargins(0, 0, 0, 0)
    line.setSpacing(6)
    for widget in widgets:
        line.addWidget(widget, 1 if stretch else 0)
    if not stretch:
        line.addStretch(1)
    return made


def column(*widgets: QWidget, spacing: int = 8) -> QWidget:
    made = QWidget()
    down = QVBoxLayout(made)
    down.setContentsMargins(0, 0, 0, 0)
    down.setSpacing(spacing)
    for widget in widgets:
        down.addWidget(widget)
    return made


def form(rows: Iterable[tuple[str, QWidget]], *, words_px: int = 0) -> QWidget:
    """Names and fields in lines; `words_px`: least width of the names, so that forms under each other agree."""
    made = QWidget()
    lines = QFormLayout(made)
    lines.setContentsMargins(0, 0, 0, 0)
    lines.setSpacing(6)
    lines.setLabelAlignment(Qt.AlignmentFlag.AlignLeft)
    lines.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
    for name, widget in rows:
        text = label(name, "quiet", wrap=False)
        text.setBuddy(widget)
        text.setMinimumWidth(words_px)
        lines.addRow(text, widget)
    return made


def empty(layout: QLayout) -> None:
    """Take every widget out of a layout."""
    while layout.count():
        item = layout.takeAt(0)
        if item.widget() is not None:
            item.widget().hide()
            item.widget().deleteLater()


class Fold(QWidget):
    """A heading that shows or hides what is under it."""

    def __init__(self, title: str, inside: QWidget, *, key: str = "", opened: bool = False) -> None:
        super().__init__()
        self._title, self._inside = title, inside
        self.head = button("", self.turn, role="link", tip=f"Show or hide: {title}", key=key)
        down = QVBoxLayout(self)
        down.setContentsMargins(0, 0, 0, 0)
        down.setSpacing(4)
        down.addWidget(self.head)
        down.addWidget(inside)
        self._inside.setVisible(opened)
        self._say(opened)

    def turn(self) -> None:
        opened = self._inside.isHidden()
        self._inside.setVisible(opened)
        self._say(opened)

    def _say(self, opened: bool) -> None:
        self.head.setText(f"{'▾' if opened else '▸'} {self._title}")


class Wrong(QLabel):
    """One sentence in the place where something has to be mended; hidden where all is well."""

    def __init__(self) -> None:
        super().__init__()
        self.setWordWrap(True)
        self.setProperty("role", "wrong")
        self.setTextFormat(Qt.TextFormat.PlainText)
        self.setVisible(False)

    def say(self, text: str) -> None:
        self.setText(text)
        self.setVisible(bool(text))


def ask_words(parent: QWidget, title: str, question: str) -> str:
    """A line of words from the person; "" where none was given."""
    text, given = QInputDialog.getText(parent, title, question)
    return text.strip() if given else ""


class Text(QDialog):
    """A window with text to read, closed by Escape."""

    def __init__(self, title: str, text: str, *, parent: QWidget) -> None:
        super().__init__(parent)
        self.setWindowTitle(title)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        shown = QPlainTextEdit(text)
        shown.setReadOnly(True)
        shown.setFont(QFontDatabase.systemFont(QFontDatabase.SystemFont.FixedFont))
        down = QVBoxLayout(self)
        down.addWidget(shown)
        self.resize(620, 640)
