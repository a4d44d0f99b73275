"""Cut joints drawn in closed form, apart from `specimeter.scene`: outline, weld metal, fusion lines and every true size.

x to the right, y up, mm. A fillet's corner, or the left plate's surface of a butt weld over its middle, is at [0, 0].
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

FILLETS = ("tee", "tee", "lap", "corner")
BUTTS = ("v", "v", "double-v", "square", "bevel")
ROOTS = ("bead", "bead", "sunk", "unfused")


def bezier(points, count: int = 200) -> np.ndarray:
    """A Bezier curve of any degree, shape (count, 2)."""
    points, t = np.asarray(points, float), np.linspace(0, 1, count)[:, None, None]
    rows = points[None].repeat(count, axis=0)
    while rows.shape[1] > 1:
        rows = (1 - t) * rows[:, :-1] + t * rows[:, 1:]
    return rows[:, 0]


def area_of(polygon) -> float:
    """Of a closed polygon, mm^2."""
    x, y = np.asarray(polygon, float).T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)


def groove(depth: float, radius: float, flank_deg: float) -> np.ndarray:
    """A symmetric notch with straight flanks and a round root as [along, down], from its near end on."""
    a = np.radians(flank_deg)
    half = radius * np.cos(a) + (radius * np.sin(a) + depth - radius) * np.tan(a)
    turn = np.linspace(np.pi - a, a, 120)
    root = np.column_stack([half + radius * np.cos(turn), depth - radius + radius * np.sin(turn)])
    return np.concatenate([[[0.0, 0.0]], root, [[2 * half, 0.0]]])


def undercut(rng, toe: int, place, along, into) -> dict:
    """A notch at a toe: `along` leads away from the weld along the plate, `into` into the metal."""
    depth = float(np.exp(rng.uniform(np.log(0.2), np.log(1.2))))
    radius, flank = float(rng.uniform(0.08, 0.9) * depth), float(rng.uniform(10, 42))
    shape = groove(depth, radius, flank)
    return {
        "toe": toe,
        "depth_mm": depth,
        "width_mm": float(shape[-1, 0]),
        "root_radius_mm": radius,
        "opening_angle_deg": 2 * flank,
        "outline_mm": np.asarray(place, float) + shape[:, :1] * np.asarray(along) + shape[:, 1:] * np.asarray(into),
    }


def angle_deg(face, away) -> float:
    """Through the air, between a plate's surface that leads `away` from the weld and the face at its first point."""
    tangent = face[1] - face[0]
    cosine = float(np.dot(tangent, away) / np.hypot(*tangent) / np.hypot(*away))
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


def over_chord(face) -> np.ndarray:
    """Heights of a face's points over its chord, to the left of the way."""
    chord = (face[-1] - face[0]) / np.hypot(*(face[-1] - face[0]))
    return (face - face[0]) @ np.array([-chord[1], chord[0]])


def signed_extreme(heights) -> float:
    """The greatest height, or the deepest where nothing rises by as much as it sinks."""
    return float(heights.max() if heights.max() >= -heights.min() else heights.min())


def scalloped(rng, face: np.ndarray) -> np.ndarray:
    """A face with the humps of a few runs on it, its ends and their slopes as they were."""
    share, chord = np.linspace(0, 1, len(face)), face[-1] - face[0]
    out = np.array([-chord[1], chord[0]]) / np.hypot(*chord)
    humps = np.sin(np.pi * share * int(rng.integers(2, 5)) + rng.uniform(0, 3)) ** 2 + 0.4 * np.sin(
        9 * share + rng.uniform(0, 7)
    )
    still = np.clip(np.minimum(share, 1 - share) / 0.2, 0, 1) ** 2
    return face + (float(rng.uniform(0.02, 0.03 * np.hypot(*chord))) * humps * still)[:, None] * out


def lipped(rng, face: np.ndarray, away, out) -> tuple[np.ndarray, dict]:
    """A face whose last point is a toe with a lip that hangs over the plate there, and what hangs over.

    `away` leads from the weld along the plate, `out` out of the metal.
    """
    toe, away, out = face[-1], np.asarray(away, float), np.asarray(out, float)
    lip, under = float(rng.uniform(0.5, 2.0)), float(np.tan(np.radians(rng.uniform(12, 50))))
    high = toe + 1.25 * lip * away + (0.5 * lip + under * lip) * out
    height = (face - toe) @ out
    kept = (
        face[: max(int(np.flatnonzero(height > 1.5 * float((high - toe) @ out) + 0.3)[-1]), 2)]
        if height.max() > 3
        else face[:3]
    )
    way = kept[-1] - kept[-2]
    way = kept[-1] + way / np.hypot(*way) * 0.35 * np.hypot(*(high - kept[-1]))
    nose = bezier([kept[-1], way, high, toe + 1.05 * lip * away + 0.85 * under * lip * out, toe], 160)[1:]
    beyond = nose[(nose - toe) @ away >= 0]
    return np.concatenate([kept, nose]), {"toe": 1, "length_mm": float(((nose - toe) @ away).max()), "outline_mm": beyond}


