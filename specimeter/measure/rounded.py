"""Outlines on a bent bar's rounded long edges: the surface lies deeper there than the cylinder, and aslant it looks shifted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from specimeter.scale.surface import Bend, Surface
from specimeter.segment.model import ExaminedArea

# radius of a long edge, and its standard uncertainty: judgement. Standards let edges be rounded by up to a fifth of the
# thickness and 3 mm (ISO 5173, from memory); a file takes off half a millimetre
ROUND_MM, U_ROUND_MM = 1.0, 0.5


def on_edges(developed: np.ndarray, points_px: np.ndarray, surface: Surface, area: ExaminedArea) -> np.ndarray:
    """Developed points [s, a] in mm, shape (N, 2), as they lie on a bar whose long edges are rounded by `ROUND_MM`.

    A point nearer to an edge than that lies deeper than the cylinder, by r - sqrt(r^2 - x^2) if it is x into the rounding:
    where its sight line meets that depth it is. Edges are those of the examined area; on anything but a bend, and where
    no edge is known, points stay.
    """
    if not isinstance(surface, Bend) or surface.radius_mm <= ROUND_MM:
        return developed
    sides = [surface.develop(np.asarray(edge, float)) for edge in area.edges_px if len(edge) > 1]
    sides = [side[np.argsort(side[:, 0])] for side in sides if np.isfinite(side).all()]
    if not sides:
        return developed
    middle = np.mean([side[:, 1].mean() for side in sides]) if len(sides) > 1 else np.nanmedian(developed[:, 1])
    into = np.zeros(len(developed))
    for side in sides:
        outward = np.sign(side[:, 1].mean() - middle)
        edge = np.interp(np.nan_to_num(developed[:, 0]), side[:, 0], side[:, 1])
        into = np.maximum(into, ROUND_MM - outward * (edge - developed[:, 1]))
    near = np.flatnonzero(into > 0)  # NaN is not
    if not len(near):
        return developed
    drop = ROUND_MM - np.sqrt(ROUND_MM**2 - np.minimum(into[near], ROUND_MM) ** 2)
    deepest = replace(surface, radius_mm=surface.radius_mm - ROUND_MM, height_mm=surface.height_mm - ROUND_MM)
    moved = developed.copy()
    shift = deepest.develop(points_px[near])[:, 1] - developed[near, 1]
    moved[near, 1] += np.nan_to_num(shift) * drop / ROUND_MM
    return moved
