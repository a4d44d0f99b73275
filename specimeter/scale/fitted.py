"""What the fits of a card and of a rule are told by alike: lines of the budget, evidence of the lens, cautions of leaning."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from specimeter.scale.budget import Term, term
from specimeter.scale.distance import Focal
from specimeter.scale.view import View

STEEP_DEG = 20.0
DISTANCE = "principal distance"


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What was known of something beforehand: a line of the budget. `index`: of the unknown it holds, where it holds one."""

    source: str
    value: float  # of the principal distance its logarithm
    u: float
    unit: str
    basis: str
    index: int = -1


class Fitted(Protocol):
    """A fitted view."""

    @property
    def view(self) -> View: ...

    @property
    def unknowns(self) -> np.ndarray: ...

    @property
    def known(self) -> tuple[Known, ...]: ...

    @property
    def inflation(self) -> float: ...


def lines(
    fits: Sequence[Fitted],
    parts: tuple[float, Sequence[float]],
    logs: Callable[[Fitted], np.ndarray],
    *,
    source: str,
    basis: str,
    unit: str,
    u_point: float,
    count: int,
    leans: str,
) -> tuple[Term, ...]:
    """Lines of the budget: the points fitted to, what was known beforehand, and which way the marker leans where that is open.

    Parameters
    ----------
    fits : sequence
        The best first.
    parts : (float, sequence of float)
        Relative standard uncertainty of a length from the points, and from each `known` of the best fit.
    logs : callable
        From a fit to the logarithms of lengths at the place in question, over directions.
    source, basis, unit : str
        Of the points' line.
    u_point : float
        Standard uncertainty of one point, as enlarged by the fit.
    count : int
        Points kept.
    leans : str
        Name of the line for which way the marker leans.
    """
    fit, (of_points, of_known) = fits[0], parts
    told = [
        term(
            source,
            value=None,
            unit=unit,
            u=u_point,
            sensitivity=of_points / u_point,
            basis=basis,
            dof=float(max(count - len(fit.unknowns), 1)),
        )
    ]
    for known, part in zip(fit.known, of_known, strict=True):
        value = float(np.exp(known.value)) if known.source == DISTANCE else known.value
        told.append(term(known.source, value=value, unit=known.unit, u=known.u, sensitivity=part / known.u, basis=known.basis))
    if len(fits) > 1:
        part = half_apart(logs(fits[0]), logs(fits[1]))
        alike = "half the difference of two fits that explain the picture alike"
        told.append(term(leans, value=None, unit="1", u=part, sensitivity=1.0, basis=alike))
    return tuple(told)


def half_apart(one: np.ndarray, other: np.ndarray) -> float:
    """Relative standard uncertainty from not knowing which of two fits is true: half their difference."""
    return float(np.sqrt(np.mean((one - other) ** 2)) / 2)


def steep(view: View) -> tuple[str, ...]:
    """What is said of a camera that leaned too far."""
    if view.tilt_deg <= STEEP_DEG:
        return ()
    return (f"the camera leaned {view.tilt_deg:.0f} deg: photograph from straight above, within 15 deg",)


def of_lens(fit: Fitted, photo: Any, lens: Focal, *, u_focal: float, k1: float, entered: bool, own: str) -> dict[str, Any]:
    """Evidence of how far away the lens was, by what this is known (`own`: the marker's perspective), and what lens it was."""
    if entered:
        distance_from = "the camera distance as entered, with the picture's own evidence"
    else:
        distance_from = own if u_focal < 0.5 * lens.u_rel else lens.words
    return {
        "lens_over_marker_mm": fit.view.distance_mm,
        "u_lens_over_marker_rel": u_focal,
        "distance_from": distance_from,
        "focal_px": fit.view.focal_px,
        "focal_35mm_mm": lens.equivalent_mm(photo.width_px, photo.height_px, px=fit.view.focal_px),
        "focal_source": lens.source,
        "k1": k1,
        **({} if lens.profile is None else {"lens_profile": lens.profile.name}),
    }