def ended(rng, one, other) -> np.ndarray:
    """The end of a plate from one of its corners to the other: square, aslant, rounded by rolling or with a broken edge."""
    one, other = np.asarray(one, float), np.asarray(other, float)
    across = other - one
    size = float(np.hypot(*across))
    along = np.array([across[1], -across[0]]) / size  # out of the plate, where the outline runs with metal on its left
    form = str(rng.choice(["square", "aslant", "round", "broken"], p=[0.4, 0.2, 0.2, 0.2]))
    if form == "aslant":
        return np.array([one + rng.uniform(-0.2, 0.2) * size * along, other + rng.uniform(-0.2, 0.2) * size * along])
    if form == "square":
        return np.array([one, other])
    cut = float(rng.uniform(0.05, 0.4) * min(size, 8.0))
    step = across / size
    if form == "round":
        cut = min(cut, 2.5)
        ends = [(one - cut * along, one, one + cut * step), (other - cut * step, other, other - cut * along)]
        return np.concatenate([bezier(three, 24) for three in ends])
    return np.array([one - cut * along, one + cut * step, other])


def rolled(rng, points) -> np.ndarray:
    """A plate's surface through points, as uneven as rolling, scale and rust leave it."""
    points, amount = np.asarray(points, float), float(rng.choice([0.0, rng.uniform(0.005, 0.03)]))
    if not amount:
        return points
    pieces = []
    for a, b in pairwise(points):
        length = float(np.hypot(*(b - a)))
        count = max(int(length / 0.25), 2)
        side = np.array([-(b - a)[1], (b - a)[0]]) / max(length, 1e-9)
        wave = np.convolve(rng.normal(0, 1, count + 8), np.ones(5) / 5**0.5, "same")[4:-4] * amount
        wave[0] = 0.0
        pieces.append(a + np.linspace(0, 1, count, endpoint=False)[:, None] * (b - a) + wave[:, None] * side)
    return np.concatenate([*pieces, points[-1:]])


