"""Augmentation on the accelerator: geometry, light, lens, sensor, the phone's own processing, and how much context is seen."""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional as nn


def uniform(n: int, low: float, high: float, like: Tensor, log: bool = False) -> Tensor:
    """Random numbers (n, 1, 1, 1) from `low` to `high`, even or even in their logarithms, on the device of `like`."""
    u = torch.rand(n, 1, 1, 1, device=like.device)
    return torch.exp(math.log(low) + u * math.log(high / low)) if log else low + u * (high - low)


def some(n: int, share: float, like: Tensor) -> Tensor:
    """1 for a random share of the batch, else 0; shape (n, 1, 1, 1)."""
    return (torch.rand(n, 1, 1, 1, device=like.device) < share).float()


def warp(planes: Tensor, size: int) -> Tensor:
    """Pieces (N, C, size, size) of planes (N, C, S, S): turned, mirrored, scaled by 0.65 to 1.8, slightly sheared."""
    n, _, side, _ = planes.shape
    turn = torch.rand(n, device=planes.device) * 2 * math.pi
    zoom = torch.exp(torch.empty(n, device=planes.device).uniform_(math.log(0.65), math.log(1.8)))
    shear = torch.eye(2, device=planes.device) + 0.06 * torch.randn(n, 2, 2, device=planes.device)
    flip = torch.where(torch.rand(n, device=planes.device) < 0.5, -1.0, 1.0)
    cos, sin = torch.cos(turn), torch.sin(turn)
    spin = torch.stack([torch.stack([cos * flip, -sin], 1), torch.stack([sin * flip, cos], 1)], 1)
    matrix = spin @ shear * (size / side / zoom)[:, None, None]
    theta = torch.cat([matrix, torch.zeros(n, 2, 1, device=planes.device)], dim=2)
    grid = nn.affine_grid(theta, (n, 1, size, size), align_corners=False)
    return nn.grid_sample(planes, grid, mode="bilinear", padding_mode="reflection", align_corners=False)


def slow(n: int, size: int, like: Tensor, channels: int = 1) -> Tensor:
    """Slow random fields of about unit variance, with 1 to 8 bumps across."""
    cells = int(torch.randint(2, 9, (1,)))
    field = torch.randn(n, channels, cells, cells, device=like.device)
    return nn.interpolate(field, size=(size, size), mode="bicubic", align_corners=False)


def blur(x: Tensor, sigma: Tensor, reach: int = 5) -> Tensor:
    """Gaussian blur with a width (N,) of each picture's own, in pixels."""
    n, c, h, w = x.shape
    at = torch.arange(-reach, reach + 1, device=x.device, dtype=torch.float32)
    kernel = torch.exp(-0.5 * (at / sigma.reshape(-1, 1).clamp(min=0.05)) ** 2)
    kernel = (kernel / kernel.sum(1, keepdim=True)).repeat_interleave(c, 0)
    flat = nn.pad(x.reshape(1, n * c, h, w), (reach,) * 4, mode="reflect")
    flat = nn.conv2d(flat, kernel[:, None, None, :], groups=n * c)
    return nn.conv2d(flat, kernel[:, None, :, None], groups=n * c).reshape(n, c, h, w)


_LUMA = torch.tensor([[0.299, 0.587, 0.114], [-0.1687, -0.3313, 0.5], [0.5, -0.4187, -0.0813]])
_STEPS = torch.tensor(  # luminance table of ITU-T T.81 (1992), annex K.1
    [16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55, 14, 13, 16, 24, 40, 57, 69, 56, 14, 17, 22, 29, 51, 87, 80,
     62, 18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92, 49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98,
     112, 100, 103, 99], dtype=torch.float32).reshape(8, 8)  # fmt: skip


