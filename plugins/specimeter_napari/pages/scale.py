"""The scale: how it was had, how sure it is, and setting it by a known length on the picture."""

from __future__ import annotations

from specimeter.rounding import figures
from specimeter_napari import parts
from specimeter_napari.pages.page import Page

METHODS = {"card": "printed card", "length": "known length", "graduations": "divisions of a rule", "file": "camera file"}


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
        for widget in (parts.card(self.number, self.how), self.notes, self.fold):
            self.down.addWidget(widget)

    def show_state(self, now) -> None:
        known = now.record is not None
        self.fold.setVisible(known)
        if not known:
            self.number.setText("Not known yet")
            self.how.setText("It is found when the sheet is complete and a card is in view.")
            self.notes.setText("")
            return
        scale = now.record.scales[0]
        size = "not known" if scale.mm_per_px is None else f"{figures(scale.mm_per_px, 4)} mm a pixel"
        self.number.setText(f"{size} ± {figures(200 * scale.u_rel, 2)} %")
        self.how.setText(
            f"From the {METHODS.get(scale.method, scale.method)}; the camera leaned {scale.tilt_deg:.1f}°; "
            f"the surface stands {scale.surface_height_mm:g} mm above it (u {figures(scale.surface_height_u_mm, 2)} mm). "
            "The rule drawn over the picture lies on the surface: compare it with what you know."
        )
        self.notes.setText("\n".join(scale.cautions))
        terms = sorted(scale.budget, key=lambda term: -term.contribution)
        self.budget.setText(
            "\n".join(f"{figures(100 * term.contribution, 2)} %   {term.source}  ({term.basis})" for term in terms)
        )
