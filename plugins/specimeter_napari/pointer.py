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
    bound = False  # it works on something that lies in the photograph that is held: a press in another does not change that

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

    def __init__(self, viewer, picture: Picture, *, picked: Callable, hovered: Callable, held: Callable[[], None]) -> None:
        self.viewer, self.picture, self.tool = viewer, picture, None
        self._picked, self._hovered, self._held = picked, hovered, held
        self.place: np.ndarray | None = None  # where the keys have brought the tool, a point of the photograph held
        self._down = False
        self._default_double = list(viewer.mouse_double_click_callbacks)
        viewer.mouse_drag_callbacks.append(self._drag)
        viewer.mouse_move_callbacks.append(self._move)
        viewer.mouse_double_click_callbacks[:] = [self._double]

    def take(self, tool: Tool | None) -> None:
        """Put the tool in hand away and take this one."""
        if self.tool is not None:
            self.tool.leave()
        self.tool, self.place, self._down = tool, None, False
        self.viewer.cursor.style = "standard" if tool is None else "crosshair"

    def step(self, x: int, y: int) -> None:
        """Move the tool by so many pixels of the screen, without the mouse; it begins in the middle of what is in view."""
        if self.tool is None or not self.picture.panes:
            return
        if self.place is None:
            self.place = self.picture.in_view().mean(axis=0)
        photo = self.picture.photo
        moved = self.place + np.array([x, y]) / self.picture.zoom
        self.place = np.clip(moved, 0, [photo.width_px - 1.0, photo.height_px - 1.0])
        if self._down:
            self.tool.drag(self.place)
        else:
            self.tool.move(self.place)
        self._hovered(self.place, self.picture.held)
        self.picture.show_cross(self.place)

    def press(self) -> None:
        """Click where the keys have brought the tool; one that draws while the button is held begins or ends its stroke."""
        if self.tool is None or self.place is None:
            self.step(0, 0)
            return
        tool = self.tool
        if self._down:
            self._down = False
            tool.release(self.place)
        elif tool.press(self.place):
            self._down = True
        elif not tool.strokes:
            tool.click(self.place)
        self.picture.show_cross(self.place if self.tool is tool else None)

    def disconnect(self) -> None:
        for callbacks, own in ((self.viewer.mouse_drag_callbacks, self._drag), (self.viewer.mouse_move_callbacks, self._move)):
            if own in callbacks:
                callbacks.remove(own)
        self.viewer.mouse_double_click_callbacks[:] = self._default_double

    def _drag(self, viewer, event):
        if not self.picture.panes or event.button != 1:
            return
        self._hold(event)
        start, start_px = self._point(event), np.asarray(event.pos, float)
        more = "Shift" in {getattr(key, "name", key) for key in event.modifiers}
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
            self._picked(start, more)

    def _move(self, viewer, event) -> None:
        if not self.picture.panes:
            return
        place = self._place(event)
        pane = self.picture.pane_at(place)
        self._hovered(place - pane.corner, pane.id)
        if self.tool is not None:
            self.tool.move(self._point(event))

    def _double(self, viewer, event) -> None:
        if self.tool is not None:
            self.tool.finish()
            return
        for function in self._default_double:
            function(viewer, event)

    def _hold(self, event) -> None:
        """Hold the photograph under the press, unless the tool has begun in another."""
        pane = self.picture.pane_at(self._place(event))
        if pane.id != self.picture.held and (self.tool is None or not self.tool.bound):
            self.picture.hold(pane.id)
            self._held()

    def _point(self, event) -> np.ndarray:
        """In pixels of the photograph held."""
        return self._place(event) - self.picture.on_canvas(np.zeros(2))

    @staticmethod
    def _place(event) -> np.ndarray:
        return np.array(event.position[-2:], float)[::-1]
