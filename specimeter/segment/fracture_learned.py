"""What a broken face shows, proposed by a network trained on random scenes, then outlined by the physics of its edges."""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from specimeter.errors import SpecimeterError
from specimeter.segment.contour import evenly
from specimeter.segment.fracture_edge import Drawn, drawn, ring_of
from specimeter.segment.learned import inside, prepared
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.segment.tips import move_tips

MODEL = Path(__file__).with_name("fracture_learned.onnx")
ODDS = Path(__file__).with_name("fracture_learned.json")
FAMILIES = ("pore", "elongated-cavity", "slag", "unfused", "fisheye")
SAMPLING_MM = 0.06  # of a pixel of the picture that the network sees
MOST_ZOOM = 3.0  # a photograph coarser than that many times the sampling is seen as coarse as it is
MOST_PX = 3_000_000
MARGIN_PX = 40  # of the surroundings that it sees, in its own pixels
STEP_PX = 32  # the network's coarsest grid
LEVEL = -0.4  # log-odds that bound a proposal
LEAST_PEAK = 0.0  # log-odds that a proposal reaches somewhere
LEAST_PX = 10  # of the network's pixels
PATCH_PX = 4  # round a proposal's box, in which its border is drawn
SHARE_NOISE, SHARE_BLUR_PX, BLUNT_PX = 0.02, 0.5, 6.0  # of the shares along a tip; an end as wide has no taper to follow
ROUND = ("pore", "fisheye")
SMOOTH = 0.015  # of the way round: standard deviation of the smoothing (tuning photographs)
LEAST_CONFIDENCE = 0.4  # recall and false calls on tuning photographs with areas as they are found: see the model card
TIP_SHARE = {  # of the length: how far a tip is commonly cut off or drawn out (tuning photographs)
    "pore": 0.03, "elongated-cavity": 0.04, "slag": 0.06, "unfused": 0.06, "fisheye": 0.07
}  # fmt: skip
LINE_MM, LINE_SLENDER = 1.6, 3.0  # unfused surface narrower and more slender than that is a line between runs
ROOT_MM = 0.35  # how near to the face's border what lies at the root reaches
FIGURES = (
    "peak", "mean", "size", "family", "border", "solid", "contrast", "drawn", "slag", "unfused", "fisheye", "wide", "wide there"
)  # fmt: skip
_own = threading.local()  # OpenCV's networks may not be shared between threads


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """What the network saw, and what it made of it.

    Parameters
    ----------
    log_odds : float32 array, shape (6, H, W)
        Of the share of each pixel that features cover; then, unnormalised, of each family where one does.
    usable : bool array, shape (H, W)
        The examined area.
    zoom : array, shape (2,)
        The network's pixels to one of the photograph's, along x and y.
    offset_px : array, shape (2,)
        The photograph's pixel [x, y] where the network's picture begins.
    mm_per_px : float
        Of the photograph.
    """

    log_odds: np.ndarray
    usable: np.ndarray
    zoom: np.ndarray
    offset_px: np.ndarray
    mm_per_px: float

    def to_photograph(self, points: np.ndarray) -> np.ndarray:
        """Pixels [x, y] of the photograph, of points in the network's picture."""
        return (np.asarray(points, float) + 0.5) / self.zoom - 0.5 + self.offset_px


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proposal:
    """One connected region that the network takes for a feature: its mask in a box of its picture, and what speaks for it."""

    mask: np.ndarray
    corner: tuple[int, int]  # x, y of the mask's top-left pixel
    peak: float
    mean: float
    families: np.ndarray  # log-odds of each, normalised, mean over the mask
    border: float  # share of its border that lies on the examined area's
    near_border_mm: float

    @property
    def window(self) -> tuple[slice, slice]:
        """Rows and columns of its box in the network's picture."""
        x, y = self.corner
        return np.s_[y : y + self.mask.shape[0], x : x + self.mask.shape[1]]


