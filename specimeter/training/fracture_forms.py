"""Broken faces with imperfections as true forms, drawn on the accelerator: bowls, tunnels, flat lands, glass, under a sky.

A third way of drawing, which shares nothing with `specimeter.scene` and only the outlines with the composites. What tells a
feature from the break here is above all its form: a smooth wall of the break's own metal is seen by one side being in shade and
the other catching light, an unfused land by being flat. Light comes from a sky of directions and from lamps: how much each
place sees is found from its horizon (Max, 1988), where it sees none it is lit by what lies round it, and metal mirrors as GGX
says (Walter and others, 2007).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional as nn

from specimeter.segment.fracture_learned import FAMILIES
from specimeter.training.augment import blur, slow, some, uniform
from specimeter.training.fracture_sample import AREA
from specimeter.training.reskin import field

AROUND, RISES = 12, 4  # directions of the sky: to all sides, and of equal solid angles upwards
STEPS_PX = (1, 2, 3, 4, 6, 8, 11, 15, 20, 27, 36)  # at which a horizon is looked for
LAMPS = 3
SKY_BLUR = 0.09  # square of GGX's width that a direction of the sky stands for
HUES = ((1.0, 1.0, 1.0), (1.0, 0.8, 0.55), (0.65, 0.8, 1.1), (0.9, 0.75, 0.8), (1.1, 0.7, 0.4))  # bare, and tempers of oxide


@dataclass(slots=True, kw_only=True, eq=False)
class Metal:
    """Pieces of a surface (N, ., S, S) before light falls on them: height in pixels, tone of three colours, how far it is
    metal, and how rough."""

    height: Tensor
    tone: Tensor
    metal: Tensor
    rough: Tensor

    def put(self, share: Tensor, height: Tensor, tone: Tensor, metal: Tensor, rough: Tensor) -> None:
        """Another surface where `share` (N, 1, S, S) says so."""
        for name, value in (("height", height), ("tone", tone), ("metal", metal), ("rough", rough)):
            own = getattr(self, name)
            setattr(self, name, own + (value - own) * share)


def redrawn(planes: Tensor) -> Tensor:
    """Planes (N, 10, S, S), 0 to 1, as `fracture_sample.CHANNELS`, with colours drawn anew; all else stays."""
    n, _, size, _ = planes.shape
    families = dict(zip(FAMILIES, planes[:, 3:AREA].split(1, 1), strict=True))
    body = _broken_metal(n, size, planes)
    calm = blur(body.height, uniform(n, 1.5, 5, planes).flatten(), reach=11)
    caps = dict(zip(FAMILIES, membrane(planes[:, 3:AREA]).split(1, 1), strict=True))
    lumps = cells(n, size, planes, uniform(n, 2.5, 18, planes, log=True))
    for name in ("pore", "elongated-cavity"):
        _hollow(body, families[name], caps[name], calm, lumps[1])
    _slag(body, families["slag"], caps["slag"], calm, lumps[0])
    _unfused(body, families["unfused"], caps["unfused"], calm)
    _fisheye(body, families["fisheye"], caps["fisheye"], calm)
    _beyond(body, 1 - blur(planes[:, AREA : AREA + 1], torch.full((n,), 0.7, device=planes.device)))
    light = _levelled(lit(body), planes)
    within = torch.where(planes[:, AREA] > 0.5, light.mean(1), torch.nan).flatten(1).nanmedian(1).values
    light = light / within.nan_to_num(0.2).clamp(min=1e-4)[:, None, None, None]
    coded = (0.22 * torch.exp(0.3 * torch.randn(n, 1, 1, 1, device=planes.device)) * light).clamp(0, 1) ** (1 / 2.2)
    return torch.cat([coded, planes[:, 3:]], 1)


def _levelled(light: Tensor, planes: Tensor) -> Tensor:
    """The same, features of some pieces made about as bright as the break: only form and smoothness show them."""
    n = len(light)
    grey, area = light.mean(1), planes[:, AREA] > 0.5
    free = area & (planes[:, 3:AREA].amax(1) < 0.1)

    def middle(where: Tensor) -> Tensor:
        return torch.where(where, grey, torch.nan).flatten(1).nanmedian(1).values

    rest = middle(free)
    for k in range(3, AREA):
        own = middle(planes[:, k] > 0.5)
        how = some(n, 0.35, light) * uniform(n, 0.6, 1.0, light)
        gain = (rest / own.clamp(min=1e-4)).nan_to_num(1.0).clamp(0.1, 10)[:, None, None, None] ** how
        light = light * (1 + (gain - 1) * planes[:, k : k + 1])
    return light


# ------------------------------------------------------------------ the break


def relief(n: int, size: int, like: Tensor) -> Tensor:
    """Heights in pixels of breaks: facets, dimples, rivers, terraces, fans, rings, fibres, fractal; one to three at once."""
    y, x = torch.meshgrid(*[torch.arange(size, device=like.device, dtype=torch.float32)] * 2, indexing="ij")
    turn = uniform(n, 0, 2 * math.pi, like)
    along = (x - size / 2) * torch.cos(turn) + (y - size / 2) * torch.sin(turn)
    layers = [field(n, size, like, power=(0.9, 1.9))]
    plane, away = cells(n, size, like, uniform(n, 3, 26, like, log=True))
    layers += [plane, away.square().clamp(max=1) * (2 * some(n, 0.5, like) - 1)]
    layers.append(field(n, size, like, power=(0.5, 1.5), lay=True))
    pitch = uniform(n, 4, 30, like, log=True)
    river = along / pitch + uniform(n, 0.1, 0.8, like) * field(n, size, like, power=(1.6, 2.2))
    layers.append(blur(river - river.floor(), uniform(n, 0.5, 1.5, like).flatten()) * pitch)
    steps = uniform(n, 1, 4, like) * field(n, size, like, power=(1.3, 2.0))
    layers.append(blur(steps.floor(), uniform(n, 0.5, 2.0, like).flatten(), reach=7))
    away = uniform(n, 0.5, 2.5, like) * size
    far_x, far_y = x - size / 2 - away * torch.cos(turn), y - size / 2 - away * torch.sin(turn)
    reach, around = torch.hypot(far_x, far_y), torch.atan2(far_y, far_x)
    wander = 0.8 * slow(n, size, like) + 0.3 * field(n, size, like, power=(1.0, 2.0))
    layers.append(torch.sin(around * away / uniform(n, 4, 14, like) + wander).abs())
    layers.append(torch.sin(reach / uniform(n, 3, 14, like) + wander))
    total = torch.zeros_like(layers[0])
    order = torch.rand(n, len(layers), device=like.device).argsort(1)
    count = torch.randint(1, 4, (n, 1), device=like.device)
    for k, layer in enumerate(layers):
        chosen = (order[:, k : k + 1] < count).float()[:, :, None, None]
        total = total + chosen * uniform(n, 0.05, 1.0, like, log=True) * layer / steepness(layer)
    patch = (1 + uniform(n, 0, 0.6, like) * slow(n, size, like)).clamp(0.2, 2.2)
    return total * patch


def steepness(height: Tensor) -> Tensor:
    """Root mean square slope (N, 1, 1, 1)."""
    p, q = height.diff(dim=3), height.diff(dim=2)
    return (p.square().mean((1, 2, 3)) + q.square().mean((1, 2, 3))).sqrt().clamp(min=1e-5)[:, None, None, None]


def cells(n: int, size: int, like: Tensor, spacing: Tensor) -> tuple[Tensor, Tensor]:
    """Grains of some spacing (N, 1, 1, 1) in pixels: a plane of each one's tilt, and how many spacings away its middle is."""
    many = int(size / float(spacing.min())) + 5
    y, x = torch.meshgrid(*[torch.arange(size, device=like.device, dtype=torch.float32)] * 2, indexing="ij")
    row, column = (v[None] / spacing[:, 0] + torch.rand(n, 1, 1, device=like.device) for v in (y, x))
    seed = torch.rand(n, many, many, 2, device=like.device) - 0.5
    own = torch.randn(n, many, many, 3, device=like.device)
    which = torch.arange(n, device=like.device)[:, None, None]
    nearest, height = torch.full_like(row, 9.0), torch.zeros_like(row)
    for i in range(3):
        for j in range(3):
            r, c = row.long() + i, column.long() + j
            off, plane = seed[which, r, c], own[which, r, c]
            dy, dx = row - (r - 0.5 + off[..., 0]), column - (c - 0.5 + off[..., 1])
            far = dx * dx + dy * dy
            better = far < nearest
            nearest = torch.where(better, far, nearest)
            height = torch.where(better, plane[..., 0] * dx + plane[..., 1] * dy + 0.3 * plane[..., 2], height)
    sharp = (spacing[:, 0] * height)[:, None]
    return blur(sharp, uniform(n, 0.3, 1.0, like).flatten()), nearest.sqrt()[:, None]


