"""The sheet as a form: the few entries that a bend test needs, the rest of the sheet kept as it is."""

from __future__ import annotations

import copy
from typing import Any, get_args

import tomli_w
from qtpy.QtWidgets import QCheckBox, QComboBox, QLineEdit, QVBoxLayout, QWidget

from specimeter import files
from specimeter.errors import SheetError
from specimeter.record import build
from specimeter.sheet import BEND_TESTS, Sheet, Test
from specimeter.toml_file import validated
from specimeter_napari import parts

WIDTHS = (
    ("specimen.parent_thickness_mm", "Parent thickness, mm"),
    ("specimen.specimen_thickness_mm", "Specimen thickness, mm"),
    ("specimen.specimen_width_mm", "Specimen width by calliper, mm"),
    ("specimen.weld_width_mm", "Weld width, mm"),
)
BEND = (
    ("bend.former_diameter_mm", "Former diameter, mm"),
    ("bend.angle_deg", "Bend angle, degrees"),
    ("bend.edge_radius_mm", "Long edges rounded to, mm"),
)
HEIGHT = (
    ("scale.surface_height_mm", "Crown above the card, mm"),
    ("scale.surface_height_U_mm", "its U (k = 2), mm"),
)
ASKED = (("validity.former_required_mm", "Former asked for, mm"), ("validity.angle_required_deg", "Angle asked for, degrees"))
CHECKS = (
    ("validity.weld_inside_bend", "weld and heat-affected zone inside the bend"),
    ("validity.broken_through", "broken through"),
    ("validity.valid", "the test was valid"),
)
FACES = ("", "face", "root", "side")
NAMES_PX = 222


