"""The clear distance from each outline to the nearest other one; 0 where they touch, cross or lie in each other."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import scipy

from specimeter.measure.polygon import Rings, dots, edge_gaps, heads, spans

NEIGHBOURS, SOME = 4, 4  # by their middles, for a first bound on the distance; one point in so many is asked for it
PART, RUN = 8 * 24, 24  # edges in one part of an outline and in one run of it: a long outline has many boxes, each small
GRID = 2048  # cells along a picture at most
ROUNDING = 1e-9  # relative: of places amid edges
AT_ONCE = 1 << 17  # pairs of edges worked on at a time


def clear_distances(rings: Rings) -> tuple[np.ndarray, np.ndarray]:
    """Least distance between each polygon's outline and any other's.

    Each polygon first gets a bound from a few neighbours. Outlines are cut into short runs of edges; only runs whose
    boxes lie within the bound of each other are looked at, and of those only edges within it of the other's box. Among
    these every pair of edges is tried unless its first points already lie too far apart, so the result is exact.

    Returns
    -------
    distance : array, shape (F,)
        In the unit of the points; inf where there is no other polygon.
    nearest : int array, shape (F,)
        Which other polygon; -1 where there is none.
    """
    best, nearest = np.full(len(rings), np.inf), np.full(len(rings), -1)
    if len(rings) < 2:
        return best, nearest
    bound = _bounds(rings)
    runs = _Runs.of(rings, RUN)
    one, two = _near_boxes(runs, bound)
    owner_one, owner_two = runs.owner[one], runs.owner[two]
    reach = np.maximum(bound[owner_one], bound[owner_two])
    pair_one, edge_one = _edges_near(runs, one, two, reach)
    pair_two, edge_two = _edges_near(runs, two, one, reach)
    gaps = _least_gaps(rings, reach, pair_one, edge_one, pair_two, edge_two)
    inner, outer = _nested(rings)
    mine = np.concatenate([owner_one, owner_two, inner, outer])
    other = np.concatenate([owner_two, owner_one, outer, inner])
    gaps = np.concatenate([gaps, gaps, np.zeros(2 * len(inner))])
    order = np.lexsort((gaps, mine))
    each, first = np.unique(mine[order], return_index=True)
    best[each], nearest[each] = gaps[order[first]], other[order[first]]
    return best, nearest


@dataclass(frozen=True, eq=False)
class _Runs:
    """Short runs of consecutive edges: where each starts, how many edges it has, whose it is, and its box; and each edge's."""

    starts: np.ndarray
    counts: np.ndarray
    owner: np.ndarray
    low: np.ndarray
    high: np.ndarray
    edges_low: np.ndarray  # shape (2, T)
    edges_high: np.ndarray

    @classmethod
    def of(cls, rings: Rings, most: int) -> _Runs:
        """_Runs of at most so many edges."""
        starts, parts = rings.runs(most)
        owner = np.repeat(np.arange(len(rings)), parts)
        counts = np.minimum(most, rings.starts[owner + 1] - starts)
        axes = np.ascontiguousarray(rings.points.T)
        ends = np.stack([rings.onward(axis) for axis in axes])
        edges_low, edges_high = np.minimum(axes, ends), np.maximum(axes, ends)
        low, high = np.minimum.reduceat(edges_low, starts, axis=1).T, np.maximum.reduceat(edges_high, starts, axis=1).T
        return cls(starts, counts, owner, low, high, edges_low, edges_high)

    def joined(self, many: int) -> _Runs:
        """So many consecutive ones as one."""
        place = np.arange(len(self.owner)) - np.searchsorted(self.owner, self.owner)
        first = np.flatnonzero(place % many == 0)
        counts, low = np.add.reduceat(self.counts, first), np.minimum.reduceat(self.low, first)
        return replace(
            self,
            starts=self.starts[first],
            counts=counts,
            owner=self.owner[first],
            low=low,
            high=np.maximum.reduceat(self.high, first),
        )


