"""Place the surface in the photograph: a flat specimen at its height, a bend where its own edges show it to be."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import cv2
import numpy as np

from specimeter.errors import SurfaceError
from specimeter.photo import Photo
from specimeter.scale.bend_fit import Knowledge, Placed, between_leg_ends, refine
from specimeter.scale.borders import Reduced, reduce, silhouette_angle
from specimeter.scale.card_layout import CARDS
from specimeter.scale.crown_line import MARKED_BASIS, Marked, between_legs, marked, silhouettes, through_marked
from specimeter.scale.likely_face import LikelyFace, likely_face
from specimeter.scale.locate import TURNS_DEG, Candidate, candidates
from specimeter.scale.model import Scale
from specimeter.scale.region import Looks, looks
from specimeter.scale.surface import Bend, Flat, Surface
from specimeter.sheet import Bend as Bent
from specimeter.sheet import Region, Sheet
from specimeter.sheet_fields import Axis

RADIUS_U_REL = 0.02  # springback opens the bend, bending thins the plate: judged from common practice, no source
RADIUS_BASIS = "judgement: springback and thinning, 2 % of the radius, narrowed by the silhouettes"
U_BOW = 0.01  # side edges bow in over the face: bending narrows the stretched side (judgement)
OF_THE_LENS = ("principal distance", "camera distance")  # lines of the scale's budget
LEAST_LENS_REL = 0.003  # a lens whose distance matters more than this is refined on the bend itself
UNKNOWN_HEIGHT_MM, UNKNOWN_HEIGHT_U_REL = 5.0, 0.15  # a height less certain than this leaves the size on the picture open
TALLEST_MM = 80.0  # how far a crown may stand over a card on the bench
SPREADS_MM = (1.8, 0.9, 0.45)  # how far from the predicted border an edge may lie, pass by pass
WEIGHED, TRIED = 32, 8  # rough places that are held against what the network sees, and those looked at more closely
LIKELY = 0.4  # worth of a place that agrees with the network, beside the evidence of its borders (judgement)
ENOUGH_LIKELY = 0.75  # overlap from which on more of it says nothing: the network's own borders are rough
CENTRED, U_BESIDE = 0.04, 0.08  # worth that is lost a place whose middle lies so much of the radius beside the network's
MOST_REFINED = 3  # candidates that the narrow searches are spent on
NEIGHBOURS = (  # shift over radius, turn in degrees, size; the last two where the size is open
    (-0.13, 0.0, 1.0), (0.13, 0.0, 1.0), (-0.28, 0.0, 1.0), (0.28, 0.0, 1.0), (0.0, -3.0, 1.0), (0.0, 3.0, 1.0),
    (0.0, 0.0, 1.06), (0.0, 0.0, 0.94),
)  # fmt: skip
NEARLY, NEARLY_CUT = 0.05, 0.12  # worth by which another place may lack and still be said; where a rim cuts one of them off
CUT_OFF = 0.05  # less worth for each silhouette beyond the picture: few photographs cut the face off (judgement)
SURELY_LIKELY = 0.92  # overlap with the network's face above which nobody asks whether the axis runs the other way
MUCH_MORE, ENOUGH = 0.15, 1.2  # worth by which a place turned by a right angle must win; worth it needs alone (judgement)
FOUND, DOUBTFUL = 0.45, 0.62  # support below which nothing counts as found, or a caution is due


def place_surface(photo: Photo, sheet: Sheet, scale: Scale) -> Surface:
    """The surface that the specimen's pixels lie on.

    A bend's radius is half the former plus the specimen's thickness; where its crown runs is taken from the sheet's axis
    and refined on the picture's own edges: side edges (the ends of the cylinder) and silhouettes.

    Raises
    ------
    SurfaceError
        If no bent specimen of the sheet's size shows in the photograph, or the axis given lies outside it or across the bend.
    """
    if sheet.bend is None or not sheet.specimen.test.endswith("bend"):
        return Flat(view=scale.view, height_mm=scale.surface_height_mm)
    start, window, turns = _prior(photo, sheet, sheet.bend, scale)
    axis, width = sheet.bend.axis, sheet.specimen.specimen_width_mm
    mm_per_px = Flat(view=scale.view, height_mm=scale.surface_height_mm).mm_per_px_at(_middle_px(photo))
    size = min(width or 20.0, 1.6 * start.radius_mm)
    hide = card_outlines_px(scale)

    def reduced() -> tuple[Reduced, Reduced, Looks]:
        fine, coarse = (reduce(photo.rgb, max(1, int(size / count / mm_per_px))) for count in (110, 38))
        return fine, coarse, looks(fine, hide)

    with ThreadPoolExecutor(1) as beside:  # both leave Python alone for most of their time
        drawn = beside.submit(reduced)
        likely = likely_face(photo.rgb, mm_per_px, hide)
        fine, coarse, seen = drawn.result()
    known = replace(_knowledge(start, width, scale, likely), marked=marked(axis, scale.view, scale.surface_height_mm))
    guess = sheet.region.outline_px if sheet.region else None

    def rough_fits(begin: Bend) -> list[Placed]:
        found = candidates(
            coarse, begin, width, likely, window_mm=window, hide_px=hide, turns_deg=turns, sizes=_sizes(scale), count=WEIGHED
        )
        found = _likeliest([one for one in found if not _on_card(one, scale)], likely)
        return _rough_fits(fine, seen, found, known)

    def fits(rough: Sequence[Placed]) -> list[Placed]:
        return [fit for fit in _best_fits(fine, seen, rough, known) if _holds(fit, guess)]

    rough = rough_fits(start)
    placed = fits(rough)
    lost = not placed or placed[0].support < FOUND
    if isinstance(axis, str) and guess is None and (lost or placed[0].likely < SURELY_LIKELY):
        across = rough_fits(replace(start, direction_deg=start.direction_deg + 90.0))
        if lost or (across and _worth(across[0], known) > _worth(rough[0], known)):  # else it will not win by so much more
            across = fits(across)
            least = ENOUGH if lost else _worth(placed[0], known) + MUCH_MORE
            if across and across[0].support >= FOUND and _worth(across[0], known) > least:
                raise _other_way(photo, axis)
    if lost:
        if (by_hand := _by_hand(sheet.region, start, known)) is not None:
            return by_hand
        raise SurfaceError(
            "no bent specimen of the sheet's size stands out from the background",
            file=photo.file,
            expected=f"a face {width or '?'} mm wide, bent to a radius of {start.radius_mm:g} mm, axis {_axis_words(axis)}",
            mend="check the former, the thickness and the scale; or give [bend] axis as two points on the crown line, "
            "or draw the face in [region] outline_px",
        )
    best, *others = placed

    def said(fit: Placed) -> Bend:
        surface = _surface(fit, others, known)
        return surface if silhouettes(surface) else between_legs(surface)

    def held(line: Marked) -> Bend | None:
        bend = replace(best.bend, crown_mm=line.at_mm)
        fit = refine(fine, seen, bend, best.ends_mm, SPREADS_MM[1:], replace(known, held=line), best.shift)
        return None if fit is None else said(fit)

    return said(best) if known.marked is None else through_marked(said(best), known.marked, held)


def _other_way(photo: Photo, axis: str) -> SurfaceError:
    other = {"vertical": "horizontal", "horizontal": "vertical"}[axis]
    return SurfaceError(
        f"the sheet says that the bend's axis runs {axis}, and the specimen in the photograph is bent about a {other} one",
        file=photo.file,
        field="bend.axis",
        expected="the direction of the crown line in the photograph as it is looked at, upright",
        mend=f'write axis = "{other}", or give two points on the crown line; if it shows no bend at all, correct specimen.test',
    )


def settled(scale: Scale, surface: Surface) -> Scale:
    """The scale once a bend has told the lens's distance: its view is the surface's, and its budget holds what is left.

    What the bend alone tells is what the fit knows beyond what the scale knew; it goes into the scale as one more
    observation of the principal distance.
    """
    u_after = surface.evidence.get("u_lens_distance_rel")
    if u_after is None or scale.lenses is None or scale.refocused is None:
        return scale
    u_before, shift = scale.lenses().u, surface.evidence["lens_distance_shift"]
    told = 1.0 / u_after**2 - 1.0 / u_before**2
    if told * u_before**2 < 0.1:  # hardly anything
        return replace(scale, view=surface.view)
    own_shift = shift / u_after**2 / told  # the scale's own shift is 0
    better = scale.refocused(scale.view.focal_px * float(np.exp(np.clip(own_shift, -1.5, 1.5))), float(told**-0.5))
    evidence = {**better.evidence, "focal_px": surface.view.focal_px, "lens_over_marker_mm": surface.view.distance_mm}
    if told * u_before**2 > 1.0:
        evidence["distance_from"] = "the bend's own size and perspective"
    return replace(better, view=surface.view, tilt_deg=surface.view.tilt_deg, evidence=evidence)


def card_outlines_px(scale: Scale) -> list[np.ndarray]:
    """Outlines in pixels, each (N, 2), of the card or rule that the scale came from: its edges are not the specimen's."""
    outlines = [np.array(scale.evidence["rule_outline_px"])] if "rule_outline_px" in scale.evidence else []
    for card in CARDS:
        if card.name == scale.evidence.get("card"):
            boxes = [(0.0, 0.0, card.width_mm, card.height_mm)] + ([card.window_mm] if card.window_mm else [])
            for x, y, width, height in boxes:
                along = np.linspace(0, 1, 9)[:-1]
                corners = np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])
                edge = np.concatenate(
                    [a + along[:, None] * (b - a) for a, b in zip(corners, np.roll(corners, -1, 0), strict=True)]
                )
                outlines.append(scale.view.project(np.column_stack([edge, np.zeros(len(edge))])))
    return outlines