def fillet(rng) -> dict:
    """A T, lap or corner joint, the weld to the right of the upright plate; its corner is at [0, 0]."""
    kind = str(rng.choice(FILLETS))
    t1, t2 = rng.uniform(5, 16, 2)
    z1 = float(rng.uniform(3.5, 10.0))
    z2 = z1 * float(rng.choice([rng.uniform(0.9, 1.1), rng.uniform(0.65, 1.5)]))
    right, left, height = z1 + rng.uniform(9, 22), t2 + rng.uniform(8, 20), z2 + rng.uniform(9, 20)
    if kind == "lap":
        height, t2 = z2 + rng.uniform(0.0, 1.0) + 3.0, left
        left = t2 + rng.uniform(2, 8)
    elif kind == "corner":
        left, right = t2, right + 4
        height = min(height, right - 3)
    bow = rng.uniform(-0.24, 0.3) * np.array([z1, z2])
    chord = np.array([z1, -z2]) / 3
    face = bezier(
        [[0, z2], np.array([0, z2]) + chord + bow * [0.6, 0.8], np.array([z1, 0]) - chord + bow * [0.8, 0.6], [z1, 0]], 400
    )
    if rng.random() < 0.35:
        face = scalloped(rng, face)
    notches, overlaps, dug = [], [], {1: np.zeros((0, 2)), 2: np.zeros((0, 2))}
    if rng.random() < 0.15:
        face, over = lipped(rng, face, [1, 0], [0, 1])
        overlaps.append(over)
    for toe, place, along, into in ((2, [0, z2], [0, 1], [-1, 0]), (1, [z1, 0], [1, 0], [0, -1])):
        if rng.random() < (0.4 if toe == 2 else 0.2) and not (toe == 1 and overlaps):
            notches.append(undercut(rng, toe, place, along, into))
            dug[toe] = notches[-1]["outline_mm"]
    pen = float(rng.uniform(0.2, 2.2))
    d1, d2 = rng.uniform(0.3, 2.4, 2)
    fusion = np.concatenate(
        [
            bezier([[z1, 0], [0.75 * z1, -1.6 * d1], [0.1, -1.2 * d1], [-pen, 0]]),
            bezier([[-pen, 0], [-1.5 * d2, 0.2 * z2], [-1.1 * d2, 0.8 * z2], [0, z2]])[1:],
        ]
    )
    others, back, gaps = [], np.array([[-t2, 0.0]]), [np.array([[-pen, 0.0], [-t2, 0.0]])]
    if kind == "tee" and rng.random() < 0.4:
        leg, deep = float(rng.uniform(0.4, 0.85)) * min(z1, z2, left - t2 - 3), float(rng.uniform(0.1, 0.35)) * t2
        bulge = float(rng.uniform(-0.1, 0.3)) * leg
        back = bezier([[-t2, leg], [-t2 - 0.4 * leg - bulge, 0.55 * leg + bulge], [-t2 - leg, 0]], 120)
        root = [[-t2 - leg, 0], [-t2 - 0.3 * leg, -0.5 * leg], [-t2 + deep, -0.1 * leg]]
        inner = np.concatenate(
            [bezier([*root, [-t2 + deep, 0.1]], 60), bezier([[-t2 + deep, 0.1], [-t2 + deep, leg], [-t2, leg]], 40)]
        )
        others.append(np.concatenate([back, inner[1:-1]]))
        gaps = [np.array([[-pen, 0.0], [-t2 + deep, 0.0]])] if pen + deep < t2 - 0.5 else []
    elif kind == "tee" and rng.random() < 0.12:
        gaps = []
    start = np.array([[-left, -t1]]) if kind == "corner" else ended(rng, [-left, 0], [-left, -t1])
    top = ended(rng, [0, height], [-t2, height]) if kind != "lap" else np.array([[0, height], [-t2, height]])
    one, other = dug[1][::-1][:-1], dug[2][1:]
    sole = rolled(rng, [start[-1], [right, -t1]])
    far = ended(rng, [right, -t1], [right, 0])
    sole[-1] = far[0]
    onto = np.concatenate([far[-1:], one[:1] if len(one) else face[-1:]])
    up = np.concatenate([other[-1:] if len(other) else face[:1], top[:1]])
    pieces = [start, sole[1:-1], far, rolled(rng, onto)[1:-1], one, face[::-1], other, rolled(rng, up)[1:-1], top]
    if kind == "corner":
        pieces += [rolled(rng, [top[-1], start[0]])[1:-1]]
    else:
        pieces += [rolled(rng, [top[-1], back[0]])[1:-1], back, rolled(rng, [back[-1], start[0]])[1:-1]]
    heights = over_chord(face)
    weld = np.concatenate([face, fusion[1:-1]])
    sizes = {
        "leg_1_mm": z1,
        "leg_2_mm": z2,
        "throat_mm": float(np.min(np.hypot(*face.T))),
        "theoretical_throat_mm": float(z1 * z2 / np.hypot(z1, z2) + heights.min()),
        "convexity_mm": signed_extreme(heights),
        "penetration_mm": pen,
        "toe_angle_1_deg": angle_deg(face[::-1], [1, 0]),
        "toe_angle_2_deg": angle_deg(face, [0, 1]),
        "weld_area_mm2": area_of(weld),
    }
    runs = []
    if min(z1, z2) > 5.5 and rng.random() < 0.6:
        share = rng.uniform(0.35, 0.6)
        runs.append(bezier([[share * z1, -d1], [0.9 * share * z1, 0.9 * share * z2], [-d2, share * z2]], 60))
        runs.append(bezier([[0.3 * z1, 0.3 * z2], [0.6 * z1, 0.35 * z2], [0.55 * z1, 0.7 * z2]], 60))
    return {
        "test": "macro-fillet", "kind": kind, "metal": np.concatenate(pieces), "weld": weld, "face": face, "others": others,
        "toes": np.array([[z1, 0], [0, z2]]), "sizes": sizes, "undercuts": notches, "overlaps": overlaps,
        "plates": [np.array([[z1 + 2.5, 0], [z1 + 8, 0]]), np.array([[0, z2 + 2.6], [0, height - 0.3]])],
        "thickness": float(t1), "gaps": gaps, "middle": np.array([0.3 * z1, 0.3 * z2]), "runs": runs,
    }  # fmt: skip


