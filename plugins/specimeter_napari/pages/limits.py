"""The limits: entered in a form that writes the same file a person would, checked while typing."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import tomli_w
from qtpy.QtWidgets import QFileDialog, QMenu, QPlainTextEdit

from specimeter import files
from specimeter.data import shared
from specimeter.errors import LimitsError
from specimeter.judge import limits as judge_limits
from specimeter.judge.limits import Limits
from specimeter.record import build
from specimeter_napari import parts
from specimeter_napari.pages.limits_form import LimitsForm
from specimeter_napari.pages.page import Page
from specimeter_napari.pages.sheet_form import mark

EMPTY = {"limits": {"title": "", "basis": "", "decision": "guarded"}, "rule": []}


class LimitsPage(Page):
    """A form, the same as text, and the sentence that says what is still wrong with it."""

    name = "limits"
    asks_name = True

    def build(self) -> None:
        self.tables: dict[str, Any] = EMPTY
        self._shown, self._quiet = None, False
        self.open_button = parts.button("Open …", self.choose_file, tip="Limits from a file")
        self.example_button = parts.button("Examples", lambda: None, tip="Examples to start from: check them against your code")
        menu = QMenu(self.example_button)
        for path in sorted((shared() / "limits").glob("*.toml")):
            menu.addAction(path.stem.replace("-", " ")).triggered.connect(lambda _=False, path=path: self.read(path))
        self.example_button.setMenu(menu)
        self.write_button = parts.button(
            "Write to a file …", self.choose_target, tip="The same TOML that the command line reads"
        )
        self.form = LimitsForm(self.form_changed)
        self.text = QPlainTextEdit()
        self.text.setMinimumHeight(220)
        self.text.setToolTip("The limits as the file holds them; edit either, the other follows")
        self.text.textChanged.connect(self.text_changed)
        self.told = parts.label("", "quiet")
        self.wrong = parts.Wrong()
        self.use_button = parts.button("Use these limits", self.use, role="main", tip="Judge by them from now on")
        for widget in (
            parts.row(self.open_button, self.example_button, self.write_button),
            self.told,
            self.wrong,
            self.use_button,
            self.form,
            parts.Fold("The same as text", self.text),
        ):
            self.down.addWidget(widget)

    # -- showing

    def show_state(self, now) -> None:
        limits = now.state.limits
        if self._shown is None or self._shown != (id(now), limits):
            self._shown = (id(now), limits)
            self.fill(EMPTY if limits is None else tables_of(limits))
        self._check()

    def fill(self, tables: dict[str, Any]) -> None:
        """Show these tables in form and text."""
        self.tables = tables
        self._quiet = True
        self.form.show_tables(tables)
        self.text.setPlainText(tomli_w.dumps(tables))
        self._quiet = False
        self._check()

    def form_changed(self, tables: dict[str, Any]) -> None:
        self.tables = tables
        self._quiet = True
        self.text.setPlainText(tomli_w.dumps(tables))
        self._quiet = False
        self._check()

    def text_changed(self) -> None:
        if self._quiet:
            return
        try:
            self.tables = tomllib.loads(self.text.toPlainText())
        except tomllib.TOMLDecodeError as error:
            self.wrong.say(f"This is not TOML yet: {error}")
            self.use_button.setEnabled(False)
            mark(self.text, True)
            return
        mark(self.text, False)
        self.form.show_tables(self.tables)
        self._check()

    def limits(self) -> Limits | None:
        """What was entered, if it is complete; None, and the sentence shown, if it is not."""
        try:
            made = judge_limits.from_tables(self.tables)
        except LimitsError as error:
            where = f"{error.field}: " if error.field else ""
            rest = "; ".join(
                part for part in (error.problem, error.expected and f"expected: {error.expected}", error.mend) if part
            )
            self.wrong.say(where + rest)
            return None
        self.wrong.say("")
        return made

    def _check(self) -> None:
        now = self.bench.session
        if self.tables == EMPTY:
            self.wrong.say("")
            self.told.setText(
                "Enter the limits from your own copy of the code, or start from an example and check every line of it."
            )
            self.use_button.setEnabled(False)
            return
        made = self.limits()
        used = now is not None and made is not None and made == now.state.limits
        if made is not None:
            count = len(made.rule)
            self.told.setText(
                f"{count} {'rule' if count == 1 else 'rules'}, complete" + (", in use." if used else ", not used yet.")
            )
        else:
            self.told.setText("")
        self.use_button.setEnabled(made is not None and not used and now is not None)

    # -- doing

    def use(self) -> None:
        made, now = self.limits(), self.bench.session
        if made is None or now is None or (now.record is not None and not self.bench.named()):
            return
        now.trouble.pop("limits", None)
        self.bench.guarded(now.enter_limits, made)

    def choose_file(self) -> None:
        path, _ = QFileDialog.getOpenFileName(self, "Open limits", "", "Limits (*.toml)")
        if path:
            self.read(Path(path))

    def read(self, path: Path) -> None:
        """Show the limits of a file, to be looked through before they are used."""
        try:
            self.fill(tables_of(judge_limits.read(path)))
        except LimitsError as error:
            self.wrong.say(str(error))

    def choose_target(self) -> None:
        path, _ = QFileDialog.getSaveFileName(self, "Write limits", "limits.toml", "Limits (*.toml)")
        if path:
            self.write(Path(path))

    def write(self, path: Path) -> None:
        """Write what was entered, complete or not: it is the person's own text."""
        try:
            files.write(path, tomli_w.dumps(self.tables).encode())
            self.told.setText(f"Written: {path}")
        except OSError as error:
            self.wrong.say(f"{path} cannot be written: {error.strerror}")


def tables_of(limits: Limits) -> dict[str, Any]:
    """The tables that a file of these limits holds."""
    return build.plain(limits.model_dump(mode="json", exclude_none=True, exclude_unset=True))
