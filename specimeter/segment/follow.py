"""Follow a crack from where a network sees it along the dark line that it leaves in the light, and join what it meets."""

from __future__ import annotations

import cv2
import numpy as np

from specimeter import lookup

LINE_PX = 1.4  # standard deviation of the line filter: lines of 1 to 5 px
AROUND_PX = 61  # in which the picture's own lines are usual
LEAST_ABOVE = 3.0  # times the usual line: followed
LEAST_MEAN = 4.0  # over the whole of what was followed
LEAST_OF_OWN = 0.4  # of the crack's own line: fainter, it is another
LEAST_PX = 24  # shorter proposals give no direction
STEP_PX = 4
AHEAD_PX = (6, 10, 16, 24, 32)  # looked, nearest first: a gap, a drawn line across
TURNS_DEG = np.arange(-32, 33, 4)
MOST_STEPS = 1000
MOST_BARE_PX, MOST_BARE = 8, 0.05  # without a line between two pieces of one crack, or of the length from end to end


def lines(light: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How dark and line-like each place is, and that in multiples of what is usual around it; both float32 (H, W).

    The larger curvature of the logarithm of light less the size of the smaller (eigenvalues of the Hessian), so that spots and
    textures do not count; over its own mean in a square about the place.
    """
    smooth = cv2.GaussianBlur(np.log(np.maximum(light, np.float32(2e-3))), (0, 0), LINE_PX)
    xx, yy, xy = (cv2.Sobel(smooth, cv2.CV_32F, i, j, scale=0.25) for i, j in ((2, 0), (0, 2), (1, 1)))
    middle, apart = 0.5 * (xx + yy), np.sqrt(0.25 * (xx - yy) ** 2 + xy**2)
    line = np.clip(middle + apart - np.abs(middle - apart), 0, None)
    return line, line / (cv2.blur(line, (AROUND_PX, AROUND_PX)) + np.float32(1e-4))


def ends(mask: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """The two ends [x, y] of a long thin region and the unit directions in which they point; empty for short or stout ones."""
    points = np.argwhere(mask)[:, ::-1].astype(float)
    hull = cv2.convexHull(points.astype(np.float32)).reshape(-1, 2).astype(float)
    gaps = np.linalg.norm(hull[:, None] - hull[None], axis=2)
    i, j = np.unravel_index(int(np.argmax(gaps)), gaps.shape)
    long = float(gaps[i, j])
    if long < LEAST_PX or len(points) > 0.35 * long * long:
        return []
    found = []
    for end in (hull[i], hull[j]):
        near = points[np.linalg.norm(points - end, axis=1) < min(30.0, 0.6 * long)]
        away = end - near.mean(axis=0)
        found.append((end, away / max(float(np.linalg.norm(away)), 1e-9)))
    return found


def follow(
    line: np.ndarray, above: np.ndarray, start: np.ndarray, way: np.ndarray, usable: np.ndarray, own: float
) -> np.ndarray:
    """Places [x, y] (N, 2) along the line that begins at a start and points a way; the start alone where there is none.

    Step by step towards the ray, within 32 degrees of the way, along which the line is clearest; it ends where no ray of any
    length has a line three times the usual and nearly as dark as the crack's `own`, and counts only if all of it has four times
    the usual on average.
    """
    path, values = [start], []
    height, width = above.shape
    for _ in range(MOST_STEPS):
        best = None
        for far in AHEAD_PX:
            turn = np.radians(TURNS_DEG)
            rays = np.column_stack(
                [way[0] * np.cos(turn) - way[1] * np.sin(turn), way[0] * np.sin(turn) + way[1] * np.cos(turn)]
            )
            t = np.arange(1.0, far + 1)
            places = path[-1] + t[None, :, None] * rays[:, None]
            seen = lookup.at(above, places[..., 0].astype(np.float32), places[..., 1].astype(np.float32))
            score = np.minimum(seen, 8.0)[:, -min(far, 10) :].mean(axis=1) - 0.02 * np.abs(TURNS_DEG)
            k = int(np.argmax(score))
            here = lookup.at(line, places[k, None, :, 0].astype(np.float32), places[k, None, :, 1].astype(np.float32))
            if score[k] >= LEAST_ABOVE and float(here.ravel()[-min(far, 10) :].mean()) >= LEAST_OF_OWN * own:
                best = (rays[k], far, float(np.minimum(seen[k], 8.0).mean()))
                break
        if best is None:
            break
        ray, far, value = best
        step = STEP_PX if far == AHEAD_PX[0] else far - 4
        place = path[-1] + step * ray
        x, y = np.round(place).astype(int)
        if not (0 <= x < width and 0 <= y < height and usable[y, x]):
            break
        path.append(place)
        values.extend([value] * step)
        way = 0.6 * way + 0.4 * ray
        way = way / np.linalg.norm(way)
    return np.array(path if values and np.mean(values) >= LEAST_MEAN else path[:1])


def unbroken(path: np.ndarray, above: np.ndarray, pieces: np.ndarray, own_px: float) -> int:
    """How many of a path's places lie before the first stretch of bare metal: then two cracks lie in one line.

    Parameters
    ----------
    path : array, shape (N, 2)
        Places [x, y] that `follow` gave.
    above : float32 array, shape (H, W)
        As of `lines`.
    pieces : bool array, shape (H, W)
        The cracks that it passes through.
    own_px : float
        Length of the crack that it begins at.
    """
    travelled = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    at = np.arange(0.0, travelled[-1] + 0.5)
    columns, rows = (np.round(np.interp(at, travelled, axis)).astype(int) for axis in path.T)
    lined = pieces[rows, columns] | (cv2.dilate(above, np.ones((3, 3), np.uint8))[rows, columns] >= LEAST_ABOVE)
    most = max(MOST_BARE_PX, MOST_BARE * (own_px + travelled[-1]))
    bare = 0
    for px, line in zip(at, lined, strict=True):
        bare = 0 if line else bare + 1
        if bare > most:
            return int(np.searchsorted(travelled, px - bare, side="right"))
    return len(path)
