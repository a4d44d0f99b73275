"""Weld metal, fusion line and heat-affected zone on an etched cut, from what a network reads there."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from specimeter.scale.surface import Surface
from specimeter.segment.joint import Butt, Fillet, find_butt, find_fillet
from specimeter.segment.model import ExaminedArea
from specimeter.segment.plates import resampled
from specimeter.segment.polylines import corner, crossings
from specimeter.segment.section_reading import TISSUES, Reading
from specimeter.sheet import Sheet

STEP_MM = 0.05  # along the rays
LIMIT = 4.0  # log-odds beyond which a cell convinces no more
BAND_MM = (0.15, 0.7)  # on either side of the line: where weld and plate are compared
SHOWN = 0.5  # chance that the etching shows a place, from which it counts as shown
LEAST_SHOWN = {True: 0.3, False: 0.5}  # of the metal about the weld, where the sheet names an etchant or not
LEAST_SHARE = 0.8  # of the line that is clear
CLEAR = 2.5  # log-odds by which its two sides differ where it is
U_LINE_MM = 0.07  # of the line's place at the best (judgement, held against scenes)
EXPECTED = 0.35  # how strongly the line is held to where such welds are mostly fused (judgement)
BENT = 0.08  # price of the line's bends
REACH = 1.1  # of the weld's own size: as far as the line may lie
HAZ_MM = 6.0  # as wide as a heat-affected zone may be
PARTS, LEAST_PARTS, SAME = 3, 3, 0.2  # of the line, whose zones are measured apart; as many must be alike, to such a share
NO_JOINT = "no weld was found between two plate surfaces in the outline"
NO_ETCHANT = "the sheet names no etchant, and weld metal shows on an etched cut only"
UNETCHED = "weld metal does not stand out from the plates in tone or texture: the cut is not etched, or too weakly"
UNCLEAR = "the fusion line is seen along a part of its course only"
PLATE, HAZ, WELD, GAP = (TISSUES.index(name) for name in ("plate", "haz", "weld", "gap"))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeldMetal:
    """Weld metal in pixels of the photograph.

    Parameters
    ----------
    outline_px : array, shape (N, 2)
        Closed polygon: the weld's face and its fusion line.
    haz_px, u_haz_px : float or None, float
        Greatest width of the heat-affected zone square to the fusion line, and its standard uncertainty.
    line_px, clear : array (M, 2), bool array (M,)
        Points of the fusion line, and whether weld and plate clearly differ there.
    u_line_mm, line_mm : float
        Standard uncertainty of the fusion line's place, and its length.
    share : float
        Along which share of the line they do.
    """

    outline_px: np.ndarray
    haz_px: float | None
    u_haz_px: float
    line_px: np.ndarray
    clear: np.ndarray
    u_line_mm: float
    line_mm: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rays:
    """Lines from within the weld across its fusion line: origins, unit directions (N, 2), how far, the line's first guess.

    `fixed`: where the line's place is known at its ends (NaN: it is not). `widens`: rays spread from one point.
    """

    origins: np.ndarray
    ways: np.ndarray
    most: float
    guess: np.ndarray
    fixed: tuple[float, float]
    widens: bool

    def at(self, reach: np.ndarray) -> np.ndarray:
        """Places in mm at distances along the rays: (N,) gives (N, 2), (N, R) gives (N, R, 2)."""
        if reach.ndim == 1:
            return self.origins + reach[:, None] * self.ways
        return self.origins[:, None] + reach[..., None] * self.ways[:, None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Read:
    """A reading with the surface it lies on: chances by place in mm."""

    reading: Reading
    surface: Surface

    def of(self, field: np.ndarray, places_mm: np.ndarray) -> np.ndarray:
        """Values of one of the reading's maps at places (..., 2)."""
        flat = np.asarray(places_mm, float).reshape(-1, 2)
        return self.reading.at(field, self.surface.project(flat)).reshape(np.shape(places_mm)[:-1])

    def odds(self, one: int, *others: int) -> np.ndarray:
        """Map of the log-odds of one tissue against others."""
        tissue = self.reading.tissue
        against = sum(tissue[k] for k in others)
        return np.clip(np.log((tissue[one] + 1e-4) / (against + 1e-4)), -LIMIT, LIMIT)


