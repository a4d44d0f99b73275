"""The features: a table linked with the picture, one key for each decision, tools to draw what was missed or is wrong."""

from __future__ import annotations

from qtpy.QtCore import QPoint
from qtpy.QtWidgets import QComboBox, QMenu

from specimeter.record import edit
from specimeter.record.model import Feature, Record
from specimeter.report import words
from specimeter.report.cut import radius
from specimeter.rounding import plus_minus
from specimeter.sheet import KINDS
from specimeter_napari import look, parts
from specimeter_napari.keys import KIND_KEYS
from specimeter_napari.pages.drawing import Drawing
from specimeter_napari.pages.feature_table import FeatureTable
from specimeter_napari.pages.page import Page
from specimeter_napari.pages.section_sizes import SectionSizes
from specimeter_napari.picture import also_seen

REASONS = (
    "a scratch or tool mark",
    "grinding or rolling texture",
    "a stain, scale or dirt",
    "glare or a shadow",
    "the edge of the specimen or of the fixture",
    "part of another outline",
)
BASES = {
    "seen in the opening": "seen-in-opening",
    "broken open": "broken-open",
    "its position": "position",
    "the procedure": "procedure",
    "a guess": "guess",
}
CORNER = {"as measured": None, "begins at a corner, by eye": True, "away from the corners, by eye": False}