def _broken_metal(n: int, size: int, like: Tensor) -> Metal:
    """Broken metal of one relief, or two that meet; with waves, a step, mottled, stained, sooty or rusty in places."""
    height, other = relief(n, size, like), relief(n, size, like)
    zone = torch.sigmoid((slow(n, size, like) - uniform(n, 0, 1.5, like)) / uniform(n, 0.06, 0.6, like, log=True))
    zone = zone * some(n, 0.35, like)
    other = other * (steepness(height) / steepness(other) * uniform(n, 0.5, 1.5, like))  # what is smooth would be unfused
    height = height * (1 - zone) + (other + uniform(n, -5, 5, like)) * zone
    height = height + uniform(n, 0.5, 9, like, log=True) * slow(n, size, like)
    height = height + uniform(n, 0.3, 4, like, log=True) * field(n, size, like, power=(1.8, 2.6))
    grains = field(n, size, like, power=(0.0, 0.8))  # steep, of one to some pixels, each of which mirrors what it faces
    grains = blur(grains, uniform(n, 0.2, 2.5, like, log=True).flatten(), reach=7)
    height = height + some(n, 0.6, like) * uniform(n, 0.1, 0.8, like, log=True) * grains / steepness(grains)
    mottle = torch.exp(uniform(n, 0, 0.2, like) * field(n, size, like))
    tone = (uniform(n, 0.25, 0.7, like) * mottle * _tinted(n, like, 0.05)).clamp(0.02, 0.9)
    body = Metal(
        height=height,
        tone=tone,
        metal=uniform(n, 0.3, 1.7, like).clamp(max=1).expand_as(height),
        rough=(uniform(n, 0.22, 0.7, like) * (1 + 0.2 * zone)).expand_as(height),
    )
    for chance, low, high, hue, rough in ((0.3, 0.1, 0.35, (1.3, 0.6, 0.28), 0.8), (0.15, 0.02, 0.15, (1, 1, 1), 0.8)):
        field_ = slow(n, size, like) + uniform(n, 0, 1, like) * field(n, size, like, power=(0.8, 1.8))
        share = torch.sigmoid((field_ - uniform(n, 0.2, 2, like)) / uniform(n, 0.05, 0.6, like, log=True))
        share = share * some(n, chance, like) * uniform(n, 0.3, 1, like)
        stain = uniform(n, low, high, like) * torch.tensor(hue, device=like.device)[None, :, None, None]
        stain = stain * torch.exp(uniform(n, 0, 0.4, like) * field(n, size, like, power=(0.4, 1.4)))
        body.put(share, body.height, stain, torch.zeros_like(share), torch.full_like(share, rough))
    oil = torch.sigmoid((slow(n, size, like) - uniform(n, 0.5, 2, like)) / 0.3) * some(n, 0.15, like)
    body.put(oil * 0.7, body.height, body.tone * 0.4, body.metal * 0.6, torch.full_like(oil, 0.2))
    return body


