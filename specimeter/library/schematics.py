"""Drawn by us: how each test strains or opens a weld, what lies open to it, why a notch's root matters as its depth does."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from specimeter.library.drawing import Drawing


def names() -> tuple[str, ...]:
    """The schematics there are."""
    return tuple(_DRAWN)


def draw(name: str) -> Drawing:
    """One schematic by its name: a test's, or one of those that terms name."""
    return _DRAWN[_SAME.get(name, name)]()


def of_test(test: str) -> str:
    """The name of the schematic that shows a test."""
    return _SAME.get(test, test if test in _DRAWN else "bend-strain")


def notch_lines(depth: float, radius: float, levels: np.ndarray, reach: float) -> list[np.ndarray]:
    """Lines of pull round a half-elliptic notch, each (N, 2) in [x, y], y into the metal: crowding, not stress.

    They are the streamlines of flow past an ellipse of half-axes b (along the surface) and `depth`, whose end has the radius
    b² / depth (classical potential flow, circle mapped by Joukowski); a line far away runs straight.
    """
    b = math.sqrt(radius * depth)
    circle, fold = (depth + b) / 2, (b * b - depth * depth) / 4
    lines = []
    for level in levels:
        angle = np.linspace(math.pi - 1e-3, 1e-3, 721)
        rise = level / np.sin(angle)
        r = (rise + np.sqrt(rise**2 + 4 * circle**2)) / 2
        zeta = r * np.exp(1j * angle)
        z = zeta + fold / zeta
        line = np.column_stack([z.real, z.imag])
        lines.append(line[np.abs(line[:, 0]) <= reach])
    return lines


def _sector(cx: float, cy: float, inner: float, outer: float, start: float, stop: float) -> list[tuple[float, float]]:
    """A piece of a ring between two angles in degrees, 90 being up."""
    angles = [math.radians(start + (stop - start) * step / 40) for step in range(41)]
    out = [(cx + outer * math.cos(a), cy - outer * math.sin(a)) for a in angles]
    return out + [(cx + inner * math.cos(a), cy - inner * math.sin(a)) for a in reversed(angles)]


def _bent(d: Drawing, cx: float, cy: float, *, cap_out: bool | None) -> None:
    """A specimen bent over a former, seen from its edge; the weld's wide side out, in, or running along (None)."""
    inner, outer, leg = 58, 98, 88
    d.disc("tool", cx, cy, inner - 3)
    d.text(cx, cy + 5, "former", look="note")
    d.shape("metal", [(cx - outer, cy + leg), (cx - outer, cy), *_arc(cx, cy, outer, 180, 0), (cx + outer, cy + leg),
                      (cx + inner, cy + leg), *_arc(cx, cy, inner, 0, 180), (cx - inner, cy + leg)])  # fmt: skip
    if cap_out is None:
        d.shape("weld", _sector(cx, cy, inner + 12, outer, 20, 160))
        return
    wide, narrow = (17, 5) if cap_out else (6, 26)
    d.shape("weld", [*_arc(cx, cy, outer, 90 + wide, 90 - wide), *_arc(cx, cy, inner, 90 - narrow, 90 + narrow)])


def _arc(cx: float, cy: float, r: float, start: float, stop: float) -> list[tuple[float, float]]:
    steps = max(2, int(abs(stop - start) / 4))
    angles = [math.radians(start + (stop - start) * step / steps) for step in range(steps + 1)]
    return [(cx + r * math.cos(a), cy - r * math.sin(a)) for a in angles]


def _wedge(cx: float, cy: float, r: float, angle: float, depth: float, half: float) -> list[tuple[float, float]]:
    """An opening at the outside of a bend: wide at the surface, closing inwards."""
    a = math.radians(angle)
    tip = (cx + (r - depth) * math.cos(a), cy - (r - depth) * math.sin(a))
    return [*_arc(cx, cy, r + 1, angle + half, angle - half), tip]


def _joint(d: Drawing, x: float, y: float, width: float, height: float) -> tuple[float, float]:
    """A plate with a V weld seen in section; returns half widths of the weld at its cap and its root."""
    cap, root, middle = 0.36 * height + 14, 9.0, x + width / 2
    d.shape("metal", [(x, y), (x + width, y), (x + width, y + height), (x, y + height)])
    d.shape("weld", [(middle - cap, y), (middle - cap / 2, y - 6), (middle + cap / 2, y - 6), (middle + cap, y),
                     (middle + root, y + height), (middle, y + height + 4), (middle - root, y + height)])  # fmt: skip
    return cap, root


