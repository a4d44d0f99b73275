"""Openings proposed by a small network that was trained on random scenes, then outlined by the physics of their edges."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

import cv2
import numpy as np
import scipy

from specimeter.photo import Photo
from specimeter.scale.surface import Surface
from specimeter.segment.border import Border, Patch, border, own_ring
from specimeter.segment.contour import within
from specimeter.segment.follow import ends, follow, lines, unbroken
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.segment.network import Network, Region, Seen, inside, look, regions, weighed
from specimeter.segment.sharpness import blur_of

ODDS, PLATE_ODDS = (Path(__file__).with_name(name) for name in ("learned.json", "plate.json"))
FEATURE, CRACK, MARK, SHARE, FOREIGN = range(5)  # answers: log-odds of a feature, however thin; that it is a crack; of a mark
# that is none; the share of each pixel that a feature covers; of GROUND alone, that the ground is no metal
NETWORK = Network(
    file=Path(__file__).with_name("learned.onnx"),
    sampling_mm=0.05,
    most_zoom=1.5,
    most_enlarged_px=1_500_000,
    margin_px=48,
    twice=(FEATURE, CRACK, MARK),
    instead="openings",
)
PLATE = replace(NETWORK, file=Path(__file__).with_name("plate.onnx"))  # of what is flat: went on from NETWORK, on painted
# plates at welds too, and on bends does a little worse
GROUND = replace(NETWORK, file=Path(__file__).with_name("ground.onnx"), most_zoom=1.0, twice=())  # knows print, cloth and
# wood from metal, and looks in its place where they are
GROUND_PX = 60_000  # of the picture by which the ground is judged: a twentieth of a second
LEAST_NO_METAL = 0.6  # share of the area; of simple drawings of metal up to 0.55, of rendered faces 0.03
LEVEL = -1.0  # log-odds that bound a proposal: doubtful ground beside sure ground belongs to it
FADED = -3.2  # log-odds down to which its outline goes on, where that touches it
LEAST_PEAK = 0.5  # log-odds that a proposal reaches somewhere
LEAST_PX = 5  # of the network's pixels
PATCH_MARGIN_PX = 10
BEYOND_PX = 4.0  # of the network's pixels: so far beyond the area's outline shares go on, for an opening that ends there
AT_EDGE_PX = 1.0  # an outline so near an edge of the specimen keeps within it
U_SIDE_PX = 1.0  # standard uncertainty of a specimen's edge where its width was not measured: judgement
LEAST_PIECE_PX, BRIDGE_PX = 12, 6.0  # of the network's pixels: a crack's piece, and what lies between two that are one
LEAST_TO_FOLLOW = 1.0  # log-odds that a crack reaches before it is followed
PIECE_ODDS, PIECE_PX, MOST_SUPPORT = 0.8, 100, 5.0
USUALLY_RIGHT, AS_MANY = 0.6, 8  # of a photograph's proposals, at least; and how many of them experience weighs as much as
LEAST_SLENDER = 10.0  # of a crack: what is stouter is an opening, however ragged
PATH_SHARE = 0.6  # of a pixel, where a crack was followed
LEAST_CONFIDENCE = 0.4  # recall and false calls on the tuning scenes: see training/MODEL.md
SMALL_PX = 8.0  # of the photograph: what is shorter has no form to tell it from dust by,
LEAST_OF_SMALL = 0.7  # and must be as likely as this
ALONE_PEAK = 1.7  # log-odds that the network alone must reach, when it is judged without physics
FIGURES = ("peak", "mean", "share", "size", "mark", "darkness", "vagueness")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proposal(Region):
    """A region with what else speaks for it."""

    crack: float  # log-odds that it is a crack
    size: float
    mark: float
    share: float  # log-odds of covering a pixel, where it covers most
    path: np.ndarray | None = None  # of the mask's shape: where a crack was followed in the light, beyond what the network sees
    pieces: int = 1  # of one crack, seen apart and joined


def find_learned(photo: Photo, surface: Surface, area: ExaminedArea) -> list[Outline]:
    """Openings and cracks, each outlined at the half-level of its edge in linear light, likeliest first.

    Parameters
    ----------
    photo : Photo
    surface : Surface
    area : ExaminedArea
        Only what lies within it is looked at.

    Raises
    ------
    SpecimeterError
        If the network's file is missing or this OpenCV cannot read it.
    """
    foreign = (share_of_no_metal(photo, surface, area) if area.no_metal is None else area.no_metal) >= LEAST_NO_METAL
    network, odds = (GROUND, ODDS) if foreign else used_on(surface)
    seen, blur = look(photo, surface, area, network), blur_of(photo, area)
    found = candidates(seen, area, photo.linear(), blur, odds)
    return _apart(sorted((one.outline(blur) for one in found if one.called), key=_surest))


def used_on(surface: Surface) -> tuple[Network, Path]:
    """The network for a bend, or for what is flat, and the file of the confidences fitted to it."""
    return (PLATE, PLATE_ODDS) if surface.shape == "flat" else (NETWORK, ODDS)


def find_by_network_alone(photo: Photo, surface: Surface, area: ExaminedArea) -> list[Outline]:
    """The network's own regions and borders, for comparison: no physics in them."""
    seen = look(photo, surface, area, used_on(surface)[0])
    found = []
    for proposal in proposals(seen):
        ring = own_ring(patch_of(proposal, seen))
        if ring is None or proposal.peak < ALONE_PEAK:
            continue
        found.append(
            Outline(
                outline_px=ring,
                kind="crack" if proposal.crack > 0 else "opening",
                confidence=float(1 / (1 + np.exp(-proposal.peak))),
                u_edge_px=0.5 * seen.pixel,
                u_tip_px=seen.pixel,
            )
        )
    return found


