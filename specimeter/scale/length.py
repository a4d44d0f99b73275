"""Two points a known length apart become a view that looks straight down, with a budget for what that leaves out."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from specimeter.errors import ScaleError
from specimeter.scale.budget import K, Term, combine, rectangular, term
from specimeter.scale.distance import Focal, focal, narrowed
from specimeter.scale.edge_points import Refined, refined
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
from specimeter.scale.view import View
from specimeter.sheet import Sheet

_U_LEAN = np.radians(6.0)  # of the camera in each of two directions, held by hand to look straight down
_U_K1, _U_K2 = 0.02, 0.02
_LEAST_PX = 20.0
TILT_UNKNOWN = (
    "a single length cannot show how far the camera leaned: it is taken to look straight down; use a card where sizes matter"
)


def scale_from_length(photo: Any, sheet: Sheet, *, lens: Focal | None = None, told: bool = False) -> Scale:
    """Scale from two marked points and the true distance between them.

    Parameters
    ----------
    photo : Photo
    sheet : Sheet
        Its scale has from_px, to_px and length_mm.
    lens : Focal, optional
        What is known of the lens beforehand, as by a profile; absent: what photograph and sheet say.
    told : bool
        The picture itself told `lens`, with all that the sheet says: an entered distance is not looked at again.

    Returns
    -------
    Scale
        World origin at from_px, x and y along the picture's. The budget holds where the sheet says that the specimen
        lies, else at the picture's middle.

    Raises
    ------
    ScaleError
        If the points are missing, outside the picture or too near to each other.
    """
    marked, length_mm = _ends(photo, sheet)
    found = refined(photo.linear(), marked)
    ends = found.ends_px
    said = specimen_px(sheet)
    reference_px = np.array([(photo.width_px - 1) / 2, (photo.height_px - 1) / 2]) if said is None else said
    length_px = float(np.linalg.norm(ends[1] - ends[0]))
    height, entered = surface_height(sheet), lens_distance(sheet)
    lens = lens or focal(photo)
    own = focal(photo) if lens.profile is None else lens
    contradicted = _distance_doubt(own, entered, height, length_mm / length_px)
    if entered is not None and not told and lens.profile is None:
        distance, u_distance = lens_over_marker(entered, height)  # the length lies `height` below the surface
        lens = Focal(
            px=distance * length_px / length_mm,
            u_rel=u_distance / distance,
            source="camera distance",
            basis="camera distance as entered",
        )
    view = _straight_down(photo, lens, ends, length_mm)
    check_below_lens(height, view, photo.file)

    def budget_at(point_px: np.ndarray) -> tuple[Term, ...]:
        return _budget(photo, sheet, view, lens, height, found, length_mm, point_px)

    def view_at(log_px: np.ndarray) -> View:
        return _straight_down(photo, replace(lens, px=float(np.exp(log_px[0]))), ends, length_mm)

    def views() -> Lenses:
        best = np.array([np.log(lens.px)])
        return lenses(best, lens.u_rel, view_at, lambda shift, _: (best + shift, (shift / lens.u_rel) ** 2))

    def refocused(px: float, u_rel: float) -> Scale:
        return scale_from_length(photo, sheet, lens=narrowed(lens, px=px, u_rel=u_rel), told=True)

    budget = budget_at(reference_px)
    return Scale(
        method="length",
        view=view,
        surface_height_mm=height.mm,
        surface_height_u_mm=height.u_mm,
        u_rel=combine(budget),
        budget=budget,
        tilt_deg=0.0,
        evidence={
            "from_px": ends[0].tolist(),
            "to_px": ends[1].tolist(),
            "points": {"edge": "moved onto the edges", "mark": "moved onto the middles of thin marks", "hand": "as marked"}[
                found.kind
            ],
            "moved_px": list(found.moved_px),
            "u_point_px": found.u_px,
            "length_mm": length_mm,
            "length_px": length_px,
            "tilt": "not measured: taken as straight down",
            "lens_over_marker_mm": view.distance_mm,
            "distance_from": lens.words,
            "focal_px": view.focal_px,
            "focal_35mm_mm": lens.equivalent_mm(photo.width_px, photo.height_px),
            "focal_source": lens.source,
            **({} if lens.profile is None else {"lens_profile": lens.profile.name, "k1": view.k1}),
            "mm_per_px_at_reference": mm_per_px(view, reference_px, height.mm),
        }
        | ({"doubts": list(contradicted)} if contradicted else {}),
        cautions=(*height.cautions, TILT_UNKNOWN, *contradicted),
        reference_px=(float(reference_px[0]), float(reference_px[1])),
        budget_at=budget_at,
        lenses=views,
        refocused=refocused,
    )


def _distance_doubt(lens: Focal, entered: tuple[float, float] | None, height: Height, per_px: float) -> tuple[str, ...]:
    """What an entered camera distance says against the photograph's focal length, or its lens's: one sentence, or none."""
    if entered is None or lens.source not in ("exif", "profile"):
        return ()
    own, (over, u) = lens.px * per_px, lens_over_marker(entered, height)
    if abs(own - over) <= 3.0 * float(np.hypot(u, lens.u_rel * own)):
        return ()
    mine = entered[0] + own - over
    return (f"the camera distance of {entered[0]:.0f} mm disagrees with the picture's own, about {mine:.0f} mm",)


def _ends(photo: Any, sheet: Sheet) -> tuple[np.ndarray, float]:
    given = sheet.scale
    if given.from_px is None or given.to_px is None or given.length_mm is None:
        raise ScaleError(
            "a length was asked for, but its two points or its millimetres are missing",
            file=photo.file,
            field="scale.from_px",
            expected="from_px, to_px and length_mm together",
            mend="mark both ends of the known length in the photograph and enter the distance between them",
        )
    ends = np.array([given.from_px, given.to_px], float)
    for field, (x, y) in zip(("scale.from_px", "scale.to_px"), ends, strict=True):
        if not (-0.5 <= x <= photo.width_px - 0.5 and -0.5 <= y <= photo.height_px - 0.5):
            raise ScaleError(
                f"the point [{x:g}, {y:g}] lies outside the picture",
                file=photo.file,
                field=field,
                expected=f"[x, y] within {photo.width_px} x {photo.height_px} pixels, as the picture stands upright",
                mend="mark the point again",
            )
    apart = float(np.linalg.norm(ends[1] - ends[0]))
    if apart < _LEAST_PX:
        raise ScaleError(
            f"the two points lie only {apart:.1f} pixels apart, which gives no scale",
            file=photo.file,
            field="scale.to_px",
            expected=f"at least {_LEAST_PX:.0f} pixels, better a third of the picture",
            mend="mark the ends of a longer known length, or move the camera nearer",
        )
    return ends, float(given.length_mm)


def _straight_down(
    photo: Any, lens: Focal, ends_px: np.ndarray, length_mm: float, *, bent: tuple[float, float] | None = None
) -> View:
    """A view at right angles, in which the two ends (2, 2) lie `length_mm` apart; distortion as known, or `bent`."""
    profile = lens.profile
    centre = np.array([(photo.width_px - 1) / 2, (photo.height_px - 1) / 2]) if profile is None else profile.centre_px
    k1, k2 = bent or ((0.0, 0.0) if profile is None else (profile.k1, profile.k2))
    near = View(focal_px=lens.px, centre_px=centre, rotation=np.eye(3), translation_mm=np.array([0.0, 0.0, 1.0]), k1=k1, k2=k2)
    places = near.on_plane(ends_px)  # from 1 mm away
    distance = length_mm / float(np.linalg.norm(places[1] - places[0]))
    return replace(near, translation_mm=distance * np.array([*places[0], 1.0]))


def _budget(
    photo: Any, sheet: Sheet, view: View, lens: Focal, height: Height, found: Refined, length_mm: float, point_px: np.ndarray
) -> tuple[Term, ...]:
    ends = found.ends_px
    length_px = float(np.linalg.norm(ends[1] - ends[0]))
    expanded = sheet.scale.length_U_mm
    middle, place = view.on_plane(np.stack([ends.mean(axis=0), np.asarray(point_px, float)]))
    away = float(np.linalg.norm(place - middle))
    reach = view.distance_mm - height.mm
    # how the lens would change what is read here, the two points held: once with distortion, once with another distance
    profile = lens.profile
    k, u_k = (view.k1, view.k2), (_U_K1, _U_K2) if profile is None else (profile.u_k1, profile.u_k2)
    bends = [tuple(np.add(k, u * np.eye(2)[n])) for n, u in enumerate(u_k)]
    logs = [length_logs(_straight_down(photo, lens, ends, length_mm, bent=bend), point_px, height.mm) for bend in bends]
    warps = [float(np.sqrt(np.mean((log - length_logs(view, point_px, height.mm)) ** 2))) for log in logs]
    by_distance = abs(height.mm) / reach
    return (
        term(
            "the known length",
            value=length_mm,
            unit="mm",
            u=rectangular(0.1) if expanded is None else expanded / K,
            sensitivity=1.0 / length_mm,
            basis="no U entered: judgement, within 0.1 mm" if expanded is None else "its U, entered or by certificate (k = 2)",
        ),
        term(
            "marking the two points",
            value=length_px,
            unit="px",
            u=found.u_px,
            sensitivity=float(np.sqrt(2.0)) / length_px,
            basis={
                "edge": "both points moved onto the edge in the picture; uneven light beside it (judgement)",
                "mark": "both points moved onto the middle of the thin mark in the picture (judgement)",
                "hand": "judgement: a point set by hand, both ends",
            }[found.kind],
        ),
        term(
            "camera not straight above: nearer and farther parts",
            value=0.0,
            unit="rad",
            u=float(_U_LEAN),
            sensitivity=away / view.distance_mm * float(np.exp(lens.u_rel**2)),  # root mean square of 1 / distance
            basis="judgement: 6 deg in each of two directions",
        ),
        term(
            "camera not straight above: foreshortening",
            value=0.0,
            unit="rad",
            u=float(_U_LEAN),
            sensitivity=float(_U_LEAN) / np.sqrt(2.0),  # root mean square over both leans and any two directions in the picture
            basis="judgement: 6 deg, second order, between directions in the picture",
        ),
        *(
            term(
                f"lens distortion, k{n + 1}",
                value=k[n],
                unit="1",
                u=u_k[n],
                sensitivity=warps[n] / u_k[n],
                basis="judgement: pictures are mostly corrected" if profile is None else "lens profile",
            )
            for n in (0, 1)
        ),
        term("principal distance", value=1.0, unit="1", u=lens.u_rel, sensitivity=by_distance, basis=lens.basis),
        height_term(view, point_px, height),
    )
