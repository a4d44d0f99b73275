"""What a dark region looks like, in figures that physics gives a meaning: dark, sharp, colourless, tapering, alone."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from specimeter import lookup
from specimeter.segment.outline import FirstEdge, first_edge
from specimeter.segment.propose import Proposal

MEANING = {
    "darkness": "share of the surrounding light that the interior lacks; a cavity lacks most of it",
    "black": "share of the region that lacks more than 70 % of the light",
    "contrast": "log of darkness over the surrounding texture's scatter",
    "texture": "log of the surrounding texture's scatter",
    "acutance": "median over the outline of the edge's slope against that of a step blurred as the picture is",
    "soft": "lower quartile of the same",
    "chroma": "spread of the light let through between red, green and blue; paint, rust and heat tint have one",
    "redder": "red minus blue of the same",
    "length": "log of the length in mm",
    "width": "log of the mean width in mm",
    "thin": "log of the mean width over the blur",
    "aspect": "log of length over mean width",
    "taper": "mean width of the outer sixths against that of the middle; a lens tapers, a stroke does not",
    "even": "scatter of the width along the region over its mean; a scratch is even",
    "straight": "scatter of the middle line about a straight line, over the length",
    "solid": "area over the area of the convex hull",
    "lip": "brightest tenth of the near surroundings, over the surroundings' level",
    "shading": "brightest minus darkest side of the near surroundings over darkness; dents and stamps show a pair",
    "across": "alignment of the length with the bend axis, -1 to 1, weighted by aspect (0: round)",
    "border": "share of the region that hugs the edge of the examined area",
    "uneven": "scatter of light inside over darkness",
    "low": "log of the interior's light over the dark tenth of the metal within some millimetres around",
    "step": "log of the step of light across the edge over the middle light of the examined area",
    "ragged": "log of the outline's length over that of its convex hull; scale and stains are ragged",
    "goes_on": "darkness met when the middle line is followed beyond its ends, over darkness; lines and scratches go on",
    "crowd": "log1p of how many other regions stand within three millimetres; scale and ripples come in crowds",
    "fellows": "log1p of how many regions of like height and stroke stand near: characters come in rows",
}
NAMES = tuple(MEANING)
LARGEST_PATCH_PX = 220


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weighed:
    """A proposal with its figures; coordinates are those of the crop."""

    outline_px: np.ndarray
    left: int  # where the mask begins
    top: int
    mask: np.ndarray  # (h, w) bool, what the outline holds
    step: float  # of light across the edge, 0 to 1: darkness times the surrounding level
    figures: np.ndarray  # in the order of NAMES
    length_px: float
    width_px: float
    centre_px: np.ndarray
    direction: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crop:
    """The part of a photograph that holds the examined area."""

    light: np.ndarray  # (H, W) float32, linear
    rgb: np.ndarray  # (H, W, 3), sRGB-encoded, uint8 or uint16
    usable: np.ndarray  # (H, W) bool
    to_border_px: np.ndarray  # (H, W) float32, distance to the area's outline
    mm_per_px: float
    blur_px: float
    middle: float  # median light of the examined area
    axis: np.ndarray  # (2,) unit vector of the bend axis in the picture; zeros where there is none


def weigh(crop: Crop, proposal: Proposal) -> Weighed | None:
    """Figures of one proposal; None where it has no closed half-level edge.

    Parameters
    ----------
    crop : Crop
    proposal : Proposal
    """
    left, top, right, bottom = proposal.box
    margin = round(4 * crop.blur_px + 4 + 0.25 * min(right - left, bottom - top))
    x0, y0 = max(left - margin, 0), max(top - margin, 0)
    x1, y1 = min(right + margin, crop.light.shape[1]), min(bottom + margin, crop.light.shape[0])
    core = np.zeros((y1 - y0, x1 - x0), bool)
    mask = proposal.mask[: y1 - top, : x1 - left]
    core[top - y0 : top - y0 + mask.shape[0], left - x0 : left - x0 + mask.shape[1]] = mask
    light, usable = crop.light[y0:y1, x0:x1], crop.usable[y0:y1, x0:x1]
    core &= usable
    if core.sum() < 4:
        return None
    times = max(1, int(np.ceil(max(core.shape) / LARGEST_PATCH_PX)))
    small = _reduced(light, times), _reduced(core, times), _reduced(usable, times)
    if small[1].sum() < 4:
        return None
    blur = float(np.hypot(crop.blur_px / times, 0.3 if times > 1 else 0.0))
    edge = first_edge(small[0], small[1], blur_px=blur, bound=small[2])
    if edge is None:
        return None
    outline = (edge.outline_px + 0.5) * times - 0.5
    along = _along(outline)
    light_ring = small[0][edge.ring]
    figures = _figures(crop, (x0, y0), light, light_ring, edge, outline, along, times, blur)
    return Weighed(
        outline_px=outline + np.array([x0, y0]),
        left=x0,
        top=y0,
        mask=_filled(outline, light.shape),
        step=float(figures[0] * np.median(light_ring)),
        figures=figures,
        length_px=along.length,
        width_px=along.width,
        centre_px=along.centre + np.array([x0, y0]),
        direction=along.direction,
    )


def _filled(outline: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(outline * 16).astype(np.int32)], 1, shift=4)
    return mask > 0


def _reduced(field: np.ndarray, times: int) -> np.ndarray:
    if times == 1:
        return field
    shape = (max(1, field.shape[1] // times), max(1, field.shape[0] // times))
    if field.dtype == bool:
        return (
            cv2.resize(field[: shape[1] * times, : shape[0] * times].astype(np.uint8), shape, interpolation=cv2.INTER_NEAREST)
            > 0
        )
    return cv2.resize(field[: shape[1] * times, : shape[0] * times], shape, interpolation=cv2.INTER_AREA)


@dataclass(frozen=True, slots=True, eq=False)
class _Along:
    """A region's run along its own principal axis."""

    centre: np.ndarray
    direction: np.ndarray
    length: float
    width: float
    widths: np.ndarray
    middle: np.ndarray


