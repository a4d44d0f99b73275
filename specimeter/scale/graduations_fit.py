"""The view over a rule: fitted to where its marks lie along them, so that what leans is told by how the marks fan out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.scale.distance import Focal
from specimeter.scale.height import length_logs
from specimeter.scale.view import View

# The fit's unknowns: rotation vector, translation (x, y in mm, z in mm per 1000 px of principal distance), then
LOG_FOCAL, CENTRE_X, CENTRE_Y, K1, K2, BOW = range(6, 12)
UNKNOWNS = 12  # and one more for each further row of marks: where it begins
_STEPS = np.array([5e-5] * 3 + [5e-3] * 3 + [5e-4, 0.25, 0.25, 5e-4, 5e-4, 5e-3])
_OFFSET_STEP = 1e-3

_U_CENTRE = 0.008  # principal point off the picture's centre, share of its long side
_U_K1 = 0.02
_U_K2 = 0.02
_U_LEAN = float(np.sin(np.radians(10.0)))
_U_BOW_MM = 0.1
_U_LINE = 0.3  # periods: how straight the marks' ends run
_OUTLIER = 4.0


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
        Two points on the line that the marks' middles lie on, near its ends.
    u_line_mm : float
    """

    index: np.ndarray
    points_px: np.ndarray
    u_mm: np.ndarray
    division_mm: float
    line_px: np.ndarray
    u_line_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What was known of something beforehand: a line of the budget."""

    source: str
    value: float
    u: float
    unit: str
    basis: str
    read: Callable[[np.ndarray], float]  # from the unknowns


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RuleFit:
    """The fitted view over a rule; names as in the fit of a card.

    `residual_mm` (N,) is along the rule, of the points kept; `inflation` the factor that explains their scatter.
    """

    view: View
    unknowns: np.ndarray
    jacobian: np.ndarray
    known: tuple[Known, ...]
    known_jacobian: np.ndarray
    residual_mm: np.ndarray
    u_mm: np.ndarray
    dropped: int
    inflation: float
    cost: float
    at_focal: Callable[[float, np.ndarray], tuple[np.ndarray, float]]

    @property
    def covariance(self) -> np.ndarray:
        """Of the unknowns."""
        stacked = np.vstack([self.jacobian, self.known_jacobian])
        return np.linalg.inv(stacked.T @ stacked)


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
    centre = np.array([(width_px - 1) / 2, (height_px - 1) / 2])
    known = _known(combs, focal, centre, max(width_px, height_px), lens_distance_mm)
    u_known = np.array([one.u for one in known])
    said = np.array([one.value for one in known])
    steps = np.concatenate([_STEPS, np.full(len(combs) - 1, _OFFSET_STEP)])

    def off(p: np.ndarray) -> np.ndarray:
        view = view_of(p)
        seen = view.on_plane(points)[:, 0]
        if p[BOW]:
            rise = -p[BOW] * (((seen - middle) / half) ** 2 - 1 / 3)
            seen = _on_raised(view, points, rise)
        begins = np.concatenate([[0.0], p[UNKNOWNS:]])
        return seen - place - begins[which]

    def off_known(p: np.ndarray) -> np.ndarray:
        return (np.array([one.read(p) for one in known]) - said) / u_known

    fits = []
    for start in _starts(combs[0], focal, centre, len(combs) - 1):
        if len(combs) > 1:
            begin = off(start)
            start[UNKNOWNS:] = [np.median(begin[which == k]) for k in range(1, len(combs))]
        keep, inflation, p = np.ones(len(points), bool), 3.0, start
        for _ in range(8):
            kept, before = keep, inflation

            def cost(q: np.ndarray, kept: np.ndarray = kept, inflation: float = inflation) -> np.ndarray:
                return np.concatenate([off(q)[kept] / (inflation * u_mm[kept]), off_known(q)])

            p = _solve(cost, p, steps)
            if p is None:
                break
            relative = off(p) / u_mm
            spread = max(1.4826 * float(np.median(np.abs(relative[keep]))), 1.0)
            keep = np.abs(relative) < _OUTLIER * spread
            freedom = max(int(kept.sum()) - 6, 1)
            inflation = max(1.0, float(np.sqrt(np.sum(relative[kept] ** 2) / freedom)))
            if (keep == kept).all() and abs(inflation / before - 1.0) < 0.05:
                break
        if p is None:
            continue
        view = view_of(p)
        if not view.distance_mm > 0:
            continue
        keep, inflation, count = kept, before, int(kept.sum())
        jacobian = _jacobian(cost, p, steps)

        def at_focal(log_px: float, start: np.ndarray, kept: np.ndarray = keep, inflation: float = inflation):
            def held(q: np.ndarray) -> np.ndarray:
                return np.concatenate([off(q)[kept] / (inflation * u_mm[kept]), off_known(q), [(q[LOG_FOCAL] - log_px) * 1e4]])

            best = _solve(held, start, steps)
            best = start if best is None else best
            return best, float(np.sum(held(best)[:-1] ** 2))

        fits.append(
            RuleFit(
                view=view, unknowns=p, jacobian=jacobian[:count], known=known, known_jacobian=jacobian[count:],
                residual_mm=off(p)[keep], u_mm=u_mm[keep], dropped=len(points) - count, inflation=inflation,
                cost=float(np.sum(relative[keep] ** 2) / inflation**2 + np.sum(off_known(p) ** 2)), at_focal=at_focal,
            )
        )  # fmt: skip
    return _distinct(fits)


def contributions(fit: RuleFit, point_px: np.ndarray, height_mm: float) -> tuple[float, tuple[float, ...]]:
    """Relative standard uncertainty of a length at a pixel: from the marks, and from each Known; over four directions."""
    count = len(fit.unknowns)
    steps = np.concatenate([_STEPS, np.full(count - UNKNOWNS, _OFFSET_STEP)])
    slope = _jacobian(lambda p: length_logs(view_of(p), point_px, height_mm), fit.unknowns, steps)
    gain = slope @ fit.covariance
    of_marks, of_known = gain @ fit.jacobian.T, gain @ fit.known_jacobian.T
    return (
        float(np.sqrt(np.mean(np.sum(of_marks**2, axis=1)))),
        tuple(float(value) for value in np.sqrt(np.mean(of_known**2, axis=0))),
    )


def _on_raised(view: View, points_px: np.ndarray, rise_mm: np.ndarray) -> np.ndarray:
    """World x, shape (N,), where sight lines meet planes each `rise_mm` nearer to the camera."""
    eye, rays = view.eye_mm, view.rays(points_px)
    return eye[0] + (-rise_mm - eye[2]) / rays[:, 2] * rays[:, 0]


def _known(combs, focal: Focal, centre, long_px: float, lens_distance_mm) -> tuple[Known, ...]:
    def of(index: int) -> Callable[[np.ndarray], float]:
        return lambda p: float(p[index])

    u_centre, off_centre = _U_CENTRE * long_px, "sensor and lens are centred to about this; an uncropped picture"
    corrected, looks_down = "judgement: pictures are mostly corrected", "judgement: the camera looks down, within 10 deg"
    known = [
        Known(source="principal distance", value=float(np.log(focal.px)), u=focal.u_rel, unit="px, u relative",
              basis=focal.basis, read=of(LOG_FOCAL)),
        Known(source="principal point, x", value=float(centre[0]), u=u_centre, unit="px", basis=off_centre, read=of(CENTRE_X)),
        Known(source="principal point, y", value=float(centre[1]), u=u_centre, unit="px", basis=off_centre, read=of(CENTRE_Y)),
        Known(source="lens distortion, k1", value=0.0, u=_U_K1, unit="1", basis=corrected, read=of(K1)),
        Known(source="lens distortion, k2", value=0.0, u=_U_K2, unit="1", basis=corrected, read=of(K2)),
        Known(source="rule not flat", value=0.0, u=_U_BOW_MM, unit="mm", basis="judgement: a rule that lies on a bench",
              read=of(BOW)),
        Known(source="lean along the rule", value=0.0, u=_U_LEAN, unit="rad", basis=looks_down,
              read=lambda p: float(view_of(p).rotation[2, 0])),
        Known(source="lean across the rule", value=0.0, u=_U_LEAN, unit="rad", basis=looks_down,
              read=lambda p: float(view_of(p).rotation[2, 1])),
    ]  # fmt: skip
    first = combs[0]
    for k, name in enumerate(("near its first mark", "near its last mark")):
        known.append(
            Known(source=f"line of the marks, {name}", value=0.0, u=first.u_line_mm, unit="mm", basis="marks end on a straight line",
                  read=lambda p, k=k: float(view_of(p).on_plane(first.line_px[k : k + 1])[0, 1]))
        )  # fmt: skip
    if lens_distance_mm is not None:
        value, u = lens_distance_mm

        def along_axis(p: np.ndarray) -> float:
            view = view_of(p)
            return view.distance_mm / float(view.rotation[2, 2])

        known.append(Known(source="camera distance", value=value, u=u, unit="mm", read=along_axis,
                           basis="entered; the lens's entrance pupil lies somewhere behind its front"))  # fmt: skip
    return tuple(known)


def _starts(comb: Comb, focal: Focal, centre: np.ndarray, further: int) -> list[np.ndarray]:
    """First guesses: looking straight down, and leaning across the rule to either side."""
    first, last = comb.line_px
    turn = float(np.arctan2(*(last - first)[::-1]))
    span_mm = np.ptp(comb.index) * comb.division_mm
    per_px = span_mm / float(np.linalg.norm(last - first))
    starts = []
    for lean in (0.0, 0.2, -0.2):
        level, _ = cv2.Rodrigues(np.array([0.0, 0.0, turn]))
        tip, _ = cv2.Rodrigues(np.array([lean, 0.0, 0.0]))
        rotation = level @ tip
        vector, _ = cv2.Rodrigues(rotation)
        p = np.zeros(UNKNOWNS + further)
        p[:3] = vector.ravel()
        middle = np.array([comb.index.mean() * comb.division_mm, 0.0, 0.0])
        seen = np.array([*((first + last) / 2 - centre) * per_px, focal.px * per_px]) - rotation @ middle
        p[3:5], p[5] = seen[:2], seen[2] / focal.px * 1000.0
        p[LOG_FOCAL], p[CENTRE_X], p[CENTRE_Y] = np.log(focal.px), *centre
        starts.append(p)
    return starts


def _solve(cost: Callable[[np.ndarray], np.ndarray], p: np.ndarray, steps: np.ndarray) -> np.ndarray | None:
    """Least squares by Levenberg's damped Gauss-Newton steps; None where it runs off."""
    residual, damping = cost(p), 1e-4
    if not np.isfinite(residual).all():
        return None
    for _ in range(40):
        jacobian = _jacobian(cost, p, steps)
        if not np.isfinite(jacobian).all():
            return None
        hessian, slope = jacobian.T @ jacobian, jacobian.T @ residual
        while damping < 1e8:
            step = np.linalg.solve(hessian + damping * np.diag(np.diag(hessian)), slope)
            moved = cost(p - step)
            gain = residual @ residual - moved @ moved
            if np.isfinite(gain) and gain >= 0:
                break
            damping *= 10
        else:
            return p
        p, residual, damping = p - step, moved, max(damping / 10, 1e-10)
        if gain < 1e-5 and damping < 1e-3:
            break
    return p


def _jacobian(function: Callable[[np.ndarray], np.ndarray], p: np.ndarray, steps: np.ndarray) -> np.ndarray:
    columns = []
    for index, step in enumerate(steps):
        move = np.zeros(len(p))
        move[index] = step
        columns.append((function(p + move) - function(p - move)) / (2 * step))
    return np.column_stack(columns)


def _distinct(fits: list[RuleFit]) -> list[RuleFit]:
    """Best first; another only if it leans elsewhere and is not clearly worse (chi-square within 9)."""
    fits = sorted(fits, key=lambda fit: fit.cost)
    best = fits[:1]
    for other in fits[1:]:
        turn = np.arccos(np.clip((np.trace(best[0].view.rotation.T @ other.view.rotation) - 1) / 2, -1, 1))
        if np.degrees(turn) > 0.5 and other.cost - best[0].cost < 9.0 and len(best) < 2:
            best.append(other)
    return best
