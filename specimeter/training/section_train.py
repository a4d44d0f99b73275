"""Training of the two networks that read cuts, on samples as they come, and what they reach on samples kept apart."""

from __future__ import annotations

import copy

import numpy as np
import torch
from torch.nn import functional

from specimeter.segment.section_reading import KINDS, TISSUES
from specimeter.training import augment, photographs
from specimeter.training.network import from_bytes
from specimeter.training.section_again import again
from specimeter.training.section_labels import LAMINATION
from specimeter.training.section_network import Reader, loss_of

PATCH = 320
EMA = 0.998
PAINTED = 0.5  # share of a batch's drawings that is painted, not rendered


class Stock:
    """Samples uint8 (7, side, side) on the accelerator, rendered, painted and photographed, that grow while one learns."""

    def __init__(self, device: str, share: float = photographs.SHARE, most: int = 20000) -> None:
        self.device, self.share, self.most = device, share, most
        self.kept: dict[str, list[torch.Tensor]] = {"scene": [], "painted": [], "photograph": []}

    def add(self, origin: str, sample: np.ndarray) -> None:
        if len(self.kept[origin]) < self.most:
            self.kept[origin].append(torch.from_numpy(sample).to(self.device))

    def ready(self) -> bool:
        return len(self.kept["painted"]) >= 8 and len(self.kept["scene"]) >= 2

    def batch(self, rng: np.random.Generator, count: int) -> torch.Tensor:
        chosen = []
        for _ in range(count):
            origin = "painted" if rng.random() < PAINTED else "scene"
            some = self.kept["photograph" if self.kept["photograph"] and rng.random() < self.share else origin]
            chosen.append(some[int(rng.integers(len(some)))])
        return torch.stack(chosen)


