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
from specimeter.segment.section_reading import KINDS, TISSUES

WELD = TISSUES.index("weld")
STEP_MM = 0.1  # of the grid that is searched: across the weld, and up from the root side
BESIDE_MM = (0.3, 0.4, 0.5)  # on either side: where the light is taken that a line is darker than
MIDDLE, LEAST_MIDDLE_MM = 0.6, 2.0  # share of the face's half width, about its middle, in which a root lies; and mm, at least
HIGHEST = 0.85  # share of the thickness
CLOSED_MM = 0.7  # from the root side: where a line may begin that is closed, or does not show, at its mouth
LEANS = np.linspace(-0.15, 0.15, 13)  # steps aside each step up: root faces are straight and cut square, plates turn a little
NETWORK_LIMITS, LEAST_CHANCE = (-3.0, 4.0), 1e-3  # log-odds of a gap, or a line, that count; a chance that is none
DARK, DARK_LIMITS = 2.0, (-2.0, 16.0)  # robust scatters of darkness that speak for nothing, and what counts of it
MOST = 4.0  # of either that counts for there being a line; for where it ends, all
LEAST_SCATTER = 0.005  # in log light: of a face without any grain
ALONG = 3  # steps up, over which darkness is averaged
OFF, OPEN = -4.0, 2.0  # beyond the metal, and between the plates where the outline follows the gap between them in
NOTCH_MM = 0.7  # such a gap is no wider
PLATES_MM = (2.0, 12.0)  # beyond the face's toes: plates in which no root is, where the same search shows what chance makes
LEAST, LEAST_OVER = 2.4, 1.5  # of a path's sum, in mm, for a line to be one; and of that in the plates
ASIDE_MM = (0.4, 1.2)  # from a line's mouth: where the plates' root sides are taken
LEAST_BEAD_MM = 0.3  # weld metal that stands out on the root side by more shows that the weld goes through: no line is a root's
LEAST_ROOT_MM = 3.0  # so wide apart are toes on the root side only of weld metal: a step between plates is narrower
LEAST_MM = 0.6  # of a line, to be seen as one
WELD_MM, ONE_SIDED = 0.6, 0.45  # beside a line; by how much more weld metal is seen on one side of it than on the other
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

    What speaks for a line: the network's gaps and thin imperfections, or that the light is darker than on either side, since a
    gap too thin for the network shows in the light alone. The line of greatest sum is taken, straight and about square to the
    plates, as root faces are cut; grinding marks run through the plates as well, and are no root. Nor is a line under weld
    metal on the root side, which stands out or is wide: that is a crack, or unfused otherwise. Nor is one with weld metal on
    one side alone: that is the fusion line.

    Parameters
    ----------
    read : Read
        Of the metal within the outline.
    outline : array, shape (N, 2)
        The metal's, in mm.
    """
    below = joint.bottom
    if below is not None and (below.bead_mm > LEAST_BEAD_MM or below.width_mm > LEAST_ROOT_MM):
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
    near = np.abs(across) < max(MIDDLE * half, LEAST_MIDDLE_MM)
    worth, inner = _evidence(read, places, joint.across, known, near), np.flatnonzero(near)
    best, line, u_rows = _line(worth[inner])
    plates = [np.flatnonzero((sign * across > half + PLATES_MM[0]) & known) for sign in (-1, 1)]
    chance = max((_line(worth[plate])[0] for plate in plates if len(plate) > 2 / STEP_MM), default=0.0)
    if best < max(LEAST, LEAST_OVER * chance):
        return None
    first = inner[line[0][0]]
    course = np.array([*(places[first, row] for row in range(line[0][1])), *(places[inner[k], row] for k, row in line)])
    course = course[(middle - course) @ up <= _mouth(depth, first) + STEP_MM / 2]
    if not LEAST_MM <= len(course) * STEP_MM <= HIGHEST * float(np.nanmedian(depth)):
        return None
    if _ends_weld(read, course, joint.across):
        return None
    cell_mm = float(read.surface.mm_per_px_at(read.surface.project(course[-1:])[0])) / read.reading.zoom
    straight = np.linspace(course[0], course[-1], len(course))
    return Unfused(path=straight, u_tip_mm=float(np.hypot(np.hypot(U_TIP_MM, cell_mm), u_rows * STEP_MM)), worth=best)


def _ends_weld(read: Read, course: np.ndarray, across: np.ndarray) -> bool:
    """Whether the etching shows weld metal on one side of a line in the metal, (N, 2), and none on the other."""
    weld, seen = read.reading.tissue[WELD], read.reading.seen
    one, two = (float(read.of(weld, course + sign * WELD_MM * across).mean()) for sign in (-1, 1))
    return float(read.of(seen, course).mean()) > 0.5 and abs(one - two) > ONE_SIDED


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


def _evidence(read: Read, places: np.ndarray, across: np.ndarray, known: np.ndarray, near: np.ndarray) -> np.ndarray:
    """What speaks for a line at each place, (A, H): log-odds of the network, or how dark it is in robust scatters, those of
    the weld's own middle there (`near`, (A,)): weld metal may be coarser than its plates."""
    reading = read.reading
    gap = read.of(reading.tissue[GAP], places)
    odds = np.log((gap + LEAST_CHANCE) / (1 - gap + LEAST_CHANCE))
    kinds = np.stack([read.of(kind, places) for kind in reading.kind])
    thin = np.argmax(kinds, axis=0) >= KINDS.index("crack")
    odds = np.maximum(odds, np.where(thin, read.of(reading.feature, places), NETWORK_LIMITS[0]))
    sides = [
        np.median([read.of(reading.light, places + sign * away * across) for away in BESIDE_MM], axis=0) for sign in (-1, 1)
    ]
    dark = scipy.ndimage.uniform_filter1d(np.minimum(*sides) - read.of(reading.light, places), ALONG, axis=1)
    metal = (read.of(reading.metal, places) > 0.5) & known[:, None]
    if not metal.any():
        return np.full(places.shape[:2], OFF)
    for zone in (near, ~near):
        if (own := metal & zone[:, None]).any():
            level = np.median(dark[own])
            dark[zone] = (dark[zone] - level) / (1.4826 * float(np.median(np.abs(dark[own] - level))) + LEAST_SCATTER)
    told = np.maximum(np.clip(odds, *NETWORK_LIMITS), np.clip(dark - DARK, *DARK_LIMITS))
    air = (read.of(reading.metal, places) <= 0.5) & known[:, None]
    return np.where(metal, told, np.where(air, OPEN, OFF))