def _likeliest(found: Sequence[Candidate], likely: LikelyFace) -> list[Candidate]:
    """Rough places with the best evidence of borders and network together."""

    def worth(one: Candidate) -> float:
        return one.score + _agreed(*likely.agreement(one.bend, (-0.5 * one.width_mm, 0.5 * one.width_mm)))

    return sorted(found, key=lambda one: -worth(one))[:TRIED]


def _agreed(likely: float, beside: float) -> float:
    """Worth of a place's agreement with the network: how far both overlap, and how nearly their middles are one."""
    return min(likely / ENOUGH_LIKELY, 1.0) * (LIKELY - CENTRED * min((beside / U_BESIDE) ** 2, 4.0))


def _on_card(one: Candidate, scale: Scale) -> bool:
    """Whether the face lies, by more than half, on the printed card itself."""
    s, a = np.meshgrid(np.linspace(-0.7, 0.7, 7) * one.bend.radius_mm, np.linspace(-0.5, 0.5, 7) * one.width_mm)
    points = one.bend.project(np.column_stack([s.ravel(), a.ravel()])).astype(np.float32)
    on = np.zeros(len(points), bool)
    for outline in card_outlines_px(scale):  # the window comes after the card's own outline, and takes its part away
        polygon = outline.astype(np.float32).reshape(-1, 1, 2)
        on ^= np.array([cv2.pointPolygonTest(polygon, (float(x), float(y)), False) > 0 for x, y in points])
    return bool(on.mean() > 0.5)


