"""The path of the job at the top of the bench: six stations on a line, each a button that says how its step stands."""

from __future__ import annotations

from qtpy.QtCore import QPointF, QRectF, QSize, Qt, Signal
from qtpy.QtGui import QColor, QFont, QPainter, QPen, QPolygonF
from qtpy.QtWidgets import QAbstractButton, QHBoxLayout, QSizePolicy, QWidget

from specimeter_napari import look
from specimeter_napari.steps import STEPS, TITLES, Step

WORDS = {"done": "done", "you": "needs you", "wrong": "something is wrong", "later": "comes later"}


class Station(QAbstractButton):
    """One step: a round sign with a tick, a number, an exclamation mark or nothing, and its name under it."""

    def __init__(self, name: str, number: int) -> None:
        super().__init__()
        self.name, self.number, self.stands, self.here = name, number, "later", False
        self.setCheckable(False)
        self.setText(TITLES[name])
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setCursor(Qt.CursorShape.PointingHandCursor)

    def sizeHint(self) -> QSize:
        return QSize(60, 58)

    def minimumSizeHint(self) -> QSize:
        return QSize(50, 58)

    def show_as(self, step: Step, *, here: bool) -> None:
        self.stands, self.here = step.stands, here
        self.setToolTip(f"{TITLES[self.name]}: {WORDS[step.stands]}. {step.says}  (key Ctrl+{self.number})")
        self.setAccessibleName(f"{TITLES[self.name]}, {WORDS[step.stands]}")
        self.update()

    def paintEvent(self, event) -> None:
        brush = QPainter(self)
        brush.setRenderHint(QPainter.RenderHint.Antialiasing)
        middle, top, radius = self.width() / 2, 20.0, 12.0
        colour = QColor(look.STEP_COLOUR[self.stands])
        brush.setPen(QPen(QColor(look.LINE), 3))
        if self.number > 1:
            brush.drawLine(QPointF(0, top), QPointF(middle - radius - 3, top))
        if self.number < len(STEPS):
            brush.drawLine(QPointF(middle + radius + 3, top), QPointF(self.width(), top))
        if self.here:
            brush.setPen(QPen(QColor(look.INK), 2))
            brush.setBrush(Qt.BrushStyle.NoBrush)
            brush.drawEllipse(QPointF(middle, top), radius + 4, radius + 4)
        brush.setPen(QPen(colour, 2))
        brush.setBrush(QColor(look.GROUND) if self.stands == "later" else colour)
        self._sign(brush, middle, top, radius)
        bold = QFont(self.font())
        bold.setPixelSize(12)
        bold.setBold(self.here)
        brush.setFont(bold)
        brush.setPen(QColor(look.INK if self.here or self.stands != "later" else look.QUIET))
        brush.drawText(QRectF(0, 38, self.width(), 18), Qt.AlignmentFlag.AlignHCenter, self.text())
        if self.hasFocus():
            brush.setPen(QPen(QColor(look.ACCENT), 2))
            brush.setBrush(Qt.BrushStyle.NoBrush)
            brush.drawRoundedRect(QRectF(1, 1, self.width() - 2, self.height() - 2), 6, 6)

    def _sign(self, brush: QPainter, x: float, y: float, radius: float) -> None:
        """Shape and mark differ as well as colour: disc with a tick, diamond, triangle, empty ring."""
        if self.stands == "wrong":
            brush.drawPolygon(
                QPolygonF(
                    [
                        QPointF(x, y - radius - 1),
                        QPointF(x + radius + 2, y + radius - 2),
                        QPointF(x - radius - 2, y + radius - 2),
                    ]
                )
            )
        elif self.stands == "you":
            reach = radius + 2
            brush.drawPolygon(
                QPolygonF([QPointF(x, y - reach), QPointF(x + reach, y), QPointF(x, y + reach), QPointF(x - reach, y)])
            )
        else:
            brush.drawEllipse(QPointF(x, y), radius, radius)
        brush.setPen(QPen(QColor(look.QUIET if self.stands == "later" else look.DARK), 2.4))
        if self.stands == "done":
            brush.drawPolyline(QPolygonF([QPointF(x - 5, y), QPointF(x - 1, y + 4), QPointF(x + 6, y - 5)]))
            return
        letter = QFont(self.font())
        letter.setPixelSize(13)
        letter.setBold(True)
        brush.setFont(letter)
        box = QRectF(x - radius, y - radius + (3 if self.stands == "wrong" else 0), 2 * radius, 2 * radius)
        brush.drawText(box, Qt.AlignmentFlag.AlignCenter, "!" if self.stands == "wrong" else str(self.number))


class Path(QWidget):
    """The six stations; `chosen` is told the name of the one that was pressed."""

    chosen = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(0)
        self.stations = {name: Station(name, number) for number, name in enumerate(STEPS, start=1)}
        for name, station in self.stations.items():
            row.addWidget(station)
            station.clicked.connect(lambda _=False, name=name: self.chosen.emit(name))

    def show_steps(self, told: tuple[Step, ...], here: str) -> None:
        for step in told:
            self.stations[step.name].show_as(step, here=step.name == here)
