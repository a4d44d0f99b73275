"""A closed outline moved onto the edge that it runs along: the clearest path near it, then the half-level of linear light."""

from __future__ import annotations

import cv2
import numpy as np
import scipy

from specimeter import lookup

STEP_PX = 1.0  # between points of the outline
AT_ONCE = 16384  # points: OpenCV takes no more than 32,767 rows
TURN = 0.2  # price of a step of the border sideways, in units of a clear edge
AWAY = 0.5  # and of lying as far as is looked from the line that was given
PLATEAU_PX = (2.0, 5.0)  # from the edge: where its two levels are taken
CROSSING_PX = 1.5  # from the path of clearest edge: where the half-level is looked for
SMOOTH = 5  # points over whose median the half-level's place is steadied
FURTHER_MM, BAND_MM = (0.4, 1.6), 0.25  # how far inside an outline a further edge is looked for; on either side of it
ALIKE_MM, DOUBLED_MM = 1.0, 2.0  # along the outline: over which light is averaged, and how far such an edge goes on at least
RIVAL, GOES_ON, DARKEST = 0.4, 0.9, 0.003  # share of the outline's own edge, and of that stretch; light that is as good as none
FIRST_SHARE = 0.55  # an edge so strong against the strongest ends the metal, though a stronger one follow (a cut's own side)


def follow(light: np.ndarray, outline_px: np.ndarray, reach_px: float) -> tuple[np.ndarray, np.ndarray]:
    """An outline moved onto the edge along it, and which of its points lie on a clear one, bool (M,).

    First the path of clearest edge within `reach_px` is taken, by dynamic programming round the outline; then the half-level
    of linear light between what lies inside and outside, point by point.

    Parameters
    ----------
    light : float32 array, shape (H, W, 3)
        Linear light.
    outline_px : array, shape (N, 2)
        Closed polygon [x, y].
    """
    points, normals = _along(_signed(outline_px), STEP_PX, max(2.0, 0.5 * reach_px))
    offsets = np.arange(-reach_px, reach_px + 0.01, 0.5)
    strength = _strength(light, points, normals, offsets)
    path = _path(strength - np.float32(AWAY) * (offsets / reach_px).astype(np.float32) ** 2, TURN)
    moved = cv2.GaussianBlur(offsets[path].astype(np.float32).reshape(-1, 1), (1, 5), 0).ravel()[:, None]
    points, normals = _along(points + moved * normals, STEP_PX, 1.2)
    at, clear = _half_level(light, points, normals)
    return points + at[:, None] * normals, clear


