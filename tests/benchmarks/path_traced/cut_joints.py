"""Cut joints drawn in closed form, apart from `specimeter.scene`: outline, weld metal, fusion lines and every true size.

x to the right, y up, mm. A fillet's corner, or the left plate's surface of a butt weld over its middle, is at [0, 0].
"""

from __future__ import annotations

import numpy as np


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


def _told(toe: int, depth: float, radius: float, flank: float, shape, outline) -> dict:
    return {
        "toe": toe,
        "depth_mm": depth,
        "width_mm": float(shape[-1, 0]),
        "root_radius_mm": radius,
        "opening_angle_deg": 2 * flank,
        "outline_mm": outline,
    }


def angle_deg(face, away) -> float:
    """Through the air, between a plate's surface that leads `away` from the weld and the face at its first point."""
    tangent = face[1] - face[0]
    return float(np.degrees(np.arccos(np.dot(tangent, away) / np.hypot(*tangent) / np.hypot(*away))))


def over_chord(face) -> np.ndarray:
    """Heights of a face's points over its chord, to the left of the way."""
    chord = (face[-1] - face[0]) / np.hypot(*(face[-1] - face[0]))
    return (face - face[0]) @ np.array([-chord[1], chord[0]])


def signed_extreme(heights) -> float:
    """The greatest height, or the deepest where nothing rises by as much as it sinks."""
    return float(heights.max() if heights.max() >= -heights.min() else heights.min())


def fillet(rng, undercut: bool, lap: bool) -> dict:
    """A T or lap joint, the weld to the right of the upright plate; its corner is at [0, 0]."""
    t1, t2 = rng.uniform(6, 14, 2)
    z1, z2 = rng.uniform(4.5, 9.5), rng.uniform(4.5, 9.5)
    right, left = z1 + rng.uniform(10, 22), t2 + rng.uniform(8, 18)
    height = z2 + (rng.uniform(0.0, 1.0) + 3.0 if lap else rng.uniform(10, 20))
    if lap:
        t2, left = left, left + rng.uniform(2, 8)
    bow = rng.uniform(-0.22, 0.28) * np.array([z1, z2])
    chord = np.array([z1, -z2]) / 3
    face = bezier(
        [[0, z2], np.array([0, z2]) + chord + bow * [0.6, 0.8], np.array([z1, 0]) - chord + bow * [0.8, 0.6], [z1, 0]], 400
    )
    notches, dug = [], np.zeros((0, 2))
    if undercut:
        depth = float(rng.uniform(0.3, 1.0))
        radius, flank = float(rng.uniform(0.15, 0.9) * depth), float(rng.uniform(15, 40))
        shape = groove(depth, radius, flank)
        dug = np.array([0, z2]) + shape[:, :1] * [0, 1] + shape[:, 1:] * [-1, 0]
        notches.append(
            {
                "toe": 2,
                "depth_mm": depth,
                "width_mm": float(shape[-1, 0]),
                "root_radius_mm": radius,
                "opening_angle_deg": 2 * flank,
                "outline_mm": dug,
            }
        )
    pen = float(rng.uniform(0.3, 1.8))
    d1, d2 = rng.uniform(0.5, 2.0, 2)
    fusion = np.concatenate(
        [
            bezier([[z1, 0], [0.75 * z1, -1.6 * d1], [0.1, -1.2 * d1], [-pen, 0]]),
            bezier([[-pen, 0], [-1.5 * d2, 0.2 * z2], [-1.1 * d2, 0.8 * z2], [0, z2]])[1:],
        ]
    )
    metal = np.concatenate(
        [[[-left, 0], [-left, -t1], [right, -t1], [right, 0]], face[::-1], dug[1:], [[0, height], [-t2, height], [-t2, 0]]]
    )
    weld = np.concatenate([face, fusion[1:-1]])
    heights = over_chord(face)
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
    return {
        "test": "macro-fillet", "kind": "lap" if lap else "tee", "metal": metal, "weld": weld, "face": face,
        "toes": np.array([[z1, 0], [0, z2]]), "sizes": sizes, "undercuts": notches, "thickness": float(t1),
        "plates": [np.array([[z1 + 2.5, 0], [z1 + 8, 0]]), np.array([[0, z2 + 2.6], [0, height - 0.3]])],
        "gaps": [np.array([[-pen, 0], [-t2, 0]])], "middle": np.array([0.3 * z1, 0.3 * z2]),
    }  # fmt: skip