def _face_bend() -> Drawing:
    d = Drawing(
        "Face bend", "The cap lies outside of the bend and is stretched; the root is squeezed against the former.", height=270
    )
    _bent(d, 200, 160, cap_out=True)
    d.shape("gap", _wedge(200, 160, 98, 101, 24, 2.2))
    d.shape("gap", _wedge(200, 160, 98, 84, 14, 1.6))
    d.text(200, 36, "cap side: stretched", look="marked")
    d.arrow(180, 48, 112, 66)
    d.arrow(220, 48, 288, 66)
    d.text(330, 120, "What lies across the pull near the cap opens.", anchor="start")
    d.text(330, 144, "The root is squeezed: what is wrong there", anchor="start")
    d.text(330, 164, "stays shut and is missed.", anchor="start")
    d.leader(326, 158, 214, 110)
    return d


def _root_bend() -> Drawing:
    d = Drawing(
        "Root bend", "The root lies outside of the bend and is stretched; an unfused root edge opens first.", height=270
    )
    _bent(d, 200, 160, cap_out=False)
    d.shape("gap", _wedge(200, 160, 98, 96, 30, 1.8))
    d.text(200, 36, "root side: stretched", look="marked")
    d.arrow(180, 48, 112, 66)
    d.arrow(220, 48, 288, 66)
    d.text(330, 120, "An unfused root edge, or a root that the weld", anchor="start")
    d.text(330, 140, "did not reach, lies across the pull: it opens first.", anchor="start")
    d.text(330, 170, "What is wrong near the cap is squeezed shut.", anchor="start")
    d.leader(326, 136, 200, 76)
    return d


def _longitudinal() -> Drawing:
    d = Drawing(
        "Longitudinal bend",
        "The weld runs along the bend: weld and plate stretch alike; cracks across the weld open.",
        height=270,
    )
    _bent(d, 200, 160, cap_out=None)
    for angle in (112, 90, 64):
        d.shape("gap", _wedge(200, 160, 98, angle, 15, 1.5))
    d.text(200, 36, "weld along the pull", look="marked")
    d.arrow(180, 48, 112, 66)
    d.arrow(220, 48, 288, 66)
    d.text(330, 120, "Weld, heat-affected zone and plate stretch", anchor="start")
    d.text(330, 140, "alike: brittle zones tear, cracks across open.", anchor="start")
    d.text(330, 170, "Unfused walls and slag lines lie along the pull", anchor="start")
    d.text(330, 190, "and stay shut.", anchor="start")
    return d


def _side_bend() -> Drawing:
    d = Drawing("Side bend", "A slice is cut across the joint and bent so that its cut face is stretched from root to cap.")
    cap, root = _joint(d, 30, 70, 240, 110)
    d.shape("plane", [(150 - cap + 7, 84), (150 - root - 6, 150)], closed=False)
    d.text(150, 40, "1  a slice, cut across the weld")
    d.text(150, 216, "the cut face will be stretched", look="note")
    d.arrow(62, 240, 24, 240)
    d.arrow(238, 240, 276, 240)
    d.text(150, 245, "pull of the bend", look="note")
    d.arrow(292, 126, 344, 126)
    d.shape("metal", [(370, 62), (610, 62), (610, 192), (370, 192)])
    d.path("thin", "M392,62 V192 M420,62 V192 M560,62 V192 M588,62 V192")
    d.shape("weld", [(432, 62), (548, 62), (502, 192), (478, 192)])
    d.path("gap", "M441,80 Q446,124 472,164 Q464,120 441,80Z")
    d.path("gap", "M508,96 q7,10 1,22 q-8,-9 -1,-22Z")
    d.text(490, 40, "2  the stretched face, looked at from above")
    d.leader(420, 250, 455, 124)
    d.text(400, 268, "unfused wall: opens along\nthe straight fusion line", look="marked")
    d.leader(545, 232, 510, 110)
    d.text(552, 250, "pore, torn", look="marked")
    return d


def _sidewall() -> Drawing:
    d = Drawing("An unfused wall and the pull", "Pulled across, an unfused wall opens; pulled along, the same wall stays shut.")
    for x, words, along in ((30, "pulled across it: it opens", False), (350, "pulled along it: it stays shut", True)):
        cap, root = _joint(d, x, 80, 260, 120)
        middle = x + 130
        if along:
            d.shape("plane", [(middle - cap + 4, 88), (middle - root - 2, 186)], closed=False)
            d.disc("thin", middle + 60, 140, 11)
            d.disc("arrow", middle + 60, 140, 3)
            d.disc("thin", middle - 92, 140, 11)
            d.disc("arrow", middle - 92, 140, 3)
            d.text(middle, 242, "pull towards you and away", look="note")
        else:
            d.path(
                "gap",
                f"M{middle - cap + 2},86 Q{middle - 40},140 {middle - root - 3},188 Q{middle - 30},136 {middle - cap + 2},86Z",
            )
            d.arrow(x + 60, 232, x + 8, 232)
            d.arrow(x + 200, 232, x + 252, 232)
            d.text(middle, 237, "side bend", look="note")
        d.text(middle, 48, words, look="marked")
    d.text(320, 300, "A test shows a flat imperfection only if it pulls its two walls apart.")
    return d


