"""The bent specimen's two side edges, followed at full resolution and fitted freely, for its width and its outline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from specimeter.scale.borders import Crossings, Reduced, across_side, side_places
from specimeter.scale.surface import Bend
from specimeter.sheet import Bend as BendSheet

PLACES = 96  # profiles along each edge
REACH_MM = 3.0  # to either side of where the placement saw the edge
ROUNDING_MM, U_ROUNDING_MM = 1.2, 0.6  # radius of the long edges as specimens are prepared (judgement)
U_ENTERED_MM, U_ENTERED = 0.1, 0.1  # standard uncertainty of an entered one: at least so much, and this share of it (judgement)
WIDEST_ROUNDING_MM = 1.3  # an edge's steepest place lies no further than this inside its foot
SAME, LEVEL_MM = 0.06, 0.3  # light is level where it stays, so far, within this share of the difference from the face
STRETCHES = 5  # of an edge, each looked at by itself
UNCLEAR_MM = (0.3, 0.4)  # foot beyond the steepest place, and its u, where nothing tells: amid the rounding
RISE_PX = 4  # what blur makes of a sharp edge
UP = 0.33  # how far up the last rise the foot is taken to lie, between 0 and 0.5
FOOT_U_MM = 0.15  # of where the metal ends (judgement)
# Light falls off towards a rounding's end: what lies beyond 60 degrees, 0.13 of its radius of 0.6 to 1.8 mm, may be as dark as
# the bench. Between nothing and twice this is not seen of either edge (judgement).
FADED_MM = 0.1
U_FADED_MM = FADED_MM / 3**0.5
WIDTH_PRIOR_REL, WIDTH_PRIOR_MM = 0.012, 0.15  # for choosing between parallel edges only: the width itself is fitted freely


def rounding_mm(bent: BendSheet) -> tuple[float, float, str]:
    """Radius of the long edges' rounding, its standard uncertainty, both in mm, and what they rest on."""
    if bent.edge_radius_mm is None:
        return ROUNDING_MM, U_ROUNDING_MM, "edges as specimens are prepared (judgement): no edge_radius_mm entered"
    return bent.edge_radius_mm, max(U_ENTERED_MM, U_ENTERED * bent.edge_radius_mm), "edge_radius_mm as entered (judgement)"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SideEdge:
    """One side edge on the developed face: a = c0 + c1 s + c2 s^2, s and a in mm."""

    coefficients: np.ndarray
    s_mm: np.ndarray  # where it was followed, first to last
    u_mm: float  # standard uncertainty of its mean place as it is seen: scatter, what fades of it, blur
    sunk_mm: float  # how far inwards of its true place perspective shows it, as rounding makes it lie under the crown
    u_sunk_mm: float  # of that, signed: what one standard uncertainty more of rounding adds to it
    support: float  # 0 to 1

    def at(self, s_mm: ArrayLike) -> np.ndarray:
        """Place a in mm at arc positions s; level beyond where it was followed, as far as its slope goes on."""
        return np.polynomial.polynomial.polyval(np.asarray(s_mm, float), self.coefficients)


