"""Bend faces with openings as true forms, drawn on the accelerator: bent metal of every finish under a sky, pits, slits, fills.

The light is that of `fracture_forms` (horizons, GGX, what walls throw back). Emphasis lies on what is missed most: small
openings and slits of a pixel or two on a coarse lay, on dull scale, in burnt highlights, filled as bright as the metal.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional as nn

from specimeter.training.augment import blur, slow, some, uniform
from specimeter.training.fracture_forms import Metal, lit, membrane, steepness
from specimeter.training.reskin import field, marked, reskinned

FORMS, CARVED = 0.4, 0.35  # of the pieces drawn anew: as true forms; on pieces that stay. The others are `reskinned`
APART_PX = 9  # between openings that lie there and those that come
LOOK_PX, BESIDE_PX, SHOWS = 13, 33, 5.0
LEADS_PX = 24  # along an opening from where it shows, what is fainter is asked for as well
RUST, SCALE = (0.30, 0.13, 0.05), (0.055, 0.06, 0.07)


def again(planes: Tensor, others: Tensor) -> Tensor:
    """Planes (N, 9, S, S), 0 to 1, as `sample.CHANNELS`, drawn anew in one of three ways; `others` lend their faces."""
    first, second = int(FORMS * len(planes)), int((FORMS + CARVED) * len(planes))
    ways = [redrawn(planes[:first])] if first else []
    if second > first:
        ground = others[torch.randint(len(others), (second - first,), device=planes.device)]
        ways.append(carved(ground, planes[first:second]))
    if second < len(planes):
        ways.append(reskinned(planes[second:]))
    return told_only(torch.cat(ways))


def told_only(planes: Tensor) -> Tensor:
    """The same, with weight 0 about what does not show: to call it would be a guess.

    It shows where the mean light in it, or on its rim, within LOOK_PX is off by SHOWS times the scatter that the light beside
    it gives such a mean: a matched filter's signal over its noise, taken for white. What lies within LEADS_PX along the opening
    of what shows belongs to it: a slit whose faint places were left out would be learned as several.
    """
    share, light = planes[:, 3:4], planes[:, :3].mean(1, keepdim=True)
    metal = (share < 0.02).float()

    def near(what: Tensor, px: int) -> Tensor:
        return nn.avg_pool2d(what, px, 1, px // 2) * px * px

    count = near(metal, BESIDE_PX).clamp(min=8)
    level = near(light * metal, BESIDE_PX) / count
    scatter = (near(light.square() * metal, BESIDE_PX) / count - level.square()).clamp(min=1e-5)
    ring = (nn.max_pool2d(share, 3, 1, 1) - share).clamp(min=0)
    shown = torch.zeros_like(share)
    for where in (share, ring):
        off = near(where * (light - level), LOOK_PX).square() / (near(where.square(), LOOK_PX).clamp(min=0.05) * scatter)
        shown = torch.maximum(shown, off)
    opening = (nn.max_pool2d(share, 3, 1, 1) > 0.05).float()
    shown = ((nn.max_pool2d(shown * (share > 0.1), LOOK_PX, 1, LOOK_PX // 2) >= SHOWS**2) & (opening > 0)).float()
    for _ in range(LEADS_PX // 4):
        shown = nn.max_pool2d(shown, 9, 1, 4) * opening
    hidden = nn.max_pool2d(((share > 0.05) & (shown < 0.5)).float(), 7, 1, 3)
    return torch.cat([planes[:, :7], planes[:, 7:8] * (1 - hidden), planes[:, 8:]], 1)


def redrawn(planes: Tensor) -> Tensor:
    """The same outlines in bent metal of another finish, under another sky."""
    n = len(planes)
    share, area = planes[:, 3:4], planes[:, 6:7]
    body = bent_metal(n, planes.shape[-1], planes)
    body.tone, body.height, mark = marked(body.tone, body.height, share)
    body.tone = body.tone.clamp(0.004, 0.95)
    cap = membrane(share)
    formed = some(n, 0.5, planes)  # as a form that light falls into; else by its own light
    _opened(body, share, cap, formed)
    beyond = 1 - blur(area, torch.full((n,), 0.7, device=planes.device))
    light = lit(body)
    held = torch.where(area[:, 0] > 0.5, light.mean(1), torch.nan).flatten(1).nanmedian(1).values
    light = light / held.nan_to_num(0.2).clamp(min=1e-4)[:, None, None, None]
    thin = (cap.sqrt() < 1.5).float()  # no form shows in what hardly covers a pixel
    inner = hollow(light, share, cap)
    light = light + share * (formed * thin + 1 - formed) * (inner - light)
    other = torch.exp(uniform(n, -3.5, 0.0, planes) + uniform(n, 0, 0.3, planes) * field(n, planes.shape[-1], planes))
    light = light + (other - light) * beyond
    burnt = some(n, 0.12, planes) * uniform(n, 0.4, 1.5, planes)
    bright = torch.exp(0.3 * torch.randn(n, 1, 1, 1, device=planes.device) + burnt)
    coded = (0.22 * bright * light).clamp(0, 1) ** (1 / 2.2)
    return torch.cat([coded, planes[:, 3:5], mark * (share < 0.02), planes[:, 6:8], torch.zeros_like(share)], 1)


def carved(ground: Tensor, planes: Tensor) -> Tensor:
    """Pieces that stay as they are (N, 9, S, S), with the openings of `planes` cut in where none lie yet."""
    free = nn.max_pool2d(ground[:, 3:4], 2 * APART_PX + 1, 1, APART_PX) < 0.02
    free = (free & (ground[:, 6:7] > 0.5) & (ground[:, 8:9] < 0.5)).float()
    share, crack = planes[:, 3:4] * free, planes[:, 4:5] * free
    light = ground[:, :3] ** 2.2
    light = light + lips(share) * light
    inner = hollow(light, share, membrane(share))
    coded = (light + share * (inner - light)).clamp(0, 1) ** (1 / 2.2)
    mark = ground[:, 5:6] * (share < 0.02)
    weight = torch.maximum(ground[:, 7:8], planes[:, 7:8])
    maps = [torch.maximum(ground[:, 3:4], share), torch.maximum(ground[:, 4:5], crack), mark]
    return torch.cat([coded, *maps, ground[:, 6:7], weight, ground[:, 8:9]], 1)


# ------------------------------------------------------------------ the metal


def bent_metal(n: int, size: int, like: Tensor) -> Metal:
    """Ground, brushed, milled, blasted, rolled or polished metal, bent, with its weld, scale, rust and tempers, by lot."""
    y, x = torch.meshgrid(*[torch.arange(size, device=like.device, dtype=torch.float32) - size / 2] * 2, indexing="ij")
    turn = uniform(n, 0, 2 * math.pi, like)
    across = x * torch.cos(turn) + y * torch.sin(turn) + uniform(n, -0.5, 0.5, like) * size
    radius = uniform(n, 220, 2500, like, log=True)
    tilt = (across / radius).clamp(-0.85, 0.85)
    height = some(n, 0.85, like) * radius * (1 - tilt.square()).sqrt()
    height = height + uniform(n, 0.1, 2, like, log=True) * slow(n, size, like)
    lay = field(n, size, like, power=(0.2, 1.1), lay=True)
    lay = lay + some(n, 0.5, like) * 0.35 * lay * lay.abs()  # few deep ones among many shallow ones
    strength = (1 + 0.25 * slow(n, size, like)).clamp(min=0.2)
    height = height + some(n, 0.75, like) * uniform(n, 0.02, 0.4, like, log=True) * strength * lay / steepness(lay)
    grain = field(n, size, like, power=(0.0, 1.2))
    height = height + some(n, 0.4, like) * uniform(n, 0.02, 0.4, like, log=True) * grain / steepness(grain)
    peel = blur(torch.randn(n, 1, size, size, device=like.device), uniform(n, 1.5, 6, like).flatten(), reach=15)
    crown = torch.exp(-0.5 * (across / uniform(n, 0.3, 2, like) / size).square())
    height = height + some(n, 0.5, like) * uniform(n, 0.02, 0.3, like, log=True) * crown * peel / steepness(peel)
    tint = (1 + 0.04 * torch.randn(n, 3, 1, 1, device=like.device)).clamp(min=0.5)
    mottle = uniform(n, 0, 0.1, like) * slow(n, size, like) + uniform(n, 0, 0.12, like) * lay
    mottle = mottle + some(n, 0.3, like) * uniform(n, 0, 0.2, like) * field(n, size, like)
    body = Metal(
        height=height,
        tone=(uniform(n, 0.3, 0.7, like) * torch.exp(mottle) * tint).clamp(0.02, 0.95),
        metal=uniform(n, 0.4, 1.3, like).clamp(max=1).expand_as(height),
        rough=uniform(n, 0.2, 0.75, like) * (1 + 0.1 * slow(n, size, like)).clamp(0.5, 1.5),
    )
    _weld(body, across)
    _skins(body)
    return body


def _weld(body: Metal, across: Tensor) -> None:
    """A band of weld metal with a dark line along its edges, at times with ripples."""
    n, _, size, _ = across.shape
    along = torch.roll(across, 1, 0) if n > 1 else across  # of another piece: any direction
    inside = uniform(n, 0.08, 0.4, across) * size - (along + uniform(n, -0.4, 0.4, across) * size).abs()
    inside = inside + uniform(n, 0.5, 6, across) * slow(n, size, across) + uniform(n, 0, 1.5, across) * field(n, size, across)
    part = torch.sigmoid(inside / uniform(n, 0.7, 4, across))
    line = torch.exp(-0.5 * (inside / uniform(n, 1, 4, across)).square())
    there = some(n, 0.5, across)
    tone = 1 + there * (uniform(n, -0.25, 0.25, across) * part - some(n, 0.6, across) * uniform(n, 0, 0.5, across) * line)
    body.tone = body.tone * tone.clamp(0.25, 1.6)
    body.rough = body.rough * (1 + there * uniform(n, 0, 0.4, across) * part)


def _skins(body: Metal) -> None:
    """Mill scale in patches or all over, rust, tempers of oxide, oil: put over the bare metal."""
    n, _, size, _ = body.height.shape
    like = body.height
    blotch = 0.8 * slow(n, size, like) + field(n, size, like, power=(0.9, 1.8)) * uniform(n, 0.3, 1, like)
    cover = torch.sigmoid((blotch - uniform(n, -2.5, 1.5, like)) / uniform(n, 0.04, 0.3, like, log=True)) * some(n, 0.35, like)
    dull = torch.tensor(SCALE, device=like.device)[None, :, None, None] * uniform(n, 0.6, 2.5, like)
    dull = dull * torch.exp(uniform(n, 0, 0.3, like) * field(n, size, like))
    rise = body.height + some(n, 0.6, like) * uniform(n, 0.1, 1.5, like) * cover
    body.put(cover, rise, dull, uniform(n, 0.1, 1, like).expand_as(like), uniform(n, 0.35, 0.9, like).expand_as(like))
    blotch = slow(n, size, like) + uniform(n, 0.2, 1, like) * field(n, size, like, power=(0.6, 1.6))
    cover = torch.sigmoid((blotch - uniform(n, 0.3, 2, like)) / uniform(n, 0.1, 0.6, like)) * some(n, 0.2, like)
    rust = torch.tensor(RUST, device=like.device)[None, :, None, None] * torch.exp(0.3 * field(n, size, like))
    body.put(cover, body.height, rust, torch.zeros_like(cover), torch.full_like(cover, 0.8))
    film = (1 + 0.5 * slow(n, size, like)).abs() * uniform(n, 30, 120, like)
    for band, wave_nm in enumerate((610.0, 545.0, 465.0)):
        shown = 0.5 - 0.5 * torch.cos(4 * math.pi * 2.3 * film / wave_nm)
        body.tone[:, band : band + 1] *= 1 - uniform(n, 0, 0.6, like) * some(n, 0.2, like) * shown
    oil = torch.sigmoid((slow(n, size, like) - uniform(n, 0.3, 2, like)) / 0.2) * some(n, 0.1, like)
    body.put(0.7 * oil, body.height, body.tone * 0.5, body.metal * 0.7, torch.full_like(oil, 0.2))


# ------------------------------------------------------------------ the openings


def _opened(body: Metal, share: Tensor, cap: Tensor, formed: Tensor) -> None:
    """Pits with walls, floors and lips worked into the metal; what they hold is dull, glassy, or the metal's own."""
    n, _, size, _ = share.shape
    deep = torch.minimum(cap.sqrt() * uniform(n, 0.5, 3, share), uniform(n, 2, 30, share, log=True))
    deep = deep + uniform(n, 0.5, 5, share) * share
    floor = some(n, 0.6, share) * uniform(n, 0.05, 0.7, share, log=True)
    bumps = field(n, size, share, power=(0.6, 1.8))
    form = body.height - deep + floor * bumps / steepness(bumps)
    lot = torch.rand(n, 1, 1, 1, device=share.device)
    own = body.tone.mean((2, 3), keepdim=True)
    dark, pale = uniform(n, 0.01, 0.12, share, log=True), uniform(n, 0.1, 0.5, share)
    tone = torch.where(lot < 0.4, dark, torch.where(lot < 0.7, pale, own * uniform(n, 0.4, 1.1, share)))
    tone = tone * (1 + 0.08 * torch.randn(n, 3, 1, 1, device=share.device)).clamp(min=0.3)
    tone = tone * torch.exp(uniform(n, 0, 0.5, share) * field(n, size, share, power=(0.4, 1.5)))
    metal = ((lot > 0.7).float() * uniform(n, 0.3, 1, share)).expand_as(share)
    body.put(share * formed, form, tone.clamp(0.004, 0.9), metal, uniform(n, 0.25, 0.9, share).expand_as(share))
    rim = (blur(share, uniform(n, 0.8, 4, share).flatten(), reach=9) - share).clamp(0, 1)
    body.height = body.height + rim * some(n, 0.5, share) * uniform(n, -2, 6, share)


