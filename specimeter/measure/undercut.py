"""An undercut in a section: depth, width, and how sharp its root is, by fitting the notch as the lens blurred it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy

from specimeter import lookup
from specimeter.measure.sure_enough import too_uncertain
from specimeter.segment.plates import Run

FITTED_SHARE = 0.3  # the part of the notch deeper than this share of its depth is fitted: its flanks are straight there
CELLS, MOST_CELLS = 4, 400  # of the model's raster: to a standard deviation of the blur; across at most
LEAST_BLUR_PX = 0.45  # a pixel's own width blurs, however sharp the lens
STARTS = (0.2, 1.2)  # radians of either flank from which the fit begins, narrow and wide, tried in turn; and ...
START, SHARPEST, BLUNTEST = 0.2, 0.02, 20.0  # ... radius over depth: to begin with, what counts as sharp, the most
STEEPEST = 1.45  # radians of a flank
# where the arc reaches up to what is fitted, no straight part shows a flank: it is held to LIKELY radians, by so much of a
# pixel for each that it is off, and is as unsure as U_FLANK (judgement)
LIKELY, HELD_PX, U_FLANK = 0.4, 0.1, 0.45
LEAST_ARC_DEG = 40.0  # the arc must turn through this for its radius to mean something
RESOLVED_BLURS = 3.5  # a radius below the blur or a pixel is not told from a sharp root: depth and radius trade off there
UNRESOLVED_DEPTH = 1.0  # of the blur: standard uncertainty of the depth where the root's radius is not resolved
RADIUS_SHARE = 0.15  # of a radius: how far edges as cut are from the arc that is fitted (from scenes)
DEPTH_PX = 0.6  # and of a resolved one's depth, at the best: how far a followed outline keeps out of a notch (from scenes)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Undercut:
    """One undercut. Sizes in mm, u: standard uncertainties.

    Parameters
    ----------
    depth_mm, width_mm : float
        Normal to that plate's own fitted surface, and along it between where the notch begins and ends.
    root_radius_mm : float or None
        Radius of the arc at the root; None where photograph and notch do not resolve it.
    root_radius_at_most_mm : float or None
        Where it is not resolved: it is no larger than this (95 %).
    opening_angle_deg : float
        Between the flanks.
    stress_concentration : float
        1 + 2 sqrt(depth / radius) (Inglis 1913, elliptical hole): for comparing notches, not for design. With an upper
        bound of the radius this is a lower bound.
    outline : array, shape (N, 2)
        The fitted notch in mm, from flank over root to flank, for drawing; `centre` of its arc, shape (2,).
    """

    depth_mm: float
    u_depth_mm: float
    width_mm: float
    u_width_mm: float
    root_radius_mm: float | None
    u_root_radius_mm: float | None
    root_radius_at_most_mm: float | None
    opening_angle_deg: float
    u_opening_angle_deg: float
    stress_concentration: float
    outline: np.ndarray
    centre: np.ndarray


def stress_concentration(depth_mm: float, radius_mm: float) -> float:
    """1 + 2 sqrt(depth / radius), for an elliptical notch in tension (Inglis 1913); an indicator for comparing notches."""
    return 1.0 + 2.0 * float(np.sqrt(depth_mm / radius_mm))


def measure_undercut(
    notch: np.ndarray, plate: Run, *, blur_mm: float, px_mm: float, u_edge_mm: float, u_rel: float = 0.0, off_mm: float = 0.0
) -> Undercut | None:
    """Measure one notch below a plate's surface.

    Parameters
    ----------
    notch : array, shape (N, 2)
        The outline at the toe where it lies below the plate's line, in mm, in order.
    plate : Run
        That plate's surface.
    blur_mm : float
        Standard deviation of the picture's edge blur.
    px_mm : float
        Size of a pixel.
    u_edge_mm : float
        Standard uncertainty of a point of the outline, all of it alike.
    u_rel : float
        Relative standard uncertainty of the scale.
    off_mm : float
        Standard uncertainty of the notch's own edge where the photograph does not show it clearly.

    Returns
    -------
    Undercut or None
        None if the notch is too small for a fit: fewer than eight points, or shallower than the blur.
    """
    notch = np.asarray(notch, float)
    if len(notch) < 8:
        return None
    local = np.column_stack([plate.along(notch), -plate.height(notch)])
    deepest = float(local[:, 1].max())
    sigma = max(blur_mm, LEAST_BLUR_PX * px_mm)
    if deepest < max(sigma, 2 * px_mm):
        return None
    fitted = _resampled(local[local[:, 1] > FITTED_SHARE * deepest], 0.5 * px_mm)
    if len(fitted) < 8:
        return None
    tried = [
        scipy.optimize.least_squares(
            _held,
            [fitted[np.argmax(fitted[:, 1]), 0], deepest, np.log(START * deepest), flank, flank],
            args=(fitted, sigma, px_mm),
            x_scale="jac",
            jac=_held_slopes,
            bounds=(
                [-np.inf, 0.0, np.log(SHARPEST * deepest), -np.pi / 4, -np.pi / 4],
                [np.inf, np.inf, np.log(BLUNTEST * deepest), STEEPEST, STEEPEST],
            ),
            loss="soft_l1",
            f_scale=px_mm,
        )
        for flank in STARTS
    ]
    best = min(tried, key=lambda one: one.cost)
    x, depth, log_radius, left, right = best.x
    radius = float(np.exp(log_radius))
    residual = _residuals(best.x, fitted, sigma)
    independent = max(len(fitted) * 0.5 * px_mm / max(2 * sigma, px_mm), 6.0)
    scatter = float(np.sqrt(np.mean(residual**2) + (0.02 * px_mm) ** 2))
    normal = best.jac.T @ best.jac / len(fitted) * independent
    covariance = np.linalg.pinv(normal) * scatter**2
    spread = np.sqrt(np.clip(np.diag(covariance), 0.0, None))
    spread[3:] = np.minimum(spread[3:], U_FLANK)
    u_radius = float(
        np.hypot(radius * np.hypot(spread[2], RADIUS_SHARE), np.hypot(u_edge_mm, off_mm))
    )  # an edge displaced alike all round changes the radius by as much
    u_depth = float(
        np.sqrt(
            spread[1] ** 2
            + plate.u_offset_mm**2
            + (u_rel * depth) ** 2
            + (0.5 * u_edge_mm) ** 2
            + (DEPTH_PX * px_mm) ** 2
            + off_mm**2
        )
    )
    opening = float(max(np.degrees(left + right), 0.0))
    turned = 180.0 - opening
    known = too_uncertain("root_radius_mm", radius, 2 * u_radius) is None
    resolved = known and turned > LEAST_ARC_DEG and radius > RESOLVED_BLURS * max(sigma, px_mm)
    if not resolved:  # depth and radius trade off within the blur: a sharp root may reach so much deeper
        u_depth = float(np.hypot(u_depth, UNRESOLVED_DEPTH * max(sigma, px_mm)))
    at_most = None if resolved else float(max(radius + 2 * u_radius, _largest_that_fits(best.x, fitted, sigma, scatter)))
    shape = _outline(best.x, 1.02 * depth)
    begins, ends = (float(side[0]) for side in _sides(best.x, np.zeros(1)))
    width = min(ends - begins, float(np.ptp(local[[0, -1], 0])))  # the lens rounds the corners: the flanks go on to the surface
    return Undercut(
        depth_mm=float(depth),
        u_depth_mm=u_depth,
        width_mm=width,
        u_width_mm=float(np.hypot(max(2 * px_mm, 2 * u_edge_mm), u_rel * width)),
        root_radius_mm=radius if resolved else None,
        u_root_radius_mm=u_radius if resolved else None,
        root_radius_at_most_mm=at_most,
        opening_angle_deg=opening,
        u_opening_angle_deg=float(np.degrees(np.hypot(spread[3], spread[4]))),
        stress_concentration=stress_concentration(depth, radius if at_most is None else at_most),
        outline=plate.point + shape[:, :1] * plate.direction - shape[:, 1:] * plate.normal,
        centre=plate.point + x * plate.direction - (depth - radius) * plate.normal,
    )


def _resampled(path: np.ndarray, step: float) -> np.ndarray:
    reach = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    at = np.linspace(0.0, reach[-1], max(int(reach[-1] / step), 2) + 1)
    return np.column_stack([np.interp(at, reach, column) for column in path.T])


def _outline(parameters: np.ndarray, height: float) -> np.ndarray:
    """The notch as [along, depth], from one flank `height` above the root over the arc to the other, shape (N, 2)."""
    x, depth, log_radius, left, right = parameters
    radius = np.exp(log_radius)
    centre = np.array([x, depth - radius])
    turn = np.linspace(np.pi - left, right, 48)  # from the left flank's tangent point over the root (pi / 2) to the right one's
    arc = centre + radius * np.column_stack([np.cos(turn), np.sin(turn)])
    one = arc[0] + height / np.cos(left) * np.array([-np.sin(left), -np.cos(left)])
    two = arc[-1] + height / np.cos(right) * np.array([np.sin(right), -np.cos(right)])
    return np.concatenate([one[None], arc, two[None]])


def _sides(parameters: np.ndarray, depth_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where the notch begins and ends along the plate at each depth, shape (N,) each; nowhere below its root."""
    x, depth, log_radius, left, right = parameters
    radius = np.exp(log_radius)
    under = depth_mm - (depth - radius)  # below the arc's centre
    arc = np.sqrt(np.maximum(radius**2 - under**2, 0.0))
    sides = []
    for flank in (left, right):
        on_arc = under > radius * np.sin(flank)
        straight = radius * np.cos(flank) + (radius * np.sin(flank) - under) * np.tan(flank)
        sides.append(np.where(under >= radius, -1.0, np.where(on_arc, arc, straight)))
    gone = under >= radius
    return x - np.where(gone, 0.0, sides[0]), x + np.where(gone, 0.0, sides[1])


