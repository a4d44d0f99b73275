"""A printed card becomes a scale: its view, its budget, its evidence and what a person must know about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from specimeter.errors import ScaleError
from specimeter.scale import fitted
from specimeter.scale.budget import K, Term, combine, rectangular, term
from specimeter.scale.card_layout import Card
from specimeter.scale.choose import one_marker_only
from specimeter.scale.distance import Focal, focal, narrowed
from specimeter.scale.height import (
    Height,
    check_below_lens,
    length_logs,
    lens_distance,
    lens_over_marker,
    mm_per_px,
    specimen_px,
    surface_height,
)
from specimeter.scale.lenses import Lenses, lenses
from specimeter.scale.markers import Marker
from specimeter.scale.model import Scale
from specimeter.scale.pose import ASPECT, BLOOM, K1, LOG_FOCAL, CardFit, contributions, fit_card, u_height_mm, view_of
from specimeter.scale.strip_marks import StripMarks, strip_marks, tens_agree
from specimeter.sheet import Sheet

_UNMEASURED_PRINT = 0.002  # half-width, relative: printers asked for 100 %
_U_RULE_MM = 0.06  # a printed length read with a steel rule to 0.1 mm
PRINTED_AT = (1.0, 0.7071, 0.5)  # sizes that cards are printed at: full, one paper size down (ISO 216), half
_UNEQUAL = 0.002  # shrink that differs by more in the two directions is worth a word
_SMALL_PX = 20.0
_BELL = 0.35  # spread of a bell's edge fitted to a ramp, over its length: 0.32 to the whole ramp, more where less is looked at
_MOVED_PX, _MOVED_RATIO = 5.0, 1.3  # smeared more one way than the other: well beyond a phone lens's astigmatism (judgement)
_REACHES_MM = (
    14.0,
    17.0,
    22.0,
    30.0,
    45.0,
    65.0,
    100.0,
)  # from a marker's middle, how far its strip's marks are followed, step by step
_LEAST_MARKS_MM = 25.0  # of millimetre marks that stand in for the other marker
_FEWEST_MARKS = 10  # fewer add nothing to two markers
_MOST_DROPPED = 0.25


def scale_from_card(
    photo: Any,
    sheet: Sheet,
    card: Card,
    markers: Sequence[Marker],
    cautions: tuple[str, ...] = (),
    *,
    lens: Focal | None = None,
    height: Height | None = None,
    marks: StripMarks | None = None,
) -> Scale:
    """Scale from a card's markers.

    Parameters
    ----------
    photo : Photo
    sheet : Sheet
    card : Card
    markers : sequence of Marker
        Of this card, at least two; or one of a strip whose millimetre marks show.
    cautions : tuple of str
        What choosing the card had to say.
    lens : Focal, optional
        What is known of the principal distance; absent: what the photograph says.
    height : Height, optional
        Of the measured surface; absent: what the sheet says.
    marks : StripMarks, optional
        Places on a strip's millimetre marks; absent: they are looked for.

    Raises
    ------
    ScaleError
        If the markers do not lie as on this card, the printed length is not its, or the surface would reach the lens.
    """
    height, lens, entered = height or surface_height(sheet), lens or focal(photo), lens_distance(sheet)
    print_scale, print_term = _print(sheet, card, photo)
    distance = None if entered is None else lens_over_marker(entered, height)
    fits, marks = _fits(photo, card, markers, marks, lens, print_scale, distance)
    if not fits:
        raise _not_this_card(card, photo)
    fit = fits[0]
    side_px = float(np.median([marker.side_px for marker in markers]))
    rms_px = float(np.sqrt(np.mean(fit.residual_px**2)))
    if fit.dropped > len(fit.residual_px) or rms_px > 0.03 * side_px:
        raise _not_this_card(card, photo)
    check_below_lens(height, fit.view, photo.file)
    smeared_px = moved_px(markers)
    contradicted = (*_smear(smeared_px, mm_per_px(fit.view, markers[0].centre_px, 0.0)), *_distance_doubt(fit, lens, entered))
    if len(markers) == 1:
        assert marks is not None  # a scale by one marker rests on them
        cautions = (*cautions, _one_marker(markers[0], marks))

    def views() -> Lenses:
        log_px = float(fit.unknowns[LOG_FOCAL])
        u = float(fit.u_known_after[LOG_FOCAL])
        return lenses(fit.unknowns, u, view_of, lambda shift, start: fit.at_focal(log_px + shift, start))

    def refocused(px: float, u_rel: float) -> Scale:
        told = narrowed(lens, px=px, u_rel=u_rel)
        return scale_from_card(photo, sheet, card, markers, cautions, lens=told, height=height, marks=marks)

    def raised(height: Height) -> Scale:
        if height.pin is not None:
            height = replace(height, u_mm=float(np.hypot(height.u_mm, u_height_mm(fit, height.over))))
        reference_px = _reference_px(photo, sheet, fit, height)

        def budget_at(point_px: np.ndarray) -> tuple[Term, ...]:
            printed = () if height.pin else (print_term,)  # a specimen's own size in the picture owes nothing to the print
            return (*_budget(fits, point_px, height), *printed, *height.terms(fit.view, point_px))

        budget = budget_at(reference_px)
        return Scale(
            method="card",
            view=fit.view,
            surface_height_mm=height.mm,
            surface_height_u_mm=height.u_mm,
            u_rel=combine(budget),
            budget=budget,
            tilt_deg=fit.view.tilt_deg,
            evidence=_evidence(photo, fit, markers, lens, reference_px, height, print_scale, entered is not None)
            | _of_marks(fit, marks)
            | ({"doubts": list(contradicted)} if contradicted else {}),
            cautions=(
                *cautions,
                *height.cautions,
                *_cautions(fits, lens, side_px, rms_px, print_scale, smeared_px),
                *contradicted,
            ),
            reference_px=(float(reference_px[0]), float(reference_px[1])),
            budget_at=budget_at,
            lenses=views,
            refocused=refocused,
            raised=raised,
        )

    return raised(height)


def _fits(
    photo: Any,
    card: Card,
    markers: Sequence[Marker],
    marks: StripMarks | None,
    lens: Focal,
    print_scale: float,
    distance: tuple[float, float] | None,
) -> tuple[list[CardFit], StripMarks | None]:
    """The view by markers and millimetre marks together, and the marks used.

    With both markers in view the marks' places are known at once; from one alone they are followed outwards, the view
    fitted anew as they reach farther.
    """

    def fit_with(marks: StripMarks | None) -> list[CardFit]:
        size = {"width_px": photo.width_px, "height_px": photo.height_px}
        return fit_card(
            card, markers, focal=lens, print_scale=print_scale, lens_distance_mm=distance, marks=marks, **size
        )  # fmt: skip

    fits = fit_with(marks)
    if marks is not None or not fits or not card.graduations_mm:
        return fits, marks
    light, alone = photo.linear(), fits
    seen_mm = [card.centres_mm[marker.id][0] for marker in markers]
    for reach in _REACHES_MM if len(markers) == 1 else _REACHES_MM[-1:]:
        found = strip_marks(light, card, fits[0].view, print_scale, (min(seen_mm) - reach, max(seen_mm) + reach))
        if found is None or (len(markers) > 1 and len(found.numbers) < _FEWEST_MARKS):
            break
        further = fit_with(found)
        if not further:
            break
        fits, marks = further, found
    if marks is not None and not (
        tens_agree(light, marks, fits[0].view, print_scale) and fits[0].dropped < _MOST_DROPPED * len(fits[0].every_u_px)
    ):
        fits, marks = alone, None
    if len(markers) == 1 and (marks is None or np.ptp(marks.numbers) < _LEAST_MARKS_MM):
        raise one_marker_only(markers[0], photo)
    return fits, marks


def _one_marker(seen: Marker, marks: StripMarks) -> str:
    return (
        f"only marker {seen.id} of the strip was seen well enough: the scale rests on it and on {len(marks.numbers)} of the "
        "strip's millimetre marks, with a wider uncertainty; the other is covered, blurred, too grainy or out of the picture: "
        "photograph both clearly"
    )


def _of_marks(fit: CardFit, marks: StripMarks | None) -> dict[str, Any]:
    if marks is None:
        return {}
    miss = fit.every_residual_px[-len(marks.u_px) :]
    return {
        "strip_marks": len(marks.numbers),
        "strip_marks_px": np.round(marks.points_px, 3).tolist(),
        "strip_marks_residual_px": np.round(-miss, 4).tolist(),
    }


def _print(sheet: Sheet, card: Card, photo: Any) -> tuple[float, Term]:
    """Printed over nominal size, and its line of the budget."""
    nominal, printed, expanded = card.width_mm, sheet.scale.printed_length_mm, sheet.scale.length_U_mm
    if printed is not None and not any(abs(printed / nominal / made - 1) < 0.1 * made for made in PRINTED_AT):
        raise ScaleError(
            f"the {card.name} found is {nominal:g} mm long as drawn, but {printed:g} mm was entered as its printed length",
            file=photo.file,
            field="scale.printed_length_mm",
            expected="the card's long outer side as measured after printing: within 10 % of its drawn length, or of half of it "
            "or 0.707 of it for a card printed smaller on purpose",
            mend="measure the card's long outer side again, or print it at 100 %",
        )
    if expanded is not None:
        u, basis = expanded / K, "its U as entered, or by its certificate (k = 2)"
    elif printed is not None:
        u, basis = _U_RULE_MM, "judgement: long side read with a steel rule to 0.1 mm"
    else:
        u, basis = (
            rectangular(_UNMEASURED_PRINT) * nominal,
            "judgement: printed at 100 %, within 0.2 %; measure it to do better",
        )
    value = nominal if printed is None else printed
    line = term("size of the printed card", value=value, unit="mm", u=u, sensitivity=1.0 / value, basis=basis)
    return value / nominal, line


def _budget(fits: Sequence[CardFit], point_px: np.ndarray, height: Height) -> tuple[Term, ...]:
    fit = fits[0]
    return fitted.lines(
        fits,
        contributions(fit, point_px, height.mm, height.over),
        lambda one: length_logs(one.view, point_px, height.over(one.view)),
        source="edges of the markers",
        basis=f"noise at {len(fit.residual_px)} edge points, enlarged {fit.inflation:.2f} times to explain their residuals",
        unit="px",
        u_point=float(np.median(fit.u_px) * fit.inflation),
        count=len(fit.residual_px),
        leans="which way the card leans",
    )


def moved_px(markers: Sequence[Marker]) -> float:
    """How much farther the squares' edges are smeared one way along the card than the other, in pixels; 0 where alike.

    A lens blurs alike in all directions, near enough; a camera or a card that moved does so along its way. A straight way of
    length L at an even pace turns an edge across it into a ramp of that length; the variances of both ways' edges differ by
    (`_BELL` L)^2 cos(2 turn), so the way is about as long as what is given, or longer; halfway between both it is missed.
    """
    blurs = np.array([marker.side_blurs_px for marker in markers])
    ways = np.median(np.stack([blurs[:, ::2].mean(axis=1), blurs[:, 1::2].mean(axis=1)]), axis=1)
    low, high = float(ways.min()), float(ways.max())
    farther = float(np.sqrt(high**2 - low**2)) / _BELL
    return farther if farther >= _MOVED_PX and high >= _MOVED_RATIO * low else 0.0


def _smear(smeared_px: float, px_mm: float) -> tuple[str, ...]:
    if not smeared_px:
        return ()
    return (
        f"the camera or the card moved: the card's edges are smeared by {smeared_px:.0f} px ({smeared_px * px_mm:.2g} mm) more "
        "one way than the other, and likely so is the specimen; hold the camera still and photograph it again",
    )


def _cautions(
    fits: Sequence[CardFit], lens: Focal, side_px: float, rms_px: float, print_scale: float, smeared_px: float
) -> tuple[str, ...]:
    fit = fits[0]
    said = [*fitted.steep(fit.view)]
    if side_px < _SMALL_PX:
        said.append(f"the card's squares are only {side_px:.0f} pixels wide: move nearer or use a finer picture")
    if fit.inflation > 4.0 and rms_px > 0.15:
        said.append(
            f"the markers' edges miss a flat card by {rms_px:.2f} px: the card is bent, or the picture was altered; "
            "the uncertainty was enlarged to match"
        )
    if len(fits) > 1:
        said.append("the card is too small in the picture to show which way it leans; the uncertainty allows for both")
    aspect, u_aspect = float(fit.unknowns[ASPECT]), float(fit.u_known_after[ASPECT])
    if abs(aspect) > max(_UNEQUAL, 3.0 * u_aspect) and not smeared_px:
        said.append(
            f"the card shows {100 * abs(aspect):.2f} % {'longer' if aspect > 0 else 'shorter'} in height than in width, as if "
            "the printer shrank it unequally, and this was allowed for; a picture cropped off its middle looks alike: use the "
            "whole photograph, and check the card with a rule"
        )
    if print_scale < 0.9:
        said.append(f"the card was printed at {100 * print_scale:.0f} % of its size, as its printed length says")
    off = abs(fit.unknowns[LOG_FOCAL] - np.log(lens.px)) / lens.u_rel
    if lens.source == "exif" and off > 3.0:
        said.append(
            "the card's perspective disagrees with the photograph's focal length: was the picture cropped or altered? Use the "
            "whole photograph"
        )
    return tuple(said)


def _distance_doubt(fit: CardFit, lens: Focal, entered: tuple[float, float] | None) -> tuple[str, ...]:
    """What an entered camera distance says against the picture's own perspective: one sentence, or none."""
    known = [one for one in fit.known if one.index < 0]
    if entered is None or not known:
        return ()
    along = fit.view.distance_mm / float(fit.view.rotation[2, 2])
    off = abs(fit.unknowns[LOG_FOCAL] - np.log(lens.px)) / lens.u_rel
    if abs(along - known[0].value) <= 3.0 * known[0].u and off <= 3.0:
        return ()
    own = along * float(np.exp(np.log(lens.px) - fit.unknowns[LOG_FOCAL])) if off > 3.0 else along
    mine = entered[0] + own - known[0].value
    return (f"the camera distance of {entered[0]:.0f} mm disagrees with the picture's own, about {mine:.0f} mm",)


