"""What every page has: its title, the name of whoever is at the bench, and the place where a step's trouble is told."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from qtpy.QtCore import QEvent, QTimer
from qtpy.QtWidgets import QLineEdit, QVBoxLayout, QWidget

from specimeter_napari import parts
from specimeter_napari.session import Session
from specimeter_napari.steps import sentence


class Page(QWidget):
    """A step's page; subclasses put their parts into `self.down` and show the state in `show_state`."""

    name = ""
    asks_name = False
    foot: QWidget | None = None  # what of it always stays in view, under the part that scrolls
    rests_on: QWidget | None = None  # what has the keys when nothing is written; without it the step's own sign

    def __init__(self, bench) -> None:
        super().__init__()
        self.bench = bench
        self.down = QVBoxLayout(self)
        self.down.setContentsMargins(0, 0, 6, 0)
        self.down.setSpacing(8)
        self.trouble = parts.Wrong()
        self.down.addWidget(self.trouble)
        self.who = QLineEdit()
        self.who.setPlaceholderText("your name, kept in the record's log")
        self.who.setToolTip("Who is at the bench: every decision is logged under this name")
        self.who.editingFinished.connect(lambda: self.bench.name_person(self.who.text()))
        self.who.returnPressed.connect(self.bench.rest)
        self.who_row = parts.form([("At the bench", self.who)])
        self.build()
        if self.asks_name:
            self.down.addWidget(self.who_row)
        self.down.addStretch(1)

    def event(self, event) -> bool:
        """Take as much height as wrapped lines need: a scroll area does not ask for it."""
        done = super().event(event)
        if event.type() in (QEvent.Type.LayoutRequest, QEvent.Type.Resize, QEvent.Type.Show):
            self.fit()
        return done

    def fit(self) -> None:
        """The height that its parts need at its width, as they are now."""
        self.down.activate()
        self.setMinimumHeight(max(self.down.totalHeightForWidth(self.width()), self.down.totalMinimumSize().height()))

    def build(self) -> None:
        """Make the page's parts, once."""

    def show_state(self, now: Session) -> None:
        """Show the session as it is now."""

    def show_session(self, now: Session | None) -> None:
        error = None if now is None else now.trouble.get(self.name)
        self.trouble.say("" if error is None else sentence(error))
        if not self.who.hasFocus():
            self.who.setText(self.bench.person() if now is None else now.person)
        self.setEnabled(now is not None or self.name == "specimen")
        if now is not None:
            self.show_state(now)
            for wait_ms in (
                0,
                60,
            ):  # parts that came new know their width, and so their height, only later
                QTimer.singleShot(wait_ms, self.fit)

    def of_held(self, parts: Iterable[Any]) -> Any:
        """Of a record's scales, surfaces or areas the one of the photograph that is held."""
        return next(part for part in parts if part.photo == self.bench.picture.held)

    def which(self, now: Session) -> str:
        """Which photograph is spoken of, where there are several."""
        many = len(now.record.photos)
        return f"Photograph {self.bench.held + 1} of {many}: " if many > 1 else ""

    def foot_shown(self, now: Session | None) -> bool:
        """Whether the foot has a use now."""
        return now is not None and now.record is not None

    def ask_name(self) -> None:
        self.who.setFocus()

    def tool_taken(self, tool) -> None:
        """A tool was put into the hand or (None) laid down."""
