"""Place the surface in the photograph: a flat specimen at its height, a bend where its own edges show it to be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from specimeter.errors import SurfaceError
from specimeter.photo import Photo
from specimeter.scale.borders import Reduced, across_side, across_silhouette, clearance_mm, reduce, silhouette_angle
from specimeter.scale.card_layout import CARDS
from specimeter.scale.locate import TURNS_DEG, Candidate, candidates
from specimeter.scale.model import Scale
from specimeter.scale.surface import Bend, Flat, Surface
from specimeter.sheet import Sheet

RADIUS_U_REL = 0.02  # springback opens the bend, bending thins the plate: judged from common practice, no source
RADIUS_BASIS = "judgement: springback and thinning, 2 % of the radius, narrowed by the silhouettes"
LEAST_U_CROWN_MM, LEAST_U_DIRECTION_DEG = 0.15, 0.15  # borders are never straighter or squarer than this on a hand-cut specimen
SPREADS_MM = (1.8, 0.9, 0.45)  # how far from the predicted border an edge may lie, pass by pass
ROUNDS = 5  # of Gauss-Newton for one set of marks
MOST_REFINED = 3  # candidates that the narrow searches are spent on
LONGEST_STEP = np.array([3.0, 0.08, 0.05, 2.0, 2.0])  # mm, rad, log, mm, mm in one round
FOUND, DOUBTFUL = 0.30, 0.45  # support below which nothing counts as found, or a caution is due


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
    """A bend fitted to its borders."""

    bend: Bend
    ends_mm: tuple[float, float]  # a of the two side edges
    support: float  # 0 to 1: share of the borders' profiles that show an edge where the fit puts it, times its strength
    by_border: dict[str, float]
    u_crown_mm: float
    u_direction_deg: float
    u_radius_mm: float


def place_surface(photo: Photo, sheet: Sheet, scale: Scale) -> Surface:
    """The surface that the specimen's pixels lie on.

    A bend's radius is half the former plus the specimen's thickness; where its crown runs is taken from the sheet's axis
    and refined on the picture's own edges: side edges (the ends of the cylinder) and silhouettes.

    Raises
    ------
    SurfaceError
        If no bent specimen of the sheet's size shows in the photograph, or the axis given lies outside it.
    """
    if sheet.bend is None or not sheet.specimen.test.endswith("bend"):
        return Flat(view=scale.view, height_mm=scale.surface_height_mm)
    start, window, turns = _prior(photo, sheet, scale)
    width = sheet.specimen.specimen_width_mm
    mm_per_px = Flat(view=scale.view, height_mm=scale.surface_height_mm).mm_per_px_at(_middle_px(photo))
    size = min(width or 20.0, 1.6 * start.radius_mm)
    fine = reduce(photo.rgb, max(1, int(size / 110 / mm_per_px)))
    coarse = reduce(photo.rgb, max(1, int(size / 38 / mm_per_px)))
    found = candidates(coarse, start, width, window_mm=window, hide_px=card_outlines_px(scale), turns_deg=turns)
    guess = sheet.region.outline_px if sheet.region else None
    found = [one for one in found if not _on_card(one, scale)]
    placed = [fit for fit in _best_fits(fine, found, scale, width) if _holds(fit, guess)]
    if not placed or placed[0].support < FOUND:
        raise SurfaceError(
            "no bent specimen of the sheet's size stands out from the background",
            file=photo.file,
            expected=f"a face {width or '?'} mm wide, bent to a radius of {start.radius_mm:g} mm, axis {_axis_words(sheet)}",
            mend="check the former, the thickness and the scale; or give [bend] axis as two points on the crown line, "
            "or draw the face in [region] outline_px",
        )
    best = placed[0]
    return _surface(best, placed[1:], sheet, scale)


def card_outlines_px(scale: Scale) -> list[np.ndarray]:
    """Outlines in pixels, each (N, 2), of the card that the scale came from: its edges are not the specimen's."""
    outlines = []
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


def _axis_words(sheet: Sheet) -> str:
    return sheet.bend.axis if isinstance(sheet.bend.axis, str) else "through the two points given"