def _strain() -> Drawing:
    d = Drawing("What a bend opens", "On the stretched face, lines across the pull gape and lines along it stay shut.")
    d.shape("metal", [(60, 70), (580, 70), (580, 230), (60, 230)])
    d.arrow(150, 150, 74, 150)
    d.arrow(490, 150, 566, 150)
    d.path("gap", "M236,92 Q254,150 238,208 Q222,150 236,92Z")
    d.path("gap", "M318,140 q12,10 0,22 q-12,-12 0,-22Z")
    d.shape("plane", [(360, 150), (450, 152)], closed=False)
    d.text(238, 262, "across the pull:\ngapes", look="marked")
    d.text(318, 262, "a pore:\npulled oval", look="marked")
    d.text(408, 262, "along the pull:\nstays shut", look="marked")
    d.text(320, 44, "the stretched face, unrolled")
    return d


def _nick_break() -> Drawing:
    d = Drawing("Nick-break", "Saw cuts guide the fracture through the weld; the broken face shows what was inside.")
    d.shape("metal", [(24, 110), (276, 110), (276, 170), (24, 170)])
    d.shape("weld", [(122, 110), (178, 110), (162, 170), (138, 170)])
    d.shape("shine", [(146, 104), (154, 104), (154, 126), (146, 126)])
    d.shape("shine", [(146, 154), (154, 154), (154, 176), (146, 176)])
    d.text(150, 84, "saw cuts in the weld")
    d.arrow(250, 40, 250, 104)
    d.text(250, 30, "blow")
    d.shape("tool", [(24, 176), (118, 176), (118, 206), (24, 206)])
    d.text(71, 197, "held", look="note")
    d.arrow(294, 140, 340, 140)
    d.shape("metal", [(366, 84), (614, 84), (614, 204), (366, 204)])
    d.path("thin", "M366,104 H614 M366,184 H614")
    d.disc("gap", 412, 134, 7)
    d.disc("gap", 432, 156, 4.5)
    d.disc("gap", 399, 160, 3.5)
    d.path("gap", "M470,150 q14,-9 34,-3 q12,5 26,0 q-10,12 -32,9 q-18,2 -28,-6Z")
    d.path("shine", "M552,116 h44 q6,16 -3,28 h-38 q-9,-14 -3,-28Z")
    d.text(490, 66, "the broken face")
    d.leader(412, 146, 404, 228)
    d.text(404, 246, "pores", look="marked")
    d.leader(498, 160, 498, 228)
    d.text(498, 246, "slag", look="marked")
    d.leader(574, 144, 582, 228)
    d.text(576, 246, "flat, shiny:\nunfused", look="marked")
    d.text(490, 300, "sizes can be measured; ductility is not shown", look="note")
    return d


def _fillet_break() -> Drawing:
    d = Drawing(
        "Fillet break", "The upright plate is pushed over the fillet so that its root is pulled open and the weld breaks."
    )
    d.shape("metal", [(30, 220), (280, 220), (280, 262), (30, 262)])
    d.shape("metal", [(118, 60), (158, 60), (158, 220), (118, 220)])
    d.shape("weld", [(158, 170), (178, 196), (208, 220), (158, 220)])
    d.shape("plane", [(120, 220), (157, 220)], closed=False)
    d.arrow(60, 76, 112, 76)
    d.text(62, 62, "load")
    d.leader(92, 288, 138, 222)
    d.text(92, 304, "root: pulled open", look="marked")
    d.arrow(300, 160, 344, 160)
    d.shape("metal", [(366, 100), (614, 100), (614, 210), (366, 210)])
    d.shape("shine", [(366, 182), (614, 182), (614, 210), (366, 210)])
    d.path("gap", "M424,182 q20,-16 58,-10 q26,2 40,10Z")
    d.disc("gap", 560, 140, 6)
    d.text(490, 80, "the broken face, along the weld")
    d.leader(470, 176, 452, 236)
    d.text(452, 254, "unfused along\nthe root edge", look="marked")
    d.leader(560, 148, 566, 236)
    d.text(566, 254, "pore", look="marked")
    return d


