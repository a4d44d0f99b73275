"""Two photographs of one specimen side by side: each with its own scale, features of both linked as one imperfection."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from PIL import Image
from qtpy.QtCore import Qt
from qtpy.QtWidgets import QFileDialog

from specimeter import job
from specimeter.record import model
from specimeter.scene.files import save
from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from tests.conftest import made_once

CONTROL, SHIFT = Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.ShiftModifier


@pytest.fixture(scope="module")
def turned(written, tmp_path_factory):
    """The record's photograph turned half round: another picture in which every feature is there again, as long as before."""
    file = tmp_path_factory.mktemp("turned") / "other-half.png"
    with Image.open(next(written.glob("p1.*"))) as picture:
        picture.transpose(Image.Transpose.ROTATE_180).save(file)
    return file


@pytest.fixture(scope="module")
def halves(tmp_path_factory):
    """Both halves of one nick-break, each photographed by itself: the same break, mirrored along the weld."""

    def made(folder):
        for half in "ab":
            scene = random_scene(
                13400003, test="nick-break", half=half, width_px=1400, card="strip", height="level", tilt_deg=4
            )
            save(render(scene), folder, half)

    folder = made_once(tmp_path_factory, "window-halves", made)
    return folder / "a.jpg", folder / "b.jpg"


def test_both_halves_of_a_break_are_opened_together_and_linked(hand, halves):
    """As given on the command line: side by side, each with its own scale; what is one imperfection is linked by hand."""
    bench = hand.bench
    hand.open(*halves)
    record = bench.session.record
    assert record is not None, (bench.wrong.text(), bench.session.trouble)
    assert [photo.file for photo in record.photos] == ["a.jpg", "b.jpg"]
    assert [pane.id for pane in bench.picture.panes] == ["p1", "p2"]
    one, other = (next(f for f in record.features if (f.photo, f.kind) == (photo, "fisheye")) for photo in ("p1", "p2"))
    assert other.length_mm == pytest.approx(one.length_mm, rel=0.15)
    hand.whole()
    hand.click(bench.picture.on_canvas(one.outline_px[0], "p1"))
    hand.click(bench.picture.on_canvas(other.outline_px[0], "p2"), SHIFT)
    assert bench.selected == (one.id, other.id)
    hand.key(Qt.Key.Key_K)
    assert {f.id: f.same_as for f in bench.session.record.features}[other.id] == one.id
    hand.key(Qt.Key.Key_S, CONTROL)
    hand.idle()
    assert bench.wrong.isHidden(), bench.wrong.text()
    folder, written = bench.session.folder, bench.session.record
    assert model.load(folder) == written
    bench.leave()
    hand.open(halves[0])  # the first alone brings the record of both back
    assert bench.session.record == written
    assert [pane.id for pane in bench.picture.panes] == ["p1", "p2"]


def test_photographs_opened_together_give_the_command_lines_numbers(hand, case, turned, tmp_path):
    """To the last digit; and a third that the written record does not hold is named, not lost."""
    names = [case.with_suffix(f".{kind}.toml") for kind in ("sheet", "limits")]
    by_command, _ = job.measure([case, turned], *names, out=tmp_path / "by-command")
    hand.open(case, turned)
    by_window = hand.bench.session.record
    for part in ("photos", "scales", "surfaces", "examined", "features", "verdicts", "outcome", "reasons"):
        assert getattr(by_window, part) == getattr(by_command, part), part
    hand.bench.leave()
    hand.bench.out = tmp_path / "by-command"
    third = shutil.copy(case, tmp_path / "third.jpg")
    with open(third, "ab") as tail:
        tail.write(b"\0")
    hand.open(case, turned, third)
    assert hand.bench.session.record.photos == by_command.photos
    assert "does not hold third.jpg" in hand.bench.wrong.text()
    hand.bench.open(case, case.with_suffix(".sheet.toml"))
    assert "this is no photograph" in hand.bench.wrong.text()


