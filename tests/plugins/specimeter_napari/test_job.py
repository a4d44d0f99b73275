"""The whole job in a real window, by mouse and keys."""

from __future__ import annotations

import numpy as np
import pytest
from qtpy.QtCore import Qt

from specimeter.data import sample_images
from specimeter.record import edit, model

SHIFT, CONTROL = Qt.KeyboardModifier.ShiftModifier, Qt.KeyboardModifier.ControlModifier
MOST_ACTS = 12  # from photograph to reviewed record


def test_from_photograph_to_reviewed_record_by_keys_alone(hand, case):
    """Accept every proposal, reject one, say that the face was looked over, write: the record on disk says the same."""
    bench = hand.bench
    hand.open(case)
    ids = [feature.id for feature in bench.session.record.features]
    assert len(ids) >= 2
    assert bench.here == "features"
    for number in range(len(ids)):
        if number == 0:
            hand.key(Qt.Key.Key_R)
            hand.settle(0.1)
            from qtpy.QtTest import QTest

            QTest.keyClick(bench.pages["features"].reasons, Qt.Key.Key_1)
            hand.settle()
        else:
            hand.key(Qt.Key.Key_A)
    hand.key(Qt.Key.Key_A, SHIFT)
    hand.key(Qt.Key.Key_S, CONTROL)
    hand.wait(lambda: bench.work is None)
    assert bench.wrong.isHidden(), bench.wrong.text()
    record = model.load(bench.session.folder)
    assert record == bench.session.record
    assert [feature.status for feature in record.features] == ["rejected"] + ["confirmed"] * (len(ids) - 1)
    assert record.features[0].reason == "a scratch or tool mark"
    assert record.review.state == "reviewed"
    assert record.review.by == "Ada Tester"
    assert not bench.session.journal.path.exists() or bench.session.journal.is_open
    assert hand.acts <= MOST_ACTS + len(ids)
    bench.leave()
    assert not list(bench.out.glob("*.journal"))  # all of it is in the record


def test_undo_and_redo_go_over_every_edit_in_one_history(proposed):
    """Decisions, kinds and limits alike, back to the beginning and forward again."""
    hand, bench = proposed, proposed.bench
    first = bench.session.record
    hand.key(Qt.Key.Key_A)
    hand.key(Qt.Key.Key_P)
    hand.key(Qt.Key.Key_3)
    hand.key(Qt.Key.Key_2, Qt.KeyboardModifier.AltModifier)
    last = bench.session.record
    assert {feature.kind for feature in last.features} >= {"pore"}
    assert any(feature.cause == "crack" for feature in last.features)
    steps = 0
    while bench.session.undoable is not None:
        hand.key(Qt.Key.Key_Z, CONTROL)
        steps += 1
    assert steps == 3
    assert bench.session.record == first
    while bench.session.redoable is not None:
        hand.key(Qt.Key.Key_Z, CONTROL | SHIFT)
    assert bench.session.record == last


def test_picture_and_table_select_each_other(proposed):
    """A click in the picture marks the row; a row brings the feature into view."""
    hand, bench = proposed, proposed.bench
    features = bench.session.record.features
    hand.whole()
    target = max(features, key=lambda feature: feature.area_mm2 or 0)
    outline = np.array(target.outline_px)
    hand.click(outline[0])  # on its rim; its middle may lie outside where it is bent
    assert bench.selected == (target.id,), (hand.at(outline[0]), bench.picture.zoom, bench.pointer.tool, outline.mean(axis=0))
    table = bench.pages["features"].table
    marked = {table.item(index.row(), 0).data(Qt.ItemDataRole.UserRole) for index in table.selectionModel().selectedRows()}
    assert marked == {target.id}
    other = next(line for line in range(table.rowCount()) if table.item(line, 0).data(Qt.ItemDataRole.UserRole) != target.id)
    table.selectRow(other)
    hand.settle()
    assert bench.selected == (table.item(other, 0).data(Qt.ItemDataRole.UserRole),)


def test_a_refused_sheet_is_told_where_it_is_mended(hand, case):
    """A wrong sheet beside the photograph: one sentence on the first page, the photograph shown all the same."""
    sheet = case.with_suffix(".sheet.toml")
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("side-bend", "sidebend"), encoding="utf-8")
    hand.open(case)
    page = hand.bench.pages["specimen"]
    assert hand.bench.here == "specimen"
    assert "sidebend" in page.trouble.text()
    assert "Traceback" not in page.trouble.text()
    assert hand.bench.picture.photo is not None


@pytest.mark.parametrize("name", ["nick-break-exceeds", "macro-fillet-exceeds"])
def test_a_sample_from_photograph_to_reviewed_record(hand, name):
    """Broken face and section: sizes looked at, one feature drawn by mouse and rejected, the rest accepted, written."""
    bench = hand.bench
    hand.open(sample_images() / f"{name}.jpg")
    assert bench.here == "features", bench.wrong.text()
    page = bench.pages["features"]
    record = bench.session.record
    if record.cut is not None:
        sizes = page.section
        for line in range(sizes.rowCount()):  # every size; those that were measured have their construction drawn
            sizes.selectRow(line)
            hand.settle()
            measured = sizes.item(line, 2).text() != "not measured"
            drawn = any(one.size == sizes.item(line, 0).data(Qt.ItemDataRole.UserRole) for one in record.cut.drawn)
            assert bool(bench.picture._sized) == drawn
            assert measured or not drawn
    hand.whole()
    middle = np.array(record.examined[0].outline_px).mean(axis=0)
    hand.key(Qt.Key.Key_D)
    for corner in middle + 40 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]):
        hand.click(corner)
    hand.key(Qt.Key.Key_Return)
    (new,) = [f.id for f in bench.session.record.features if f.id not in {f.id for f in record.features}]
    assert bench.selected == (new,)
    bench.act("drawn to try it", edit.reject, [new], why="drawn to try it")
    bench.select(())
    hand.key(Qt.Key.Key_N)
    while any(feature.status == "proposed" for feature in bench.session.record.features):
        hand.key(Qt.Key.Key_A)
    hand.key(Qt.Key.Key_A, SHIFT)
    hand.key(Qt.Key.Key_S, CONTROL)
    hand.wait(lambda: bench.work is None)
    assert bench.wrong.isHidden(), bench.wrong.text()
    written = model.load(bench.session.folder)
    assert written == bench.session.record
    assert written.review.state == "reviewed"
    assert (bench.session.folder / "report.html").is_file()
