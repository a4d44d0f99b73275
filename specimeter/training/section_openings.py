"""Imperfections drawn into samples of cuts on the accelerator: pores, slag, cracks, unfused lines, anew for each photograph."""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional

from specimeter.segment.section_reading import KINDS, TISSUES
from specimeter.training.augment import blur, some, uniform

MOST = 3  # of each sample
FORMS = ("pore", "slag", "crack", "crack", "sidewall", "sidewall", "inter-run", "inter-run", "seam", "lamination", "hair")
KIND = {"pore": 0, "slag": 1, "crack": 2, "sidewall": 3, "inter-run": 3}  # in KINDS; a seam, a lamination and a hair are none
SHARE = 0.75  # of the samples that may be opened
EDGE_CELLS, DEEP_CELLS = 3, 4  # from the metal's border, and from the weld's: so far in lies what is drawn
SOFT_CELLS = 3.0  # over which the weld's border is smoothed, along which a line runs
TABLE = 96  # places of a line's course and width, and of a cavity's radius
PLATE, HAZ, WELD, GAP = (TISSUES.index(name) for name in ("plate", "haz", "weld", "gap"))
SEEN, FEATURE, COVERED, FIRST_KIND = len(TISSUES), len(TISSUES) + 1, len(TISSUES) + 2, len(TISSUES) + 3


def opened(light: Tensor, truth: Tensor) -> tuple[Tensor, Tensor]:
    """Pictures (N, 3, H, W) in linear light with further imperfections, and their truths (N, 13, H, W) with these in them.

    Unfused lines follow the weld metal's border, or lie within it along an arc that an etching shows as a seam of runs; cracks
    are jagged; seams without an opening, laminations of the plates and hairs (evenly wide, in a tight arc, with blunt ends) are
    drawn too, and are no imperfections.
    """
    n, _, size, _ = light.shape
    tissue = truth[:, : len(TISSUES)]
    metal = tissue[:, PLATE : WELD + 1].sum(1, keepdim=True)
    inner = -functional.max_pool2d(-metal, 2 * EDGE_CELLS + 1, 1, EDGE_CELLS)
    weld = tissue[:, WELD : WELD + 1]
    deep = (-functional.max_pool2d(-weld, 2 * DEEP_CELLS + 1, 1, DEEP_CELLS) > 0.5).float()
    beside = (tissue[:, PLATE : PLATE + 1] + tissue[:, HAZ : HAZ + 1]).clamp(0, 1)
    border = (weld > 0.5).float() * (functional.max_pool2d(beside, 3, 1, 1) > 0.5) * (inner > 0.5)
    soft = blur(weld, torch.full((n,), SOFT_CELLS, device=light.device), reach=9)
    plate = (-functional.max_pool2d(-tissue[:, PLATE : PLATE + 1], 2 * DEEP_CELLS + 1, 1, DEEP_CELLS) > 0.5).float()
    kept = some(n, SHARE, light)
    for _ in range(MOST):
        form = FORMS[int(torch.randint(len(FORMS), (1,)))]
        place = {"sidewall": border, "lamination": plate, "hair": (inner > 0.5).float()}.get(form, deep)
        drawn = kept * some(n, 0.7, light) * (place.sum((1, 2, 3), keepdim=True) > 4)
        share, seam = _drawn(form, place, soft, size)
        share = share * drawn * (inner > 0.5)
        light = light * (1 - seam * drawn * weld * tissue_seen(truth))
        if form != "seam":
            light = _dark(light, share, metal)
            truth = _told(truth, share, KIND.get(form))
    return light, truth


def tissue_seen(truth: Tensor) -> Tensor:
    """Whether the etching shows, (N, 1, H, W)."""
    return truth[:, SEEN : SEEN + 1]


def _drawn(form: str, place: Tensor, soft: Tensor, size: int) -> tuple[Tensor, Tensor]:
    """Share of each cell that an opening of each sample covers, and how dark the seam is that it lies on, both (N, 1, H, W)."""
    n = len(place)
    flat = place.flatten(1) + 1e-9
    at = torch.multinomial(flat, 1)[:, 0]
    rows, columns = torch.div(at, size, rounding_mode="floor"), at % size
    grid = torch.arange(size, device=place.device, dtype=torch.float32)
    x, y = grid[None, None, None, :] - columns.view(n, 1, 1, 1), grid[None, None, :, None] - rows.view(n, 1, 1, 1)
    turn = uniform(n, 0, 2 * math.pi, place)
    slope = _slope(soft, rows, columns) if form == "sidewall" else None
    if slope is not None:
        turn = torch.atan2(slope[:, 0], -slope[:, 1]).view(n, 1, 1, 1) + 0.04 * torch.randn(n, 1, 1, 1, device=place.device)
    cos, sin = torch.cos(turn), torch.sin(turn)
    u, v = x * cos + y * sin, y * cos - x * sin
    seam = torch.zeros_like(u)
    if form in ("pore", "slag"):
        return _cavity(u, v, form == "slag"), seam
    length = uniform(n, 5.0, 50.0 if form != "lamination" else 120.0, place, log=True)
    half = uniform(n, 0.17, 1.0 if form in ("crack", "hair") else 2.3, place, log=True)
    if slope is not None:
        level = soft.flatten(1).gather(1, at[:, None]).view(n, 1, 1, 1)
        v = (soft - level) / slope.norm(dim=1).clamp(min=0.02).view(n, 1, 1, 1) + uniform(n, -1.0, 1.0, place)
    elif form in ("inter-run", "seam"):
        v = v - u * u * some(n, 0.8, place) * torch.where(some(n, 0.5, place) > 0, 1, -1) / uniform(n, 40, 300, place, log=True)
        wide = uniform(n, 0.7, 2.5, place)
        seam = uniform(n, 0.0, 0.4, place) * torch.exp(-0.5 * (v / wide) ** 2) * some(n, 0.75, place)
    if form == "hair":
        v = v - u * u * torch.where(some(n, 0.5, place) > 0, 1, -1) / uniform(n, 16, 80, place, log=True)
    share = u / length + 0.5
    inside = ((share > 0) & (share < 1)).float()
    v = v - _of_table(_course(n, form == "crack", place) * length.view(n, 1), share)
    ends = (6 * torch.minimum(share, 1 - share)).clamp(0, 1) ** (0.9 if form == "crack" else 0.5)
    half = half if form == "hair" else half * ends * _of_table(_width(n, place), share)
    low, high = torch.maximum(-half, v - 0.5), torch.minimum(half, v + 0.5)
    return (high - low).clamp(0, 1) * inside, seam


