"""Many closed polygons at once: area, perimeter, greatest extent, self-crossing; exact, and without a loop over polygons."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy

TOUCH = 1e-9  # of a polygon's extent: a point so far to the side of an edge lies on it, but for rounding
DIRECTIONS = 8  # over a half turn, for bounds on the greatest extent
RUN, LONG = 4, 1024  # points in a run of an outline; an outline with more is not compared run by run
OF_EACH = ("counts", "areas", "perimeters", "centroids")  # of a polygon's own: worked out once, kept by a choice of polygons
CHUNK = 1 << 17  # table cells worked on at a time: stays in a core's cache


@dataclass(frozen=True, kw_only=True, eq=False)
class Rings:
    """Closed polygons laid end to end: polygon f is ``points[starts[f]:starts[f + 1]]``, its last point not repeated.

    Parameters
    ----------
    points : array, shape (T, 2) or more columns
        Columns after the first two (the same points in other coordinates) are carried along.
    starts : int array, shape (F + 1,)
        Every polygon has at least one point.
    """

    points: np.ndarray
    starts: np.ndarray

    @classmethod
    def of(cls, polygons: Sequence[np.ndarray]) -> Rings:
        """Lay polygons, each of shape (N, 2), end to end."""
        counts = [len(polygon) for polygon in polygons]
        points = np.concatenate([np.empty((0, 2)), *[np.asarray(polygon, float) for polygon in polygons]])
        return cls(points=points, starts=np.concatenate([[0], np.cumsum(counts, dtype=np.int64)]).astype(np.int64))

    def __len__(self) -> int:
        return len(self.starts) - 1

    @cached_property
    def counts(self) -> np.ndarray:
        """Points in each polygon, shape (F,)."""
        return np.diff(self.starts)

    @cached_property
    def owner(self) -> np.ndarray:
        """The polygon that each point belongs to, shape (T,)."""
        return np.repeat(np.arange(len(self)), self.counts)

    @cached_property
    def after(self) -> np.ndarray:
        """Index of the next point round the same polygon, shape (T,)."""
        after = np.arange(1, len(self.points) + 1)
        after[self.starts[1:] - 1] = self.starts[:-1]
        return after

    @cached_property
    def before(self) -> np.ndarray:
        """Index of the point before round the same polygon, shape (T,)."""
        before = np.arange(-1, len(self.points) - 1)
        before[self.starts[:-1]] = self.starts[1:] - 1
        return before

    def onward(self, values: np.ndarray) -> np.ndarray:
        """Of one value or row a point, those of the next point round the same polygon: quicker than to take them by `after`."""
        onward = np.empty_like(values)
        onward[:-1] = values[1:]
        onward[self.starts[1:] - 1] = values[self.starts[:-1]]
        return onward

    @cached_property
    def edges(self) -> np.ndarray:
        """From each point to the next, shape (T, 2)."""
        return self.onward(self.points) - self.points

    @cached_property
    def squares(self) -> np.ndarray:
        """Squared length of each edge, in the first two columns, shape (T,)."""
        return dots(self.edges, self.edges)

    @cached_property
    def lengths(self) -> np.ndarray:
        """Of each edge, in the first two columns, shape (T,)."""
        return np.sqrt(self.squares)

    @cached_property
    def local(self) -> np.ndarray:
        """The points as seen from the first of their own polygon, shape (T, 2 or more): no cancellation far from 0."""
        return self.points - np.repeat(self.points[self.starts[:-1]], self.counts, axis=0)

    @cached_property
    def areas(self) -> np.ndarray:
        """Signed area of each polygon by the shoelace formula, shape (F,), in squared units of the points."""
        after = self.onward(self.local)
        return self.total(self.local[:, 0] * after[:, 1] - self.local[:, 1] * after[:, 0]) / 2

    @cached_property
    def perimeters(self) -> np.ndarray:
        """Length of each polygon's outline, shape (F,)."""
        return self.total(self.lengths)

    @cached_property
    def centroids(self) -> np.ndarray:
        """Mean of each polygon's points, shape (F, 2): a place amid it, not its centre of area."""
        return np.column_stack([self.total(axis) for axis in self.points.T]) / self.counts[:, None]

    @cached_property
    def boxes(self) -> tuple[np.ndarray, np.ndarray]:
        """Least and greatest of each column over each polygon, each of shape (F, 2 or more)."""
        axes = np.ascontiguousarray(self.points.T)
        low, high = ([most.reduceat(axis, self.starts[:-1]) for axis in axes] for most in (np.minimum, np.maximum))
        return np.column_stack(low), np.column_stack(high)

    def moved(self, points: np.ndarray) -> Rings:
        """The same polygons with their points at other places (in other coordinates)."""
        return Rings(points=points, starts=self.starts)

    def only(self, wanted: np.ndarray) -> Rings:
        """The polygons for which `wanted`, shape (F,), is true."""
        if wanted.all():
            return self
        points = self.points.compress(np.repeat(wanted, self.counts), axis=0)
        return self._knowing(Rings(points=points, starts=np.concatenate([[0], np.cumsum(self.counts[wanted])])), wanted)

    def part(self, first: int, last: int) -> Rings:
        """Polygons `first` to `last` (not with it)."""
        begin, end = self.starts[first], self.starts[last]
        some = Rings(points=self.points[begin:end], starts=self.starts[first : last + 1] - begin)
        return self._knowing(some, slice(first, last))

    def places(self, which: np.ndarray) -> np.ndarray:
        """Indices of the points of polygons by number, in that order, some perhaps more than once."""
        return spans(self.starts[which], self.counts[which])

    def runs(self, most: int) -> tuple[np.ndarray, np.ndarray]:
        """Each polygon cut into runs of at most so many points: index of each run's first one, and how many runs each has."""
        parts = -(-self.counts // most)
        return np.repeat(self.starts[:-1], parts) + most * spans(np.zeros(len(self), int), parts), parts

    def picked(self, which: np.ndarray) -> Rings:
        """Polygons by number, in that order, some perhaps more than once."""
        starts = np.concatenate([[0], np.cumsum(self.counts[which])])
        return self._knowing(Rings(points=self.points.take(self.places(which), axis=0), starts=starts), which)

    def _knowing(self, some: Rings, which: np.ndarray | slice) -> Rings:
        """Some of the polygons, with what is known of each of them already."""
        some.__dict__.update({name: self.__dict__[name][which] for name in OF_EACH if name in self.__dict__})
        return some

    def total(self, values: np.ndarray) -> np.ndarray:
        """Sum of one value a point over each polygon, shape (F,)."""
        whole = values.astype(np.int64) if values.dtype == bool else values
        return np.add.reduceat(whole, self.starts[:-1]) if len(self) else np.empty(0)

    def lowest(self, values: np.ndarray) -> np.ndarray:
        """Least of one value a point in each polygon, shape (F,)."""
        return np.minimum.reduceat(values, self.starts[:-1]) if len(self) else np.empty(0)

    def least(self, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Least of one value a point in each polygon, and the index of the first point that has it."""
        if not len(self):
            return np.empty(0), np.empty(0, int)
        return first_least(values, self.starts[:-1])


def first_least(values: np.ndarray, begins: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Least of the values from each beginning to the next, and the index of the first that has it; none may be empty."""
    least = np.minimum.reduceat(values, begins)
    hits = np.flatnonzero(values == np.repeat(least, np.append(begins[1:], len(values)) - begins))
    return least, hits[np.searchsorted(hits, begins)]


def heads(owner: np.ndarray) -> np.ndarray:
    """Where among numbers in order each other one begins."""
    return np.flatnonzero(np.concatenate([np.ones(min(len(owner), 1), bool), owner[1:] != owner[:-1]]))


def dots(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Scalar products row by row, of the first two columns, shape (N,): three times faster than einsum on so few columns."""
    return one[:, 0] * other[:, 0] + one[:, 1] * other[:, 1]


def spans(first: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """first, first + 1, ... for `counts` numbers each, end to end."""
    ends = np.cumsum(counts)
    return np.arange(ends[-1] if len(ends) else 0) + np.repeat(first - ends + counts, counts)


def edge_gaps(rings: Rings, one: np.ndarray, two: np.ndarray) -> np.ndarray:
    """Distance between edges by their first points' indices; 0 where they cross."""
    a, b = rings.points.take(one, axis=0), rings.points.take(two, axis=0)
    u, v = rings.edges.take(one, axis=0), rings.edges.take(two, axis=0)
    between = b - a
    square_u = np.maximum(dots(u, u), 1e-300)
    square_v = np.maximum(dots(v, v), 1e-300)

    def gap(offset: np.ndarray, edge: np.ndarray, square: np.ndarray) -> np.ndarray:
        along = np.clip(dots(offset, edge) / square, 0, 1)
        short = offset - along[:, None] * edge
        return dots(short, short)

    least = np.minimum(gap(between, u, square_u), gap(between + v, u, square_u))
    least = np.minimum(least, np.minimum(gap(-between, v, square_v), gap(u - between, v, square_v)))
    near = np.flatnonzero(least <= np.minimum(square_u, square_v))  # as it is where they cross
    u, v, between = u[near], v[near], between[near]
    turn = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        on_u = (between[:, 0] * v[:, 1] - between[:, 1] * v[:, 0]) / turn
        on_v = (between[:, 0] * u[:, 1] - between[:, 1] * u[:, 0]) / turn
    least[near[(on_u >= 0) & (on_u <= 1) & (on_v >= 0) & (on_v <= 1)]] = 0.0
    return np.sqrt(least)


def dense(rings: Rings, step: np.ndarray) -> Rings:
    """The same polygons with points added on their edges, so that no edge of polygon f is longer than ``step[f]``."""
    parts = np.maximum(np.ceil(rings.lengths / np.repeat(step, rings.counts) - 1e-9), 1).astype(np.int64)
    first = np.concatenate([[0], np.cumsum(parts)])
    share = (np.arange(first[-1]) - np.repeat(first[:-1], parts)) / np.repeat(parts, parts)
    points = np.repeat(rings.points, parts, axis=0) + share[:, None] * np.repeat(rings.edges, parts, axis=0)
    return Rings(points=points, starts=first[rings.starts])


def diameters(rings: Rings) -> tuple[np.ndarray, np.ndarray]:
    """Greatest distance between two points of each polygon (Feret's greatest diameter), and which two.

    Points that no pair as long as the longest known could use are set aside by their support in 8 directions;
    among the rest every pair is tried, so the result is exact.

    Returns
    -------
    distance : array, shape (F,)
    pair : int array, shape (F, 2)
        Indices into ``rings.points``.
    """
    heads = rings.starts[:-1]
    if not len(rings):
        return np.empty(0), np.empty((0, 2), int)
    x, y = np.ascontiguousarray(rings.local.T, np.float32)  # enough to set points aside with a margin
    known, bound = np.zeros(len(rings), np.float32), np.zeros(len(x), np.float32)
    for angle in np.arange(DIRECTIONS) * np.pi / DIRECTIONS:
        along = np.float32(np.cos(angle)) * x + np.float32(np.sin(angle)) * y
        high, low = np.maximum.reduceat(along, heads), np.minimum.reduceat(along, heads)
        np.maximum(known, high - low, out=known)
        np.maximum(bound, along - np.repeat(low, rings.counts), out=bound)
        np.maximum(bound, np.repeat(high, rings.counts) - along, out=bound)
    bound /= np.cos(np.pi / DIRECTIONS / 2)  # the true direction is at most half a step away from one that was tried
    kept = np.flatnonzero(bound >= np.repeat(known * np.float32(1 - 1e-5), rings.counts))
    kept = _thinned(kept, rings)
    starts = np.searchsorted(rings.owner[kept], np.arange(len(rings) + 1))
    pair = np.empty((len(rings), 2), int)
    for chosen, table in _tables(starts):
        points = rings.local.take(kept[table], axis=0)
        apart = np.subtract(points[:, :, None, 0], points[:, None, :, 0]) ** 2
        apart += np.subtract(points[:, :, None, 1], points[:, None, :, 1]) ** 2
        best = np.argmax(apart.reshape(len(chosen), -1), axis=1)
        row, column = np.divmod(best, table.shape[1])
        each = np.arange(len(chosen))
        pair[chosen] = np.column_stack([kept[table[each, row]], kept[table[each, column]]])
    return np.hypot(*(rings.points[pair[:, 1]] - rings.points[pair[:, 0]]).T), pair


def crossing(rings: Rings) -> np.ndarray:
    """Whether each polygon's outline crosses itself, shape (F,); to touch itself or go back along itself is not to cross."""
    found = np.zeros(len(rings), bool)
    unclear = np.flatnonzero(~_star_shaped(rings))
    unclear = unclear[~_runs_apart(rings.picked(unclear))]
    if not len(unclear):
        return found
    if len(unclear) < len(rings):
        found[unclear] = crossing(rings.picked(unclear))
        return found
    for chosen, table in _tables(rings.starts, most=256):
        points = rings.points.take(table, axis=0)
        edges = np.roll(points, -1, axis=1) - points  # padding repeats the last point: edges of no length, which cross nothing
        side = edges[:, :, None, 0] * (points[:, None, :, 1] - points[:, :, None, 1])
        side -= edges[:, :, None, 1] * (points[:, None, :, 0] - points[:, :, None, 0])
        touch = TOUCH * (np.hypot(edges[..., 0], edges[..., 1]) * np.ptp(points, axis=1).max(axis=1)[:, None])[:, :, None]
        left, right = side > touch, side < -touch
        across = left & np.roll(right, -1, axis=2) | right & np.roll(left, -1, axis=2)
        found[chosen] = (across & across.transpose(0, 2, 1)).any(axis=(1, 2))
    for f in np.flatnonzero(rings.counts > 256):
        found[f] = _crosses(rings.points[rings.starts[f] : rings.starts[f + 1]])
    return found


def _star_shaped(rings: Rings) -> np.ndarray:
    """Whether each outline runs once and without turning back round the mean of its points: then it cannot cross itself."""
    reach = rings.points - np.repeat(rings.centroids, rings.counts, axis=0)
    after = rings.onward(reach)
    turn = reach[:, 0] * after[:, 1] - reach[:, 1] * after[:, 0]
    one_way = (rings.lowest(turn) > 0) | (rings.lowest(-turn) > 0)
    above = reach[:, 1] > 0
    return one_way & (rings.total(above & ~rings.onward(above)) == 1)


def _runs_apart(rings: Rings) -> np.ndarray:
    """Whether each outline, cut into runs of `RUN` edges, cannot cross itself, as it seems from the runs alone.

    A run and the next are never turned back along one of four directions, and so do not cross themselves or each other;
    runs that do not follow each other keep as far from each other as the lines between their ends do, less how far their
    points lie from these. An outline for which this is not so, or a very long one, may cross itself or not.
    """
    if not len(rings):
        return np.zeros(0, bool)
    parts = np.where(rings.counts <= LONG, -(-rings.counts // RUN), 1)
    ends = np.cumsum(parts)
    place = np.arange(ends[-1]) - np.repeat(ends - parts, parts)
    begins = np.repeat(rings.starts[:-1], parts) + RUN * place
    lines = Rings(points=rings.points.take(begins, axis=0), starts=np.concatenate([[0], ends]))
    onward = np.zeros(len(begins), bool)
    for way in ((1.0, 0.0), (1.0, 1.0), (0.0, 1.0), (-1.0, 1.0)):
        along = way[0] * rings.edges[:, 0] + way[1] * rings.edges[:, 1]
        for forth in (np.minimum.reduceat(along, begins) >= 0, np.maximum.reduceat(along, begins) <= 0):
            onward |= forth & forth[lines.after]
    own = np.repeat(np.arange(len(begins)), np.diff(begins, append=len(rings.points)))
    away, line = rings.points - lines.points.take(own, axis=0), lines.edges.take(own, axis=0)
    away -= np.clip(dots(away, line) / np.maximum(dots(line, line), 1e-300), 0, 1)[:, None] * line
    off = np.sqrt(np.maximum.reduceat(dots(away, away), begins))
    many = np.maximum(
        np.repeat(parts, parts) - place - 2 - (place == 0), 0
    )  # later ones, but for the next; the last is before the first
    one = np.repeat(np.arange(len(begins)), many)
    two = spans(np.arange(len(begins)) + 2, many)
    between = (
        lines.points.take(two, axis=0)
        - lines.points.take(one, axis=0)
        + (lines.edges.take(two, axis=0) - lines.edges.take(one, axis=0)) / 2
    )
    near = np.sqrt(dots(between, between)) <= (lines.lengths[one] + lines.lengths[two]) / 2 + (off[one] + off[two]) * (1 + 1e-9)
    one, two = one[near], two[near]
    meet = edge_gaps(lines, one, two) <= (off[one] + off[two]) * (1 + 1e-9)
    onward[one[meet]] = False
    return (lines.total(onward) == parts) & (rings.counts <= LONG)


def _crosses(points: np.ndarray) -> bool:
    """One long outline: only edges whose middles lie within an edge's length of each other are compared."""
    ring = Rings.of([points])
    ring = dense(ring, np.array([max(2 * np.median(ring.lengths), ring.lengths.sum() / 20000, 1e-300)]))
    start, edge = ring.points, ring.edges
    pairs = scipy.spatial.cKDTree(start + edge / 2).query_pairs(1.001 * ring.lengths.max(), output_type="ndarray")
    one, two = pairs.T

    touch = TOUCH * float(np.ptp(points, axis=0).max()) * ring.lengths

    def side(edge_of: np.ndarray, point: np.ndarray) -> np.ndarray:
        reach = start[point] - start[edge_of]
        across = edge[edge_of, 0] * reach[:, 1] - edge[edge_of, 1] * reach[:, 0]
        return np.where(np.abs(across) > touch[edge_of], np.sign(across), 0.0)

    next_one, next_two = ring.after[one], ring.after[two]
    apart = (side(one, two) * side(one, next_two) < 0) & (side(two, one) * side(two, next_one) < 0)
    return bool((apart & (next_one != two) & (next_two != one)).any())


def _thinned(kept: np.ndarray, rings: Rings) -> np.ndarray:
    """Where more than 96 points of one polygon are kept, keep only those on its convex hull."""
    counts = np.bincount(rings.owner[kept], minlength=len(rings))
    first, wanted = np.cumsum(counts) - counts, np.ones(len(kept), bool)
    for f in np.flatnonzero(counts > 96).tolist():
        own = slice(first[f], first[f] + counts[f])
        points = rings.points[kept[own]]
        try:
            corners = scipy.spatial.ConvexHull(points).vertices
        except (
            scipy.spatial.QhullError
        ):  # all on one line: what lies farthest from any is one end, what lies farthest from that the other
            end = np.argmax(np.hypot(*(points - points[0]).T))
            corners = [end, np.argmax(np.hypot(*(points - points[end]).T))]
        wanted[own] = False
        wanted[own][corners] = True
    return kept[wanted]


def _tables(starts: np.ndarray, most: int | None = None) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Polygons of like size, none empty, as rectangular index tables (chosen polygons, indices), short ones padded with their
    last point.
    """
    counts = np.diff(starts)
    size = np.exp2(np.ceil(2 * np.log2(np.maximum(counts, 2))) / 2)  # two sizes an octave
    size = np.ceil(size - 1e-9).astype(int)
    for width in np.unique(size):
        same = np.flatnonzero((size == width) & (counts <= (most or width)))
        at_once = max(1, CHUNK // width**2)
        for first in range(0, len(same), at_once):
            chosen = same[first : first + at_once]
            yield chosen, starts[chosen, None] + np.minimum(np.arange(width), counts[chosen, None] - 1)
