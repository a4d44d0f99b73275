"""Where a butt weld's plates stand against each other unfused: the dark line from the root side up into the metal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from specimeter.segment.contour import uncrossed
from specimeter.segment.faying_line import Faying
from specimeter.segment.fusion_line import GAP, Read
from specimeter.segment.joint import Butt
from specimeter.segment.model import Outline
from specimeter.segment.polylines import crossings
from specimeter.segment.section_reading import KINDS

STEP_MM = 0.1  # of the grid that is searched: across the weld, and up from the root side
BESIDE_MM = (0.3, 0.4, 0.5)  # on either side: where the light is taken that a line is darker than
MIDDLE, LEAST_MIDDLE_MM = 0.6, 2.0  # share of the face's half width, about its middle, in which a root lies; and mm, at least
HIGHEST = 0.85  # share of the thickness
CLOSED_MM = 1.5  # from the root side: where a line may begin that is closed, or does not show, at its mouth
SIDEWAYS, DIP = 0.7, 5.0  # price of a step aside; by how much a way may do worse than none: what lies farther in is a crack
NETWORK_LIMITS, LEAST_CHANCE = (-3.0, 4.0), 1e-3  # log-odds of a gap, or a line, that count; a chance that is none
DARK, DARK_LIMITS = 1.0, (-1.5, 1.5)  # robust scatters of darkness that speak for nothing, and what counts of it
OFF, OPEN = -4.0, 2.0  # beyond the metal, and between the plates where the outline follows the gap between them in
NOTCH_MM = 0.7  # such a gap is no wider
PLATES_MM = (2.0, 12.0)  # beyond the face's toes: plates in which no root is, where the same search shows what chance makes
LEAST, LEAST_OVER = 2.2, 1.5  # of a path's sum, in mm, for a line to be one; and of that in the plates
ASIDE_MM = (0.4, 1.2)  # from a line's mouth: where the plates' root sides are taken
LEAST_BEAD_MM = 0.3  # weld metal that stands out on the root side by more shows that the weld goes through: no line is a root's
LEAST_MM = 0.6  # of a line, to be seen as one
TURN_MM, TURNED = 0.8, 0.65  # root faces are straight: a way that turns aside by such a slope over such a stretch ends there
ALIKE_MM = 0.3  # along it, over which the evidence says the same
U_TIP_MM = 0.15  # standard uncertainty of its end as a network sees it, at the best (from scenes)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Unfused:
    """A line that is not fused: its course from the root side to its end, (N, 2) in mm, and its end's standard uncertainty."""

    path: np.ndarray
    u_tip_mm: float
    worth: float

    @property
    def gap(self) -> Faying:
        """The same as a gap whose tip ends the weld."""
        length = float(np.sum(np.hypot(*np.diff(self.path, axis=0).T)))
        return Faying(through=0, tip=self.path[-1], u_mm=self.u_tip_mm, length_mm=length)

    def outline(self, read: Read) -> Outline:
        """The line as a feature, two pixels wide: how wide it is, such a line hardly tells."""
        middle = read.surface.project(self.path)
        px_mm = float(read.surface.mm_per_px_at(middle.mean(axis=0)))
        way = np.gradient(middle, axis=0)
        way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
        side = np.column_stack([-way[:, 1], way[:, 0]])
        return Outline(
            outline_px=uncrossed(np.concatenate([middle + side, (middle - side)[::-1]])),
            kind="lack-of-penetration",
            confidence=float(np.clip(1 - LEAST / (self.worth + LEAST), 0.5, 0.95)),
            u_edge_px=0.5,
            u_tip_px=float(max(self.u_tip_mm / px_mm, 0.5)),
            evidence={"line_over_plates": round(self.worth, 3)},
        )


def unfused_root(read: Read, joint: Butt, outline: np.ndarray) -> Unfused | None:
    """The likeliest dark line from the root side up, if nothing as likely lies in the plates; None if there is none.

    What speaks for a line: the network's gaps and thin imperfections, and that the light is darker than beside it. The path
    of greatest sum is found by dynamic programming; grinding marks run through the plates as well, and are no root. Nor is a
    line under a bead of weld metal that stands out on the root side: that is a crack, or unfused otherwise.

    Parameters
    ----------
    read : Read
        Of the metal within the outline.
    outline : array, shape (N, 2)
        The metal's, in mm.
    """
    if joint.bottom is not None and joint.bottom.bead_mm > LEAST_BEAD_MM:
        return None
    up = joint.top.toes[0].plate.normal + joint.top.toes[1].plate.normal
    up = up / np.hypot(*up)
    toes = sorted((toe.point for toe in joint.top.toes), key=lambda point: float(point @ joint.across))
    middle, half = (toes[0] + toes[1]) / 2, float((toes[1] - toes[0]) @ joint.across) / 2
    across = np.arange(-half - PLATES_MM[1], half + PLATES_MM[1], STEP_MM)
    depth = np.array([_below(outline, middle + a * joint.across, up) for a in across])
    depth = np.where(np.isfinite(depth), scipy.ndimage.grey_closing(depth, round(NOTCH_MM / STEP_MM)), np.nan)
    if not np.isfinite(depth).any():
        return None
    rows = round(HIGHEST * float(np.nanmedian(depth)) / STEP_MM)
    if rows < 3:
        return None
    known = np.isfinite(depth)
    foot = middle + across[:, None] * joint.across - np.where(known, depth, 0.0)[:, None] * up
    places = foot[:, None] + STEP_MM * np.arange(rows)[None, :, None] * up
    worth = _evidence(read, places, joint.across, known)
    inner = np.flatnonzero(np.abs(across) < max(MIDDLE * half, LEAST_MIDDLE_MM))
    best, path, u_rows = _path(worth[inner])
    plates = [np.flatnonzero((sign * across > half + PLATES_MM[0]) & known) for sign in (-1, 1)]
    chance = max((_path(worth[plate])[0] for plate in plates if len(plate) > 2 / STEP_MM), default=0.0)
    if best < max(LEAST, LEAST_OVER * chance):
        return None
    path = _straight(path)
    first = inner[path[0][0]]
    course = np.array(
        [*(places[first, row] for row in range(path[0][1])), *(places[inner[column], row] for column, row in path)]
    )
    course = course[(middle - course) @ up <= _mouth(depth, first) + STEP_MM / 2]
    if not LEAST_MM <= len(course) * STEP_MM <= HIGHEST * float(np.nanmedian(depth)):
        return None
    cell_mm = float(read.surface.mm_per_px_at(read.surface.project(course[-1:])[0])) / read.reading.zoom
    return Unfused(path=course, u_tip_mm=float(np.hypot(np.hypot(U_TIP_MM, cell_mm), u_rows * STEP_MM)), worth=best)


