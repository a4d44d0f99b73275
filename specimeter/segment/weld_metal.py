"""Weld metal, fusion line and heat-affected zone on an etched cut, by texture and tone; nothing where they are not seen."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from specimeter.photo import Photo
from specimeter.scale.surface import Surface
from specimeter.segment.joint import Butt, Fillet, find_butt, find_fillet
from specimeter.segment.model import ExaminedArea
from specimeter.segment.plates import resampled
from specimeter.segment.polylines import corner, crossings
from specimeter.segment.section_chart import Chart, chart_of
from specimeter.sheet import Sheet

ROUNDS = 4  # of placing the line and learning the looks from it
SOFT_MM = 0.35  # a line's direct surroundings, on either side, whose looks are compared
BANDS_MM = (0.15, 1.1)
LEAST_SEEN = {True: 2.2, False: 3.2}  # scatters by which weld and plate must differ, where the sheet names an etchant or not
U_LINE_MM = (
    0.08,
    0.5,
)  # of the line's place: at the best, and over how many scatters are seen (judgement, held against scenes)
LEAST_SHARE = 0.62  # of the line along which they must
HOLLOW = 1.2  # odds against weld metal in what is hollow: plates that are not fused gape, and pores are small
EXPECTED = 0.35  # how strongly the line is held to where such welds are mostly fused (judgement)
BENT = 0.08  # price of the line's bends
REACH = 1.1  # of the weld's own size: as far as the line may lie
NO_JOINT = "no weld was found between two plate surfaces in the outline"
NO_ETCHANT = "the sheet names no etchant, and weld metal shows on an etched cut only"
UNETCHED = "weld metal does not stand out from the plates in tone or texture: the cut is not etched, or too weakly"
UNCLEAR = "the fusion line is seen along a part of its course only"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeldMetal:
    """Weld metal in pixels of the photograph.

    Parameters
    ----------
    outline_px : array, shape (N, 2)
        Closed polygon: the weld's face and its fusion line.
    haz_px, u_haz_px : float or None, float
        Greatest width of the heat-affected zone square to the fusion line, and its standard uncertainty.
    u_line_mm, line_mm : float
        Standard uncertainty of the fusion line's place, and its length.
    seen, share : float
        By how many scatters weld metal and plate beside the line differ (median), and along which share of the line they do.
    """

    outline_px: np.ndarray
    haz_px: float | None
    u_haz_px: float
    u_line_mm: float
    line_mm: float
    seen: float
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


def look_for(photo: Photo, sheet: Sheet, surface: Surface, area: ExaminedArea) -> WeldMetal | str:
    """The weld metal of the joint that the area's outline shows, or in words why it is not had.

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
    chart = chart_of(photo, surface, area)
    if chart is None:
        return UNETCHED
    bundles = _fan(joint) if isinstance(joint, Fillet) else _rows(joint, outline)
    radii = [rays.guess for rays in bundles]
    for _ in range(ROUNDS):
        odds = _odds(chart, bundles, radii)
        radii = [_line(chart, odds, rays) for rays in bundles]
    lines = [rays.origins + radius[:, None] * rays.ways for rays, radius in zip(bundles, radii, strict=True)]
    seen, share = _contrast(chart, bundles, radii)
    if seen < LEAST_SEEN[prepared is not None]:
        return UNETCHED
    if share < LEAST_SHARE:
        return UNCLEAR
    ring = _ring(joint, lines)
    haz, u_haz = _haz(chart, bundles, radii)
    outline_px = surface.project(ring)
    return WeldMetal(
        outline_px=outline_px,
        haz_px=None if haz is None else haz / px_mm,
        u_haz_px=u_haz / px_mm,
        u_line_mm=float(np.hypot(U_LINE_MM[0], U_LINE_MM[1] / seen) + 0.3 * (1 - share)),
        line_mm=float(sum(np.sum(np.hypot(*np.diff(line, axis=0).T)) for line in lines)),
        seen=seen,
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


def _grid(rays: Rays, chart: Chart) -> tuple[np.ndarray, np.ndarray]:
    """Distances along the rays, shape (R,), and the places there in mm, shape (N, R, 2)."""
    reach = np.arange(0.0, rays.most, max(chart.mm, 0.05))
    return reach, rays.origins[:, None] + reach[None, :, None] * rays.ways[:, None]


def _odds(chart: Chart, bundles: list[Rays], radii: list[np.ndarray]) -> tuple[np.ndarray, float]:
    """Weights of the looks and an offset: log-odds of weld against plate by Fisher's discriminant."""
    one, two = [], []
    for rays, radius in zip(bundles, radii, strict=True):
        reach, places = _grid(rays, chart)
        looks, metal = chart.at(places)
        gap = reach[None] - radius[:, None]
        one.append(looks[metal & (gap < -0.12)])
        two.append(looks[metal & (gap > 0.12) & (gap < 0.55 * rays.most)])
    one, two = np.concatenate(one), np.concatenate(two)
    if len(one) < 30 or len(two) < 30:
        return np.zeros(chart.looks.shape[2]), 0.0
    pooled = 0.5 * (np.cov(one.T) + np.cov(two.T)) + 0.05 * np.eye(one.shape[1])
    weight = np.linalg.solve(pooled, one.mean(axis=0) - two.mean(axis=0))
    return weight, float(weight @ (one.mean(axis=0) + two.mean(axis=0)) / 2)


def _line(chart: Chart, odds: tuple[np.ndarray, float], rays: Rays) -> np.ndarray:
    """Distance of the fusion line along each ray: most weld within, most plate beyond, a clear edge there, smooth."""
    reach, places = _grid(rays, chart)
    looks, metal = chart.at(places)
    step = reach[1] - reach[0]
    value = np.where(metal, np.clip(looks @ odds[0] - odds[1], -3, 3), 0.0)
    value = np.where(chart.hollow_at(places), -HOLLOW, value)
    share = reach[None] / max(rays.guess.mean(), 0.5) if rays.widens else np.ones((1, len(reach)))
    inside = np.cumsum(value * share, axis=1) * step
    edge = chart.edge_at(places) * metal
    worth = inside + 0.22 * np.minimum(edge, 4.0)
    worth = worth - EXPECTED * ((reach[None] - rays.guess[:, None]) / (0.3 * rays.guess[:, None] + 0.5)) ** 2
    for end, known in ((0, rays.fixed[0]), (-1, rays.fixed[1])):
        if np.isfinite(known):
            worth[end] = -50 * np.abs(reach - known)
    return reach[_smooth_path(worth.astype(np.float32), BENT / step)]


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


def _contrast(chart: Chart, bundles: list[Rays], radii: list[np.ndarray]) -> tuple[float, float]:
    """By how many scatters the looks within and beyond the line differ, one look taken, and the share of the line that agrees.

    The scatter is that of the same comparison made on lines of the same form moved into the plate, where nothing is to be seen.
    """
    one, two, null = [], [], []
    for rays, radius in zip(bundles, radii, strict=True):
        for moved, into in ((0.0, (one, two)), (1.6, None), (-0.5, None), (2.6, None)):
            pair = []
            for low, high in ((-BANDS_MM[1], -BANDS_MM[0]), (BANDS_MM[0], BANDS_MM[1])):
                offsets = np.linspace(low, high, 7)
                places = rays.origins[:, None] + (radius[:, None] + moved + offsets)[..., None] * rays.ways[:, None]
                looks, metal = chart.at(places)
                known = metal.sum(axis=1) >= 4
                mean = np.sum(looks * metal[..., None], axis=1) / np.maximum(metal.sum(axis=1), 1)[:, None]
                pair.append(np.where(known[:, None], mean, np.nan))
            if into is not None:
                into[0].append(pair[0])
                into[1].append(pair[1])
            elif moved > 0:
                null.append(pair[0] - pair[1])
    difference = np.concatenate(one) - np.concatenate(two)
    null = np.concatenate(null)
    difference, null = (part[np.isfinite(part).all(axis=1)] for part in (difference, null))
    if len(difference) < 20 or len(null) < 20:
        return 0.0, 0.0
    pooled = null.T @ null / len(null) + 0.04 * np.eye(null.shape[1])
    weight = np.linalg.solve(pooled, difference.mean(axis=0))
    value, scatter = difference @ weight, float(np.sqrt(np.mean((null @ weight) ** 2))) + 1e-9
    return float(np.median(value) / scatter), float(np.mean(value > 0.5 * scatter))


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


def _haz(chart: Chart, bundles: list[Rays], radii: list[np.ndarray]) -> tuple[float | None, float]:
    """Width of the zone beside the weld metal whose tone differs from the plate's, in mm, and its u; None: not seen."""
    offsets = np.arange(0.25, 5.0, 0.1)
    tones, widths = [], []
    for rays, radius in zip(bundles, radii, strict=True):
        line = rays.origins + radius[:, None] * rays.ways
        way = np.gradient(line, axis=0)
        way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
        normal = np.column_stack([-way[:, 1], way[:, 0]])
        normal *= np.sign(np.sum(normal * rays.ways, axis=1))[:, None]
        looks, metal = chart.at(line[:, None] + offsets[None, :, None] * normal[:, None])
        tones.append(np.where(metal, looks[..., 0], np.nan)[6:-6])
    tone = np.concatenate(tones)
    for part in np.array_split(tone, 5):
        with np.errstate(invalid="ignore"):
            known = np.isfinite(part).mean(axis=0) > 0.4
        if known.sum() < 20:
            continue
        level, at = np.nanmedian(part[:, known], axis=0), offsets[known]
        scatter = float(np.median(np.abs(np.diff(level)))) + 0.02
        steps = [(abs(level[max(k - 6, 0) : k].mean() - level[k : k + 6].mean()), at[k]) for k in range(5, len(at) - 5)]
        jump, place = max(steps)
        if jump > 6 * scatter and abs(level[at < place].mean() - level[at > place].mean()) > 4 * scatter:
            widths.append(float(place))
    if len(widths) < 3:
        return None, 0.0
    return float(np.median(widths)), float(np.hypot(0.2, 1.4826 * np.median(np.abs(np.array(widths) - np.median(widths)))))
