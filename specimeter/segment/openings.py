"""Find the openings of a bend face: propose dark regions, weigh the evidence, decide, outline what is left."""

from __future__ import annotations

import cv2
import numpy as np

from specimeter import lookup
from specimeter.photo import Photo
from specimeter.scale.surface import Surface
from specimeter.segment import classify, evidence
from specimeter.segment.evidence import Crop, Weighed
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.segment.outline import Trace, trace
from specimeter.segment.propose import propose
from specimeter.segment.sharpness import blur_of

MOST_PROPOSALS = 260
LEAST_CONFIDENCE = 0.5
FAIR_LOG_ODDS = 3.0
TO_LINK_BLURS, TO_LINK_MM = 4.0, 0.15  # two dark parts nearer than that, without metal's own light between, are one opening


def find_openings(photo: Photo, surface: Surface, area: ExaminedArea) -> list[Outline]:
    """Openings on the bend face, each outlined at the half-level of its edge, likeliest first.

    Parameters
    ----------
    photo : Photo
    surface : Surface
    area : ExaminedArea
        Only what lies within it is looked at; its own border is never an opening.
    """
    crop, offset = cut(photo, surface, area)
    weighed = gather(crop)
    if not weighed:
        return []
    odds = classify.log_odds(np.array([one.figures for one in weighed]))
    kept = _strongest(weighed, odds, crop.blur_px)
    outlines = []
    for members, log_odds in _linked(crop, kept):
        made = _outline(crop, members)
        if made is None:
            continue
        polygon, found = made
        main = members[0]
        outlines.append(
            Outline(
                outline_px=polygon + offset,
                kind="opening",
                confidence=float(1 / (1 + np.exp(-log_odds))),
                u_edge_px=found.u_edge_px,
                u_tip_px=found.u_tip_px,
                evidence={
                    "log_odds": round(float(log_odds), 3),
                    "darkness": round(found.darkness, 4),
                    "surrounding_scatter": round(found.noise, 5),
                    "blur_px": round(crop.blur_px, 3),
                    **{name: round(float(value), 4) for name, value in zip(evidence.NAMES, main.figures, strict=True)},
                },
            )
        )
    return sorted(outlines, key=lambda one: -one.confidence)