def clear_along(light: np.ndarray, outline_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points STEP_PX apart along a closed outline as it is, (M, 2), and which of them lie on a clear edge, bool (M,)."""
    points, normals = _along(_signed(outline_px), STEP_PX, 1.2)
    return points, _half_level(light, points, normals)[1]


def doubled_along(light: np.ndarray, outline_px: np.ndarray, px_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Points (M, 2) of an outline inside which a further edge runs along with it, and how many pixels farther in, (M,).

    So it is where the side of the metal below the cut is seen too, or its shadow: either edge may be the cut's.
    """
    points, normals = _along(_signed(outline_px), STEP_PX, 1.2)
    step = 0.2 * BAND_MM / px_mm
    away = np.arange(-(FURTHER_MM[1] + 2 * BAND_MM) / px_mm, 2 * BAND_MM / px_mm, step)
    places = (points[:, None] + away[None, :, None] * normals[:, None]).astype(np.float32)
    seen = _sampled(np.log(light + np.float32(DARKEST)), places, cv2.BORDER_CONSTANT)
    seen = scipy.ndimage.uniform_filter1d(seen, max(round(ALIKE_MM / px_mm / STEP_PX), 3), axis=0, mode="wrap")
    band = max(round(BAND_MM / px_mm / step), 1)
    mean = scipy.ndimage.uniform_filter1d(seen, band, axis=1, origin=-(band // 2))  # of what follows each place
    jump = np.linalg.norm(mean[:, band:-band] - mean[:, : -2 * band], axis=2)
    at = away[band:-band] * px_mm
    inner = (at > -FURTHER_MM[1]) & (at < -FURTHER_MM[0])
    own = jump[:, np.abs(at) < 0.6 * BAND_MM].max(axis=1)
    rival = jump[:, inner].max(axis=1) > RIVAL * own
    goes_on = (
        scipy.ndimage.uniform_filter1d(rival.astype(float), max(round(DOUBLED_MM / px_mm / STEP_PX), 3), mode="wrap") > GOES_ON
    )
    return points[goes_on], -away[band:-band][inner][jump[goes_on][:, inner].argmax(axis=1)]


def _signed(outline_px: np.ndarray) -> np.ndarray:
    """The outline with the metal on its left as drawn with y down, so that normals point outwards one way."""
    x, y = np.asarray(outline_px, float).T
    return outline_px if np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)) > 0 else outline_px[::-1]


def _along(outline: np.ndarray, step: float, smooth: float) -> tuple[np.ndarray, np.ndarray]:
    """Points `step` apart round a closed outline, and outward normals from its course over about `smooth` pixels."""
    closed = np.concatenate([outline, outline[:1]])
    reach = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    count = max(int(reach[-1] / step), 16)
    at = np.arange(count) * reach[-1] / count
    points = np.column_stack([np.interp(at, reach, column) for column in closed.T])
    sigma = max(smooth / step, 0.8)
    wide = int(np.ceil(4 * sigma))
    padded = np.concatenate([points[-wide:], points, points[:wide]])
    kernel = np.exp(-0.5 * (np.arange(-wide, wide + 1) / sigma) ** 2)
    soft = np.column_stack([np.convolve(column, kernel / kernel.sum(), "valid") for column in padded.T])[:count]
    way = np.roll(soft, -1, axis=0) - np.roll(soft, 1, axis=0)
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    return points, np.column_stack([way[:, 1], -way[:, 0]])


def _profiles(light: np.ndarray, points: np.ndarray, normals: np.ndarray, offsets: np.ndarray) -> np.ndarray:
    """Light across an outline, float32 (N, offsets, 3)."""
    grid = points[:, None] + offsets[None, :, None] * normals[:, None]
    return _sampled(light, grid.astype(np.float32), cv2.BORDER_REPLICATE)


def _sampled(light: np.ndarray, places: np.ndarray, border: int) -> np.ndarray:
    """Light (N, M, 3) at pixels [x, y], float32 (N, M, 2), however many rows they are."""
    parts = [places[k : k + AT_ONCE] for k in range(0, len(places), AT_ONCE)]
    return np.concatenate([lookup.at(light, part[..., 0], part[..., 1], border=border) for part in parts])


def _strength(light: np.ndarray, points: np.ndarray, normals: np.ndarray, offsets: np.ndarray, along: int = 1) -> np.ndarray:
    """How clear an edge lies at each place across, float32 (N, offsets), 1 where it is the clearest thereabouts."""
    step = offsets[1] - offsets[0]
    profile = np.sqrt(np.maximum(_profiles(light, points, normals, offsets), 0))
    if along:
        profile = cv2.blur(np.concatenate([profile[-along:], profile, profile[:along]]), (1, 2 * along + 1))[along:-along]
    smooth = cv2.GaussianBlur(profile, (0, 0), sigmaX=max(0.8 / step, 0.6), sigmaY=1e-3)
    slope = np.sqrt(np.sum(np.gradient(smooth, axis=1) ** 2, axis=2))
    strongest = cv2.dilate(slope.max(axis=1).reshape(-1, 1), np.ones((15, 1), np.uint8)).reshape(-1, 1)
    strength = slope / np.maximum(np.maximum(strongest, 0.15 * np.median(strongest)), 1e-6)
    gap = max(round(1.5 / float(step)), 1)
    before = np.maximum.accumulate(strength, axis=1)
    inner = np.concatenate([np.zeros((len(points), gap), np.float32), before[:, :-gap]], axis=1)
    return (strength * np.where(inner > FIRST_SHARE, 0.45, 1.0)).astype(np.float32)


def _path(strength: np.ndarray, turn: float) -> np.ndarray:
    """Index across at each point along, of the closed path with most strength and least wandering."""
    count, width = strength.shape
    doubled = np.concatenate([strength, strength])  # twice round: the second turn has forgotten where the first began
    best = np.empty(doubled.shape, np.float32)
    came = np.zeros(doubled.shape, np.int8)
    best[0] = doubled[0]
    before = np.full(width + 4, -np.inf, np.float32)  # nothing comes from beyond either side
    beside = np.lib.stride_tricks.sliding_window_view(before, 5)
    wandered, across = np.array([2 * turn, turn, 0.0, turn, 2 * turn], np.float32), np.arange(width)
    for k in range(1, 2 * count):
        before[2:-2] = best[k - 1]
        choices = beside - wandered
        pick = np.argmax(choices, axis=1)
        came[k] = pick - 2
        best[k] = choices[across, pick] + doubled[k]
    path = np.empty(2 * count, int)
    path[-1] = int(np.argmax(best[-1]))
    for k in range(2 * count - 1, 0, -1):
        path[k - 1] = path[k] + came[k, path[k]]
    return np.concatenate([path[count : count + count // 2], path[count // 2 : count]])


def _half_level(light: np.ndarray, points: np.ndarray, normals: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where each profile crosses half-way between inside and outside, in pixels, and whether the edge is clear there."""
    offsets = np.arange(-PLATEAU_PX[1] - 1, PLATEAU_PX[1] + 1.01, 0.25)
    profile = _profiles(light, points, normals, offsets)
    inside, outside = (
        _local(profile[:, (offsets >= low) & (offsets <= high)].mean(axis=1))
        for low, high in ((-PLATEAU_PX[1], -PLATEAU_PX[0]), (PLATEAU_PX[0], PLATEAU_PX[1]))
    )
    way = inside - outside
    size = np.sqrt(np.sum(way**2, axis=1))
    level = (
        np.sum((profile - outside[:, None]) * way[:, None], axis=2) / np.maximum(size, 1e-6)[:, None] ** 2
    )  # 1 inside, 0 outside
    noise = np.std(level[:, (offsets < -PLATEAU_PX[0]) & (offsets > -PLATEAU_PX[1])], axis=1)
    near = np.abs(offsets) <= CROSSING_PX
    at = np.full(len(points), np.nan)
    part, places = level[:, near], offsets[near]
    falls = (part[:, :-1] >= 0.5) & (part[:, 1:] < 0.5)
    for k in np.flatnonzero(falls.any(axis=1)):
        where = np.flatnonzero(falls[k])
        cross = places[where] + 0.25 * (part[k, where] - 0.5) / (part[k, where] - part[k, where + 1])
        at[k] = cross[np.argmin(np.abs(cross))]
    known = np.isfinite(at)
    if known.sum() < 8:
        return np.zeros(len(points)), np.zeros(len(points), bool)
    index = np.arange(len(points))
    at = np.where(known, at, 0.0)
    around = (index[:, None] + np.arange(SMOOTH) - SMOOTH // 2) % len(points)
    steady = np.median(at[around], axis=1)
    at = np.where(np.abs(at - steady) > 0.5, steady, at)
    clear = known & (noise < 0.28)
    return at, clear


def _local(values: np.ndarray, reach: int = 6) -> np.ndarray:
    """Running median-like mean round the outline, float (N, 3)."""
    padded = np.concatenate([values[-reach:], values, values[:reach]])
    return np.asarray(cv2.blur(padded.reshape(-1, 1, 3).astype(np.float32), (1, 2 * reach + 1))).reshape(-1, 3)[reach:-reach]
