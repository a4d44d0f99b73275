"""The surface and the examined area: what was found, and drawing it by hand where that is wrong."""

from __future__ import annotations

from specimeter.rounding import figures, plus_minus
from specimeter_napari import parts
from specimeter_napari.pages.page import Page


class AreaPage(Page):
    """Show surface and area."""

    name = "area"
    asks_name = True

    def build(self) -> None:
        self.number = parts.label("", "number")
        self.how = parts.label("", "quiet")
        self.notes = parts.label("", "quiet")
        for widget in (parts.card(self.number, self.how), self.notes):
            self.down.addWidget(widget)

    def show_state(self, now) -> None:
        if now.record is None:
            self.number.setText("Not known yet")
            self.how.setText("It is found after the scale.")
            self.notes.setText("")
            return
        area, surface = now.record.examined[0], now.record.surfaces[0]
        size = plus_minus(area.area_mm2, area.U_area_mm2)
        self.number.setText(f"{size} mm² examined" if size else "Its size is not known")
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
        self.notes.setText("\n".join([*surface.cautions, *area.cautions]))