def follow_side_edges(
    picture: Reduced,
    bend: Bend,
    expected_mm: Sequence[float],
    calliper_mm: float | None,
    u_rel: float,
    thickness_mm: float,
    rounding_mm: tuple[float, float] = (ROUNDING_MM, U_ROUNDING_MM),
) -> tuple[SideEdge, SideEdge] | None:
    """Both side edges near `expected_mm` (two places a), each fitted to its own profiles; None if an edge does not show.

    Where several parallel edges run side by side (corner, shadow, end face), the pair whose distance agrees with the
    calliper, within the relative standard uncertainty `u_rel` of the scale, is taken; its place is then the edges' own.
    """
    profiles = []
    for a in expected_mm:
        s = side_places(bend, a, PLACES)
        crossings = across_side(picture, bend, a, reach_mm=REACH_MM, s_mm=s) if len(s) else None
        if crossings is None:
            return None
        profiles.append(crossings)
    votes = [crossings.votes(0.12) for crossings in profiles]
    best, chosen = -np.inf, (0.0, 0.0)
    for left, strength_left in votes[0]:
        for right, strength_right in votes[1]:
            width = (expected_mm[1] + right) - (expected_mm[0] - left)
            worth = strength_left + strength_right - 0.15 * ((left / REACH_MM) ** 2 + (right / REACH_MM) ** 2)
            if calliper_mm is not None:
                spread = np.sqrt(((WIDTH_PRIOR_REL**2 + u_rel**2) * calliper_mm**2) + WIDTH_PRIOR_MM**2)
                worth -= 0.1 * min(9.0, ((width - calliper_mm) / spread) ** 2)
            if worth > best:
                best, chosen = worth, (left, right)
    one, two = (
        _fit(crossings, a, offset, outward, _Sight.of(bend, a), thickness_mm, rounding_mm)
        for crossings, a, offset, outward in zip(profiles, expected_mm, chosen, (-1.0, 1.0), strict=True)
    )
    return None if one is None or two is None else (one, two)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sight:
    """How the camera looks at one side edge: what perspective does to a rounded edge and to the end face beyond it."""

    end_face: float  # how wide the end face shows, in mm along the axis, per mm of its depth; 0 if it is turned away
    sinks: float  # how far, in mm along the axis, the edge seems to move inwards per mm that it lies under the crown

    @classmethod
    def of(cls, bend: Bend, a_mm: float) -> _Sight:
        eye = bend.frame @ (bend.view.eye_mm - bend.axis_point_mm)
        outside = float(np.sign(a_mm) * (a_mm - eye[1]) / (eye[2] - bend.radius_mm))
        return cls(end_face=max(0.0, -outside), sinks=outside)


def _foot(crossings: Crossings, end_face_mm: float) -> tuple[float, float]:
    """The foot of a whole edge: the middle one of its stretches' feet, with what they differ by in its uncertainty."""
    light = crossings.light.mean(axis=2)
    seen = ~np.isnan(light).any(axis=0)  # columns within the picture
    stretches = [np.median(part[:, seen], axis=0) for part in np.array_split(light, STRETCHES)]
    found = [foot for tone in stretches if (foot := _foot_of(crossings.offset_mm[seen], tone, end_face_mm))]
    if len(found) < 2:
        return UNCLEAR_MM
    out, u = np.array(found).T
    spread = 1.4826 * float(np.median(np.abs(out - np.median(out))))
    return float(np.median(out)), float(np.hypot(np.median(u), spread))