class SheetForm(QWidget):
    """Reads the fields into a sheet when told to; shows the sheet when it changes."""

    def __init__(self, bench) -> None:
        super().__init__()
        self.bench, self._shown = bench, None
        self.id, self.test, self.axis, self.face = QLineEdit(), QComboBox(), QComboBox(), QComboBox()
        self.test.addItems(get_args(Test))
        self.axis.addItems(["vertical", "horizontal", "as marked"])
        self.axis.setToolTip("Direction of the bend's axis in the picture; mark it in the step Area if neither fits")
        self.face.addItems(FACES)
        self.numbers = {key: QLineEdit() for key, _ in (*WIDTHS, *BEND, *HEIGHT, *ASKED)}
        self.checks = {key: QCheckBox(text) for key, text in CHECKS}
        for box in self.checks.values():
            box.setTristate(True)
            box.setToolTip("Ticked: yes. Empty: no. A filled square: not said")
        self.test.currentTextChanged.connect(self._fit_test)
        self.wrong = parts.Wrong()
        self.use = parts.button("Use this sheet", self.use_it, role="main", tip="Check the sheet and measure with it")
        self.write = parts.button(
            "Write it beside the photograph", self.write_it, tip="Write NAME.sheet.toml beside the photograph"
        )
        rows = lambda table: [(text, self.numbers[key]) for key, text in table]
        self.bend_part = parts.form([*rows(BEND), ("Axis in the picture", self.axis)], words_px=NAMES_PX)
        asked = parts.form([("Face in tension", self.face), *rows(ASKED)], words_px=NAMES_PX)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(8)
        for widget in (
            parts.form([("Stamp", self.id), ("Test", self.test), *rows(WIDTHS)], words_px=NAMES_PX),
            self.bend_part,
            parts.form(rows(HEIGHT), words_px=NAMES_PX),
            parts.Fold("What was asked for and what was seen", parts.column(asked, *self.checks.values())),
        ):
            column.addWidget(widget)

    def show_sheet(self, now) -> None:
        """Fill the fields from the sheet, once for each sheet: what is being typed is left alone."""
        if self._shown is not None and self._shown == (id(now), now.state.sheet):
            return
        self._shown = (id(now), now.state.sheet)
        tables = {} if now.state.sheet is None else now.state.sheet.model_dump(mode="json", exclude_none=True)
        entry = lambda key: tables.get(key.split(".")[0], {}).get(key.split(".")[1])
        self.id.setText(str(entry("specimen.id") or ""))
        self.test.setCurrentText(str(entry("specimen.test") or "face-bend"))
        axis = entry("bend.axis")
        self.axis.setCurrentText(axis if isinstance(axis, str) else "vertical" if axis is None else "as marked")
        self.face.setCurrentText(str(entry("validity.tension_face") or ""))
        for key, field in self.numbers.items():
            value = entry(key)
            field.setText("" if value is None else f"{value:g}")
        for key, box in self.checks.items():
            value = entry(key)
            box.setCheckState({True: box_state(2), False: box_state(0), None: box_state(1)}[value])
        self.wrong.say("")
        self._fit_test(self.test.currentText())

    def tables(self) -> dict[str, Any]:
        """The sheet's tables as the fields say. Raises SheetError where a number is none."""
        sheet = self.bench.session.state.sheet
        tables = {} if sheet is None else copy.deepcopy(build.plain(sheet.model_dump(mode="json", exclude_none=True)))
        bent = self.test.currentText() in BEND_TESTS
        axis = self.axis.currentText()
        if axis == "as marked":
            axis = tables.get("bend", {}).get("axis", "vertical")
        said: dict[str, Any] = {
            "specimen.id": self.id.text().strip(),
            "specimen.test": self.test.currentText(),
            "bend.axis": axis if bent else None,
            "validity.tension_face": self.face.currentText() or None,
            **{key: self._number(key) if bent or not key.startswith("bend.") else None for key in self.numbers},
            **{key: {2: True, 0: False, 1: None}[box.checkState().value] for key, box in self.checks.items()},
        }
        for key, value in said.items():
            table, name = key.split(".")
            entries = tables.setdefault(table, {})
            if value is None:
                entries.pop(name, None)
            else:
                entries[name] = value
        return {name: entries for name, entries in tables.items() if entries != {}}

    def sheet(self) -> Sheet | None:
        """The sheet that the fields make; None, and the sentence shown, where they make none."""
        for field in (self.id, *self.numbers.values()):
            mark(field, False)
        try:
            made = validated(Sheet, self.tables(), file=None, error=SheetError)
        except SheetError as error:
            words = "; ".join(
                part for part in (error.problem, error.expected and f"expected: {error.expected}", error.mend) if part
            )
            self.wrong.say(f"{error.field}: {words}" if error.field else words)
            field = self.numbers.get(error.field or "") or (self.id if error.field == "specimen.id" else None)
            if field is not None:
                mark(field, True)
                field.setFocus()
            return None
        self.wrong.say("")
        return made

    def use_it(self) -> None:
        made, now = self.sheet(), self.bench.session
        if made is None or now is None:
            return
        if made == now.state.sheet and now.record is not None:
            self.bench._go_next()
            return
        now.trouble.pop("specimen", None)
        self.bench.place_again(made, why="the sheet was changed", label="sheet entered")

    def write_it(self) -> None:
        made, now = self.sheet(), self.bench.session
        if made is not None:
            path = now.photo.path.with_suffix(".sheet.toml")
            try:
                files.write(path, tomli_w.dumps(build.plain(made.model_dump(mode="json", exclude_none=True))).encode())
                self.wrong.say("")
                self.write.setText(f"Written: {path.name}")
            except OSError as error:
                self.wrong.say(f"{path} cannot be written: {error.strerror}")

    def _number(self, key: str) -> float | None:
        text = self.numbers[key].text().strip().replace(",", ".")
        if not text:
            return None
        try:
            return float(text)
        except ValueError as error:
            raise SheetError(f"{text!r} is not a number", field=key, expected="a number such as 12.5") from error

    def _fit_test(self, test: str) -> None:
        self.bend_part.setVisible(test in BEND_TESTS)


def box_state(value: int):
    """Of a check box: 0 empty, 1 in between, 2 ticked."""
    from qtpy.QtCore import Qt

    return {0: Qt.CheckState.Unchecked, 1: Qt.CheckState.PartiallyChecked, 2: Qt.CheckState.Checked}[value]


def mark(field: QWidget, wrong: bool) -> None:
    """Dash a field's rim where it is what has to be mended."""
    field.setProperty("wrong", "true" if wrong else "false")
    field.style().unpolish(field)
    field.style().polish(field)
