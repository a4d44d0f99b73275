"""The first page: what to open, what a killed window left, and the sheet that says what the specimen is."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from qtpy.QtWidgets import QComboBox, QFileDialog, QMenu, QVBoxLayout, QWidget

from specimeter.data import sample_images
from specimeter_napari import parts
from specimeter_napari.journal import Replayed
from specimeter_napari.pages.page import Page
from specimeter_napari.pages.sheet_form import SheetForm
from specimeter_napari.recovery import told

PHOTOGRAPHS = "Photographs (*.jpg *.jpeg *.png *.tif *.tiff *.heic)"


class SpecimenPage(Page):
    """Open, recover, and fill in the sheet."""

    name = "specimen"
    asks_name = True

    def build(self) -> None:
        self.open_button = parts.button("Open …", self.choose_file, key="Ctrl+O", tip="Open a photograph, or a record.json")
        self.folder_button = parts.button("Folder …", self.choose_folder, tip="Choose among the photographs of a folder")
        self.sample_button = parts.button("Samples", lambda: None, tip="Photographs of an invented workshop, to try it with")
        menu = QMenu(self.sample_button)
        for sheet in sorted(sample_images().glob("*.sheet.toml")):
            name = sheet.name.removesuffix(".sheet.toml")
            action = menu.addAction(name.replace("-", " "))
            action.triggered.connect(lambda _=False, name=name: self.bench.open(sample_images() / f"{name}.jpg"))
        self.sample_button.setMenu(menu)
        self.more_button = parts.button(
            "Add a photograph of this specimen …",
            self.choose_more,
            tip="The other half, another light, etched and not: it lies beside the first, with its own scale",
        )
        self.photographs = parts.label("", "quiet")
        self.choices = QComboBox()
        self.choices.setToolTip("Photographs in this folder")
        self.choices.activated.connect(lambda _: self.bench.open(self.choices.currentData()))
        self.choices.setVisible(False)
        self.found = QWidget()
        self._found_down = QVBoxLayout(self.found)
        self._found_down.setContentsMargins(0, 0, 0, 0)
        self.found.setVisible(False)
        self.form = SheetForm(self.bench)
        self.foot = parts.column(self.form.wrong, parts.row(self.form.use, self.form.write))
        for widget in (
            parts.row(self.open_button, self.folder_button, self.sample_button),
            self.choices,
            self.found,
            self.photographs,
            self.more_button,
            self.form,
        ):
            self.down.addWidget(widget)

    def show_state(self, now) -> None:
        self.form.show_sheet(now)
        many = now.record is not None and len(now.record.photos) > 1
        lines = [f"{one.id}: {one.file}" for one in now.record.photos] if many else []
        self.photographs.setText("\n".join(lines))
        self.photographs.setVisible(many)

    def show_session(self, now) -> None:
        super().show_session(now)
        self.form.setVisible(now is not None and self.found.isHidden())
        self.more_button.setVisible(now is not None and now.record is not None)
        self.photographs.setVisible(now is not None and bool(self.photographs.text()))

    def foot_shown(self, now) -> bool:
        return now is not None and self.found.isHidden()

    def choose_file(self) -> None:
        path, _ = QFileDialog.getOpenFileName(
            self,
            "Open a photograph or a record",
            "",
            "Photographs and records (*.jpg *.jpeg *.png *.tif *.tiff *.heic record.json)",
        )
        if path:
            self.bench.open(path)

    def choose_more(self) -> None:
        path, _ = QFileDialog.getOpenFileName(self, "A further photograph of this specimen", "", PHOTOGRAPHS)
        if path:
            self.bench.add_photo(path)

    def choose_folder(self) -> None:
        path = QFileDialog.getExistingDirectory(self, "A folder of photographs, or a record's folder")
        if path:
            self.bench.open(path)

    def offer(self, choices: Sequence[Path]) -> None:
        """The photographs of a folder, to choose from."""
        if choices:
            self.choices.clear()
            self.choices.addItem(f"{len(choices)} photographs: choose one")
            for path in choices:
                self.choices.addItem(path.name, str(path))
        self.choices.setVisible(len(choices) > 1)

    def ask_recovery(self, left: Replayed) -> None:
        """Say what a killed window left, how it differs from what is written, and ask."""
        parts.empty(self._found_down)
        now = self.bench.session
        self.go_on = parts.button(
            "Go on with it", lambda: self.bench.recover(left), role="main", tip="Open a copy of that work"
        )
        self.anew = parts.button("Begin anew", self.bench.forget_recovery, tip="Keep that work aside under another name")
        lines = [parts.label(line, "quiet") for line in told(left, now.written)]
        head = parts.label("Work that was not written was found", "title")
        self._found_down.addWidget(parts.card(head, *lines, parts.row(self.go_on, self.anew)))
        self.found.setVisible(True)
        self.form.setVisible(False)
        self.go_on.setFocus()

    def answered(self) -> None:
        self.found.setVisible(False)