def _middle_px(photo: Photo) -> np.ndarray:
    return np.array([(photo.width_px - 1) / 2, (photo.height_px - 1) / 2])


def _axis_words(axis: Axis) -> str:
    return axis if isinstance(axis, str) else "through the two points given"


def _prior(photo: Photo, sheet: Sheet, bent: Bent, scale: Scale) -> tuple[Bend, list[float], np.ndarray]:
    """What the sheet says before the picture is looked at: the bend, where its crown may be, directions to try."""
    flat = Flat(view=scale.view, height_mm=scale.surface_height_mm)
    assert sheet.specimen.specimen_thickness_mm is not None  # the sheet of a bend test gives it
    radius = bent.former_diameter_mm / 2 + sheet.specimen.specimen_thickness_mm
    centre = _middle_px(photo)
    limits = np.array([photo.width_px, photo.height_px]) - 0.5
    if isinstance(bent.axis, str):
        step = np.array([0.0, 1.0]) if bent.axis == "vertical" else np.array([1.0, 0.0])
        corners = np.array([[-0.5, -0.5], [limits[0], -0.5], limits, [-0.5, limits[1]]])
        seen, turns, spare = flat.develop(corners), TURNS_DEG, 0.0
    else:
        points = np.array(bent.axis, float)
        if (points < -0.5).any() or (points > limits).any():
            raise SurfaceError(
                f"an axis point of {points.tolist()} lies outside the photograph",
                file=photo.file,
                field="bend.axis",
                expected=f"two points within {photo.width_px} x {photo.height_px} pixels",
            )
        centre, step = points.mean(axis=0), points[1] - points[0]
        seen, turns = flat.develop(points), np.arange(-8.0, 8.1, 2.0)
        spare = 0.3 * radius + 0.5 * (sheet.specimen.specimen_width_mm or 25.0)
    if sheet.region is not None:
        seen, spare = flat.develop(np.asarray(sheet.region.outline_px, float)), 0.8 * radius
    one, two = flat.develop(np.array([centre - step / np.hypot(*step), centre + step / np.hypot(*step)]))
    direction = float(np.degrees(np.arctan2(*(two - one)[::-1])))
    window = [*(np.nanmin(seen, axis=0) - spare), *(np.nanmax(seen, axis=0) + spare)]
    bend = Bend(
        view=scale.view, crown_mm=flat.develop(centre[None])[0], direction_deg=direction, height_mm=scale.surface_height_mm,
        radius_mm=radius, angle_deg=min(bent.angle_deg, 180.0),
    )  # fmt: skip
    return bend, window, turns