def _held(parameters: np.ndarray, points: np.ndarray, sigma: float, px_mm: float) -> np.ndarray:
    """The points' residuals and the two flanks', in mm, shape (N + 2,)."""
    return np.append(_residuals(parameters, points, sigma), HELD_PX * px_mm * (parameters[3:] - LIKELY))


def _held_slopes(parameters: np.ndarray, points: np.ndarray, sigma: float, px_mm: float) -> np.ndarray:
    """Their derivatives, shape (N + 2, 5)."""
    return np.vstack([_slopes(parameters, points, sigma), HELD_PX * px_mm * np.eye(5)[3:]])


def _slopes(parameters: np.ndarray, points: np.ndarray, sigma: float) -> np.ndarray:
    """Derivatives of the residuals by central differences, shape (N, 5)."""
    steps = np.array([0.05 * sigma, 0.05 * sigma, 0.02, 0.005, 0.005])
    columns = [
        (_residuals(parameters + step, points, sigma) - _residuals(parameters - step, points, sigma)) / (2 * step.sum())
        for step in np.diag(steps)
    ]
    return np.column_stack(columns)


def _residuals(parameters: np.ndarray, points: np.ndarray, sigma: float) -> np.ndarray:
    """How far each point is off the half-level of the blurred notch, in mm, shape (N,)."""
    margin = 5 * sigma
    low, high = points.min(axis=0) - margin, points.max(axis=0) + margin
    cell = max(sigma / CELLS, float((high - low).max()) / MOST_CELLS)
    columns, rows = (int(count) + 1 for count in np.ceil((high - low) / cell))
    below = low[1] + (np.arange(rows * 3) - 1.0) / 3 * cell  # three lines to a row of the raster
    left, right = _sides(parameters, below)
    edges = low[0] + (np.arange(columns) - 0.5) * cell
    covered = np.minimum(right[:, None], edges + cell) - np.maximum(left[:, None], edges)
    air = np.clip(covered / cell, 0.0, 1.0).reshape(rows, 3, columns).mean(axis=1).astype(np.float32)
    blurred = cv2.GaussianBlur(air, (0, 0), sigma / cell, borderType=cv2.BORDER_REPLICATE)
    at = ((points - low) / cell).astype(np.float32)
    level = lookup.at(blurred, at[None, :, 0].copy(), at[None, :, 1].copy()).ravel()
    return (level - 0.5) * sigma * np.sqrt(2 * np.pi)


def _largest_that_fits(best: np.ndarray, points: np.ndarray, sigma: float, scatter: float) -> float:
    """Largest radius whose fit is not worse than the best by more than two standard deviations of its mean square."""
    allowed = float(np.sum(_residuals(best, points, sigma) ** 2)) + 4.0 * scatter**2
    radius = float(np.exp(best[2]))
    largest = radius
    for factor in (1.25, 1.5, 2.0, 3.0, 4.5, 7.0):
        fixed = np.log(radius * factor)

        def rest(free: np.ndarray, fixed: float = fixed) -> np.ndarray:
            return _residuals(np.array([free[0], free[1], fixed, free[2], free[3]]), points, sigma)

        found = scipy.optimize.least_squares(rest, best[[0, 1, 3, 4]], diff_step=1e-3, max_nfev=12)
        if 2 * found.cost > allowed:
            break
        largest = radius * factor
    return largest
