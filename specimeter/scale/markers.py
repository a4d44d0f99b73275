"""Markers in a photograph: found by OpenCV, then each black edge fitted to sub-pixel in linear light."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
import scipy

from specimeter.scale.card_layout import dictionary, marker_cells

_CLEAR_PX = 40.0  # a marker this large in the searched picture is as well seen as it will ever be
_SAMPLES = 1200  # pixels an edge's line is first fitted to; the segments then use every pixel
_CLEAN = 0.25  # of the contrast: what a step leaves of its edge, above which it must be a photograph's grain and no pattern
_MOST_GRAIN = 0.8  # of the contrast: beyond, a hundred pixels tell no step from none (judgement)
_STRETCHES, _MOST_KEPT = 4, 0.4  # along an edge; averaged over each of them grain goes, also where JPEG spread it over 2 px
_U_FLOOR_PX = 0.01  # what no edge of a developed photograph is better than: sensor pattern, demosaicing, sharpening


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Marker:
    """One marker's edges, each as a few points where black turns to white.

    Parameters
    ----------
    id : int
    corners_px : array, shape (4, 2)
        Where the fitted edges meet, [x, y], clockwise from the marker's own top left.
    side : array of int, shape (N,)
        Which edge a point lies on: 0 top, 1 right, 2 bottom, 3 left.
    along : array, shape (N,)
        Where on that edge, 0 at its first corner to 1 at its second.
    points_px, normals : array, shape (N, 2)
        The points, and the edge's unit normal out of the black.
    u_px : array, shape (N,)
        Standard uncertainty of each point across the edge, from the picture's own noise.
    blur_px : float
        Standard deviation of the edges' blur.
    side_blurs_px : array, shape (4,)
        The same of each edge by itself, across it: top, right, bottom, left.
    contrast : float
        White minus black, relative luminance.
    """

    id: int
    corners_px: np.ndarray
    side: np.ndarray
    along: np.ndarray
    points_px: np.ndarray
    normals: np.ndarray
    u_px: np.ndarray
    blur_px: float
    side_blurs_px: np.ndarray
    contrast: float

    @property
    def centre_px(self) -> np.ndarray:
        """Where the diagonals cross, [x, y]: the image of the square's centre, whatever the tilt."""
        a, b, c, d = self.corners_px
        return a + (c - a) * _cross(b - a, d - b) / _cross(c - a, d - b)

    @property
    def side_px(self) -> float:
        """Mean length of its sides."""
        return float(np.mean(np.linalg.norm(np.roll(self.corners_px, -1, axis=0) - self.corners_px, axis=1)))


def detect(
    grey: np.ndarray, wanted: Collection[int], *, enough: Collection[Collection[int]] = ()
) -> dict[int, list[np.ndarray]]:
    """Rough corners of the wanted markers, by OpenCV, on ever larger copies of the picture.

    Parameters
    ----------
    grey : array, shape (H, W), uint8
        Encoded as photographed, full size.
    wanted : collection of int
        Ids to keep.
    enough : collection of collections of int
        The search ends as soon as all ids of one of these are clearly seen.

    Returns
    -------
    dict of id to list of arrays, shape (4, 2)
        Corners [x, y] in full-size pixels, clockwise from the marker's own top left; two where an id is seen twice.
    """
    seen: dict[int, list[np.ndarray]] = {}
    long_side = max(grey.shape)
    for target in sorted({min(size, long_side) for size in (1000, 2000, 4000, long_side)}):
        factor = long_side / target
        size = (round(grey.shape[1] / factor), round(grey.shape[0] / factor))
        picture = grey if target == long_side else cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
        ratio = np.array([grey.shape[1] / size[0], grey.shape[0] / size[1]])
        for marker_id, corners in _detect_once(picture):
            if marker_id not in wanted:
                continue
            full = (corners + 0.5) * ratio - 0.5
            known = seen.setdefault(marker_id, [])
            reach = np.linalg.norm(full[0] - full[2])
            if all(np.linalg.norm(full.mean(axis=0) - other.mean(axis=0)) > reach / 2 for other in known):
                known.append(full)
        smallest = min((np.linalg.norm(c[0] - c[2]) / np.sqrt(2) / factor for found in seen.values() for c in found), default=0)
        complete = any(set(ids) <= set(seen) for ids in enough)
        if seen and (complete or smallest >= _CLEAR_PX):
            break
    return seen


