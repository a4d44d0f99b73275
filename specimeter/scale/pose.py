"""Where the camera stood over a printed card: pose, lens and print fitted to its edges, with their full covariance."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.scale.budget import combine_correlated
from specimeter.scale.card_layout import Card
from specimeter.scale.distance import Focal
from specimeter.scale.fitted import DISTANCE, Known
from specimeter.scale.fitting import OUTLIER, distinct, slopes, solve
from specimeter.scale.height import length_logs
from specimeter.scale.markers import Marker
from specimeter.scale.strip_marks import StripMarks
from specimeter.scale.view import View

# The fit's unknowns. The first six are the pose; the others are held by what is known of them beforehand.
POSE = 6
LOG_FOCAL, CENTRE_X, CENTRE_Y, K1, K2, BLOOM, ASPECT, BOW_X, BOW_Y = range(POSE, POSE + 9)
UNKNOWNS = POSE + 9

U_CENTRE = 0.008  # principal point off the picture's centre, share of its long side
U_K1, U_K2 = 0.02, 0.02  # pictures of phones and most cameras are corrected to about this
_U_BLOOM_MM = 0.3
# How unequally a printer may shrink in the two directions (judgement). A frame shows it, and is told by its own edges; a strip
# is too narrow to show it.
U_ASPECT = {"strip": 0.0015, "frame": 0.005}
_U_BOW_MM = {"strip": 0.15, "frame": 0.3}  # how far a printed card's middle stands off its ends
_ROUGHLY = 3.0  # inflation that the fit begins with
_HOPELESS = 10.0  # a way of leaning that misses so many times more than the first one is not followed up


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CardFit:
    """A card's fitted view.

    Parameters
    ----------
    card : Card
    view : View
    unknowns : array, shape (15,)
        Rotation vector, translation (x and y in mm, z in mm per 1000 px of principal distance: so the distance can change
        without the size in the picture), log principal distance, principal point (px), k1, k2, bloom (mm), aspect of the
        print (y over x, less 1), bow along x and y (mm).
    jacobian : array, shape (N, 15)
        Of the edge points' residuals in their own standard uncertainties, inflated by `inflation`.
    known : tuple of Known
        One per unknown that is held beforehand, and the camera distance if entered.
    known_jacobian : array, shape (len(known), 15)
    residual_px : array, shape (N,)
        Across the edge, of the points kept.
    every_residual_px : array, shape (M,)
        The same for all points in the markers' order, those left out included.
    dropped : int
        Edge points that lie too far off (stains, glare).
    inflation : float
        Factor by which the points' uncertainties had to be enlarged to explain the residuals (Birge ratio, at least 1).
    every_u_px : array, shape (M,)
        Their standard uncertainties.
    strain : float
        Sum of squares of what the fit strains what is known beforehand.
    at_focal : callable
        From the logarithm of a principal distance in pixels, and unknowns to start at, to the best unknowns with that
        distance and their cost.
    """

    card: Card
    view: View
    unknowns: np.ndarray
    jacobian: np.ndarray
    known: tuple[Known, ...]
    known_jacobian: np.ndarray
    residual_px: np.ndarray
    u_px: np.ndarray
    every_residual_px: np.ndarray
    every_u_px: np.ndarray
    dropped: int
    inflation: float
    strain: float
    at_focal: Callable[[float, np.ndarray], tuple[np.ndarray, float]]

    @property
    def relative(self) -> np.ndarray:
        """All points' residuals in their own standard uncertainties, (M,)."""
        return self.every_residual_px / self.every_u_px

    @property
    def covariance(self) -> np.ndarray:
        """Of the unknowns, shape (15, 15)."""
        stacked = np.vstack([self.jacobian, self.known_jacobian])
        return np.linalg.inv(stacked.T @ stacked)

    @property
    def u_known_after(self) -> np.ndarray:
        """Standard uncertainty of each unknown after the fit, shape (15,)."""
        return np.sqrt(np.diag(self.covariance))