def butt(rng) -> dict:
    """A butt weld from one side or from both, the root fused or not; the left plate's surface is at y = 0."""
    kind = str(rng.choice(BUTTS))
    both = kind == "double-v"
    root = "bead" if both else str(rng.choice(ROOTS))
    t = float(rng.uniform(3, 7) if kind == "square" else rng.uniform(5, 20))
    hilo = float(rng.choice([0.0, rng.uniform(0.2, 1.5)]) * rng.choice([-1, 1]))
    half, foot = float(0.42 * t + rng.uniform(2.2, 4.5)), float(rng.uniform(1.2, 2.8))
    foot = half - rng.uniform(0.5, 1.5) if both else foot
    step = 0.0 if both or rng.random() < 0.75 else float(rng.uniform(0.6, 3.0))  # the right plate is thicker, its foot lower
    low = hilo - t - step
    cap, bead = float(rng.uniform(-0.25, 1.5)), float(rng.uniform(0.3, 1.6)) * (-0.35 if root == "sunk" else 1.0)
    left, right = half + rng.uniform(9, 24, 2)
    toes = np.array([[-half, 0], [half, hilo]])
    face = bezier([toes[0], [-0.45 * half, 1.45 * cap + 0.2 * hilo], [0.45 * half, 1.45 * cap + 0.8 * hilo], toes[1]], 400)
    if rng.random() < 0.4:
        face = scalloped(rng, face)
    end_l, end_r = np.array([-foot, -t]), np.array([foot, low])
    unfused = float(rng.uniform(0.6, 0.4 * t)) if root == "unfused" else 0.0
    if unfused:
        under = np.array([[0.0, low], [0.0, -t]])
        end_l = end_r = np.array([0.0, max(-t, low) + unfused])
    else:
        span = low + t
        under = bezier(
            [end_r, [0.4 * foot, low - 0.3 * span - 1.45 * bead], [-0.4 * foot, -t + 0.3 * span - 1.45 * bead], end_l], 300
        )
    notches, dug = [], {1: np.zeros((0, 2)), 2: np.zeros((0, 2))}
    for toe, along in ((1, [-1, 0]), (2, [1, 0])):
        if rng.random() < 0.28:
            notches.append(undercut(rng, toe, toes[toe - 1], along, [0, -1]))
            dug[toe] = notches[-1]["outline_mm"]
    waist = 0.45 * half if both else 0.5 * (half + foot)
    w = rng.uniform(0.8, 1.2, 4)
    upright = [1.0, 1.0] if kind != "bevel" else [0.3, 1.0]  # of a bevelled joint one side is nearly square
    line_l = bezier([toes[0], [-upright[0] * w[0] * waist - 1.0, -0.25 * t], [-upright[0] * w[1] * waist, -0.75 * t], end_l])
    line_r = bezier([end_r, [upright[1] * w[2] * waist, hilo - 0.75 * t], [w[3] * waist + 1.0, hilo - 0.25 * t], toes[1]])
    start, far = ended(rng, [-left, 0], [-left, -t]), ended(rng, [right, low], [right, hilo])
    one, two = dug[1][1:], dug[2][::-1][:-1]
    pieces = [
        start, rolled(rng, [start[-1], under[-1]])[1:-1], under[::-1], rolled(rng, [under[0], far[0]])[1:-1], far,
        rolled(rng, [far[-1], two[0] if len(two) else face[-1]])[1:-1], two, face[::-1], one,
        rolled(rng, [one[-1] if len(one) else face[0], start[0]])[1:-1],
    ]  # fmt: skip
    weld = np.concatenate([face, line_r[::-1][1:], np.zeros((0, 2)) if unfused else under[1:], line_l[::-1][1:-1]])
    sizes = {
        "toe_angle_1_deg": angle_deg(face, [-1, 0]),
        "toe_angle_2_deg": angle_deg(face[::-1], [1, 0]),
        "excess_weld_mm": signed_extreme(over_chord(face)),
        "weld_width_mm": float(np.hypot(*(toes[1] - toes[0]))),
        "misalignment_mm": abs(hilo),
        "penetration_mm": t if not unfused else float(min(hilo / 2 - weld[:, 1].min(), t)),
        "weld_area_mm2": area_of(weld),
    }
    if not unfused:
        sizes["root_excess_mm"] = signed_extreme(over_chord(under))
    runs, count = [], int(np.clip(t / 3.5, 1, 6))
    for k in range(1, count if rng.random() < 0.75 else 1):
        y = -t * (1 - k / count)
        wide = float(np.interp(-y, [0, t], [half, max(foot, 1.0)]))
        runs.append(bezier([[-wide, y], [0, y + float(rng.uniform(0.4, 2.0))], [wide, y]], 60))
    gaps = [np.array([end_l, [0.0, max(-t, low)]])] if unfused else []
    return {
        "test": "macro-butt", "kind": kind, "metal": np.concatenate(pieces), "weld": weld, "face": face, "others": [],
        "toes": toes, "sizes": sizes, "undercuts": notches, "overlaps": [], "thickness": t, "gaps": gaps, "runs": runs,
        "plates": [toes[0] + [[-2.5, 0], [-9, 0]], toes[1] + [[2.5, 0], [9, 0]]], "middle": np.array([0.0, -0.4 * t]),
    }  # fmt: skip