def _by_hand(region: Region | None, start: Bend, known: Knowledge) -> Bend | None:
    """Where the picture shows no edges: the bend where a person put it, by axis points or by a region; None without either."""
    if (line := known.marked) is not None:
        crown, u_crown, u_direction, basis = start.crown_mm, line.u_mm, line.u_direction_deg, MARKED_BASIS
    elif region is not None:
        flat = Flat(view=start.view, height_mm=start.height_mm)
        seen = flat.develop(np.asarray(region.outline_px, float)) @ start.frame[:2, :2].T
        crown = (seen.min(axis=0) + seen.max(axis=0)) / 2 @ start.frame[:2, :2]
        u_crown, u_direction, basis = 0.1 * start.radius_mm, 5.0, "middle of the region drawn by hand (judgement)"
    else:
        return None
    return replace(
        start,
        crown_mm=crown,
        u_crown_mm=u_crown,
        u_direction_deg=u_direction,
        u_radius_mm=RADIUS_U_REL * known.radius_mm,
        basis={"radius": RADIUS_BASIS, "direction": basis, "crown": basis},
        evidence={"support": 0.0, "nominal_radius_mm": round(known.radius_mm, 4)},
        cautions=("The specimen's own edges were not found: its axis was taken from the sheet as it stands.",),
    )


def _knowledge(start: Bend, width_mm: float | None, scale: Scale, likely: LikelyFace) -> Knowledge:
    """What sheet and scale say of the bend's size; a height that nobody entered leaves the scale open."""
    height = sum(term.contribution**2 for term in scale.budget if term.source.startswith("height"))
    lens = sum(term.contribution**2 for term in scale.budget if term.source in OF_THE_LENS)
    told = scale.lenses if lens > LEAST_LENS_REL**2 else None
    loose = told is not None
    u_view = np.sqrt(max(0.0, scale.u_rel**2 - height - lens * loose))  # a wrong height changes all sizes alike
    u_sizes = np.sqrt(max(0.0, u_size(scale) ** 2 - lens * loose))
    return Knowledge(
        radius_mm=start.radius_mm,
        width_mm=width_mm,
        u_radius=float(np.hypot(RADIUS_U_REL, u_sizes)),
        u_width=float(np.linalg.norm([u_sizes, 0.012, 0.25 / (width_mm or 25.0)])),
        lenses=None if told is None else told(),
        u_ratio=float(np.hypot(RADIUS_U_REL, u_view)),
        u_bow=float(np.hypot(U_BOW, 0.5 * u_view)),
        likely=likely,
    )