def jpeg(x: Tensor, quality: Tensor) -> Tensor:
    """Coding losses of JPEG at qualities (N, 1, 1, 1) from 1 to 100; x (N, 3, H, W) coded 0 to 1, at a random block phase."""
    n, _, h, w = x.shape
    k = torch.arange(8, device=x.device, dtype=torch.float32)
    cosine = torch.cos((2 * k[None] + 1) * k[:, None] * math.pi / 16) * 0.5
    cosine[0] /= math.sqrt(2)
    luma = _LUMA.to(x.device)
    shift = tuple(int(v) for v in torch.randint(0, 8, (2,)))
    y = torch.einsum("ij,njhw->nihw", luma, torch.roll(x, shift, (2, 3)) * 255 - 128)
    y = torch.cat([y[:, :1], nn.interpolate(nn.avg_pool2d(y[:, 1:], 2), scale_factor=2, mode="nearest")], 1)
    blocks = y.reshape(n, 3, h // 8, 8, w // 8, 8)
    freq = torch.einsum("ui,ncaibj,vj->ncaubv", cosine, blocks, cosine)
    share = torch.where(quality < 50, 50 / quality, 2 - quality / 50).clamp(min=0.02)[..., None, None]
    step = (_STEPS.to(x.device)[None, None, None, :, None, :] * share).clamp(min=1.0)
    freq = torch.round(freq / step) * step
    y = torch.einsum("ui,ncaubv,vj->ncaibj", cosine, freq, cosine).reshape(n, 3, h, w)
    back = torch.einsum("ij,njhw->nihw", torch.linalg.inv(luma), y)
    return torch.roll(((back + 128) / 255), (-shift[0], -shift[1]), (2, 3)).clamp(0, 1)


def out_of_focus(x: Tensor) -> Tensor:
    """Pictures sharp in one part and blurred in another, as a tilted or bent face is."""
    n, _, size, _ = x.shape
    field = torch.sigmoid(2 * slow(n, size, x))
    return x + field * (blur(x, uniform(n, 0.8, 3.0, x).flatten(), reach=7) - x)


def moved(x: Tensor) -> Tensor:
    """Pictures smeared by a hand's movement of up to five pixels, and colours a little apart, as at a lens's border."""
    away = torch.empty(2).uniform_(-2.5, 2.5)
    total = x
    for k in (-1.0, -0.5, 0.5, 1.0):
        total = total + _shifted(x, away * k)
    x = total / 5
    fringe = torch.empty(2).uniform_(-0.8, 0.8)
    return torch.cat([_shifted(x[:, :1], fringe), x[:, 1:2], _shifted(x[:, 2:], -fringe)], 1)


def _shifted(x: Tensor, away_px: Tensor) -> Tensor:
    theta = torch.eye(2, 3, device=x.device)
    theta[:, 2] = (2 * away_px / x.shape[-1]).to(x.device)
    grid = nn.affine_grid(theta.expand(len(x), 2, 3), list(x.shape), align_corners=False)
    return nn.grid_sample(x, grid, mode="bilinear", padding_mode="reflection", align_corners=False)


def lifted(x: Tensor, share: Tensor) -> Tensor:
    """Shadows raised and lights held back by the light around each place, as phones do."""
    grey = x.mean(1, keepdim=True)
    around = nn.interpolate(nn.avg_pool2d(grey, 32), size=x.shape[-2:], mode="bilinear", align_corners=False)
    return (x * ((around + 0.02) / (grey.mean((2, 3), keepdim=True) + 0.02)) ** -share).clamp(0, 1)


def denoised(x: Tensor, share: Tensor) -> Tensor:
    """Fine texture smoothed away and edges kept (guided by itself: He, Sun and Tang 2013), as phones do in poor light."""
    grey = x.mean(1, keepdim=True)
    mean = nn.avg_pool2d(grey, 5, 1, 2, count_include_pad=False)
    scatter = (nn.avg_pool2d(grey * grey, 5, 1, 2, count_include_pad=False) - mean * mean).clamp(min=0)
    floor = scatter.mean((2, 3), keepdim=True) * 0.5 + 1e-6
    keep = scatter / (scatter + floor)
    flat = nn.avg_pool2d(x, 5, 1, 2, count_include_pad=False)
    return x + share * (1 - keep) * (flat - x)


def photograph(rgb: Tensor, sharp: Tensor | None = None) -> Tensor:
    """Another photograph of what a coded picture (N, 3, S, S), 0 to 1, shows: other light, lens, sensor and processing.

    Those that are `sharp` (1 or 0, shape (N, 1, 1, 1)) are neither blurred nor smoothed, coded well, and at most taken coarser.
    """
    n, _, size, _ = rgb.shape
    sharp = torch.zeros(n, 1, 1, 1, device=rgb.device) if sharp is None else sharp
    x = rgb.clamp(0, 1) ** 2.2
    x = x * torch.exp(some(n, 0.6, x) * uniform(n, 0, 0.6, x) * slow(n, size, x))
    x = x * (1 + some(n, 0.3, x) * uniform(n, 0.02, 0.25, x) * blur(torch.randn(n, 1, size, size, device=x.device),
             uniform(n, 0.4, 4, x).flatten()) * uniform(n, 1, 4, x))  # fmt: skip
    dust = torch.rand(n, 1, size, size, device=x.device) < 2e-4
    x = x * (1 - some(n, 0.2, x) * 0.7 * blur(dust.float() * 4, uniform(n, 0.5, 0.9, x).flatten()).clamp(0, 1))
    x = x + some(n, 0.3, x) * uniform(n, 0.001, 0.06, x)  # veiling glare
    mix = torch.eye(3, device=x.device) + 0.08 * torch.randn(n, 3, 3, device=x.device)
    x = torch.einsum("nij,njhw->nihw", mix, x).clamp(min=0) * torch.exp(0.15 * torch.randn(n, 3, 1, 1, device=x.device))
    x = x * torch.exp(0.35 * torch.randn(n, 1, 1, 1, device=x.device) + some(n, 0.2, x) * uniform(n, 0.3, 1.4, x))
    soft = blur(x, (some(n, 0.6, x) * uniform(n, 0.3, 2.2, x)).flatten(), reach=7)
    if float(torch.rand(1)) < 0.3:
        soft = out_of_focus(soft)
    if float(torch.rand(1)) < 0.2:
        soft = moved(soft)
    x = torch.where(sharp > 0, x, soft)
    noise = (
        torch.randn_like(x) * (uniform(n, 1e-4, 4e-3, x, log=True) * x.clamp(0, 1) + uniform(n, 1e-7, 2e-5, x, log=True)).sqrt()
    )
    noise = torch.where(some(n, 0.5, x) > 0, blur(noise, uniform(n, 0.4, 0.9, x).flatten()) * 1.5, noise)
    x = (x + noise).clamp(0, 1)
    x = lifted(x, some(n, 0.25, x) * uniform(n, 0.1, 0.6, x))
    x = denoised(x, (1 - sharp) * some(n, 0.35, x) * uniform(n, 0.3, 1.0, x))
    x = x ** (1 / uniform(n, 1.7, 2.7, x))
    bend = some(n, 0.5, x) * uniform(n, -0.4, 0.7, x)
    x = x + bend * (x * x * (3 - 2 * x) - x)
    halo = x - blur(x, uniform(n, 0.6, 2.0, x).flatten())
    x = (x + some(n, 0.45, x) * uniform(n, 0.2, 1.6, x) * halo).clamp(0, 1)
    grey = x.mean(1, keepdim=True)
    x = (grey + torch.where(some(n, 0.15, x) > 0, torch.zeros(1, device=x.device), uniform(n, 0.4, 1.5, x)) * (x - grey)).clamp(
        0, 1
    )
    if float(torch.rand(1)) < 0.5:  # taken coarser or finer, and resampled
        side = int(size * float(torch.empty(1).uniform_(0.5, 1.5))) // 8 * 8
        mode = ("bilinear", "bicubic", "area")[int(torch.randint(3, (1,)))]
        x = torch.where(sharp > 0, x, _taken(x, side, mode))
    if float(torch.rand(1)) < 0.7:
        x = torch.where(sharp > 0, _taken(x, int(size * float(torch.empty(1).uniform_(0.5, 1.0))) // 8 * 8, "area"), x)
    coded = jpeg(x, uniform(n, 35, 97, x).maximum(80 * sharp))
    return torch.where(some(n, 0.65, x) > 0, coded, torch.round(x * 255) / 255)


def _taken(x: Tensor, side: int, mode: str) -> Tensor:
    """Pictures taken with `side` pixels across and brought back to their own sampling."""
    small = nn.interpolate(x, size=(side, side), mode=mode)
    return nn.interpolate(small, size=x.shape[-2:], mode="bilinear").clamp(0, 1)


def prepared(rgb: Tensor, area: Tensor) -> Tensor:
    """The network's input (N, 4, H, W) of a coded picture and the shares of the area, as `segment.network.prepared`."""
    n = len(rgb)
    grey = rgb.mean(1).reshape(n, -1)
    inside = area.reshape(n, -1) > 0.5
    held = torch.where(inside.any(1, keepdim=True), inside, torch.ones_like(inside))
    middle = torch.nanmedian(torch.where(held, grey, torch.nan), dim=1).values.clamp(min=0.02)
    return torch.cat([(rgb * (0.5 / middle[:, None, None, None])).clamp(0, 2) * 2 - 1, area * 2 - 1], 1)


def context(rgb: Tensor, area: Tensor) -> tuple[Tensor, Tensor]:
    """What of the surroundings is seen, and the area as it would be found: blanked at times, a little off, or not known."""
    n = len(rgb)
    reach = int(torch.randint(0, 4, (1,)))
    if reach:
        grown = nn.max_pool2d(area, 2 * reach + 1, 1, reach)
        eaten = -nn.max_pool2d(-area, 2 * reach + 1, 1, reach)
        lot = torch.rand(n, 1, 1, 1, device=rgb.device)
        area = torch.where(lot < 0.25, grown, torch.where(lot < 0.5, eaten, area))
    blank = torch.rand(n, 3, 1, 1, device=rgb.device) * some(n, 0.6, rgb)
    hidden = some(n, 0.3, rgb) * (area < 0.5)
    rgb = rgb * (1 - hidden) + blank * hidden
    unknown = some(n, 0.12, rgb)
    return rgb, (area > 0.5).float() * (1 - unknown) + unknown