def _foot_of(offset: np.ndarray, tone: np.ndarray, end_face_mm: float) -> tuple[float, float] | None:
    """From the steepest place of an edge out to where the metal ends, and its standard uncertainty, in mm; None if unclear.

    A rounded edge grows dark or bright gradually, and may end in a dark or bright rim: it ends where, going outwards, the
    light first stays level with what lies beyond, less what the lens's blur carries it further. Beyond the foot the end
    face may show, up to `end_face_mm` wide, if it differs from the background.
    """
    if len(offset) < 12:
        return None
    step = float(offset[1] - offset[0])
    stay, back = max(2, round(LEVEL_MM / step)), max(2, round(0.8 / step))
    first, last = np.searchsorted(offset, [-0.2, WIDEST_ROUNDING_MM + end_face_mm])
    for k in range(max(int(first), back), min(int(last), len(offset) - 2 * stay)):
        beyond = slice(k, min(len(offset), k + max(4 * stay, 6)))
        x, y = offset[beyond] - offset[k], tone[beyond]
        contrast = float(np.max(np.abs(tone[k - back : k] - y[: stay + 1].mean())))
        steepest = 0.4 * contrast  # per mm: what changes faster is the rounding itself, slower a soft shadow
        slope = float(np.clip(np.median(np.diff(y)) / step, -steepest, steepest))
        level = float(np.median(y - slope * x))
        unrest = 1.4826 * float(np.median(np.abs(y - slope * x - level)))
        allowed = max(SAME * contrast, min(3.0 * unrest, 2.0 * SAME * contrast), 0.002)
        away = np.abs(y - slope * x - level)
        if (away[: stay + 1] <= allowed).all():
            break
    else:
        return None
    # the last rise before it, as wide as the lens's blur: a sharp edge lies half way up it, a rounding's foot at its beginning
    away = np.abs(tone[: k + 1] - level - slope * (offset[: k + 1] - offset[k]))
    end = int(np.flatnonzero(away >= min(0.1 * contrast, away.max()))[-1])
    rise = slice(max(end - RISE_PX, 0), k + 1)
    away = away[rise]
    top = int(np.argmax(away))
    half = top + int(np.flatnonzero(away[top:] >= UP * away[top])[-1])
    following = min(half + 1, len(away) - 1)
    drop = away[half] - away[following]
    share = (away[half] - UP * away[top]) / drop if drop > 0 else 0.0
    out = float(offset[rise][half] + step * np.clip(share, 0.0, 1.0))
    u = float(np.hypot(FOOT_U_MM, 0.4 * step))
    if end_face_mm > 2.0 * step:  # whether the metal ended there, or its end face did, light alone does not tell
        if out - end_face_mm > 0.0 and out > WIDEST_ROUNDING_MM:
            out -= end_face_mm
        else:
            out, u = out - 0.5 * end_face_mm, float(np.hypot(u, 0.35 * end_face_mm))
    return float(np.clip(out, -1.5, 2.0)), u


def _fit(
    crossings: Crossings,
    a_mm: float,
    offset_mm: float,
    outward: float,
    sight: _Sight,
    thickness_mm: float,
    rounding_mm: tuple[float, float],
) -> SideEdge | None:
    """A parabola through the profiles' edges, by Cauchy weights, in two ever narrower searches round `offset_mm`; None where
    no profile shows an edge."""
    s = crossings.at
    scale = max(abs(s[0]), abs(s[-1]))
    basis = np.column_stack([np.ones_like(s), s / scale, (s / scale) ** 2])
    line = np.array([offset_mm, 0.0, 0.0])
    held = np.diag([0.0, 1.0, 4.0]) / 0.5**2  # edges are straight to about half a millimetre over the face
    for spread in (0.5, 0.3):
        off, _, strength = crossings.shifted(basis @ line).peaks(spread)
        if not (strength > 0).any():
            return None
        found = off + basis @ line
        for _ in range(6):
            residual = (found - basis @ line) / 0.12
            weight = strength / (1 + residual**2)
            line = np.linalg.solve((basis.T * weight) @ basis + 0.01 * len(s) * 0.12**2 * held, (basis.T * weight) @ found)
    outer, u_foot = _foot(crossings.shifted(basis @ line), sight.end_face * max(thickness_mm - rounding_mm[0], 0.0))
    residual = found - basis @ line
    line[0] += outer + FADED_MM
    close = np.abs(residual) < 0.4
    scatter = 1.4826 * float(np.median(np.abs(residual[close]))) if close.any() else 0.4
    independent = max(1.0, close.sum() / 6)
    coefficients = outward * line / np.array([1.0, scale, scale**2])
    coefficients[0] += a_mm
    step = float(crossings.offset_mm[1] - crossings.offset_mm[0])
    return SideEdge(
        coefficients=coefficients,
        s_mm=s,
        u_mm=float(np.sqrt(scatter**2 / independent + u_foot**2 + U_FADED_MM**2 + (0.3 * step) ** 2)),
        sunk_mm=sight.sinks * rounding_mm[0],
        u_sunk_mm=sight.sinks * rounding_mm[1],
        support=float(np.mean(strength * (np.abs(residual) < 0.4))),
    )
