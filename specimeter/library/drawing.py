"""Small drawings as SVG: shapes with a class for their meaning, words, arrows, dimensions; styled by the page around them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from xml.etree.ElementTree import Element, SubElement, tostring

WIDTH, HEIGHT = 640, 330
WIDE, EDGE = 7.9, 6.0  # units that a letter takes in the widest serif at hand (DejaVu), and free at the edge
STYLE = """
svg.drawing { font: 15px/1.2 Charter, "Bitstream Charter", "Libertinus Serif", Cambria, Georgia, serif; }
svg.drawing .metal { fill: var(--metal, #d5dade); stroke: var(--ink, #1d272e); stroke-width: 1.4; stroke-linejoin: round; }
svg.drawing .weld { fill: var(--weld, #b3bfc8); stroke: var(--ink, #1d272e); stroke-width: 1.2; stroke-linejoin: round; }
svg.drawing .haz { fill: var(--haz, #c6ced4); stroke: none; }
svg.drawing .run { fill: none; stroke: var(--ink, #1d272e); stroke-width: .8; opacity: .5; }
svg.drawing .tool { fill: var(--band, #f2f0ea); stroke: var(--quiet, #56636c); stroke-width: 1.2; }
svg.drawing .gap { fill: var(--mark, #8a2a58); stroke: var(--mark, #8a2a58); stroke-width: 1.2; stroke-linejoin: round; }
svg.drawing .plane { fill: none; stroke: var(--mark, #8a2a58); stroke-width: 3.2; stroke-linecap: round; }
svg.drawing .shine { fill: var(--sheet, #ffffff); stroke: var(--quiet, #56636c); stroke-width: 1; }
svg.drawing .line { fill: none; stroke: var(--ink, #1d272e); stroke-width: 1.4; }
svg.drawing .flow { fill: none; stroke: var(--within, #1c4f82); stroke-width: 1.3; }
svg.drawing .thin { fill: none; stroke: var(--quiet, #56636c); stroke-width: 1; }
svg.drawing .arrow { fill: var(--within, #1c4f82); stroke: var(--within, #1c4f82); stroke-width: 2; stroke-linejoin: round; }
svg.drawing .shaft { fill: none; stroke: var(--within, #1c4f82); stroke-width: 2.4; }
svg.drawing text { fill: var(--ink, #1d272e); stroke: none; }
svg.drawing text.note { fill: var(--quiet, #56636c); }
svg.drawing text.marked { fill: var(--mark, #8a2a58); }
"""


class Drawing:
    """An SVG picture that grows: every method adds one thing. Coordinates in units of the drawing, x right, y down."""

    def __init__(self, title: str, described: str, width: int = WIDTH, height: int = HEIGHT) -> None:
        self.width = width
        self.root = Element("svg", {"class": "drawing", "viewBox": f"0 0 {width} {height}", "role": "img", "aria-label": title})
        SubElement(self.root, "title").text = title
        SubElement(self.root, "desc").text = described

    def path(self, look: str, d: str) -> None:
        """A path in SVG's own words."""
        SubElement(self.root, "path", {"class": look, "d": d})

    def shape(self, look: str, points: Iterable[Sequence[float]], *, closed: bool = True) -> None:
        """Straight lines through points."""
        d = "M" + " L".join(f"{x:.1f},{y:.1f}" for x, y in points)
        self.path(look, d + ("Z" if closed else ""))

    def disc(self, look: str, x: float, y: float, rx: float, ry: float | None = None) -> None:
        """A circle, or an ellipse."""
        attributes = {"class": look, "cx": f"{x:.1f}", "cy": f"{y:.1f}", "rx": f"{rx:.1f}", "ry": f"{ry or rx:.1f}"}
        SubElement(self.root, "ellipse", attributes)

    def text(self, x: float, y: float, words: str, *, anchor: str = "middle", look: str = "word") -> None:
        """One line of words, or more, parted by newlines; what a wide lettering would carry beyond the edge is set closer."""
        room = {"start": self.width - x, "middle": 2 * min(x, self.width - x), "end": x}[anchor] - EDGE
        for number, line in enumerate(words.split("\n")):
            attributes = {"class": look, "x": f"{x:.1f}", "y": f"{y + 18 * number:.1f}", "text-anchor": anchor}
            if WIDE * len(line) > room:
                attributes |= {"textLength": f"{room:.0f}", "lengthAdjust": "spacingAndGlyphs"}
            SubElement(self.root, "text", attributes).text = line

    def arrow(self, x0: float, y0: float, x1: float, y1: float) -> None:
        """An arrow from one place to another."""
        dx, dy = x1 - x0, y1 - y0
        long = (dx * dx + dy * dy) ** 0.5
        ux, uy = dx / long, dy / long
        bx, by = x1 - 12 * ux, y1 - 12 * uy
        self.shape("shaft", [(x0, y0), (bx, by)], closed=False)
        self.shape("arrow", [(x1, y1), (bx - 5 * uy, by + 5 * ux), (bx + 5 * uy, by - 5 * ux)])

    def leader(self, x0: float, y0: float, x1: float, y1: float) -> None:
        """A thin line from words to the thing they speak of."""
        self.shape("thin", [(x0, y0), (x1, y1)], closed=False)

    def dimension(self, x0: float, y0: float, x1: float, y1: float) -> None:
        """A thin line with ticks at both ends."""
        dx, dy = x1 - x0, y1 - y0
        long = (dx * dx + dy * dy) ** 0.5
        tx, ty = -6 * dy / long, 6 * dx / long
        self.shape("thin", [(x0, y0), (x1, y1)], closed=False)
        for x, y in ((x0, y0), (x1, y1)):
            self.shape("thin", [(x - tx, y - ty), (x + tx, y + ty)], closed=False)

    def alone(self) -> bytes:
        """The drawing as a file of its own, with its style inside."""
        root = Element("svg", {**self.root.attrib, "xmlns": "http://www.w3.org/2000/svg"})
        SubElement(root, "style").text = STYLE
        root.extend(list(self.root))
        return tostring(root, encoding="utf-8")