def spread_out(samples: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    """Pictures (N, 3, H, W) from 0 to 1 and truths (N, 13, H, W) as `loss_of` takes them."""
    tissue, kinds = samples[:, 3].long(), samples[:, 4].long()
    known = (tissue < len(TISSUES)).float()[:, None]
    tissue = functional.one_hot(tissue.clamp(max=len(TISSUES) - 1), len(TISSUES)).permute(0, 3, 1, 2).float() * known
    named = functional.one_hot(kinds, LAMINATION + 1).permute(0, 3, 1, 2).float()[:, 1 : len(KINDS) + 1]
    seen, share = samples[:, 5:6].float() / 255, samples[:, 6:7].float() / 255
    return samples[:, :3].float() / 255, torch.cat([tissue, seen, named.sum(1, keepdim=True), share, named, known], 1)


def varied(samples: torch.Tensor, size: int = PATCH) -> tuple[torch.Tensor, torch.Tensor]:
    """Another photograph of each sample, turned, scaled and cut, ready for the network, with its truth."""
    rgb, truth = spread_out(samples)
    moved = augment.warp(torch.cat([rgb, truth], 1), size)
    other, truth = again(moved[:, :3], moved[:, 3:].clamp(0, 1))
    return prepared(augment.photograph(other)), truth


def prepared(rgb: torch.Tensor) -> torch.Tensor:
    """The network's input, as of `section_reading.prepared`."""
    middle = rgb.mean(1).flatten(1).median(dim=1).values.clamp(min=0.02)
    return (rgb * (0.5 / middle[:, None, None, None])).clamp(0, 2) * 2 - 1


class Trainer:
    """One network in training: `step` at a share of the time from 0 to 1; `steady` is its running mean, which is kept."""

    def __init__(self, name: str, device: str, rate: float, weights: bytes | None = None) -> None:
        self.device, self.rate, self.count = device, rate, 0
        self.model = Reader(name).to(device, memory_format=torch.channels_last)
        if weights is not None:
            from_bytes(self.model, weights)
        self.steady = copy.deepcopy(self.model)
        self.optimiser = torch.optim.AdamW(self.model.parameters(), lr=rate, weight_decay=1e-2)
        self.sums: list[torch.Tensor] = []

    def step(self, samples: torch.Tensor, past: float) -> None:
        for group in self.optimiser.param_groups:
            group["lr"] = self.rate * min(1, self.count / 200) * (0.5 + 0.5 * np.cos(np.pi * min(past, 1))) + 1e-6
        self.model.train()
        picture, truth = varied(samples)
        with torch.autocast(self.device[:4], dtype=torch.bfloat16, enabled=self.device.startswith("cuda")):
            answer = self.model(picture.contiguous(memory_format=torch.channels_last))
        loss = loss_of(functional.pixel_shuffle(answer.float(), 2), truth)
        self.optimiser.zero_grad()
        loss.backward()
        for (
            weight
        ) in self.model.parameters():  # one sample gone wrong moves nothing; asking for it would wait for the accelerator
            weight.grad.nan_to_num_(0.0, 0.0, 0.0)
        torch.nn.utils.clip_grad_norm_(self.model.parameters(), 5.0)
        self.optimiser.step()
        self.count += 1
        keep = min(EMA, 1 - 1 / (self.count + 1))
        with torch.no_grad():
            states = zip(self.steady.state_dict().values(), self.model.state_dict().values(), strict=True)
            pairs = [pair for pair in states if pair[0].dtype.is_floating_point]
            torch._foreach_lerp_([mean for mean, _ in pairs], [now for _, now in pairs], 1 - keep)
        self.sums.append(loss.detach())

    def said(self) -> str:
        """Steps and mean loss since this was last asked."""
        mean, self.sums = float(torch.stack(self.sums).nanmean()) if self.sums else np.nan, []
        return f"{self.count} steps, loss {mean:.3f}"


@torch.no_grad()  # type: ignore[untyped-decorator]  # mypy does not look into torch
def answers(model: Reader, samples: list[np.ndarray], device: str) -> tuple[np.ndarray, np.ndarray]:
    """Log-odds (N, PLANES, H, W) and truths (N, 13, H, W) of samples as they are."""
    model.eval()
    found, truths = [], []
    for sample in samples:
        rgb, truth = spread_out(torch.from_numpy(sample)[None].to(device))
        answer = functional.pixel_shuffle(model(prepared(rgb)).float(), 2)
        found.append(answer[0].cpu().numpy().astype(np.float16))
        truths.append(truth[0].cpu().numpy().astype(np.float16))
    return np.stack(found), np.stack(truths)


def figures(odds: np.ndarray, truth: np.ndarray) -> dict:
    """Median overlaps of metal and of weld where it shows, shares of samples over 0.97 and 0.9, recall of features' cells."""
    count = len(TISSUES)
    metals: list[float] = []
    welds: list[float] = []
    zones: list[float] = []
    hits, falses, shown = [], [], []
    for one, true in zip(odds.astype(np.float32), truth.astype(np.float32), strict=True):
        known = true[-1] > 0.5
        label, own = true[:count].argmax(0), one[:count].argmax(0)
        metals.append(_overlap((own > 0) & known, (label > 0) & known))
        seen = known & (true[count] > 0.5)
        for name, into in (("weld", welds), ("haz", zones)):
            number = TISSUES.index(name)
            if ((label == number) & seen).sum() > 60:
                into.append(_overlap((own == number) & seen, (label == number) & seen))
        inside = known & (label > 0)
        if inside.any():
            shown.append(float(np.mean((one[count] > 0)[inside] == (true[count] > 0.5)[inside])))
        feature, called = true[count + 1] > 0.5, one[count + 1] > 0
        if feature.any():
            hits.append(float((called & feature).sum() / feature.sum()))
        falses.append(float((called & ~feature & inside).sum()))
    result = {
        "samples": len(metals),
        "metal": float(np.median(metals)),
        "metal_over_0.97": float(np.mean(np.array(metals) > 0.97)),
    }
    result |= {"metal_over_0.9": float(np.mean(np.array(metals) > 0.9)), "false_cells": float(np.mean(falses))}
    for name, values in (("weld", welds), ("haz", zones), ("features", hits), ("seen", shown)):
        if values:
            result[name] = round(float(np.median(values)), 4)
            result[f"{name}_low"] = round(float(np.percentile(values, 10)), 4)
    return {name: round(value, 4) for name, value in result.items()}


def _overlap(one: np.ndarray, other: np.ndarray) -> float:
    return float((one & other).sum() / max((one | other).sum(), 1))
