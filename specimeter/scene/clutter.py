"""Things that lie about on a bench: bars, pens, washers, cables, screws, paper, rules, grit and old specimens, with shadows."""

from __future__ import annotations

from collections.abc import Collection

import cv2
import numpy as np
from numpy.typing import ArrayLike

THINGS = ("bar", "pen", "washer", "cable", "screw", "paper", "rule", "grit", "offcut", "coin-blank")
PLASTIC = ((0.02, 0.02, 0.025), (0.02, 0.05, 0.3), (0.5, 0.02, 0.02), (0.6, 0.5, 0.05), (0.03, 0.2, 0.08), (0.6, 0.6, 0.58))


def drop(
    field: np.ndarray, rng: np.random.Generator, per_mm: float, shadow_mm: ArrayLike, without: Collection[str] = ()
) -> None:
    """Put one thing, if it is none of those left out, anywhere on a bench's reflectance (rows, columns, 3), in place."""
    rows, columns = field.shape[:2]
    centre = np.array([rng.uniform(0, columns), rng.uniform(0, rows)])
    angle, kind = rng.uniform(0, np.pi), str(rng.choice(THINGS))
    if kind in without:
        return
    along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    mask = np.zeros((rows, columns), np.uint8)
    metal = np.array([0.35, 0.35, 0.36]) * rng.uniform(0.4, 1.5)
    height = 3.0

    def box(length: float, half: float) -> None:
        corners = [
            centre + (i * along * length / 2 + j * across * half) * per_mm for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))
        ]
        cv2.fillConvexPoly(mask, np.round(np.array(corners) * 16).astype(np.int32), 255, cv2.LINE_AA, 4)

    def disc(radius: float, value: int = 255, at: float = 0.0) -> None:
        x, y = np.round(centre + along * at * per_mm).astype(int)
        cv2.circle(mask, (int(x), int(y)), max(1, int(radius * per_mm)), value, -1, cv2.LINE_AA)

    colour, shine = metal, 0.6
    if kind == "bar":
        box(rng.uniform(30, 140), rng.uniform(4, 14))
        height = 8.0
    elif kind == "pen":
        box(rng.uniform(110, 150), rng.uniform(3.5, 5.5))
        colour, height = np.array(PLASTIC[rng.integers(len(PLASTIC))]), 7.0
    elif kind == "washer":
        disc(rng.uniform(5, 11))
        disc(rng.uniform(2, 4), 0)
        height = 1.5
    elif kind == "cable":
        t = np.linspace(-1, 1, 80)[:, None]
        bow, wave = rng.normal(0, 40), rng.uniform(1.5, 4)
        curve = centre + (t * along * 130 + (np.sin(wave * t + angle) * 25 + bow * t * t) * across) * per_mm
        cv2.polylines(
            mask, [np.round(curve).astype(np.int32)], False, 255, max(1, int(rng.uniform(3, 7) * per_mm)), cv2.LINE_AA
        )
        colour, height = np.array(PLASTIC[rng.integers(len(PLASTIC))]) * 0.8, 5.0
    elif kind == "screw":
        box(rng.uniform(12, 30), rng.uniform(1.2, 2.5))
        disc(rng.uniform(3.5, 5.5), at=11.0)
        colour = metal * 0.7
    elif kind == "paper":
        box(rng.uniform(30, 110), rng.uniform(10, 40))
        colour, shine, height = np.array([0.75, 0.74, 0.7]), 0.0, 0.6
    elif kind == "rule":
        box(155.0, 9.0)
        shine, height = 0.0, 1.0
    elif kind == "grit":
        for x, y in rng.normal(centre, 25 * per_mm, (int(rng.integers(30, 200)), 2)):
            cv2.circle(mask, (int(x), int(y)), max(1, int(abs(rng.normal(0, 0.22)) * per_mm)), 200, -1, cv2.LINE_AA)
        colour, shine, height = np.array([0.06, 0.05, 0.045]), 0.0, 0.3
    elif kind == "offcut":  # the arc of another bent bar, lying on its side
        x, y = np.round(centre).astype(int)
        size = int(rng.uniform(18, 34) * per_mm)
        cv2.ellipse(mask, (int(x), int(y)), (size, size), np.degrees(angle), 0, 180, 255, int(10 * per_mm), cv2.LINE_AA)
        height = 25.0
    else:
        disc(rng.uniform(8, 16))
        height = 2.5
    x, y, w, h = cv2.boundingRect(mask)
    if not w:
        return
    shift = np.clip(np.asarray(shadow_mm, float) * height, -30, 30) * per_mm
    margin = int(np.abs(shift).max() + 4 * per_mm) + 3
    part = (slice(max(y - margin, 0), y + h + margin), slice(max(x - margin, 0), x + w + margin))
    mask, ground = mask[part], field[part]
    alpha = mask.astype(np.float32)[..., None] / 255
    moved = cv2.warpAffine(mask, np.array([[1, 0, shift[0]], [0, 1, shift[1]]]), mask.shape[::-1])
    soft = (0.25 + 0.12 * height) * per_mm + 0.5
    dark = np.asarray(cv2.GaussianBlur(moved, (0, 0), soft)).astype(np.float32)[..., None] / 255
    ground *= 1 - 0.6 * dark * (1 - alpha)
    tone = np.ones_like(alpha)
    if shine:  # round or bevelled: bright along the middle, dark at the rim; metal is streaked
        inner = cv2.distanceTransform((mask > 127).astype(np.uint8), cv2.DIST_L2, 3)[..., None] / per_mm
        tone = 0.5 + shine * np.clip(inner / 2.5, 0, 1)
        streaks = cv2.blur(rng.standard_normal(mask.shape).astype(np.float32), (max(3, int(6 * per_mm)), 1))
        tone = tone * (1 + 0.25 * streaks[..., None])
    surface = np.asarray(colour, np.float32) * tone.astype(np.float32)
    if kind == "rule":
        _graduate(surface, centre - [part[1].start, part[0].start], along, across, per_mm)
    ground += (surface - ground) * alpha


def _graduate(surface: np.ndarray, centre: np.ndarray, along: np.ndarray, across: np.ndarray, per_mm: float) -> None:
    """Millimetre marks along one edge of a rule."""
    for mm in range(-70, 71):
        long = 6.0 if mm % 10 == 0 else 4.5 if mm % 5 == 0 else 3.0
        start = centre + (along * mm + across * 9.0) * per_mm
        stop = start - across * long * per_mm
        one, two = ([int(v) for v in np.round(p * 16)] for p in (start, stop))
        cv2.line(surface, one, two, (0.03, 0.03, 0.03), max(1, round(0.2 * per_mm)), cv2.LINE_AA, 4)