def view_of(unknowns: np.ndarray) -> View:
    """The view that the fit's unknowns stand for."""
    rotation, _ = cv2.Rodrigues(np.asarray(unknowns[:3], float))
    return View(
        focal_px=float(np.exp(unknowns[LOG_FOCAL])),
        centre_px=np.array(unknowns[[CENTRE_X, CENTRE_Y]]),
        rotation=rotation,
        translation_mm=np.array([*unknowns[3:5], unknowns[5] * np.exp(unknowns[LOG_FOCAL]) / 1000.0]),
        k1=float(unknowns[K1]),
        k2=float(unknowns[K2]),
    )


def fit_card(
    card: Card,
    markers: Sequence[Marker],
    *,
    focal: Focal,
    width_px: int,
    height_px: int,
    print_scale: float = 1.0,
    lens_distance_mm: tuple[float, float] | None = None,
    marks: StripMarks | None = None,
) -> list[CardFit]:
    """Fit the view to all edge points of a card's markers.

    Everything that is not exactly known, the lens included, is an unknown with its own prior uncertainty (a Bayesian
    least squares; JCGM 102 calls it a multivariate model): where the card's own perspective says more than the prior,
    it wins; where it says nothing, the prior's uncertainty stands.

    Parameters
    ----------
    card : Card
    markers : sequence of Marker
        At least two, not all on one edge line; or one, with marks.
    focal : Focal
    width_px, height_px : int
    print_scale : float
        Printed long side over nominal long side.
    lens_distance_mm : (value, standard uncertainty), optional
        If a camera distance was entered: along the optical axis, from the lens to the card's plane.
    marks : StripMarks, optional
        Places on a strip's millimetre marks; their residuals follow the markers' in ``every_residual_px``.

    Returns
    -------
    list of CardFit
        The best fit first; a second one only where the other way of leaning explains the picture almost as well.
    """
    points = np.concatenate([marker.points_px for marker in markers])
    normals = np.concatenate([marker.normals for marker in markers])
    u_px = np.concatenate([marker.u_px for marker in markers])
    on_card, outward = _on_card(card, markers)
    if marks is not None:  # a mark grows to both sides alike: its middle stays
        points, normals = np.concatenate([points, marks.points_px]), np.concatenate([normals, marks.normals])
        shift = [marks.shift_mm if len(markers) > 1 else 0.0, 0.0]  # one marker alone cannot tell a shift from perspective
        u_px, on_card = np.concatenate([u_px, marks.u_px]), np.concatenate([on_card, marks.on_card + shift])
        outward = np.concatenate([outward, np.zeros_like(marks.on_card)])
    centre = np.array([(width_px - 1) / 2, (height_px - 1) / 2]) if focal.profile is None else focal.profile.centre_px
    known = _known(card, focal, centre, width_px, height_px)
    if lens_distance_mm is not None:
        value, u = lens_distance_mm
        basis = "entered; the lens's entrance pupil lies somewhere behind its front"
        known = (*known, Known(source="camera distance", value=value, u=u, unit="mm", basis=basis))
    middle = np.array([card.width_mm, card.height_mm]) / 2

    bent_x, bent_y = (((on_card - middle) / middle) ** 2 - 1 / 3).T

    # of one set of unknowns, shape (15,), or of many at once, shape (B, 15)
    def off(p: np.ndarray) -> np.ndarray:
        q = np.atleast_2d(p)
        drawn = np.empty((len(q), len(points), 3))
        drawn[..., :2] = (on_card + q[:, BLOOM, None, None] * outward) * print_scale
        drawn[..., 1] *= 1.0 + q[:, ASPECT, None]
        drawn[..., 2] = q[:, BOW_X, None] * bent_x + q[:, BOW_Y, None] * bent_y
        seen = _project(q, drawn)
        across, down = seen[..., 0] - points[:, 0], seen[..., 1] - points[:, 1]
        return (across * normals[:, 0] + down * normals[:, 1]).reshape(*p.shape[:-1], len(points))

    def slopes_off(p: np.ndarray) -> np.ndarray:
        """Derivatives (N, 15) of `off` of one set of unknowns, by the chain rule."""
        rotation, turned = cv2.Rodrigues(np.asarray(p[:3], float))
        focal = float(np.exp(p[LOG_FOCAL]))
        drawn = (on_card + p[BLOOM] * outward) * print_scale
        flat = np.empty((len(points), 3))
        flat[:, 0], flat[:, 1] = drawn[:, 0], drawn[:, 1] * (1.0 + p[ASPECT])
        flat[:, 2] = p[BOW_X] * bent_x + p[BOW_Y] * bent_y
        seen = flat @ rotation.T + _translations(p[None])
        place, depth = seen[:, :2] / seen[:, 2:], seen[:, 2]
        x, y = place.T
        r2, across = x * x + y * y, normals[:, 0] * x + normals[:, 1] * y
        stretch, bends = 1.0 + p[K1] * r2 + p[K2] * r2**2, 2.0 * (p[K1] + 2.0 * p[K2] * r2) * across
        by_seen = np.empty((len(points), 3))
        by_seen[:, :2] = focal * (stretch[:, None] * normals + bends[:, None] * place)
        by_seen[:, 2] = -(by_seen[:, 0] * x + by_seen[:, 1] * y)
        by_seen /= depth[:, None]
        by_flat = by_seen @ rotation
        slope = np.empty((len(points), UNKNOWNS))
        slope[:, :3] = np.sum((flat @ turned.reshape(3, 3, 3).transpose(0, 2, 1)) * by_seen, axis=2).T
        slope[:, 3:5] = by_seen[:, :2]
        slope[:, 5] = by_seen[:, 2] * focal / 1000.0
        slope[:, LOG_FOCAL] = focal * stretch * across + slope[:, 5] * p[5]
        slope[:, [CENTRE_X, CENTRE_Y]] = normals
        slope[:, K1], slope[:, K2] = focal * r2 * across, focal * r2**2 * across
        slope[:, BLOOM] = print_scale * (by_flat[:, 0] * outward[:, 0] + by_flat[:, 1] * outward[:, 1] * (1.0 + p[ASPECT]))
        slope[:, ASPECT] = by_flat[:, 1] * drawn[:, 1]
        slope[:, BOW_X], slope[:, BOW_Y] = by_flat[:, 2] * bent_x, by_flat[:, 2] * bent_y
        return slope

    def off_known(p: np.ndarray) -> np.ndarray:
        values = [_along_axis(p) if k.index < 0 else p[..., k.index] for k in known]
        return np.stack([(value - k.value) / k.u for value, k in zip(values, known, strict=True)], axis=-1)

    held = np.array([k.index >= 0 for k in known])
    known_slopes = np.zeros((len(known), UNKNOWNS))
    known_slopes[held, [k.index for k in known if k.index >= 0]] = [1.0 / k.u for k in known if k.index >= 0]

    def slopes_known(p: np.ndarray) -> np.ndarray:
        """Derivatives (K, 15) of `off_known`: of the distance along the axis alone they change from place to place."""
        if held.all():
            return known_slopes
        return np.where(held[:, None], known_slopes, slopes(off_known, p, _STEPS))

    fits: list[CardFit] = []
    for start in _starts(card, markers, focal, centre, print_scale):
        keep, inflation = np.ones(len(points), bool), _ROUGHLY
        p, hopeless = start, False
        for turn in range(6):  # what the points leave unexplained weakens them against what is known beforehand
            kept, before = keep, inflation

            def cost(q: np.ndarray, kept: np.ndarray = kept, inflation: float = inflation) -> np.ndarray:
                return np.concatenate([off(q)[..., kept] / (inflation * u_px[kept]), off_known(q)], axis=-1)

            def cost_slopes(q: np.ndarray, kept: np.ndarray = kept, inflation: float = inflation) -> np.ndarray:
                return np.vstack([slopes_off(q)[kept] / (inflation * u_px[kept, None]), slopes_known(q)])

            solved = solve(cost, p, _STEPS, most=60 if turn else 12, jacobian_at=cost_slopes)
            if solved is None:
                hopeless = True
                break
            p = solved
            relative = off(p) / u_px
            spread = max(1.4826 * float(np.median(np.abs(relative[keep]))), 1.0)
            keep = np.abs(relative) < OUTLIER * spread
            freedom = max(int(kept.sum()) - POSE - 1, 1)
            inflation = max(1.0, float(np.sqrt(np.sum(relative[kept] ** 2) / freedom)))
            hopeless = bool(fits) and spread > _HOPELESS * fits[0].inflation
            if hopeless or ((keep == kept).all() and abs(inflation / before - 1.0) < 0.05):
                break
        if hopeless:
            continue
        keep, inflation = kept, before
        count = int(keep.sum())
        jacobian = cost_slopes(p)
        view = view_of(p)
        if view.distance_mm <= 0:
            continue

        def at_focal(
            log_px: float, start: np.ndarray, kept: np.ndarray = keep, inflation: float = inflation
        ) -> tuple[np.ndarray, float]:
            def held(q: np.ndarray) -> np.ndarray:
                focal_held = (q[..., LOG_FOCAL, None] - log_px) * 1e4
                return np.concatenate([off(q)[..., kept] / (inflation * u_px[kept]), off_known(q), focal_held], axis=-1)

            def held_slopes(q: np.ndarray) -> np.ndarray:
                return np.vstack([cost_slopes(q, kept, inflation), 1e4 * (np.arange(UNKNOWNS) == LOG_FOCAL)])

            best = solve(held, start, _STEPS, jacobian_at=held_slopes)
            best = start if best is None else best
            return best, float(np.sum(held(best)[:-1] ** 2))

        fits.append(
            CardFit(
                card=card,
                view=view,
                unknowns=p,
                jacobian=jacobian[:count],
                known=known,
                known_jacobian=jacobian[count:],
                residual_px=off(p)[keep],
                u_px=u_px[keep],
                every_residual_px=off(p),
                every_u_px=u_px,
                dropped=int(len(points) - count),
                inflation=inflation,
                strain=float(np.sum(off_known(p) ** 2)),
                at_focal=at_focal,
            )
        )
    return distinct(fits)