def _nested(rings: Rings) -> tuple[np.ndarray, np.ndarray]:
    """Pairs (inner, outer) of polygons of which the inner one's first point lies in the outer one."""
    low, high = rings.boxes
    heads = rings.points[rings.starts[:-1]]
    outer, inner = _within_reach(heads, (low + high) / 2, np.hypot(*(high - low).T) / 2)
    boxed = (inner != outer) & ((low[inner] >= low[outer]) & (high[inner] <= high[outer])).all(axis=1)
    inner, outer = inner[boxed], outer[boxed]
    order = np.lexsort((inner, outer))  # of several that are equally near the same is taken
    pairs = []
    for i, o in zip(inner[order].tolist(), outer[order].tolist(), strict=True):
        hull = rings.points[rings.starts[o] : rings.starts[o + 1]] - heads[i]
        if cv2.pointPolygonTest(hull.astype(np.float32).reshape(-1, 1, 2), (0.0, 0.0), False) > 0:
            pairs.append((i, o))
    inner, outer = np.array(pairs, int).reshape(-1, 2).T
    return inner, outer


def _bounds(rings: Rings) -> np.ndarray:
    """For each polygon, the distance from a point of it to one of some other polygon, shape (F,): of one point in `SOME`."""
    some, parts = rings.runs(SOME)
    rings = Rings(points=rings.points.take(some, axis=0), starts=np.concatenate([[0], np.cumsum(parts)]))
    middles = rings.centroids
    _, others = scipy.spatial.cKDTree(middles).query(middles, k=min(NEIGHBOURS, len(rings)))
    bound = np.full(len(rings), np.inf)
    itself = np.arange(len(rings))
    for column in others.T:
        if (column == itself).all():
            continue
        gap = rings.points - np.repeat(middles.take(column, axis=0), rings.counts, axis=0)
        _, mine = rings.least(dots(gap, gap))  # my point nearest to the other's middle ...
        neighbour = rings.picked(column)
        gap = neighbour.points - np.repeat(rings.points.take(mine, axis=0), neighbour.counts, axis=0)
        apart = neighbour.lowest(dots(gap, gap))  # ... and the other's point nearest to that
        bound = np.where(column == itself, bound, np.minimum(bound, np.sqrt(apart)))
    return bound


