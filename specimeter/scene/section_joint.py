"""Joints in section, drawn in closed form: outline of the metal, weld metal, runs, and the true value of every size.

Coordinates here are [x, y] mm with y down, as a section is drawn on paper. A fillet's corner, or the middle of a butt weld's
left plate surface, is at [0, 0].
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from specimeter.scene import shapes
from specimeter.scene.describe import record

FINE = 400  # points of a weld's face


@record
class Undercut:
    """One true undercut: a V with a round root."""

    toe: int  # 1 or 2, as the sizes count
    depth_mm: float
    width_mm: float
    root_radius_mm: float
    opening_angle_deg: float
    outline_mm: np.ndarray  # (N, 2)


@record
class Overlap:
    """Weld metal that lies over a plate's surface beyond its toe without being fused to it."""

    toe: int  # 1 or 2, as the sizes count
    length_mm: float  # how far it reaches beyond the toe, along the plate
    outline_mm: np.ndarray  # (N, 2) from the toe round the lip to above the toe, closed


@dataclass(slots=True, kw_only=True, eq=False)
class Joint:
    """A joint as it is drawn; lengths in mm, y down."""

    kind: str  # tee | lap | corner | v | double-v | square
    metal: np.ndarray  # (N, 2) closed outline
    weld: np.ndarray  # (N, 2) closed outline of the weld metal
    toes: np.ndarray  # (2, 2): toe 1, toe 2
    face: np.ndarray  # (N, 2) the weld's face, from toe to toe
    plates: tuple[np.ndarray, np.ndarray]  # two points of each plate's surface beside its toe, clear of undercuts
    sizes: dict[str, float]
    others: list[np.ndarray] = field(default_factory=list)  # weld metal of further welds
    runs: list[np.ndarray] = field(default_factory=list)  # lines between runs
    gaps: list[np.ndarray] = field(default_factory=list)  # lines along which the plates meet without being fused
    undercuts: list[Undercut] = field(default_factory=list)
    overlaps: list[Overlap] = field(default_factory=list)
    thickness: float = 10.0


def arc(start: ArrayLike, end: ArrayLike, rise: float, count: int = FINE) -> np.ndarray:
    """Points of the arc from start to end that stands `rise` over the chord, to the left of the way as seen with y down."""
    start, end = np.asarray(start, float), np.asarray(end, float)
    chord = end - start
    length = float(np.hypot(*chord))
    along = chord / length
    out = np.array([along[1], -along[0]])
    if abs(rise) < 1e-9:
        return start + np.linspace(0, 1, count)[:, None] * chord
    radius = (length**2 / 4 + rise**2) / (2 * abs(rise))
    half = float(np.arcsin(np.clip(length / (2 * radius), -1, 1)))
    if abs(rise) > length / 2:
        half = np.pi - half
    angle = np.linspace(-half, half, count)
    height = np.sign(rise) * (radius * np.cos(angle) - radius * np.cos(half))
    return (start + end) / 2 + (radius * np.sin(angle))[:, None] * along + height[:, None] * out


def rippled(face: np.ndarray, rng: np.random.Generator, amount: float) -> np.ndarray:
    """A face made uneven by smooth bumps that leave its ends and their slopes as they are."""
    chord = face[-1] - face[0]
    out = np.array([chord[1], -chord[0]]) / np.hypot(*chord)
    share = np.linspace(0, 1, len(face))
    window = np.clip(np.minimum(share, 1 - share) / 0.25, 0, 1) ** 2
    return face + (amount * window * shapes.smooth_noise(rng, len(face), 0.25))[:, None] * out


def notch(depth: float, radius: float, near_deg: float, far_deg: float) -> np.ndarray:
    """A V with a round root as [along the plate from the toe, depth], from the toe on, shape (N, 2)."""
    near, far = np.radians([near_deg, far_deg])
    reach = [radius * np.cos(a) + (radius * np.sin(a) + depth - radius) * np.tan(a) for a in (near, far)]
    turn = np.linspace(np.pi - near, far, 160)
    root = np.column_stack([reach[0] + radius * np.cos(turn), depth - radius + radius * np.sin(turn)])
    return np.concatenate([[[0.0, 0.0]], root, [[sum(reach), 0.0]]])