def _rotations(unknowns: np.ndarray) -> np.ndarray:
    """Rotation matrices, shape (B, 3, 3), of many sets of unknowns."""
    return np.array([cv2.Rodrigues(np.asarray(one[:3], float))[0] for one in unknowns])


def _translations(unknowns: np.ndarray) -> np.ndarray:
    """Translations in mm, shape (B, 3), of many sets of unknowns."""
    along = unknowns[:, 5] * np.exp(unknowns[:, LOG_FOCAL]) / 1000.0
    return np.column_stack([unknowns[:, 3:5], along])


def _project(unknowns: np.ndarray, points_mm: np.ndarray) -> np.ndarray:
    """What `View.project` gives, for many views at once: pixels (B, N, 2) of world points (B, N, 3)."""
    seen = points_mm @ _rotations(unknowns).transpose(0, 2, 1) + _translations(unknowns)[:, None, :]
    x, y = seen[..., 0] / seen[..., 2], seen[..., 1] / seen[..., 2]
    r2 = x * x + y * y
    k1, k2, focal, *centre = (unknowns[:, k, None] for k in (K1, K2, LOG_FOCAL, CENTRE_X, CENTRE_Y))
    stretch = (1.0 + k1 * r2 + k2 * r2**2) * np.exp(focal)
    return np.stack([place * stretch + at for place, at in zip((x, y), centre, strict=True)], axis=-1)