def find_fracture_learned(photo, surface, area: ExaminedArea) -> list[Outline]:
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
    seen = look(photo, surface, area)
    light = photo.linear()
    found = []
    for proposal in proposals(seen):
        edge = outline_of(proposal, seen, light)
        if edge is None:
            continue
        figures = figures_of(proposal, edge, seen)
        odds = log_odds(figures)
        if odds < np.log(LEAST_CONFIDENCE / (1 - LEAST_CONFIDENCE)):
            continue
        long, wide = sizes_px(edge.outline_px)
        family = family_of(proposal, long / wide)
        found.append(
            Outline(
                outline_px=edge.outline_px,
                kind=_kind(family, proposal, long * seen.mm_per_px, wide * seen.mm_per_px),
                confidence=float(1 / (1 + np.exp(-odds))),
                u_edge_px=edge.u_px,
                u_tip_px=float(np.hypot(edge.u_px, TIP_SHARE[family] * long)),
                evidence={
                    "family": family,
                    "log_odds": round(odds, 3),
                    "drawn_by_light": round(edge.weight, 3),
                    **{f"family {name}": round(float(v), 3) for name, v in zip(FAMILIES, proposal.families, strict=True)},
                    **{name: round(float(value), 4) for name, value in zip(FIGURES, figures, strict=True)},
                },
            )
        )
    return sorted(found, key=lambda one: -one.confidence)


def find_by_fracture_network_alone(photo, surface, area: ExaminedArea) -> list[Outline]:
    """The network's own regions, borders and families, for comparison: no physics, no fitted confidence."""
    seen = look(photo, surface, area)
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
                u_edge_px=0.5 / float(seen.zoom[0]),
                u_tip_px=1.0 / float(seen.zoom[0]),
            )
        )
    return found


# ------------------------------------------------------------------ what the network sees and says


def look(photo, surface, area: ExaminedArea) -> Seen:
    """Cut the broken face out, bring it to the network's sampling, and let the network look at it."""
    height, width = photo.rgb.shape[:2]
    mm = float(surface.mm_per_px_at(area.outline_px.mean(axis=0)))
    wanted = min(mm / SAMPLING_MM, MOST_ZOOM) if np.isfinite(mm) else 1.0
    margin = MARGIN_PX / wanted
    low = np.clip(np.floor(area.outline_px.min(axis=0) - margin), 0, [width - 1, height - 1]).astype(int)
    high = np.clip(np.ceil(area.outline_px.max(axis=0) + margin) + 1, low + 1, [width, height]).astype(int)
    wanted = min(wanted, float(np.sqrt(MOST_PX / np.prod(high - low))))
    size = np.maximum(np.round((high - low) * wanted).astype(int), 1)
    piece = photo.rgb[low[1] : high[1], low[0] : high[0]]
    way = cv2.INTER_AREA if wanted < 1 else cv2.INTER_LINEAR
    piece = cv2.resize(piece, (int(size[0]), int(size[1])), interpolation=way)
    zoom = size / (high - low)
    usable = inside(area, piece.shape[:2], zoom, low)
    picture = prepared(piece.astype(np.float32) / np.float32(np.iinfo(piece.dtype).max), usable)
    mirrored = run(np.ascontiguousarray(picture[..., ::-1]))[..., ::-1]
    answer = 0.5 * (run(picture) + mirrored)  # what it says of both is steadier than either
    return Seen(log_odds=answer, usable=usable, zoom=zoom, offset_px=low.astype(float), mm_per_px=mm)


def run(picture: np.ndarray) -> np.ndarray:
    """Log-odds (6, H, W) for the network's input (1, 4, H, W) of any size."""
    height, width = picture.shape[2:]
    pad = ((0, 0), (0, 0), (0, -height % STEP_PX), (0, -width % STEP_PX))
    network = _network()
    network.setInput(np.ascontiguousarray(np.pad(picture, pad, mode="edge")))
    answer = np.asarray(network.forward())
    rows, columns = answer.shape[-2:]
    planes = answer.reshape(-1, 2, 2, rows, columns).transpose(0, 3, 1, 4, 2).reshape(-1, 2 * rows, 2 * columns)
    return planes[:, :height, :width]


