"""The fusion line of an etched cut: the likely path across rays from within the weld, and how sure each of its places is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from specimeter.scale.surface import Surface
from specimeter.segment.joint import Butt, Fillet
from specimeter.segment.polylines import corner, crossings
from specimeter.segment.section_reading import TISSUES, Reading

STEP_MM = 0.05  # along the rays
LIMIT = 4.0  # log-odds beyond which a cell convinces no more
ALIKE_MM2 = 0.8  # cut surface over which the network errs alike: so much of it tells one thing (from scenes)
WANDER = 0.3  # mm that the line leaves its guess by over a millimetre of its course, as the square root of that (from drawings)
FIRST_GUESS = (0.35, 0.5, 0.02)  # share of the guess and mm that the line may lie off it, and its weight at one ray
END_MM = 0.08  # standard deviation of the line's end about the toe
REACH = 1.1  # of the weld's own size: as far as the line may lie
LEAST_MM = 0.0  # of a ray within the weld
ROOT_MM = 0.4  # width of weld metal below which it has ended, towards a root that is not fused
NEAR_MM = 0.5  # about the likeliest path: over which its place is averaged
U_ALIKE_MM, U_FAINT_MM = 0.07, 1.2  # standard uncertainty of the whole line's place inwards or outwards, at the best, and by
# what it grows with the square of how faintly weld metal stands out there (fitted to 92 cuts by two drawings)
BESIDE_MM = (0.15, 1.2)  # from the line: where it is taken how weld metal stands out
ABOUT = 21  # rays over which that is the mean
DOUBT, DOUBT_MM = 15.0, 1.0  # what a share of the plates that is taken for weld metal takes off a reading's word (judgement)
DRAWN = 16  # paths drawn as likely as they are, for the uncertainty of what is measured from the line
TONE_MM, TONES_MM = 0.1, (0.4, 2.0)  # over which tones are smoothed; from a line, where they are learned on either side
BINS, LEAST_TONES, TONE_LIMIT = 24, 300, 1.5  # of a histogram; places for one; log-odds beyond which a tone tells no more
PLATE, HAZ, WELD, GAP = (TISSUES.index(name) for name in ("plate", "haz", "weld", "gap"))


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
class Line:
    """A fusion line across its rays: its place (N,) in mm along each with an uncertainty of its own, and other paths (K, N)."""

    rays: Rays
    reach: np.ndarray
    u_mm: np.ndarray
    tried: np.ndarray

    @property
    def points(self) -> np.ndarray:
        """Places in mm, shape (N, 2)."""
        return self.rays.at(self.reach)


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


def fan(joint: Fillet) -> list[Rays]:
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
    guess = np.minimum(1.12 * guess, 0.9 * size)
    guess[[0, -1]] = ends
    origins = np.repeat(pole[None], len(ways), axis=0)
    return [Rays(origins=origins, ways=ways, most=size, guess=guess, fixed=ends, widens=True)]


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


def rows(joint: Butt, outline: np.ndarray) -> list[Rays]:
    """Rays from the weld's middle line to both sides, from the face side's plate surfaces down to the root side's."""
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


def toned(read: Read, lines: Sequence[Line]) -> np.ndarray:
    """Log-odds of weld metal by the photograph's own tones, on the reading's cells: what is as light as the surely welded is.

    Tones within the lines, well away from them, against those beyond them, by histograms (naive Bayes).
    """
    cell_mm = float(read.surface.mm_per_px_at(read.reading.to_photograph([[0, 0]])[0])) / read.reading.zoom
    light = cv2.GaussianBlur(read.reading.light, (0, 0), max(TONE_MM / cell_mm, 0.5))
    shares = []
    parts = []
    for low, high in ((-TONES_MM[1], -TONES_MM[0]), (TONES_MM[0], TONES_MM[1])):
        away = np.linspace(low, high, 16)
        places = np.concatenate(
            [line.rays.at(np.maximum(line.reach[:, None] + away[None], STEP_MM)).reshape(-1, 2) for line in lines]
        )
        usable = (read.of(read.reading.metal, places) > 0.5) & (read.of(read.reading.tissue[GAP], places) < 0.3)
        parts.append(read.of(light, places)[usable])
    if min(len(part) for part in parts) < LEAST_TONES:
        return np.zeros_like(light)
    darkest, brightest = np.percentile(np.concatenate(parts), [1, 99])
    edges = np.linspace(darkest, brightest, BINS + 1) + np.linspace(0, 1e-6, BINS + 1)
    for part in parts:
        count = np.histogram(np.clip(part, edges[0], edges[-1]), edges)[0]
        soft = np.convolve(np.pad(count, 2, mode="edge"), [0.1, 0.2, 0.4, 0.2, 0.1], "valid")
        shares.append(soft / soft.sum() + 0.25 / BINS)
    odds = np.clip(np.log(shares[0] / shares[1]), -TONE_LIMIT, TONE_LIMIT)
    return np.asarray(np.interp(light, (edges[:-1] + edges[1:]) / 2, odds), np.float32)