def _along_axis(unknowns: np.ndarray) -> np.ndarray:
    """From the lens along the optical axis to the card's plane, in mm, of one set of unknowns or of many."""
    many = np.atleast_2d(unknowns)
    normals = _rotations(many)[:, :, 2]  # of the card's plane, as the camera sees it
    return (np.sum(normals * _translations(many), axis=1) / normals[:, 2]).reshape(unknowns.shape[:-1])


# Step of each unknown for central differences.
_STEPS = np.array([5e-5] * 3 + [5e-3] * 3 + [5e-4, 0.25, 0.25, 5e-4, 5e-4, 5e-4, 5e-5, 5e-3, 5e-3])


def _on_card(card: Card, markers: Sequence[Marker]) -> tuple[np.ndarray, np.ndarray]:
    """Where each edge point lies on the card as drawn, and the way out of the black there, both (N, 2) in mm."""
    places, outward = [], []
    ways = np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])
    for marker in markers:
        corners = card.corners_mm(marker.id)
        first, second = corners[marker.side], np.roll(corners, -1, axis=0)[marker.side]
        places.append(first + marker.along[:, None] * (second - first))
        outward.append(ways[marker.side])
    return np.concatenate(places), np.concatenate(outward)


def _known(card: Card, focal: Focal, centre: np.ndarray, width_px: int, height_px: int) -> tuple[Known, ...]:
    u_centre = U_CENTRE * max(width_px, height_px)
    off_centre = "sensor and lens are centred to about this; an uncropped picture"
    corrected = "judgement: pictures are mostly corrected"
    (k1, u_k1), (k2, u_k2) = (0.0, U_K1), (0.0, U_K2)
    if focal.profile is not None:
        profile = focal.profile
        u_centre, (k1, u_k1), (k2, u_k2) = profile.u_centre_px, (profile.k1, profile.u_k1), (profile.k2, profile.u_k2)
        off_centre = corrected = "lens profile"
    bow = _U_BOW_MM[card.name]
    return (
        Known(
            index=LOG_FOCAL,
            source=DISTANCE,
            value=float(np.log(focal.px)),
            u=focal.u_rel,
            unit="px, u relative",
            basis=focal.basis,
        ),
        Known(index=CENTRE_X, source="principal point, x", value=float(centre[0]), u=u_centre, unit="px", basis=off_centre),
        Known(index=CENTRE_Y, source="principal point, y", value=float(centre[1]), u=u_centre, unit="px", basis=off_centre),
        Known(index=K1, source="lens distortion, k1", value=k1, u=u_k1, unit="1", basis=corrected),
        Known(index=K2, source="lens distortion, k2", value=k2, u=u_k2, unit="1", basis=corrected),
        Known(
            index=BLOOM,
            source="growth of the black squares",
            value=0.0,
            u=_U_BLOOM_MM,
            unit="mm",
            basis="judgement: ink spread, exposure, sharpening; found in the fit",
        ),
        Known(
            index=ASPECT,
            source="unequal shrink of the print",
            value=0.0,
            u=U_ASPECT[card.name],
            unit="1",
            basis=f"judgement: printers feed paper to about {100 * U_ASPECT[card.name]:g} %; found in the fit where it shows",
        ),
        Known(index=BOW_X, source="card not flat, along", value=0.0, u=bow, unit="mm", basis="judgement: a card laid by hand"),
        Known(index=BOW_Y, source="card not flat, across", value=0.0, u=bow, unit="mm", basis="judgement: a card laid by hand"),
    )


