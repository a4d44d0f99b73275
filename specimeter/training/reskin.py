"""The same openings on another surface under other lamps, drawn on the accelerator: height, gloss, a mirrored room, pits.

A third way of drawing, which shares nothing with `specimeter.scene` and, beside the outlines, nothing with the composites:
every step of the training sees surfaces that no other step saw.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional as nn

from specimeter.training.augment import blur, slow, some, uniform

SHADOW_STEPS = 10
DEPTHS = 14  # pixels from a wall to which a pit deepens


def reskinned(planes: Tensor) -> Tensor:
    """Planes (N, 9, S, S), 0 to 1, with colours, marks and ground drawn anew; shares, cracks, area and weights stay."""
    n, _, size, _ = planes.shape
    share, area = planes[:, 3:4], planes[:, 6:7]
    height = surface(n, size, planes)
    albedo = torch.exp(uniform(n, math.log(0.08), math.log(0.7), planes) + uniform(n, 0, 0.12, planes) * field(n, size, planes))
    albedo = albedo * (1 + some(n, 0.4, planes) * 0.07 * torch.randn(n, 3, 1, 1, device=planes.device))
    rough = torch.exp(some(n, 0.4, planes) * uniform(n, 0.05, 0.5, planes) * field(n, size, planes))
    albedo, height, mark = marked(albedo, height, share)
    beyond = 1 - blur(area, torch.full((n,), 0.7, device=planes.device))
    other = torch.exp(uniform(n, -3.5, 0.0, planes) + uniform(n, 0, 0.3, planes) * field(n, size, planes))
    other = other * (1 + 0.2 * torch.randn(n, 3, 1, 1, device=planes.device)).clamp(min=0.1)
    depth = inward(share)
    deep = uniform(n, 1.5, 25, planes, log=True)
    pit = torch.minimum(depth * uniform(n, 0.4, 4, planes), deep) + share * uniform(n, 1, 12, planes)
    rim = (blur(share, uniform(n, 0.8, 4, planes).flatten(), reach=9) - share).clamp(0, 1)
    lip = rim * some(n, 0.5, planes) * uniform(n, -3, 10, planes)
    floor = share * some(n, 0.5, planes) * uniform(n, 0.1, 2, planes) * field(n, size, planes)
    sky = 1 - share * (1 - torch.exp(-pit / uniform(n, 1.5, 10, planes)).clamp(min=0.01))
    fill = some(n, 0.3, planes) * share  # slag, oxide, oil
    filled = uniform(n, 0.02, 0.35, planes, log=True) * torch.exp(uniform(n, 0, 0.5, planes) * field(n, size, planes))
    albedo = albedo * (1 - fill) + fill * filled * (1 + 0.12 * torch.randn(n, 3, 1, 1, device=planes.device))
    light = shaded(height - pit + lip + floor, albedo, sky, rough)
    light = light / light.mean(1, keepdim=True).flatten(1).median(1).values.clamp(min=1e-4)[:, None, None, None]
    flat = some(n, 0.3, planes)  # smooth and evenly dark: a deep hole under a wide light, from which nothing comes back
    hole = uniform(n, 0.004, 0.4, planes, log=True) * (1 + uniform(n, 0, 0.4, planes) * slow(n, size, planes))
    light = light * (1 - flat * share) + flat * share * hole.clamp(min=0.002)
    thrown = blur(light, uniform(n, 2, 5, planes).flatten(), reach=11)
    light = light + some(n, 0.5, planes) * uniform(n, 0.01, 0.1, planes) * thrown
    light = light * (1 - beyond) + other * beyond
    coded = (0.22 * torch.exp(0.3 * torch.randn(n, 1, 1, 1, device=planes.device)) * light).clamp(0, 1) ** (1 / 2.2)
    mark = mark * (share < 0.02)
    return torch.cat([coded, planes[:, 3:5], mark, planes[:, 6:8], torch.zeros_like(share)], 1)


def field(n: int, size: int, like: Tensor, *, power: tuple[float, float] = (0.3, 2.0), lay: bool = False) -> Tensor:
    """Noise (n, 1, size, size) of unit variance whose amplitude falls as frequency to some power; drawn out along a lay."""
    v, u = torch.meshgrid(
        torch.fft.fftfreq(size, device=like.device), torch.fft.rfftfreq(size, device=like.device), indexing="ij"
    )
    turn = uniform(n, 0, math.pi, like)[:, 0]
    stretch = uniform(n, 4, 80, like, log=True)[:, 0] if lay else 1.0
    along, across = u * torch.cos(turn) + v * torch.sin(turn), v * torch.cos(turn) - u * torch.sin(turn)
    radius = torch.sqrt((along * stretch) ** 2 + across**2) + 1.0 / size
    white = torch.randn(n, size, size // 2 + 1, 2, device=like.device)
    made = torch.fft.irfft2(torch.view_as_complex(white) * radius ** -uniform(n, *power, like)[:, 0], s=(size, size))
    made = made - made.mean((1, 2), keepdim=True)
    return (made / made.std((1, 2), keepdim=True).clamp(min=1e-6))[:, None]


def surface(n: int, size: int, like: Tensor) -> Tensor:
    """Heights in pixels: bent, wavy, with a lay, grainy, peeled; many of them nearly smooth."""
    y, x = torch.meshgrid(*[torch.linspace(-0.5, 0.5, size, device=like.device)] * 2, indexing="ij")
    turn = uniform(n, 0, math.pi, like)
    bend = -((x * torch.cos(turn) + y * torch.sin(turn) + uniform(n, -0.4, 0.4, like)) ** 2) * size
    height = some(n, 0.6, like) * uniform(n, 0.1, 0.8, like) * bend
    height = height + uniform(n, 0.02, 2, like, log=True) * field(n, size, like, power=(1.8, 3.0))
    height = height + some(n, 0.6, like) * uniform(n, 0.005, 0.4, like, log=True) * field(
        n, size, like, power=(0.2, 1.2), lay=True
    )
    height = height + some(n, 0.6, like) * uniform(n, 0.005, 0.6, like, log=True) * field(n, size, like, power=(0.0, 1.4))
    peel = blur(torch.randn(n, 1, size, size, device=like.device), uniform(n, 1, 4, like).flatten(), reach=9)
    peel = peel / peel.std((2, 3), keepdim=True)
    return height + some(n, 0.3, like) * uniform(n, 0.02, 0.6, like, log=True) * peel


def inward(share: Tensor) -> Tensor:
    """Pixels from the nearest wall, up to DEPTHS: how often a share survives being eaten from all sides."""
    depth, left = share.clone(), share
    for k in range(DEPTHS):
        left = -nn.max_pool2d(-left, 3 if k % 2 else (1, 3), 1, (1, 1) if k % 2 else (0, 1))
        left = left if k % 2 else -nn.max_pool2d(-left, (3, 1), 1, (1, 0))
        depth = depth + left
    return depth


def marked(albedo: Tensor, height: Tensor, share: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Scratches, stains, bands, dents and specks that are no openings; albedo, height, and where they lie (N, 1, S, S)."""
    n, size = len(share), share.shape[-1]
    y, x = torch.meshgrid(*[torch.linspace(-0.5, 0.5, size, device=share.device)] * 2, indexing="ij")
    mark = torch.zeros_like(share)
    for _ in range(3):  # straight or slightly bent lines of one width, shallow
        turn, off = uniform(n, 0, math.pi, share), uniform(n, -0.5, 0.5, share)
        along = x * torch.cos(turn) + y * torch.sin(turn)
        across = y * torch.cos(turn) - x * torch.sin(turn) - off + uniform(n, -0.3, 0.3, share) * along**2
        near = torch.exp(-0.5 * (across * size / uniform(n, 0.4, 2.0, share)) ** 2)
        near = near * (torch.sigmoid((uniform(n, 0.05, 0.7, share) - along.abs()) * size))
        near = near * some(n, 0.35, share)
        albedo = albedo * (1 + near * uniform(n, -0.45, 1.2, share))
        height = height - near * some(n, 0.5, share) * uniform(n, 0.05, 0.6, share)
        mark = torch.maximum(mark, (near > 0.4).float())
    soft = slow(n, size, share)
    edge = uniform(n, 0.03, 1.0, share, log=True)
    stain = torch.sigmoid((soft - uniform(n, 0.2, 1.5, share)) / edge) * some(n, 0.4, share)
    albedo = albedo * (
        1 - stain * uniform(n, -0.6, 1, share).minimum(0.3 + 1.5 * edge).clamp(max=0.75)
    )  # dark ones have soft borders
    mark = torch.maximum(mark, (stain > 0.5).float())
    speck = (torch.rand(n, 1, size, size, device=share.device) < 1.5e-4 * some(n, 0.3, share)).float()
    wide = uniform(n, 0.6, 1.6, share)
    speck = (blur(speck, wide.flatten()) * 2 * math.pi * wide**2).clamp(0, 1)
    albedo = albedo * (1 + speck * uniform(n, -0.6, 1.5, share))
    mark = torch.maximum(mark, (speck > 0.3).float())
    dent = blur((torch.rand(n, 1, size, size, device=share.device) < 1e-4).float(), uniform(n, 2, 5, share).flatten(), reach=11)
    height = height - some(n, 0.25, share) * uniform(n, 5, 80, share) * dent
    return albedo, height, mark


