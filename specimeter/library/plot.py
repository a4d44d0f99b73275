"""Small plots as SVG: dots, lines, bars and limits on plain axes; styled by the page they stand in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from xml.etree.ElementTree import Element, SubElement, tostring

from specimeter.library.page import clean

WIDTH, HEIGHT = 640, 300
LEFT, RIGHT, TOP, BOTTOM = 64, 18, 18, 56
LOOKS = ("", "b", "c", "d")  # of the first, second, ... row of values
STYLE = """
svg.plot text { font: 13px "Libertinus Serif", serif; fill: #1d272e; } svg.plot text.note { fill: #56636c; }
svg.plot .axis { stroke: #56636c; stroke-width: 1; fill: none; }
svg.plot .rule { stroke: #d9d6cd; stroke-width: 1; fill: none; }
svg.plot .dot { fill: #1c4f82; } svg.plot .dot.b { fill: #8a2a58; }
svg.plot .dot.c { fill: #765008; } svg.plot .dot.d { fill: #20603f; }
svg.plot .curve { fill: none; stroke: #1c4f82; stroke-width: 2; } svg.plot .curve.b { stroke: #8a2a58; }
svg.plot .curve.c { stroke: #765008; } svg.plot .curve.d { stroke: #20603f; }
svg.plot .bar { fill: #1c4f82; } svg.plot .bar.b { fill: #8a2a58; }
svg.plot .limit { stroke: #8a2a58; stroke-width: 1.4; stroke-dasharray: 6 4; fill: none; }
svg.plot .whisker { stroke: #1d272e; stroke-width: 1.4; fill: none; }
"""


class Plot:
    """A plot over two numeric axes, or over names along x. Everything drawn lies within the ranges given."""

    def __init__(
        self,
        title: str,
        x: tuple[float, float],
        y: tuple[float, float],
        *,
        x_title: str = "",
        y_title: str = "",
        names: Sequence[str] = (),
        height: int = HEIGHT,
    ) -> None:
        self.x, self.y, self.height = _wide(*x), _wide(*y), height
        self.root = Element(
            "svg", {"class": "plot", "viewBox": f"0 0 {WIDTH} {height}", "role": "img", "aria-label": clean(title)}
        )
        SubElement(self.root, "title").text = clean(title)
        for value in ticks(*self.y):
            at = self._y(value)
            self._path("rule", f"M{LEFT},{at:.1f}H{WIDTH - RIGHT}")
            self._text(LEFT - 8, at + 4, _short(value), "end")
        if names:
            for index, name in enumerate(names):
                self._text(self._x(index), height - BOTTOM + 20, name if len(name) < 15 else name[:13] + "…", "middle")
        else:
            for value in ticks(*self.x):
                self._text(self._x(value), height - BOTTOM + 20, _short(value), "middle")
        self._path("axis", f"M{LEFT},{TOP}V{height - BOTTOM}H{WIDTH - RIGHT}")
        self._text((LEFT + WIDTH - RIGHT) / 2, height - 14, x_title, "middle", "note")
        side = self._text(0, 0, y_title, "middle", "note")
        side.set("transform", f"translate(14 {(TOP + height - BOTTOM) / 2:.0f}) rotate(-90)")

    def dots(self, xs: Sequence[float], ys: Sequence[float], row: int = 0, *, joined: bool = False) -> None:
        """Dots, joined by a line if so wished."""
        look = LOOKS[row % len(LOOKS)]
        spots = [(self._x(x), self._y(y)) for x, y in zip(xs, ys, strict=True)]
        if joined and len(spots) > 1:
            self._path(f"curve {look}".strip(), "M" + "L".join(f"{x:.1f},{y:.1f}" for x, y in spots))
        for x, y in spots:
            SubElement(self.root, "circle", {"class": f"dot {look}".strip(), "cx": f"{x:.1f}", "cy": f"{y:.1f}", "r": "4"})

    def bars(self, ys: Sequence[float], row: int = 0, of: int = 1) -> None:
        """A bar at each name, side by side with those of other rows."""
        each = (self._x(1) - self._x(0)) * 0.62 / of
        for index, y in enumerate(ys):
            left = self._x(index) + (row - of / 2) * each
            top, foot = sorted((self._y(y), self._y(max(self.y[0], min(0.0, self.y[1])))))
            attributes = {"class": f"bar {LOOKS[row % 2]}".strip(), "x": f"{left:.1f}", "y": f"{top:.1f}"}
            SubElement(
                self.root, "rect", {**attributes, "width": f"{each * 0.92:.1f}", "height": f"{max(foot - top, 0.5):.1f}"}
            )

    def whisker(self, x: float, low: float, high: float) -> None:
        """An interval at one place."""
        at, top, foot = self._x(x), self._y(high), self._y(low)
        self._path("whisker", f"M{at - 5:.1f},{top:.1f}h10M{at:.1f},{top:.1f}V{foot:.1f}M{at - 5:.1f},{foot:.1f}h10")

    def level(self, y: float, words: str = "", look: str = "limit") -> None:
        """A line across at one height, with words at its right end."""
        if self.y[0] <= y <= self.y[1]:
            self._path(look, f"M{LEFT},{self._y(y):.1f}H{WIDTH - RIGHT}")
            self._text(WIDTH - RIGHT, self._y(y) - 5, words, "end", "note")

    def legend(self, names: Sequence[str]) -> None:
        """What each row of values is, along the top."""
        at = LEFT + 10.0
        for row, name in enumerate(names):
            SubElement(
                self.root,
                "circle",
                {"class": f"dot {LOOKS[row % len(LOOKS)]}".strip(), "cx": f"{at:.0f}", "cy": "10", "r": "4"},
            )
            self._text(at + 9, 14, name, "start")
            at += 26 + 7.2 * len(name)

    def alone(self) -> bytes:
        """The plot as a file of its own, with its style inside."""
        root = Element("svg", {**self.root.attrib, "xmlns": "http://www.w3.org/2000/svg"})
        SubElement(root, "style").text = STYLE
        root.extend(list(self.root))
        return tostring(root, encoding="utf-8")

    def _x(self, x: float) -> float:
        return LEFT + (x - self.x[0]) / (self.x[1] - self.x[0]) * (WIDTH - LEFT - RIGHT)

    def _y(self, y: float) -> float:
        return self.height - BOTTOM - (y - self.y[0]) / (self.y[1] - self.y[0]) * (self.height - TOP - BOTTOM)

    def _path(self, look: str, d: str) -> None:
        SubElement(self.root, "path", {"class": look, "d": d})

    def _text(self, x: float, y: float, words: str, anchor: str, look: str = "word") -> Element:
        text = SubElement(self.root, "text", {"class": look, "x": f"{x:.1f}", "y": f"{y:.1f}", "text-anchor": anchor})
        text.text = clean(words)
        return text


def ticks(low: float, high: float) -> list[float]:
    """Some four to eight round numbers within a range.

    >>> ticks(0, 1)
    [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]
    """
    rough = (high - low) / 5
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(step * power for step in (1, 2, 5, 10) if step * power >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [round(number * step, 12) + 0.0 for number in range(first, math.floor(high / step + 1e-9) + 1)]


def _wide(low: float, high: float) -> tuple[float, float]:
    return (low, high) if high > low else (low - 0.5, high + 0.5)


def _short(value: float) -> str:
    return f"{value:g}".replace("-", "−")
