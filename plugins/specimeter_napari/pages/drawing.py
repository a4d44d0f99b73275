"""The drawing tools of the features page: what each makes becomes one edit of the record."""

from __future__ import annotations

import numpy as np
from qtpy.QtWidgets import QGridLayout, QWidget

from specimeter.record import edit, rebuild
from specimeter.record.model import Feature
from specimeter.scale import reading
from specimeter.segment import redraw, trace
from specimeter_napari import parts, session, tools
from specimeter_napari.pointer import Tool

ADD = (
    ("trace", "Trace", "T", "Follow the edge from click to click"),
    ("grow", "Grow", "G", "One click into an opening"),
    ("polygon", "Polygon", "D", "Straight lines from click to click"),
    ("brush", "Brush", "B", "Paint; with a feature selected, add to it or take away"),
    ("example", "Example", "I", "Strokes over this and over what it is not: more of it is found in what is in view"),
)
CHANGE = (
    ("reshape", "Redraw part", "H", "Draw the part of the outline that is wrong anew, across it twice"),
    ("points", "Points", "J", "Drag single points of the outline; their surroundings follow"),
    ("split", "Cut in two", "S", "Draw a line right across the feature"),
    ("merge", "Make one", "M", "Several selected features that touch become one"),
    ("snap", "Snap", "X", "Move the outline to the edge nearest to it"),
)


