"""Which outlines reach an edge of the specimen, and which are cut off where the examined area ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from specimeter.measure.polygon import Rings, dense, dots
from specimeter.segment.model import ExaminedArea

STEP_PX = 1.0  # samples along borders
COARSE_PX = 16.0  # the same for a first look
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
    rims = Rings.of([area.outline_px, *area.exclude_px])
    edges = [np.asarray(side, float) for side in area.edges_px if len(side) > 1]
    border, sides = _bordered(rims, STEP_PX), [_sampled(side, STEP_PX) for side in edges]
    open_px, side_px = 2 * u_edge_px + CLIPPED_PX, 2 * np.hypot(u_edge_px, u_side_px) + CLIPPED_PX
    most = np.sqrt(-pixels.lowest(-dots(pixels.local, pixels.local))) + np.maximum(open_px, side_px) + COARSE_PX
    coarse = np.concatenate([_bordered(rims, COARSE_PX), *(_sampled(side, COARSE_PX) for side in edges)])
    apart, _ = _tree(coarse).query(pixels.points[pixels.starts[:-1]], distance_upper_bound=float(most.max(initial=0.0)) + 1.0)
    near = apart <= most  # only these can come so near to any border
    if not sides:
        return Contacts(at_corner=None, cut=_within(pixels, near, _tree(border), open_px))
    along = _tree(np.concatenate(sides))
    apart, _ = along.query(border, distance_upper_bound=2.0)
    open_border = border[np.isinf(apart)]
    cut = _within(pixels, near, _tree(open_border), open_px) if len(open_border) else np.zeros(len(pixels), bool)
    return Contacts(at_corner=_within(pixels, near, along, side_px), cut=cut)


def _bordered(rims: Rings, step_px: float) -> np.ndarray:
    """Points round closed borders, at most a step apart."""
    return dense(rims, np.full(len(rims), step_px)).points


def _sampled(path: np.ndarray, step_px: float) -> np.ndarray:
    """Points along an open path, at most a step apart."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    at = np.linspace(0.0, along[-1], int(np.ceil(along[-1] / step_px)) + 2)
    return np.column_stack([np.interp(at, along, axis) for axis in path.T])


def _tree(border: np.ndarray) -> scipy.spatial.cKDTree:
    return scipy.spatial.cKDTree(border, balanced_tree=False, compact_nodes=False)  # asked a few times only: quick to build


def _within(pixels: Rings, which: np.ndarray, tree: scipy.spatial.cKDTree, reach: np.ndarray) -> np.ndarray:
    """Whether any point of each outline, if it is one of `which`, lies within ``reach`` of a border's samples, shape (F,)."""
    found = which.copy()
    if which.any():
        part = dense(pixels.only(which), np.full(int(which.sum()), 1.0))
        apart, _ = tree.query(part.points, distance_upper_bound=float(reach.max()) + 1.0)
        found[which] = part.lowest(apart) <= reach[which]
    return found
