"""A sample's cut etched, stained, opened and laid elsewhere once more, on the accelerator: one drawing, many photographs."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from specimeter.segment.section_reading import TISSUES
from specimeter.training.augment import blur, slow, some, uniform
from specimeter.training.section_openings import opened

SURROUNDINGS, PLATE, HAZ, WELD, GAP = range(len(TISSUES))
SEEN = len(TISSUES)  # plane of the truth that says whether the etching shows
PLAIN = 0.12  # difference of logarithmic tone between weld and plate from which an etching shows


def again(rgb: Tensor, truth: Tensor) -> tuple[Tensor, Tensor]:
    """Other pictures (N, 3, H, W) of the same cuts, with their truths (N, 13, H, W) as of `section_train.spread_out`.

    Weld metal, zone and plate take other tones, in part of the cut at times: what an etching shows that was not shown before is
    marked as seen. Where none showed, no zone was labelled, and none is drawn.
    """
    light = rgb.clamp(0, 1) ** 2.2
    metal = truth[:, PLATE : GAP + 1].sum(1, keepdim=True).clamp(0, 1)
    light = _elsewhere(light, metal)
    tone, truth = _etched(light, truth, metal)
    tone = tone + _ground(light, metal) + _stained(light, metal) + _rim(light, metal)
    light, truth = opened(light * torch.exp(tone.clamp(-3, 1.5)), truth)
    return light.clamp(0, 1) ** (1 / 2.2), truth


def _etched(light: Tensor, truth: Tensor, metal: Tensor) -> tuple[Tensor, Tensor]:
    n, _, size, _ = light.shape
    weld, zone, plate = truth[:, WELD : WELD + 1], truth[:, HAZ : HAZ + 1], truth[:, PLATE : PLATE + 1]
    strength = some(n, 0.5, light) * (1 + 0.25 * slow(n, size, light)).clamp(0.3, 2)
    y = torch.linspace(-1, 1, size, device=light.device)
    turn = 6.2832 * torch.rand(n, 1, 1, 1, device=light.device)
    ramp = y[None, None, :, None] * torch.sin(turn) + y[None, None, None, :] * torch.cos(turn)
    half = torch.sigmoid((ramp + uniform(n, -0.5, 0.5, light) + 0.1 * slow(n, size, light)) / uniform(n, 0.01, 0.15, light))
    strength = strength * torch.where(some(n, 0.35, light) > 0, half, torch.ones_like(half))
    fine = blur(torch.randn(n, 1, size, size, device=light.device), uniform(n, 0.5, 3.0, light).flatten())
    fine = fine / fine.flatten(1).std(1)[:, None, None, None].clamp(min=1e-6)
    apart = torch.where(some(n, 0.65, light) > 0, -1.0, 1.0) * uniform(n, 0.03, 0.5, light, log=True)
    ends = uniform(n, -0.3, 0.2, light)
    colour = 1 + 0.12 * torch.randn(n, 3, 1, 1, device=light.device)
    tone = apart * weld + ends * zone + uniform(n, -0.2, 0.1, light) * plate + uniform(n, 0, 0.2, light) * fine * weld
    edge = functional.max_pool2d(weld, 3, 1, 1) + functional.max_pool2d(-weld, 3, 1, 1)
    tone = tone - some(n, 0.4, light) * uniform(n, 0.0, 0.5, light) * edge * (plate + weld + zone)
    shows = ((strength * apart.abs()) > PLAIN).float() * metal
    seen = torch.maximum(truth[:, SEEN : SEEN + 1], shows)
    return strength * tone * colour, torch.cat([truth[:, :SEEN], seen, truth[:, SEEN + 1 :]], 1)


def _ground(light: Tensor, metal: Tensor) -> Tensor:
    """Marks of grinding, brushing or sawing: noise drawn out along one way for the whole batch."""
    n, _, size, _ = light.shape
    short = max(int(torch.randint(4, 40, (1,))), 4)
    rough = torch.randn(n, 1, size, max(size // short, 2), device=light.device)
    lines = functional.interpolate(rough, size=(size, size), mode="bilinear", align_corners=False)
    lines = lines if float(torch.rand(1)) < 0.5 else lines.transpose(2, 3)
    return some(n, 0.4, light) * uniform(n, 0.02, 0.16, light) * lines * metal


def _stained(light: Tensor, metal: Tensor) -> Tensor:
    n, _, size, _ = light.shape
    spots = torch.sigmoid((slow(n, size, light) - uniform(n, 0.3, 1.5, light)) / uniform(n, 0.03, 0.4, light))
    colour = 1 + 0.3 * torch.randn(n, 3, 1, 1, device=light.device)
    return -some(n, 0.25, light) * uniform(n, 0.05, 0.7, light) * spots * metal * colour


def _rim(light: Tensor, metal: Tensor) -> Tensor:
    """A line round the metal, in it or beside it: a bright broken edge, resin that has drawn back, a shadow."""
    n = len(light)
    wide = 2 * int(torch.randint(1, 4, (1,))) + 1
    outer = functional.max_pool2d(metal, wide, 1, wide // 2) - metal
    inner = metal + functional.max_pool2d(-metal, wide, 1, wide // 2)
    ring = torch.where(some(n, 0.5, light) > 0, outer, inner)
    return some(n, 0.3, light) * uniform(n, -1.5, 0.8, light) * ring


def _elsewhere(light: Tensor, metal: Tensor) -> Tensor:
    """Some cuts laid where another lies in the batch, or on an even ground; of what lay there only the silhouette is left."""
    n = len(light)
    other, there = light.roll(1, 0), metal.roll(1, 0)
    empty = (1 - there).flatten(2)
    mean = (other.flatten(2) * empty).sum(2) / empty.sum(2).clamp(min=1)
    ground = other * (1 - there) + mean[:, :, None, None] * there * uniform(n, 0.6, 1.4, light)
    flat = torch.exp(uniform(n, -4.0, 0.1, light)) * torch.exp(0.25 * torch.randn(n, 3, 1, 1, device=light.device))
    ground = torch.where(some(n, 0.3, light) > 0, flat.expand_as(light), ground * torch.exp(uniform(n, -1.2, 0.8, light)))
    laid = ground * (1 - metal) + light * metal
    return torch.where(some(n, 0.35, light) > 0, laid, light)