def _starts(card: Card, markers: Sequence[Marker], focal: Focal, centre: np.ndarray, print_scale: float) -> list[np.ndarray]:
    """First guesses of the unknowns: both ways in which a plane can lean that look alike from afar."""
    corners_mm = np.concatenate([card.corners_mm(marker.id) for marker in markers]) * print_scale
    corners_px = np.concatenate([marker.corners_px for marker in markers])
    matrix = np.array([[focal.px, 0, centre[0]], [0, focal.px, centre[1]], [0, 0, 1.0]])
    middle = corners_mm.mean(axis=0)
    flat = np.column_stack([corners_mm - middle, np.zeros(len(corners_mm))]).reshape(-1, 1, 3)
    bent = np.zeros(4) if focal.profile is None else np.array([focal.profile.k1, focal.profile.k2, 0.0, 0.0])
    answer = cv2.solvePnPGeneric(flat, corners_px.reshape(-1, 1, 2), matrix, bent, flags=cv2.SOLVEPNP_IPPE)
    starts = []
    poses = [(np.asarray(r, float).ravel(), np.asarray(t, float).ravel()) for r, t in zip(answer[1], answer[2], strict=True)]
    poses = [pose for pose in poses if np.isfinite(np.concatenate(pose)).all()]  # a plane seen exactly square on has none
    for rotation_vector, translation in poses or [_square_on(corners_mm - middle, corners_px, focal.px, centre)]:
        rotation, _ = cv2.Rodrigues(rotation_vector.reshape(3, 1))
        shift = translation - rotation @ np.array([*middle, 0.0])
        p = np.zeros(UNKNOWNS)
        p[:3], p[3:5], p[5] = rotation_vector, shift[:2], 1000.0 * shift[2] / focal.px
        p[LOG_FOCAL], p[CENTRE_X], p[CENTRE_Y] = np.log(focal.px), centre[0], centre[1]
        p[K1], p[K2] = bent[:2]
        starts.append(p)
    return starts


