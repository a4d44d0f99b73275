"""What lies on napari's canvas: the photograph, the scale and area over it, the features with their numbers, a tool's lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from napari.layers import Points
from qtpy.QtCore import QTimer

from specimeter.judge.face import imperfections
from specimeter.photo import Photo
from specimeter.record import rebuild
from specimeter.record.model import Cut, Feature, Record
from specimeter.report.cut import SHORT
from specimeter.report.cut_drawing import framed
from specimeter.scale.graticule import graticule
from specimeter.scale.place import card_outlines_px
from specimeter.segment.model import ExaminedArea
from specimeter_napari import look
from specimeter_napari.strokes import Stroke, Strokes

NUMBER_PX, LIFT_PX, GRIP_PX = 25, 22, 9
CLOSEST, SHARE = 3.0, 0.22  # how far the picture is enlarged to show a feature, and how much of the canvas it then fills
NAME = "photograph"
SIGNS = SHORT | {"toe_angle_1_deg": "∠1", "toe_angle_2_deg": "∠2"}  # beside a dimension, in two letters
GAP = 0.03  # between two photographs that lie side by side, of the first one's width


class Numbers(Points):
    """Without the thumbnail, as the lines are."""

    def _update_thumbnail(self) -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pane:
    """One photograph on the canvas: its id in the record, and where its first pixel lies [x, y]."""

    id: str
    photo: Photo
    corner: np.ndarray


class Picture:
    """The layers of a specimen's photographs, side by side. Points are [x, y] in pixels of the photograph that is held (the
    one last pressed in), unless another is named; (row, column) stays inside.
    """

    def __init__(self, viewer) -> None:
        self.viewer, self.panes, self.held = viewer, (), "p1"
        self._layers: list = []
        self._features: list[Feature] = []
        self._ground: list[Stroke] = []
        self._marks: list[tuple[str, tuple[float, float]]] = []
        self._clear: list[tuple[str, tuple[float, float]]] = []  # those of them that stand clear of the features' numbers
        self._selected: list[Stroke] = []
        self._tool: list[Stroke] = []
        self._grips: list[np.ndarray] = []
        self._sized: list[Stroke] = []
        self._cross: list[Stroke] = []
        self._back = self._front = self._numbers = None
        self._settle = QTimer()
        self._settle.setSingleShot(True)
        self._settle.setInterval(40)
        self._settle.timeout.connect(self._rescale)
        viewer.scene.camera.events.zoom.connect(self._zoomed)

    @property
    def zoom(self) -> float:
        """Screen pixels to one pixel of the photograph."""
        return max(float(self.viewer.scene.camera.zoom), 1e-6)

    @property
    def photo(self) -> Photo | None:
        """The photograph that is held; None where there is none."""
        return self._pane(self.held).photo if self.panes else None

    def show_photos(self, photographs: Sequence[Photo]) -> bool:
        """The photographs side by side; False where they lie there already and stay as they are."""
        if [pane.photo for pane in self.panes] == list(photographs):
            return False
        left, panes = 0.0, []
        for number, photo in enumerate(photographs, start=1):
            panes.append(Pane(id=f"p{number}", photo=photo, corner=np.array([left, 0.0])))
            left += photo.width_px + round(GAP * photographs[0].width_px)
        self.panes = tuple(panes)
        if self.held not in {pane.id for pane in panes}:
            self.held = "p1"
        for number, pane in enumerate(panes):
            pixels = pane.photo.rgb if pane.photo.rgb.dtype == np.uint8 else (pane.photo.rgb >> 8).astype(np.uint8)
            if number < len(self._layers):
                layer = self._layers[number]
                layer.data, layer.visible, layer.translate = pixels, True, pane.corner[::-1]
            else:
                name = NAME if number == 0 else f"{NAME} {number + 1}"
                layer = self.viewer.add_image(pixels, rgb=True, name=name, translate=pane.corner[::-1])
                self._layers.append(layer)
                if self._back is not None:  # a photograph lies under all lines
                    self.viewer.layers.move(self.viewer.layers.index(layer), number)
        for layer in self._layers[len(panes) :]:
            layer.data, layer.visible, layer.translate = np.zeros((2, 2, 3), np.uint8), False, (0, 0)
        self.viewer.layers.selection = {self._layers[0]}
        self.viewer.reset_view()
        return True

    def on_canvas(self, points: np.ndarray, photo: str | None = None) -> np.ndarray:
        """Points of a photograph (the one held) as the canvas has them."""
        return np.asarray(points, float) + self._pane(photo or self.held).corner

    def pane_at(self, place: np.ndarray) -> Pane | None:
        """The photograph under a place of the canvas, else the one held; None where nothing is shown."""
        for pane in self.panes:
            within = np.asarray(place) - pane.corner
            if (within > -0.5).all() and (within < [pane.photo.width_px - 0.5, pane.photo.height_px - 0.5]).all():
                return pane
        return self._pane(self.held) if self.panes else None

    def in_view(self) -> np.ndarray:
        """Opposite corners of what of the photograph held is in view, shape (2, 2)."""
        middle = np.array(self.viewer.scene.camera.center[-2:], float)[::-1] - self._pane(self.held).corner
        half = np.array(self.viewer.window._qt_viewer.canvas.size[::-1], float) / self.zoom / 2
        corners = np.stack([middle - half, middle + half])
        return np.clip(corners, 0, [self.photo.width_px - 1, self.photo.height_px - 1])

    def hold(self, id: str) -> None:
        """Hold another photograph: tools draw in it, and points are its own."""
        if id != self.held and any(pane.id == id for pane in self.panes):
            self.held = id
            if self._back is not None:
                self._draw_back()

    def _pane(self, id: str) -> Pane:
        return next((pane for pane in self.panes if pane.id == id), self.panes[0])

    def _there(self, stroke: Stroke, photo: str | None = None) -> Stroke:
        corner = self._pane(photo or self.held).corner
        return stroke if not corner.any() else replace(stroke, points=np.asarray(stroke.points, float) + corner)

    def _lay(self) -> None:
        """The layers over the photograph, made when there is something to show on them."""
        if self._back is None and self._layers:
            self._back = Strokes(self.viewer, "scale, area and features", width_px=2.0)
            self._front = Strokes(self.viewer, "selected and tool", width_px=3.0)
            text = {"string": "{text}", "color": look.DARK, "size": 9, "anchor": "center"}
            features = {"text": np.array([], dtype=object)}
            numbers = Numbers(np.zeros((0, 2)), name="numbers", text=text, features=features, border_width=0)
            self._numbers = self.viewer.add_layer(numbers)
            self.viewer.layers.selection = {self._layers[0]}

    def clear(self) -> None:
        """Show nothing; the layers stay for the next photograph (taking layers away ends some graphics drivers' processes)."""
        self._features, self._ground, self._marks, self._selected, self._tool, self._grips = [], [], [], [], [], []
        self._sized, self._cross = [], []
        self.panes, self.held = (), "p1"
        for layer in self._layers:
            layer.visible = False
        if self._back is not None:
            self._draw_back()
            self._draw_front()

    def show_placed(self, surface, area: ExaminedArea, card_px: Sequence[np.ndarray] = ()) -> None:
        """The examined area, a rule on the surface and the card that the scale came from, of the first photograph."""
        self._lay()
        self._ground, self._marks = self._placed("p1", surface, area, card_px)
        self._draw_back()

    def _placed(self, photo: str, surface, area: ExaminedArea, card_px: Sequence[np.ndarray]):
        """Strokes and marks of one photograph's ground."""
        rule = graticule(surface, area.outline_px)
        strokes = [
            *(Stroke(points=ring, dash_px=9) for ring in (area.outline_px, *area.exclude_px)),
            *(Stroke(points=line, closed=False) for line in rule.lines_px),
            *(Stroke(points=ring, colour=look.QUIET) for ring in card_px),
        ]
        marks = [(f"{number:g}", tuple(self.on_canvas(place, photo))) for number, place in rule.numbers]
        return [self._there(stroke, photo) for stroke in strokes], marks

    def show_record(self, record: Record | None, selected: Sequence[str] = ()) -> None:
        """Everything that a record holds; without one nothing but the photograph."""
        self._ground, self._marks = [], []
        if record is None:
            self._features, self._selected = [], []
            if self._back is not None:
                self._draw_back()
                self._draw_front()
            return
        self._lay()
        self._features = list(record.features)
        if record.cut is not None:
            self._draw_cut(record.cut)
        for pane in self.panes:
            scale = rebuild.scale_of(record, pane.id)
            card = card_outlines_px(scale) if scale.method == "card" else ()
            strokes, marks = self._placed(pane.id, rebuild.surface_of(record, pane.id), rebuild.area_of(record, pane.id), card)
            self._ground += strokes
            self._marks += marks
        self._draw_back()
        self.show_features(record.features, selected)

    def _draw_cut(self, cut: Cut) -> None:
        """The weld metal and how every size of a section was measured: the dimension itself, and what it is taken from."""
        if cut.weld_px is not None:
            self._ground.append(self._there(Stroke(points=np.array(cut.weld_px), colour=look.AMBER, dash_px=5), cut.photo))
        for drawn in cut.drawn:
            dimension, *bases = (np.array(line) for line in drawn.lines_px)
            for base in bases:
                self._ground.append(self._there(Stroke(points=base, colour=look.QUIET, closed=False, dash_px=4), cut.photo))
            self._ground.append(self._there(Stroke(points=dimension, colour=look.CUT, closed=False), cut.photo))
            if drawn.size in SIGNS:
                middle = dimension[len(dimension) // 2] if len(dimension) > 2 else dimension.mean(axis=0)
                self._marks.append((SIGNS[drawn.size], tuple(self.on_canvas(middle, cut.photo))))

    def show_size(self, cut: Cut | None, size: str | None) -> None:
        """Bring one size's construction forward; None: none."""
        lines = [np.array(line) for one in (cut.drawn if cut else ()) if one.size == size for line in one.lines_px]
        self._sized = [self._there(Stroke(points=line, colour="#ffffff", closed=False), cut.photo) for line in lines]
        if self._front is not None:
            self._draw_front()

    def show_features(self, features: Sequence[Feature], selected: Sequence[str]) -> None:
        """Outlines in their colours, numbers with a sign and shape for how each stands."""
        self._lay()
        changed = len(features) != len(self._features) or any(
            one is not two for one, two in zip(features, self._features, strict=True)
        )
        chosen = [feature for feature in features if feature.id in selected]
        self._features = list(features)
        self._selected = [self._there(Stroke(points=np.array(one.outline_px), colour="#ffffff"), one.photo) for one in chosen]
        self._selected += [
            self._there(Stroke(points=np.array(one.tips_px), colour="#ffffff", closed=False, dash_px=5), one.photo)
            for one in chosen
            if one.tips_px is not None
        ]
        self._selected += [
            self._there(Stroke(points=np.array(one.outline_px), colour="#ffffff", dash_px=6), one.photo)
            for one in also_seen(features, selected)
        ]
        if changed:
            self._draw_back()
        self._draw_front()

    def show_tool(self, strokes: Sequence[Stroke], grips: Sequence = ()) -> None:
        """The lines of the tool in hand, and small squares to hold it by."""
        if not (strokes or len(grips) or self._tool or self._grips):
            return
        self._lay()
        self._tool, self._grips = [self._there(stroke) for stroke in strokes], [self.on_canvas(grip) for grip in grips]
        self._draw_front()

    def show_cross(self, point: np.ndarray | None) -> None:
        """A cross where the keys have brought the tool; None: none."""
        self._lay()
        arm = 14 / self.zoom
        self._cross = []
        if point is not None:
            for step in ([arm, 0], [0, arm]):
                ends = np.stack([point - step, point + np.array(step)])
                self._cross.append(self._there(Stroke(points=ends, colour=look.AMBER, closed=False)))
        self._draw_front()

    def look_at_faces(self, record: Record) -> None:
        """All that is examined, as large as it goes."""
        rings = [self.on_canvas(area.outline_px, area.photo) for area in record.examined]
        self.look_at(np.concatenate(rings), share=0.8)

    def look_at_cut(self, record: Record) -> None:
        """Of a section its weld with all that was measured on it, as large as it goes."""
        self.look_at(self.on_canvas(framed(record.cut, rebuild.area_of(record).outline_px), record.cut.photo), share=0.9)

    def look_at(self, points: np.ndarray, *, share: float = SHARE) -> None:
        """Bring places of the canvas into the middle, enlarged to fill a part of the canvas, but not absurdly."""
        points = np.asarray(points, float).reshape(-1, 2)
        low, high = points.min(axis=0), points.max(axis=0)
        canvas = np.array(self.viewer.window._qt_viewer.canvas.size[::-1], float)
        room = float(np.min(share * canvas / np.maximum(high - low, 1.0)))
        self.viewer.scene.camera.center = (0.0, *((low + high) / 2)[::-1])
        self.viewer.scene.camera.zoom = min(max(room, 0.05), CLOSEST)

    def _draw_back(self) -> None:
        drawn = [
            self._there(
                Stroke(
                    points=np.array(feature.outline_px),
                    colour=look.STATUS_COLOUR[feature.status],
                    dash_px=6 if feature.status == "rejected" else 0,
                ),
                feature.photo,
            )
            for feature in self._features
        ]
        self._back.show([*self._frame(), *self._ground, *drawn], self.zoom)
        self._draw_numbers()

    def _frame(self) -> list[Stroke]:
        """Of several photographs the one held has a frame."""
        if len(self.panes) < 2:
            return []
        pane = self._pane(self.held)
        corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * [pane.photo.width_px, pane.photo.height_px] - 0.5
        return [Stroke(points=corners + pane.corner, colour=look.ACCENT)]

    def _draw_front(self) -> None:
        half = GRIP_PX / self.zoom / 2
        box = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
        grips = [Stroke(points=grip + box, colour=look.INK) for grip in self._grips]
        self._front.show([*self._selected, *self._sized, *self._tool, *grips, *self._cross], self.zoom)

    def _draw_numbers(self) -> None:
        self._clear = self._clear_marks()
        marks, features, layer = self._clear, self._features, self._numbers
        layer.text.visible = False
        layer.data = self._number_places()
        layer.features = {
            "text": [text for text, _ in marks]
            + [f"{feature.id.removeprefix('f')}{look.STATUS_SIGN[feature.status]}" for feature in features],
        }
        if len(layer.data):  # what came new took the defaults
            layer.size, layer.border_width = NUMBER_PX / self.zoom, 0
            layer.symbol = ["disc"] * len(marks) + [look.STATUS_SYMBOL[feature.status] for feature in features]
            paper = [look.rgba(look.INK, 0.75)] * len(marks)
            layer.face_color = np.array(paper + [look.rgba(look.STATUS_COLOUR[feature.status]) for feature in features])
        layer.text.visible = bool(len(layer.data))
        layer.selected_data = set()

    def _number_places(self) -> np.ndarray:
        """Marks where they are, numbers a little above their outline, (row, column)."""
        places = [place for _, place in self._clear] + self._tops()
        return np.array(places, float).reshape(-1, 2)[:, ::-1]

    def _tops(self) -> list[tuple[float, float]]:
        """Where the features' numbers stand."""
        lift = LIFT_PX / self.zoom
        tops = [
            self.on_canvas(min(feature.outline_px, key=lambda point: point[1]), feature.photo) for feature in self._features
        ]
        return [(x, y - lift) for x, y in tops]

    def _clear_marks(self) -> list[tuple[str, tuple[float, float]]]:
        """The marks that cover neither a feature's number nor each other, as large as they are drawn now."""
        taken, clear = np.array(self._tops(), float).reshape(-1, 2), []
        for text, place in self._marks:
            if not len(taken) or np.linalg.norm(taken - place, axis=1).min() * self.zoom > NUMBER_PX:
                clear.append((text, place))
                taken = np.vstack([taken, place])
        return clear

    def _zoomed(self, event=None) -> None:
        self._settle.start()

    def _rescale(self) -> None:
        if self._back is None:
            return
        self._back.rescale(self.zoom)
        self._front.rescale(self.zoom)
        if self._grips:
            self._draw_front()
        if self._clear_marks() != self._clear:
            self._draw_numbers()
        elif len(self._numbers.data):
            self._numbers.data = self._number_places()
            self._numbers.size = NUMBER_PX / self.zoom


def also_seen(features: Sequence[Feature], selected: Sequence[str]) -> list[Feature]:
    """Pictures of the same imperfections as the selected ones, themselves not selected."""
    root = imperfections(features, {one.id: one.same_as for one in features if one.same_as is not None})
    wanted = {root[id] for id in selected if id in root}
    return [one for one in features if one.id not in selected and root[one.id] in wanted]
