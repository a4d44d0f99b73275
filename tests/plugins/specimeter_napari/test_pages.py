"""What the pages say and do: limits while typing, the sheet's fields, every button, keys listed, a small screen."""

from __future__ import annotations

import shutil
import threading

import numpy as np
import pytest
from qtpy.QtWidgets import QAbstractButton, QApplication, QComboBox, QFileDialog, QInputDialog
from specimeter_napari import keys, look
from specimeter_napari.pages.limits import tables_of
from specimeter_napari.steps import STEPS

from specimeter.data import sample_images, shared
from specimeter.judge import limits as judge_limits
from specimeter.record import edit, model


@pytest.mark.parametrize("path", sorted((shared() / "limits").glob("*.toml")), ids=lambda path: path.stem)
def test_every_example_comes_back_from_the_form_as_it_was_entered(hand, path, tmp_path):
    """Every rule shown and its fields read back, written to a file, read again: the same tables; a slip is told."""
    page, made = hand.bench.pages["limits"], judge_limits.read(path)
    page.read(path)
    for number, rule in enumerate(made.rule):
        page.form.which.setCurrentIndex(number)
        page.form.which.activated.emit(number)
        field = page.form.texts["observation" if rule.observation else "limit"]
        right = field.text()
        for typed in ("" if rule.observation else right[:-1] + "(", right):
            field.setText(typed)
            field.textEdited.emit(typed)
            assert page.wrong.isHidden() == (typed == right), (rule.id, typed, page.wrong.text())
    assert page.tables == tables_of(made)
    page.write(tmp_path / "limits.toml")
    assert judge_limits.read(tmp_path / "limits.toml") == made


def test_limits_are_checked_while_they_are_typed(proposed):
    """A misspelt size is refused with its place; mended, the limits are used and the verdicts follow."""
    bench, page = proposed.bench, proposed.bench.pages["limits"]
    bench.go("limits")
    page.form.texts["size"].setText("lenght_mm")
    page.form.texts["size"].textEdited.emit("lenght_mm")
    assert "lenght_mm" in page.wrong.text()
    assert not page.use_button.isEnabled()
    page.form.texts["size"].setText("length_mm")
    page.form.texts["limit"].setText("0.01")
    page.form.texts["limit"].textEdited.emit("0.01")
    assert page.wrong.isHidden()
    proposed.press(page.use_button)
    record = bench.session.record
    assert record.verdicts[0].limit == 0.01
    assert record.outcome == "exceeds"
    assert record.log[-1].what == "limits entered"
    page.text.setPlainText("[limits\n")
    assert "not TOML" in page.wrong.text()


def test_a_rule_is_added_and_dropped_in_the_form(proposed):
    page = proposed.bench.pages["limits"]
    proposed.bench.go("limits")
    before = tables_of(proposed.bench.session.state.limits)
    proposed.press(page.form.add_button)
    assert len(page.tables["rule"]) == len(before["rule"]) + 1
    assert page.limits() is not None
    proposed.press(page.form.drop_button)
    assert page.tables == before


def test_the_sheet_is_refused_at_the_field_that_is_wrong_and_used_when_it_is_right(hand, case):
    hand.open(case)
    bench = hand.bench
    bench.go("specimen")
    form = bench.pages["specimen"].form
    form.numbers["bend.former_diameter_mm"].setText("forty")
    hand.press(form.use)
    assert "forty" in form.wrong.text()
    old = bench.session.state.sheet.bend.former_diameter_mm
    form.numbers["bend.former_diameter_mm"].setText(f"{old:g}")
    form.numbers["specimen.weld_width_mm"].setText("11")
    hand.press(form.use)
    hand.wait(lambda: bench.work is None)
    assert bench.session.state.sheet.specimen.weld_width_mm == 11
    assert bench.session.record.sheet["specimen"]["weld_width_mm"] == 11
    hand.press(form.write)
    assert "weld_width_mm = 11" in bench.session.photo.path.with_suffix(".sheet.toml").read_text(encoding="utf-8")


def test_a_photograph_without_a_sheet_asks_for_one_and_goes_on_from_the_form(hand, case):
    """The first-time user's way: only the photograph; the form filled in; the rest follows."""
    sheet = case.with_suffix(".sheet.toml")
    sheet.rename(case.with_name("other.toml"))
    hand.open(case)
    bench = hand.bench
    assert bench.here == "specimen"
    assert bench.next_words.text().startswith("Say which specimen")
    form = bench.pages["specimen"].form
    form.id.setText("SB-1")
    form.test.setCurrentText("side-bend")
    import tomllib

    tables = tomllib.loads(case.with_name("other.toml").read_text(encoding="utf-8"))
    for key, field in form.numbers.items():
        table, name = key.split(".")
        if name in tables.get(table, {}):
            field.setText(str(tables[table][name]))
    form.axis.setCurrentText(tables["bend"]["axis"])
    hand.press(form.use)
    hand.wait(lambda: bench.work is None)
    assert bench.session.record is not None, (form.wrong.text(), bench.session.trouble)
    assert bench.session.record.id == "SB-1"


