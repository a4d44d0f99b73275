"""The surface and the examined area: what was found, drawing it by hand where that is wrong, and the bend unrolled."""

from __future__ import annotations

import numpy as np

from specimeter.errors import SheetError
from specimeter.report import words
from specimeter.rounding import figures, plus_minus
from specimeter.sheet import Sheet
from specimeter.toml_file import validated
from specimeter_napari import parts, tools
from specimeter_napari.pages.page import Page
from specimeter_napari.session import tables_for
from specimeter_napari.steps import sentence


class AreaPage(Page):
    """Show surface and area, and set them anew."""

    name = "area"
    asks_name = True

    def build(self) -> None:
        self.number = parts.label("", "number")
        self.how = parts.label("", "quiet")
        self.notes = parts.label("", "quiet")
        self.unrolled = parts.button(
            "Unrolled view", self.bench.show_unrolled, key="V", tip="The face laid flat, in a view of its own"
        )
        self.draw_button = parts.button("Draw the area", self.draw, tip="Click its corners; Enter closes it")
        self.hole_button = parts.button("Leave out a part", self.leave_out, tip="Draw around what is not to be examined")
        self.auto_button = parts.button(
            "Find it again", self.automatic, tip="Take back what was drawn; find the area in the picture"
        )
        self.axis_button = parts.button("Mark the bend's axis", self.mark_axis, tip="Two clicks on the crown line")
        self.hint = parts.label("", "quiet")
        self.wrong = parts.Wrong()
        for widget in (
            parts.card(self.number, self.how),
            self.notes,
            parts.row(self.unrolled, self.axis_button),
            parts.row(self.draw_button, self.hole_button, self.auto_button),
            self.hint,
            self.wrong,
        ):
            self.down.addWidget(widget)

    def show_state(self, now) -> None:
        sheet = now.state.sheet
        self.axis_button.setEnabled(sheet is not None and sheet.bend is not None)
        self.unrolled.setEnabled(now.record is not None)
        self.draw_button.setEnabled(sheet is not None)
        self.hole_button.setEnabled(now.record is not None)
        self.auto_button.setEnabled(now.record is not None and self.of_held(now.record.examined).found_by == "sheet")
        if now.record is None:
            self.number.setText("Not known yet")
            self.how.setText("It is found after the scale.")
            self.notes.setVisible(False)
            return
        area, surface = self.of_held(now.record.examined), self.of_held(now.record.surfaces)
        size = plus_minus(area.area_mm2, area.U_area_mm2)
        self.number.setText(self.which(now) + (f"{size} mm² examined" if size else "its size is not known"))
        lines = []
        if surface.shape == "bend":
            lines.append(f"A bend of radius {figures(surface.radius_mm, 4)} mm through {surface.angle_deg:g}°.")
        else:
            lines.append("A flat surface.")
        if area.width_mm is not None:
            width = plus_minus(area.width_mm, None if area.u_width_mm is None else 2 * area.u_width_mm)
            calliper = now.record.sheet["specimen"].get("specimen_width_mm")
            lines.append(f"Between its edges {width} mm" + ("." if calliper is None else f"; by calliper {calliper:g} mm."))
        if area.smallest_resolvable_mm is not None:
            lines.append(f"The smallest opening that this picture can show is {figures(area.smallest_resolvable_mm, 2)} mm.")
        lines += [f"{figures(part.length_mm, 2)} mm of it shows nothing: {part.why}." for part in area.unseen]
        self.how.setText("\n".join(lines))
        notes = [words.sentence(caution) for caution in (*surface.cautions, *area.cautions)]
        self.notes.setText("\n".join(notes))
        self.notes.setVisible(bool(notes))

    def tool_taken(self, tool) -> None:
        self.hint.setText("" if tool is None else tool.hint)

    def draw(self) -> None:
        self.bench.take(tools.AreaTool(self.bench, lambda outline: self._set(outline_px=outline)))

    def leave_out(self) -> None:
        self.bench.take(tools.AreaTool(self.bench, lambda hole: self._set(hole=hole)))

    def automatic(self) -> None:
        self._set(automatic=True)

    def mark_axis(self) -> None:
        self.bench.take(tools.TwoPointsTool(self.bench, lambda points: self._set(axis=points)))

    def _set(self, *, outline_px=None, hole=None, axis=None, automatic: bool = False) -> None:
        """Place the specimen by the sheet with this changed."""
        now = self.bench.session
        tables, own = tables_for(now.state.sheet, self.bench.held + 1)
        clean = lambda points: np.round(np.asarray(points, float), 2).tolist()
        region = own.get("region", {})
        if automatic:
            region, label = {}, "area found again"
        elif axis is not None:
            label = "bend's axis marked"
            (tables["bend"] if own is tables else own)["axis"] = clean(axis)
        elif hole is not None:
            region.setdefault("outline_px", clean(self.of_held(now.record.examined).outline_px))
            region["exclude_px"], label = [*region.get("exclude_px", []), clean(hole)], "a part left out"
        else:
            region["outline_px"], label = clean(outline_px), "area drawn"
        own["region"] = region
        if not region:
            del own["region"]
        try:
            made = validated(Sheet, tables, file=None, error=SheetError)
        except SheetError as error:
            self.wrong.say(sentence(error))
            return
        self.wrong.say("")
        now.trouble.pop("area", None)
        self.bench.place_again(made, why=label, label=label)