def find_line(read: Read, rays: Rays, confused: float = 0.0, tone: np.ndarray | None = None) -> Line:
    """The likeliest path across the rays: most weld metal within, least beyond, smooth, from toe to toe.

    Each ray's log-likelihood of the line's place is the sum of the tissue's log-odds up to it, counted once for every
    ALIKE_MM2 of cut. Paths wander about the first guess as a Markov chain; sums over all of them (forward and backward:
    Rabiner 1989, III.A) give each place's uncertainty, and draws from them that of what is measured from the line.

    `confused`: share of the plates that is taken for weld metal; the more of that, the less is believed. `tone`: further
    log-odds of weld metal, as of `toned`.
    """
    offsets = np.arange(LEAST_MM - float(rays.guess.max()), rays.most - float(rays.guess.min()), STEP_MM)
    reach = rays.guess[:, None] + offsets[None]
    inside = np.arange(0.0, rays.most + STEP_MM, STEP_MM)
    places = rays.at(np.repeat(inside[None], len(rays.origins), axis=0))
    value = read.of(read.odds(WELD, PLATE, HAZ, GAP), places) * np.clip(read.of(read.reading.seen, places) * 1.5, 0.05, 1.0)
    if tone is not None:
        value = value + read.of(tone, places)
    value = np.where(read.of(read.reading.tissue[0], places) > 0.5, -1.0, value)
    share = inside[None] / max(rays.guess.mean(), 0.5) if rays.widens else np.ones((1, len(inside)))
    total = np.cumsum(value * share, axis=1) * STEP_MM
    course = rays.at(rays.guess)
    apart = float(np.sum(np.hypot(*np.diff(course, axis=0).T))) / (len(course) - 1)
    worth = np.array([np.interp(at, inside, row) for at, row in zip(reach, total, strict=True)])
    worth *= apart / (ALIKE_MM2 * (1 + DOUBT * confused))
    share_off, off_mm, weight = FIRST_GUESS
    worth -= weight * (offsets[None] / (share_off * rays.guess[:, None] + off_mm)) ** 2
    worth[(reach < LEAST_MM) | (reach > rays.most)] = -60.0
    for end, known in ((0, rays.fixed[0]), (-1, rays.fixed[1])):
        if np.isfinite(known):
            worth[end] = -0.5 * ((reach[end] - known) / END_MM) ** 2
    sigma = max(WANDER * float(np.sqrt(apart)) / STEP_MM, 0.5)
    side = np.arange(-int(np.ceil(3 * sigma)), int(np.ceil(3 * sigma)) + 1)
    step = np.exp(-0.5 * (side / sigma) ** 2)
    step /= step.sum()
    chance, forward = _marginals(worth, step)
    best = _likeliest(worth, np.log(step))
    near = np.abs(offsets[None] - offsets[best][:, None]) < NEAR_MM
    place = _mean(np.where(near, chance, 0.0), offsets)
    middle = _mean(chance, offsets)
    u = np.sqrt(_mean(chance, (offsets[None] - middle[:, None]) ** 2) + (middle - place) ** 2)
    drawn = offsets[_drawn(forward, step, np.random.default_rng(0))]
    return Line(rays=rays, reach=rays.guess + place, u_mm=u, tried=rays.guess + drawn)


def u_alike_mm(confused: float, shown: np.ndarray) -> np.ndarray:
    """Standard uncertainty of a line's place inwards or outwards, long stretches of it alike, of a reading so confused.

    `shown`: how weld metal stands out at each place. Where the etching is faint, readings are surer than they are right.
    """
    return U_ALIKE_MM + U_FAINT_MM * (1 - shown) ** 2 + DOUBT_MM * confused


