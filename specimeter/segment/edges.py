"""The bent specimen's two side edges, followed at full resolution and fitted freely, for its width and its outline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from specimeter.scale.borders import Crossings, Reduced, across_side, side_places
from specimeter.scale.surface import Bend

PLACES = 96  # profiles along each edge
REACH_MM = 2.4  # to either side of where the placement saw the edge
CORNER_U_MM = 0.08  # edges are rounded by 1 to 2 mm: what is seen of the rounding depends on the light (judgement)
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
    picture: Reduced, bend: Bend, expected_mm: Sequence[float], calliper_mm: float | None
) -> tuple[SideEdge, SideEdge] | None:
    """Both side edges near `expected_mm` (two places a), each fitted to its own profiles; None if an edge is out of view.

    Where several parallel edges run side by side (corner, shadow, end face), the pair whose distance agrees with the
    calliper is taken; its place is then the edges' own.
    """
    profiles = []
    for a in expected_mm:
        s = side_places(bend, a, PLACES)
        crossings = across_side(picture, bend, a, reach_mm=REACH_MM, s_mm=s) if len(s) else None
        if crossings is None:
            return None
        profiles.append(crossings)
    votes = [_votes(crossings) for crossings in profiles]
    best, chosen = -np.inf, (0.0, 0.0)
    for left, strength_left in votes[0]:
        for right, strength_right in votes[1]:
            width = (expected_mm[1] + right) - (expected_mm[0] - left)
            worth = strength_left + strength_right - 0.15 * ((left / REACH_MM) ** 2 + (right / REACH_MM) ** 2)
            if calliper_mm is not None:
                spread = np.hypot(WIDTH_PRIOR_REL * calliper_mm, WIDTH_PRIOR_MM)
                worth -= 0.1 * min(9.0, ((width - calliper_mm) / spread) ** 2)
            if worth > best:
                best, chosen = worth, (left, right)
    return tuple(
        _fit(crossings, a, offset, outward)
        for crossings, a, offset, outward in zip(profiles, expected_mm, chosen, (-1.0, 1.0), strict=True)
    )


def _votes(crossings: Crossings) -> list[tuple[float, float]]:
    """Offsets in mm at which the profiles agree on an edge, with the share that does, strongest five."""
    step = crossings.offset_mm[1] - crossings.offset_mm[0]
    width = max(1, round(0.12 / step))
    agreed = np.mean(crossings.edge, axis=0)
    agreed = np.convolve(np.pad(agreed, width, mode="edge"), np.ones(2 * width + 1) / (2 * width + 1), mode="valid")
    inner = np.arange(1, len(agreed) - 1)
    peaks = inner[(agreed[inner] >= agreed[inner - 1]) & (agreed[inner] >= agreed[inner + 1])]
    if not len(peaks):
        return [(0.0, 0.0)]
    order = peaks[np.argsort(agreed[peaks])[::-1][:5]]
    return [(float(crossings.offset_mm[k]), float(agreed[k])) for k in order]


def _fit(crossings: Crossings, a_mm: float, offset_mm: float, outward: float) -> SideEdge:
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
    residual = found - basis @ line
    close = np.abs(residual) < 0.4
    scatter = 1.4826 * float(np.median(np.abs(residual[close]))) if close.any() else 0.4
    independent = max(1.0, close.sum() / 6)
    coefficients = outward * line / np.array([1.0, scale, scale**2])
    coefficients[0] += a_mm
    step = float(crossings.offset_mm[1] - crossings.offset_mm[0])
    return SideEdge(
        coefficients=coefficients,
        s_mm=s,
        u_mm=float(np.sqrt(scatter**2 / independent + CORNER_U_MM**2 + (0.3 * step) ** 2)),
        support=float(np.mean(strength * (np.abs(residual) < 0.4))),
    )
