"""The tools that draw on the picture: each shows its lines as it goes and hands a finished outline or stroke to its page."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from specimeter.errors import SpecimeterError
from specimeter.segment import redraw, trace
from specimeter_napari import look
from specimeter_napari.pointer import Tool
from specimeter_napari.strokes import Stroke

HOLD_PX = 14.0  # on the screen: how near to a grip counts as on it
Done = Callable[[np.ndarray], None]


class Draws(Tool):
    """What all tools share: the picture to draw on and a function that takes what was drawn."""

    def __init__(self, bench, done: Done) -> None:
        self.bench, self.picture, self.done = bench, bench.picture, done

    @property
    def light(self) -> np.ndarray:
        return self.picture.photo.linear()

    def near(self, one: np.ndarray, other: np.ndarray) -> bool:
        return bool(np.linalg.norm(one - other) * self.picture.zoom < HOLD_PX)

    def give(self, make: Callable[[], np.ndarray]) -> None:
        """Hand on what is made, or say why it cannot be; the tool stays in the hand then."""
        try:
            made = make()
        except SpecimeterError as error:
            self.bench.wrong.say("; ".join(part for part in (error.problem, error.mend) if part))
            return
        self.bench.take(None)
        self.done(made)

    def leave(self) -> None:
        self.picture.show_tool([])


class Clicks(Draws):
    """Points set by clicks; ended by Enter, a double click, or a click on the first point."""

    closes, least = True, 3

    def __init__(self, bench, done: Done) -> None:
        super().__init__(bench, done)
        self.points: list[np.ndarray] = []
        self.pieces: list[np.ndarray] = []

    @property
    def bound(self) -> bool:
        return bool(self.points)

    def click(self, point: np.ndarray) -> None:
        if self.closes and len(self.points) >= self.least and self.near(point, self.points[0]):
            self.finish()
            return
        if self.points:
            self.pieces.append(self.piece(point))
        self.points.append(point)
        self.move(point)

    def piece(self, point: np.ndarray) -> np.ndarray:
        """The way from the last point to this one."""
        return np.stack([self.points[-1], point])

    def move(self, point: np.ndarray) -> None:
        lines = [Stroke(points=piece, colour=look.GREEN, closed=False) for piece in self.pieces]
        if self.points:
            lines.append(Stroke(points=self.piece(point), colour=look.AMBER, closed=False))
        self.picture.show_tool(lines, self.points)

    def back(self) -> bool:
        if not self.points:
            return False
        self.points.pop()
        if self.pieces:
            self.pieces.pop()
        self.undone()
        self.move(self.points[-1] if self.points else np.zeros(2))
        return True

    def undone(self) -> None:
        """A point was taken back."""

    def finish(self) -> None:
        if len(self.points) >= self.least:
            self.give(self.made)

    def made(self) -> np.ndarray:
        return np.array(self.points)


class PolygonTool(Clicks):
    """Straight lines from click to click."""

    hint = "Click around it. Enter or a click on the first point closes it; Backspace takes a point back."

    def made(self) -> np.ndarray:
        return trace.even(np.array(self.points))


class AreaTool(Clicks):
    """Straight lines whose corners are kept as they are."""

    hint = "Click the corners of the area in order. Enter closes it; Backspace takes a corner back."


class TwoPointsTool(Clicks):
    """Two clicks."""

    hint = "Click the two ends."
    closes, least = False, 2

    def click(self, point: np.ndarray) -> None:
        super().click(point)
        if len(self.points) == 2:
            self.finish()


class TraceTool(Clicks):
    """The path between clicks follows the edge."""

    hint = "Click on the edge, follow it, click now and then. Enter or the first point closes it; Backspace takes a point back."
    least = 2

    def __init__(self, bench, done: Done) -> None:
        super().__init__(bench, done)
        self.edge: trace.EdgePath | None = None

    def click(self, point: np.ndarray) -> None:
        super().click(point)
        if self.points:
            self.edge = trace.EdgePath(self.light, self.points[-1])

    def undone(self) -> None:
        self.edge = trace.EdgePath(self.light, self.points[-1]) if self.points else None

    def piece(self, point: np.ndarray) -> np.ndarray:
        return super().piece(point) if self.edge is None else self.edge.to(point)

    def made(self) -> np.ndarray:
        way_back = self.piece(self.points[0])
        return trace.snapped(self.light, trace.closed([*self.pieces, way_back]), reach_px=2.5)


class GrowTool(Draws):
    """One click into the opening; the wheel of tolerance is on the keys [ and ]."""

    hint = "Click into the opening. [ and ] make it take less or more; Enter keeps what is shown."

    def __init__(self, bench, done: Done) -> None:
        super().__init__(bench, done)
        self.seed, self.tolerance, self.grown = None, 0.5, None

    def click(self, point: np.ndarray) -> None:
        self.seed = point
        self.show()

    def widen(self, step: int) -> None:
        self.tolerance = float(np.clip(self.tolerance + 0.08 * step, 0.1, 0.9))
        self.show()

    def show(self) -> None:
        if self.seed is None:
            return
        try:
            self.grown = trace.grow(self.light, self.seed, tolerance=self.tolerance)
        except SpecimeterError as error:
            self.grown = None
            self.bench.wrong.say("; ".join(part for part in (error.problem, error.mend) if part))
            self.picture.show_tool([], [self.seed])
            return
        self.bench.wrong.say("")
        self.picture.show_tool([Stroke(points=self.grown, colour=look.GREEN)], [self.seed])

    def finish(self) -> None:
        if self.grown is not None:
            grown = self.grown
            self.give(lambda: grown)


class StrokeTool(Draws):
    """One stroke while the button is held."""

    hint = "Hold the button and draw."
    strokes = bound = True

    def __init__(self, bench, done: Done, hint: str = "") -> None:
        super().__init__(bench, done)
        self.path: list[np.ndarray] = []
        self.hint = hint or self.hint

    def press(self, point: np.ndarray) -> bool:
        self.path = [point]
        return True

    def drag(self, point: np.ndarray) -> None:
        self.path.append(point)
        self.picture.show_tool([Stroke(points=np.array(self.path), colour=look.AMBER, closed=False)])

    def release(self, point: np.ndarray) -> None:
        path = np.array([*self.path, point])  # napari swallows moves that come too fast: the last place counts
        self.path = []
        if len(path) > 1:
            self.done(path)
        self.picture.show_tool([])


class BoxTool(StrokeTool):
    """A box drawn from corner to corner."""

    def box(self, point: np.ndarray) -> np.ndarray:
        """Corners (4, 2) of the box from where the button went down to here, within the photograph."""
        most = [self.picture.photo.width_px - 1.0, self.picture.photo.height_px - 1.0]
        (left, top), (right, bottom) = np.clip(np.sort(np.stack([self.path[0], point]), axis=0), 0, most)
        return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])

    def drag(self, point: np.ndarray) -> None:
        self.picture.show_tool([Stroke(points=self.box(point), colour=look.AMBER)])

    def release(self, point: np.ndarray) -> None:
        box = self.box(point)
        self.path = []
        if (np.ptp(box, axis=0) > 10).all():
            self.give(lambda: box)
        else:
            self.picture.show_tool([])


class BrushTool(StrokeTool):
    """Paints the selected feature larger, or with `add` off smaller; without a selection paints a new one."""

    hint = "Paint with the button held. [ and ] change the brush; X turns it round: add or take away."

    def __init__(self, bench, done: Done) -> None:
        super().__init__(bench, done)
        self.radius_screen_px, self.add, self.bound = 12.0, True, bool(bench.selected)

    @property
    def radius_px(self) -> float:
        return self.radius_screen_px / self.picture.zoom

    def widen(self, step: int) -> None:
        self.radius_screen_px = float(np.clip(self.radius_screen_px * 1.25**step, 3.0, 120.0))

    def press(self, point: np.ndarray) -> bool:
        self.drag_to(point, fresh=True)
        return True

    def drag(self, point: np.ndarray) -> None:
        self.drag_to(point, fresh=False)

    def drag_to(self, point: np.ndarray, *, fresh: bool) -> None:
        self.path = [point] if fresh else [*self.path, point]
        self.show(point)

    def move(self, point: np.ndarray) -> None:
        if not self.path:
            self.show(point)

    def show(self, point: np.ndarray) -> None:
        """The brush, and what it has covered so far."""
        turn = np.linspace(0, 2 * np.pi, 33)[:-1]
        ring = point + self.radius_px * np.column_stack([np.cos(turn), np.sin(turn)])
        colour = look.GREEN if self.add else look.ROSE
        lines = [Stroke(points=ring, colour=colour)]
        if len(self.path) > 1:
            covered = redraw.painted(None, np.array(self.path), radius_px=self.radius_px)
            lines.append(Stroke(points=covered, colour=colour))
        self.picture.show_tool(lines)

    def release(self, point: np.ndarray) -> None:
        path = np.array([*self.path, point])
        self.path = []
        self.done(path)


class GripsTool(Draws):
    """Points that can be dragged, such as the two ends of a known length; `moved` is told while one is held."""

    bound = True

    hint = "Drag an end; or go there with the arrow keys and press Space, go on, and Space again."

    def __init__(self, bench, points: np.ndarray, moved: Done, *, closed: bool = False) -> None:
        super().__init__(bench, moved)
        self.points, self.closed, self.held = np.array(points, float), closed, 0
        self._holding = False
        self.show()

    def press(self, point: np.ndarray) -> bool:
        apart = np.linalg.norm(self.points - point, axis=1)
        self.held = int(apart.argmin()) if apart.min() * self.picture.zoom < HOLD_PX else self.held
        self._holding = bool(apart.min() * self.picture.zoom < HOLD_PX)
        return self._holding

    def drag(self, point: np.ndarray) -> None:
        self.points[self.held] = point
        self.show()
        self.done(self.points.copy())

    def release(self, point: np.ndarray) -> None:
        if self._holding:
            self.drag(point)
        self._holding = False

    def show(self) -> None:
        self.picture.show_tool([Stroke(points=self.points, colour=look.GREEN, closed=self.closed)], list(self.points))


class OutlineTool(Draws):
    """An outline held by grips along it: a drag from any place of it is told as its start and end."""

    hint = "Drag the outline at any place; what is near follows. Escape ends it."
    bound = True
    GRIPS = 24

    def __init__(self, bench, outline: np.ndarray, moved: Callable[[np.ndarray, np.ndarray], None]) -> None:
        super().__init__(bench, moved)
        self.start: np.ndarray | None = None
        self.lay_on(outline)

    def lay_on(self, outline: np.ndarray) -> None:
        """Hold this outline from now on."""
        self.outline = np.asarray(outline, float)
        self.show(self.outline)

    def show(self, outline: np.ndarray) -> None:
        grips = outline[np.linspace(0, len(outline), self.GRIPS, endpoint=False).astype(int)]
        self.picture.show_tool([Stroke(points=outline, colour=look.GREEN)], list(grips))

    def press(self, point: np.ndarray) -> bool:
        nearest = self.outline[np.argmin(np.linalg.norm(self.outline - point, axis=1))]
        self.start = nearest if self.near(nearest, point) else None
        return self.start is not None

    def drag(self, point: np.ndarray) -> None:
        self.show(redraw.dragged(self.outline, self.start, point))

    def release(self, point: np.ndarray) -> None:
        self.done(self.start, point)


Strokes = tuple[list[np.ndarray], list[np.ndarray]]


class ExampleTool(StrokeTool):
    """Strokes over "this" and over "not this"; Enter hands both on."""

    bound = False

    def __init__(self, bench, done: Callable[[Strokes], None]) -> None:
        super().__init__(bench, done)
        self.this, self.other, self.is_this = [], [], True
        self.hint = self.says()

    def says(self) -> str:
        over = "an example of it" if self.is_this else "what it is not"
        return f"Draw over {over} with the button held. X: this or not this. Enter finds more of it in what is in view."

    def turn(self) -> None:
        """The next strokes are over the other kind."""
        self.is_this = not self.is_this

    def release(self, point: np.ndarray) -> None:
        (self.this if self.is_this else self.other).append(np.array([*self.path, point]))
        self.path, self.bound = [], True
        self.show()

    def drag(self, point: np.ndarray) -> None:
        self.path.append(point)
        self.show()

    def back(self) -> bool:
        strokes = self.this if self.is_this else self.other
        if strokes:
            strokes.pop()
        self.show()
        return True

    def show(self) -> None:
        now = [(self.path, self.is_this)] if len(self.path) > 1 else []
        every = [*((one, True) for one in self.this), *((one, False) for one in self.other), *now]
        colour = {True: look.GREEN, False: look.ROSE}
        lines = [Stroke(points=np.array(path), colour=colour[this], closed=False) for path, this in every]
        self.picture.show_tool(lines)

    def finish(self) -> None:
        strokes = (self.this, self.other)
        self.give(lambda: strokes)


class LengthTool(Draws):
    """Drag from end to end: the length along the surface is told while it is drawn; nothing is kept."""

    hint = "Hold the button and draw from end to end: the length along the surface is told."
    strokes = True

    def __init__(self, bench, told: Done) -> None:
        super().__init__(bench, told)
        self.start = None

    def press(self, point: np.ndarray) -> bool:
        self.start = point
        return True

    def drag(self, point: np.ndarray) -> None:
        ends = np.stack([self.start, point])
        self.picture.show_tool([Stroke(points=ends, colour=look.AMBER, closed=False)], list(ends))
        self.done(ends)

    def release(self, point: np.ndarray) -> None:
        self.drag(point)