def _section() -> Drawing:
    d = Drawing(
        "Macro section", "A cut, ground and etched plane measures the joint at one place and says nothing of its length."
    )
    d.text(150, 40, "butt weld")
    _joint(d, 30, 100, 240, 90)
    d.path("run", "M132,164 q18,-8 36,0 M122,138 q28,-12 56,0 M112,114 q38,-14 76,0")
    d.dimension(262, 100, 262, 190)
    d.text(254, 150, "t", look="note")
    d.leader(196, 80, 170, 98)
    d.text(206, 74, "excess weld metal", look="note")
    d.leader(152, 230, 150, 196)
    d.text(152, 246, "penetration", look="note")
    d.text(480, 40, "fillet weld")
    d.shape("metal", [(360, 216), (610, 216), (610, 260), (360, 260)])
    d.shape("metal", [(400, 70), (440, 70), (440, 216), (400, 216)])
    d.shape(
        "weld", [(440, 140), (470, 168), (504, 198), (528, 208), (532, 213), (527, 215), (514, 214), (440, 216), (434, 210)]
    )
    d.path("gap", "M512,214 L529,214.5 L512,216Z")
    d.path("gap", "M440,140 l-6,-4 l0,-10 l6,6Z")
    d.dimension(440, 280, 520, 280)
    d.text(480, 302, "leg", look="note")
    d.dimension(386, 140, 386, 216)
    d.text(370, 182, "leg", look="note")
    d.dimension(440, 216, 476, 174)
    d.leader(540, 170, 466, 190)
    d.text(546, 174, "throat", anchor="start", look="note")
    d.leader(500, 110, 442, 132)
    d.text(506, 104, "undercut\nat the toe", anchor="start", look="marked")
    d.leader(556, 190, 533, 210)
    d.text(560, 194, "overlap", anchor="start", look="marked")
    return d


def _undercut() -> Drawing:
    d = Drawing(
        "Undercut: round and sharp", "Lines of pull crowd under a notch; at the same depth a sharper root crowds them more."
    )
    for cx, depth, radius, words in ((165, 34.0, 30.0, "round root"), (475, 34.0, 2.2, "sharp root")):
        b = math.sqrt(radius * depth)
        notch = [(cx + b * math.cos(a), 96 + depth * math.sin(a)) for a in np.linspace(math.pi, 0, 60)]
        d.shape("metal", [(cx - 135, 96), *notch, (cx + 135, 96), (cx + 135, 236), (cx - 135, 236)])
        for line in notch_lines(depth, radius, np.array([2.5, 9, 18, 30, 45, 63, 84, 108]), 132):
            shown = line[line[:, 1] < 138]
            d.shape("flow", shown[:: max(1, len(shown) // 60)] + np.array([cx, 96.0]), closed=False)
        d.text(cx, 66, words, look="marked")
        d.arrow(cx - 96, 262, cx - 132, 262)
        d.arrow(cx + 96, 262, cx + 132, 262)
        d.text(
            cx,
            267,
            f"depth / radius = {depth / radius:.1f}" if depth / radius < 5 else f"depth / radius = {depth / radius:.0f}",
            look="note",
        )
    d.dimension(312, 96, 312, 130)
    d.text(320, 84, "depth", look="note")
    d.text(
        320,
        306,
        "Crowding at the root grows as 1 + 2 √(depth / radius) (Inglis 1913): a comparison, not a design value.",
        look="note",
    )
    return d


def _fisheye() -> Drawing:
    d = Drawing(
        "Fisheye",
        "Hydrogen gathers about a pore while the metal is stretched slowly; a bright round spot is left on the fracture.",
    )
    for x, words, ring in (
        (110, "before", 0),
        (320, "slow pull: hydrogen\ngathers at the pore", 22),
        (530, "the fracture", 44),
    ):
        d.shape("metal", [(x - 88, 74), (x + 88, 74), (x + 88, 214), (x - 88, 214)])
        if ring:
            d.disc("shine", x, 144, ring)
        d.disc("gap", x, 144, 7)
        for turn in range(14):
            angle, far = 2.399 * turn, 66 - (0 if ring == 0 else 34 if ring == 22 else 100)
            if far > 0:
                d.disc("flow", x + far * math.cos(angle) * (0.6 + 0.4 * (turn % 3) / 2), 144 + 0.8 * far * math.sin(angle), 2)
        d.text(x, 240, words)
    d.arrow(204, 144, 226, 144)
    d.arrow(414, 144, 436, 144)
    d.leader(584, 68, 556, 120)
    d.text(612, 62, "bright ring", anchor="end", look="marked")
    d.text(320, 306, "It formed in the test: the weld did not have it before.", look="note")
    return d


_DRAWN: dict[str, Callable[[], Drawing]] = {
    "face-bend": _face_bend,
    "root-bend": _root_bend,
    "side-bend": _side_bend,
    "longitudinal-bend": _longitudinal,
    "sidewall-plane": _sidewall,
    "bend-strain": _strain,
    "nick-break": _nick_break,
    "fillet-break": _fillet_break,
    "section": _section,
    "undercut": _undercut,
    "fisheye": _fisheye,
}
_SAME = {"macro-butt": "section", "macro-fillet": "section"}