def _evidence(
    photo: Any,
    fit: CardFit,
    markers: Sequence[Marker],
    lens: Focal,
    reference_px: np.ndarray,
    height: Height,
    print_scale: float,
    distance_entered: bool,
) -> dict[str, Any]:
    u_after = fit.u_known_after
    first = np.cumsum([0, *(len(marker.side) for marker in markers)])
    lie = {marker.id: -fit.every_residual_px[start:] for marker, start in zip(markers, first, strict=False)}
    return {
        "card": fit.card.name,
        "markers": [
            {
                "id": marker.id,
                "centre_px": marker.centre_px.tolist(),
                "corners_px": marker.corners_px.tolist(),
                "side_px": marker.side_px,
                "blur_px": marker.blur_px,
                # how far its edges lie outside of where the fit puts them: top, right, bottom, left
                "residual_px": [float(np.mean(lie[marker.id][: len(marker.side)][marker.side == side])) for side in range(4)],
            }
            for marker in sorted(markers, key=lambda marker: marker.id)
        ],
        "edge_points": len(fit.residual_px),
        "edge_points_dropped": fit.dropped,
        "residual_rms_px": float(np.sqrt(np.mean(fit.residual_px**2))),
        "u_edge_px": float(np.median(fit.u_px)),
        "inflation": fit.inflation,
        **fitted.of_lens(
            fit,
            photo,
            lens,
            u_focal=float(u_after[LOG_FOCAL]),
            k1=fit.view.k1,
            entered=distance_entered,
            own="the card's own perspective",
        ),
        "u_k1": float(u_after[K1]),
        "print_height_over_width": 1.0 + float(fit.unknowns[ASPECT]),
        "growth_of_black_mm": float(fit.unknowns[BLOOM]),
        "print_scale": print_scale,
        "mm_per_px_at_reference": mm_per_px(fit.view, reference_px, height.mm),
    }


def _reference_px(photo: Any, sheet: Sheet, fit: CardFit, height: Height) -> np.ndarray:
    """Where the specimen is taken to lie, [x, y]: as the sheet says, else the frame's window, else the picture's middle."""
    said = specimen_px(sheet)
    if said is not None:
        return said
    if fit.card.window_mm is not None:
        x, y, width, depth = fit.card.window_mm
        return fit.view.project(np.array([[x + width / 2, y + depth / 2, -height.mm]]))[0]
    return np.array([(photo.width_px - 1) / 2, (photo.height_px - 1) / 2])


def _not_this_card(card: Card, photo: Any) -> ScaleError:
    return ScaleError(
        f"the markers do not lie as on the {card.name}",
        file=photo.file,
        field="scale.method",
        expected=f"a flat {card.name} as this tool prints it, {card.width_mm:g} x {card.height_mm:g} mm",
        mend="flatten the card, or print it anew from this tool at 100 %",
    )
