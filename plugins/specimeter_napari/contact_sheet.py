"""The trainer's library as a contact sheet: the same queries as on the command line; a picture opens with its outlines."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from qtpy.QtCore import QSize, Qt
from qtpy.QtGui import QIcon
from qtpy.QtWidgets import QComboBox, QFileDialog, QLineEdit, QListWidget, QListWidgetItem, QVBoxLayout, QWidget

from specimeter import photo
from specimeter.errors import SpecimeterError
from specimeter.library import alike, catalogue, store
from specimeter.library.entry import TESTS
from specimeter.library.find import Query, find
from specimeter.report import words
from specimeter.sheet import KINDS
from specimeter_napari import look, parts

SHOWN, STEP, ICON_PX = 60, 60, 150


class ContactSheet(QWidget):
    """A panel that searches one library. It computes nothing: the library finds, the viewer shows.

    The library is open during a search alone, so that others may write, move or mend it meanwhile.
    """

    def __init__(self, napari_viewer) -> None:
        super().__init__()
        self.setObjectName("bench")
        self.setStyleSheet(look.SHEET)
        self.viewer, self.folder, self.looks, self.like, self.shown = napari_viewer, None, None, None, SHOWN
        self.words = QLineEdit()
        self.words.setPlaceholderText("words: straight gap, side bend, 136 ...")
        self.words.setAccessibleName("words to look for")
        self.kind = _choice("any kind", [(kind, words.kind(kind)) for kind in KINDS])
        self.test = _choice("any test", [(test, test.replace("-", " ")) for test in TESTS])
        self.clean = _choice("with or without findings", [("no", "with findings"), ("yes", "clean")])
        self.sheet = QListWidget()
        self.sheet.setViewMode(QListWidget.ViewMode.IconMode)
        self.sheet.setResizeMode(QListWidget.ResizeMode.Adjust)
        self.sheet.setMovement(QListWidget.Movement.Static)
        self.sheet.setIconSize(QSize(ICON_PX, ICON_PX * 3 // 4))
        self.sheet.setGridSize(QSize(ICON_PX + 16, ICON_PX * 3 // 4 + 46))
        self.sheet.setWordWrap(True)
        self.sheet.setAccessibleName("pictures found")
        self.told = parts.label("Choose a library to begin.", "quiet")
        self.alike = parts.button("Like this one", self.search_alike, tip="the most alike pictures first")
        self.more = parts.button("More", self.show_more)
        column = QVBoxLayout(self)
        for widget in (
            parts.button("Choose a library", self.choose),
            self.words,
            parts.row(self.kind, self.test, self.clean),
            self.sheet,
            parts.row(self.alike, self.more),
            self.told,
        ):
            column.addWidget(widget)
        self.words.textChanged.connect(lambda _: self.search_anew())
        for choice in (self.kind, self.test, self.clean):
            choice.currentIndexChanged.connect(lambda _: self.search_anew())
        self.sheet.itemActivated.connect(self.open_item)
        self.more.setEnabled(False)

    def choose(self) -> None:
        """Ask for the library's folder."""
        if folder := QFileDialog.getExistingDirectory(self, "A library's folder"):
            self.open_library(Path(folder))

    def open_library(self, folder: Path) -> None:
        """Search this library from now on; one that cannot be searched leaves things as they are, and is told."""
        before = self.folder, self.looks
        self.folder, self.looks = folder, None
        if not self.search_anew():
            self.folder, self.looks = before

    def search_anew(self) -> bool:
        """Forget whom the pictures should be like, and search."""
        self.like, self.shown = None, SHOWN
        return self.search()

    def search_alike(self) -> None:
        """The pictures most alike the chosen one."""
        if (item := self.sheet.currentItem()) is not None:
            self.like, self.shown = item.data(Qt.ItemDataRole.UserRole), SHOWN
            self.search()

    def show_more(self) -> None:
        """Show further pictures of the same search."""
        self.shown += STEP
        self.search()

    def search(self) -> bool:
        """Fill the sheet with what fits; False where that could not be, and is told."""
        if self.folder is None:
            return False
        query = Query(
            words=self.words.text(),
            kind=self.kind.currentData(),
            test=self.test.currentData(),
            clean={"yes": True, "no": False}.get(self.clean.currentData()),
            like=self.like,
        )
        try:
            with store.open_store(self.folder) as library:
                if self.like is not None and self.looks is None:
                    self.looks = alike.Looks(library)
                found = find(library, query, limit=self.shown, looks=self.looks)
                thumbs = [str(library.thumb(one.sha256)) for one in found.hits]
        except SpecimeterError as error:
            self.told.setText(str(error))
            return False
        self.sheet.clear()
        for one, thumb in zip(found.hits, thumbs, strict=True):
            item = QListWidgetItem(QIcon(thumb), one.entry.title)
            item.setData(Qt.ItemDataRole.UserRole, one.id)
            item.setToolTip(", ".join(words.kind(kind) for kind in one.entry.kinds) or "no findings")
            self.sheet.addItem(item)
        total = "more than these" if found.total is None else str(found.total)
        self.told.setText(f"{len(found.hits)} shown, {total} in all. Enter or a double click opens a picture.")
        self.more.setEnabled(found.total is None or found.total > len(found.hits))
        return True

    def open_item(self, item: QListWidgetItem) -> None:
        """Show a picture with its outlines, in layers of its own."""
        try:
            with store.open_store(self.folder) as library:
                one = catalogue.get(library, item.data(Qt.ItemDataRole.UserRole))
                picture = photo.read(library.picture(one.sha256, one.suffix))
        except SpecimeterError as error:
            self.told.setText(str(error))
            return
        self.viewer.add_image(picture.rgb, name=one.entry.title, rgb=True)
        outlined = [feature for feature in one.entry.seen if len(feature.outline_px) > 2]
        if outlined:
            self.viewer.add_shapes(
                [np.asarray(feature.outline_px, float)[:, ::-1] for feature in outlined],  # [x, y] -> (row, col)
                shape_type="polygon",
                name=f"{one.entry.title}: outlines",
                edge_color=look.AMBER,
                edge_width=max(1.0, one.width_px / 700),
                face_color="transparent",
                features={"kind": [feature.kind for feature in outlined]},
            )
        self.viewer.reset_view()
        kinds = ", ".join(words.kind(kind) for kind in one.entry.kinds) or "no findings"
        self.told.setText(f"{one.entry.title}: {kinds}")


def _choice(anything: str, options: list[tuple[str, str]]) -> QComboBox:
    """A list to choose from, the first entry narrowing nothing."""
    made = QComboBox()
    made.setAccessibleName(anything)
    made.addItem(anything, None)
    for value, text in options:
        made.addItem(text, value)
    return made
