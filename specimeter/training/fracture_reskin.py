"""The same imperfections on another break under other lamps, drawn on the accelerator: see `reskin`."""

from __future__ import annotations

import math

import torch

from specimeter.segment.fracture_learned import FAMILIES
from specimeter.training.augment import blur, slow, some, uniform
from specimeter.training.fracture_sample import AREA
from specimeter.training.reskin import field, inward, shaded

Tensor = torch.Tensor
HUES = ((1.0, 1.0, 1.0), (1.0, 0.8, 0.55), (0.7, 0.8, 1.1), (0.9, 0.75, 0.8), (1.1, 0.7, 0.4))  # bare, and tempers of oxide


def reskinned(planes: Tensor) -> Tensor:
    """Planes (N, 10, S, S), 0 to 1, as `fracture_sample.CHANNELS`, with colours drawn anew; all else stays."""
    n, _, size, _ = planes.shape
    families = dict(zip(FAMILIES, planes[:, 3:AREA].split(1, 1), strict=True))
    height = broken(n, size, planes)
    calm = blur(height, uniform(n, 1.5, 5, planes).flatten(), reach=11)
    metal = torch.exp(uniform(n, math.log(0.1), math.log(0.6), planes) + uniform(n, 0, 0.25, planes) * field(n, size, planes))
    albedo = metal * (1 + 0.05 * torch.randn(n, 3, 1, 1, device=planes.device))
    rust = torch.sigmoid((slow(n, size, planes) - uniform(n, 0.3, 2, planes)) / 0.2) * some(n, 0.25, planes)
    albedo = albedo * (
        1 - rust * uniform(n, 0.1, 0.7, planes) * torch.tensor([0.5, 0.8, 1.0], device=planes.device)[:, None, None]
    )
    sky = torch.exp(-uniform(n, 0.1, 1.0, planes) * (calm - height).clamp(min=-0.3))

    def put(family: str, form: Tensor, tone: Tensor) -> None:
        nonlocal height, albedo
        share = families[family]
        height = height * (1 - share) + form * share
        albedo = albedo * (1 - share) + tone * share

    def fill(low: float, high: float) -> Tensor:
        hue = torch.tensor(HUES, device=planes.device)[torch.randint(len(HUES), (n,), device=planes.device)][:, :, None, None]
        mottle = torch.exp(uniform(n, 0, 0.35, planes) * field(n, size, planes))
        return uniform(n, low, high, planes, log=True) * hue * mottle

    for cavity in ("pore", "elongated-cavity"):
        depth = inward(families[cavity])
        widest = depth.amax((2, 3), keepdim=True).clamp(min=1)
        bowl = (1 - (1 - depth / widest) ** 2).clamp(min=0).sqrt() * widest * uniform(n, 0.3, 1.6, planes)
        put(cavity, calm - bowl + uniform(n, 0, 0.2, planes) * field(n, size, planes, power=(0.8, 1.8)), fill(0.03, 0.6))
        sky = sky * (1 - families[cavity] * uniform(n, 0, 0.9, planes) * (depth / widest))
    glass = uniform(n, 0.2, 2.5, planes) * field(n, size, planes, power=(0.8, 2.2))
    bed = torch.minimum(inward(families["slag"]), uniform(n, 0.5, 5, planes))
    put("slag", calm - bed + glass, fill(0.01, 0.3))
    lay = uniform(n, 0.003, 0.12, planes, log=True) * field(n, size, planes, lay=True)
    flat = blur(calm, torch.full((n,), 5.0, device=planes.device), reach=11) - some(n, 0.5, planes) * uniform(n, 0.3, 5, planes)
    own = torch.where(some(n, 0.3, planes) > 0, metal * uniform(n, 0.7, 1.3, planes), fill(0.03, 0.7))
    put("unfused", flat + lay, own)
    disc = families["fisheye"]
    core = torch.sigmoid((inward(disc) / inward(disc).amax((2, 3), keepdim=True).clamp(min=1) - 0.85) / 0.03)
    fine = calm + uniform(n, 0.05, 0.4, planes) * field(n, size, planes, power=(0.2, 0.9))
    put("fisheye", fine - 2 * core, metal * uniform(n, 1.0, 1.9, planes) * (1 - uniform(n, 0.5, 0.95, planes) * core))
    light = shaded(height, albedo, sky.clamp(0.02, 1.2), torch.ones_like(metal))
    light = light / light.mean(1, keepdim=True).flatten(1).median(1).values.clamp(min=1e-4)[:, None, None, None]
    beyond = 1 - blur(planes[:, AREA : AREA + 1], torch.full((n,), 0.7, device=planes.device))
    other = torch.exp(uniform(n, -3.0, 0.7, planes) + uniform(n, 0, 0.3, planes) * field(n, size, planes, lay=True))
    light = light * (1 - beyond) + other * (1 + 0.1 * torch.randn(n, 3, 1, 1, device=planes.device)) * beyond
    coded = (0.22 * torch.exp(0.3 * torch.randn(n, 1, 1, 1, device=planes.device)) * light).clamp(0, 1) ** (1 / 2.2)
    return torch.cat([coded, planes[:, 3:]], 1)


def broken(n: int, size: int, like: Tensor) -> Tensor:
    """Heights in pixels of a break: grains and dimples of some size, ridges, terraces, over slow waves."""
    height = uniform(n, 0.2, 5, like, log=True) * field(n, size, like, power=(1.4, 2.6))
    height = height + uniform(n, 0.1, 1.2, like, log=True) * field(n, size, like, power=(0.3, 1.4))
    grain = blur(torch.randn(n, 1, size, size, device=like.device), uniform(n, 0.8, 4, like).flatten(), reach=9)
    grain = grain / grain.std((2, 3), keepdim=True)
    dimpled = torch.where(some(n, 0.5, like) > 0, grain.abs(), grain)
    height = height + some(n, 0.6, like) * uniform(n, 0.1, 1.5, like, log=True) * dimpled
    ridges = field(n, size, like, power=(0.8, 2.0), lay=True)
    return height + some(n, 0.4, like) * uniform(n, 0.2, 3, like, log=True) * torch.where(
        some(n, 0.5, like) > 0, -ridges.abs(), ridges)  # fmt: skip