# ------------------------------------------------------------------ proposals and what speaks for them


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """A proposal with its border and figures, and the log-odds that it is a feature."""

    proposal: Proposal
    edge: Border
    figures: np.ndarray
    odds: float

    @property
    def called(self) -> bool:
        """Whether it is likely enough for its size."""
        least = LEAST_CONFIDENCE if np.ptp(self.edge.outline_px, axis=0).max() >= SMALL_PX else LEAST_OF_SMALL
        return bool(self.odds >= np.log(least / (1 - least)))

    def outline(self, blur_px: float) -> Outline:
        """As it is called."""
        return Outline(
            outline_px=self.edge.outline_px,
            kind=kind_of(self.proposal.crack, self.edge.outline_px),
            confidence=float(1 / (1 + np.exp(-self.odds))),
            u_edge_px=self.edge.u_edge_px,
            u_tip_px=self.edge.u_tip_px,
            found_by="auto",
            evidence={
                "log_odds": round(self.odds, 3),
                "crack_log_odds": round(self.proposal.crack, 3),
                "blur_px": round(blur_px, 3),
                "surrounding_scatter": round(self.edge.noise, 5),
                "drawn_by_light": round(self.edge.drawn_by_light, 3),
                **{name: round(float(value), 4) for name, value in zip(FIGURES, self.figures, strict=True)},
            },
        )


def kind_of(crack: float, outline_px: np.ndarray) -> str:
    """A crack by the network's log-odds is one if it is as slender: its greatest extent over its mean width."""
    ring = np.asarray(outline_px, np.float32).reshape(-1, 1, 2)
    hull = cv2.convexHull(ring).reshape(-1, 2)
    extent = np.linalg.norm(hull[:, None] - hull[None], axis=2).max()  # half of the way round a ragged outline is longer
    return "crack" if crack > 0 and extent**2 >= LEAST_SLENDER * cv2.contourArea(ring) else "opening"


def candidates(seen: Seen, area: ExaminedArea, light: np.ndarray, blur_px: float, fitted: Path = ODDS) -> list[Candidate]:
    """All that the network proposes and that has a border, called or not.

    `light`: of the whole photograph; `fitted`: the file of the confidences.
    """
    found, beyond, bound = [], going_on(seen, area), reaching_edges(area)
    for proposal in followed(proposals(seen), seen):
        edge = border(patch_of(proposal, beyond), light, blur_px)
        if edge is not None:
            edge = ended(edge, area, bound, seen.mm_per_px)
            figures = figures_of(proposal, edge)
            odds = weighed(figures, FIGURES, fitted) + support(proposal)
            found.append(Candidate(proposal=proposal, edge=edge, figures=figures, odds=float(odds)))
    less = on_this_ground(np.array([one.odds for one in found]))
    return [replace(one, odds=one.odds + less) for one in found]