def _network():
    if not hasattr(_own, "network"):
        try:
            _own.network = cv2.dnn.readNetFromONNX(str(MODEL))
        except cv2.error as error:
            raise SpecimeterError(
                f"the network {MODEL.name} cannot be read by OpenCV {cv2.__version__}: {error}",
                file=MODEL.name,
                expected="the file that was installed with specimeter",
                mend="install specimeter again, or use the segmenter 'fracture'",
            ) from error
    return _own.network


# ------------------------------------------------------------------ proposals and what speaks for them


def proposals(seen: Seen) -> list[Proposal]:
    """Connected regions of the examined area that the network takes for features."""
    odds = np.where(seen.usable, seen.log_odds[0], -20.0)
    families = seen.log_odds[1:] - np.log(np.exp(np.clip(seen.log_odds[1:], -30, 30)).sum(axis=0))
    to_border = cv2.distanceTransform(np.pad(seen.usable, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    _, labels, stats, _ = cv2.connectedComponentsWithStats((odds > LEVEL).astype(np.uint8), connectivity=8)
    found = []
    for label, (x, y, width, height, size) in enumerate(stats.reshape(-1, 5)):
        if label == 0 or size < LEAST_PX:
            continue
        window = np.s_[y : y + height, x : x + width]
        mask = labels[window] == label
        values = odds[window][mask]
        peak = float(np.sort(values)[-5:].mean())
        if peak < LEAST_PEAK:
            continue
        weight = 1 / (1 + np.exp(-values))
        rim = mask & ~(cv2.erode(np.pad(mask, 1).astype(np.uint8), np.ones((3, 3), np.uint8))[1:-1, 1:-1] > 0)
        near = to_border[window]
        found.append(
            Proposal(
                mask=mask,
                corner=(int(x), int(y)),
                peak=peak,
                mean=float(values.mean()),
                families=(families[(slice(None), *window)][:, mask] * weight).sum(axis=1) / weight.sum(),
                border=float((near[rim] < 2.5).mean()) if rim.any() else 0.0,
                near_border_mm=float(near[mask].min()) * seen.mm_per_px / float(seen.zoom[0]),
            )
        )
    return found


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
    pixel, round_ = float(1 / seen.zoom[0]), FAMILIES[int(proposal.families.argmax())] in ROUND
    if not round_:
        ring, _ = move_tips(evenly(ring, 0.7), share, 1.0, SHARE_NOISE, SHARE_BLUR_PX, widest_px=BLUNT_PX)
    edge = drawn(seen.to_photograph(ring + proposal.corner - PATCH_PX), light, pixel)
    if not round_:
        return edge
    even = evenly(edge.outline_px, 0.5 * pixel)
    return replace(edge, outline_px=gaussian_filter1d(even, SMOOTH * len(even), axis=0, mode="wrap"))


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
            np.log(proposal.mask.sum() * (seen.mm_per_px / float(seen.zoom[0])) ** 2),
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


def family_of(proposal: Proposal, slender: float) -> str:
    """The likeliest family; of the two kinds of cavity, the one that the outline's proportions speak for as well."""
    held = _weights()
    odds = proposal.families.copy()
    push = held["slender"] * (np.log(slender) - np.log(held["elongated_from"]))
    odds[1] += 0.5 * push
    odds[0] -= 0.5 * push
    return FAMILIES[int(odds.argmax())]


def _kind(family: str, proposal: Proposal, length_mm: float, width_mm: float) -> str:
    """The kind of feature: unfused surface is named by where it lies and how slender it is."""
    if family != "unfused":
        return family
    if proposal.near_border_mm < ROOT_MM:
        return "lack-of-root-fusion"
    slender = length_mm / width_mm > LINE_SLENDER and width_mm < LINE_MM
    return "lack-of-inter-run-fusion" if slender else "lack-of-fusion"


@cache
def _weights() -> dict:
    return json.loads(ODDS.read_text(encoding="utf-8"))


def log_odds(figures: np.ndarray) -> float:
    """Log-odds that a proposal with these figures is a feature: a logistic fit to scenes that trained nothing else.

    A figure beyond what those scenes showed counts as the farthest that they did.
    """
    held = _weights()
    weights, least, most = (np.array([held[part][name] for name in FIGURES]) for part in ("weights", "least", "most"))
    return float(np.clip(figures, least, most) @ weights + held["constant"])