# ------------------------------------------------------------------ the features


def membrane(share: Tensor) -> Tensor:
    """Height (N, C, S, S) of a membrane held at the borders of what `share` covers, in square pixels: r^2 - s^2 in a disc.

    Solves Laplace u = -4 (Prandtl's membrane) on ever finer grids; its square root is a half sphere over a disc and a half
    pipe over a band.
    """
    inside = [share]
    while inside[-1].shape[-1] > 16:
        inside.append(nn.avg_pool2d(inside[-1], 2))
    u = torch.zeros_like(inside[-1])
    for level in range(len(inside) - 1, -1, -1):
        mask, step = inside[level], 2.0**level
        if u.shape != mask.shape:
            u = nn.interpolate(u, size=mask.shape[-2:], mode="bilinear", align_corners=False)
        within = (mask > 0.5).float()
        for _ in range(12):
            padded = nn.pad(u, (1, 1, 1, 1))
            around = padded[..., 1:-1, 2:] + padded[..., 1:-1, :-2] + padded[..., 2:, 1:-1] + padded[..., :-2, 1:-1]
            u = within * 0.25 * (around + 4 * step * step)
    return u


def _hollow(body: Metal, share: Tensor, cap: Tensor, calm: Tensor, lumps: Tensor) -> None:
    """Bowls and tunnels: caps of spheres and pipes, deep or shallow, with a smooth, rippled or bumpy wall."""
    n, _, size, _ = share.shape
    flat = some(n, 0.5, share) * uniform(n, 0.3, 25, share, log=True)
    wall = calm - ((cap + flat * flat).sqrt() - flat) * uniform(n, 0.5, 1.5, share)
    wall = wall + some(n, 0.5, share) * uniform(n, 0.05, 0.5, share, log=True) * field(n, size, share, power=(0.8, 1.8))
    wall = wall + some(n, 0.15, share) * uniform(n, 0.2, 1, share) * lumps.clamp(max=1)
    tone, metal, rough = _wall(n, size, body, own=0.4)
    body.put((share > 0.5).float(), wall, tone, metal, rough)
    rim = (blur(share, uniform(n, 1, 4, share).flatten(), reach=9) - share).clamp(0, 1)
    body.height = body.height + some(n, 0.3, share) * uniform(n, -2, 4, share) * rim