def shaded(height: Tensor, albedo: Tensor, sky: Tensor, rough: Tensor) -> Tensor:
    """Light (N, 3, S, S) that comes back: two lamps with wide or narrow shine and shadows, the sky, a mirrored room."""
    n = len(height)
    slope = nn.pad(height, (1, 1, 1, 1), mode="replicate")
    p, q = 0.5 * (slope[:, :, 1:-1, 2:] - slope[:, :, 1:-1, :-2]), 0.5 * (slope[:, :, 2:, 1:-1] - slope[:, :, :-2, 1:-1])
    normal = torch.cat([-p, -q, torch.ones_like(p)], 1)
    normal = normal / normal.norm(dim=1, keepdim=True)
    gloss = some(n, 0.75, height) * uniform(n, 0.1, 3, height, log=True)
    exponent = uniform(n, 3, 300, height, log=True)
    total = uniform(n, 0.1, 1.2, height) * albedo * (0.5 + 0.5 * normal[:, 2:]) * sky
    for _ in range(2):
        turn, rise = uniform(n, 0, 2 * math.pi, height), uniform(n, 0.25, 1.5, height)
        towards = torch.cat([torch.cos(turn) * torch.cos(rise), torch.sin(turn) * torch.cos(rise), torch.sin(rise)], 1)
        wide = uniform(n, 0, 0.8, height)  # of the lamp: light creeps round edges
        lit = (((normal * towards).sum(1, keepdim=True) + wide) / (1 + wide)).clamp(min=0)
        half = nn.normalize(towards + torch.tensor([0.0, 0, 1], device=height.device)[None, :, None, None], dim=1)
        shine = (normal * half).sum(1, keepdim=True).clamp(min=0) ** exponent * (exponent + 8) / 30
        shade = shadow(height, turn, torch.tan(rise), uniform(n, 0.3, 6, height, log=True))
        colour = 1 + 0.08 * torch.randn(n, 3, 1, 1, device=height.device)
        strength = uniform(n, 0.05, 1, height)
        total = total + strength * colour * shade * (lit * albedo * (0.3 + 0.7 * sky) + gloss * albedo * rough * shine * sky)
    cells = int(torch.randint(3, 14, (1,)))
    room = torch.exp(1.2 * torch.randn(n, 3, cells, cells, device=height.device).mean(1, keepdim=True) * 1.5)
    at = (normal[:, :2] * uniform(n, 1, 4, height)).permute(0, 2, 3, 1).clamp(-1, 1)
    seen = nn.grid_sample(room, at, mode="bilinear", padding_mode="reflection", align_corners=False)
    return total + some(n, 0.5, height) * uniform(n, 0.05, 0.8, height) * albedo * rough * seen * sky


def shadow(height: Tensor, turn: Tensor, slope: Tensor, soft: Tensor) -> Tensor:
    """Share of a lamp that each place sees, walked towards it."""
    n, _, size, _ = height.shape
    grid = nn.affine_grid(torch.eye(2, 3, device=height.device).expand(n, 2, 3), list(height.shape), align_corners=False)
    way = torch.cat([torch.cos(turn), torch.sin(turn)], 3) * 2 / size
    hidden = torch.zeros_like(height)
    for k in range(1, SHADOW_STEPS + 1):
        away = k * (1 + k / SHADOW_STEPS)
        there = nn.grid_sample(height, grid + way * away, mode="bilinear", padding_mode="border", align_corners=False)
        hidden = torch.maximum(hidden, there - height - away * slope)
    return 1 - (hidden / soft).clamp(0, 1)