def look_for(reading: Reading, sheet: Sheet, surface: Surface, area: ExaminedArea) -> WeldMetal | str:
    """The weld metal of the joint that the area's outline shows, or in words why it is not had; `reading` of the area.

    A sheet that tells how the section was prepared and names no etchant says that it was not etched.
    """
    test, prepared = sheet.specimen.test, sheet.section
    if prepared is not None and prepared.etchant is None:
        return NO_ETCHANT
    px_mm = float(surface.mm_per_px_at(area.outline_px.mean(axis=0)))
    outline = resampled(surface.develop(area.outline_px), 0.7 * px_mm)
    joint = (find_fillet if test == "macro-fillet" else find_butt)(outline)
    if joint is None:
        return NO_JOINT
    read = Read(reading=reading, surface=surface)
    bundles = _fan(joint) if isinstance(joint, Fillet) else _rows(joint, outline)
    radii = [_line(read, rays) for rays in bundles]
    lines = [rays.at(radius) for rays, radius in zip(bundles, radii, strict=True)]
    within = np.concatenate([rays.at(np.linspace(0.2, 1.3, 12)[None] * radius[:, None]).reshape(-1, 2)
                             for rays, radius in zip(bundles, radii, strict=True)])  # fmt: skip
    shown = float(np.mean(read.of(read.reading.seen, within) > SHOWN))
    if shown < LEAST_SHOWN[prepared is not None]:
        return UNETCHED
    clear, width = zip(*(_clear(read, rays, radius) for rays, radius in zip(bundles, radii, strict=True)), strict=True)
    clear, width = np.concatenate(clear), np.concatenate(width)
    share = float(clear.mean())
    if share < LEAST_SHARE:
        return UNCLEAR
    haz, u_haz = _haz(read, bundles, radii)
    soft = float(np.median(width[clear])) if clear.any() else 0.5
    return WeldMetal(
        outline_px=surface.project(_ring(joint, lines)),
        haz_px=None if haz is None else haz / px_mm,
        u_haz_px=u_haz / px_mm,
        line_px=surface.project(np.concatenate(lines)),
        clear=clear,
        u_line_mm=float(np.hypot(U_LINE_MM, 0.35 * soft) + 0.8 * (1 - share)),
        line_mm=float(sum(np.sum(np.hypot(*np.diff(line, axis=0).T)) for line in lines)),
        share=share,
    )


def _fan(joint: Fillet) -> list[Rays]:
    """Rays from behind the middle of a fillet's face, from one toe through the metal to the other."""
    one, two = (toe.point for toe in joint.face.toes)
    root = corner(joint.face.toes[0].plate, joint.face.toes[1].plate)
    chord = float(np.hypot(*(two - one)))
    pole = (one + two) / 2 + 0.25 * (root - (one + two) / 2)
    start, end, middle = (np.arctan2(*(point - pole)[::-1]) for point in (one, two, root))
    to_middle = (middle - start + np.pi) % (2 * np.pi) - np.pi
    on = (end - middle + np.pi) % (2 * np.pi) - np.pi
    angle = start + np.concatenate([np.linspace(0, to_middle, 60), to_middle + np.linspace(0, on, 60)[1:]])
    ways = np.column_stack([np.cos(angle), np.sin(angle)])
    inner = np.array([one, root, two])
    guess = np.array([_reach(inner, pole, way) for way in ways])
    ends = float(np.hypot(*(one - pole))), float(np.hypot(*(two - pole)))
    size = REACH * chord
    return [
        Rays(
            origins=np.repeat(pole[None], len(ways), axis=0),
            ways=ways,
            most=size,
            guess=np.minimum(1.12 * guess, 0.9 * size),
            fixed=ends,
            widens=True,
        )
    ]


def _reach(path: np.ndarray, pole: np.ndarray, way: np.ndarray) -> float:
    """How far a ray goes from the pole to an open path."""
    best = 0.0
    for start, end in pairwise(path):
        sides = np.column_stack([way, start - end])
        if abs(np.linalg.det(sides)) > 1e-9:
            along, share = np.linalg.solve(sides, start - pole)
            if -1e-6 <= share <= 1 + 1e-6 and along > 0:
                best = max(best, float(along))
    return best or float(np.min(np.hypot(*(path - pole).T)))