def _near_boxes(runs: _Runs, bound: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of runs of different polygons whose boxes lie within one of their bounds of each other.

    A tree finds parts, of several runs each, that lie near each other; then their runs are compared.
    """
    parts = runs.joined(PART // RUN)
    middle, spread = (parts.low + parts.high) / 2, np.hypot(*(parts.high - parts.low).T) / 2
    reach = bound[parts.owner] + spread
    one, two = _within_reach(middle, middle, reach + spread.max())
    one, two = _ordered(*_within(parts, one, two, bound))
    heads = np.searchsorted(runs.starts, parts.starts)
    many = np.diff(heads, append=len(runs.starts))
    first, second = spans(heads[one], many[one]), np.repeat(two, many[one])
    return _ordered(*_within(runs, np.repeat(first, many[second]), spans(heads[second], many[second]), bound))


def _within_reach(places: np.ndarray, middles: np.ndarray, reach: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of a middle and a place no farther from it than its reach along either axis: the middles' numbers, the places'.

    The places stand in order of the cells of a grid, row by row: those in a part of a row follow each other.
    """
    low, cell = places.min(axis=0), max(float(np.median(reach)), float(np.ptp(places, axis=0).max()) / GRID, 1e-300)
    column, row = ((places - low) // cell).astype(np.int64).T
    wide, tall = int(column.max()) + 3, int(row.max())
    key = row * wide + column + 1  # a free column on either side: no part of a row runs into another row
    order = np.argsort(key, kind="stable")
    key = key[order]
    first = np.clip((middles - low - reach[:, None]) // cell, -1, [wide - 2, tall + 1]).astype(np.int64)
    last = np.clip((middles - low + reach[:, None]) // cell, -1, [wide - 2, tall]).astype(np.int64)
    rows = np.maximum(last[:, 1] - np.maximum(first[:, 1], 0) + 1, 0)
    middle = np.repeat(np.arange(len(middles)), rows)
    at = spans(np.maximum(first[:, 1], 0), rows) * wide + 1
    begin = np.searchsorted(key, at + first[middle, 0])
    many = np.searchsorted(key, at + last[middle, 0], side="right") - begin
    middle, place = np.repeat(middle, many), order[spans(begin, many)]
    for axis in (0, 1):
        near = np.abs(places[:, axis].take(place) - middles[:, axis].take(middle)) <= reach.take(middle)
        middle, place = middle[near], place[near]
    return middle, place


def _ordered(one: np.ndarray, two: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of numbers, the lesser first, each once and in rising order: of several that are equally near the same is taken."""
    many = np.int64(max(one.max(initial=0), two.max(initial=0)) + 1)
    lesser, greater = np.divmod(np.unique(np.minimum(one, two) * many + np.maximum(one, two)), many)
    return lesser, greater


def _within(runs: _Runs, one: np.ndarray, two: np.ndarray, bound: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Those of the pairs of runs that belong to different polygons and have boxes within one of their bounds."""
    other = runs.owner[one] != runs.owner[two]
    one, two = one[other], two[other]
    reach = bound[runs.owner]
    apart = [
        np.maximum(np.maximum(low[two] - high[one], low[one] - high[two]), 0.0)
        for low, high in zip(runs.low.T, runs.high.T, strict=True)
    ]
    close = np.hypot(*apart) <= np.maximum(reach[one], reach[two]) * (1 + ROUNDING)
    return one[close], two[close]


def _edges_near(runs: _Runs, which: np.ndarray, other: np.ndarray, reach: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Edges of run ``which[k]`` within ``reach[k]`` of the box of run ``other[k]``: numbers k, indices of first points."""
    counts = runs.counts[which]
    pair, edge = np.repeat(np.arange(len(which)), counts), spans(runs.starts[which], counts)
    for axis in (1, 0):
        low, high = runs.low[other, axis] - reach, runs.high[other, axis] + reach
        near = (runs.edges_low[axis].take(edge) <= high.take(pair)) & (runs.edges_high[axis].take(edge) >= low.take(pair))
        pair, edge = pair[near], edge[near]
    return pair, edge


def _least_gaps(
    rings: Rings, reach: np.ndarray, pair_one: np.ndarray, edge_one: np.ndarray, pair_two: np.ndarray, edge_two: np.ndarray
) -> np.ndarray:
    """Least distance between the listed edges of each pair of runs, shape (pairs,); inf where none comes within reach."""
    counts = np.bincount(pair_two, minlength=len(reach))
    first = np.cumsum(counts) - counts
    gaps = np.full(len(reach), np.inf)
    middles, halves = rings.points + rings.edges / 2, rings.lengths / 2 * (1 + ROUNDING)
    many = counts[pair_one]
    ends = np.cumsum(many)
    begin = 0
    while begin < len(pair_one):
        stop = max(begin + 1, int(np.searchsorted(ends, (ends[begin - 1] if begin else 0) + AT_ONCE, side="right")))
        part = slice(begin, stop)
        pair = np.repeat(pair_one[part], many[part])
        mine = np.repeat(edge_one[part], many[part])
        other = edge_two[spans(first[pair_one[part]], many[part])]
        gap = middles.take(mine, axis=0) - middles.take(other, axis=0)
        apart = np.sqrt(dots(gap, gap))
        seen = np.minimum(reach, gaps)
        new = heads(pair)
        seen[pair[new]] = np.minimum(seen[pair[new]], np.minimum.reduceat(apart, new))
        seen = seen.take(pair)
        close = np.flatnonzero(apart - halves.take(mine) - halves.take(other) <= seen)
        mine, other, gap, apart = mine[close], other[close], gap[close], apart[close]
        along = np.abs(dots(gap, rings.edges.take(mine, axis=0))) + np.abs(dots(gap, rings.edges.take(other, axis=0)))
        facing = np.flatnonzero(apart**2 - along / 2 * (1 + ROUNDING) <= apart * seen[close])  # no nearer than so along the gap
        np.minimum.at(gaps, pair[close[facing]], edge_gaps(rings, mine[facing], other[facing]))
        begin = stop
    return gaps
