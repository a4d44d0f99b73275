"""Find what a broken face shows: regions that stand out, told apart by their figures, outlined where light or texture turns."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import cv2
import numpy as np

from specimeter.photo import Photo
from specimeter.scale.surface import Surface
from specimeter.segment.fracture_figures import NAMES, figures
from specimeter.segment.fracture_maps import Face, prepare
from specimeter.segment.fracture_outline import outline
from specimeter.segment.fracture_propose import Region, propose, shared
from specimeter.segment.model import ExaminedArea, Outline

WEIGHTS = Path(__file__).with_name("fracture_odds.json")
LARGER = 0.03  # of regions that overlap: how much e times the size weighs against probability
FARTHEST = 4.0  # in standard deviations: figures beyond are taken as this far
LEAST_CONFIDENCE = 0.4  # recall and false calls on the check scenes of training
TIP_SHARE = 0.04  # of the length: how far a tip is commonly cut off or drawn out (from rendered faces)
LINE_MM, LINE_SLENDER = 1.6, 3.0  # unfused surface narrower and more slender than that is a line between runs
ROOT_MM = 0.35  # how near to the face's border what lies at the root reaches


def find_fracture(photo: Photo, surface: Surface, area: ExaminedArea) -> list[Outline]:
    """Pores, elongated cavities, slag, unfused surface and fisheyes on a broken face, likeliest first.

    Parameters
    ----------
    photo : Photo
    surface : Surface
    area : ExaminedArea
        The broken face without notches; only what lies within it is looked at.
    """
    mm_per_px = float(surface.mm_per_px_at(area.outline_px.mean(axis=0)))
    face = prepare(photo.rgb, area.outline_px, area.exclude_px, mm_per_px)
    return [one for one in (_outlined(face, *found) for found in weighed(face)) if one is not None]


def weighed(face: Face) -> list[tuple[Region, str, float, np.ndarray]]:
    """Regions that are something, with family, probability and figures; of those that overlap the likeliest alone."""
    regions, rows = [], []
    for region in propose(face):
        found = figures(face, region)
        if found is not None:
            regions.append(region)
            rows.append(found)
    if not rows:
        return []
    odds = probabilities(np.array(rows))
    something = 1 - odds[:, 0]
    families = _shipped()["families"]
    kept: list[tuple[Region, str, float, np.ndarray]] = []
    sizes = np.array([int(region.mask.sum()) for region in regions])
    for k in np.argsort(-(something + LARGER * np.log(sizes)), kind="stable"):
        if something[k] < LEAST_CONFIDENCE:
            continue
        if any(shared(regions[k], other) > 0.15 * min(sizes[k], int(other.mask.sum())) for other, *_ in kept):
            continue
        which = 1 + int(np.argmax(odds[k, 1:]))
        kept.append((regions[k], families[which], float(something[k]), rows[k]))
    return sorted(kept, key=lambda found: -found[2])


def probabilities(rows: np.ndarray, model: dict | None = None) -> np.ndarray:
    """Probability of each family, shape (N, families), of figures (N, F) in the order of NAMES: three small networks' mean."""
    model = model or _shipped()
    order = [list(NAMES).index(name) for name in model["names"]]
    z = (np.asarray(rows, float)[:, order] - model["centre"]) / model["spread"]
    z = np.clip(z, -FARTHEST, FARTHEST)
    total = np.zeros(())
    for first, off1, second, off2, last, off3 in model["members"]:
        hidden = np.tanh(np.tanh(z @ np.transpose(first) + off1) @ np.transpose(second) + off2)
        logits = hidden @ np.transpose(last) + off3
        share = np.exp(logits - logits.max(axis=1, keepdims=True))
        total = total + share / share.sum(axis=1, keepdims=True)
    return total / len(model["members"])


@cache
def _shipped() -> dict:
    return json.loads(WEIGHTS.read_text(encoding="utf-8"))


def _outlined(face: Face, region: Region, family: str, confidence: float, row: np.ndarray) -> Outline | None:
    found = outline(face, region)
    if found is None:
        return None
    told = dict(zip(NAMES, row, strict=True))
    border = found.outline
    if family == "pore":  # round: a highlight at its rim bites a piece out of the half-level
        border = cv2.convexHull(border.astype(np.float32).reshape(-1, 1, 2)).reshape(-1, 2).astype(float)
    return Outline(
        outline_px=face.to_photograph(border),
        kind=_kind(face, region, family, told),
        confidence=confidence,
        u_edge_px=found.u_edge * face.factor,
        u_tip_px=float(np.hypot(found.u_edge, TIP_SHARE * np.ptp(found.outline, axis=0).max())) * face.factor,
        evidence={"family": family, "look": region.look, **{name: round(float(value), 4) for name, value in told.items()}},
    )


def _kind(face: Face, region: Region, family: str, told: dict[str, float]) -> str:
    """The kind of feature: unfused surface is named by where it lies and how slender it is."""
    if family != "unfused":
        return family
    at_border = face.to_border_mm[region.window()][region.mask].min() < ROOT_MM
    if at_border:
        return "lack-of-root-fusion"
    slender, width = np.exp(told["slender"]), np.exp(told["width"])
    return "lack-of-inter-run-fusion" if slender > LINE_SLENDER and width < LINE_MM else "lack-of-fusion"
