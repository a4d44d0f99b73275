"""Which outlines reach an edge of the specimen, and which are cut off where the examined area ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from specimeter.measure.polygon import Rings, dense, dots
from specimeter.segment.model import ExaminedArea

STEP_PX = 1.0  # samples along borders
U_SIDE_PX = 1.0  # standard uncertainty of a specimen edge's place where its width was not measured: judgement
CLIPPED_PX = 1.0  # an outline that a mask cut off ends within a pixel of the mask's border


@dataclass(frozen=True, kw_only=True, eq=False)
class Contacts:
    """For each outline: whether it reaches an edge of the specimen (None: edges unknown), and whether it is cut off."""

    at_corner: np.ndarray | None  # bool, shape (F,)
    cut: np.ndarray  # bool, shape (F,)


def contacts(pixels: Rings, u_edge_px: np.ndarray, area: ExaminedArea, *, u_side_px: float = U_SIDE_PX) -> Contacts:
    """Compare outlines (pixels) with the examined area's border.

    An outline reaches an edge if it comes within two standard uncertainties of one (its own edge's and the specimen
    edge's, combined) plus a pixel. It is cut off if it comes as near to a part of the border that is not an edge of the
    specimen: the 60 degree line, the border of an excluded part, or a region that a person drew.
    """
    border = dense(Rings.of([area.outline_px, *area.exclude_px]), np.full(1 + len(area.exclude_px), STEP_PX)).points
    sides = [_sampled(np.asarray(side, float)) for side in area.edges_px if len(side) > 1]
    tolerance = 2 * np.hypot(u_edge_px, u_side_px) + CLIPPED_PX
    if not sides:
        return Contacts(at_corner=None, cut=_within(pixels, _tree(border), 2 * u_edge_px + CLIPPED_PX))
    along = _tree(np.concatenate(sides))
    apart, _ = along.query(border, distance_upper_bound=2.0)
    open_border = border[np.isinf(apart)]
    cut = _within(pixels, _tree(open_border), 2 * u_edge_px + CLIPPED_PX) if len(open_border) else np.zeros(len(pixels), bool)
    return Contacts(at_corner=_within(pixels, along, tolerance), cut=cut)


def _sampled(path: np.ndarray) -> np.ndarray:
    """Points along an open path, at most a pixel apart."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    at = np.linspace(0.0, along[-1], int(np.ceil(along[-1] / STEP_PX)) + 2)
    return np.column_stack([np.interp(at, along, axis) for axis in path.T])


def _tree(border: np.ndarray) -> scipy.spatial.cKDTree:
    return scipy.spatial.cKDTree(border, balanced_tree=False, compact_nodes=False)  # asked a few times only: quick to build


def _within(pixels: Rings, tree: scipy.spatial.cKDTree, reach: np.ndarray) -> np.ndarray:
    """Whether any point of each outline lies within ``reach`` of a border's samples, shape (F,)."""
    heads = pixels.points[pixels.starts[:-1]]
    away = pixels.points - np.repeat(heads, pixels.counts, axis=0)
    spread = np.sqrt(np.maximum.reduceat(dots(away, away), pixels.starts[:-1]))
    most = spread + reach
    near = tree.query(heads, distance_upper_bound=float(most.max()) + 1.0)[0] <= most  # only these can come so near
    found = np.zeros(len(pixels), bool)
    if near.any():
        part = dense(pixels.only(near), np.full(int(near.sum()), 1.0))
        apart, _ = tree.query(part.points, distance_upper_bound=float(reach.max()) + 1.0)
        found[near] = part.least(apart)[0] <= reach[near]
    return found