def _cavity(u: Tensor, v: Tensor, angular: bool) -> Tensor:
    n = len(u)
    size = uniform(n, 1.2, 12.0, u, log=True)
    stretch = uniform(n, 1.0, 2.6 if angular else 1.25, u)
    away, turn = torch.hypot(u / stretch.sqrt(), v * stretch.sqrt()), torch.atan2(v, u)
    corners = int(torch.randint(5, 10, (1,))) if angular else 4
    few = 1 + (0.28 if angular else 0.06) * torch.randn(n, 1, corners, device=u.device)
    radius = functional.interpolate(torch.cat([few, few[..., :1]], 2), size=TABLE, mode="linear", align_corners=True)[:, 0]
    edge = size * _of_table(radius.clamp(0.4, 1.8), turn / (2 * math.pi) + 0.5)
    return (edge - away + 0.5).clamp(0, 1)


def _course(n: int, jagged: bool, like: Tensor) -> Tensor:
    """Offsets (N, TABLE) from a line's straight course over its length: jagged as a crack's or gently wavy, 0 at its ends."""
    if jagged:
        count = int(torch.randint(5, 16, (1,)))
        walk = torch.cumsum(torch.randn(n, 1, count, device=like.device), 2) * (0.35 / count)
        line = functional.interpolate(walk, size=TABLE, mode="linear", align_corners=True)[:, 0]
    else:
        few = 0.012 * torch.randn(n, 1, int(torch.randint(3, 9, (1,))), device=like.device)
        line = functional.interpolate(few, size=TABLE, mode="linear", align_corners=True)[:, 0]
    share = torch.linspace(0, 1, TABLE, device=like.device)
    return line - line[:, :1] * (1 - share) - line[:, -1:] * share


def _width(n: int, like: Tensor) -> Tensor:
    few = 1 + 0.3 * torch.randn(n, 1, int(torch.randint(4, 14, (1,))), device=like.device)
    return functional.interpolate(few.clamp(0.2, 1.8), size=TABLE, mode="linear", align_corners=True)[:, 0]


def _of_table(table: Tensor, share: Tensor) -> Tensor:
    """Values of tables (N, TABLE) at shares (N, 1, H, W) from 0 to 1."""
    at = share.clamp(0, 1) * (TABLE - 1)
    low = at.floor().clamp(max=TABLE - 2).long()
    flat, part = low.flatten(1), (at - low).flatten(1)
    return (table.gather(1, flat) * (1 - part) + table.gather(1, flat + 1) * part).view_as(share)


def _slope(soft: Tensor, rows: Tensor, columns: Tensor) -> Tensor:
    """Gradient (N, 2) of a field along x and y at one cell of each sample."""
    size, index = soft.shape[-1], torch.arange(len(soft), device=soft.device)
    r, c = rows.clamp(1, size - 2), columns.clamp(1, size - 2)
    field = soft[:, 0]
    across, down = field[index, r, c + 1] - field[index, r, c - 1], field[index, r + 1, c] - field[index, r - 1, c]
    return torch.stack([across, down], 1) / 2


def _dark(light: Tensor, share: Tensor, metal: Tensor) -> Tensor:
    """The light with an opening in it: dark, oxidised or glassy, against the metal's own light thereabouts."""
    n = len(light)
    own = (light * metal).sum((2, 3), keepdim=True) / metal.sum((2, 3), keepdim=True).clamp(min=1)
    tone = torch.where(some(n, 0.8, light) > 0, uniform(n, 0.0, 0.3, light), uniform(n, 0.3, 0.65, light))
    return light * (1 - share) + own * tone * torch.exp(0.12 * torch.randn(n, 3, 1, 1, device=light.device)) * share


def _told(truth: Tensor, share: Tensor, kind: int | None) -> Tensor:
    """The truth with an opening in it, labelled as of `section_labels.planes`; `kind`: its place in KINDS, None for a mark."""
    ridge = (share > 0.12) & (share >= functional.max_pool2d(share, 3, 1, 1) - 0.02)
    wide = functional.max_pool2d((ridge | (share > 0.5)).float(), 3, 1, 1)
    kinds = torch.zeros_like(truth[:, FIRST_KIND : FIRST_KIND + len(KINDS)])
    if kind is None:
        return truth
    kinds[:, kind] = 1.0
    before, after = truth[:, :FEATURE], truth[:, FIRST_KIND + len(KINDS) :]
    feature = torch.maximum(truth[:, FEATURE : FEATURE + 1], wide)
    covered = torch.maximum(truth[:, COVERED : COVERED + 1], share)
    named = truth[:, FIRST_KIND : FIRST_KIND + len(KINDS)] * (1 - wide) + kinds * wide
    return torch.cat([before, feature, covered, named, after], 1)