def _wall(n: int, size: int, body: Metal, own: float) -> tuple[Tensor, Tensor, Tensor]:
    """Tone, metal and roughness of a surface that never broke: the break's own metal but smooth, bright, oxidised or dark."""
    like = body.height
    hue = torch.tensor(HUES, device=like.device)[torch.randint(len(HUES), (n,), device=like.device)][:, :, None, None]
    mottle = torch.exp(uniform(n, 0, 0.3, like) * field(n, size, like))
    kept = body.tone.mean((2, 3), keepdim=True) * uniform(n, 0.8, 1.2, like)
    shiny, scaled = uniform(n, 0.3, 0.75, like).expand_as(kept), uniform(n, 0.02, 0.25, like, log=True) * hue
    lot = torch.rand(n, 1, 1, 1, device=like.device)
    tone = torch.where(lot < own, kept, torch.where(lot < 0.5 + own / 2, shiny, scaled)) * mottle
    bare = (lot < 0.5 + own / 2).float()
    metal = bare * uniform(n, 0.8, 1, like) + (1 - bare) * uniform(n, 0, 0.5, like)
    alike = torch.where(some(n, 0.3, like) > 0, body.rough.mean((2, 3), keepdim=True), uniform(n, 0.12, 0.5, like))
    rough = bare * alike + (1 - bare) * uniform(n, 0.3, 0.9, like)
    return tone, metal.expand_as(like), rough.expand_as(like)


def _slag(body: Metal, share: Tensor, cap: Tensor, calm: Tensor, facets: Tensor) -> None:
    """Glass and scale that fills a cavity partly: flat facets or shell-like waves, a gap at its border, partly broken out."""
    n, _, size, _ = share.shape
    cap = cap.sqrt()
    waves = field(n, size, share, power=(1.2, 2.4))
    kind = some(n, 0.5, share)
    lump = kind * facets * uniform(n, 0.1, 0.6, share) + (1 - kind) * waves * uniform(n, 0.3, 4, share)
    glass = calm + lump.clamp(-6, 6) * (cap / 4).clamp(max=1) - torch.minimum(cap, uniform(n, -1, 5, share).clamp(min=0))
    gone = torch.sigmoid((slow(n, size, share) - uniform(n, 0.3, 2, share)) / 0.1) * some(n, 0.3, share)
    form = glass - gone * cap * uniform(n, 0.5, 1.2, share)
    hue = torch.tensor([[1, 1, 1], [1.1, 0.95, 0.75], [0.9, 1, 0.9], [1.2, 0.8, 0.6]], device=share.device)
    hue = hue[torch.randint(4, (n,), device=share.device)][:, :, None, None]
    tone = uniform(n, 0.012, 0.1, share, log=True) * torch.where(some(n, 0.2, share) > 0, uniform(n, 2, 4, share), 1.0) * hue
    tone = tone * torch.exp(uniform(n, 0, 0.5, share) * field(n, size, share, power=(0.5, 1.5)))
    rough = (uniform(n, 0.1, 0.6, share) + 0.2 * gone).expand_as(share)
    body.put((share > 0.5).float(), form, tone, torch.zeros_like(share), rough)