def u_size(scale: Scale) -> float:
    """Relative standard uncertainty with which the scale foretells sizes on the picture, for finding things there: a height
    that nobody entered leaves them wide open, as the crown may stand far above the card."""
    return float(np.hypot(scale.u_rel, UNKNOWN_HEIGHT_U_REL if height_open(scale) else 0.0))


def height_open(scale: Scale) -> bool:
    """Whether the crown's height is so uncertain that its size on the picture is open, and nothing else told its size."""
    return scale.surface_height_u_mm >= UNKNOWN_HEIGHT_MM and "height_from" not in scale.evidence


def _sizes(scale: Scale) -> np.ndarray:
    """Factors on the expected size that are tried: where nobody entered the crown's height it may stand far above the card."""
    if not height_open(scale):
        return np.array([1.0])
    lens = scale.view.distance_mm - scale.surface_height_mm
    largest = lens / max(lens - TALLEST_MM, 0.7 * lens)
    return np.geomspace(1.0, largest, max(2, int(np.ceil(np.log(largest) / 0.06))))


def _rough_fits(picture: Reduced, seen: Looks, rough: Sequence[Candidate], known: Knowledge) -> list[Placed]:
    """The few best of the candidates after a wide search for their borders, best first."""
    fits = []
    for one in rough:
        starts = [one.bend]
        if any(silhouette_angle(one.bend, side) is None for side in (-1.0, 1.0)):  # a leg is in view
            starts.append(between_leg_ends(picture, one.bend, one.width_mm))
        ends = (-0.5 * one.width_mm, 0.5 * one.width_mm)
        fits += [refine(picture, seen, start, ends, SPREADS_MM[:1], known) for start in starts]
    return sorted((fit for fit in fits if fit), key=lambda fit: -_worth(fit, known))[:MOST_REFINED]


def _best_fits(picture: Reduced, seen: Looks, few: Sequence[Placed], known: Knowledge) -> list[Placed]:
    """Rough fits refined on their borders by ever narrower searches, best first."""
    few = [_climbed(picture, seen, fit, known) for fit in few]
    fits = [refine(picture, seen, fit.bend, fit.ends_mm, SPREADS_MM[-1:], known, fit.shift) for fit in few]
    return sorted((_unstrained(picture, seen, fit, known) for fit in fits if fit), key=lambda fit: -_worth(fit, known))


def _climbed(picture: Reduced, seen: Looks, fit: Placed, known: Knowledge) -> Placed:
    """The fit, or a better one from beside it: streaks of light along the face pass for silhouettes a little way off."""
    best = fit
    for _ in range(2):
        before = best
        for shift, turn, size in NEIGHBOURS if known.u_radius > 0.1 else NEIGHBOURS[:-2]:
            bend = before.bend
            moved = bend.crown_mm + shift * bend.radius_mm * bend.frame[0, :2]
            turned = bend.direction_deg + turn
            start = replace(bend, crown_mm=moved, direction_deg=turned, radius_mm=bend.radius_mm * size)
            ends = (before.ends_mm[0] * size, before.ends_mm[1] * size)
            other = refine(picture, seen, start, ends, SPREADS_MM[1:2], known, before.shift)
            if other is not None and _worth(other, known) > _worth(best, known):
                best = other
        if best is before:
            break
    return best


def _unstrained(picture: Reduced, seen: Looks, fit: Placed, known: Knowledge) -> Placed:
    """The fit, or a better one of the nominal radius from either silhouette: the rim may have passed for the other."""
    more = known.radius_mm - fit.bend.radius_mm
    if abs(np.log(known.radius_mm / fit.bend.radius_mm)) < known.u_radius:
        return fit
    moved = [fit.bend.crown_mm + way * more * fit.bend.frame[0, :2] for way in (-1.0, 1.0)]
    starts = [replace(fit.bend, crown_mm=crown, radius_mm=known.radius_mm) for crown in moved]
    others = [refine(picture, seen, start, fit.ends_mm, SPREADS_MM[1:2], known, fit.shift) for start in starts]
    return max([fit, *(other for other in others if other)], key=lambda one: _worth(one, known))


