"""What a broken face shows, proposed by a network trained on random scenes, then outlined by the physics of its edges."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import scipy
from numpy.typing import ArrayLike

from specimeter.photo import Photo
from specimeter.scale.surface import Surface
from specimeter.segment.contour import evenly
from specimeter.segment.fracture_edge import Drawn, drawn, ring_of
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.segment.network import Network, Region, Seen, fit_of, look, regions, weighed
from specimeter.segment.tips import move_tips

ODDS = Path(__file__).with_name("fracture_learned.json")
FAMILIES = ("pore", "elongated-cavity", "slag", "unfused", "fisheye")
NETWORK = Network(  # answers with log-odds of the share of each pixel that features cover; then, unnormalised, of each family
    file=Path(__file__).with_name("fracture_learned.onnx"),
    sampling_mm=0.06,
    most_zoom=3.0,
    margin_px=40,
    mirrored=True,
    instead="fracture",
)
LEVEL = -0.4  # log-odds that bound a proposal
LEAST_PEAK = 0.0  # log-odds that a proposal reaches somewhere
LEAST_PX = 10  # of the network's pixels
PATCH_PX = 4  # round a proposal's box, in which its border is drawn
SHARE_NOISE, SHARE_BLUR_PX, BLUNT_PX = 0.02, 0.5, 6.0  # of the shares along a tip; an end as wide has no taper to follow
ROUND = ("pore", "fisheye")
SMOOTH = 0.015  # of the way round: standard deviation of the smoothing (tuning photographs)
LEAST_CONFIDENCE, SPECK_CONFIDENCE, SPECK_MM = 0.45, 0.65, 0.7  # what is called; what is shorter than a speck must be surer
TIP_SHARE = {  # of the length: how far a tip is commonly cut off or drawn out (tuning photographs)
    "pore": 0.015, "elongated-cavity": 0.02, "slag": 0.03, "unfused": 0.03, "fisheye": 0.035
}  # fmt: skip
WIDER, NARROWER = -2.0, 1.0  # log-odds between which a region's extent may lie
OF_LENGTH, OF_WIDTH, OF_EDGE = 0.35, 0.25, 0.7  # of those extents' differences, for a tip and a side; of the light's own doubt
OPEN_SHARE = 0.25  # of certainty: a family that has more of it than that leaves the kind open
LINE_MM, LINE_SLENDER = 1.6, 3.0  # unfused surface narrower and more slender than that is a line between runs
ROOT_MM = 0.35  # how near to the face's border what lies at the root reaches
FIGURES = (
    "peak", "mean", "size", "family", "border", "solid", "contrast", "drawn", "slag", "unfused", "fisheye", "wide", "wide there"
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proposal(Region):
    """A region with what else speaks for it."""

    families: np.ndarray  # log-odds of each, normalised, mean over the mask
    border: float  # share of its border that lies on the examined area's
    near_border_mm: float
    doubt_px: tuple[float, float]  # how much longer and wider it is at WIDER than at NARROWER, in the photograph's pixels


def find_fracture_learned(photo: Photo, surface: Surface, area: ExaminedArea) -> list[Outline]:
    """Pores, elongated cavities, slag, unfused surface and fisheyes on a broken face, likeliest first.

    Parameters
    ----------
    photo : Photo
    surface : Surface
    area : ExaminedArea
        The broken face without notches; only what lies within it is looked at.

    Raises
    ------
    SpecimeterError
        If the network's file is missing or this OpenCV cannot read it.
    """
    seen = look(photo, surface, area, NETWORK)
    light = photo.linear()
    found = []
    for proposal in proposals(seen):
        edge = outline_of(proposal, seen, light)
        if edge is None:
            continue
        figures = figures_of(proposal, edge, seen)
        odds = weighed(figures, FIGURES, ODDS)
        long, wide = sizes_px(edge.outline_px)
        if not called(odds, long * seen.mm_per_px):
            continue
        shares = family_shares(proposal, long / wide)
        family, *others = sorted(FAMILIES, key=lambda one: -shares[FAMILIES.index(one)])
        kind, *may_be = dict.fromkeys(
            _kind(one, proposal, long * seen.mm_per_px, wide * seen.mm_per_px)
            for one in (family, *(one for one in others if shares[FAMILIES.index(one)] > OPEN_SHARE))
        )
        found.append(
            Outline(
                outline_px=edge.outline_px,
                kind=kind,
                may_be=tuple(may_be),
                confidence=float(1 / (1 + np.exp(-odds))),
                u_edge_px=float(np.hypot(OF_EDGE * edge.u_px, OF_WIDTH * proposal.doubt_px[1])),
                u_tip_px=float(np.linalg.norm([edge.u_px, TIP_SHARE[family] * long, OF_LENGTH * proposal.doubt_px[0]])),
                evidence={
                    "family": family,
                    "family_share": round(float(shares.max()), 3),
                    "log_odds": round(odds, 3),
                    "drawn_by_light": round(edge.weight, 3),
                    **{f"family {name}": round(float(v), 3) for name, v in zip(FAMILIES, proposal.families, strict=True)},
                    **{name: round(float(value), 4) for name, value in zip(FIGURES, figures, strict=True)},
                },
            )
        )
    return sorted(found, key=lambda one: -one.confidence)


def called(log_odds: float, length_mm: float) -> bool:
    """Whether a proposal of such log-odds is handed on: dust and pits of the break look like small pores, so those must be
    surer (more than half of the false calls are shorter than 0.7 mm)."""
    least = SPECK_CONFIDENCE if length_mm < SPECK_MM else LEAST_CONFIDENCE
    return bool(log_odds >= np.log(least / (1 - least)))


def find_by_fracture_network_alone(photo: Photo, surface: Surface, area: ExaminedArea) -> list[Outline]:
    """The network's own regions, borders and families, for comparison: no physics, no fitted confidence."""
    seen = look(photo, surface, area, NETWORK)
    found = []
    for proposal in proposals(seen):
        ring = own_ring(proposal, seen)
        if ring is None or proposal.peak < 1.0:
            continue
        long, wide = sizes_px(ring)
        family = FAMILIES[int(proposal.families.argmax())]
        found.append(
            Outline(
                outline_px=ring,
                kind=_kind(family, proposal, long * seen.mm_per_px, wide * seen.mm_per_px),
                confidence=float(1 / (1 + np.exp(-proposal.peak))),
                u_edge_px=0.5 * seen.pixel,
                u_tip_px=seen.pixel,
            )
        )
    return found


