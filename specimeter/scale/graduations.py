"""A rule in the picture becomes a scale: its view, its budget, its evidence and what a person must know about it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from specimeter.errors import ScaleError
from specimeter.scale import fitted
from specimeter.scale.budget import K, Term, combine, rectangular, term
from specimeter.scale.distance import Focal, focal, narrowed
from specimeter.scale.graduations_choose import Edge, divisions, find_edges
from specimeter.scale.graduations_fit import LOG_FOCAL, Comb, RuleFit, contributions, fit_rule, view_of
from specimeter.scale.height import (
    Height,
    check_below_lens,
    height_term,
    length_logs,
    lens_distance,
    lens_over_marker,
    mm_per_px,
    specimen_px,
    surface_height,
)
from specimeter.scale.lenses import Lenses, lenses
from specimeter.scale.model import Scale
from specimeter.sheet import Sheet

_RULE_MM, _RULE_REL = 0.1, 0.001  # half-widths: how true a rule without certificate is over the length seen
_STRAY = 0.06  # of a division: marks that miss an even rule by more are not one
_BOTH = 2.0  # how much worse two edges together may fit than the first alone
_LEAST_MM_SEEN = 12
_COURSE, _FEWEST_SCATTER = 5, 16  # degree of a smooth course along a row; marks that show what they scatter by about it
_INWARD_MM, _OUTWARD_MM = 16.0, 1.5  # a rule's marks and figures, from its marks' outer ends


def scale_from_graduations(photo: Any, sheet: Sheet, *, edges: list[Edge] | None = None, lens: Focal | None = None) -> Scale:
    """Scale from a rule found in the photograph.

    Parameters
    ----------
    photo : Photo
    sheet : Sheet
        Its scale may say ``graduation_mm``, the smallest division; absent, the pattern of long and short marks must.
    edges : list of Edge, optional
        If they were found before.
    lens : Focal, optional
        What is known of the principal distance; absent: what the photograph says.

    Returns
    -------
    Scale
        World x along the rule, origin at the first mark of the longest kind. The budget holds where the sheet says that
        the specimen lies, else at the picture's middle.

    Raises
    ------
    ScaleError
        No rule shows, its divisions are ambiguous or contradict the sheet, or its marks do not stand evenly on a plane.
    """
    edges = find_edges(photo) if edges is None else edges
    if not edges:
        raise ScaleError(
            "no rule was found: no row of at least 12 even marks, ending on a common line",
            file=photo.file,
            field="scale.method",
            expected="a rule beside the specimen, flat, sharp, without glare on its marks, 20 mm or more of it in view",
            mend="photograph again with the rule's marks well lit, or mark two points of it and enter the length between them",
        )
    chosen, said = divisions(edges, sheet.scale.graduation_mm, photo)
    return _scale(photo, sheet, chosen, said, lens=lens or focal(photo))


def _scale(photo: Any, sheet: Sheet, chosen: Sequence[tuple[Edge, float]], said: tuple[str, ...], *, lens: Focal) -> Scale:
    height, entered = surface_height(sheet), lens_distance(sheet)
    over = None if entered is None else lens_over_marker(entered, height)
    combs = [_comb(edge, division) for edge, division in chosen]
    fits, combs, apart = _fit(combs, lens, photo, over)
    if apart is not None:
        said = (*said, apart)
    if not fits or _rms(fits[0]) > _STRAY * combs[0].division_mm:
        raise ScaleError(
            "evenly spaced marks were found, but they do not stand evenly on a flat rule",
            file=photo.file,
            field="scale.method",
            expected="one flat rule in view",
            mend="lay the rule flat, or mark two points of it and enter the length between them",
        )
    fit = fits[0]
    view = fit.view
    check_below_lens(height, view, photo.file)
    where = specimen_px(sheet)
    reference_px = np.array([(photo.width_px - 1) / 2, (photo.height_px - 1) / 2]) if where is None else where
    rule_term = _rule(sheet, combs[0])

    def budget_at(point_px: np.ndarray) -> tuple[Term, ...]:
        return (*_budget(fits, point_px, height), rule_term, height_term(view, point_px, height))

    def views() -> Lenses:
        log_px = float(fit.unknowns[LOG_FOCAL])
        u = float(np.sqrt(fit.covariance[LOG_FOCAL, LOG_FOCAL]))
        return lenses(fit.unknowns, u, view_of, lambda shift, start: fit.at_focal(log_px + shift, start))

    def refocused(px: float, u_rel: float) -> Scale:
        return _scale(photo, sheet, chosen, said, lens=narrowed(lens, px=px, u_rel=u_rel))

    budget = budget_at(reference_px)
    return Scale(
        method="graduations",
        view=view,
        surface_height_mm=height.mm,
        surface_height_u_mm=height.u_mm,
        u_rel=combine(budget),
        budget=budget,
        tilt_deg=view.tilt_deg,
        evidence=_evidence(photo, chosen[: len(combs)], fits[0], combs, lens, reference_px, height, entered is not None),
        cautions=(*height.cautions, *said, *_cautions(fits, combs)),
        reference_px=(float(reference_px[0]), float(reference_px[1])),
        budget_at=budget_at,
        lenses=views,
        refocused=refocused,
    )


def _comb(edge: Edge, division_mm: float) -> Comb:
    marks = edge.marks
    index = marks.index - edge.pattern.first
    per_px = division_mm / marks.path.period_px(marks.path.u_of(marks.index))
    good = _good(edge)
    u_px = [_scattered(edge, half, row) for half, row in enumerate(good)]
    return Comb(
        index=np.concatenate([index[row] for row in good]),
        points_px=np.concatenate([points[row] for points, row in zip(marks.points_px, good, strict=True)]),
        u_mm=np.concatenate([u * per_px[row] for u, row in zip(u_px, good, strict=True)]),
        division_mm=division_mm,
        line_px=marks.line_px,
        u_line_mm=marks.u_line * division_mm,
        apart_px=float(np.nanmedian(np.linalg.norm(np.subtract(*marks.points_px), axis=1))),
    )


def _scattered(edge: Edge, half: int, row: np.ndarray) -> np.ndarray:
    """Noise in pixels of the places on one half of the marks: enlarged to what they scatter by about a smooth course."""
    marks = edge.marks
    u_px, index = marks.u_px[half, row], marks.index[row]
    if len(index) < _FEWEST_SCATTER:
        return u_px
    off = (marks.points_px[half, row] - marks.path.origin_px) @ marks.path.along - marks.path.u_of(index)
    at = (index - index.mean()) / max(float(np.ptp(index)), 1.0)
    course = np.polynomial.polynomial.polyfit(at, off, _COURSE)
    off = off - np.polynomial.polynomial.polyval(at, course)
    scatter = 1.4826 * float(np.median(np.abs(off))) * np.sqrt(len(off) / (len(off) - _COURSE - 1))
    return u_px * max(1.0, scatter / float(np.median(u_px)))


def _fit(
    combs: list[Comb], lens: Focal, photo: Any, over: tuple[float, float] | None
) -> tuple[list[RuleFit], list[Comb], str | None]:
    """The view by both edges where they agree, else by the first alone, and then what is to be said."""
    size = {"focal": lens, "width_px": photo.width_px, "height_px": photo.height_px, "lens_distance_mm": over}
    alone = fit_rule(combs[:1], **size)
    if len(combs) == 1 or not alone:
        return alone, combs[:1], None
    both = fit_rule(combs, **size)
    if both and both[0].inflation < _BOTH * alone[0].inflation and both[0].dropped < 0.1 * len(both[0].u_mm):
        return both, combs, None
    return (
        alone,
        combs[:1],
        (
            "a second row of marks does not lie on the first one's plane or is not spaced alike: another rule, or one that is "
            "not flat; only the first row was used"
        ),
    )


def _rms(fit: RuleFit) -> float:
    return float(np.sqrt(np.mean(fit.residual_mm**2)))


def _rule(sheet: Sheet, comb: Comb) -> Term:
    """How true the rule itself is over the length seen."""
    span, expanded = float(np.ptp(comb.index)) * comb.division_mm, sheet.scale.length_U_mm
    if expanded is not None:
        u, basis = expanded / K, "its U as entered, or by its certificate (k = 2)"
    else:
        u = rectangular(max(_RULE_MM, _RULE_REL * span))
        basis = "judgement, no certificate: true to 0.1 mm, or 0.1 %, over the length seen"
    return term("the rule's own divisions", value=span, unit="mm", u=u, sensitivity=1.0 / span, basis=basis)


def _budget(fits: Sequence[RuleFit], point_px: np.ndarray, height: Height) -> tuple[Term, ...]:
    fit = fits[0]
    return fitted.lines(
        fits,
        contributions(fit, point_px, height.mm),
        lambda one: length_logs(one.view, point_px, height.mm),
        source="places of the marks",
        basis=f"noise at {len(fit.residual_mm)} points on marks, enlarged {fit.inflation:.2f} times to explain their residuals",
        unit="mm",
        u_point=float(np.median(fit.u_mm) * fit.inflation),
        count=len(fit.residual_mm),
        leans="which way the rule leans",
    )


def _cautions(fits: Sequence[RuleFit], combs: Sequence[Comb]) -> tuple[str, ...]:
    said = [*fitted.steep(fits[0].view)]
    span = np.ptp(combs[0].index) * combs[0].division_mm
    if span < _LEAST_MM_SEEN:
        said.append(f"only {span:.0f} mm of the rule could be read: let more of it show")
    if len(fits) > 1:
        said.append("the rule does not show which way it leans; the uncertainty allows for both")
    return tuple(said)


def _evidence(
    photo: Any,
    chosen: Sequence[tuple[Edge, float]],
    fit: RuleFit,
    combs: Sequence[Comb],
    lens: Focal,
    reference_px: np.ndarray,
    height: Height,
    entered: bool,
) -> dict[str, Any]:
    u_focal = float(np.sqrt(fit.covariance[LOG_FOCAL, LOG_FOCAL]))
    first = chosen[0][0].marks
    return {
        "edges": [
            _edge(edge, division, miss) for (edge, division), miss in zip(chosen, _misses(fit, combs, chosen), strict=True)
        ],
        "rule_outline_px": _outline(fit, chosen).tolist(),
        "marks": int(sum(len(edge.marks.index) for edge, _ in chosen)),
        "points": len(fit.residual_mm),
        "points_dropped": fit.dropped,
        "residual_rms_mm": _rms(fit),
        "residual_rms_px": _rms(fit) / combs[0].division_mm * first.period_px,
        "u_mark_px": float(np.nanmedian(first.u_px)),
        "inflation": fit.inflation,
        **fitted.of_lens(fit, photo, lens, u_focal=u_focal, k1=fit.view.k1, entered=entered, own="the rule's own perspective"),
        "mm_per_px_at_reference": mm_per_px(fit.view, reference_px, height.mm),
    }


def _misses(fit: RuleFit, combs: Sequence[Comb], chosen: Sequence[tuple[Edge, float]]) -> list[np.ndarray]:
    """For each edge, how far each place on its marks, (2, N), lies off the fit along the rule, in mm; NaN where not located."""
    first, misses = 0, []
    for comb, (edge, _) in zip(combs, chosen, strict=True):
        miss = np.full(edge.marks.u_px.shape, np.nan)
        miss[_good(edge)] = fit.every_residual_mm[first : first + len(comb.index)]
        misses.append(miss)
        first += len(comb.index)
    return misses


def _good(edge: Edge) -> np.ndarray:
    """Which places on marks, (2, N), were located."""
    return np.isfinite(edge.marks.points_px).all(axis=2) & np.isfinite(edge.marks.u_px)


def _edge(edge: Edge, division_mm: float, miss_mm: np.ndarray) -> dict[str, Any]:
    """One edge's evidence; `residual_mm` is how far each mark's middle lies beyond its place on an even rule."""
    marks = edge.marks
    outer, inner = (np.where(np.isfinite(points), points, 0.0) for points in marks.points_px)
    seen = _good(edge).all(axis=0)
    return {
        "division_mm": division_mm,
        "pattern": edge.pattern.name,
        "pattern_explains": edge.pattern.explained,
        "marks": len(marks.index),
        "seen_share": marks.seen_share,
        "dark": marks.dark,
        "contrast": marks.contrast,
        "period_px": marks.period_px,
        "index": (marks.index - edge.pattern.first)[seen].tolist(),
        "outer_px": np.round(outer[seen], 3).tolist(),
        "inner_px": np.round(inner[seen], 3).tolist(),
        "residual_mm": np.round(np.where(seen, miss_mm, 0.0)[:, seen].mean(axis=0), 5).tolist(),
        "length_divisions": np.round(marks.lengths[seen], 2).tolist(),
    }


def _outline(fit: RuleFit, chosen: Sequence[tuple[Edge, float]]) -> np.ndarray:
    """Corners (4, 2) in pixels round the marks and figures of all edges: what is not the specimen."""
    corners = []
    for edge, division in chosen:
        marks = edge.marks
        low, _ = marks.zone if marks.inward > 0 else marks.zone[::-1]
        outer = low - marks.inward * _OUTWARD_MM / division
        inner = outer + marks.inward * _INWARD_MM / division
        ends = np.array([marks.index.min() - 3.0, marks.index.max() + 3.0])
        safe = np.where(np.isfinite(marks.path.u_of(ends)), ends, np.array([marks.index.min(), marks.index.max()], float))
        corners.append(fit.view.on_plane(marks.path.places(safe, np.array([outer, inner])).reshape(-1, 2)))
    world = np.concatenate(corners)
    world = world[np.isfinite(world).all(axis=1)]
    (x0, y0), (x1, y1) = world.min(axis=0), world.max(axis=0)
    return fit.view.project(np.array([[x0, y0, 0.0], [x1, y0, 0.0], [x1, y1, 0.0], [x0, y1, 0.0]]))