def test_the_other_half_is_added_linked_drawn_in_written_and_opened_again(proposed, turned, monkeypatch):
    hand, bench = proposed, proposed.bench
    first = bench.session.record
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *given: (str(turned), ""))
    bench.go("specimen")
    hand.press(bench.pages["specimen"].more_button)
    hand.wait(lambda: bench.work is None)
    record = bench.session.record
    assert [photo.id for photo in record.photos] == ["p1", "p2"], bench.wrong.text()
    assert record.scales[1].mm_per_px == pytest.approx(record.scales[0].mm_per_px, rel=0.01)
    assert [pane.id for pane in bench.picture.panes] == ["p1", "p2"]

    one = max((f for f in record.features if f.photo == "p1"), key=lambda f: f.length_mm or 0)
    size = np.array([record.photos[0].width_px, record.photos[0].height_px]) - 1
    there = size - np.array(one.outline_px).mean(axis=0)
    others = [f for f in record.features if f.photo == "p2"]
    other = min(others, key=lambda f: np.linalg.norm(np.array(f.outline_px).mean(axis=0) - there))
    assert other.length_mm == pytest.approx(one.length_mm, rel=0.1)
    bench.go("features")
    hand.whole()
    hand.click(bench.picture.on_canvas(one.outline_px[0], "p1"))
    assert bench.selected == (one.id,)
    assert bench.picture.held == "p1"
    hand.click(bench.picture.on_canvas(other.outline_px[0], "p2"), SHIFT)
    assert bench.selected == (one.id, other.id)
    assert bench.picture.held == "p2"
    hand.key(Qt.Key.Key_K)
    assert {f.id: f.same_as for f in bench.session.record.features}[other.id] == one.id, bench.wrong.text()
    hand.press(bench.pages["features"].link_button)
    assert all(f.same_as is None for f in bench.session.record.features)
    hand.key(Qt.Key.Key_Z, CONTROL)

    bench.go("scale")
    assert bench.pages["scale"].number.text().startswith("Photograph 2 of 2")
    before = {f.id for f in bench.session.record.features}
    hand.key(Qt.Key.Key_D)
    middle = np.array(other.outline_px).mean(axis=0)
    for corner in middle + np.array([[-60, -60], [60, -60], [60, 60], [-60, 60]]):
        hand.click(bench.picture.on_canvas(corner, "p2"))
    hand.key(Qt.Key.Key_Return)
    (new,) = [f for f in bench.session.record.features if f.id not in before]
    assert new.photo == "p2"
    assert np.array(new.outline_px).mean(axis=0) == pytest.approx(middle, abs=2 / bench.picture.zoom)  # pixels of the canvas

    hand.key(Qt.Key.Key_S, CONTROL)
    hand.wait(lambda: bench.work is None)
    assert bench.wrong.isHidden(), bench.wrong.text()
    assert model.load(bench.session.folder) == bench.session.record
    while bench.session.undoable is not None:
        hand.key(Qt.Key.Key_Z, CONTROL)
    assert bench.session.record == first
    assert [pane.id for pane in bench.picture.panes] == ["p1"]
    hand.key(Qt.Key.Key_Y, CONTROL)
    assert [pane.id for pane in bench.picture.panes] == ["p1", "p2"]
    folder = bench.session.folder
    bench.leave()
    hand.open(folder)
    assert [pane.id for pane in bench.picture.panes] == ["p1", "p2"]


def test_the_second_photograph_is_placed_anew_by_itself(proposed, turned):
    """Its area drawn by hand goes into its own table of the sheet; the first one's stays as it was."""
    hand, bench = proposed, proposed.bench
    bench.add_photo(turned)
    hand.wait(lambda: bench.work is None)
    first, second = bench.session.record.examined
    bench.go("area")
    hand.whole()
    middle = np.array(second.outline_px).mean(axis=0)
    hand.click(bench.picture.on_canvas([5.0, 5.0], "p2"))
    hand.press(bench.pages["area"].draw_button)
    hand.key(Qt.Key.Key_Escape)
    corners = np.array(second.outline_px)
    low, high = corners.min(axis=0), corners.max(axis=0)
    box = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    hand.press(bench.pages["area"].draw_button)
    for corner in middle + 0.5 * (box - middle):
        hand.click(bench.picture.on_canvas(corner, "p2"))
    hand.key(Qt.Key.Key_Return)
    hand.wait(lambda: bench.work is None)
    record = bench.session.record
    assert record.examined[1].found_by == "sheet", (bench.wrong.text(), bench.pages["area"].wrong.text())
    assert record.examined[1].area_mm2 < second.area_mm2
    assert record.examined[0] == first
    assert "region" in record.sheet["other_photo"][0]
