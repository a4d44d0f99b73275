"""The greatest thickness of an outline: the largest circle that fits inside, for many outlines at once."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.measure.polygon import Rings, areas, perimeters

STEPS = 24  # climbs end after about six; the bound is for outlines made to annoy
CANDIDATES = 3  # places to climb from at most; the highest end is taken
SUBPIXEL_BITS = 4  # for the corners of filled polygons


@dataclass(frozen=True, kw_only=True, eq=False)
class Circles:
    """One circle in each polygon: `centre` (F, 2), `radius` (F,), and two opposite `contacts` (F, 2), indices of points."""

    centre: np.ndarray
    radius: np.ndarray
    contacts: np.ndarray


def largest_circles(rings: Rings) -> Circles:
    """The largest circle inside each polygon.

    A raster's distance transform gives a few places to start. From the best of them the circle grows by exact steps: away
    from the nearest point until a second stops it, along the two points' bisector until a third does, and so on while its
    centre lies outside the triangle of its contacts (a climb on the Voronoi diagram of the outline's points). A last step
    takes the edges between the points for what they are: straight. The radius reported is the distance from the centre to
    the nearest edge, so the circle truly fits.

    A climb may end at a slight maximum amid a channel of nearly even width; what it then lacks was below 2 % of the
    radius on rough outlines, and below 1 % on smooth ones. The points must lie closer together than about half the radius
    (`polygon.dense`), and each polygon must have an area.
    """
    if not len(rings):
        return Circles(centre=np.empty((0, 2)), radius=np.empty(0), contacts=np.empty((0, 2), int))
    peaks = _peaks(rings)
    of, start = np.nonzero(np.isfinite(peaks[:, :, 0]))
    climbed = _climbed(rings.picked(of), peaks[of, start])
    order = np.lexsort((-climbed.radius, of))
    best = order[np.searchsorted(of[order], np.arange(len(rings)))]
    contacts = rings.places(of)[climbed.contacts[best]]
    return Circles(centre=climbed.centre[best], radius=climbed.radius[best], contacts=contacts)


def _climbed(rings: Rings, centre: np.ndarray) -> Circles:
    """Circles grown from one place in each polygon."""
    origin = rings.points[rings.starts[:-1]]
    rings = rings.moved(rings.points - np.repeat(origin, rings.counts, axis=0))
    centre, contacts = _two_contacts(rings, centre - origin)
    active = np.ones(len(rings), bool)
    for _ in range(STEPS):
        part, index = rings.only(active), np.flatnonzero(active[rings.owner])
        grown, third, moved = _along_bisector(part, centre[active], rings.points[contacts[active]])
        corners = np.column_stack([contacts[active], index[third]])
        kept, outside = _opposite(grown, rings.points[corners])
        centre[active] = grown
        contacts[active] = np.take_along_axis(corners, kept, axis=1)
        active[active] = outside & moved
        if not active.any():
            break
    centre, radius = _between_edges(rings, centre)
    return Circles(centre=centre + origin, radius=radius, contacts=contacts)


def _peaks(rings: Rings) -> np.ndarray:
    """The middles of the thickest places of each polygon, shape (F, CANDIDATES, 2), on a raster of 64 to 2,000 pixels.

    Others than the thickest only if they lie apart from it and are nearly as thick; else NaN. Where even the thickest place
    is finer than the raster, places just inside a few edges.
    """
    heads = rings.starts[:-1]
    low = np.minimum.reduceat(rings.points, heads)
    extent = (np.maximum.reduceat(rings.points, heads) - low).max(axis=1)
    thin = np.abs(areas(rings)) / perimeters(rings)  # a strip's half width, a disc's half radius
    fine = np.clip(np.maximum(60 / extent, 8 / thin), 0, 2000 / extent)  # raster pixels a unit
    raster = (rings.points - np.repeat(low, rings.counts, axis=0)) * np.repeat(fine, rings.counts)[:, None] + 2.0
    fixed = np.rint(raster * (1 << SUBPIXEL_BITS)).astype(np.int32)
    size = np.ceil(np.maximum.reduceat(raster, heads)).astype(int) + 3
    canvas = np.zeros((int(size[:, 1].max()), int(size[:, 0].max())), np.uint8)
    peaks = np.full((len(rings), CANDIDATES, 2), np.nan)
    hair = np.zeros(len(rings), bool)
    starts = rings.starts.tolist()
    for f, (columns, rows) in enumerate(size.tolist()):
        filled = canvas[:rows, :columns]
        filled[:] = 0
        cv2.fillPoly(filled, [fixed[starts[f] : starts[f + 1]].reshape(-1, 1, 2)], 255, shift=SUBPIXEL_BITS)
        depth = cv2.distanceTransform(filled, cv2.DIST_L2, 5)
        _, deepest, _, place = cv2.minMaxLoc(depth)
        peaks[f, 0] = place
        hair[f] = deepest < 2.0
        for other in range(1, CANDIDATES):
            cv2.circle(depth, place, int(1.5 * deepest) + 1, 0.0, -1)
            _, deep, _, place = cv2.minMaxLoc(depth)
            if deep < 0.9 * deepest - 0.7:
                break
            peaks[f, other] = place
    peaks = low[:, None] + (peaks - 2.0) / fine[:, None, None]
    for f in np.flatnonzero(hair):
        at = starts[f] + (np.arange(CANDIDATES) * 2 + 1) * (starts[f + 1] - starts[f]) // (2 * CANDIDATES)
        edge = rings.edges[at]
        inwards = np.column_stack([-edge[:, 1], edge[:, 0]]) * np.sign(areas(rings)[f])
        peaks[f] = rings.points[at] + edge / 2 + 1e-3 * inwards
    return peaks


def _two_contacts(rings: Rings, centre: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Grow each circle away from its nearest point until a second point stops it: new centres, and the two points."""
    gap = rings.points - np.repeat(centre, rings.counts, axis=0)
    near, first = rings.least(np.einsum("ij,ij->i", gap, gap))
    touch = rings.points[first]
    inward = (centre - touch) / np.sqrt(np.maximum(near, 1e-300))[:, None]
    reach = rings.points - np.repeat(touch, rings.counts, axis=0)
    ahead = np.einsum("ij,ij->i", reach, np.repeat(inward, rings.counts, axis=0))
    square = np.einsum("ij,ij->i", reach, reach)
    with np.errstate(divide="ignore", invalid="ignore"):
        radius = np.where(ahead > 1e-9 * np.sqrt(square), square / (2 * ahead), np.inf)
    radius[first] = np.inf
    stop, second = rings.least(radius)
    stop = np.where(np.isfinite(stop), stop, np.sqrt(near))
    return touch + stop[:, None] * inward, np.column_stack([first, second])


def _along_bisector(rings: Rings, centre: np.ndarray, pair: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Grow circles through two points each (`pair`, shape (F, 2, 2)) until a third stops them.

    On the bisector, at t from the points' middle, the circle's square radius is half^2 + t^2; the point q stops it at
    t = (|q - middle|^2 - half^2) / (2 normal . (q - middle)), ahead where the denominator is positive, behind where not.
    Returns new centres, the points that stop them, and whether they moved.
    """
    middle, chord = pair.mean(axis=1), pair[:, 1] - pair[:, 0]
    length = np.hypot(*chord.T)
    normal = np.column_stack([-chord[:, 1], chord[:, 0]]) / np.maximum(length, 1e-300)[:, None]
    now = np.einsum("ij,ij->i", centre - middle, normal)
    flip = np.where(now < 0, -1.0, 1.0)
    normal, now = normal * flip[:, None], np.abs(now)
    half = length / 2
    reach = rings.points - np.repeat(middle, rings.counts, axis=0)
    ahead = np.einsum("ij,ij->i", reach, np.repeat(normal, rings.counts, axis=0))
    square = np.einsum("ij,ij->i", reach, reach) - np.repeat(half**2, rings.counts)
    faint = np.repeat(1e-9 * (length + now), rings.counts)
    stop = np.full(len(ahead), np.inf)
    np.divide(square, 2 * ahead, out=stop, where=np.abs(ahead) > faint)
    forward, third = rings.least(np.where(ahead > 0, stop, np.inf))
    backward, other = rings.least(np.where(ahead < 0, -stop, np.inf))
    # Only across a true width may the circle go back through the middle of its chord: between neighbours it would leak out.
    back = (now < half) & np.isfinite(backward) & (backward > forward)
    along = np.where(back, -backward, forward)
    third = np.where(back, other, third)
    moved = np.isfinite(along) & (np.abs(along) > now * (1 + 1e-9) + 1e-12 * half)
    along = np.where(moved, along, now)
    return middle + along[:, None] * normal, third, moved


def _opposite(centre: np.ndarray, corners: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Of three contacts the two that lie furthest apart, and whether the centre lies beyond the side between them."""
    sides = corners[:, [2, 0, 1]] - corners[:, [1, 2, 0]]  # side k lies opposite corner k
    apex = np.argmax(np.einsum("fij,fij->fi", sides, sides), axis=1)
    kept = np.array([[1, 2], [2, 0], [0, 1]])[apex]
    each = np.arange(len(apex))
    one, side = corners[each, kept[:, 0]], sides[each, apex]

    def which_side(point: np.ndarray) -> np.ndarray:
        return side[:, 0] * (point[:, 1] - one[:, 1]) - side[:, 1] * (point[:, 0] - one[:, 0])

    return kept, which_side(centre) * which_side(corners[each, apex]) < 0


def _between_edges(rings: Rings, centre: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Grow each circle away from the nearest place on an edge until another edge or point stops it: centres and radii.

    A circle that touches the outline at `foot` and has its centre along `inward` touches an edge's line, whose inward
    normal is m and on which a lies, when its radius is m . (foot - a) / (1 - m . inward), and a point q when it is
    |q - foot|^2 / (2 inward . (q - foot)).
    """
    edge, counts = rings.edges, rings.counts
    square = np.maximum(np.einsum("ij,ij->i", edge, edge), 1e-300)
    gap = np.repeat(centre, counts, axis=0) - rings.points
    along = np.clip(np.einsum("ij,ij->i", gap, edge) / square, 0, 1)
    short = gap - along[:, None] * edge
    near, which = rings.least(np.einsum("ij,ij->i", short, short))
    near = np.sqrt(near)
    inward = short[which] / np.maximum(near, 1e-300)[:, None]
    foot = centre - short[which]
    reach = rings.points - np.repeat(foot, counts, axis=0)  # from the foot to each edge's first point
    direction = np.repeat(inward, counts, axis=0)
    turn = np.repeat(np.sign(areas(rings)), counts) / np.sqrt(square)
    normal = np.column_stack([-edge[:, 1] * turn, edge[:, 0] * turn])
    facing = 1 - np.einsum("ij,ij->i", normal, direction)
    ahead = np.einsum("ij,ij->i", reach, direction)
    with np.errstate(divide="ignore", invalid="ignore"):
        radius = np.where(facing > 1e-6, -np.einsum("ij,ij->i", normal, reach) / facing, np.inf)
        touched = np.einsum("ij,ij->i", radius[:, None] * direction - reach, edge) / square
        radius[~((touched >= 0) & (touched <= 1) & (radius > 0))] = np.inf
        point = np.where(ahead > 1e-9 * np.sqrt(square), np.einsum("ij,ij->i", reach, reach) / (2 * ahead), np.inf)
    radius = np.maximum(np.minimum(radius, point), np.repeat(near, counts))  # it fitted before it grew
    radius[which] = np.inf
    stop, _ = rings.least(radius)
    stop = np.where(np.isfinite(stop), stop, near)
    return foot + stop[:, None] * inward, stop