def going_on(seen: Seen, area: ExaminedArea) -> Seen:
    """The same, usable a little beyond the area's outline, with the shares of its last pixels there.

    A tear that reaches an edge of the specimen ends at that edge, not half a pixel short of it.
    """
    out = ~inside(replace(area, exclude_px=()), seen.usable.shape, seen.zoom, seen.offset_px)
    if not out.any() or out.all():
        return seen
    away, nearest = cv2.distanceTransformWithLabels(
        out.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5, labelType=cv2.DIST_LABEL_PIXEL
    )
    near = out & (away <= BEYOND_PX)
    source = np.zeros(int(nearest.max()) + 1, np.int64)
    source[nearest[~out]] = np.flatnonzero(~out)
    log_odds = seen.log_odds.copy()
    log_odds[SHARE][near] = seen.log_odds[SHARE].ravel()[source[nearest[near]]]
    return replace(seen, log_odds=log_odds, usable=seen.usable | near)


def ended(edge: Border, area: ExaminedArea, bound: np.ndarray, mm_per_px: float) -> Border:
    """The border within `bound`, the area's outline that reaches the specimen's edges; a tip at one is no surer than it."""
    ring, beyond = within(edge.outline_px, bound)
    if not beyond.any():
        return edge
    hull = cv2.convexHull(ring.astype(np.float32)).reshape(-1, 2)
    gaps = np.linalg.norm(hull[:, None] - hull[None], axis=2)
    tips = hull[list(np.unravel_index(int(np.argmax(gaps)), gaps.shape))]
    at_side = np.linalg.norm(tips[:, None] - ring[beyond][None], axis=2).min(axis=1) < 1
    side = U_SIDE_PX
    if np.isfinite(mm_per_px) and area.u_edges_mm is not None:
        middle = ring[beyond].mean(axis=0)
        nearer = int(np.argmin([np.linalg.norm(line - middle, axis=1).min() for line in area.edges_px]))
        side = area.u_edges_mm[nearer] / mm_per_px
    elif np.isfinite(mm_per_px) and area.u_width_mm is not None:
        side = area.u_width_mm / np.sqrt(2) / mm_per_px
    return replace(edge, outline_px=ring, u_tip_px=float(np.hypot(edge.u_tip_px, side * np.sqrt(at_side.mean()))))


def reaching_edges(area: ExaminedArea) -> np.ndarray:
    """The area's outline with what keeps a little within an edge of the specimen set onto that edge."""
    outline = np.array(area.outline_px, float)
    for line in area.edges_px:
        steps = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
        at = np.arange(0.0, steps[-1] + 0.25, 0.25)
        places = np.column_stack([np.interp(at, steps, axis) for axis in np.asarray(line, float).T])
        gap, nearest = scipy.spatial.KDTree(places).query(outline)
        outline[gap <= AT_EDGE_PX] = places[nearest[gap <= AT_EDGE_PX]]
    return outline


def share_of_no_metal(photo: Photo, surface: Surface, area: ExaminedArea) -> float:
    """Share of the examined area, 0 to 1, that is taken for something other than metal: print, paper, cloth, wood, ink."""
    seen = look(photo, surface, area, replace(GROUND, most_px=GROUND_PX))
    return float(np.mean(seen.log_odds[FOREIGN][seen.usable] > 0)) if seen.usable.any() else 0.0


def proposals(seen: Seen) -> list[Proposal]:
    """Connected regions of the examined area that the network takes for features."""
    found = []
    for one, weight in regions(seen, level=LEVEL, least_px=LEAST_PX, least_peak=LEAST_PEAK):
        said = {k: seen.log_odds[k][one.window][one.mask] for k in (CRACK, MARK, SHARE)}
        crack, mark = (float((said[k] * weight).sum() / weight.sum()) for k in (CRACK, MARK))
        found.append(
            Proposal(
                mask=one.mask,
                corner=one.corner,
                peak=one.peak,
                mean=one.mean,
                crack=crack,
                size=float(weight.size),
                mark=mark,
                share=float(np.percentile(said[SHARE], 90)),
            )
        )
    return found