def _rows(joint: Butt, outline: np.ndarray) -> list[Rays]:
    """Rows from the weld's middle line to both sides, from the face side's plate surfaces down to the root side's."""
    top = sorted((toe.point for toe in joint.top.toes), key=lambda point: float(point @ joint.across))
    up = joint.top.toes[0].plate.normal + joint.top.toes[1].plate.normal
    up = up / np.hypot(*up)
    middle = (top[0] + top[1]) / 2
    width = float(np.hypot(*(top[1] - top[0])))
    if joint.bottom is not None:
        foot = sorted((toe.point for toe in joint.bottom.toes), key=lambda point: float(point @ joint.across))
        below = (foot[0] + foot[1]) / 2
    else:
        through = crossings(outline, middle - 0.3 * up, -up)
        below = middle - (0.3 + (float(through[through > 1.0].min()) if (through > 1.0).any() else 5.0)) * up
        foot = None
    count = 70
    spine = middle + np.linspace(0, 1, count)[:, None] * (below - middle)
    bundles = []
    for side, sign in ((0, -1.0), (1, 1.0)):
        first = abs(float((top[side] - middle) @ joint.across))
        last = abs(float((foot[side] - below) @ joint.across)) if foot is not None else np.nan
        guess = np.linspace(first, last if foot is not None else 0.25 * first, count)
        bundles.append(
            Rays(
                origins=spine,
                ways=np.repeat(sign * joint.across[None], count, axis=0),
                most=0.75 * width + 1.0,
                guess=guess,
                fixed=(first, last),
                widens=False,
            )
        )
    return bundles


def _line(read: Read, rays: Rays) -> np.ndarray:
    """Distance of the fusion line along each ray: most weld within, least beyond, smooth; as such welds end if none shows."""
    reach = np.arange(0.0, rays.most, STEP_MM)
    places = rays.at(np.repeat(reach[None], len(rays.origins), axis=0))
    value = read.of(read.odds(WELD, PLATE, HAZ, GAP), places) * np.clip(read.of(read.reading.seen, places) * 1.5, 0.05, 1.0)
    value = np.where(read.of(read.reading.tissue[0], places) > 0.5, -1.0, value)
    share = reach[None] / max(rays.guess.mean(), 0.5) if rays.widens else np.ones((1, len(reach)))
    worth = np.cumsum(value * share, axis=1) * STEP_MM
    worth = worth - EXPECTED * ((reach[None] - rays.guess[:, None]) / (0.3 * rays.guess[:, None] + 0.5)) ** 2
    for end, known in ((0, rays.fixed[0]), (-1, rays.fixed[1])):
        if np.isfinite(known):
            worth[end] = -50 * np.abs(reach - known)
    at = _smooth_path(worth.astype(np.float32), BENT / STEP_MM)
    return _between_steps(worth, at, reach)


def _between_steps(worth: np.ndarray, at: np.ndarray, reach: np.ndarray) -> np.ndarray:
    """Distances refined by a parabola through the best step and its neighbours."""
    rows, inner = np.arange(len(at)), np.clip(at, 1, len(reach) - 2)
    before, here, after = (worth[rows, inner + k] for k in (-1, 0, 1))
    bend = before - 2 * here + after
    shift = np.where(bend < -1e-6, 0.5 * (before - after) / np.where(bend < -1e-6, bend, -1.0), 0.0)
    return reach[at] + np.where(at == inner, np.clip(shift, -0.5, 0.5), 0.0) * STEP_MM


def _smooth_path(worth: np.ndarray, price: float) -> np.ndarray:
    """Index along each ray, of the path with most worth less the price of each step sideways."""
    count, width = worth.shape
    steps = np.arange(-6, 7)
    best, came = worth[0].copy(), np.zeros((count, width), int)
    for k in range(1, count):
        choices = np.full((len(steps), width), -np.inf, np.float32)
        for n, shift in enumerate(steps):
            low, high = max(0, -shift), width - max(0, shift)
            choices[n, low:high] = best[low + shift : high + shift] - price * 0.05 * shift * shift
        pick = np.argmax(choices, axis=0)
        came[k] = steps[pick]
        best = choices[pick, np.arange(width)] + worth[k]
    path = np.empty(count, int)
    path[-1] = int(np.argmax(best))
    for k in range(count - 1, 0, -1):
        path[k - 1] = path[k] + came[k, path[k]]
    return path


