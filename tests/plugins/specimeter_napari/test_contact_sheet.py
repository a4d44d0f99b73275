"""The contact sheet finds what the library finds, and opens a picture with its outlines where they lie."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

RING = [[40.0, 30.0], [90.0, 30.0], [90.0, 50.0], [40.0, 50.0]]


@pytest.fixture
def folder(tmp_path):
    """A library of three pictures: a pore, a crack, a clean face."""
    from specimeter.library import catalogue, picture, store
    from specimeter.library.entry import made

    rng = np.random.default_rng(4)
    with store.create(tmp_path / "library") as library:
        for number, kind in enumerate(["pore", "crack", None]):
            coarse = Image.fromarray(rng.integers(0, 255, (6, 8, 3), dtype=np.uint8))
            coarse.resize((160, 120), Image.Resampling.BICUBIC).save(tmp_path / f"{number}.png")
            seen = [{"id": "f1", "kind": kind, "outline_px": RING, "length_mm": 2.0}] if kind else []
            fields = {"title": f"A {kind or 'clean face'}", "seen": seen, "clean": not seen, "quality": 80 - number}
            catalogue.add(library, picture.copy_of(tmp_path / f"{number}.png"), made(fields))
    return tmp_path / "library"


@pytest.fixture
def sheet(screen, folder):
    """The panel on a viewer without a window."""
    from napari.components import ViewerModel
    from qtpy.QtWidgets import QApplication
    from specimeter_napari.contact_sheet import ContactSheet

    application = QApplication.instance() or QApplication([])
    made = ContactSheet(ViewerModel())
    made.open_library(folder)
    yield made
    made.close()
    made.deleteLater()
    application.processEvents()


def titles(sheet) -> list[str]:
    return [sheet.sheet.item(index).text() for index in range(sheet.sheet.count())]


def test_it_finds_by_words_kind_and_likeness(sheet):
    assert titles(sheet) == ["A pore", "A crack", "A clean face"]
    sheet.words.setText("cra")
    assert titles(sheet) == ["A crack"]
    sheet.words.setText("")
    sheet.kind.setCurrentIndex(sheet.kind.findData("pore"))
    assert titles(sheet) == ["A pore"]
    sheet.kind.setCurrentIndex(0)
    sheet.clean.setCurrentIndex(sheet.clean.findData("yes"))
    assert titles(sheet) == ["A clean face"]
    sheet.clean.setCurrentIndex(0)
    sheet.sheet.setCurrentRow(1)
    sheet.search_alike()
    assert sorted(titles(sheet)) == ["A clean face", "A pore"]


def test_a_picture_opens_with_its_outlines_where_they_lie(sheet):
    """Rows and columns of the layer are y and x of the file."""
    sheet.open_item(sheet.sheet.item(0))
    image, outlines = sheet.viewer.layers
    assert image.data.shape == (120, 160, 3)
    assert np.allclose(outlines.data[0], np.array(RING)[:, ::-1])
    assert list(outlines.features["kind"]) == ["pore"]
    sheet.open_item(sheet.sheet.item(2))
    assert len(sheet.viewer.layers) == 3


def test_a_folder_that_is_no_library_is_told(sheet, tmp_path):
    sheet.open_library(tmp_path / "nowhere")
    assert "there is no library" in sheet.told.text()
    assert titles(sheet) == ["A pore", "A crack", "A clean face"]


def test_a_library_that_goes_or_is_damaged_meanwhile_is_told(sheet, folder):
    """Nothing holds it open, so that it may be moved; a search and a picture then say so, and show what they showed."""
    item = sheet.sheet.item(0)
    moved = folder.rename(folder.parent / "moved")
    sheet.words.setText("cra")
    assert "there is no library" in sheet.told.text()
    sheet.open_item(item)
    assert "there is no library" in sheet.told.text()
    assert len(sheet.viewer.layers) == 0
    sheet.open_library(moved)
    assert titles(sheet) == ["A crack"]
    for path in moved.glob("library*"):
        path.write_bytes(b"SQLite format 3\0" + b"?" * 4096)
    sheet.words.setText("por")
    assert "the library" in sheet.told.text()
    assert titles(sheet) == ["A crack"]
