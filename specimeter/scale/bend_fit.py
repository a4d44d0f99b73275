"""Fit a bend to its own borders in the picture: crown, direction, radius, and its two side edges left free."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from specimeter.scale.borders import (
    Crossings,
    Reduced,
    across,
    across_side,
    clearance_mm,
    ends_beyond,
    silhouette_angle,
)
from specimeter.scale.crown_line import Marked
from specimeter.scale.lenses import Lenses
from specimeter.scale.likely_face import LikelyFace
from specimeter.scale.region import Looks, told_apart
from specimeter.scale.surface import Bend, meeting
from specimeter.scale.view import View

ROUNDS = 5  # of Gauss-Newton for one set of marks
LONGEST_STEP = np.array([3.0, 0.08, 0.05, 2.0, 2.0, 0.03, 0.12])  # mm, rad, log, mm, mm, 1, log in one round
LEAST_U_CROWN_MM, LEAST_U_DIRECTION_DEG = 0.2, 0.2  # borders are never straighter or squarer than this on a hand-cut specimen
LEAST_U_RADIUS_REL = 0.004
HELD_MM = 0.01  # how nearly a crown line that is held stays


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Knowledge:
    """What is known of the bend before its borders are looked at; the u are standard and of logarithms.

    Radius and width by calliper share the scale's error: their ratio is known far better than either in an uncertain scale.
    """

    radius_mm: float
    width_mm: float | None
    u_radius: float  # of the radius by itself, scale included
    u_width: float  # of the width by itself, scale included
    u_ratio: float  # of radius over width
    lenses: Lenses | None  # how the view changes with the lens's distance; None: it is held
    u_bow: float  # by how much the side edges may bow in or out over the face: wrong perspective, anticlastic bending
    likely: LikelyFace  # where a network sees a bent face
    marked: Marked | None = None  # the crown line that a person marked: tells places apart, and draws none of them to itself
    held: Marked | None = None  # the crown line's middle is held here, its direction to what is known of it


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
    """A bend fitted to its borders; a = 0 midway between its side edges."""

    bend: Bend
    ends_mm: tuple[float, float]  # a of the two side edges
    by_border: Mapping[str, float]  # how well each border in view shows, 0 to 1; one beyond the picture's rim is left out
    beyond_rim: int  # silhouettes that lie beyond the picture's rim: nothing is known of them
    ends_there: float  # how much more the side edges show up to the silhouettes than beyond them, -1 to 1; 0 where none shows
    shading: float  # share of the face's light and dark that runs along the axis, as on a cylinder, 0 to 1, with its strength
    region: float  # how surely what lies inside its borders differs from what lies outside, 0 to 1; 0.5 says nothing
    likely: float  # how well it agrees with what the network takes for a bent face, 0 to 1
    beside: float  # by how much of the radius its middle lies beside that of what the network takes for one, along the arc
    shift: float  # logarithm of the lens's distance over the scale's own
    u_shift: float
    u_crown_mm: float
    u_direction_deg: float
    u_radius_mm: float

    @property
    def width_mm(self) -> float:
        return self.ends_mm[1] - self.ends_mm[0]

    @property
    def support(self) -> float:
        """One figure, 0 to 1: the sides must both show; silhouettes may hide in shadow."""
        sides = [self.by_border["side -a"], self.by_border["side +a"]]
        outlines = [value for name, value in self.by_border.items() if name.startswith("silhouette")]
        side = 0.6 * min(sides) + 0.2 * sum(sides)
        return float((side + 0.45 * sum(outlines)) / (1 + 0.45 * len(outlines)))


Mark = tuple[np.ndarray, np.ndarray]  # pixels (K, 2) of the best edges near a border, and their strengths (K,)


def refine(
    picture: Reduced,
    seen: Looks,
    bend: Bend,
    ends_mm: Sequence[float],
    spreads_mm: Sequence[float],
    known: Knowledge,
    shift: float = 0.0,
) -> Placed | None:
    """The bend and its side edges after edge searches of falling width, in mm; None where the borders lead nowhere."""
    ends, bow = np.asarray(ends_mm, float), 0.0
    width = ends[1] - ends[0]
    for number, spread in enumerate(spreads_mm):
        marks = _marks(picture, bend, ends, bow, spread, voted=number > 0 or spread < 1.2)
        if marks is None:
            return None
        bend, ends, bow, shift, covariance = _solve(bend, ends, bow, shift, marks, known, max(0.12, 0.25 * spread))
        if not np.isfinite(ends).all() or not 0.7 < (ends[1] - ends[0]) / width < 1.4:
            return None
    by_border = _support(picture, bend, ends, bow)
    if by_border is None:
        return None
    middle = float(np.mean(ends))
    u = np.sqrt(np.maximum(np.diag(covariance), 0))
    apart = told_apart(seen, bend, ends)
    likely, beside = known.likely.agreement(bend, ends)
    return Placed(
        bend=replace(bend, crown_mm=bend.crown_mm + middle * bend.frame[1, :2]),
        ends_mm=(float(ends[0] - middle), float(ends[1] - middle)),
        by_border=by_border,
        beyond_rim=sum(silhouette_angle(bend, side) is not None for side in (-1.0, 1.0)) - (len(by_border) - 2),
        ends_there=float(np.mean(ends_beyond(picture, bend, ends) or [0.0])),
        shading=_shading(picture, bend, ends),
        region=float(np.mean(list(apart.values()))) if apart else 0.5,
        likely=likely,
        beside=beside,
        shift=shift,
        u_shift=float(u[6]),
        u_crown_mm=float(np.hypot(u[0], LEAST_U_CROWN_MM)),
        u_direction_deg=float(np.hypot(np.degrees(u[1]), LEAST_U_DIRECTION_DEG)),
        u_radius_mm=float(np.hypot(u[2], LEAST_U_RADIUS_REL) * bend.radius_mm),
    )


def _shading(picture: Reduced, bend: Bend, ends: np.ndarray) -> float:
    """Metal bent round a cylinder is light and dark in stripes along the axis: the standard deviation, across them, of the
    mean logarithm of light, over its whole deviation, times how strong it is (1 from a factor of e^0.35 up)."""
    reach = min(bend.arc_half_mm, bend.radius_mm * np.radians(60.0))
    a = np.linspace(ends[0], ends[1], 18)[1:-1]
    grid = np.stack(np.meshgrid(np.linspace(-reach, reach, 33), a, indexing="ij"), axis=-1)
    light = picture.sample(bend.project(grid.reshape(-1, 2)).reshape(*grid.shape))
    tone = np.log(np.nan_to_num(light.mean(axis=2)) + 0.01)
    stripes, whole = float(np.std(tone.mean(axis=1))), float(np.std(tone))
    return float(min(1.0, stripes / 0.35) * stripes / max(whole, 1e-3))


def between_leg_ends(picture: Reduced, bend: Bend, width_mm: float) -> Bend:
    """With legs in view the side edges run on past the arc: the bend moved so that its crown is half way along them."""
    reach = bend.arc_half_mm + 3.0 * bend.radius_mm
    s = np.linspace(-reach, reach, 121)
    seen = np.ones(len(s))
    for end in (-width_mm / 2, width_mm / 2):
        crossings = across_side(picture, bend, end, reach_mm=3.0, s_mm=s)
        assert crossings is not None  # there are enough of them
        weight = np.exp(-0.5 * (crossings.offset_mm / 1.5) ** 2)
        seen = np.minimum(seen, np.max(crossings.edge * weight, axis=1))
    # the stretch round the present crown with the most evidence over what background gives by chance
    gain = np.cumsum(np.append(0.0, seen - 0.45))
    middle = len(s) // 2
    first, last = int(np.argmin(gain[: middle + 1])), middle + int(np.argmax(gain[middle:]))
    at = bend.world(np.array([[s[first], 0.0], [s[min(last, len(s) - 1)], 0.0]]))[0]
    shift = float(np.mean((at - bend.axis_point_mm) @ bend.frame[0]))
    return replace(bend, crown_mm=bend.crown_mm + shift * bend.frame[0, :2])


def _marks(
    picture: Reduced, bend: Bend, ends: np.ndarray, bow: float, spread: float, *, voted: bool
) -> tuple[list[Mark], list[Mark]] | None:
    borders = across(picture, bend, ends, reach_mm=2.2 * spread, bow=bow)
    if borders is None:
        return None
    sides, outlines = borders

    def mark(crossings: Crossings) -> Mark:
        if voted:
            votes = crossings.votes(0.25 * spread)
            offset = max(votes, key=lambda vote: vote[1] * np.exp(-0.5 * (vote[0] / spread) ** 2))[0]
            _, points, strength = crossings.peaks(0.5 * spread, offset)
        else:
            _, points, strength = crossings.peaks(spread)
        return points, strength

    return [mark(side) for side in sides], [mark(outline) for outline in outlines.values()]


def _solve(
    bend: Bend,
    ends: np.ndarray,
    bow: float,
    shift: float,
    marks: tuple[list[Mark], list[Mark]],
    known: Knowledge,
    noise_mm: float,
) -> tuple[Bend, np.ndarray, float, float, np.ndarray]:
    """Crown, direction, log radius, side edges, bow and shift of the lens that fit the marks best, their covariance (7, 7).

    Gauss-Newton with Cauchy weights, so that stray marks do not pull; what is known beforehand holds without mercy.
    """
    sides, outlines = marks
    sideways = bend.frame[0, :2]
    side_px = np.concatenate([points for points, _ in sides])
    low_px = np.concatenate([points for points, _ in outlines]) if outlines else np.empty((0, 2))
    which = np.repeat([0, 1], [len(points) for points, _ in sides])
    strength = np.concatenate([strength for _, strength in (*sides, *outlines)])
    noise = np.append(np.full(len(side_px), noise_mm), np.full(len(low_px), 1.5 * noise_mm))
    every_px, half = np.concatenate([side_px, low_px]), np.radians(bend.angle_deg) / 2
    views: dict[float, tuple[View, np.ndarray]] = {}

    def seen_from(q: float) -> tuple[View, np.ndarray]:
        if q not in views:
            view = bend.view if known.lenses is None else known.lenses.view(q)
            views[q] = view, view.rays(every_px)
        return views[q]

    def moved(p: np.ndarray) -> Bend:
        crown, direction = bend.crown_mm + p[0] * sideways, bend.direction_deg + np.degrees(p[1])
        view, radius = seen_from(float(p[6]))[0], known.radius_mm * float(np.exp(p[2]))
        return replace(bend, view=view, crown_mm=crown, direction_deg=direction, radius_mm=radius)

    def off(many: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Of sets of unknowns (B, 7): what the marks lie off, (B, N), and the side marks' s over the radius, (B, M)."""
        views = [seen_from(float(q)) for q in many[:, 6]]
        phi = np.radians(bend.direction_deg + np.degrees(many[:, 1]))
        radii = known.radius_mm * np.exp(many[:, 2])
        frames = np.zeros((len(many), 3, 3))
        frames[:, 0, 0], frames[:, 0, 1], frames[:, 1, 0], frames[:, 1, 1] = np.sin(phi), -np.cos(phi), np.cos(phi), np.sin(phi)
        frames[:, 2, 2] = -1.0
        crowns = bend.crown_mm + many[:, :1] * sideways
        axes = np.column_stack([crowns, radii - bend.height_mm])
        eyes = np.einsum("bij,bj->bi", frames, np.array([view.eye_mm for view, _ in views]) - axes)
        rays = np.stack([rays for _, rays in views]) @ frames.transpose(0, 2, 1)
        s, a, _ = meeting(eyes, rays[:, : len(which)], radii, half)
        round_it = np.nan_to_num(s / radii[:, None])
        side = a - many[:, 3:5][:, which] * (1.0 + many[:, 5, None] * round_it**2)
        side[np.isnan(side)] = 3.0
        return np.append(side, clearance_mm(eyes, rays[:, len(which) :], radii), axis=1) / noise, round_it

    def surprise(p: np.ndarray) -> np.ndarray:
        size = np.log(max(p[4] - p[3], 1e-3) / known.width_mm) if known.width_mm else 0.0
        ratio = (p[2] - size) / known.u_ratio if known.width_mm else 0.0
        lens = known.lenses.surprise(p[6]) if known.lenses else p[6] / 1e-6
        held = [p[2] / known.u_radius, size / known.u_width, ratio, p[5] / known.u_bow, lens]
        if known.held is not None:
            bend_there = moved(p)
            held += [known.held.beside_mm(bend_there) / HELD_MM, known.held.turned_deg(bend_there) / known.held.u_direction_deg]
        return np.array(held)

    p = np.array([0.0, 0.0, np.log(bend.radius_mm / known.radius_mm), *ends, bow, shift])
    step = np.array([1e-4, 1e-6, 1e-6, 1e-4, 1e-4, 1e-6, 1e-5])
    numeric = [0, 1, 2] if known.lenses is None else [0, 1, 2, 6]
    for _ in range(ROUNDS):
        ahead = p + np.diag(step)
        (here, *others), round_it = off(np.vstack([p, ahead[numeric]]))
        held = surprise(p)
        jacobian = np.zeros((len(here), 7))
        jacobian[:, numeric] = (np.array(others) - here).T / step[numeric]
        square = round_it[0] ** 2 / noise[: len(which)]
        jacobian[np.arange(len(which)), 3 + which] = -1.0 / noise[: len(which)] - p[5] * square
        jacobian[: len(which), 5] = -p[3:5][which] * square
        holding = np.column_stack([(surprise(q) - held) / step[k] for k, q in enumerate(ahead)])
        weight = strength / (1.0 + here**2)
        prior = holding.T @ holding + 1e-9 * np.eye(7)
        normal = jacobian.T @ (weight[:, None] * jacobian) + prior
        change = np.linalg.solve(normal, jacobian.T @ (weight * here) + holding.T @ held)
        p = p - np.clip(change, -LONGEST_STEP, LONGEST_STEP)
    # neighbouring profiles share their light: about one in ten counts as independent
    shared = jacobian.T @ ((weight / 10)[:, None] * jacobian) + prior
    covariance = np.linalg.inv(shared)
    if known.held is not None:  # what goes with the crown's place is as unsure as that
        along = covariance[0] / covariance[0, 0]
        covariance += (known.held.u_mm**2 - covariance[0, 0]) * np.outer(along, along)
    return moved(p), p[3:5], float(p[5]), float(p[6]), covariance


def _support(picture: Reduced, bend: Bend, ends: np.ndarray, bow: float) -> dict[str, float] | None:
    """For each border in view, how much of it shows an edge close to where the fit puts it, 0 to 1."""
    borders = across(picture, bend, ends, reach_mm=3.0, bow=bow)
    if borders is None:
        return None
    sides, outlines = borders
    by_side = {name: side.support(0.4) for name, side in zip(("side -a", "side +a"), sides, strict=True)}
    return by_side | {name: outline.support(0.6) for name, outline in outlines.items()}
