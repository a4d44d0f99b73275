"""The bent specimen's two side edges, followed at full resolution and fitted freely, for its width and its outline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from specimeter.scale.borders import Crossings, Reduced, across_side, side_places
from specimeter.scale.surface import Bend

PLACES = 96  # profiles along each edge
REACH_MM = 2.4  # to either side of where the placement saw the edge
CORNER_U_MM = 0.15  # edges are rounded by 1 to 2 mm: what is seen of the rounding depends on the light (judgement)
END_FACE_DEPTH_MM = 4.0  # where the end face shows, edge and face differ little: one in three is taken up to so far down it
WIDTH_PRIOR_REL, WIDTH_PRIOR_MM = 0.012, 0.15  # for choosing between parallel edges only: the width itself is fitted freely


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SideEdge:
    """One side edge on the developed face: a = c0 + c1 s + c2 s^2, s and a in mm."""

    coefficients: np.ndarray
    s_mm: np.ndarray  # where it was followed, first to last
    u_mm: float  # standard uncertainty of its mean place: scatter, corner rounding, blur
    support: float  # 0 to 1

    def at(self, s_mm: np.ndarray) -> np.ndarray:
        """Place a in mm at arc positions s; level beyond where it was followed, as far as its slope goes on."""
        return np.polynomial.polynomial.polyval(np.asarray(s_mm, float), self.coefficients)


def follow_side_edges(
    picture: Reduced, bend: Bend, expected_mm: Sequence[float], calliper_mm: float | None, u_rel: float
) -> tuple[SideEdge, SideEdge] | None:
    """Both side edges near `expected_mm` (two places a), each fitted to its own profiles; None if an edge is out of view.

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
    return tuple(
        _fit(crossings, a, offset, outward, _end_face_mm(bend, a))
        for crossings, a, offset, outward in zip(profiles, expected_mm, chosen, (-1.0, 1.0), strict=True)
    )


def _end_face_mm(bend: Bend, a_mm: float) -> float:
    """How wide, in mm along the axis, the end face beyond a side edge shows per mm of its depth; 0 if it is turned away."""
    eye = bend.frame @ (bend.view.eye_mm - bend.axis_point_mm)
    return float(max(0.0, np.sign(a_mm) * (eye[1] - a_mm)) / (eye[2] - bend.radius_mm))


def _outer_foot(crossings: Crossings) -> tuple[float, float]:
    """From the steepest place of the edge out to where the specimen ends, and how wide the whole passage is, in mm.

    A rounded edge grows dark or bright gradually before it ends: its end is where the last fifth of the difference between
    face and background is left, less what the lens's blur (taken as 0.6 px) spreads over it.
    """
    offset, light = crossings.offset_mm, crossings.light.mean(axis=2)
    inside = np.median(light[:, (offset > -1.6) & (offset < -0.8)], axis=1)
    outside = np.median(light[:, (offset > 0.4) & (offset < 1.0)], axis=1)
    difference = inside - outside
    clear = np.abs(difference) > max(0.01, 0.25 * float(np.median(np.abs(difference))))
    if clear.sum() < 8:
        return 0.0, 0.5
    passage = np.median((light[clear] - outside[clear, None]) / difference[clear, None], axis=0)
    step = float(offset[1] - offset[0])
    near = np.flatnonzero(np.abs(offset) <= 1.2)
    last = [near[passage[near] > level].max(initial=near[0]) for level in (0.2, 0.8)]
    foot, shoulder = (float(offset[k]) + 0.5 * step for k in last)
    blur = 0.84 * 0.6 * step
    return float(np.clip(foot - blur, 0.0, 0.7)), float(np.clip(foot - shoulder - 2 * blur, 0.0, 1.5))


def _fit(crossings: Crossings, a_mm: float, offset_mm: float, outward: float, end_face: float) -> SideEdge:
    """A parabola through the profiles' edges, by Cauchy weights, in two ever narrower searches round `offset_mm`."""
    s = crossings.at
    scale = max(abs(s[0]), abs(s[-1]))
    basis = np.column_stack([np.ones_like(s), s / scale, (s / scale) ** 2])
    line = np.array([offset_mm, 0.0, 0.0])
    held = np.diag([0.0, 1.0, 4.0]) / 0.5**2  # edges are straight to about half a millimetre over the face
    for spread in (0.5, 0.3):
        off, _, strength = crossings.shifted(basis @ line).peaks(spread)
        found = off + basis @ line
        for _ in range(6):
            residual = (found - basis @ line) / 0.12
            weight = strength / (1 + residual**2)
            line = np.linalg.solve((basis.T * weight) @ basis + 0.01 * len(s) * 0.12**2 * held, (basis.T * weight) @ found)
    outer, width = _outer_foot(crossings.shifted(basis @ line))
    residual = found - basis @ line
    line[0] += outer
    close = np.abs(residual) < 0.4
    scatter = 1.4826 * float(np.median(np.abs(residual[close]))) if close.any() else 0.4
    independent = max(1.0, close.sum() / 6)
    coefficients = outward * line / np.array([1.0, scale, scale**2])
    coefficients[0] += a_mm
    step = float(crossings.offset_mm[1] - crossings.offset_mm[0])
    return SideEdge(
        coefficients=coefficients,
        s_mm=s,
        u_mm=float(
            np.sqrt(
                scatter**2 / independent
                + CORNER_U_MM**2
                + (0.3 * width) ** 2
                + (END_FACE_DEPTH_MM * end_face) ** 2
                + (0.3 * step) ** 2
            )
        ),
        support=float(np.mean(strength * (np.abs(residual) < 0.4))),
    )