def _square_on(
    points_mm: np.ndarray, points_px: np.ndarray, focal_px: float, centre: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Rotation vector and translation of a camera that looks straight down: the similarity that fits the points best."""
    here, there = points_mm @ [1, 1j], (points_px - points_px.mean(axis=0)) @ [1, 1j]
    turn = np.vdot(here, there) / np.vdot(here, here).real  # pixels a millimetre, turned
    distance = focal_px / abs(turn)
    x, y = (points_px.mean(axis=0) - centre) * distance / focal_px
    return np.array([0.0, 0.0, np.angle(turn)]), np.array([x, y, distance])


def contributions(
    fit: CardFit, point_px: np.ndarray, height_mm: float, over: Callable[[View], float] | None = None
) -> tuple[float, tuple[float, ...]]:
    """Relative standard uncertainty of a length at a pixel: from the edge points, and from each Known.

    Root mean square over four directions; independent, so that their squares add up to the fit's whole variance.
    `over` tells the surface's height in a view, where it was itself read off the picture and moves with the view.
    """

    def logs(p: np.ndarray) -> np.ndarray:
        view = view_of(p)
        return length_logs(view, point_px, over(view) if over else height_mm)

    slope = _each(logs, fit.unknowns)
    gain = slope @ fit.covariance
    edges = gain @ fit.jacobian.T
    priors = gain @ fit.known_jacobian.T
    return (
        float(np.sqrt(np.mean(np.sum(edges**2, axis=1)))),
        tuple(float(value) for value in np.sqrt(np.mean(priors**2, axis=0))),
    )


def _each(function: Callable[[np.ndarray], np.ndarray], p: np.ndarray) -> np.ndarray:
    """Derivatives (N, 15) of a function of one set of unknowns."""
    return slopes(lambda many: np.array([function(one) for one in many]), p, _STEPS)


def u_height_mm(fit: CardFit, over: Callable[[View], float]) -> float:
    """Standard uncertainty, from the fit alone, of a height that was read off the picture."""
    (slope,) = _each(lambda p: np.array([over(view_of(p))]), fit.unknowns)
    return combine_correlated(slope, fit.covariance)