def _along(outline: np.ndarray) -> _Along:
    hull = cv2.convexHull(outline.astype(np.float32)).reshape(-1, 2).astype(float)
    gaps = np.linalg.norm(hull[:, None] - hull[None], axis=2)
    i, j = np.unravel_index(int(np.argmax(gaps)), gaps.shape)
    length = float(gaps[i, j]) + 1e-6
    direction = (hull[j] - hull[i]) / length
    across = np.array([-direction[1], direction[0]])
    t, n = (outline - hull[i]) @ direction, (outline - hull[i]) @ across
    bins = np.clip((t / length * 12).astype(int), 0, 11)
    low, high = np.full(12, np.inf), np.full(12, -np.inf)
    np.minimum.at(low, bins, n)
    np.maximum.at(high, bins, n)
    held = np.isfinite(low)
    widths, middle = np.zeros(12), np.zeros(12)
    if held.any():
        at = np.arange(12)
        widths = np.interp(at, at[held], high[held] - low[held])
        middle = np.interp(at, at[held], 0.5 * (high[held] + low[held]))
    x, y = outline.T
    area = 0.5 * abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)))
    return _Along((hull[i] + hull[j]) / 2, direction, length, area / length + 1e-6, widths, middle)


def _figures(
    crop: Crop,
    corner: tuple[int, int],
    light: np.ndarray,
    light_ring: np.ndarray,
    edge: FirstEdge,
    outline: np.ndarray,
    along: _Along,
    times: int,
    blur: float,
) -> np.ndarray:
    filled = np.zeros(edge.ring.shape, np.uint8)
    cv2.fillPoly(filled, [np.round(edge.outline_px).astype(np.int32)], 1)
    inside, inner = filled > 0, cv2.erode(filled, np.ones((3, 3), np.uint8)) > 0
    inner = inner if inner.sum() >= 4 else inside
    interior = edge.darkness_map[inner]
    darkness = float(np.percentile(interior, 70)) if len(interior) else edge.peak
    through = _colours_through(crop, corner, inner, edge.ring, times)
    slope = _slopes(crop, corner, outline, darkness)
    bright, dark_side = _near(edge, inside, blur)
    hull_area = cv2.contourArea(cv2.convexHull(outline.astype(np.float32))) + 1e-6
    mm = crop.mm_per_px
    aspect = np.log(along.length / along.width)
    ends, body = along.widths[[0, 1, 10, 11]].mean(), along.widths[4:8].mean() + 1e-6
    turn = along.direction @ crop.axis
    rows, cols = np.nonzero(inside)
    border = crop.to_border_px[
        np.minimum(rows * times + corner[1], crop.light.shape[0] - 1),
        np.minimum(cols * times + corner[0], crop.light.shape[1] - 1),
    ]
    values = {
        "darkness": darkness,
        "black": float(np.mean(edge.darkness_map[inside] > 0.7)) if len(rows) else 0.0,
        "contrast": np.log(max(darkness, 0.01) / max(edge.noise, 0.004)),
        "texture": np.log(max(edge.noise, 0.004)),
        "acutance": float(np.median(slope)),
        "soft": float(np.percentile(slope, 25)),
        "chroma": float(np.ptp(through)),
        "redder": float(through[0] - through[2]),
        "length": np.log(along.length * mm),
        "width": np.log(along.width * mm),
        "thin": np.log(along.width / crop.blur_px),
        "aspect": aspect,
        "taper": float(np.clip(ends / body, 0, 2)),
        "even": float(np.clip(along.widths[1:11].std() / (along.widths[1:11].mean() + 1e-6), 0, 2)),
        "straight": float(np.clip(along.middle[1:11].std() / along.length, 0, 0.5)),
        "solid": float(np.clip(along.width * along.length / hull_area, 0, 1)),
        "lip": float(np.clip(bright, -1, 3)),
        "shading": float(np.clip((bright - dark_side) / max(darkness, 0.05), 0, 6)),
        "across": float((2 * turn**2 - 1) * np.tanh(aspect)) if np.any(crop.axis) else 0.0,
        "border": float(np.mean(border < 2.5 * crop.blur_px + 2)) if len(border) else 0.0,
        "uneven": float(np.clip(interior.std() / max(darkness, 0.05), 0, 2)) if len(interior) else 0.0,
        "low": float(np.clip(_low(crop, corner, light, inner, times), -4, 0.5)),
        "step": float(np.log(max(darkness * float(np.median(light_ring)), 1e-4) / crop.middle)),
        "ragged": float(np.clip(np.log(_around(outline) / (_around(cv2.convexHull(outline.astype(np.float32))) + 1e-6)), 0, 2)),
        "goes_on": float(np.clip(_beyond(crop, corner, along, darkness), -1, 1.5)),
        "crowd": 0.0,  # with_fellows counts these two
        "fellows": 0.0,
    }
    return np.array([values[name] for name in NAMES])


