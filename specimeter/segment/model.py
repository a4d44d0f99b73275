"""What the segment stage hands on: the examined area, and outlines of what was found in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Unseen:
    """A part of the examined area in which the picture could show no opening.

    Parameters
    ----------
    outline_px : array, shape (N, 2)
        Closed polygon [x, y].
    why : str
        ``"burnt out"``, ``"black"``, ``"without any structure"``, or what `ExaminedArea.veiled` says.
    length_mm : float
        Its greatest extent on the surface: an opening as long could lie in it.
    """

    outline_px: np.ndarray
    why: str
    length_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExaminedArea:
    """The outline within which features were looked for.

    Parameters
    ----------
    outline_px : array, shape (N, 2)
        Closed polygon [x, y], last point not repeated.
    exclude_px : tuple of arrays, each (M, 2)
        Holes.
    found_by : str
        ``"auto"`` or ``"sheet"``.
    edges_px : tuple of arrays, each (M, 2)
        The parts of the outline that are edges of the specimen (not the 60 degree lines): a feature that reaches one is
        at a corner.
    u_edges_mm : two floats, optional
        Standard uncertainty of the place of each of a bend's two edges, as it is seen.
    width_mm, u_width_mm : float, optional
        The specimen's width as measured between its own edges, for comparison with the calliper; absent if not seen.
    ends_px : array, shape (2, 2), optional
        On a broken half: the middles [x, y] of the bar's two ends, which `width_mm` lies between.
    no_metal : float, optional
        Share of it, 0 to 1, that is taken for something other than metal, once `no_metal.doubt_metal` has looked.
    blur_px : float, optional
        Standard deviation of the lens's blur there, in pixels, once `sharpness.resolving` has looked; absent where nothing
        shows it.
    veiled : str
        ``"smoothed"`` or ``"nothing but noise"`` where the whole face shows less than its sharp edges promise.
    not_to_scale : str
        Why the scale does not hold for it, or the sheet is wrong, where that alone makes its confidence low.
    unseen : tuple of Unseen
        Parts in which the picture could show nothing: a rule whose least size fits into one is not within.
    """

    outline_px: np.ndarray
    exclude_px: tuple[np.ndarray, ...] = ()
    found_by: str = "auto"
    edges_px: tuple[np.ndarray, ...] = ()
    u_edges_mm: tuple[float, float] | None = None
    width_mm: float | None = None
    u_width_mm: float | None = None
    ends_px: np.ndarray | None = None
    confidence: float = 1.0
    cautions: tuple[str, ...] = ()
    no_metal: float | None = None
    blur_px: float | None = None
    veiled: str = ""
    not_to_scale: str = ""
    unseen: tuple[Unseen, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """One thing found (or drawn), before it is measured.

    Parameters
    ----------
    outline_px : array, shape (N, 2)
        Closed polygon [x, y] at the half-level of the edge in linear light, last point not repeated.
    kind : str
        A feature kind of the design, e.g. ``"opening"``.
    may_be : tuple of str
        Other kinds that it may as well be: the picture does not tell it from them surely.
    confidence : float
        0 to 1.
    u_edge_px : float
        Standard uncertainty of one edge's place, in pixels, across the edge (contrast, noise, blur).
    u_tip_px : float
        Standard uncertainty of a tip's place along the feature, in pixels; at least `u_edge_px`.
    evidence : mapping
        JSON-ready figures that speak for it (contrast, lip, darkness).
    """

    outline_px: np.ndarray
    kind: str = "opening"
    may_be: tuple[str, ...] = ()
    confidence: float = 1.0
    u_edge_px: float = 0.3
    u_tip_px: float = 0.5
    found_by: str = "auto"
    evidence: Mapping[str, Any] = field(default_factory=dict)
    depth_mm: float | None = None  # of an undercut in a section, square to its plate's surface, and its U (k = 2)
    U_depth_mm: float | None = None