def _line(worth: np.ndarray) -> tuple[float, list[tuple[int, int]], float]:
    """Sum in mm of the best line up a field (A, H), the line as (column, row), and how unsure its last row is, in rows."""
    width, height = worth.shape
    rows = np.arange(height)
    columns = np.arange(width)[:, None, None] + np.rint(LEANS[:, None] * rows).astype(int)  # (A, leans, H)
    taken = np.where((columns >= 0) & (columns < width), worth[np.clip(columns, 0, width - 1), rows], OFF)
    sums = np.concatenate([np.zeros((*taken.shape[:2], 1)), np.cumsum(np.minimum(taken, MOST), axis=2)], axis=2)
    firsts = range(min(round(CLOSED_MM / STEP_MM) + 1, height))

    def onward(row: int) -> np.ndarray:  # sums from a row in which the line shows
        return np.where(taken[:, :, row, None] > 0, sums[:, :, row + 1 :] - sums[:, :, row, None], -np.inf)

    first = max(firsts, key=lambda row: float(onward(row).max()))
    total = onward(first)
    if not np.isfinite(total.max()):
        return 0.0, [], 0.0
    column, lean, last = (int(v) for v in np.unravel_index(int(np.argmax(total)), total.shape))
    own = taken[column, lean, first:]
    ends = np.cumsum(own - np.median(own[: last + 1]) / 2)  # as a step is placed by least squares
    end = int(np.argmax(ends))
    chance = np.exp(np.clip((ends - ends[end]) * STEP_MM / ALIKE_MM, -50, 0))
    u_rows = float(np.sqrt(np.sum(chance * (np.arange(len(ends)) - end) ** 2) / np.sum(chance)))
    line = [(int(np.clip(columns[column, lean, row], 0, width - 1)), int(row)) for row in rows[first : first + end + 1]]
    return float(total[column, lean, last]) * STEP_MM, line, u_rows