def _prior(photo: Photo, sheet: Sheet, scale: Scale) -> tuple[Bend, list[float], np.ndarray]:
    """What the sheet says before the picture is looked at: the bend, where its crown may be, directions to try."""
    flat = Flat(view=scale.view, height_mm=scale.surface_height_mm)
    radius = sheet.bend.former_diameter_mm / 2 + sheet.specimen.specimen_thickness_mm
    centre = _middle_px(photo)
    limits = np.array([photo.width_px, photo.height_px]) - 0.5
    if isinstance(sheet.bend.axis, str):
        step = np.array([0.0, 1.0]) if sheet.bend.axis == "vertical" else np.array([1.0, 0.0])
        corners = np.array([[-0.5, -0.5], [limits[0], -0.5], limits, [-0.5, limits[1]]])
        seen, turns, spare = flat.develop(corners), TURNS_DEG, 0.0
    else:
        points = np.array(sheet.bend.axis, float)
        if (points < -0.5).any() or (points > limits).any():
            raise SurfaceError(
                f"the axis point {points[((points < -0.5) | (points > limits)).any(axis=1)][0].tolist()} lies outside the photograph",
                file=photo.file,
                field="bend.axis",
                expected=f"two points within {photo.width_px} x {photo.height_px} pixels",
            )
        centre, step = points.mean(axis=0), points[1] - points[0]
        seen, turns = flat.develop(points), np.arange(-8.0, 8.1, 2.0)
        spare = 0.3 * radius + 0.5 * (sheet.specimen.specimen_width_mm or 25.0)
    one, two = flat.develop(np.array([centre - step / np.hypot(*step), centre + step / np.hypot(*step)]))
    direction = float(np.degrees(np.arctan2(*(two - one)[::-1])))
    window = [*(np.nanmin(seen, axis=0) - spare), *(np.nanmax(seen, axis=0) + spare)]
    bend = Bend(
        view=scale.view, crown_mm=flat.develop([centre])[0], direction_deg=direction, height_mm=scale.surface_height_mm,
        radius_mm=radius, angle_deg=min(sheet.bend.angle_deg, 180.0),
    )  # fmt: skip
    return bend, window, turns


def _best_fits(picture: Reduced, rough: Sequence[Candidate], scale: Scale, width_mm: float | None) -> list[Placed]:
    """Candidates refined on their borders, best first: all by a wide search, the few best by ever narrower ones."""
    u_log_radius = float(np.hypot(RADIUS_U_REL, scale.u_rel))
    fits = []
    for one in rough:
        starts = [one.bend]
        if not any(silhouette_angle(one.bend, side) is not None for side in (-1.0, 1.0)):
            starts.append(_between_leg_ends(picture, one.bend, one.width_mm))
        for start in starts:
            ends = np.array([-0.5, 0.5]) * one.width_mm
            fits.append(_refined(picture, start, ends, SPREADS_MM[:1], start.radius_mm, u_log_radius))
    few = sorted((fit for fit in fits if fit), key=lambda fit: -_worth(fit, width_mm))[:MOST_REFINED]
    nominal = rough[0].bend.radius_mm if rough else 0.0
    fits = [_refined(picture, fit.bend, np.array(fit.ends_mm), SPREADS_MM[1:], nominal, u_log_radius) for fit in few]
    return sorted((fit for fit in fits if fit), key=lambda fit: -_worth(fit, width_mm))


def _refined(
    picture: Reduced, bend: Bend, ends: np.ndarray, spreads: Sequence[float], nominal: float, u_log_radius: float
) -> Placed | None:
    """A bend and its ends after an edge search of each width in turn; None where the borders lead nowhere."""
    width = ends[1] - ends[0]
    for spread in spreads:
        marks = _marks(picture, bend, ends, spread)
        if marks is None:
            return None
        bend, ends, covariance = _solve(bend, ends, marks, nominal, u_log_radius, max(0.12, 0.25 * spread))
        if not np.isfinite(ends).all() or not 0.7 < (ends[1] - ends[0]) / width < 1.4:
            return None
    by_border = _support(picture, bend, ends)
    if by_border is None:
        return None
    middle = float(np.mean(ends))
    u = np.sqrt(np.maximum(np.diag(covariance), 0))
    return Placed(
        bend=replace(bend, crown_mm=bend.crown_mm + middle * bend.frame[1, :2]),
        ends_mm=(float(ends[0] - middle), float(ends[1] - middle)),
        support=_together(by_border),
        by_border=by_border,
        u_crown_mm=float(np.hypot(u[0], LEAST_U_CROWN_MM)),
        u_direction_deg=float(np.hypot(np.degrees(u[1]), LEAST_U_DIRECTION_DEG)),
        u_radius_mm=float(max(u[2], 0.004) * bend.radius_mm),
    )


