"""The mouse on the picture: hands presses, drags and moves to the tool in hand, or picks the feature under a click."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from specimeter_napari.picture import Picture

CLICK_PX = 5.0  # on the screen: a press that moves less is a click


class Tool:
    """What the mouse does while it is in hand. Points are [x, y] in pixels of the photograph, as arrays of shape (2,).

    A tool with `strokes` draws while the button is held; the others take clicks, and a drag moves the picture as ever.
    """

    hint = ""
    strokes = False

    def press(self, point: np.ndarray) -> bool:
        """The button went down; True keeps the picture still while it is held."""
        return self.strokes

    def drag(self, point: np.ndarray) -> None: ...

    def release(self, point: np.ndarray) -> None: ...

    def click(self, point: np.ndarray) -> None: ...

    def move(self, point: np.ndarray) -> None: ...

    def finish(self) -> None:
        """Enter, or a double click."""

    def back(self) -> bool:
        """Backspace: take the last click back; False if there was none."""
        return False

    def leave(self) -> None:
        """Escape, or another tool was taken."""


class Pointer:
    """Connects a viewer's mouse to one tool at a time."""

    def __init__(self, viewer, picture: Picture, *, picked: Callable[[np.ndarray], None], hovered: Callable) -> None:
        self.viewer, self.picture, self.tool = viewer, picture, None
        self._picked, self._hovered = picked, hovered
        self._default_double = list(viewer.mouse_double_click_callbacks)
        viewer.mouse_drag_callbacks.append(self._drag)
        viewer.mouse_move_callbacks.append(self._move)
        viewer.mouse_double_click_callbacks[:] = [self._double]

    def take(self, tool: Tool | None) -> None:
        """Put the tool in hand away and take this one."""
        if self.tool is not None:
            self.tool.leave()
        self.tool = tool
        self.viewer.cursor.style = "standard" if tool is None else "crosshair"

    def disconnect(self) -> None:
        for callbacks, own in ((self.viewer.mouse_drag_callbacks, self._drag), (self.viewer.mouse_move_callbacks, self._move)):
            if own in callbacks:
                callbacks.remove(own)
        self.viewer.mouse_double_click_callbacks[:] = self._default_double

    def _drag(self, viewer, event):
        if self.picture.photo is None or event.button != 1:
            return
        start, start_px = self._point(event), np.asarray(event.pos, float)
        still = self.tool is not None and self.tool.press(start)
        camera = viewer.scene.camera
        pans, moved = camera.mouse_pan, False
        if still:
            camera.mouse_pan = False
        try:
            yield
            while event.type == "mouse_move":
                moved = moved or np.linalg.norm(np.asarray(event.pos, float) - start_px) > CLICK_PX
                if still:
                    self.tool.drag(self._point(event))
                yield
            moved = moved or np.linalg.norm(np.asarray(event.pos, float) - start_px) > CLICK_PX
        finally:
            camera.mouse_pan = pans
        if still and self.tool is not None:
            self.tool.release(self._point(event))
        elif not moved and self.tool is not None:
            self.tool.click(start)
        elif not moved:
            self._picked(start)

    def _move(self, viewer, event) -> None:
        if self.picture.photo is None:
            return
        point = self._point(event)
        self._hovered(point)
        if self.tool is not None:
            self.tool.move(point)

    def _double(self, viewer, event) -> None:
        if self.tool is not None:
            self.tool.finish()
            return
        for function in self._default_double:
            function(viewer, event)

    @staticmethod
    def _point(event) -> np.ndarray:
        return np.array(event.position[-2:], float)[::-1]