def undercut(rng: np.random.Generator, toe: int, place: ArrayLike, along: ArrayLike, into: ArrayLike) -> Undercut:
    """An undercut at a toe: `along` leads away from the weld along the plate, `into` into the metal."""
    near, far = rng.uniform(8, 45, 2)
    depth = float(np.exp(rng.uniform(np.log(0.2), np.log(1.3))))
    radius = float(np.exp(rng.uniform(np.log(0.05), np.log(1.0))))
    radius = min(radius, 0.9 * depth / (1 - np.sin(np.radians(min(near, far)))))
    shape = notch(depth, radius, near, far)
    outline = np.asarray(place, float) + shape[:, :1] * np.asarray(along, float) + shape[:, 1:] * np.asarray(into, float)
    return Undercut(
        toe=toe,
        depth_mm=depth,
        width_mm=float(shape[-1, 0]),
        root_radius_mm=radius,
        opening_angle_deg=float(near + far),
        outline_mm=outline,
    )


def rolled_over(
    face: np.ndarray, toe: int, along: ArrayLike, out: ArrayLike, lip: float, under_deg: float
) -> tuple[np.ndarray, Overlap]:
    """A face whose last point is a toe, with a lip that overhangs the plate there by `lip`, and what overhangs.

    `along` leads away from the weld along the plate, `out` out of the metal; under the lip the face leaves the toe at
    `under_deg` to the plate. A face too low for the lip is raised to it.
    """
    end, along, out = face[-1], np.asarray(along, float), np.asarray(out, float)
    slope = np.radians(under_deg)
    radius = 0.35 * lip
    straight = (lip - radius * (1 - np.sin(slope))) / np.cos(slope)
    contact = end + straight * (np.cos(slope) * along + np.sin(slope) * out)
    centre = contact + radius * (np.cos(slope) * out - np.sin(slope) * along)
    turn = np.linspace(np.radians(115), slope - np.pi / 2, 40)[:, None]
    tip = centre + radius * (np.cos(turn) * along + np.sin(turn) * out)
    under = contact + np.linspace(0, 1, 30)[1:, None] * (end - contact)
    height = (face - end) @ out
    top = float((tip[0] - end) @ out)
    kept = face[: int(np.flatnonzero(height > 1.1 * top + 0.1)[-1]) + 1] if (height > 1.1 * top + 0.1).any() else face[:1]
    bridge = kept[-1] + np.linspace(0, 1, 30)[1:-1, None] * (tip[0] - kept[-1])
    beyond = np.concatenate([bridge, tip, under])
    beyond = beyond[(beyond - end) @ along >= 0]
    return np.concatenate([kept, bridge, tip, under]), Overlap(toe=toe, length_mm=float(lip), outline_mm=beyond)


def spline(points: np.ndarray, count: int = 40) -> np.ndarray:
    """A smooth curve through points (centripetal enough for fusion lines: uniform Catmull and Rom), shape (N, 2)."""
    points = np.asarray(points, float)
    padded = np.concatenate([[2 * points[0] - points[1]], points, [2 * points[-1] - points[-2]]])
    t = np.linspace(0, 1, count, endpoint=False)[:, None]
    pieces = []
    for p0, p1, p2, p3 in zip(padded[:-3], padded[1:-2], padded[2:-1], padded[3:], strict=True):
        pieces.append(
            0.5 * (2 * p1 + (p2 - p0) * t + (2 * p0 - 5 * p1 + 4 * p2 - p3) * t**2 + (3 * p1 - p0 - 3 * p2 + p3) * t**3)
        )
    return np.concatenate([*pieces, points[-1:]])


def nearest_mm(point: ArrayLike, path: np.ndarray) -> float:
    """Distance from a point to an open path."""
    start, step = path[:-1], np.diff(path, axis=0)
    share = np.clip(np.sum((point - start) * step, axis=1) / np.sum(step**2, axis=1), 0, 1)
    return float(np.sqrt(np.min(np.sum((start + share[:, None] * step - point) ** 2, axis=1))))


