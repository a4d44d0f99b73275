"""What lies on napari's canvas: the photograph, the scale and area over it, the features with their numbers, a tool's lines."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from qtpy.QtCore import QTimer

from specimeter.photo import Photo
from specimeter.record import rebuild
from specimeter.record.model import Feature, Record
from specimeter.scale.graticule import graticule
from specimeter.scale.place import card_outlines_px
from specimeter.segment.model import ExaminedArea
from specimeter_napari import look
from specimeter_napari.strokes import Stroke, Strokes

NUMBER_PX, LIFT_PX, GRIP_PX = 25, 22, 9
CLOSEST, SHARE = 3.0, 0.22  # how far the picture is enlarged to show a feature, and how much of the canvas it then fills
NAME = "photograph"


class Picture:
    """The layers of one photograph. Points are [x, y] in pixels here; (row, column) stays inside."""

    def __init__(self, viewer) -> None:
        self.viewer, self.photo, self.layer = viewer, None, None
        self._features: list[Feature] = []
        self._ground: list[Stroke] = []
        self._marks: list[tuple[str, tuple[float, float]]] = []
        self._selected: list[Stroke] = []
        self._tool: list[Stroke] = []
        self._grips: list[np.ndarray] = []
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

    def show_photo(self, photo: Photo) -> None:
        """The photograph alone, before anything is known of it."""
        self.clear()
        self.photo = photo
        pixels = photo.rgb if photo.rgb.dtype == np.uint8 else (photo.rgb >> 8).astype(np.uint8)
        if self.layer is not None and self.layer in self.viewer.layers:
            self.layer.data, self.layer.visible = pixels, True
        else:
            self.layer = self.viewer.add_image(pixels, rgb=True, name=NAME)
        self.viewer.reset_view()

    def _lay(self) -> None:
        """The layers over the photograph, made when there is something to show on them."""
        if self._back is None and self.layer is not None:
            self._back = Strokes(self.viewer, "scale, area and features", width_px=2.0)
            self._front = Strokes(self.viewer, "selected and tool", width_px=3.0)
            text = {"string": "{text}", "color": look.DARK, "size": 9, "anchor": "center"}
            self._numbers = self.viewer.add_points(
                np.zeros((0, 2)),
                name="numbers",
                text=text,
                features={"text": np.array([], dtype=object)},
                border_width=0,
            )
            self.viewer.layers.selection = {self.layer}

    def clear(self) -> None:
        """Show nothing; the layers stay for the next photograph (taking layers away ends some graphics drivers' processes)."""
        self._features, self._ground, self._marks, self._selected, self._tool, self._grips = [], [], [], [], [], []
        self.photo = None
        if self.layer is not None:
            self.layer.visible = False
        if self._back is not None:
            self._draw_back()
            self._draw_front()

    def show_placed(self, surface, area: ExaminedArea, card_px: Sequence[np.ndarray] = ()) -> None:
        """The examined area, a rule on the surface and the card that the scale came from."""
        self._lay()
        rule = graticule(surface, area.outline_px)
        self._ground = [
            *(Stroke(points=ring, dash_px=9) for ring in (area.outline_px, *area.exclude_px)),
            *(Stroke(points=line, closed=False) for line in rule.lines_px),
            *(Stroke(points=ring, colour=look.QUIET) for ring in card_px),
        ]
        self._marks = [(f"{number:g}", place) for number, place in rule.numbers]
        self._draw_back()

    def show_record(self, record: Record | None, selected: Sequence[str] = ()) -> None:
        """Everything that a record holds; without one nothing but the photograph."""
        if record is None:
            self._ground, self._marks, self._features, self._selected = [], [], [], []
            if self._back is not None:
                self._draw_back()
                self._draw_front()
            return
        self._features = list(record.features)
        scale = rebuild.scale_of(record)
        card = card_outlines_px(scale) if scale.method == "card" else ()
        self.show_placed(rebuild.surface_of(record), rebuild.area_of(record), card)
        self.show_features(record.features, selected)

    def show_features(self, features: Sequence[Feature], selected: Sequence[str]) -> None:
        """Outlines in their colours, numbers with a sign and shape for how each stands."""
        self._lay()
        changed = len(features) != len(self._features) or any(
            one is not two for one, two in zip(features, self._features, strict=True)
        )
        chosen = [feature for feature in features if feature.id in selected]
        self._features = list(features)
        self._selected = [Stroke(points=np.array(feature.outline_px), colour="#ffffff") for feature in chosen]
        self._selected += [
            Stroke(points=np.array(feature.tips_px), colour="#ffffff", closed=False, dash_px=5)
            for feature in chosen
            if feature.tips_px is not None
        ]
        if changed:
            self._draw_back()
        self._draw_front()

    def show_tool(self, strokes: Sequence[Stroke], grips: Sequence = ()) -> None:
        """The lines of the tool in hand, and small squares to hold it by."""
        if not (strokes or len(grips) or self._tool or self._grips):
            return
        self._lay()
        self._tool, self._grips = list(strokes), [np.asarray(grip, float) for grip in grips]
        self._draw_front()

    def look_at(self, points: np.ndarray) -> None:
        """Bring points into the middle, enlarged to fill a part of the canvas, but not absurdly."""
        points = np.asarray(points, float).reshape(-1, 2)
        low, high = points.min(axis=0), points.max(axis=0)
        canvas = np.array(self.viewer.window._qt_viewer.canvas.size[::-1], float)
        room = float(np.min(SHARE * canvas / np.maximum(high - low, 1.0)))
        self.viewer.scene.camera.center = (0.0, *((low + high) / 2)[::-1])
        self.viewer.scene.camera.zoom = min(max(room, 0.05), CLOSEST)

    def _draw_back(self) -> None:
        drawn = [
            Stroke(
                points=np.array(feature.outline_px),
                colour=look.STATUS_COLOUR[feature.status],
                dash_px=6 if feature.status == "rejected" else 0,
            )
            for feature in self._features
        ]
        self._back.show([*self._ground, *drawn], self.zoom)
        self._draw_numbers()

    def _draw_front(self) -> None:
        half = GRIP_PX / self.zoom / 2
        box = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
        grips = [Stroke(points=grip + box, colour=look.INK) for grip in self._grips]
        self._front.show([*self._selected, *self._tool, *grips], self.zoom)

    def _draw_numbers(self) -> None:
        marks, features, layer = self._marks, self._features, self._numbers
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
        lift = LIFT_PX / self.zoom
        tops = [min(feature.outline_px, key=lambda point: point[1]) for feature in self._features]
        places = [place for _, place in self._marks] + [(x, y - lift) for x, y in tops]
        return np.array(places, float).reshape(-1, 2)[:, ::-1]

    def _zoomed(self, event=None) -> None:
        self._settle.start()

    def _rescale(self) -> None:
        if self._back is None:
            return
        self._back.rescale(self.zoom)
        self._front.rescale(self.zoom)
        if self._grips:
            self._draw_front()
        if len(self._numbers.data):
            self._numbers.data = self._number_places()
            self._numbers.size = NUMBER_PX / self.zoom