def _unfused(body: Metal, share: Tensor, cap: Tensor, calm: Tensor) -> None:
    """Lands that never fused: flat and at a level and slope of their own, with tool marks, rolled skin, ripples or nothing."""
    n, _, size, _ = share.shape
    y, x = torch.meshgrid(*[torch.linspace(-0.5, 0.5, size, device=share.device)] * 2, indexing="ij")
    smooth = blur(nn.avg_pool2d(calm, 4), torch.full((n,), 4.0, device=share.device), reach=11)
    flat = nn.interpolate(smooth, size=(size, size), mode="bilinear", align_corners=False)
    slant = (x * torch.randn(n, 1, 1, 1, device=share.device) + y * torch.randn(n, 1, 1, 1, device=share.device)) * size
    flat = flat + slant * uniform(n, 0, 0.25, share) - some(n, 0.7, share) * uniform(n, -2, 7, share)
    lay = field(n, size, share, power=(0.3, 1.2), lay=True)
    skin = field(n, size, share, power=(0.5, 2.0))
    kind = torch.rand(n, 1, 1, 1, device=share.device)
    marks = torch.where(kind < 0.45, lay / steepness(lay), torch.where(kind < 0.85, skin / steepness(skin), 0.0))
    form = flat + uniform(n, 0.004, 0.12, share, log=True) * marks
    tone, metal, rough = _wall(n, size, body, own=0.35)
    flakes = torch.sigmoid((field(n, size, share, power=(1.0, 1.8)) - uniform(n, -1, 1, share)) / 0.1) * some(n, 0.25, share)
    tone = tone * (1 - flakes * uniform(n, 0.2, 0.8, share))
    sharp = torch.where(some(n, 0.6, share) > 0, (share > 0.5).float(), (cap.sqrt() / uniform(n, 1, 4, share)).clamp(max=1))
    body.put((share > 0.5).float(), body.height + (form - body.height) * sharp, tone, metal, rough)


def _fisheye(body: Metal, share: Tensor, cap: Tensor, calm: Tensor) -> None:
    """Flat bright discs of fine crystals round a small pore or inclusion."""
    n, _, size, _ = share.shape
    soft = blur(share, uniform(n, 0.5, 2.0, share).flatten())
    fine = field(n, size, share, power=(0.2, 0.9))
    form = calm + uniform(n, 0.03, 0.25, share, log=True) * fine / steepness(fine)
    small = nn.max_pool2d(cap, 4)
    deepest = nn.interpolate(nn.max_pool2d(small, 31, 1, 15), size=(size, size)).clamp(
        min=1
    )  # of the disc that a place lies in
    core = torch.sigmoid((cap / deepest - uniform(n, 0.9, 0.98, share)) / 0.01)
    bright = body.tone.mean((2, 3), keepdim=True) * uniform(n, 1.0, 1.7, share) * torch.exp(0.1 * fine)
    body.put(soft, form, bright.clamp(max=0.95), body.metal, body.rough * uniform(n, 0.7, 1.0, share))
    dark = uniform(n, 0.02, 0.2, share).expand_as(body.tone)
    body.put(core * share, body.height - uniform(n, 1, 6, share), dark, torch.zeros_like(core), torch.full_like(core, 0.5))


def _beyond(body: Metal, share: Tensor) -> None:
    """What lies beyond the face: a sawn notch, plate, a bench, at a level of its own."""
    n, _, size, _ = share.shape
    lay, grain = field(n, size, share, power=(0.3, 1.2), lay=True), field(n, size, share, power=(0.3, 1.6))
    form = torch.where(some(n, 0.6, share) > 0, lay / steepness(lay), grain / steepness(grain))
    form = form * uniform(n, 0.01, 0.3, share, log=True) + uniform(n, -20, 8, share)
    tone = uniform(n, 0.04, 0.8, share, log=True) * _tinted(n, share, 0.1) * torch.exp(uniform(n, 0, 0.3, share) * grain)
    metal = some(n, 0.6, share).expand_as(share)
    body.put(share, form, tone.clamp(0.01, 0.9), metal, uniform(n, 0.2, 0.8, share).expand_as(share))


def _tinted(n: int, like: Tensor, spread: float) -> Tensor:
    return (1 + spread * torch.randn(n, 3, 1, 1, device=like.device)).clamp(min=0.3)