class FeaturesPage(Page):
    """Go through the proposals, add what is missing, mend outlines."""

    name = "features"
    asks_name = True

    def build(self) -> None:
        self.table = self.rests_on = FeatureTable()
        self.table.chosen.connect(lambda ids: self.bench.select(ids))
        self.one = parts.label("", "number")
        self.sizes = parts.label("", "quiet")
        self.accept_button = parts.button("Accept", self.accept, key="A", role="main", tip="It is what it is said to be")
        self.reject_button = parts.button("Reject …", self.ask_reason, key="R", tip="It is no imperfection; say why")
        self.aside_button = parts.button(
            "Set aside …", self.set_aside, key="W", tip="It is real, and no rule of the limits counts it; say why"
        )
        self.next_button = parts.button("Next", self.next_open, key="N", tip="Next feature that waits for you")
        self.link_button = parts.button(
            "Same imperfection", self.link, key="K", tip="The selected ones are one imperfection, seen twice: counted once"
        )
        self.kind, self.cause, self.basis = QComboBox(), QComboBox(), QComboBox()
        for kind in KINDS:
            key = next((key for key, named in KIND_KEYS.items() if named == kind), "")
            self.kind.addItem(f"{words.kind(kind)}   {key}", kind)
        self.kind.setToolTip("What is seen (keys 1 to 9, 0, E, U, O, Y)")
        self.kind.activated.connect(lambda _: self.classify(self.kind.currentData()))
        self.cause.addItem("not said", None)
        for kind in KINDS:
            self.cause.addItem(words.kind(kind), kind)
        self.cause.setToolTip("What it likely came of (Alt with the kind's key); naming it takes it out of no rule")
        self.cause.activated.connect(lambda _: self.cause_chosen())
        for text, basis in BASES.items():
            self.basis.addItem(text, basis)
        self.basis.setToolTip("What the likely cause is taken from")
        self.basis.activated.connect(lambda _: self.cause_chosen())
        self.corner = QComboBox()
        for text, value in CORNER.items():
            self.corner.addItem(text, value)
        self.corner.setToolTip("Whether it begins at a corner of the specimen: your eye goes before what was measured")
        self.corner.activated.connect(lambda _: self.say_corner())
        more = parts.form([("Likely cause", self.cause), ("taken from", self.basis), ("At a corner", self.corner)])
        self.said = parts.column(parts.form([("Kind", self.kind)]), parts.Fold("Likely cause, corner", more), spacing=2)
        self.card = parts.card(self.one, self.sizes, self.said)
        self.over_button = parts.button(
            "I looked the whole face over",
            self.looked_over,
            key="Shift+A",
            tip="For what the program may have missed",
            role="main",
        )
        self.drawing = Drawing(self)
        self.section = SectionSizes(self.bench)
        buttons = parts.row(self.accept_button, self.aside_button, self.reject_button, self.next_button)
        self.foot = parts.column(self.over_button, buttons, self.link_button, self.drawing, spacing=6)
        for widget in (self.section, self.table, self.card):
            self.down.addWidget(widget)

    # -- showing

    def show_state(self, now) -> None:
        features = () if now.record is None else now.record.features
        self.section.show_record(now.record)
        self.table.show_features(features, self.bench.selected, now.margins)
        chosen = self.chosen()
        self.card.setVisible(now.record is not None)
        for button in (self.accept_button, self.aside_button, self.reject_button):
            button.setEnabled(bool(chosen))
        self.said.setVisible(len(chosen) == 1)
        linked = [feature for feature in chosen if feature.same_as is not None]
        self.link_button.setVisible(bool(linked) or len(chosen) > 1)
        self.link_button.setText("Not the same after all" if linked else "Same imperfection")
        self.drawing.show_features(chosen, now.record is not None)
        waits = any(feature.status == "proposed" for feature in features)
        self.next_button.setEnabled(waits)
        looked = now.record is not None and now.record.review.by is not None
        self.over_button.setVisible(now.record is not None and not waits)
        self.over_button.setEnabled(not looked)
        self.over_button.setText(f"Looked over by {now.record.review.by}" if looked else "I looked the whole face over")
        if len(chosen) == 1:
            self._show_one(chosen[0])
        else:
            self.one.setText(f"{len(chosen)} features selected" if chosen else "No feature selected")
            self.sizes.setText("" if chosen else "Press N for the next that waits for you, or click one in the picture.")

    def _show_one(self, feature: Feature) -> None:
        many = len(self.bench.session.record.photos) > 1
        where = f" · photograph {feature.photo.removeprefix('p')}" if many else ""
        self.one.setText(f"{feature.id} · {words.kind(feature.kind)} · {look.STATUS_WORD[feature.status]}{where}")
        known = [line for line in (size_line(feature, *size) for size in SIZES) if line]
        short = [line for line in known if len(line) < SHORT]
        lines = [" · ".join(short[at : at + 2]) for at in range(0, len(short), 2)]
        lines += [line for line in known if line not in short]
        if feature.at_corner is not None:
            lines.append("reaches an edge of the face" if feature.at_corner else "away from the edges of the face")
        if feature.reason:
            lines.append(f"{'rejected' if feature.status == 'rejected' else 'set aside'}: {feature.reason}")
        lines += _notch(self.bench.session.record, feature)
        twins = [one.id for one in also_seen(self.bench.session.record.features, (feature.id,))]
        if twins:
            lines.append(f"the same imperfection as {', '.join(twins)}; counted once, at its larger size")
        self.sizes.setText("\n".join(lines))
        self.kind.setCurrentIndex(self.kind.findData(feature.kind))
        self.cause.setCurrentIndex(self.cause.findData(feature.cause))
        self.corner.setCurrentIndex(list(CORNER.values()).index(feature.corner_by_eye))
        if feature.cause_basis:
            self.basis.setCurrentIndex(self.basis.findData(feature.cause_basis))

    def tool_taken(self, tool) -> None:
        self.drawing.tool_taken(tool)

    # -- which

    def chosen(self) -> list[Feature]:
        """The selected features, in the order of the record."""
        record = self.bench.session.record if self.bench.session else None
        return [] if record is None else [feature for feature in record.features if feature.id in self.bench.selected]

    def next_open(self) -> None:
        """Select the next proposal after the selected one, round and round."""
        self._step(1, waiting=True)

    def previous(self) -> None:
        self._step(-1, waiting=False)

    def _step(self, step: int, *, waiting: bool) -> None:
        record = self.bench.session.record if self.bench.session else None
        if record is None or not record.features:
            return
        if self.bench.here != "features":
            self.bench.go("features")
        ids = [feature.id for feature in record.features]
        at = ids.index(self.bench.selected[-1]) if self.bench.selected else (-1 if step > 0 else 0)
        for number in range(1, len(ids) + 1):
            feature = record.features[(at + step * number) % len(ids)]
            if not waiting or feature.status == "proposed":
                self.bench.select((feature.id,))
                return

    def look_closer(self) -> None:
        self.bench.select(self.bench.selected)

    def draw(self, name: str, *given) -> None:
        """One of the drawing tools, by its key."""
        getattr(self.drawing, name)(*given)

    # -- deciding

    def accept(self) -> None:
        """Confirm the selected ones and go to the next that waits."""
        ids = self._ids()
        if ids and self.bench.act(f"{', '.join(ids)} accepted", edit.confirm, ids):
            self.next_open()

    def ask_reason(self) -> None:
        """A menu of reasons, each with a digit; the last asks for words."""
        if not self._ids() or not self.bench.named():
            return
        self.reasons = QMenu(self)
        for number, reason in enumerate(REASONS, start=1):
            self.reasons.addAction(f"&{number}  {reason}").triggered.connect(lambda _=False, reason=reason: self.reject(reason))
        self.reasons.addAction("&7  other words …").triggered.connect(lambda _=False: self._ask_words())
        self.reasons.popup(self.reject_button.mapToGlobal(QPoint(0, self.reject_button.height())))

    def _ask_words(self) -> None:
        if why := parts.ask_words(self, "Reject", "Why is it no imperfection?"):
            self.reject(why)

    def set_aside(self) -> None:
        """Confirm the selected ones for a reason: real, and counted by no rule."""
        ids = self._ids()
        if not ids or not self.bench.named():
            return
        why = parts.ask_words(
            self, "Set aside", "Real, and counted by no rule: why? (A tear from the corner, no cause seen in it)"
        )
        if why and self.bench.act(f"{', '.join(ids)} set aside", edit.confirm, ids, why=why):
            self.next_open()

    def reject(self, reason: str) -> None:
        """Reject the selected ones for a reason and go to the next that waits."""
        ids = self._ids()
        if ids and self.bench.act(f"{', '.join(ids)} rejected", edit.reject, ids, why=reason):
            self.next_open()

    def classify(self, kind: str) -> None:
        """Say what kind the selected ones are."""
        for feature in self.chosen():
            if feature.kind != kind:
                self.bench.act(f"{feature.id}: {words.kind(kind)}", edit.classify, feature.id, kind=kind)

    def name_cause(self, kind: str) -> None:
        """Say what the selected ones likely came of; the basis is the one that is shown."""
        for feature in self.chosen():
            given = {"kind": feature.kind, "cause": kind, "cause_basis": self.basis.currentData()}
            self.bench.act(f"{feature.id}: likely {words.kind(kind)}", edit.classify, feature.id, **given)

    def cause_chosen(self) -> None:
        kind = self.cause.currentData()
        if kind is not None:
            self.name_cause(kind)

    def say_corner(self) -> None:
        """The person's word on whether the selected ones begin at a corner."""
        said = self.corner.currentData()
        for feature in self.chosen():
            if feature.corner_by_eye != said:
                self.bench.act(f"{feature.id}: {self.corner.currentText()}", edit.corner, feature.id, said)

    def link(self) -> None:
        """Of the selected ones the later are pictures of the first; where one is linked already, undo its links."""
        chosen = self.chosen()
        linked = [feature for feature in chosen if feature.same_as is not None]
        if linked:
            for one in linked:
                self.bench.act(f"{one.id} no longer linked", edit.same, one.id, None)
            return
        for other in chosen[1:]:
            if not self.bench.act(f"{other.id} is {chosen[0].id} seen again", edit.same, other.id, chosen[0].id):
                return

    def looked_over(self) -> None:
        """The person's word that the whole face was looked over."""
        self.bench.act("the whole face looked over", edit.looked_over)

    def _ids(self) -> list[str]:
        return [feature.id for feature in self.chosen()]


SIZES = (
    ("length", "length_mm", "mm"),
    ("width", "width_mm", "mm"),
    ("area", "area_mm2", "mm²"),
    ("clear distance", "nearest_mm", "mm"),
)


SHORT = 34  # letters: sizes as short as this stand two in a line


def size_line(feature: Feature, name: str, key: str, unit: str) -> str:
    """``length 5.57 ± 0.41 mm``, or why it is missing."""
    text = plus_minus(getattr(feature, key), getattr(feature, f"U_{key}"))
    if text is not None:
        return f"{name} {text} {unit}"
    why = feature.missing.get(key)
    return f"{name}: {why}" if why and key != "nearest_mm" else ""


def _notch(record: Record, feature: Feature) -> list[str]:
    """Of an undercut in a section: how deep and how sharp."""
    cuts = () if record.cut is None else record.cut.undercuts
    one = next((cut for cut in cuts if cut.feature == feature.id), None)
    if one is None:
        return []
    depth = plus_minus(feature.depth_mm, feature.U_depth_mm)
    return [
        f"depth {depth} mm, root radius {radius(one)}, at toe {one.toe}; stress at its root × {one.stress_concentration:.1f}"
    ]
