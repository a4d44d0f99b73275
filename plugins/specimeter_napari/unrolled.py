"""The unrolled face in a view of its own beside the photograph, with a cross where the cursor is in either."""

from __future__ import annotations

import numpy as np
from qtpy.QtCore import QPointF, QRectF, QSize, Qt, Signal
from qtpy.QtGui import QColor, QImage, QPainter, QPen, QPolygonF
from qtpy.QtWidgets import QWidget

from specimeter.record import rebuild
from specimeter.record.model import Record
from specimeter.scale.surface import Surface
from specimeter.scale.unroll import Unrolled, unroll
from specimeter_napari import look


class UnrolledView(QWidget):
    """The face laid flat, as large as the view allows; `pointed` is told the photograph's pixel under the cursor."""

    pointed = Signal(object)

    def __init__(self) -> None:
        super().__init__()
        self.setMouseTracking(True)
        self.setMinimumSize(200, 120)
        self.setToolTip("The face unrolled: one scale everywhere. The cross follows the cursor in both views.")
        self.flat: Unrolled | None = None
        self.surface: Surface | None = None
        self.photo = "p1"
        self._image, self._record, self._cross = None, None, None

    def sizeHint(self) -> QSize:
        return QSize(600, 260)

    def show_record(self, rgb: np.ndarray, record: Record, photo: str) -> None:
        """Unroll the examined area of one of a record's photographs."""
        self._image, self._record, self.photo = None, record, photo
        self.surface = rebuild.surface_of(record, photo)
        self.flat = unroll(rgb, self.surface, rebuild.area_of(record, photo).outline_px)
        if self.flat is not None:
            height, width = self.flat.rgb.shape[:2]
            self._pixels = np.ascontiguousarray(self.flat.rgb)
            self._image = QImage(self._pixels.data, width, height, 3 * width, QImage.Format.Format_RGB888)
        self.update()

    def clear(self) -> None:
        """Nothing lies on the bench."""
        self.flat = self.surface = self._image = self._record = self._cross = None
        self.update()

    def show_features(self, record: Record) -> None:
        """The same face with its features as they are now."""
        self._record = record
        self.update()

    def point_at(self, photo_px: np.ndarray) -> None:
        """Put the cross where a pixel of the photograph lies."""
        if self.flat is not None:
            place = self.flat.from_developed(self.surface.develop(photo_px[None]))[0]
            self._cross = place if np.isfinite(place).all() else None
            self.update()

    def mouseMoveEvent(self, event) -> None:
        if self.flat is not None:
            scale, left, top = self._fit()
            place = np.array([(event.position().x() - left) / scale - 0.5, (event.position().y() - top) / scale - 0.5])
            self._cross = place
            self.pointed.emit(self.surface.project(self.flat.to_developed(place))[0])
            self.update()

    def paintEvent(self, event) -> None:
        brush = QPainter(self)
        brush.fillRect(self.rect(), QColor(look.DARK))
        brush.setPen(QColor(look.QUIET))
        if self._image is None:
            brush.drawText(self.rect(), Qt.AlignmentFlag.AlignCenter, "Nothing to unroll yet")
            return
        brush.setRenderHint(QPainter.RenderHint.Antialiasing)
        brush.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        scale, left, top = self._fit()
        brush.drawImage(QRectF(left, top, self._image.width() * scale, self._image.height() * scale), self._image)
        place = lambda points: [QPointF(left + (x + 0.5) * scale, top + (y + 0.5) * scale) for x, y in points]
        for feature in self._record.features:
            if feature.photo != self.photo:
                continue
            ring = self.flat.from_developed(self.surface.develop(np.array(feature.outline_px)))
            if np.isfinite(ring).all():
                for colour, width in ((look.DARK, 4.0), (look.STATUS_COLOUR[feature.status], 2.0)):
                    brush.setPen(QPen(QColor(colour), width))
                    brush.drawPolygon(QPolygonF(place(ring)))
        self._rule(brush, scale, left, top)
        if self._cross is not None:
            ((point),) = place([self._cross])
            brush.setPen(QPen(QColor(look.AMBER), 1.5))
            brush.drawLine(QPointF(point.x() - 14, point.y()), QPointF(point.x() + 14, point.y()))
            brush.drawLine(QPointF(point.x(), point.y() - 14), QPointF(point.x(), point.y() + 14))

    def _rule(self, brush: QPainter, scale: float, left: float, top: float) -> None:
        """Ten millimetres, drawn to scale."""
        ten = 10 / self.flat.mm_per_px * scale
        y = top + self._image.height() * scale - 12
        for colour, width in ((look.DARK, 5), (look.INK, 2)):
            brush.setPen(QPen(QColor(colour), width))
            brush.drawLine(QPointF(left + 12, y), QPointF(left + 12 + ten, y))
        brush.drawText(QPointF(left + 18 + ten, y + 4), "10 mm")

    def _fit(self) -> tuple[float, float, float]:
        width, height = self._image.width(), self._image.height()
        scale = min(self.width() / width, self.height() / height)
        return scale, (self.width() - width * scale) / 2, (self.height() - height * scale) / 2