def test_napari_opens_a_photograph_on_the_bench_of_its_window(hand, case, tmp_path):
    """Its Open menu and drag and drop go through the reader; what is neither photograph nor record is left to others."""
    from specimeter_napari.reader import reader

    hand.viewer.open(str(case), plugin="specimeter")
    hand.wait(lambda: hand.bench.session is not None)
    hand.settle(0.1)
    hand.wait(lambda: hand.bench.work is None)
    assert hand.bench.session.photo.path == case
    assert reader(str(tmp_path)) is None
    assert reader(str(tmp_path / "notes.txt")) is None
    assert reader([str(case)]) is None


def test_a_folder_offers_its_photographs(hand, case):
    second = case.with_name("other.jpg")
    shutil.copy(case, second)
    hand.bench.open(case.parent)
    choices = hand.bench.pages["specimen"].choices
    assert [choices.itemText(number) for number in range(1, choices.count())] == ["other.jpg", case.name]
    hand.bench.open(case.parent / "nothing.jpg")
    hand.wait(lambda: hand.bench.work is None)
    assert "no such" in hand.bench.wrong.text().lower() or "not" in hand.bench.wrong.text().lower()


def own_buttons(bench):
    """Every button of the bench but those that Qt puts into its tables."""
    return [one for one in bench.findChildren(QAbstractButton) if one.objectName() != "qt_tableview_cornerbutton"]


class Presser:
    """Presses whatever can be pressed, step by step, and remembers what was."""

    def __init__(self, hand):
        self.hand, self.bench = hand, hand.bench
        pages = self.bench.pages
        passing = (pages["finding"].verdicts, pages["finding"].left, pages["specimen"].found)  # made anew with each record
        self.there = [one for one in own_buttons(self.bench) if not any(part.isAncestorOf(one) for part in passing)]
        self.pressed, self.words = set(), set()

    def all(self, *names):
        """Every button that can be pressed now and was not yet; of those that come and go with the verdicts, each word once."""
        for step in names or STEPS:
            self.bench.go(step)
            while (button := next(filter(self.fresh, own_buttons(self.bench)), None)) is not None:
                self.one(button)
                self.bench.go(step)

    def fresh(self, button):
        new = button not in self.pressed if button in self.there else button.text() not in self.words
        return new and button.isVisible() and button.isEnabled()

    def one(self, button):
        self.pressed.add(button)
        self.words.add(button.text())
        if getattr(button, "menu", None) and button.menu():  # a menu waits for an answer: its first entry is taken
            button.menu().actions()[0].trigger()
        else:
            self.hand.press(button)
        while (menu := QApplication.activePopupWidget()) is not None:
            menu.close()
        self.hand.idle()
        self.bench.take(None)


def test_every_button_is_pressed(hand, proposed_in, monkeypatch):
    """All that there are, in every state that a specimen goes through; dialogs answer that nothing was chosen."""
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *given: ("", ""))
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *given: ("", ""))
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *given: "")
    monkeypatch.setattr(QInputDialog, "getText", lambda *given: ("", False))
    monkeypatch.setattr("specimeter_napari.pages.finding.QDesktopServices.openUrl", lambda url: True)
    bench, press = hand.bench, Presser(hand)
    samples = bench.pages["specimen"].sample_button
    press.pressed.add(samples)  # the last one, for what is then opened is no copy
    press.all()  # with nothing on the bench
    folder = proposed_in(hand)
    ids = [feature.id for feature in bench.session.record.features]
    press.all("specimen", "scale", "area", "limits", "finding")
    bench.go("scale")
    method = bench.pages["scale"].method
    method.setCurrentIndex(method.findData("length"))
    method.activated.emit(method.currentIndex())
    press.one(bench.pages["scale"].mark)
    bench.go("area")
    corners = np.array(bench.session.record.examined[0].outline_px)
    bench.pages["area"]._set(outline_px=corners.mean(axis=0) + 0.8 * (corners - corners.mean(axis=0)))
    hand.idle()
    press.one(bench.pages["area"].auto_button)
    for chosen in (ids[:1], ids[:2]):
        bench.select(tuple(chosen), look=False)
        press.all("features")
    slow = threading.Event()
    bench.start("a long work", lambda progress: slow.wait(20), then=lambda result: None)
    hand.settle()
    hand.press(bench.stop)
    press.pressed.add(bench.stop)
    slow.set()
    assert bench.work is None
    while bench.session.undoable is not None:  # what came of pressing tools is taken back
        bench.undo()
    seen = {"id": "root", "name": "root", "test": "observation", "observation": "complete-root-fusion"}
    limits = judge_limits.from_tables(tables_of(bench.session.state.limits) | {"rule": [seen]})
    bench.session.enter_limits(limits)
    press.all("limits", "finding")
    assert bench.act("decided", edit.confirm, ids)
    bench.go("features")
    press.one(bench.pages["features"].over_button)
    bench.go("finding")
    press.one(bench.pages["finding"].write_button)
    issuing = bench.pages["finding"].issuing
    issuing.second.setText("Bo Second")
    press.one(issuing.key_button)
    press.one(issuing.issue_button)
    assert bench.session.record.issue is not None, bench.session.trouble
    monkeypatch.setattr(QInputDialog, "getText", lambda *given: ("a slip of the pen", True))
    press.one(issuing.amend_button)
    assert bench.session.record.issue is None
    press.all()
    assert model.load(folder).amends is not None
    bench.go("specimen")
    press.one(samples)
    assert bench.session.photo.path.parent == sample_images()
    assert {one.text() for one in press.there if one not in press.pressed} == set()
    assert press.words >= {"Yes", "No", "Cannot tell"}
    assert any(word.startswith("Show f") for word in press.words)
    assert any(word.startswith("→ ") for word in press.words)
    assert "fault of the tool" not in bench.wrong.text()