def _around(outline: np.ndarray) -> float:
    closed = np.asarray(outline, float).reshape(-1, 2)
    return float(np.hypot(*(closed - np.roll(closed, 1, axis=0)).T).sum())


def _low(crop: Crop, corner: tuple[int, int], light: np.ndarray, inner: np.ndarray, times: int) -> float:
    """Log of the interior's light over the dark tenth of what lies within 4 mm of its box."""
    rows, cols = np.nonzero(inner)
    rows, cols = np.minimum(rows * times, light.shape[0] - 1), np.minimum(cols * times, light.shape[1] - 1)
    reach = round(4.0 / crop.mm_per_px)
    x0, y0 = max(corner[0] - reach, 0), max(corner[1] - reach, 0)
    x1, y1 = corner[0] + light.shape[1] + reach, corner[1] + light.shape[0] + reach
    step = max(1, min(reach // 12, 16))
    around = crop.light[y0:y1:step, x0:x1:step][crop.usable[y0:y1:step, x0:x1:step]]
    if len(around) < 20:
        return 0.0
    metal = around[around > 0.12 * np.median(around)]  # without other openings
    return float(np.log((np.median(light[rows, cols]) + 1e-4) / (np.percentile(metal, 10) + 1e-4)))


def _beyond(crop: Crop, corner: tuple[int, int], along: _Along, darkness: float) -> float:
    """Darkness along the middle line's continuation past either end, the greater of the two, over the region's own."""
    gap, reach = 3 * crop.blur_px + 2, float(np.clip(0.5 * along.length, 8, 40))
    across = np.array([-along.direction[1], along.direction[0]])
    t = np.arange(gap, gap + reach)
    n = np.arange(-12, 13) * max(1.0, 0.35 * along.width, 0.7 * crop.blur_px)
    found = []
    for sign in (-1, 1):
        end = along.centre + sign * 0.5 * along.length * along.direction + np.asarray(corner)
        at = end + sign * t[None, :, None] * along.direction + n[:, None, None] * across
        x, y = at[..., 0].astype(np.float32), at[..., 1].astype(np.float32)
        strip = lookup.at(crop.light, x, y, border=cv2.BORDER_REPLICATE)
        profile = strip.mean(axis=1)
        sides = np.median(np.concatenate([profile[:7], profile[-7:]])) + 1e-5
        found.append(float(1 - profile[9:16].min() / sides))
    return max(found) / max(darkness, 0.05)


def linear_table(depth: np.dtype) -> np.ndarray:
    """Linear light of every sRGB code, by IEC 61966-2-1."""
    top = np.iinfo(depth).max
    code = np.arange(top + 1, dtype=np.float32) / top
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).astype(np.float32)


_TABLES: dict[str, np.ndarray] = {name: linear_table(np.dtype(name)) for name in ("uint8", "uint16")}


def _colours_through(crop: Crop, corner: tuple[int, int], inner: np.ndarray, ring: np.ndarray, times: int) -> np.ndarray:
    """Light of the interior over that of the ring, for red, green and blue."""
    table = _TABLES[crop.rgb.dtype.name]
    sums = []
    for mask in (inner, ring):
        rows, cols = np.nonzero(mask)
        step = max(1, len(rows) // 400)
        rows = np.minimum(rows[::step] * times + corner[1] + times // 2, crop.rgb.shape[0] - 1)
        cols = np.minimum(cols[::step] * times + corner[0] + times // 2, crop.rgb.shape[1] - 1)
        sums.append(np.median(table[crop.rgb[rows, cols]], axis=0) if len(rows) else np.full(3, 0.5))
    return np.clip(sums[0] / np.maximum(sums[1], 1e-4), 0, 3)


def _slopes(crop: Crop, corner: tuple[int, int], outline: np.ndarray, darkness: float) -> np.ndarray:
    """Steepest fall of light across the outline at up to 40 places, over that of a step of this darkness and blur."""
    count = len(outline)
    step = max(1, count // 40)
    points = outline[::step]
    reach = max(2, count // 60)
    chord = np.roll(outline, -reach, axis=0)[::step] - np.roll(outline, reach, axis=0)[::step]
    normal = np.column_stack([chord[:, 1], -chord[:, 0]]) / (np.hypot(*chord.T)[:, None] + 1e-9)
    h = max(0.5, 0.6 * crop.blur_px)
    offsets = np.arange(-2.5 * crop.blur_px - 2 * h, 2.5 * crop.blur_px + 2 * h + 1e-6, h)
    at = points[:, None] + offsets[None, :, None] * normal[:, None] + np.asarray(corner)
    x, y = (at[..., k].astype(np.float32) for k in (0, 1))
    lines = lookup.at(crop.light, x, y, border=cv2.BORDER_REPLICATE)
    fall = np.abs(lines[:, 2:] - lines[:, :-2]) / (2 * h)
    level = np.median(np.maximum(lines[:, :2].mean(axis=1), lines[:, -2:].mean(axis=1))) + 1e-5
    ideal = darkness * level / (np.sqrt(2 * np.pi) * np.hypot(crop.blur_px, h * 0.6))
    return np.clip(fall.max(axis=1) / max(ideal, 1e-6), 0, 3)


def _near(edge: FirstEdge, inside: np.ndarray, blur: float) -> tuple[float, float]:
    """Relative light of the near surroundings: brightest tenth, and darkest tenth, of a band one to three blurs out."""
    inner, outer = max(1, round(1.2 * blur)), max(3, round(3.5 * blur) + 1)
    seed = inside.astype(np.uint8)
    near = cv2.dilate(seed, np.ones((2 * inner + 1,) * 2, np.uint8))
    far = cv2.dilate(seed, np.ones((2 * outer + 1,) * 2, np.uint8))
    band = edge.darkness_map[(far > 0) & (near == 0)]
    if len(band) < 8:
        return 0.0, 0.0
    low, high = np.percentile(band, [10, 90])
    return float(-low), float(-high)


def with_fellows(weighed: list[Weighed], mm_per_px: float) -> list[Weighed]:
    """Count, for each region, those of like height and stroke width that stand within two heights of it."""
    if len(weighed) < 2:
        return weighed
    centre = np.array([one.centre_px for one in weighed])
    length = np.array([one.length_px for one in weighed])
    width = np.array([one.width_px for one in weighed])
    apart = np.linalg.norm(centre[:, None] - centre[None], axis=2)
    size = np.maximum(length[:, None], length[None])
    like = (apart < 2.0 * size) & (apart > 0.25 * size)
    like &= np.abs(np.log(length[:, None] / length[None])) < 0.6
    like &= np.abs(np.log(width[:, None] / width[None])) < 0.5
    counts = like.sum(axis=1)
    crowd = (apart * mm_per_px < 3.0).sum(axis=1) - 1
    for one, count, many in zip(weighed, counts, crowd, strict=True):
        one.figures[NAMES.index("fellows")] = np.log1p(count)
        one.figures[NAMES.index("crowd")] = np.log1p(many)
    return weighed