def followed(found: list[Proposal], seen: Seen) -> list[Proposal]:
    """The same, with cracks followed along their dark line to others, and those that meet joined into one."""
    own = [ends(p.mask) if p.crack > 0 and p.peak > LEAST_TO_FOLLOW else [] for p in found]
    near = _bridged([p for p in found if p.crack > 0 and max(p.mask.shape) >= LEAST_PIECE_PX])
    if not any(own) and not near:
        return found
    line, above = lines(seen.light)
    ground, path = (np.zeros(seen.usable.shape, np.int32) for _ in range(2))
    for number, one in enumerate(found, start=1):
        ground[one.window][one.mask] = number
    cracks = np.array([False, *(p.crack > 0 for p in found)])
    for number, (one, tips) in enumerate(zip(found, own, strict=True), start=1):
        for end, way in tips:
            places = follow(line, above, end + one.corner, way, seen.usable, float(np.median(line[one.window][one.mask])))
            columns, rows = np.round(places).astype(int).T
            met = cracks[ground[rows, columns]] & (ground[rows, columns] != number)
            if met.any():
                met = met[: unbroken(places, above, cracks[ground], float(max(one.mask.shape)))]
            if met.any():  # on to the last crack that it meets; beyond, it may be a scratch or the lay
                reached = np.round(places[: np.flatnonzero(met)[-1] + 1]).astype(np.int32)
                cv2.polylines(path, [reached.reshape(-1, 1, 2)], False, 1, 1)
    for one_end, other_end in near:
        cv2.line(path, one_end, other_end, 1, 1)
    ground, path = (ground > 0).astype(np.uint8), path.astype(np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(cv2.bitwise_or(ground, path), connectivity=8)
    parts: dict[int, list[Proposal]] = {}
    for one in found:
        parts.setdefault(int(labels[one.window][one.mask][0]), []).append(one)
    joined = []
    for label, members in parts.items():
        x, y, width, height, _ = (int(v) for v in stats.reshape(-1, 5)[label])
        box = np.s_[y : y + height, x : x + width]
        mask = labels[box] == label
        along = mask & (path[box] > 0) & (ground[box] == 0)
        longest = max(max(one.mask.shape) for one in members)
        if along.any() and (len(members) > 2 or along.sum() <= longest):  # two pieces far apart are two cracks
            joined.append(_one_of(members, mask, (x, y), along))
        else:
            joined.extend(members)
    return joined


def _bridged(cracks: list[Proposal]) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Where two cracks come as near as a bridge too thin to be resolved: the nearest pixels [x, y] of both."""
    places = [np.argwhere(one.mask)[:, ::-1] + one.corner for one in cracks]
    low, high = ([f(p, axis=0) for p in places] for f in (np.min, np.max))
    bridges = []
    for k, j in combinations(range(len(cracks)), 2):
        if np.maximum(low[k] - high[j], low[j] - high[k]).max() <= BRIDGE_PX:
            gaps, at = scipy.spatial.KDTree(places[j]).query(places[k])
            end = int(gaps.argmin())
            if gaps[end] <= BRIDGE_PX:
                (x, y), (to_x, to_y) = places[k][end], places[j][at[end]]
                bridges.append(((int(x), int(y)), (int(to_x), int(to_y))))
    return bridges


def _one_of(members: list[Proposal], mask: np.ndarray, corner: tuple[int, int], path: np.ndarray) -> Proposal:
    """Several proposals, or one and its path, as one: figures are those of the member that convinces most."""
    best = max(members, key=lambda one: one.peak + one.mean + one.share - one.mark)
    return replace(best, mask=mask, corner=corner, path=path, pieces=len(members))


def support(proposal: Proposal) -> float:
    """Log-odds that further pieces of the same line add, and the dark line followed between them, up to MOST_SUPPORT.

    A followed line of PIECE_PX of the network's pixels counts as a piece. Judgement, from the two real cracks at hand.
    """
    followed_px = 0.0 if proposal.path is None else float(np.count_nonzero(proposal.path))
    return min(PIECE_ODDS * (proposal.pieces - 1 + followed_px / PIECE_PX), MOST_SUPPORT)


def on_this_ground(odds: np.ndarray) -> float:
    """Log-odds, 0 or less, by which one photograph's proposals are likelier wrong than their figures say.

    The figures' weights hold where USUALLY_RIGHT of the proposals or more are right. Of a ground that brings forth doubtful
    ones by the dozen fewer are: what share is right there is estimated from all of them by expectation and maximisation
    (Saerens, Latinne and Decaestecker 2002, Neural Computation 14, 21 to 41), held to the usual share as if by AS_MANY more.
    """
    usual, less = np.log(USUALLY_RIGHT / (1 - USUALLY_RIGHT)), 0.0
    for _ in range(50):
        right = float((1 / (1 + np.exp(-(odds + less)))).sum()) + AS_MANY * USUALLY_RIGHT
        less = np.log(right / (len(odds) + AS_MANY - right)) - usual
    return min(float(less), 0.0)


def patch_of(proposal: Proposal, seen: Seen) -> Patch:
    """The shares of pixels that the network gives one proposal, with a margin; nothing of its neighbours."""
    x, y = proposal.corner
    height, width = proposal.mask.shape
    rows, columns = seen.usable.shape
    low = np.maximum([x - PATCH_MARGIN_PX, y - PATCH_MARGIN_PX], 0)
    high = np.minimum([x + width + PATCH_MARGIN_PX, y + height + PATCH_MARGIN_PX], [columns, rows])
    window = np.s_[low[1] : high[1], low[0] : high[0]]
    own = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
    own[y - low[1] : y - low[1] + height, x - low[0] : x - low[0] + width] = proposal.mask
    own = cv2.dilate(_gone_on(own > 0, seen.log_odds[FEATURE][window]), np.ones((5, 5), np.uint8)) > 0
    own &= seen.usable[window]
    share = np.where(own, 1 / (1 + np.exp(-seen.log_odds[SHARE][window])), 0.0)
    if proposal.path is not None:
        inner = np.s_[y - low[1] : y - low[1] + height, x - low[0] : x - low[0] + width]
        share[inner] = np.maximum(share[inner], PATH_SHARE * proposal.path)
    return Patch(share=share.astype(np.float32), corner_px=low.astype(float), zoom=seen.zoom, offset_px=seen.offset_px)


def _gone_on(mask: np.ndarray, odds: np.ndarray) -> np.ndarray:
    """A proposal's mask with what touches it and may just be a feature: a tip fades; uint8. Others' ground stays theirs."""
    held = mask | ((odds > FADED) & (odds <= LEVEL))
    _, labels = cv2.connectedComponents(held.astype(np.uint8), connectivity=8)
    return np.isin(labels, np.unique(labels[mask])).astype(np.uint8)


def figures_of(proposal: Proposal, edge: Border) -> np.ndarray:
    """Numbers that speak for a proposal, in the order of FIGURES."""
    return np.array(
        [
            proposal.peak,
            proposal.mean,
            proposal.share,
            np.log(proposal.size),
            proposal.mark,
            edge.darkness,
            np.log(max(edge.u_edge_px, 0.05)),
        ]
    )


def _surest(one: Outline) -> float:
    return -one.confidence


def _apart(found: list[Outline]) -> list[Outline]:
    """Of outlines that share ground, the larger: parts of one opening that its own edge encloses are that opening."""
    kept: list[tuple[Outline, np.ndarray]] = []
    rings = [one.outline_px.astype(np.float32).reshape(-1, 1, 2) for one in found]
    for k in np.argsort([-cv2.contourArea(ring) for ring in rings], kind="stable"):
        points = [tuple(map(float, point)) for point in rings[k].reshape(-1, 2)[:: max(1, len(rings[k]) // 24)]]
        shares = [np.mean([cv2.pointPolygonTest(ring, point, False) >= 0 for point in points]) for _, ring in kept]
        if max(shares, default=0.0) < 0.5:
            kept.append((found[k], rings[k]))
    return sorted((one for one, _ in kept), key=_surest)