def _clear(read: Read, rays: Rays, radius: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Whether weld and plate clearly differ across the line at each ray, bool (N,), and how soft the border is, mm (N,)."""
    odds = read.odds(WELD, PLATE, HAZ, GAP)
    offsets = np.arange(-BAND_MM[1], BAND_MM[1] + 0.01, STEP_MM)
    places = rays.at(radius[:, None] + offsets[None])
    level, shown = read.of(odds, places), read.of(read.reading.seen, places)
    inside, outside = (level[:, (way * offsets >= BAND_MM[0])].mean(axis=1) for way in (-1, 1))
    clear = (inside - outside > CLEAR) & (shown.mean(axis=1) > SHOWN)
    soft = np.sum(np.abs(level) < 1.5, axis=1) * STEP_MM
    return clear, soft


def _ring(joint: Fillet | Butt, lines: list[np.ndarray]) -> np.ndarray:
    """The weld metal's outline in mm: face, fusion line and, where there is one, the root's face."""
    if isinstance(joint, Fillet):
        return np.concatenate([joint.face.points, lines[0][::-1][1:-1]])
    left, right = lines
    top = joint.top.points
    if (top[0] - top[-1]) @ joint.across > 0:
        top = top[::-1]
    parts = [top, right[1:]]
    if joint.bottom is not None:
        below = joint.bottom.points
        parts.append((below if (below[0] - below[-1]) @ joint.across > 0 else below[::-1])[1:-1])
    return np.concatenate([*parts, left[::-1][:-1]])


def _haz(read: Read, bundles: list[Rays], radii: list[np.ndarray]) -> tuple[float | None, float]:
    """Greatest width of the heat-affected zone beside the weld metal, in mm, and its u; None: its border does not show.

    From the light along the fusion line's normals, all together and by parts: the width with which a tone that changes evenly
    from the line to the border, and steps there, leaves least.
    """
    offsets = np.arange(0.15, HAZ_MM, STEP_MM)
    rows = []
    for rays, radius in zip(bundles, radii, strict=True):
        line = rays.at(radius)
        way = np.gradient(line, axis=0)
        way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
        normal = np.column_stack([-way[:, 1], way[:, 0]])
        normal *= np.sign(np.sum(normal * rays.ways, axis=1))[:, None]
        places = line[:, None] + offsets[None, :, None] * normal[:, None]
        inside = (read.of(read.reading.metal, places) > 0.5) & (read.of(read.reading.tissue[GAP], places) < 0.5)
        known = np.cumprod(inside & (read.of(read.reading.seen, places) > SHOWN), axis=1) > 0  # as far as the metal goes on
        rows.append(np.where(known, read.of(read.reading.light, places), np.nan)[4:-4])
    light = np.concatenate(rows)
    whole = _border_of(light, offsets)
    parts = [_border_of(part, offsets) for part in np.array_split(light, PARTS)]
    near = [width for width in parts if width is not None and whole is not None and abs(width - whole) < SAME * whole]
    if len(near) < LEAST_PARTS:
        return None, 0.0
    return max(near), float(np.hypot(0.1, np.ptp(near) / 2))


def _border_of(light: np.ndarray, offsets: np.ndarray) -> float | None:
    """Where a zone's tone ends, in mm, from rows of log light along the normals (NaN: not metal); None if nowhere clearly."""
    enough = np.isfinite(light).mean(axis=0) > 0.5
    count = int(np.argmin(enough)) if not enough.all() else len(offsets)
    if count < 30:
        return None
    tone, at = np.nanmedian(light[:, :count], axis=0), offsets[:count]
    noise = float(np.median(np.abs(np.diff(tone)))) + 1e-3
    ones = np.ones(count)

    def left(*columns: np.ndarray) -> float:
        design = np.column_stack([ones, *columns])
        return float(np.sum((tone - design @ np.linalg.lstsq(design, tone, rcond=None)[0]) ** 2))

    tried = np.arange(0.4, at[-1] - 0.5, STEP_MM)
    if not len(tried):
        return None
    costs = [left(np.clip(1 - at / width, 0, None), (at < width).astype(float)) for width in tried]
    best = int(np.argmin(costs))
    step = float(
        np.median(tone[(at > tried[best] - 0.35) & (at < tried[best])])
        - np.median(tone[(at > tried[best]) & (at < tried[best] + 0.35)])
    )
    plain = left(at)  # light that merely falls off explains as much
    if abs(step) < 4 * noise or costs[best] > 0.5 * plain:
        return None
    return float(tried[best])
