"""The scale: how it was had, how sure it is, and setting it by a known length or a rule in the picture."""

from __future__ import annotations

import numpy as np
from qtpy.QtWidgets import QComboBox, QLineEdit

from specimeter.errors import SheetError
from specimeter.report import words
from specimeter.rounding import figures
from specimeter.sheet import Sheet
from specimeter.toml_file import validated
from specimeter_napari import parts, tools
from specimeter_napari.pages.page import Page
from specimeter_napari.session import tables_for
from specimeter_napari.steps import sentence

METHODS = {
    "auto": "whatever is in view",
    "card": "the printed card",
    "graduations": "the divisions of a rule",
    "length": "a known length",
}
WORDS = {"card": "printed card", "length": "known length", "graduations": "divisions of the rule", "file": "camera file"}


class ScalePage(Page):
    """Show the scale with its budget; set it anew."""

    name = "scale"
    asks_name = True

    def build(self) -> None:
        self.number = parts.label("", "number")
        self.how = parts.label("", "quiet")
        self.notes = parts.label("", "quiet")
        self.budget = parts.label("", "quiet")
        self.fold = parts.Fold("What its uncertainty is made of", self.budget)
        self.method = QComboBox()
        for key, text in METHODS.items():
            self.method.addItem(text, key)
        self.method.setToolTip("Where the scale is taken from")
        self.method.activated.connect(lambda _: self._fit_method())
        self.length, self.length_U, self.division = QLineEdit(), QLineEdit(), QLineEdit()
        for field, tip in (
            (self.length, "The true distance between the two marked ends"),
            (self.length_U, "How sure that length is, expanded, k = 2; from its certificate or judged"),
            (self.division, "The distance between two neighbouring marks of the rule"),
        ):
            field.setToolTip(tip)
            field.returnPressed.connect(self.use)
        self.ends = np.zeros((0, 2))
        self.mark = parts.button("Mark the two ends", self.mark_ends, tip="Click both ends, then drag them into place")
        self.length_part = parts.column(
            self.mark, parts.form([("Length between them, mm", self.length), ("its U (k = 2), mm", self.length_U)])
        )
        self.division_part = parts.form([("Smallest division, mm", self.division)])
        self.wrong = parts.Wrong()
        self.card_button = parts.button(
            "Point at the card …",
            self.point_at_card,
            tip="Draw a box around the card: where two are in view, or none was found",
            check=True,
        )
        self.use_button = parts.button("Use this scale", self.use, role="main", tip="Place the specimen anew; decisions stay")
        anew = parts.card(
            parts.form([("Take it from", self.method)]),
            self.card_button,
            self.length_part,
            self.division_part,
            self.wrong,
            self.use_button,
        )
        self._shown = None
        for widget in (parts.card(self.number, self.how), self.notes, self.fold, anew):
            self.down.addWidget(widget)

    # -- showing

    def show_state(self, now) -> None:
        self._show_sheet(now)
        self.fold.setVisible(now.record is not None)
        self.use_button.setEnabled(now.state.sheet is not None)
        self.card_button.setEnabled(now.state.sheet is not None)
        if now.record is None:
            self.number.setText("Not known yet")
            self.how.setText("It is found when the sheet is complete and a card is in view; or mark a known length.")
            self.notes.setVisible(False)
            return
        scale = self.of_held(now.record.scales)
        size = "not known" if scale.mm_per_px is None else f"{figures(scale.mm_per_px, 4)} mm a pixel"
        self.number.setText(f"{self.which(now)}{size} ± {figures(200 * scale.u_rel, 2)} %")
        self.how.setText(
            f"From the {WORDS.get(scale.method, scale.method)}; the camera leaned {scale.tilt_deg:.1f}°; the surface stands "
            f"{scale.surface_height_mm:g} mm above it, U {figures(2 * scale.surface_height_u_mm, 2)} mm. "
            "The rule drawn over the picture lies on the surface: compare it with what you know."
        )
        self.notes.setText("\n".join(map(words.sentence, scale.cautions)))
        self.notes.setVisible(bool(scale.cautions))
        terms = sorted(scale.budget, key=lambda term: -term.contribution)
        lines = [f"{figures(200 * term.contribution, 2)} %  {term.source}: {term.basis}" for term in terms]
        self.budget.setText("Each with k = 2:\n" + "\n".join(lines))

    def _show_sheet(self, now) -> None:
        if self._shown is not None and self._shown == (id(now), now.state.sheet, self.bench.held):
            return
        self._shown = (id(now), now.state.sheet, self.bench.held)
        if now.state.sheet is None:
            self._fit_method()
            return
        others = now.state.sheet.other_photo or ()
        own = others[self.bench.held - 1].scale if 0 < self.bench.held <= len(others) else None
        said = own or now.state.sheet.scale
        self.method.setCurrentIndex(max(0, self.method.findData(said.method)))
        for field, value in (
            (self.length, said.length_mm),
            (self.length_U, said.length_U_mm),
            (self.division, said.graduation_mm),
        ):
            field.setText("" if value is None else f"{value:g}")
        marked = said.from_px and said.to_px and (own is not None or self.bench.held == 0)
        self.ends = np.array([said.from_px, said.to_px]) if marked else np.zeros((0, 2))
        self.wrong.say("")
        self._fit_method()

    def _fit_method(self) -> None:
        method = self.method.currentData()
        self.card_button.setVisible(method in ("auto", "card"))
        self.length_part.setVisible(method == "length")
        self.division_part.setVisible(method == "graduations")
        self.mark.setText("Mark the two ends" if len(self.ends) < 2 else "Move the two ends")

    # -- setting it anew

    def mark_ends(self) -> None:
        """Click the two ends of a known length; afterwards they can be dragged."""
        if self.bench.session is None:
            return
        if len(self.ends) == 2:
            self._hold(self.ends)
        else:
            self.bench.take(tools.TwoPointsTool(self.bench, self._hold))

    def point_at_card(self) -> None:
        """A box around the card, in which alone it is then looked for."""
        if isinstance(self.bench.pointer.tool, tools.BoxTool) or self.bench.session is None:
            self.bench.take(None)
            return
        self.bench.take(tools.BoxTool(self.bench, self._pointed, "Hold the button and draw a box around the whole card."))

    def _pointed(self, box: np.ndarray) -> None:
        self.method.setCurrentIndex(self.method.findData("card"))
        self._fit_method()
        self._use(card_px=np.round(box, 1).tolist())

    def tool_taken(self, tool) -> None:
        self.card_button.setChecked(isinstance(tool, tools.BoxTool))

    def _hold(self, ends: np.ndarray) -> None:
        self._moved(ends)
        self.bench.take(tools.GripsTool(self.bench, ends, self._moved))
        self.length.setFocus()

    def _moved(self, ends: np.ndarray) -> None:
        self.ends = ends
        self._fit_method()

    def use(self) -> None:
        """Place the specimen by what was entered here."""
        self._use()

    def _use(self, **further) -> None:
        now = self.bench.session
        if now is None or now.state.sheet is None:
            return
        try:
            made = self.sheet(now.state.sheet, **further)
        except SheetError as error:
            self.wrong.say(sentence(error))
            return
        self.wrong.say("")
        self.bench.take(None)
        now.trouble.pop("scale", None)
        self.bench.place_again(made, why="the scale was set anew", label="scale set")

    def sheet(self, old: Sheet, **further) -> Sheet:
        """The sheet with the scale as entered here, and these entries beside it. Raises SheetError."""
        tables, own = tables_for(old, self.bench.held + 1)
        scale = own.setdefault("scale", dict(tables.get("scale", {})))
        scale["method"] = self.method.currentData()
        pointed = ("card_px",) if scale["method"] != "card" else ()  # "whatever is in view" takes the pointing back
        for name in ("from_px", "to_px", "length_mm", "length_U_mm", "graduation_mm", *pointed):
            scale.pop(name, None)
        scale |= further
        if scale["method"] == "length":
            if len(self.ends) == 2:
                scale |= {"from_px": self.ends[0].tolist(), "to_px": self.ends[1].tolist()}
            scale |= {name: value for name, value in self._numbers(length_mm=self.length, length_U_mm=self.length_U).items()}
        elif scale["method"] == "graduations":
            scale |= self._numbers(graduation_mm=self.division)
        return validated(Sheet, tables, file=None, error=SheetError)

    @staticmethod
    def _numbers(**fields: QLineEdit) -> dict[str, float]:
        found = {}
        for name, field in fields.items():
            text = field.text().strip().replace(",", ".")
            try:
                found |= {name: float(text)} if text else {}
            except ValueError as error:
                raise SheetError(f"{text!r} is not a number", field=f"scale.{name}", expected="a number such as 50") from error
        return found