def _straight(path: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """A way up to where it turns aside, along a side wall that is not fused either, say."""
    columns, reach = np.array([column for column, _ in path]), round(TURN_MM / STEP_MM)
    aside = np.abs(columns[reach:] - columns[:-reach]) >= TURNED * reach
    return path[: int(np.argmax(aside)) + 2] if aside.any() else path


def _below(outline: np.ndarray, place: np.ndarray, up: np.ndarray) -> float:
    """How far below a place the metal's root side lies; NaN where there is no metal."""
    over = float(np.ptp(outline, axis=0).max())
    cuts = crossings(outline, place + over * up, -up) - over
    return float(cuts.max()) if len(cuts) else np.nan


def _mouth(depth: np.ndarray, first: int) -> float:
    """Depth of the root side of that plate, of the two beside a column, that reaches less deep: there the line ends."""
    near, far = (round(mm / STEP_MM) for mm in ASIDE_MM)
    sides = [depth[max(first - far, 0) : max(first - near, 1)], depth[first + near : first + far]]
    return float(min((np.nanmedian(side) for side in sides if np.isfinite(side).any()), default=np.inf))


def _evidence(read: Read, places: np.ndarray, across: np.ndarray, known: np.ndarray) -> np.ndarray:
    """What speaks for a line at each place, (A, H): log-odds of the network, and how dark it is in robust scatters."""
    reading = read.reading
    gap = read.of(reading.tissue[GAP], places)
    odds = np.log((gap + LEAST_CHANCE) / (1 - gap + LEAST_CHANCE))
    kinds = np.stack([read.of(kind, places) for kind in reading.kind])
    thin = np.argmax(kinds, axis=0) >= KINDS.index("crack")
    odds = np.maximum(odds, np.where(thin, read.of(reading.feature, places), NETWORK_LIMITS[0]))
    light = [read.of(reading.light, places + sign * away * across) for away in BESIDE_MM for sign in (-1, 1)]
    dark = np.median(light, axis=0) - read.of(reading.light, places)
    metal = (read.of(reading.metal, places) > 0.5) & known[:, None]
    if not metal.any():
        return np.full(places.shape[:2], OFF)
    dark = dark - np.median(dark[metal])
    scatter = 1.4826 * float(np.median(np.abs(dark[metal]))) + 0.01
    told = np.clip(odds, *NETWORK_LIMITS) + np.clip(dark / scatter - DARK, *DARK_LIMITS)
    air = (read.of(reading.metal, places) <= 0.5) & known[:, None]
    return np.where(metal, told, np.where(air, OPEN, OFF))


def _path(worth: np.ndarray) -> tuple[float, list[tuple[int, int]], float]:
    """Sum in mm of the best way up a field (A, H), the way as (column, row), and how unsure its last row is, in rows."""
    width, height = worth.shape
    total = np.zeros((width, height))
    came = np.full((width, height), -2)  # -2: it begins here
    for row in range(height):
        fresh = 0.0 if row * STEP_MM <= CLOSED_MM else -np.inf
        before = np.full(width, -np.inf)
        if row:
            padded = np.pad(total[:, row - 1], 1, constant_values=-np.inf)
            choices = np.stack([padded[:-2] - SIDEWAYS, padded[1:-1], padded[2:] - SIDEWAYS])
            pick = np.argmax(choices, axis=0)
            before = choices[pick, np.arange(width)]
            came[:, row] = np.where(before > fresh, pick - 1, -2)
        total[:, row] = np.maximum(before, fresh) + worth[:, row]
        total[total[:, row] < -DIP, row] = -np.inf
    column, row = (int(v) for v in np.unravel_index(int(np.argmax(total)), total.shape))
    best, last = float(total[column, row]) * STEP_MM, row
    ends = total.max(axis=0)
    chance = np.exp(np.clip((ends - ends.max()) * STEP_MM / ALIKE_MM, -50, 0))
    u_rows = float(np.sqrt(np.sum(chance * (np.arange(height) - last) ** 2) / np.sum(chance)))
    way = [(column, row)]
    while came[column, row] != -2:
        column, row = column + int(came[column, row]), row - 1
        way.append((column, row))
    return best, way[::-1], u_rows