def _detect_once(grey: np.ndarray) -> list[tuple[int, np.ndarray]]:
    settings = cv2.aruco.DetectorParameters()
    settings.minMarkerPerimeterRate = 4 * 12.0 / max(grey.shape)  # two pixels a cell
    settings.perspectiveRemovePixelPerCell = 8
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary(), settings).detectMarkers(grey)
    if not len(corners):
        return []
    return [
        (int(marker_id), np.asarray(quad, float).reshape(4, 2)) for marker_id, quad in zip(np.ravel(ids), corners, strict=True)
    ]


def refine(linear: np.ndarray, rough: Mapping[int, list[np.ndarray]]) -> list[Marker]:
    """Every rough marker with its edges fitted; what has not four black edges on white is dropped, being no marker."""
    fitted = (
        fit_marker(linear, corners, marker_id=marker_id, black=marker_cells(marker_id))
        for marker_id, found in rough.items()
        for corners in found
    )
    return [marker for marker in fitted if marker is not None]


def fit_marker(linear: np.ndarray, corners_px: np.ndarray, *, marker_id: int, black: np.ndarray) -> Marker | None:
    """Fit the four outer edges of one black square.

    Each edge is a straight blurred step between its own black and white, both of which may change along it. First the
    line is fitted; then, the line and blur held, each of a few segments of it gives one point: so a bent or curved
    edge, or one with a stain on it, still shows what it is.

    Parameters
    ----------
    linear : array, shape (H, W)
        Luminance in linear light.
    corners_px : array, shape (4, 2)
        Rough corners [x, y], clockwise, within half a cell.
    marker_id : int
    black : array of bool, shape (n, n)
        The marker's cells, its border of one black cell included: white cells behind the border shine through its blur.

    Returns
    -------
    Marker or None
        None where an edge does not turn from black to white, or lies outside the picture.
    """
    corners = np.asarray(corners_px, float).reshape(4, 2)
    blur_px: float | None = None
    edges: list[_Edge] = []
    for _ in range(2):  # the second time with windows that fit the blur, around the lines of the first
        edges = []
        for turn, (first, second) in enumerate(zip(corners, np.roll(corners, -1, axis=0), strict=True)):
            behind = ~np.rot90(black, turn)[1]  # the cells behind the border along this edge, True where white
            opposite = (corners[(turn + 2) % 4] + corners[(turn + 3) % 4]) / 2
            edge = _fit_edge(linear, first, second, opposite, behind=behind, blur_px=blur_px)
            if edge is None:
                return None
            edges.append(edge)
        met = _meet(edges)
        if met is None or np.abs(met - corners).max() > 1.5 * np.linalg.norm(corners[2] - corners[0]) / len(black):
            return None
        corners = met
        blur_px = _blur(edges)
    lengths = [len(edge.offsets) for edge in edges]
    points, normals, along = [], [], []
    for edge, first, second in zip(edges, corners, np.roll(corners, -1, axis=0), strict=True):
        place = edge.origin + np.outer(edge.places, edge.tangent) + np.outer(edge.offsets, edge.normal)
        points.append(place)
        normals.append(np.tile(edge.normal, (len(place), 1)))
        direction = second - first
        along.append((place - first) @ direction / (direction @ direction))
    return Marker(
        id=marker_id,
        corners_px=corners,
        side=np.repeat(np.arange(4), lengths),
        along=np.concatenate(along),
        points_px=np.concatenate(points),
        normals=np.concatenate(normals),
        u_px=np.concatenate([edge.u for edge in edges]),
        blur_px=_blur(edges),
        side_blurs_px=np.array([edge.blur_px for edge in edges]),
        contrast=float(np.mean([edge.contrast for edge in edges])),
    )