def stands_out(read: Read, line: Line) -> np.ndarray:
    """Mean chance of weld metal just within a line less that just beyond it, about each of its places, (N,) from 0 to 1."""
    away = np.linspace(*BESIDE_MM, 10)
    chance = []
    for reach in (-away, away):
        places = line.rays.at(np.maximum(line.reach[:, None] + reach[None], STEP_MM))
        metal = read.of(read.reading.metal, places) > 0.5
        weld = np.where(metal, read.of(read.reading.tissue[WELD], places), 0.0).sum(axis=1)
        window = np.ones(min(ABOUT, len(weld)))
        chance.append(np.convolve(weld, window, "same") / np.maximum(np.convolve(metal.sum(axis=1), window, "same"), 1))
    return np.clip(chance[0] - chance[1], 0.0, 1.0)


def _mean(chance: np.ndarray, values: np.ndarray) -> np.ndarray:
    return np.sum(chance * values, axis=1) / np.maximum(np.sum(chance, axis=1), 1e-300)


def _marginals(worth: np.ndarray, step: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Chance of each place on each ray, (N, R), and the forward sums that paths are drawn from."""
    own = np.exp(worth - worth.max(axis=1, keepdims=True)) + 1e-30
    forward, backward = own.copy(), np.ones_like(own)
    for k in range(1, len(own)):
        forward[k] *= np.convolve(forward[k - 1], step, "same") + 1e-200
        forward[k] /= forward[k].sum()
    for k in range(len(own) - 2, -1, -1):
        backward[k] = np.convolve(backward[k + 1] * own[k + 1], step[::-1], "same") + 1e-200
        backward[k] /= backward[k].sum()
    chance = forward * backward
    return chance / chance.sum(axis=1, keepdims=True), forward


def _likeliest(worth: np.ndarray, step: np.ndarray) -> np.ndarray:
    """Index along each ray of the single path of greatest sum (Viterbi)."""
    count, width = worth.shape
    half = len(step) // 2
    best, came = worth[0].copy(), np.zeros((count, width), int)
    for k in range(1, count):
        padded = np.pad(best, half, constant_values=-np.inf)
        choices = np.lib.stride_tricks.sliding_window_view(padded, len(step)) + step[::-1]
        pick = np.argmax(choices, axis=1)
        came[k] = pick - half
        best = choices[np.arange(width), pick] + worth[k]
    path = np.empty(count, int)
    path[-1] = int(np.argmax(best))
    for k in range(count - 1, 0, -1):
        path[k - 1] = path[k] + came[k, path[k]]
    return path


def _drawn(forward: np.ndarray, step: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Indices (DRAWN, N) of paths drawn as likely as they are, from the last ray back."""
    count, width = forward.shape
    half = len(step) // 2
    paths = np.empty((DRAWN, count), int)
    paths[:, -1] = _pick(np.repeat(forward[-1][None], DRAWN, axis=0), rng)
    for k in range(count - 2, -1, -1):
        at = paths[:, k + 1][:, None] + np.arange(-half, half + 1)[None]
        weight = np.where((at >= 0) & (at < width), forward[k][np.clip(at, 0, width - 1)] * step[::-1], 0.0)
        paths[:, k] = np.clip(paths[:, k + 1] - half + _pick(weight + 1e-300, rng), 0, width - 1)
    return paths


def _pick(weight: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    total = np.cumsum(weight, axis=1)
    return np.minimum((total < rng.random((len(weight), 1)) * total[:, -1:]).sum(axis=1), weight.shape[1] - 1)


def ring(joint: Fillet | Butt, lines: Sequence[np.ndarray]) -> np.ndarray:
    """The weld metal's outline in mm: face, fusion line and, where there is one, the root's face."""
    if isinstance(joint, Fillet):
        return np.concatenate([joint.face.points, lines[0][::-1][1:-1]])
    left, right = lines
    if joint.bottom is None:
        wide = np.flatnonzero(np.hypot(*(right - left).T) > ROOT_MM)
        last = int(wide[-1]) + 1 if len(wide) else len(left)
        left, right = left[:last], right[:last]
    top = joint.top.points
    if (top[0] - top[-1]) @ joint.across > 0:
        top = top[::-1]
    parts = [top, right[1:]]
    if joint.bottom is not None:
        below = joint.bottom.points
        parts.append((below if (below[0] - below[-1]) @ joint.across > 0 else below[::-1])[1:-1])
    return np.concatenate([*parts, left[::-1][:-1]])