def over_chord(face: np.ndarray) -> np.ndarray:
    """Heights of a face's points over its chord, positive to the left of the way (y down)."""
    chord = (face[-1] - face[0]) / np.hypot(*(face[-1] - face[0]))
    return (face - face[0]) @ np.array([chord[1], -chord[0]])


def extreme(heights: np.ndarray) -> float:
    """The greatest height, or the deepest where nothing rises over the chord by as much as it sinks below."""
    return float(heights.max() if heights.max() >= -heights.min() else heights.min())


def toe_angle_deg(face: np.ndarray, plate: ArrayLike) -> float:
    """Angle through the air between a plate's surface, which leads away from the weld, and the face at its first point."""
    tangent, along = face[1] - face[0], np.asarray(plate)
    cosine = float(np.dot(tangent, along) / np.hypot(*tangent) / np.hypot(*along))
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


# ------------------------------------------------------------------ fillets


def fillet(
    rng: np.random.Generator, kind: str, *, undercuts: int = 0, gap_mm: float = 0.1, overlap: tuple[float, float] | None = None
) -> Joint:
    """A T, lap or corner joint with a fillet weld on the right of the plate that butts.

    `overlap`: how far weld metal hangs over the plate that runs through, in mm, and the angle under it in degrees.
    """
    t1, t2 = rng.uniform(6, 16, 2)
    z1 = float(rng.uniform(3.5, min(10.0, 1.1 * t1 + 2)))
    z2 = z1 * float(rng.choice([1.0, rng.uniform(0.7, 1.4)]))
    if kind == "lap":
        t2 = max(t2, z2 + rng.uniform(3.2, 6))
    chord = float(np.hypot(z1, z2))
    rise = chord * float(rng.choice([0.0, rng.uniform(0, 0.14), rng.uniform(-0.12, 0)], p=[0.2, 0.5, 0.3]))
    face = rippled(arc([0, -z2], [z1, 0], rise), rng, 0.012 * chord * float(rng.random() < 0.6))
    over = []
    if overlap is not None:
        face, own = rolled_over(face, 1, [1, 0], [0, -1], *overlap)
        over, undercuts = [own], min(undercuts, 1)
    right, top = z1 + rng.uniform(9, 22), z2 + rng.uniform(9, 22)
    left = t2 + rng.uniform(9, 22)
    pen = float(rng.uniform(0.2, 0.3 * z1))
    d1, d2 = rng.uniform(0.06, 0.28, 2) * [z1, z2]
    under: list[Undercut] = []
    one, two = [], []
    if undercuts >= 1 and z2 + 6 < top:
        under.append(undercut(rng, 2, [0, -z2], [0, -1], [-1, 0]))
        two = [under[-1].outline_mm[:0:-1]]
    if undercuts >= 2:
        under.append(undercut(rng, 1, [z1, 0], [1, 0], [0, 1]))
        one = [under[-1].outline_mm[1:]]
    gaps = [np.array([[-pen, 0.0], [-t2, 0.0]])]
    others = []
    if kind == "tee":
        back = []
        if rng.random() < 0.45:
            zb = float(rng.uniform(0.45, 0.72)) * min(z1, z2)
            back_face = arc([-t2 - zb, 0], [-t2, -zb], 0.08 * zb)
            inner = spline(
                np.array(
                    [[-t2, -zb], [-t2 + 0.15 * zb, -0.5 * zb], [-t2 + 0.12 * zb, 0], [-t2 - 0.4 * zb, 0.2 * zb], [-t2 - zb, 0]]
                )
            )
            others.append(np.concatenate([back_face, inner[1:-1]]))
            back = [back_face]
            gaps = [np.array([[-pen, 0.0], [-t2 + 0.12 * zb, 0.0]])]
        start = [np.array([[-left, 0]]), *(back or [np.array([[-t2, 0]])]), np.array([[-t2, -top], [0, -top]])]
        foot = [np.array([[right, 0], [right, t1], [-left, t1]])]
    elif kind == "lap":
        reach = rng.uniform(16, 26)
        flush = rng.random() < 0.5
        start = [np.array([[-reach, 0], [-reach, -t2], [0, -t2]])]
        foot = [np.array([[right, 0], [right, t1], [-reach - (0 if flush else rng.uniform(4, 12)), t1]])]
        if not flush:
            foot.append(np.array([[foot[0][-1, 0], 0]]))
        gaps = [np.array([[-pen, 0.0], [-reach, 0.0]])]
    else:
        right += 4  # the plate that runs through is the longer one
        top = z2 + min(top - z2, right - z1 - 4)
        start = [np.array([[-t2, -top], [0, -top]])]
        foot = [np.array([[right, 0], [right, t1], [-t2, t1]])]
    metal = np.concatenate([*start, *two, face, *one, *foot])
    fusion = spline(
        np.array(
            [
                [z1, 0],
                [0.6 * z1, 0.9 * d1],
                [0.12 * z1, 0.75 * d1],
                [-pen, 0],
                [-0.8 * d2, -0.3 * z2],
                [-0.7 * d2, -0.65 * z2],
                [0, -z2],
            ]
        )
    )
    weld = np.concatenate([face, fusion[1:-1]])
    heights = over_chord(face)
    base = z1 * z2 / chord
    sizes = {
        "leg_1_mm": z1,
        "leg_2_mm": z2,
        "throat_mm": nearest_mm(np.zeros(2), face),
        "theoretical_throat_mm": base + float(heights.min()),
        "convexity_mm": extreme(heights),
        "penetration_mm": pen,
        "toe_angle_1_deg": toe_angle_deg(face[::-1], [1, 0]),
        "toe_angle_2_deg": toe_angle_deg(face, [0, -1]),
        "weld_area_mm2": shapes.area_mm2(weld),
    }
    runs = []
    if chord > 9 and rng.random() < 0.8:  # three runs: root, then one on each plate
        runs = [
            arc([0.62 * z1, 0.9 * d1], [-0.8 * d2, -0.55 * z2], -0.18 * chord, 60),
            arc([0.25 * z1, -0.25 * z2], [0.55 * z1, -0.55 * z2], 0.08 * chord, 40),
        ]
    return Joint(
        kind=kind, metal=metal, weld=weld, toes=np.array([[z1, 0], [0, -z2]]), face=face, sizes=sizes,
        plates=(np.array([[z1 + 2.5, 0], [z1 + 8.0, 0]]), np.array([[0, -z2 - 2.5], [0, -z2 - 8.0]])), others=others, runs=runs,
        gaps=gaps if gap_mm else [], undercuts=under, overlaps=over, thickness=float(t1),
    )  # fmt: skip