# ------------------------------------------------------------------ proposals and what speaks for them


def proposals(seen: Seen) -> list[Proposal]:
    """Connected regions of the examined area that the network takes for features."""
    families = seen.log_odds[1:] - np.log(np.exp(np.clip(seen.log_odds[1:], -30, 30)).sum(axis=0))
    to_border = cv2.distanceTransform(np.pad(seen.usable, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    odds = np.where(seen.usable, seen.log_odds[0], -20.0)
    _, around = cv2.connectedComponents((odds > WIDER).astype(np.uint8), connectivity=8)
    found = []
    for one, weight in regions(seen, level=LEVEL, least_px=LEAST_PX, least_peak=LEAST_PEAK):
        mask, near = one.mask, to_border[one.window]
        rim = mask & ~(cv2.erode(np.pad(mask, 1).astype(np.uint8), np.ones((3, 3), np.uint8))[1:-1, 1:-1] > 0)
        found.append(
            Proposal(
                mask=mask,
                corner=one.corner,
                peak=one.peak,
                mean=one.mean,
                families=(families[(slice(None), *one.window)][:, mask] * weight).sum(axis=1) / weight.sum(),
                border=float((near[rim] < 2.5).mean()) if rim.any() else 0.0,
                near_border_mm=float(near[mask].min()) * seen.mm_per_px * seen.pixel,
                doubt_px=_doubt(one, odds, around, seen.pixel),
            )
        )
    return found


def _doubt(region: Region, odds: np.ndarray, around: np.ndarray, pixel: float) -> tuple[float, float]:
    """How much longer and wider a region is where the log-odds are over WIDER than where they are over NARROWER.

    What a network is sure of ends sharply; where it is not, the border's level decides how far a region goes. `around`: the
    regions over WIDER, numbered.
    """
    own = np.where(region.mask, odds[region.window], -20.0)
    row, column = np.unravel_index(int(own.argmax()), own.shape)
    wide = around == around[region.window][row, column]
    if own[row, column] > NARROWER:
        _, cores = cv2.connectedComponents((own > NARROWER).astype(np.uint8), connectivity=8)
        core = cores == cores[row, column]
    else:
        core = np.zeros(own.shape, bool)
    most, least = (np.array(_extents(mask)) * pixel for mask in (wide, core))
    length, width = np.maximum(most - least, 0.0)
    return float(length), float(width)


def _extents(mask: np.ndarray) -> tuple[float, float]:
    """Length and width of the smallest rectangle round a mask, in its pixels; nothing has none."""
    points = cv2.findNonZero(mask.astype(np.uint8))
    if points is None:
        return 0.0, 0.0
    (_, (w, h), _) = cv2.minAreaRect(points)
    return max(w, h) + 1.0, min(w, h) + 1.0


def own_ring(proposal: Proposal, seen: Seen) -> np.ndarray | None:
    """The border [x, y] in the photograph at which the network takes half a pixel for covered."""
    ring = ring_of(_shares(proposal, seen))
    return None if ring is None else seen.to_photograph(ring + proposal.corner - PATCH_PX)


def outline_of(proposal: Proposal, seen: Seen, light: np.ndarray) -> Drawn | None:
    """The same, drawn onto the half-level of the light where there is an edge.

    Tips follow the taper of the shares. What is round has none: its border is smoothed, since the greatest extent of a ragged
    border is too long.
    """
    share = _shares(proposal, seen)
    ring = ring_of(share)
    if ring is None:
        return None
    pixel, round_ = seen.pixel, FAMILIES[int(proposal.families.argmax())] in ROUND
    if not round_:
        ring, _ = move_tips(evenly(ring, 0.7), share, 1.0, SHARE_NOISE, SHARE_BLUR_PX, widest_px=BLUNT_PX)
    edge = drawn(seen.to_photograph(ring + proposal.corner - PATCH_PX), light, pixel)
    if not round_:
        return edge
    even = evenly(edge.outline_px, 0.5 * pixel)
    return replace(edge, outline_px=scipy.ndimage.gaussian_filter1d(even, SMOOTH * len(even), axis=0, mode="wrap"))


def _shares(proposal: Proposal, seen: Seen) -> np.ndarray:
    """Shares of pixels that one proposal covers, in its box grown by PATCH_PX; nothing of its neighbours."""
    x, y = proposal.corner
    mask = cv2.dilate(np.pad(proposal.mask, PATCH_PX).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    odds = np.pad(np.where(seen.usable, seen.log_odds[0], -8.0), PATCH_PX, constant_values=-8.0)
    part = odds[y : y + mask.shape[0], x : x + mask.shape[1]]
    return np.where(mask, 1 / (1 + np.exp(-part)), 0.0).astype(np.float32)


def sizes_px(outline_px: np.ndarray) -> tuple[float, float]:
    """Length and width of the smallest rectangle round an outline, in the photograph's pixels."""
    (_, (w, h), _) = cv2.minAreaRect(outline_px.astype(np.float32).reshape(-1, 1, 2))
    return max(w, h, 1.0), max(min(w, h), 1.0)


def figures_of(proposal: Proposal, edge: Drawn, seen: Seen) -> np.ndarray:
    """Numbers that speak for a proposal, in the order of FIGURES."""
    told = np.exp(proposal.families)
    ring = edge.outline_px.astype(np.float32).reshape(-1, 1, 2)
    hull = max(cv2.contourArea(cv2.convexHull(ring)), 1e-6)
    wide = float(np.log(sizes_px(edge.outline_px)[1] * seen.mm_per_px))
    return np.array(
        [
            proposal.peak,
            proposal.mean,
            np.log(proposal.mask.sum() * (seen.mm_per_px * seen.pixel) ** 2),
            float(told.max()),
            proposal.border,
            cv2.contourArea(ring) / hull,
            edge.contrast,
            edge.weight,
            *told[2:],
            wide,
            proposal.border * wide,
        ]
    )


def family_shares(proposal: Proposal, slender: float) -> np.ndarray:
    """How likely each family is, together 1; the outline's proportions speak for one or the other kind of cavity as well."""
    held = fit_of(ODDS)
    odds = np.exp(divided(proposal.families, slender, held["slender"], held["elongated_from"]))
    return odds / odds.sum()


def divided(families: np.ndarray, slender: ArrayLike, push: float, start: float) -> np.ndarray:
    """Log-odds (..., 5) of families, what is said of both cavities together divided between them by the proportions too.

    The more slender than `start`, the more elongated, by `push` for each factor of e; others stay as likely as they are.
    """
    odds = np.array(families, float)
    together = np.logaddexp(odds[..., 0], odds[..., 1])
    apart = odds[..., 1] - odds[..., 0] + push * (np.log(slender) - np.log(start))
    odds[..., 0], odds[..., 1] = together - np.logaddexp(0, apart), together - np.logaddexp(0, -apart)
    return odds


def _kind(family: str, proposal: Proposal, length_mm: float, width_mm: float) -> str:
    """The kind of feature: unfused surface is named by where it lies and how slender it is."""
    if family != "unfused":
        return family
    if proposal.near_border_mm < ROOT_MM:
        return "lack-of-root-fusion"
    slender = length_mm / width_mm > LINE_SLENDER and width_mm < LINE_MM
    return "lack-of-inter-run-fusion" if slender else "lack-of-fusion"
