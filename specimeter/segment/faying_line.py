"""Where plates lie on each other unfused: the gap tells which plate of a fillet runs through, and how far a weld reaches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from specimeter.segment.fusion_line import GAP, Read
from specimeter.segment.joint import Fillet
from specimeter.segment.polylines import corner

STEP_MM = 0.05
ACROSS_MM = np.linspace(-0.35, 0.35, 15)  # of the plate's line: a gap lies so near to it
FARTHEST_MM = 30.0
LEAST_MM = 1.2  # of gap that must show for it to be one
CLOSED_MM = 0.5  # a gap goes on past a piece of this length that does not show
CLEARER = 2.0  # times as long on one plate's line as on the other's, for it to tell which plate runs through
GAP_CHANCE = 0.5
BESIDE_MM = np.linspace(-0.5, 0.5, 21)  # across a gap: where its darkness is taken
ON_MM, OFF_MM = 0.06, 0.25  # of its middle that is dark, and from where on it is plate
LEAST_DARK = 0.04  # logarithm of light by which a gap is darker than the plates beside it
NEAR_TIP_MM = 3.0  # of a gap that surely shows, from which its darkness is taken
ALIKE_MM = 0.3  # along it, over which one darkness tells nothing new
U_TIP_MM = 0.15  # standard uncertainty of the gap's end as the network sees it, at the best (from scenes)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Faying:
    """The gap between two plates: `through`, the index of the toe on the plate along whose surface a fillet's runs.

    `tip` (2,) is where it ends towards the weld, in mm (None: told otherwise), `u_mm` the tip's standard uncertainty,
    `length_mm` how far it shows.
    """

    through: int
    tip: np.ndarray | None
    u_mm: float
    length_mm: float


def find_gap(read: Read, joint: Fillet) -> Faying | None:
    """The gap along one of the two plates' surfaces, beyond the corner; None if none shows, or not along one of them alone."""
    toes = joint.face.toes
    root = corner(toes[0].plate, toes[1].plate)
    if root is None:
        return None
    reach = np.arange(0.0, FARTHEST_MM, STEP_MM)
    runs = []
    for toe in toes:
        way = np.sign((root - toe.point) @ toe.plate.direction) * toe.plate.direction
        line = root + reach[:, None] * way
        places = line[:, None] + ACROSS_MM[None, :, None] * toe.plate.normal
        metal = read.of(read.reading.metal, line) > 0.5
        ends = int(np.argmin(metal)) if not metal.all() else len(metal)
        runs.append(_longest(read.of(read.reading.tissue[GAP], places[:ends]).max(axis=1, initial=0.0) > GAP_CHANCE))
    lengths = [(last - first) * STEP_MM for first, last in runs]
    through = int(np.argmax(lengths))
    if lengths[through] < LEAST_MM or lengths[through] < CLEARER * lengths[1 - through]:
        return None
    toe = toes[through]
    way = np.sign((root - toe.point) @ toe.plate.direction) * toe.plate.direction
    ended = _tip(read, root + reach[: runs[through][1], None] * way, toe.plate.normal, runs[through][0])
    if ended is None:
        return None
    first, u_step = ended
    cell_mm = float(read.surface.mm_per_px_at(read.surface.project(root[None])[0])) / read.reading.zoom
    return Faying(
        through=through,
        tip=root + reach[first] * way,
        u_mm=float(np.hypot(np.hypot(U_TIP_MM, 0.7 * cell_mm), u_step)),
        length_mm=lengths[through],
    )


def _tip(read: Read, line: np.ndarray, normal: np.ndarray, surely: int) -> tuple[int, float] | None:
    """Where along a line a gap that surely shows from an index on begins to be darker than its sides; None: nowhere.

    A thin gap shows fainter than the network calls one; its darkness against its two sides steps where it begins: the step's
    place by least squares (an index), with its standard uncertainty in mm from how little worse other places explain it.
    """
    chance = read.of(read.reading.tissue[GAP], line[surely:, None] + ACROSS_MM[None, :, None] * normal).mean(axis=0)
    middle = line + ACROSS_MM[int(np.argmax(chance))] * normal
    light = read.of(read.reading.light, middle[:, None] + BESIDE_MM[None, :, None] * normal)
    on, off = np.abs(BESIDE_MM) <= ON_MM, np.abs(BESIDE_MM) >= OFF_MM
    dark = np.median(light[:, off], axis=1) - light[:, on].mean(axis=1)
    deep = float(np.median(dark[surely : surely + round(NEAR_TIP_MM / STEP_MM)]))
    noise = float(np.std(dark[surely:])) / np.sqrt(max(len(dark) - surely, 1) * STEP_MM / ALIKE_MM) + 1e-3
    if deep < max(LEAST_DARK, 3 * noise):
        return None
    levelled = np.clip(dark, -deep, 2 * deep)
    before, after = np.cumsum(levelled**2), np.cumsum((levelled[::-1] - deep) ** 2)[::-1]
    cost = np.concatenate([[0.0], before[:surely]]) + after[: surely + 1]
    scatter = float(cost.min()) / len(levelled) + 1e-6
    chance = np.exp(-0.5 * (cost - cost.min()) / scatter * STEP_MM / ALIKE_MM)
    first, places = int(np.argmin(cost)), np.arange(len(cost))
    return first, STEP_MM * float(np.sqrt(np.sum(chance * (places - first) ** 2) / np.sum(chance)))


def _longest(shows: np.ndarray) -> tuple[int, int]:
    """First index and the one past the last of the longest stretch that shows, short breaks in it bridged."""
    best, start, seen = (0, 0), None, 0
    for k, one in enumerate(shows):
        if one:
            start = k if start is None else start
            seen = k
        elif start is not None and (k - seen) * STEP_MM > CLOSED_MM:
            best, start = max(best, (start, seen + 1), key=lambda run: run[1] - run[0]), None
    if start is not None:
        best = max(best, (start, seen + 1), key=lambda run: run[1] - run[0])
    return best