# ------------------------------------------------------------------ butts


def butt(rng: np.random.Generator, kind: str, *, undercuts: int = 0, overlap: tuple[float, float] | None = None) -> Joint:
    """A butt weld: V, double V or square; the face side is up. `overlap` as of a fillet, over the right plate."""
    thick = float(rng.uniform(6, 22) if kind != "square" else rng.uniform(3, 7))
    hilo = float(rng.choice([0.0, rng.uniform(0.2, 1.8)]) * rng.choice([-1, 1]))
    step = float(rng.choice([0.0, rng.uniform(1, 3)], p=[0.75, 0.25]))  # the right plate is thicker, its root side deeper
    root = "bead" if kind == "double-v" else str(rng.choice(["bead", "bead", "flush", "open"]))
    if root == "flush":
        hilo = step = 0.0
    bevel = np.radians(rng.uniform(22, 38))
    lap_over = rng.uniform(0.8, 2.2)
    half = {"v": thick * np.tan(bevel) + 1.2, "double-v": 0.55 * thick * np.tan(bevel) + 1.5, "square": 0.6 * thick + 1.6}[kind]
    half = float(half + lap_over)
    root_half = float(rng.uniform(1.3, 2.8)) if kind != "double-v" else float(max(half - rng.uniform(1.2, 2.0), 1.6))
    excess = float(rng.uniform(0.25, 1.0) * min(0.26 * half + 0.6, 4.0))
    bead = float(rng.uniform(0.4, min(0.5 * root_half + 0.4, 2.2)))
    left, right = (half + rng.uniform(10, 24, 2)).tolist()
    low_l, low_r = thick, thick + step + hilo
    toe_l, toe_r = np.array([-half, 0.0]), np.array([half, hilo])
    face = rippled(arc(toe_l, toe_r, excess), rng, 0.04 * excess * float(rng.random() < 0.6))
    over = []
    if overlap is not None:
        face, own = rolled_over(face, 2, [1, 0], [0, -1], *overlap)
        over, undercuts = [own], min(undercuts, 1)
    under: list[Undercut] = []
    one, two = [], []
    if undercuts >= 1:
        under.append(undercut(rng, 1, toe_l, [-1, 0], [0, 1]))
        one = [under[-1].outline_mm[:0:-1]]
    if undercuts >= 2:
        under.append(undercut(rng, 2, toe_r, [1, 0], [0, 1]))
        two = [under[-1].outline_mm[1:]]
    foot_l, foot_r = np.array([-root_half, low_l]), np.array([root_half, low_r])
    below = {"bead": [arc(foot_r, foot_l, bead)], "flush": [], "open": [np.array([[0.0, low_r], [0.0, low_l]])]}[root]
    metal = np.concatenate([[[-left, 0.0]], *one, face, *two, [[right, hilo], [right, low_r]], *below, [[-left, low_l]]])
    wobble = [0.25 * shapes.smooth_noise(rng, 90, 0.2) for _ in range(2)]
    unfused = float(rng.uniform(0.8, 0.35 * thick)) if root == "open" else 0.0
    sides = []
    for sign, top, low, wave in ((-1, toe_l, foot_l, wobble[0]), (1, toe_r, foot_r, wobble[1])):
        end = np.array([0.0, min(low_l, low_r) - unfused]) if root == "open" else low  # where both plates' edges still meet
        share = np.linspace(0, 1, 90)
        line = top + share[:, None] * (end - top)
        if kind == "double-v":
            waist = np.interp(share, [0, 0.5, 1], [half, rng.uniform(1.2, 0.45 * half + 0.8), root_half])
            line[:, 0] = sign * waist
            line[0], line[-1] = top, end
        line[:, 0] += sign * wave * np.sin(np.pi * share)
        sides.append(line)
    bottom = arc(foot_r, foot_l, bead)[1:-1] if root == "bead" else np.zeros((0, 2))
    weld = np.concatenate([face, sides[1][1:], bottom, sides[0][::-1][:-1]])
    sizes = {
        "toe_angle_1_deg": toe_angle_deg(face, [-1, 0]),
        "toe_angle_2_deg": toe_angle_deg(face[::-1], [1, 0]),
        "excess_weld_mm": extreme(over_chord(face)),
        "weld_width_mm": float(np.hypot(*(toe_r - toe_l))),
        "misalignment_mm": abs(hilo),
        "penetration_mm": float(min((weld[:, 1] - hilo / 2).max(), thick)),
        "weld_area_mm2": shapes.area_mm2(weld),
    }
    if root == "bead":
        sizes["root_excess_mm"] = extreme(over_chord(arc(foot_r, foot_l, bead)))
    runs = []
    count = int(np.clip(thick / 3.5, 1, 6))
    for k in range(1, count):
        y = thick * (1 - k / count)
        width = np.interp(y, np.linspace(0, thick, 90), sides[1][:, 0])
        runs.append(arc([-width, y], [width, y], -0.25 * width if kind == "v" else -0.15 * width, 60))
    gaps = [np.array([[0.0, min(low_l, low_r) - unfused], [0.0, min(low_l, low_r)]])] if root == "open" else []
    return Joint(
        kind=kind, metal=metal, weld=weld, toes=np.array([toe_l, toe_r]), face=face, sizes=sizes,
        plates=(toe_l + np.array([[-2.5, 0], [-9.0, 0]]), toe_r + np.array([[2.5, 0], [9.0, 0]])), runs=runs, gaps=gaps,
        undercuts=under, overlaps=over, thickness=thick,
    )  # fmt: skip