def hollow(light: Tensor, share: Tensor, cap: Tensor) -> Tensor:
    """Light (N, 3, S, S) within openings, from that of the metal round them: dark, filled, or torn and lit from one side."""
    n, _, size, _ = share.shape
    without = light * (1 - share)
    wide = nn.avg_pool2d(torch.cat([without, 1 - share], 1), 33, 1, 16)
    around = wide[:, :3] / wide[:, 3:].clamp(min=0.02)
    lot = torch.rand(n, 1, 1, 1, device=share.device)
    level = torch.where(
        lot < 0.5, uniform(n, 0.01, 0.3, share, log=True),
        torch.where(lot < 0.8, uniform(n, 0.12, 0.75, share, log=True), uniform(n, 0.3, 1.2, share, log=True)),
    )  # fmt: skip
    grain = torch.exp(uniform(n, 0.05, 0.5, share) * field(n, size, share, power=(0.2, 1.4)))
    foot = 1 - uniform(n, 0, 0.75, share) * torch.exp(-cap.sqrt() / uniform(n, 0.4, 3, share))  # beneath the edge, the darkest
    turn, soft = uniform(n, 0, 2 * math.pi, share), blur(share, uniform(n, 0.8, 3, share).flatten(), reach=9)
    dx, dy = (nn.pad(soft.diff(dim=d), pad) for d, pad in ((3, (0, 1, 0, 0)), (2, (0, 0, 0, 1))))
    facing = (dx * torch.cos(turn) + dy * torch.sin(turn)) / (torch.hypot(dx, dy) + 0.02)
    wall = 1 + some(n, 0.6, share) * uniform(n, 0, 1.5, share) * facing
    hue = (1 + some(n, 0.4, share) * 0.15 * torch.randn(n, 3, 1, 1, device=share.device)).clamp(0.4, 1.7)
    inner = grain * foot * wall.clamp(min=0.05)
    inner = torch.where(some(n, 0.25, share) > 0, torch.ones_like(inner), inner)  # deep and dark: nothing in it shows
    return around * (level * inner * hue)


def lips(share: Tensor) -> Tensor:
    """Gain (N, 1, S, S), from -1, of the metal beside openings: raised and smeared, bright to one side, dark to the other."""
    n = len(share)
    soft = blur(share, uniform(n, 0.8, 3.5, share).flatten(), reach=11)
    rim = (soft - share).clamp(min=0)
    rim = rim / rim.amax((2, 3), keepdim=True).clamp(min=0.05)
    dx, dy = (nn.pad(soft.diff(dim=d), pad) for d, pad in ((3, (0, 1, 0, 0)), (2, (0, 0, 0, 1))))
    turn = uniform(n, 0, 2 * math.pi, share)
    facing = (dx * torch.cos(turn) + dy * torch.sin(turn)) / (torch.hypot(dx, dy) + 0.01)
    gain = uniform(n, -0.6, 1.2, share) * facing + uniform(n, -0.2, 0.6, share)
    return (some(n, 0.55, share) * rim * gain).clamp(min=-0.8)
