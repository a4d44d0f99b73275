"""The view over a rule: fitted to where its marks lie along it, so that what leans is told by how the marks fan out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
import scipy

from specimeter.scale.distance import Focal
from specimeter.scale.fitted import DISTANCE, Known
from specimeter.scale.fitting import OUTLIER, Many, distinct, slopes, solve
from specimeter.scale.height import length_logs
from specimeter.scale.view import View

# The fit's unknowns: rotation vector, translation (x, y in mm, z in mm per 1000 px of principal distance), then
LOG_FOCAL, CENTRE_X, CENTRE_Y, K1, K2, BOW, SKEW, FAN = range(6, 14)
UNKNOWNS = 14  # and one more for each further row of marks: where it begins
_STEPS = np.array([5e-5] * 3 + [5e-3] * 3 + [5e-4, 0.25, 0.25, 5e-4, 5e-4, 5e-3, 5e-5, 5e-5])
_OFFSET_STEP = 1e-3

_U_CENTRE = 0.008  # principal point off the picture's centre, share of its long side
_U_K1, _U_K2 = 0.02, 0.02
_U_LEAN = float(np.sin(np.radians(7.0)))
_U_BOW_MM = 0.1
_U_SKEW = 0.003  # radians: how square marks stand to the rule's length
_U_FORM_PX = 0.03  # how much a mark's form may change from its outer to its inner half
_TRUST = 0.25  # half of what a likelihood counts: what tells the distance of a lens here are mostly judgements
_NODES = np.array([-1.5, -0.75, 0.75, 1.5, 2.25])  # standard uncertainties of the principal distance


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comb:
    """One row's located marks.

    Parameters
    ----------
    index : array, shape (N,)
        Of the mark that each point lies on.
    points_px : array, shape (N, 2)
    u_mm : array, shape (N,)
        Standard uncertainty of the place along the row, in mm on the rule.
    division_mm : float
    line_px : array, shape (2, 2)
        Two points on the line through the marks' outer ends, at the first and the last mark.
    u_line_mm : float
    """

    index: np.ndarray
    points_px: np.ndarray
    u_mm: np.ndarray
    division_mm: float
    line_px: np.ndarray
    u_line_mm: float
    apart_px: float  # between the places on one mark


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RuleFit:
    """The fitted view over a rule; names as in the fit of a card.

    `residual_mm` (N,) is along the rule, of the points kept, `every_residual_mm` (M,) of all in the combs' order; `inflation`
    the factor that explains the scatter of those kept; `strain` the sum of squares of what strains what is known beforehand.
    """

    view: View
    unknowns: np.ndarray
    jacobian: np.ndarray
    known: tuple[Known, ...]
    known_jacobian: np.ndarray
    residual_mm: np.ndarray
    u_mm: np.ndarray
    every_residual_mm: np.ndarray
    every_u_mm: np.ndarray
    dropped: int
    inflation: float
    strain: float
    at_focal: Callable[[float, np.ndarray], tuple[np.ndarray, float]]
    _lens_views: list[tuple[float, View]] = field(default_factory=list)

    @property
    def relative(self) -> np.ndarray:
        """All points' residuals in their own standard uncertainties, (M,)."""
        return self.every_residual_mm / self.every_u_mm

    @property
    def cost(self) -> float:
        """Sum of squares at the best fit, of the points kept and of what is known beforehand."""
        return float(np.sum((self.residual_mm / (self.inflation * self.u_mm)) ** 2)) + self.strain

    @property
    def covariance(self) -> np.ndarray:
        """Of the unknowns."""
        stacked = np.vstack([self.jacobian, self.known_jacobian])
        return np.linalg.inv(stacked.T @ stacked)

    def lens_views(self) -> list[tuple[float, View]]:
        """Views with shorter and longer principal distances, all else fitted anew, each with its share of the likelihood."""
        if not self._lens_views:
            log_px, u = float(self.unknowns[LOG_FOCAL]), self.known[0].u
            tried = [self.at_focal(log_px + node * u, self.unknowns) for node in _NODES]
            likely = np.exp(-_TRUST * np.clip([cost - self.cost for _, cost in tried], 0, None))
            shares = likely / (1.0 + likely.sum())
            self._lens_views.extend((float(w), view_of(one)) for w, (one, _) in zip(shares, tried, strict=True))
        return self._lens_views