def cut(photo: Photo, surface: Surface, area: ExaminedArea) -> tuple[Crop, np.ndarray]:
    """The examined area's crop of a photograph, and its top-left corner [x, y] in the photograph."""
    blur = blur_of(photo, area)
    light = photo.linear()
    height, width = light.shape
    low = np.clip(np.floor(area.outline_px.min(axis=0)).astype(int) - 2, 0, [width - 1, height - 1])
    high = np.clip(np.ceil(area.outline_px.max(axis=0)).astype(int) + 3, 1, [width, height])
    window = np.s_[low[1] : high[1], low[0] : high[0]]
    mask = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
    cv2.fillPoly(mask, [np.round((area.outline_px - low) * 16).astype(np.int32)], 1, shift=4)
    for hole in area.exclude_px:
        cv2.fillPoly(mask, [np.round((hole - low) * 16).astype(np.int32)], 0, shift=4)
    to_border = cv2.distanceTransform(np.pad(mask, 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    centre = np.array(np.nonzero(mask)).mean(axis=1)[::-1] + low if mask.any() else (low + high) / 2
    axis = np.zeros(2)
    if surface.shape == "bend":
        place = surface.develop(centre[None])[0]
        if np.all(np.isfinite(place)):
            ends = surface.project(np.array([place - np.array([0, 1.0]), place + np.array([0, 1.0])]))
            axis = (ends[1] - ends[0]) / max(float(np.linalg.norm(ends[1] - ends[0])), 1e-9)
    crop = Crop(
        light=np.ascontiguousarray(light[window]),
        rgb=photo.rgb[window],
        usable=mask > 0,
        to_border_px=to_border,
        mm_per_px=float(surface.mm_per_px_at(centre)),
        blur_px=blur,
        middle=max(float(np.median(light[window][mask > 0][::13])), 1e-3) if mask.any() else 1.0,
        axis=axis,
    )
    return crop, low.astype(float)


def gather(crop: Crop) -> list[Weighed]:
    """Every proposal with its figures, strongest first."""
    proposals = propose(crop.light, crop.usable, mm_per_px=crop.mm_per_px)[:MOST_PROPOSALS]
    weighed = [evidence.weigh(crop, one) for one in proposals]
    return evidence.with_fellows([one for one in weighed if one is not None], crop.mm_per_px)


def _strongest(weighed: list[Weighed], odds: np.ndarray, blur_px: float) -> list[tuple[Weighed, float]]:
    """Of likely regions that overlap, the one to outline: that with the greatest step of light at its edge.

    What shows inside a hollow steps from dark to darker, what surrounds it by less than the hollow: past fair odds, the step
    decides, and of equal steps the larger region.
    """
    least = np.log(LEAST_CONFIDENCE / (1 - LEAST_CONFIDENCE))
    size = np.log([max(int(one.mask.sum()), 1) for one in weighed])
    step = np.log([max(one.step, 1e-4) for one in weighed])
    rank = np.minimum(odds, FAIR_LOG_ODDS) + 4.0 * step + 0.2 * size
    kept: list[tuple[Weighed, float]] = []
    for k in np.argsort(-rank, kind="stable"):
        if odds[k] >= least and not any(_overlap(weighed[k], other) for other, _ in kept):
            same = [j for j in np.nonzero(odds >= least)[0] if _same_but_wider(weighed[k], weighed[j])]
            k = max([k, *same], key=lambda j: int(weighed[j].mask.sum()))
            kept.append((weighed[k], float(odds[k])))
    return [(one, own) for one, own in kept if not any(_fringe(one, other, blur_px) for other, _ in kept)]


def _fringe(one: Weighed, other: Weighed, blur_px: float) -> bool:
    """Whether a region is a scrap on the edge of another ten times its size: the texture of its lip, not a second opening."""
    if one is other or 10 * int(one.mask.sum()) > int(other.mask.sum()):
        return False
    border = other.outline_px.astype(np.float32).reshape(-1, 1, 2)
    middle = one.outline_px.mean(axis=0)
    reach = 2.5 * blur_px + 2.0
    away = [cv2.pointPolygonTest(border, (float(x), float(y)), True) for x, y in (*one.outline_px[::4], middle)]
    return max(away) > -reach


def _same_but_wider(one: Weighed, other: Weighed) -> bool:
    """Whether another region holds this one, is little larger, and has an edge as strong: a tip that was cut off."""
    size = int(one.mask.sum())
    if other is one or not size < int(other.mask.sum()) <= 1.35 * size or other.step < 0.9 * one.step:
        return False
    return _shared(one, other) > 0.9 * size


def _box(one: Weighed) -> tuple[int, int, int, int]:
    return one.left, one.top, one.left + one.mask.shape[1], one.top + one.mask.shape[0]


def _overlap(one: Weighed, other: Weighed) -> bool:
    return _shared(one, other) > 0.15 * min(int(one.mask.sum()), int(other.mask.sum()))


def _shared(one: Weighed, other: Weighed) -> int:
    """Pixels that two regions have in common."""
    a, b = _box(one), _box(other)
    x0, y0, x1, y1 = max(a[0], b[0]), max(a[1], b[1]), min(a[2], b[2]), min(a[3], b[3])
    if x0 >= x1 or y0 >= y1:
        return 0
    first = one.mask[y0 - a[1] : y1 - a[1], x0 - a[0] : x1 - a[0]]
    second = other.mask[y0 - b[1] : y1 - b[1], x0 - b[0] : x1 - b[0]]
    return int((first & second).sum())


def _linked(crop: Crop, kept: list[tuple[Weighed, float]]) -> list[tuple[list[Weighed], float]]:
    """Groups of regions that are one opening: close, and without the metal's own light between them."""
    groups: list[tuple[list[Weighed], float]] = []
    for one, odds in kept:
        for k, (members, best) in enumerate(groups):
            if any(_bridged(crop, one, other) for other in members):
                groups[k] = ([*members, one], max(best, odds))
                break
        else:
            groups.append(([one], odds))
    return groups


def _linking_px(crop: Crop) -> float:
    return max(TO_LINK_BLURS * crop.blur_px + 1.5, TO_LINK_MM / crop.mm_per_px)


def _bridged(crop: Crop, one: Weighed, other: Weighed) -> bool:
    a, b = one.outline_px, other.outline_px
    reach = _linking_px(crop)
    if np.any(a.min(axis=0) - reach > b.max(axis=0)) or np.any(b.min(axis=0) - reach > a.max(axis=0)):
        return False
    gaps = np.linalg.norm(a[:, None] - b[None], axis=2)
    facing = np.nonzero(gaps.min(axis=1) <= reach)[0]
    if not len(facing):
        return False
    t = np.linspace(0, 1, 9)[None, :, None]
    lines = a[facing][:, None] * (1 - t) + b[gaps[facing].argmin(axis=1)][:, None] * t
    light = lookup.at(crop.light, lines[..., 0].astype(np.float32), lines[..., 1].astype(np.float32))
    level = float(np.exp(0.5 * (np.log(_level(crop, one)) + np.log(_level(crop, other)))))
    top = float(np.median(light.reshape(len(facing), -1).max(axis=1))) / level
    return top < 0.72 or top > 1.25  # neither metal: dark all through, or a lip that catches the light


def _level(crop: Crop, one: Weighed) -> float:
    """Light of the metal around a region: from its own edge's half-level and darkness."""
    x, y = np.round(one.outline_px).astype(int).T
    edge = float(np.median(crop.light[np.clip(y, 0, crop.light.shape[0] - 1), np.clip(x, 0, crop.light.shape[1] - 1)]))
    return max(edge / max(1 - 0.5 * float(one.figures[0]), 0.3), 1e-4)


def _outline(crop: Crop, members: list[Weighed]) -> tuple[np.ndarray, Trace] | None:
    """The final outline of one opening, in the crop's pixels."""
    boxes = np.array([_box(one) for one in members])
    low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    margin = round(6 * crop.blur_px + 6 + 0.25 * np.min(high - low))
    x0, y0 = np.maximum(low - margin, 0)
    x1, y1 = np.minimum(high + margin, crop.light.shape[::-1])
    core = np.zeros(crop.light.shape, bool)[y0:y1, x0:x1]
    for one in members:
        h = min(one.mask.shape[0], y1 - one.top)
        w = min(one.mask.shape[1], x1 - one.left)
        core[one.top - y0 : one.top - y0 + h, one.left - x0 : one.left - x0 + w] |= one.mask[:h, :w]
    bound = crop.usable[y0:y1, x0:x1]
    bridge = None
    if len(members) > 1:
        across = 2 * int(np.ceil(_linking_px(crop))) + 3
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (across, across))
        closed = cv2.morphologyEx(core.astype(np.uint8), cv2.MORPH_CLOSE, kernel) > 0
        bridge, core = closed & ~core, closed
    found = trace(crop.light[y0:y1, x0:x1], core & bound, blur_px=crop.blur_px, bound=bound, bridge=bridge)
    if found is None:
        return None
    return found.outline_px + np.array([x0, y0]), found
