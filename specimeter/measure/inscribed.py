"""The greatest thickness of an outline: the largest circle that fits inside, for many outlines at once."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.measure.polygon import Rings, areas, perimeters

STEPS = 24  # climbs end after about six; the bound is for outlines made to annoy
SUBPIXEL_BITS = 4  # for the corners of filled polygons


@dataclass(frozen=True, kw_only=True, eq=False)
class Circles:
    """One circle in each polygon: `centre` (F, 2), `radius` (F,), and two opposite `contacts` (F, 2), indices of points."""

    centre: np.ndarray
    radius: np.ndarray
    contacts: np.ndarray


def largest_circles(rings: Rings) -> Circles:
    """The largest circle inside each polygon.

    A raster's distance transform gives the place to start; from there the circle grows by exact steps: away from the
    nearest point until a second stops it, along the two points' bisector until a third does, and so on while its centre
    lies outside the triangle of its contacts (a walk on the Voronoi diagram of the outline's points). The radius
    reported is the distance from the last centre to the nearest *edge*, so the circle truly fits.

    The points must lie closer together than about half the radius (`polygon.dense`), and each polygon must have an area.
    """
    if not len(rings):
        return Circles(centre=np.empty((0, 2)), radius=np.empty(0), contacts=np.empty((0, 2), int))
    origin = rings.points[rings.starts[:-1]]
    rings = rings.moved(rings.points - np.repeat(origin, rings.counts, axis=0))
    centre = _starts(rings)
    centre, contacts = _two_contacts(rings, centre)
    active = np.ones(len(rings), bool)
    for _ in range(STEPS):
        part, index = rings.only(active), np.flatnonzero(active[rings.owner])
        grown, third, moved = _along_bisector(part, centre[active], rings.points[contacts[active]])
        corners = np.column_stack([contacts[active], index[third]])
        kept, outside = _opposite(grown, rings.points[corners])
        pair = np.take_along_axis(corners, kept, axis=1)
        centre[active] = grown
        contacts[active] = pair
        active[active] = outside & moved
        if not active.any():
            break
    return Circles(centre=centre + origin, radius=_clearance(rings, centre), contacts=contacts)


def _starts(rings: Rings) -> np.ndarray:
    """The middle of the thickest place of each polygon, shape (F, 2), as seen on a raster of some 64 to 512 pixels."""
    heads = rings.starts[:-1]
    low = np.minimum.reduceat(rings.points, heads)
    extent = (np.maximum.reduceat(rings.points, heads) - low).max(axis=1)
    thin = np.abs(areas(rings)) / perimeters(rings)  # a strip's half width, a disc's half radius
    fine = np.clip(np.maximum(60 / extent, 8 / thin), 0, 500 / extent)  # raster pixels a unit
    raster = (rings.points - np.repeat(low, rings.counts, axis=0)) * np.repeat(fine, rings.counts)[:, None] + 2.0
    fixed = np.rint(raster * (1 << SUBPIXEL_BITS)).astype(np.int32)
    size = np.ceil(np.maximum.reduceat(raster, heads)).astype(int) + 3
    canvas = np.zeros((int(size[:, 1].max()), int(size[:, 0].max())), np.uint8)
    peaks = np.empty((len(rings), 2))
    for f, (columns, rows) in enumerate(size.tolist()):
        filled = canvas[:rows, :columns]
        filled[:] = 0
        cv2.fillPoly(filled, [fixed[rings.starts[f] : rings.starts[f + 1]].reshape(-1, 1, 2)], 255, shift=SUBPIXEL_BITS)
        peaks[f] = cv2.minMaxLoc(cv2.distanceTransform(filled, cv2.DIST_L2, 5))[3]
    return low + (peaks - 2.0) / fine[:, None]


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
    with np.errstate(divide="ignore", invalid="ignore"):
        stop = square / (2 * ahead)
    faint = np.abs(ahead) <= 1e-9 * np.repeat(length + now, rings.counts)
    forward, third = rings.least(np.where((ahead > 0) & ~faint, stop, np.inf))
    backward, other = rings.least(np.where((ahead < 0) & ~faint, -stop, np.inf))
    # Only across a true width may the circle go back through the middle of its chord: between neighbours it would leak out.
    back = (now < half) & np.isfinite(backward) & (backward > forward)
    along = np.where(back, -backward, forward)
    third = np.where(back, other, third)
    moved = np.isfinite(along) & (np.abs(along) > now * (1 + 1e-9) + 1e-12 * half)
    along = np.where(moved, along, now)
    return middle + along[:, None] * normal, third, moved


def _opposite(centre: np.ndarray, corners: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Of three contacts the two that lie furthest apart, and whether the centre lies beyond the side between them."""
    sides = np.stack([corners[:, 2] - corners[:, 1], corners[:, 0] - corners[:, 2], corners[:, 1] - corners[:, 0]], axis=1)
    apex = np.argmax(np.einsum("fij,fij->fi", sides, sides), axis=1)  # the corner opposite the longest side
    kept = np.array([[1, 2], [2, 0], [0, 1]])[apex]
    each = np.arange(len(apex))
    one, side = corners[each, kept[:, 0]], sides[each, apex]

    def which_side(point: np.ndarray) -> np.ndarray:
        return side[:, 0] * (point[:, 1] - one[:, 1]) - side[:, 1] * (point[:, 0] - one[:, 0])

    return kept, which_side(centre) * which_side(corners[each, apex]) < 0


def _clearance(rings: Rings, centre: np.ndarray) -> np.ndarray:
    """Distance from each polygon's point to its nearest edge, shape (F,)."""
    gap = np.repeat(centre, rings.counts, axis=0) - rings.points
    edge = rings.edges
    square = np.maximum(np.einsum("ij,ij->i", edge, edge), 1e-300)
    along = np.clip(np.einsum("ij,ij->i", gap, edge) / square, 0, 1)
    gap -= along[:, None] * edge
    return np.sqrt(rings.least(np.einsum("ij,ij->i", gap, gap))[0])