class Drawing(QWidget):
    """Buttons for the tools, and what is done with what they draw."""

    def __init__(self, page) -> None:
        super().__init__()
        self.page, self.bench = page, page.bench
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setSpacing(6)
        self.buttons = {}
        for line, (heading, table) in enumerate((("Add", ADD), ("Change", CHANGE))):
            grid.addWidget(parts.label(heading, "quiet", wrap=False), line, 0)
            for column, (name, text, key, tip) in enumerate(table, start=1):
                press = parts.button(
                    text, getattr(self, name), key=key, tip=tip, check=table is ADD or name in ("reshape", "points", "split")
                )
                press.setStyleSheet("padding: 4px 2px;")
                self.buttons[name] = press
                grid.addWidget(press, line, column)
        self.hint = parts.label("", "number")
        self.hint.setVisible(False)
        grid.addWidget(self.hint, 2, 0, 1, 7)
        self.measure = parts.button(
            "Length", self.length, key="L", tip="Along the surface, from end to end; nothing is kept", check=True
        )
        self.measure.setStyleSheet("padding: 4px 2px;")
        grid.addWidget(self.measure, 0, 6)

    def show_features(self, chosen: list[Feature], known: bool) -> None:
        for name, _, _, _ in ADD:
            self.buttons[name].setEnabled(known)
        self.measure.setEnabled(known)
        for name in ("reshape", "points", "split", "snap"):
            self.buttons[name].setEnabled(len(chosen) == 1)
        self.buttons["merge"].setEnabled(len(chosen) > 1)

    def tool_taken(self, tool: Tool | None) -> None:
        """Show which tool is in the hand and how it is used."""
        if not isinstance(tool, tools.LengthTool):
            self._tell("")
        mine = getattr(tool, "called", None)
        for name, press in self.buttons.items():
            if press.isCheckable():
                press.setChecked(name == mine)
        self.measure.setChecked(mine == "length")

    # -- tools that add

    def trace(self) -> None:
        self._take("trace", tools.TraceTool(self.bench, self.add))

    def grow(self) -> None:
        self._take("grow", tools.GrowTool(self.bench, self.add))

    def polygon(self) -> None:
        self._take("polygon", tools.PolygonTool(self.bench, self.add))

    def brush(self) -> None:
        tool = tools.BrushTool(self.bench, lambda path: self._paint(path, tool))
        self._take("brush", tool)

    def length(self) -> None:
        self._take("length", tools.LengthTool(self.bench, self._told))

    def example(self) -> None:
        self._take("example", tools.ExampleTool(self.bench, self._teach))

    def add(self, outline: np.ndarray) -> None:
        """A new feature, which is then selected."""
        self._added("feature added", edit.add, outline, kind=self._usual(), photo=self.bench.picture.held)

    def _usual(self) -> str:
        """The kind that a new feature gets until somebody says another: that of the selected one, or of the first."""
        known = self.page.chosen() or self.bench.session.record.features
        return known[0].kind if known else "opening"

    def _added(self, label: str, function, *given, **named) -> None:
        before = {feature.id for feature in self.bench.session.record.features}
        if self.bench.act(label, function, *given, **named):
            new = [feature.id for feature in self.bench.session.record.features if feature.id not in before]
            self.bench.select(tuple(new), look=False)

    def _teach(self, strokes: tools.Strokes) -> None:
        """Search what is in view for what the strokes are over, and add it."""
        picture, record = self.bench.picture, self.bench.session.record
        this, other = strokes
        said = {"kind": self._usual(), "this_px": this, "not_px": other, "photo": picture.held}
        given = (picture.photo, rebuild.area_of(record, picture.held), this, other)
        self.bench.start(
            "features: searching for what is like it",
            session.like,
            *given,
            within_px=picture.in_view(),
            then=lambda outlines: self._added(f"{len(outlines)} found by example", edit.teach, outlines, **said),
        )

    # -- tools that change

    def reshape(self) -> None:
        self._stroke("reshape", "Draw the right part of the outline: begin and end across it.", redraw.part_redrawn)

    def points(self) -> None:
        """Grips along the selected outline; each drag is an edit."""
        chosen = self.page.chosen()
        if len(chosen) == 1:
            id, shape = chosen[0].id, [np.array(chosen[0].outline_px)]

            def moved(start: np.ndarray, end: np.ndarray) -> None:
                made = self._made(lambda: redraw.dragged(shape[0], start, end))
                if made is not None and self.bench.act(f"{id}: a point dragged", edit.outline, id, made):
                    shape[0] = made
                tool.lay_on(shape[0])

            tool = tools.OutlineTool(self.bench, shape[0], moved)
            self._take("points", tool)

    def split(self) -> None:
        chosen = self.page.chosen()
        if len(chosen) == 1:
            one = chosen[0]

            def cut(path: np.ndarray) -> None:
                self._redraw(
                    [one.id], lambda: redraw.split(np.array(one.outline_px), path), "cut in two by hand", f"{one.id} cut in two"
                )

            self._take("split", tools.StrokeTool(self.bench, cut, "Draw a line right across the feature."))

    def merge(self) -> None:
        chosen = self.page.chosen()
        if len(chosen) > 1:
            ids = [feature.id for feature in chosen]
            make = lambda: [redraw.merged([np.array(feature.outline_px) for feature in chosen])]
            self._redraw(ids, make, "parts of one imperfection", f"{', '.join(ids)} made one")

    def snap(self) -> None:
        """Snap the selected outline; with the brush in the hand turn that round instead."""
        tool = self.bench.pointer.tool
        if isinstance(tool, tools.ExampleTool):
            tool.turn()
            self.bench.next_words.setText(tool.says())
            return
        if isinstance(tool, tools.BrushTool):
            tool.add = not tool.add
            self.bench.next_words.setText(f"{'Adding to' if tool.add else 'Taking away from'} the feature. {tool.hint}")
            return
        chosen = self.page.chosen()
        if len(chosen) == 1:
            light = self.bench.picture.photo.linear()  # the one that the selected feature is in
            self._outline(chosen[0], lambda: trace.snapped(light, np.array(chosen[0].outline_px)), "snapped to its edge")

    def widen(self, step: int) -> None:
        """More or less of the tool in the hand: the brush's size, the growing's tolerance."""
        tool = self.bench.pointer.tool
        if isinstance(tool, tools.BrushTool | tools.GrowTool):
            tool.widen(step)

    # -- what becomes of what was drawn

    def _paint(self, path: np.ndarray, tool: tools.BrushTool) -> None:
        chosen = self.page.chosen()
        if len(chosen) == 1:
            old = np.array(chosen[0].outline_px)
            make = lambda: redraw.painted(old, path, radius_px=tool.radius_px, add=tool.add)
            self._outline(chosen[0], make, "painted")
        else:
            self.bench.guarded(lambda: self.add(redraw.painted(None, path, radius_px=tool.radius_px)))

    def _stroke(self, name: str, hint: str, make) -> None:
        chosen = self.page.chosen()
        if len(chosen) == 1:
            one = chosen[0]
            done = lambda path: self._outline(one, lambda: make(np.array(one.outline_px), path), "a part drawn anew", lay=True)
            self._take(name, tools.StrokeTool(self.bench, done, hint))

    def _outline(self, feature: Feature, make, words: str, *, lay: bool = False) -> None:
        made = self._made(make)
        if made is not None and self.bench.act(f"{feature.id}: {words}", edit.outline, feature.id, made) and lay:
            self.bench.take(None)

    def _redraw(self, ids: list[str], make, why: str, label: str) -> None:
        before = {feature.id for feature in self.bench.session.record.features}
        made = self._made(make)
        if made is not None and self.bench.act(label, edit.redraw, ids, made, why=why):
            self.bench.take(None)
            new = [feature.id for feature in self.bench.session.record.features if feature.id not in before]
            self.bench.select(tuple(new), look=False)

    def _made(self, make):
        """What the drawing makes; None, and the sentence shown, where it makes nothing."""
        made = []
        self.bench.guarded(lambda: made.append(make()))
        return made[0] if made else None

    def _told(self, ends: np.ndarray) -> None:
        record = self.bench.session.record
        found = reading.distance_mm(self.bench.surface, ends, u_rel=record.scales[0].u_rel)
        self._tell("off the surface" if found is None else f"{found[0]:.2f} ± {found[1]:.2f} mm along the surface")

    def _tell(self, text: str) -> None:
        self.hint.setText(text)
        self.hint.setVisible(bool(text))

    def _take(self, name: str, tool: Tool) -> None:
        now = self.bench.pointer.tool
        if self.bench.session is None or self.bench.session.record is None or getattr(now, "called", None) == name:
            self.bench.take(None)
            return
        if name != "length" and not self.bench.named():
            self.bench.take(None)
            return
        if self.bench.here != "features":
            self.bench.go("features")
        tool.called = name
        self.bench.take(tool)