def _between_leg_ends(picture: Reduced, bend: Bend, width_mm: float) -> Bend:
    """With both legs in view the side edges run on past the arc: a crown half way along them is where to begin."""
    reach = bend.arc_half_mm + 3.0 * bend.radius_mm
    s = np.linspace(-reach, reach, 121)
    seen = np.ones(len(s))
    for end in (-width_mm / 2, width_mm / 2):
        crossings = across_side(picture, bend, end, reach_mm=3.0, s_mm=s)
        weight = np.exp(-0.5 * (crossings.offset_mm / 1.5) ** 2)
        seen = np.minimum(seen, np.max(crossings.edge * weight, axis=1))
    # the stretch round the present crown with the most evidence over what background gives by chance
    gain = np.cumsum(np.append(0.0, seen - 0.45))
    middle = len(s) // 2
    first, last = np.argmin(gain[: middle + 1]), middle + np.argmax(gain[middle:])
    at = bend.world([[s[min(first, len(s) - 1)], 0.0], [s[min(last, len(s) - 1)], 0.0]])[0]
    shift = float(np.mean((at - bend.axis_point_mm) @ bend.frame[0]))
    return replace(bend, crown_mm=bend.crown_mm + shift * bend.frame[0, :2])


Marks = tuple[list[tuple[np.ndarray, np.ndarray]], list[tuple[np.ndarray, np.ndarray]]]


def _marks(picture: Reduced, bend: Bend, ends: np.ndarray, spread: float) -> Marks | None:
    """Pixels (K, 2) and weights (K,) of the best edges near each border: the two sides, then the silhouettes."""
    sides, outlines = [], []
    for end in ends:
        crossings = across_side(picture, bend, end, reach_mm=2.2 * spread)
        if crossings is None:
            return None
        _, points, strength = crossings.peaks(spread)
        sides.append((points, strength))
    for side in (-1.0, 1.0):
        crossings = across_silhouette(picture, bend, side, (ends[0], ends[1]), reach_mm=2.2 * spread)
        if crossings is not None:
            _, points, strength = crossings.peaks(spread)
            outlines.append((points, strength))
    return sides, outlines


def _solve(bend: Bend, ends: np.ndarray, marks: Marks, nominal: float, u_log_radius: float, noise_mm: float):
    """Crown, direction, log radius and the two side edges that fit the marks best, with their covariance (5, 5).

    Gauss-Newton with Cauchy weights, so that stray marks do not pull; the radius is held by what is known beforehand.
    """
    sides, outlines = marks
    across, rays_of = bend.frame[0, :2], bend.view.rays
    side_rays = rays_of(np.concatenate([points for points, _ in sides]))
    which = np.repeat([0, 1], [len(points) for points, _ in sides])
    low_rays = rays_of(np.concatenate([points for points, _ in outlines])) if outlines else np.empty((0, 3))
    strength = np.concatenate([strength for _, strength in (*sides, *outlines)])
    noise = np.append(np.full(len(side_rays), noise_mm), np.full(len(low_rays), 1.5 * noise_mm))
    start = np.array([0.0, 0.0, np.log(bend.radius_mm / nominal), *ends])
    prior = np.array([0.0, 0.0, 1.0 / u_log_radius, 0.0, 0.0])

    def moved(p: np.ndarray) -> Bend:
        crown, direction = bend.crown_mm + p[0] * across, bend.direction_deg + np.degrees(p[1])
        return replace(bend, crown_mm=crown, direction_deg=direction, radius_mm=nominal * float(np.exp(p[2])))

    def off(p: np.ndarray) -> np.ndarray:
        now = moved(p)
        side = np.nan_to_num(now.hit(side_rays)[0][:, 1] - p[3:][which], nan=3.0)
        return np.append(side, clearance_mm(now, low_rays)) / noise

    p = start.copy()
    step = np.array([1e-4, 1e-6, 1e-6])
    for _ in range(ROUNDS):
        here = off(p)
        jacobian = np.zeros((len(here), 5))
        for k in range(3):
            jacobian[:, k] = (off(p + step[k] * np.eye(5)[k]) - here) / step[k]
        jacobian[np.arange(len(which)), 3 + which] = -1.0 / noise[: len(which)]
        weight = strength / (1.0 + here**2)
        normal = jacobian.T @ (weight[:, None] * jacobian) + np.diag(prior**2 + 1e-9)
        p = p - np.clip(np.linalg.solve(normal, jacobian.T @ (weight * here) + prior**2 * p), -LONGEST_STEP, LONGEST_STEP)
        p[2] = np.clip(p[2], -4 * u_log_radius, 4 * u_log_radius)
    # neighbouring profiles share their light: about one in four counts as independent
    shared = jacobian.T @ ((weight / 4)[:, None] * jacobian) + np.diag(prior**2 + 1e-9)
    return moved(p), p[3:], np.linalg.inv(shared)