def view_of(unknowns: np.ndarray) -> View:
    """The view that the fit's unknowns stand for."""
    rotation, _ = cv2.Rodrigues(np.asarray(unknowns[:3], float))
    focal_px = float(np.exp(unknowns[LOG_FOCAL]))
    return View(
        focal_px=focal_px,
        centre_px=np.array(unknowns[[CENTRE_X, CENTRE_Y]]),
        rotation=rotation,
        translation_mm=np.array([*unknowns[3:5], unknowns[5] * focal_px / 1000.0]),
        k1=float(unknowns[K1]),
        k2=float(unknowns[K2]),
    )


def _seen(p: np.ndarray, points_px: np.ndarray, rise: Callable | None = None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """World x and y (M, N) of pixels (N, 2) on the rule's plane by each of M sets of unknowns (M, U); rotations (M, 3, 3)."""
    rotation = scipy.spatial.transform.Rotation.from_rotvec(p[:, :3]).as_matrix()
    focal = np.exp(p[:, LOG_FOCAL, None])
    x, y = ((points_px[:, k] - p[:, CENTRE_X + k, None]) / focal for k in (0, 1))
    k1, k2, square = p[:, K1, None], p[:, K2, None], x * x + y * y
    r2 = square
    for _ in range(3):  # converges by a factor of 3 k1 r^2 < 0.05 a step
        shrink = 1.0 / (1.0 + r2 * (k1 + k2 * r2))
        r2 = square * shrink**2
    x, y = x * shrink, y * shrink
    shift = np.column_stack([p[:, 3:5], p[:, 5:6] * focal / 1000.0])
    eye = -np.einsum("mji,mj->mi", rotation, shift)
    ray = [x * rotation[:, 0, k, None] + y * rotation[:, 1, k, None] + rotation[:, 2, k, None] for k in range(3)]
    reach = -eye[:, 2, None] / ray[2]
    across = eye[:, 0, None] + reach * ray[0]
    if rise is not None:
        reach = (-rise(across) - eye[:, 2, None]) / ray[2]
        across = eye[:, 0, None] + reach * ray[0]
    return across, eye[:, 1, None] + reach * ray[1], rotation


def fit_rule(
    combs: Sequence[Comb],
    *,
    focal: Focal,
    width_px: int,
    height_px: int,
    lens_distance_mm: tuple[float, float] | None = None,
) -> list[RuleFit]:
    """Fit the view to marks whose places along the rule are known, and nothing of their places across.

    A line of sight through any point of mark n must meet the rule's plane at x = n divisions. Along the rule that fixes
    scale and perspective; how the marks' directions fan out, and further rows, tell the lean across it; what they leave
    open is held by what is known beforehand (lens, a camera that looks down), and so enters the budget.

    Parameters
    ----------
    combs : sequence of Comb
        The first gives the origin of x.
    focal : Focal
    width_px, height_px : int
    lens_distance_mm : (value, standard uncertainty), optional
        From the lens along its axis to the rule's plane.

    Returns
    -------
    list of RuleFit
        The best first; a second only where the other way of leaning explains the picture almost as well.
    """
    points = np.concatenate([comb.points_px for comb in combs])
    which = np.concatenate([np.full(len(comb.index), k) for k, comb in enumerate(combs)])
    place = np.concatenate([comb.index * comb.division_mm for comb in combs])
    u_mm = np.concatenate([comb.u_mm for comb in combs])
    middle, half = (place[which == 0].max() + place[which == 0].min()) / 2, max(np.ptp(place[which == 0]) / 2, 1.0)
    centre = np.array([(width_px - 1) / 2, (height_px - 1) / 2]) if focal.profile is None else focal.profile.centre_px
    known = _known(combs[0], focal, centre, max(width_px, height_px), lens_distance_mm)
    said, u_known = (np.array([getattr(one, name) for one in known]) for name in ("value", "u"))
    steps = np.concatenate([_STEPS, np.full(len(combs) - 1, _OFFSET_STEP)])
    membership = (which[:, None] == np.arange(len(combs))) / np.bincount(which)
    with_line = np.concatenate([points, combs[0].line_px])

    def off(p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Residuals in mm (M, N), and in standard uncertainties of what is known (M, K), for M sets of unknowns (M, U)."""

        def rise(x: np.ndarray) -> np.ndarray:
            return -p[:, BOW, None] * (((x - middle) / half) ** 2 - 1 / 3)

        x, y, rotation = _seen(p, with_line, rise)
        begins = np.concatenate([np.zeros((len(p), 1)), p[:, UNKNOWNS:]], axis=1)
        up = y[:, :-2]
        up = up - (up @ membership)[:, which]  # along each mark, from its row's middle
        turned = p[:, SKEW, None] + p[:, FAN, None] * (place - middle) / half
        marks = x[:, :-2] - turned * up - place - begins[:, which]
        values = [p[:, LOG_FOCAL : FAN + 1], rotation[:, 2, :2], y[:, -2:]]
        if lens_distance_mm is not None:
            shift = np.column_stack([p[:, 3:5], p[:, 5] * np.exp(p[:, LOG_FOCAL]) / 1000.0])
            values.append((np.einsum("mj,mj->m", rotation[:, :, 2], shift) / rotation[:, 2, 2])[:, None])
        return marks, (np.concatenate(values, axis=1) - said) / u_known

    fits = []
    for start in _starts(combs[0], focal, centre, len(combs) - 1):
        if len(combs) > 1:
            begin = off(start[None])[0][0]
            start[UNKNOWNS:] = [np.median(begin[which == k]) for k in range(1, len(combs))]
        keep, inflation, p, hopeless = np.ones(len(points), bool), 3.0, start, False
        for _ in range(6):
            kept, before = keep, inflation

            def cost(q: np.ndarray, kept: np.ndarray = kept, inflation: float = inflation) -> np.ndarray:
                marks, knowledge = off(q)
                return np.concatenate([marks[:, kept] / (inflation * u_mm[kept]), knowledge], axis=1)

            solved = solve(cost, p, steps, most=30)
            if solved is None:
                hopeless = True
                break
            p = solved
            relative = off(p[None])[0][0] / u_mm
            spread = max(1.4826 * float(np.median(np.abs(relative[keep]))), 1.0)
            keep = np.abs(relative) < OUTLIER * spread
            freedom = max(int(kept.sum()) - 6, 1)
            inflation = max(1.0, float(np.sqrt(np.sum(relative[kept] ** 2) / freedom)))
            if (keep == kept).mean() > 0.99 and abs(inflation / before - 1.0) < 0.1:
                break
        if hopeless or not view_of(p).distance_mm > 0:
            continue
        keep, inflation, count = kept, before, int(kept.sum())
        jacobian = slopes(cost, p, steps)

        def at_focal(log_px: float, start: np.ndarray, cost: Many = cost) -> tuple[np.ndarray, float]:
            def held(q: np.ndarray) -> np.ndarray:
                return np.concatenate([cost(q), (q[:, LOG_FOCAL, None] - log_px) * 1e4], axis=1)

            best = solve(held, start, steps, most=30)
            best = start if best is None else best
            return best, float(np.sum(held(best[None])[0][:-1] ** 2))

        marks, knowledge = off(p[None])
        fits.append(
            RuleFit(
                view=view_of(p),
                unknowns=p,
                jacobian=jacobian[:count],
                known=known,
                known_jacobian=jacobian[count:],
                residual_mm=marks[0][keep],
                u_mm=u_mm[keep],
                every_residual_mm=marks[0],
                every_u_mm=u_mm,
                dropped=len(points) - count,
                inflation=inflation,
                strain=float(np.sum(knowledge**2)),
                at_focal=at_focal,
            )
        )
    return distinct(fits)


def contributions(fit: RuleFit, point_px: np.ndarray, height_mm: float) -> tuple[float, tuple[float, ...]]:
    """Relative standard uncertainty of a length at a pixel: from the marks, and from each Known; over four directions.

    The principal distance is not taken linearly: perspective tells the lean over the distance, so that what leans grows
    with the distance and foreshortens by its square.
    """
    count = len(fit.unknowns)
    steps = np.concatenate([_STEPS, np.full(count - UNKNOWNS, _OFFSET_STEP)])

    def logs(p: np.ndarray) -> np.ndarray:
        return np.array([length_logs(view_of(one), point_px, height_mm) for one in p])

    slope = slopes(logs, fit.unknowns, steps)
    gain = slope @ fit.covariance
    of_marks, of_known = gain @ fit.jacobian.T, gain @ fit.known_jacobian.T
    known = np.sqrt(np.mean(of_known**2, axis=0))
    best = length_logs(fit.view, point_px, height_mm)
    changes = [share * np.mean((length_logs(view, point_px, height_mm) - best) ** 2) for share, view in fit.lens_views()]
    known[0] = max(known[0], float(np.sqrt(np.sum(changes))))
    return float(np.sqrt(np.mean(np.sum(of_marks**2, axis=1)))), tuple(float(value) for value in known)


def _known(
    comb: Comb, focal: Focal, centre: np.ndarray, long_px: float, lens_distance_mm: tuple[float, float] | None
) -> tuple[Known, ...]:
    """In the order in which the fit reads them: unknowns from LOG_FOCAL on, leans, the line's two ends, the distance."""
    u_centre, off_centre = _U_CENTRE * long_px, "sensor and lens are centred to about this; an uncropped picture"
    corrected, down = (
        "judgement: pictures are mostly corrected",
        "judgement: the camera looks down, 7 deg in each of two directions",
    )
    (k1, u_k1), (k2, u_k2) = (0.0, _U_K1), (0.0, _U_K2)
    if (profile := focal.profile) is not None:
        u_centre, (k1, u_k1), (k2, u_k2) = profile.u_centre_px, (profile.k1, profile.u_k1), (profile.k2, profile.u_k2)
        off_centre = corrected = "lens profile"
    # the lean's foreshortening grows as the square of the distance: the mean of that square, not the middle
    log_px = float(np.log(focal.px)) + focal.u_rel**2
    u_form = _U_FORM_PX / comb.apart_px
    u_skew = float(np.hypot(_U_SKEW, u_form))
    lines = [
        (DISTANCE, log_px, focal.u_rel, "px, u relative", focal.basis),
        ("principal point, x", float(centre[0]), u_centre, "px", off_centre),
        ("principal point, y", float(centre[1]), u_centre, "px", off_centre),
        ("lens distortion, k1", k1, u_k1, "1", corrected),
        ("lens distortion, k2", k2, u_k2, "1", corrected),
        ("rule not flat", 0.0, _U_BOW_MM, "mm", "judgement: a rule that lies on a bench"),
        (
            "marks not square to the rule",
            0.0,
            u_skew,
            "rad",
            "judgement: made square within 3 mrad, seen as well as they are long",
        ),
        ("marks' directions, from end to end", 0.0, u_form, "rad", "judgement: light and sharpening along a mark, 0.03 px"),
        ("lean along the rule", 0.0, _U_LEAN, "rad", down),
        ("lean across the rule", 0.0, _U_LEAN, "rad", down),
        ("line of the marks' ends, first", 0.0, comb.u_line_mm, "mm", "scatter of the marks' ends"),
        ("line of the marks' ends, last", 0.0, comb.u_line_mm, "mm", "scatter of the marks' ends"),
    ]
    if lens_distance_mm is not None:
        basis = "entered; the lens's entrance pupil lies somewhere behind its front"
        lines.append(("camera distance", *lens_distance_mm, "mm", basis))
    return tuple(Known(source=s, value=v, u=u, unit=unit, basis=basis) for s, v, u, unit, basis in lines)


def _starts(comb: Comb, focal: Focal, centre: np.ndarray, further: int) -> list[np.ndarray]:
    """First guesses: leaning across the rule to either side."""
    first, last = comb.line_px
    turn = float(np.arctan2(*(last - first)[::-1]))
    per_px = np.ptp(comb.index) * comb.division_mm / float(np.linalg.norm(last - first))
    starts = []
    for lean in (0.06, -0.06):
        level, _ = cv2.Rodrigues(np.array([0.0, 0.0, turn]))
        tip, _ = cv2.Rodrigues(np.array([lean, 0.0, 0.0]))
        rotation = level @ tip
        vector, _ = cv2.Rodrigues(rotation)
        p = np.zeros(UNKNOWNS + further)
        p[:3] = vector.ravel()
        middle = np.array([(comb.index.max() + comb.index.min()) / 2 * comb.division_mm, 0.0, 0.0])
        seen = np.array([*((first + last) / 2 - centre) * per_px, focal.px * per_px]) - rotation @ middle
        p[3:5], p[5] = seen[:2], seen[2] / focal.px * 1000.0
        p[LOG_FOCAL], p[CENTRE_X], p[CENTRE_Y] = np.log(focal.px), *centre
        if focal.profile is not None:
            p[K1], p[K2] = focal.profile.k1, focal.profile.k2
        starts.append(p)
    return starts