def test_every_key_is_listed_and_every_tooltip_of_a_main_button_tells_its_key(hand):
    listed = dict(keys.listed())
    assert len(listed) == len(keys.listed())
    for button in hand.bench.pages["features"].findChildren(QAbstractButton):
        if button.text() in ("Accept", "Reject …", "Next", "Trace", "Grow", "Polygon", "Brush", "Snap"):
            key = button.toolTip().split("(key ")[1].rstrip(")")
            assert key in listed


@pytest.mark.parametrize("name", STEPS)
def test_the_bench_fits_a_small_screen(proposed, name):
    """At 1366 x 768 no page asks for more width than the dock has, and the dock for no more height than the window."""
    proposed.bench.go(name)
    proposed.settle()
    page = proposed.bench.pages[name]
    assert page.minimumSizeHint().width() <= proposed.bench.width(), page.minimumSizeHint()
    assert proposed.bench.minimumSizeHint().height() < 700


def test_words_stand_out_from_their_ground():
    """Contrast by WCAG 2.1, 1.4.6 (enhanced): 7 to 1 for text; 3 to 1 (1.4.11) for signs on the ground."""

    def luminance(colour):
        parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))

    def contrast(one, other):
        low, high = sorted((luminance(one), luminance(other)))
        return (high + 0.05) / (low + 0.05)

    for ground in (look.GROUND, look.CARD, look.DARK):
        for ink in (look.INK, look.QUIET):
            assert contrast(ink, ground) >= 7, (ink, ground)
    for colour in (*look.STATUS_COLOUR.values(), look.ACCENT, look.ROSE, look.GREEN):
        assert contrast(look.DARK, colour) >= 7
        assert contrast(colour, look.GROUND) >= 3


def test_kinds_have_a_key_each(hand):
    """All fourteen, none twice, none that a tool has."""
    from specimeter.sheet import KINDS

    assert sorted(keys.KIND_KEYS.values()) == sorted(KINDS)
    used = [entry[0] for entry in (*keys.GENERAL, *keys.TOOL, *keys.FEATURES)] + list(keys.KIND_KEYS)
    assert len(used) == len(set(used))
    box: QComboBox = hand.bench.pages["features"].kind
    assert box.count() == len(KINDS)


def test_a_field_lets_the_keys_go_when_its_step_is_left_or_the_name_is_entered(proposed):
    """What was typed last must not swallow the next key: the limits' field, then the name's."""
    from qtpy.QtCore import Qt

    hand, bench = proposed, proposed.bench
    bench.go("limits")
    bench.pages["limits"].form.texts["limit"].setFocus()
    hand.key(Qt.Key.Key_4, Qt.KeyboardModifier.ControlModifier)
    hand.key(Qt.Key.Key_D)
    assert bench.pointer.tool is not None
    hand.key(Qt.Key.Key_Escape)
    bench.pages["features"].who.setFocus()
    hand.key(Qt.Key.Key_D)
    assert bench.pointer.tool is None
    hand.key(Qt.Key.Key_Return)
    hand.key(Qt.Key.Key_D)
    assert bench.pointer.tool is not None
    assert bench.person() == "Ada Testerd"
