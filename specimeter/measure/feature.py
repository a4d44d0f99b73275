"""What the measure stage hands on: one feature with its sizes and their expanded uncertainties."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields
from itertools import repeat
from typing import Any

import numpy as np

from specimeter.scale.budget import Term


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Feature:
    """One imperfection with its sizes on the developed surface; every U is k = 2.

    A size that could not be obtained is None and is named in `missing` with its reason. Of a feature that is cut off `seen`
    holds the size of the part that is seen: the whole has at least that.
    """

    id: str
    photo: str
    kind: str
    outline_px: np.ndarray
    may_be: tuple[str, ...] = ()  # other kinds that it may as well be, as long as nobody has confirmed it
    status: str = "proposed"  # proposed | confirmed | added | rejected
    found_by: str = "auto"
    confidence: float = 1.0
    u_edge_px: float = 0.3
    u_tip_px: float = 0.5
    cause: str | None = None
    cause_basis: str | None = None
    reason: str | None = None  # why a named person rejected it
    length_mm: float | None = None
    U_length_mm: float | None = None
    width_mm: float | None = None
    U_width_mm: float | None = None
    area_mm2: float | None = None
    U_area_mm2: float | None = None
    at_corner: bool | None = None
    nearest_mm: float | None = None  # clear distance to the next feature; None when there is no other
    U_nearest_mm: float | None = None
    along_weld_mm: float | None = None  # extents along the weld's axis and square to it, where the axis is known
    U_along_weld_mm: float | None = None
    through_wall_mm: float | None = None
    U_through_wall_mm: float | None = None
    depth_mm: float | None = None  # of an undercut in a section, square to its plate's surface
    U_depth_mm: float | None = None
    tips_px: np.ndarray | None = None  # shape (2, 2): the two ends of the length, for the overlay
    budget: Sequence[Term] = ()  # of the length, in mm
    missing: dict[str, str] = field(default_factory=dict)
    seen: dict[str, tuple[float, float]] = field(default_factory=dict)  # of one that is cut off: size name -> seen part and U


def of_columns(count: int, **columns: Iterable[Any]) -> tuple[Feature, ...]:
    """So many features, each column one field of them all; another field has its default, if all may share it.

    There may be thousands: a frozen class is else filled field by field of each, which takes thrice as long.
    """
    features = [Feature.__new__(Feature) for _ in range(count)]
    for each in fields(Feature):
        column = columns.get(each.name, repeat(each.default, count))
        deque(map(getattr(Feature, each.name).__set__, features, column), maxlen=0)
    return tuple(features)
