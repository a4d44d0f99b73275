"""The bench: one dock that leads from a photograph to a reviewed record, step by step, and keeps what was done."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path as FilePath
from typing import Any

import numpy as np
from qtpy.QtCore import QSettings, Qt, QTimer
from qtpy.QtWidgets import QApplication

from specimeter import photo as photos
from specimeter.errors import SpecimeterError
from specimeter.photo import Photo
from specimeter.record import rebuild
from specimeter.scale.place import card_outlines_px
from specimeter.scale.surface import Surface
from specimeter_napari import keys, look, opening, parts, session
from specimeter_napari.errands import Errands
from specimeter_napari.opening import Opened
from specimeter_napari.picture import Picture
from specimeter_napari.pointer import Pointer, Tool
from specimeter_napari.session import Session
from specimeter_napari.steps import STEPS, TITLES, home_of, kept_words, next_step, sentence, steps
from specimeter_napari.unrolled import UnrolledView


class Bench(Errands):
    """The dock's widget. It holds the window's parts together; numbers come from the core, words from the pages."""

    def __init__(self, napari_viewer, *, out: FilePath | None = None) -> None:
        super().__init__()
        self.viewer, self.out = napari_viewer, out
        self.session: Session | None = None
        self.selected: tuple[str, ...] = ()
        self.unrolled: UnrolledView | None = None
        self._unrolled_dock = None
        self.here = "specimen"
        self.picture = Picture(napari_viewer)
        self.pointer = Pointer(napari_viewer, self.picture, picked=self._picked, hovered=self._hovered, held=self.refresh)
        self.surfaces: dict[str, Surface] = {}  # of each photograph, as far as they are known
        self._picture_due = QTimer(self)
        self._picture_due.setSingleShot(True)
        self._picture_due.setInterval(0)
        self._picture_due.timeout.connect(self._show_picture)
        self.build()
        self.keys = keys.Keys(self, napari_viewer.window._qt_window)
        self.refresh()

    # -- opening

    def open(
        self,
        path: str | FilePath,
        *more: str | FilePath,
        sheet: str | FilePath | None = None,
        limits_file: str | FilePath | None = None,
    ) -> None:
        """Open photographs of one specimen, a record or a folder; a photograph is shown before anything is worked out."""
        self.wrong.say("")
        try:
            opened = opening.look_up(path, *more, sheet=sheet, limits=limits_file)
        except SpecimeterError as error:
            self.wrong.say(sentence(error))
            return
        self.pages["specimen"].offer(opened.choices)
        if opened.photo is not None:
            self.start(
                "photograph: reading", _read, opened.photo, *opened.further, then=lambda read: self._have_photos(read, opened)
            )

    def _have_photos(self, read: list[Photo], opened: Opened) -> None:
        photo, *further = read
        self.leave()
        self.picture.clear()
        self.picture.show_photos(read)
        out = opened.folder.parent if opened.folder else self.out or opening.records_folder(photo.path)
        self.session = Session(photo, out=out, person=self.person(), further=further)
        self.session.changed.connect(self.refresh)
        self.selected, self.surfaces = (), {}
        QTimer.singleShot(0, lambda: self._have_session(opened))

    def _have_session(self, opened: Opened) -> None:
        """The photograph is on the screen: now what is beside it."""
        now = self.session
        left = now.recoverable()
        state, trouble = opening.beside(now.photo, opened, now)
        now.trouble = {home_of(error): error for error in trouble}
        now.begin(state)
        self.here = next_step(self.steps()).name
        if left is not None:
            self.go("specimen")
            self.pages["specimen"].ask_recovery(left)
            return
        if state.record is None:
            self.find()
        else:
            self._arrived()
            self.wrong.say(opening.not_in(state.record, [now.photo, *now.read_beside]))

    def recover(self, left) -> None:
        self.pages["specimen"].answered()
        self.session.recover(left)
        self._go_next()

    def forget_recovery(self) -> None:
        self.pages["specimen"].answered()
        self.session.set_aside()
        self.find()

    def find(self) -> None:
        """Run the main job if there is a sheet and no record yet."""
        now = self.session
        if now is None or now.state.sheet is None or now.record is not None or now.trouble.get("specimen"):
            self.refresh()
            return
        sheet, limits_ = now.state.sheet, now.state.limits
        given = lambda: (now.photos, sheet, limits_)
        self.guarded(lambda: self.start("scale", session.found, *given(), partly=self._have_placed, then=self._have_record))

    def _have_placed(self, placed) -> None:
        """Scale, surface and area are known; what is on them is still looked for."""
        self.surfaces = {"p1": placed.surface}
        card = card_outlines_px(placed.scale) if placed.scale.method == "card" else ()
        self.picture.show_placed(placed.surface, placed.area, card)

    def _have_record(self, record) -> None:
        now = self.session
        now.trouble = {step: error for step, error in now.trouble.items() if step == "limits"}
        now.begin(replace(now.state, record=record, sheet=session.for_all(now.state.sheet, len(record.photos))))
        self._arrived()

    def _arrived(self) -> None:
        """A record is on the bench for the first time: to what is to be done with it."""
        self._go_next()
        if self.session.record.cut is not None:
            self.picture.look_at_cut(self.session.record)
        else:
            self.picture.look_at_faces(self.session.record)

    def place_again(self, sheet, why: str, label: str) -> None:
        """Scale, surface and area by another sheet; what was decided of features stays."""
        now = self.session
        if now.record is None:
            now.edit(label, replace(now.state, sheet=sheet, record=None))
            now.trouble = {}
            self.find()
            return
        if not self.named():
            return
        done = lambda record: self._placed_again(record, label)
        number = self.held + 1
        given = (self.picture.photo, number, now.record, sheet, now.state.limits)
        self.start("scale", session.placed_again, *given, by=now.person, why=why, then=done)

    def _placed_again(self, record, label: str) -> None:
        now = self.session
        now.trouble = {step: error for step, error in now.trouble.items() if step == "limits"}
        state = replace(now.state, sheet=session.recompute.sheet_of(record), record=record)
        self.guarded(now.edit, label, state)

    def add_photo(self, path: str | FilePath) -> None:
        """A further photograph of the same specimen, beside the first: the other half, another light, etched and not."""
        now = self.session
        if now is not None and now.record is not None and self.named():
            done = lambda result: self.guarded(now.have_photo, *result) and self.go("features")
            self.start("photograph", session.joined, now.record, FilePath(path), by=now.person, then=done)

    @property
    def held(self) -> int:
        """Which of the photographs is held, counted from 0."""
        return int(self.picture.held.removeprefix("p")) - 1

    @property
    def surface(self) -> Surface | None:
        """Of the photograph held."""
        return self.surfaces.get(self.picture.held)

    # -- edits

    def person(self) -> str:
        return str(settings().value("person", "") or "")

    def name_person(self, name: str) -> None:
        """Who is at the bench from now on; kept for the next time."""
        settings().setValue("person", name.strip())
        if self.session is not None:
            self.session.person = name.strip()
        self.refresh()

    def named(self) -> bool:
        """Whether somebody is; else the pages ask for the name."""
        if self.session is not None and self.session.person.strip():
            return True
        self.wrong.say("Enter your name first: the record's log keeps who decided.")
        self.pages[self.here].ask_name()
        return False

    def act(self, label: str, function: Callable, *given: Any, **named: Any) -> bool:
        """One edit of the record by the person at the bench, who is asked for a reason where the record wants one."""
        now = self.session
        if now is None or now.record is None or not self.named():
            return False
        try:
            now.act(label, function, *given, **named)
        except SpecimeterError as error:
            if error.field != "why" or named.get("why") is not None:
                return self.guarded(_raised, error)
            why = parts.ask_words(self, "A reason is wanted", f"{error.problem.capitalize()}. Say why:")
            return bool(why) and self.guarded(now.act, label, function, *given, why=why, **named)
        self.wrong.say("")
        return True

    def guarded(self, function: Callable, *given: Any, **named: Any) -> bool:
        """Do it; a refusal becomes a sentence in the window."""
        try:
            function(*given, **named)
        except SpecimeterError as error:
            self.wrong.say(sentence(error))
            return False
        self.wrong.say("")
        return True

    def undo(self) -> None:
        if self.session is not None:
            self.guarded(self.session.undo)

    def redo(self) -> None:
        if self.session is not None:
            self.guarded(self.session.redo)

    def write(self) -> None:
        """Write the record and its report."""
        now = self.session
        if now is None or now.record is None or not self.named():
            return
        done = lambda result: self._written(now, *result)
        given = lambda: (now.photos, now.record, now.written, now.folder)
        self.guarded(lambda: self.start("report", session.written, *given(), out=now.out, by=now.person, then=done))

    def _written(self, now: Session, record, folder: FilePath) -> None:
        if record != now.record:
            now.edit("log of what was written", replace(now.state, record=record))
        now.written, now.folder = record, folder
        now.trouble.pop("finding", None)

    def issue(self, *, number: str, authorised_by: str, key_file: FilePath | None) -> None:
        """Freeze the record as it is written, under a number, by the person at the bench and a second one."""
        now = self.session
        if now is not None and now.folder is not None and self.named():
            given = {"number": number, "by": now.person, "authorised_by": authorised_by, "key_file": key_file}
            self.guarded(lambda: self.start("report", session.issued, now.photos, now.folder, **given, then=self._on_disk))

    def amend(self, why: str) -> None:
        """Begin a new revision of an issued record."""
        now = self.session
        if now is not None and now.folder is not None and self.named():
            given = {"by": now.person, "why": why}
            self.guarded(lambda: self.start("report", session.amended, now.photos, now.folder, **given, then=self._on_disk))

    def _on_disk(self, record) -> None:
        """The record was changed where it lies: edits begin anew from there."""
        now = self.session
        now.trouble.pop("finding", None)
        now.written = record
        now.journal.close(forget=True)
        now.begin(replace(now.state, record=record))

    # -- selection and the mouse

    def select(self, ids: tuple[str, ...], *, look: bool = True) -> None:
        """Select features in picture and table alike; `look` brings the first into view."""
        record = self.session.record if self.session else None
        known = {} if record is None else {feature.id: feature for feature in record.features}
        self.selected = tuple(id for id in ids if id in known)
        if self.selected:
            self.picture.hold(known[self.selected[-1]].photo)
        if look and self.selected:
            rings = [self.picture.on_canvas(known[id].outline_px, known[id].photo) for id in self.selected]
            self.picture.look_at(np.concatenate(rings))
        self.refresh()

    def take(self, tool: Tool | None) -> None:
        """Put a tool in the hand, or (None) lay it down."""
        self.pointer.take(tool)
        self.picture.show_tool([])
        if tool is None and self.picture.panes:
            self.picture.show_cross(None)
        self.keys.tool_in_hand(tool is not None)
        if tool is not None:
            self.next_words.setText(tool.hint)
            self.next_button.setVisible(False)
        elif self.session is not None:
            self._show_next(self.steps())
        self.pages[self.here].tool_taken(tool)

    def escape(self) -> None:
        """Lay the tool down; with none in the hand stop the long work."""
        if self.pointer.tool is not None:
            self.take(None)
        else:
            self.stop_work()

    def finish(self) -> None:
        if self.pointer.tool is not None:
            self.pointer.tool.finish()

    def step(self, x: int, y: int) -> None:
        self.pointer.step(x, y)

    def press(self) -> None:
        self.pointer.press()

    def back(self) -> None:
        if self.pointer.tool is not None:
            self.pointer.tool.back()

    def _picked(self, point: np.ndarray, more: bool) -> None:
        """A click on the photograph held; with Shift the feature is selected beside those that are."""
        record = self.session.record if self.session else None
        if record is not None:
            there = [feature for feature in record.features if feature.photo == self.picture.held]
            id = opening.feature_at(there, point, reach_px=8 / self.picture.zoom)
            if id is not None and self.here != "features":
                self.go("features")
            before = tuple(one for one in self.selected if one != id) if more else ()
            self.select((*before, id) if id is not None else before, look=False)

    def _hovered(self, point: np.ndarray, photo: str) -> None:
        self.reads.setText(opening.reading(self.surfaces.get(photo), point))
        if photo == self.picture.held and self.unrolled is not None and self.unrolled.isVisible():
            self.unrolled.point_at(point)

    def show_unrolled(self) -> None:
        """Show or hide the face laid flat, under the photograph."""
        now = self.session
        if now is None or now.record is None:
            return
        if self.unrolled is None:
            self.unrolled = UnrolledView()
            self.unrolled.pointed.connect(lambda point: self.reads.setText(opening.reading(self.surface, point)))
            window = self.viewer.window
            window._qt_window.setCorner(Qt.Corner.BottomRightCorner, Qt.DockWidgetArea.RightDockWidgetArea)
            self._unrolled_dock = window.add_dock_widget(self.unrolled, name="Unrolled", area="bottom")
        elif self.unrolled.isVisible():
            self._unrolled_dock.setVisible(False)
            return
        self._unrolled_dock.setVisible(True)
        self._unroll(now)

    # -- showing

    def steps(self):
        return () if self.session is None else steps(self.session, busy=self.work is not None)

    def go(self, name: str) -> None:
        """Show another step; nothing is lost by going."""
        gone, self.here = name != self.here, name
        self.take(None)
        self.refresh()
        focus = QApplication.focusWidget()
        if gone and (focus is None or self.isAncestorOf(focus)):
            self.rest()

    def rest(self) -> None:
        """Give the keys back to the bench: in a field to write in they would be letters."""
        (self.pages[self.here].rests_on or self.path.stations[self.here]).setFocus()

    def go_number(self, number: int) -> None:
        self.go(STEPS[number - 1])

    def show_keys(self) -> None:
        """The list of keys, in a window of its own."""
        text = "\n".join(f"{key:>16}   {does}" for key, does in keys.listed())
        parts.Text("Keys", text, parent=self).show()

    def _next(self) -> None:
        if self.session is None:
            self.pages["specimen"].choose_file()
        else:
            self._go_next()

    def _go_next(self) -> None:
        """To the step that is next; there the first proposal is in hand, if nothing is."""
        self.go(next_step(self.steps()).name)
        record = self.session.record
        first = next((one.id for one in record.features if one.status == "proposed"), None) if record else None
        if self.here == "features" and first is not None and not self.selected:
            self.select((first,), look=False)

    def refresh(self) -> None:
        """Show the state as it is now, everywhere."""
        told, now = self.steps(), self.session
        self.busy_card.setVisible(self.work is not None)
        if now is None:
            self.next_words.setText("Open a photograph of an opened specimen. Everything else follows from here.")
            self.next_button.setText("Open …")
            self.next_card.setVisible(self.work is None)
        else:
            self._show_next(told)
            if now.record is not None and self._record_shown is not now.record:
                self.surfaces = {photo.id: rebuild.surface_of(now.record, photo.id) for photo in now.record.photos}
                if self.picture.held not in self.surfaces:
                    self.picture.hold("p1")
            self._picture_due.start()  # words and verdicts first: the picture takes longer to draw
        self.path.show_steps(told, self.here)
        self.stack.setCurrentIndex(STEPS.index(self.here))
        self.pages[self.here].show_session(now)
        undoable, redoable = (now.undoable, now.redoable) if now else (None, None)
        for press, word, what in ((self.undo_button, "Undo", undoable), (self.redo_button, "Redo", redoable)):
            press.setEnabled(what is not None)
            press.setText(word if what is None else f"{word}: {what}")
        for name, foot in self.feet.items():
            foot.setVisible(name == self.here and self.pages[name].foot_shown(now))
        kept, tip = ("", "") if now is None else kept_words(now)
        self.kept.setText(kept)
        self.kept.setToolTip(tip)

    _record_shown = None

    def _show_picture(self) -> None:
        now = self.session
        if now is None:
            return
        if self._record_shown is not now.record:
            before, self._record_shown = self._record_shown, now.record
            if now.record is None or before is None or not _same_ground(before, now.record):
                try:
                    if self.picture.show_photos(now.photos) and now.record is not None:
                        self.picture.look_at_faces(now.record)
                except SpecimeterError as error:  # one that was added is no longer where it was
                    self.wrong.say(sentence(error))
                self.picture.show_record(now.record, self.selected)
                if self.unrolled is not None:
                    self._unroll(now)
                return
        if now.record is not None:
            self.picture.show_features(now.record.features, self.selected)
            if self.unrolled is not None and self.unrolled.isVisible():
                if self.unrolled.photo != self.picture.held:
                    self._unroll(now)
                self.unrolled.show_features(now.record)

    def _unroll(self, now: Session) -> None:
        """The face of the photograph held, laid flat."""
        if now.record is not None:
            self.unrolled.show_record(self.picture.photo.rgb, now.record, self.picture.held)

    def _show_next(self, told) -> None:
        step = next_step(told)
        here = step.name == self.here
        self.next_card.setStyleSheet(f'QFrame[role="next"] {{ border-left-color: {look.STEP_COLOUR[step.stands]}; }}')
        says = "Mend what is said below." if here and step.stands == "wrong" else step.says  # the page says it already
        self.next_words.setText(says if here else f"{TITLES[step.name]}: {says}")
        self.next_button.setText("Go there")
        self.next_button.setVisible(not here)
        self.next_button.setToolTip(f"Go to {TITLES[step.name]}  (key Ctrl+{STEPS.index(step.name) + 1})")
        self.next_card.setVisible(self.work is None)

    # -- leaving

    def leave(self) -> None:
        """Let go of the specimen on the bench; what is not written stays in its journal."""
        self.stop_work()
        if self.session is not None:
            self.session.changed.disconnect(self.refresh)
            self.session.close()
            self.session = None
        if self.unrolled is not None:
            self.unrolled.clear()
        self._record_shown = None

    def closeEvent(self, event) -> None:
        self.leave()
        self.pointer.disconnect()
        self.keys.disconnect()
        super().closeEvent(event)


def settings() -> QSettings:
    """What is remembered between days: the name of the person, no more."""
    return QSettings(QSettings.Format.IniFormat, QSettings.Scope.UserScope, "specimeter", "bench")


def _raised(error: SpecimeterError) -> None:
    raise error


def _read(*paths: FilePath, progress: Callable[[str], None]) -> list[Photo]:
    progress("photograph: reading")
    return [photos.read(path) for path in paths]


def _same_ground(one, other) -> bool:
    return one.scales == other.scales and one.surfaces == other.surfaces and one.examined == other.examined