def butt(rng, undercut: bool, both: bool) -> dict:
    """A butt weld from one side with a root bead, or from both; the left plate's surface is at y = 0."""
    t = float(rng.uniform(6, 18))
    hilo = float(rng.choice([0.0, rng.uniform(0.2, 1.4)]) * rng.choice([-1, 1]))
    half, foot = float(0.42 * t + rng.uniform(2.5, 4.5)), float(rng.uniform(1.4, 2.6))
    foot = half - rng.uniform(0.5, 1.5) if both else foot
    cap, bead = float(rng.uniform(0.5, 1.2)), float(rng.uniform(0.5, 1.4))
    left, right = half + rng.uniform(11, 24, 2)
    toes = np.array([[-half, 0], [half, hilo]])
    face = bezier([toes[0], [-0.45 * half, 1.45 * cap + 0.2 * hilo], [0.45 * half, 1.45 * cap + 0.8 * hilo], toes[1]], 400)
    under = bezier(
        [
            [foot, hilo - t],
            [0.4 * foot, hilo * 0.7 - t - 1.45 * bead],
            [-0.4 * foot, 0.3 * hilo - t - 1.45 * bead],
            [-foot, -t],
        ],
        300,
    )
    notches, dug = [], np.zeros((0, 2))
    if undercut:
        depth = float(rng.uniform(0.3, 1.0))
        radius, flank = float(rng.uniform(0.15, 0.9) * depth), float(rng.uniform(15, 40))
        shape = groove(depth, radius, flank)
        dug = toes[0] + shape[:, :1] * [-1, 0] + shape[:, 1:] * [0, -1]
        notches.append(
            {
                "toe": 1,
                "depth_mm": depth,
                "width_mm": float(shape[-1, 0]),
                "root_radius_mm": radius,
                "opening_angle_deg": 2 * flank,
                "outline_mm": dug,
            }
        )
    waist = 0.45 * half if both else 0.5 * (half + foot)
    w = rng.uniform(0.85, 1.15, 4)
    line_l = bezier([[-half, 0], [-w[0] * waist - 1.0, -0.25 * t], [-w[1] * waist, -0.75 * t], [-foot, -t]])
    line_r = bezier([[foot, hilo - t], [w[2] * waist, hilo - 0.75 * t], [w[3] * waist + 1.0, hilo - 0.25 * t], [half, hilo]])
    metal = np.concatenate([[[-left, 0], [-left, -t]], under[::-1], [[right, hilo - t], [right, hilo]], face[::-1], dug[1:]])
    weld = np.concatenate([face, line_r[::-1][1:], under[1:], line_l[::-1][1:-1]])
    sizes = {
        "toe_angle_1_deg": angle_deg(face, [-1, 0]),
        "toe_angle_2_deg": angle_deg(face[::-1], [1, 0]),
        "excess_weld_mm": signed_extreme(over_chord(face)),
        "root_excess_mm": signed_extreme(over_chord(under)),
        "weld_width_mm": float(np.hypot(*(toes[1] - toes[0]))),
        "misalignment_mm": abs(hilo),
        "penetration_mm": t,
        "weld_area_mm2": area_of(weld),
    }
    return {
        "test": "macro-butt", "kind": "double-v" if both else "v", "metal": metal, "weld": weld, "face": face,
        "toes": toes, "sizes": sizes, "undercuts": notches, "thickness": t, "gaps": [],
        "plates": [toes[0] + [[-2.5, 0], [-9, 0]], toes[1] + [[2.5, 0], [9, 0]]], "middle": np.array([0.0, -0.4 * t]),
    }  # fmt: skip