def _blur(edges: list[_Edge]) -> float:
    return float(np.median([edge.blur_px for edge in edges]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Edge:
    origin: np.ndarray  # middle of the rough edge
    tangent: np.ndarray
    normal: np.ndarray  # out of the black
    line: tuple[float, float]  # offset along the normal at the origin, and slope
    places: np.ndarray  # of the segments along the tangent
    offsets: np.ndarray  # of the segments along the normal
    u: np.ndarray
    blur_px: float
    contrast: float


def _fit_edge(
    linear: np.ndarray,
    first: np.ndarray,
    second: np.ndarray,
    opposite: np.ndarray,
    *,
    behind: np.ndarray,
    blur_px: float | None,
) -> _Edge | None:
    length = float(np.linalg.norm(second - first))
    if length == 0:
        return None
    tangent = (second - first) / length
    normal = np.array([tangent[1], -tangent[0]])  # y down, clockwise corners: this points out
    origin = (first + second) / 2
    cell = float((origin - opposite) @ normal) / len(behind)  # across the edge, as foreshortened
    if cell < 1.5 or length / len(behind) < 1.5:
        return None
    guess = 0.12 * cell if blur_px is None else blur_px
    inward = outward = 0.7 * cell
    if blur_px is not None:
        outward = float(np.clip(4.0 * blur_px + 1.0, 2.0, 1.5 * cell))
        inward = min(outward, max(cell - 2.0 * blur_px, 0.5 * cell))
    half = length / 2 - min(max(0.06 * length, 3.0 * guess, 1.0), 0.25 * length)  # clear of the corners
    band = _band(linear, origin, tangent, normal, half=half, inward=inward, outward=outward)
    if band is None or len(band[0]) < 24:
        return None
    values, u, d = band
    step = max(1, len(values) // _SAMPLES)
    relief = _Relief(white=behind, cell=cell, length=length, inward=inward)
    fit = _fit_step(values[::step], u[::step], d[::step], half=half, relief=relief, blur_px=guess, most_shift_px=inward)
    if fit is None:
        return None
    offset, slope, blur, black0, black1, white0, white1 = fit
    contrast = white0 - black0
    if blur_px is None:  # only to learn how blurred the edges are
        nothing = np.empty(0)
        return _Edge(origin=origin, tangent=tangent, normal=normal, line=(offset, slope), places=nothing, offsets=nothing,
                     u=nothing, blur_px=blur, contrast=contrast)  # fmt: skip
    count = int(np.clip(2 * half / 10.0, 3, 8))
    which = np.clip(((u / half + 1) / 2 * count).astype(int), 0, count - 1)
    relative = (d - offset - slope * u) / blur
    step_shape = scipy.special.ndtr(relative) + relief.along(u, blur) * scipy.special.ndtr(-relative - cell / blur)
    gradient = -(contrast + (white1 - black1) * u / half) * np.exp(-0.5 * relative**2) / (np.sqrt(2 * np.pi) * blur)
    residual = values - (black0 + black1 * u / half) * (1 - step_shape) - (white0 + white1 * u / half) * step_shape
    places, offsets, spreads = [], [], []
    for index in range(count):
        mine = which == index
        if mine.sum() < 8:
            continue
        design = np.column_stack([gradient[mine], 1 - step_shape[mine], step_shape[mine]])
        normal_matrix = design.T @ design
        try:
            inverse = np.linalg.inv(normal_matrix)
        except np.linalg.LinAlgError:
            continue
        solution = inverse @ (design.T @ residual[mine])
        left = residual[mine] - design @ solution
        variance = float(left @ left) / max(mine.sum() - 3, 1)
        # the point's own place along the edge is where its information lies
        weight = gradient[mine] ** 2
        place = float(weight @ u[mine] / weight.sum())
        places.append(place)
        offsets.append(offset + slope * place + solution[0])
        spreads.append(np.sqrt(variance * inverse[0, 0] + _U_FLOOR_PX**2))
    if len(places) < 2:
        return None
    return _Edge(
        origin=origin,
        tangent=tangent,
        normal=normal,
        line=(offset, slope),
        places=np.array(places),
        offsets=np.array(offsets),
        u=np.array(spreads),
        blur_px=blur,
        contrast=contrast,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Relief:
    """The cells behind the black border, which shine through its blur."""

    white: np.ndarray  # (n,), along the edge
    cell: float  # across the edge
    length: float
    inward: float  # how far into the black the picture is looked at

    def along(self, u: np.ndarray, blur_px: float) -> np.ndarray:
        """Share of white behind the border at places along the edge, its middle at 0."""
        share = np.zeros(len(u))
        if self.cell - self.inward > 5.0 * blur_px:  # too far behind to shine through
            return share
        each = self.length / len(self.white)
        change = np.diff(np.concatenate([[0], self.white.astype(int), [0]]))
        for index in np.flatnonzero(change):
            share += change[index] * scipy.special.ndtr((u - index * each + self.length / 2) / blur_px)
        return share


def _band(
    linear: np.ndarray,
    origin: np.ndarray,
    tangent: np.ndarray,
    normal: np.ndarray,
    *,
    half: float,
    inward: float,
    outward: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Values and (along, across) places of the pixels within `half` along, and in and out across; None if outside."""
    corners = origin + np.array([[a, b] for a in (-half, half) for b in (-inward, outward)]) @ np.array([tangent, normal])
    low = np.floor(corners.min(axis=0)).astype(int)
    high = np.ceil(corners.max(axis=0)).astype(int)
    if (low < 0).any() or high[0] >= linear.shape[1] or high[1] >= linear.shape[0]:
        return None
    dy, dx = np.ogrid[low[1] : high[1] + 1, low[0] : high[0] + 1]
    dx, dy = dx - origin[0], dy - origin[1]
    u = dx * tangent[0] + dy * tangent[1]
    d = dx * normal[0] + dy * normal[1]
    inside = (np.abs(u) <= half) & (d >= -inward) & (d <= outward)
    return linear[low[1] : high[1] + 1, low[0] : high[0] + 1][inside].astype(float), u[inside], d[inside]


def _fit_step(
    values: np.ndarray, u: np.ndarray, d: np.ndarray, *, half: float, relief: _Relief, blur_px: float, most_shift_px: float
) -> tuple[float, float, float, float, float, float, float] | None:
    """Least-squares blurred step: offset, slope, blur, black and white each with a slope over u / half; None if no step."""
    ordered = np.argsort(d)
    quarter = max(len(d) // 4, 1)
    black, white = np.median(values[ordered[:quarter]]), np.median(values[ordered[-quarter:]])
    if white <= black:
        return None
    u = u / half
    p = np.array([0.0, 0.0, np.log(max(blur_px, 0.4)), black, 0.0, white, 0.0])
    damping, cost, best = 1e-3, np.inf, p
    for _ in range(40):
        blur = np.exp(p[2])
        z = (d - p[0] - p[1] * u) / blur
        behind = -z - relief.cell / blur
        share = relief.along(u * half, blur)
        up = scipy.special.ndtr(z) + share * scipy.special.ndtr(behind)
        residual = values - (p[3] + p[4] * u) * (1 - up) - (p[5] + p[6] * u) * up
        new_cost = float(residual @ residual)
        if new_cost > cost:  # step back, and go more carefully
            damping *= 10
            if damping > 1e3:
                break
        else:
            done = cost - new_cost <= 1e-6 * new_cost
            cost, best, damping = new_cost, p, max(damping / 5, 1e-9)
            if done:
                break
            contrast = (p[5] - p[3] + (p[6] - p[4]) * u) / np.sqrt(2 * np.pi)
            near, far = contrast * np.exp(-0.5 * z**2), contrast * share * np.exp(-0.5 * behind**2)
            by_offset = (far - near) / blur
            by_blur = -near * z - far * behind
            design = np.column_stack([by_offset, by_offset * u, by_blur, 1 - up, u * (1 - up), up, u * up])
            hessian, slope = design.T @ design, design.T @ residual
        try:
            move = np.linalg.solve(hessian + damping * np.diag(np.diag(hessian) + 1e-12), slope)
        except np.linalg.LinAlgError:
            return None
        move[2] = np.clip(move[2], -0.7, 0.7)
        p = best + move
        p[2] = np.clip(p[2], np.log(0.25), np.log(0.7 * relief.cell))
    noise = np.sqrt(cost / max(len(values) - 7, 1))
    contrast = best[5] - best[3]
    if contrast <= 0 or abs(best[0]) + abs(best[1]) > most_shift_px:
        return None
    grainy = noise > _CLEAN * contrast
    if grainy and (noise > _MOST_GRAIN * contrast or _kept(residual, u, d) > _MOST_KEPT):
        return None
    black, over_black, white, over_white = map(float, best[3:])
    return float(best[0]), float(best[1] / half), float(np.exp(best[2])), black, over_black, white, over_white


def _kept(residual: np.ndarray, u: np.ndarray, d_px: np.ndarray) -> float:
    """Share of what a step leaves of its edge that is still there once averaged along it, a pixel deep each: `u` from -1 to 1.

    Of white noise one over the pixels averaged, of light that changes beside the edge nearly all.
    """
    along, deep = np.clip(((u + 1) / 2 * _STRETCHES).astype(int), 0, _STRETCHES - 1), np.round(d_px - d_px.min()).astype(int)
    cell = deep * _STRETCHES + along
    count = np.bincount(cell)
    return float(np.sum(np.bincount(cell, residual) ** 2 / np.maximum(count, 1))) / float(residual @ residual)


def _meet(edges: list[_Edge]) -> np.ndarray | None:
    """Corners, shape (4, 2): corner i is where edge i-1 meets edge i."""
    lines = []
    for edge in edges:
        offset, slope = edge.line
        point = edge.origin + offset * edge.normal
        direction = edge.tangent + slope * edge.normal
        lines.append((point, direction))
    corners = []
    for (p, v), (q, w) in zip([lines[-1], *lines[:-1]], lines, strict=True):
        turn = _cross(v, w)
        if abs(turn) < 1e-3:
            return None
        corners.append(p + v * _cross(q - p, w) / turn)
    return np.array(corners)


def _cross(a: np.ndarray, b: np.ndarray) -> float:
    return float(a[0] * b[1] - a[1] * b[0])