def _worth(fit: Placed, known: Knowledge) -> float:
    """For ranking: support, less what width and radius are off what is known of them."""
    radius = np.log(fit.bend.radius_mm / known.radius_mm)
    surprise = (radius / known.u_radius) ** 2
    if known.width_mm is not None:
        size = np.log(fit.width_mm / known.width_mm)
        surprise += ((radius - size) / known.u_ratio) ** 2 + (size / known.u_width) ** 2
    if known.lenses is not None:
        surprise += known.lenses.surprise(fit.shift) ** 2
    if known.marked is not None:
        surprise += known.marked.surprise(fit.bend)
    shows = fit.support + 0.12 * fit.shading + 0.15 * fit.ends_there + 0.8 * (fit.region - 0.5)
    shows += _agreed(fit.likely, fit.beside)
    return shows - 0.01 * min(surprise, 30.0) - CUT_OFF * fit.beyond_rim


def _holds(fit: Placed, guess: Sequence | None) -> bool:
    """Whether the fitted face covers the middle of the region that a person drew."""
    if guess is None:
        return True
    s, a = fit.bend.develop(np.mean(np.asarray(guess, float), axis=0)[None])[0]
    return bool(abs(s) < fit.bend.radius_mm * 1.3 and fit.ends_mm[0] < a < fit.ends_mm[1])


def _surface(best: Placed, others: Sequence[Placed], known: Knowledge) -> Bend:
    """The chosen fit as a surface, with its evidence and what should be said about it."""
    cautions = []
    width, measured = known.width_mm, best.width_mm
    if best.support < DOUBTFUL:
        cautions.append("The specimen's edges stand out weakly from the background: check the outline of the examined area.")
    rivals = [other for other in others if _elsewhere(best, other)]
    rival = max((_worth(other, known) for other in rivals), default=0.0)
    if any(_worth(other, known) > _worth(best, known) - _near(best, other) for other in rivals):
        cautions.append("Another place in the photograph fits the specimen's size nearly as well: check the examined area.")
    if width is not None and abs(measured / width - 1) > max(0.08, 2 * known.u_radius):
        cautions.append(
            f"The face found is {measured:.1f} mm wide, the calliper says {width:g} mm: the wrong edges may have been taken."
        )
    evidence = {
        "support": round(best.support, 3),
        "borders": {name: round(value, 3) for name, value in best.by_border.items()},
        "side_edges_a_mm": [round(value, 4) for value in best.ends_mm],
        "shading": round(best.shading, 3),
        "inside_against_outside": round(best.region, 3),
        "likely": round(best.likely, 3),
        "ends_at_silhouettes": round(best.ends_there, 3),
        "worth": round(float(_worth(best, known)), 3),
        "rival_worth": round(float(rival), 3),
        "nominal_radius_mm": round(known.radius_mm, 4),
    }
    if known.lenses is not None:
        evidence |= {"lens_distance_shift": best.shift, "u_lens_distance_rel": best.u_shift}
    one_sided = RADIUS_U_REL * known.radius_mm if best.beyond_rim else 0.0  # one silhouette: as sure as the radius
    return replace(
        best.bend,
        u_crown_mm=float(np.hypot(best.u_crown_mm, one_sided)),
        u_direction_deg=best.u_direction_deg,
        u_radius_mm=best.u_radius_mm,
        basis={
            "radius": RADIUS_BASIS,
            "direction": "fit to the specimen's own edges, at least 0.2 degrees",
            "crown": "fit to the specimen's own edges, at least 0.2 mm",
        },
        evidence=evidence,
        cautions=tuple(cautions),
    )


def _near(best: Placed, other: Placed) -> float:
    """By how much less worth another place is still said: one that the picture's rim cuts off shows less of itself."""
    return NEARLY_CUT if best.beyond_rim or other.beyond_rim else NEARLY


def _elsewhere(one: Placed, other: Placed) -> bool:
    return bool(np.linalg.norm(one.bend.crown_mm - other.bend.crown_mm) > 0.25 * one.bend.radius_mm)