# ------------------------------------------------------------------ light


def horizons(height: Tensor, turn: float) -> Tensor:
    """Greatest rise over run (N, AROUND, S, S) of what lies round each place, from the direction `turn` on."""
    size = height.shape[-1]
    reach = STEPS_PX[-1] + 1
    padded = nn.pad(height, (reach,) * 4, mode="replicate")
    found = []
    for k in range(AROUND):
        way = turn + 2 * math.pi * k / AROUND
        highest = torch.full_like(height, -9.0)
        for far in STEPS_PX:
            dx, dy = round(far * math.cos(way)), round(far * math.sin(way))
            there = padded[:, :, reach + dy : reach + dy + size, reach + dx : reach + dx + size]
            highest = torch.maximum(highest, (there - height) / math.hypot(dx, dy))
        found.append(highest)
    return torch.cat(found, 1)


def lit(body: Metal) -> Tensor:
    """Light (N, 3, S, S) that comes back towards a camera nearly overhead."""
    height, n = body.height, len(body.height)
    normal = normals(height)
    view = nn.normalize(
        torch.cat([0.1 * torch.randn(n, 2, device=height.device), torch.ones(n, 1, device=height.device)], 1), dim=1
    )
    facing = torch.einsum("ncyx,nc->nyx", normal, view)[:, None].clamp(0.05, 1)
    turn = float(torch.rand(1)) * 2 * math.pi
    edge = horizons(height, turn)
    mirrored = body.metal * body.tone + (1 - body.metal) * 0.045
    mirrored = mirrored + (1 - mirrored) * (1 - facing) ** 5
    scattered = (1 - body.metal) * body.tone / math.pi

    def spread(towards: Tensor, wide: Tensor) -> tuple[Tensor, Tensor]:
        """Of directions (N, K, 3): cosines, and how strongly each is mirrored, (N, K, S, S); GGX as wide as `wide` at least."""
        cosine = torch.einsum("ncyx,nkc->nkyx", normal, towards).clamp(min=0)
        half = nn.normalize(towards + view[:, None], dim=2)
        alpha = body.rough.clamp(0.05, 1).square()
        square = (alpha.square() + wide).clamp(max=1)
        over = torch.einsum("ncyx,nkc->nkyx", normal, half).square() * (square - 1) + 1
        towards_both = cosine * (alpha + 2 * facing * (1 - alpha)) + (alpha * facing).clamp(min=0.01)
        return cosine, cosine * square / (2 * math.pi * over.square() * towards_both)

    sky = directions(turn).to(height.device)
    light, received = _sky(n, sky)
    dimmed = torch.where(some(n, 0.4, height) > 0, uniform(n, 0.02, 0.5, height, log=True), 1.0)  # lamps alone, nearly
    light = light * dimmed[:, :, :, 0]
    flat = sky[:, 2] / sky[:, :2].norm(dim=1)
    soft = (0.12 + 0.3 * sky[:, 2])[None, :, None, None]
    seen = torch.sigmoid((flat[None, :, None, None] - edge.repeat_interleave(RISES, 1)) / soft)
    cosine, gloss = spread(sky.expand(n, -1, -1), torch.full((1, 1, 1, 1), SKY_BLUR, device=height.device))

    def gathered(what: Tensor, colours: Tensor) -> Tensor:
        return torch.einsum("nkyx,nkc->ncyx", what, colours)

    first = scattered * gathered(cosine * seen, light) + mirrored * gathered(gloss * seen, light)
    angle = 2 * math.pi / len(sky)
    hidden = (
        scattered * (cosine * (1 - seen)).sum(1, keepdim=True) + mirrored * (gloss * (1 - seen)).sum(1, keepdim=True)
    ) * angle
    which = torch.randint(AROUND, (n, LAMPS), device=height.device)
    way, rise = turn + 2 * math.pi * which / AROUND, 0.2 + 1.3 * torch.rand(n, LAMPS, device=height.device)
    lamps = torch.stack([torch.cos(way) * torch.cos(rise), torch.sin(way) * torch.cos(rise), torch.sin(rise)], 2)
    broad = uniform(n * LAMPS, 0.03, 0.5, height, log=True).reshape(n, LAMPS)
    own = edge[torch.arange(n, device=height.device)[:, None], which]
    soft = (broad / torch.cos(rise).square()).clamp(max=3)[:, :, None, None]
    seen = torch.sigmoid((torch.tan(rise)[:, :, None, None] - own) / soft)
    cosine, gloss = spread(lamps, broad.square()[:, :, None, None] / 4)
    on = torch.rand(n, LAMPS, device=height.device) < torch.tensor([0.85, 0.4, 0.15], device=height.device)
    share = on * uniform(n * LAMPS, 0.2, 6, height, log=True).reshape(n, LAMPS)
    strength = (received[:, None] * share / torch.sin(rise))[:, :, None] * (
        1 + 0.06 * torch.randn(n, LAMPS, 3, device=height.device)
    )
    first = first + scattered * gathered(cosine * seen, strength) + mirrored * gathered(gloss * seen, strength)
    room = _room(n, normal, view[:, :, None, None]) * (received / math.pi)[:, None, None, None] * (1 - body.rough).clamp(0, 1)
    first = first + some(n, 0.5, height) * uniform(n, 0, 0.8, height) * mirrored * room * (edge.mean(1, keepdim=True) < 0.3)
    thrown = blur(first, uniform(n, 2, 6, height).flatten(), reach=11)
    return first + uniform(n, 0.5, 1.2, height) * thrown * hidden * angle