def _support(picture: Reduced, bend: Bend, ends: np.ndarray) -> dict[str, float] | None:
    """For each border in view, how much of it shows an edge within 0.4 mm of where the fit puts it, 0 to 1."""
    support = {}
    for name, end in zip(("side -a", "side +a"), ends, strict=True):
        crossings = across_side(picture, bend, end, reach_mm=3.0)
        if crossings is None:
            return None
        support[name] = crossings.support(0.4)
    for name, side in (("silhouette -s", -1.0), ("silhouette +s", 1.0)):
        crossings = across_silhouette(picture, bend, side, (ends[0], ends[1]), reach_mm=3.0)
        if crossings is not None:
            support[name] = crossings.support(0.6)
    return support


def _together(by_border: dict[str, float]) -> float:
    """One figure: the sides must both show; silhouettes may hide in shadow."""
    sides = [by_border["side -a"], by_border["side +a"]]
    outlines = [value for name, value in by_border.items() if name.startswith("silhouette")]
    side = 0.6 * min(sides) + 0.2 * sum(sides)
    return float((side + 0.45 * sum(outlines)) / (1 + 0.45 * len(outlines)))


def _worth(fit: Placed, width_mm: float | None) -> float:
    """For ranking: support, less what the measured width is off the calliper's and the radius off its expected value."""
    off = 0.0 if width_mm is None else abs(np.log((fit.ends_mm[1] - fit.ends_mm[0]) / width_mm))
    return fit.support - 3.0 * max(0.0, off - 0.01)


def _holds(fit: Placed, guess: Sequence | None) -> bool:
    """Whether the fitted face covers the middle of the region that a person drew."""
    if guess is None:
        return True
    s, a = fit.bend.develop([np.mean(np.asarray(guess, float), axis=0)])[0]
    return bool(abs(s) < fit.bend.radius_mm * 1.3 and fit.ends_mm[0] < a < fit.ends_mm[1])


def _surface(best: Placed, others: Sequence[Placed], sheet: Sheet, scale: Scale) -> Bend:
    """The chosen fit as a surface, with its evidence and what should be said about it."""
    cautions = []
    width = sheet.specimen.specimen_width_mm
    measured = best.ends_mm[1] - best.ends_mm[0]
    if best.support < DOUBTFUL:
        cautions.append("The specimen's edges stand out weakly from the background: check the outline of the examined area.")
    rival = max((_worth(other, width) for other in others if _elsewhere(best, other)), default=0.0)
    if rival > 0.85 * _worth(best, width):
        cautions.append("Another place in the photograph fits the specimen's size nearly as well: check the examined area.")
    if width is not None and abs(measured / width - 1) > 0.08:
        cautions.append(
            f"The face found is {measured:.1f} mm wide, the calliper says {width:g} mm: the wrong edges may have been taken."
        )
    evidence = {
        "support": round(best.support, 3),
        "borders": {name: round(value, 3) for name, value in best.by_border.items()},
        "side_edges_a_mm": [round(value, 4) for value in best.ends_mm],
        "rival_support": round(max(0.0, rival), 3),
        "nominal_radius_mm": sheet.bend.former_diameter_mm / 2 + sheet.specimen.specimen_thickness_mm,
    }
    return replace(
        best.bend,
        u_crown_mm=best.u_crown_mm,
        u_direction_deg=best.u_direction_deg,
        u_radius_mm=best.u_radius_mm,
        basis={
            "radius": RADIUS_BASIS,
            "direction": "fit to the specimen's own edges, at least 0.15 degrees",
            "crown": "fit to the specimen's own edges, at least 0.15 mm",
        },
        evidence=evidence,
        cautions=tuple(cautions),
    )


def _elsewhere(one: Placed, other: Placed) -> bool:
    return bool(np.linalg.norm(one.bend.crown_mm - other.bend.crown_mm) > 0.25 * one.bend.radius_mm)