def normals(height: Tensor) -> Tensor:
    """Unit normals (N, 3, S, S) of heights in pixels."""
    padded = nn.pad(height, (1, 1, 1, 1), mode="replicate")
    p = 0.5 * (padded[:, :, 1:-1, 2:] - padded[:, :, 1:-1, :-2])
    q = 0.5 * (padded[:, :, 2:, 1:-1] - padded[:, :, :-2, 1:-1])
    return nn.normalize(torch.cat([-p, -q, torch.ones_like(p)], 1), dim=1)


def directions(turn: float) -> Tensor:
    """Unit vectors (AROUND x RISES, 3) towards the sky, of equal solid angles; those to one side follow each other."""
    way = turn + 2 * math.pi * torch.arange(AROUND).repeat_interleave(RISES) / AROUND
    up = ((torch.arange(RISES) + 0.5) / RISES).repeat(AROUND)
    flat = (1 - up * up).sqrt()
    return torch.stack([flat * torch.cos(way), flat * torch.sin(way), up], 1)


def _sky(n: int, towards: Tensor) -> tuple[Tensor, Tensor]:
    """Light (N, K, 3) of each direction times its solid angle, and what a level place gets of it all (N,)."""
    places = torch.randn(n, 3, 3, device=towards.device)  # of the bright parts
    places[:, :, 2] = places[:, :, 2].abs() + 0.2
    places = nn.normalize(places, dim=2)
    sharp = torch.exp(math.log(2) + math.log(20) * torch.rand(n, 3, 1, device=towards.device))
    strength = torch.exp(1.5 * torch.randn(n, 3, 1, device=towards.device))
    colour = 1 + 0.08 * torch.randn(n, 3, 3, device=towards.device)
    bright = strength * torch.exp(sharp * (torch.einsum("nmc,kc->nmk", places, towards) - 1))
    base = torch.exp(math.log(0.02) + math.log(30) * torch.rand(n, 1, 1, device=towards.device))
    ring = nn.one_hot(torch.randint(RISES, (n,), device=towards.device), RISES).repeat(1, AROUND)  # round the camera
    ring = torch.where(some(n, 0.15, towards)[:, 0, 0] > 0, 0.1 + 4.0 * ring, 1.0)[:, :, None]
    light = ring * (base + torch.einsum("nmk,nmc->nkc", bright, colour).clamp(min=0)) * (2 * math.pi / len(towards))
    return light, (light.mean(2) * towards[:, 2]).sum(1)


def _room(n: int, normal: Tensor, view: Tensor) -> Tensor:
    """What a smooth wall mirrors of the room: fields with edges, in the direction that it looks into."""
    cells_ = int(torch.randint(3, 14, (1,)))
    world = torch.exp(1.5 * torch.randn(n, 3, cells_, cells_, device=normal.device).mean(1, keepdim=True) * 1.5)
    back = 2 * (normal * view).sum(1, keepdim=True) * normal - view
    return nn.grid_sample(
        world, back[:, :2].permute(0, 2, 3, 1), mode="bilinear", padding_mode="reflection", align_corners=False
    )
