"""What is wrong with a network's answers: the losses by which each family learns."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional as nn

from specimeter.training.fracture_sample import AREA, WEIGHT

OUTSIDE = 0.25  # how much errors count beyond a broken face: there nothing is a feature, if an area found too large takes it in
AS_TOLD, AT_LEAST = 1.5, 0.02  # how much other networks' answers count beside the truth; what a pixel of plain ground does
RARE = (0.8, 2.0, 1.2, 1.0, 1.6)  # how much families count, in the order of FAMILIES: what is seldom drawn, more


def truth_of(planes: Tensor) -> Tensor:
    """What the network is to say (N, 5, H, W): feature, crack, mark, share, no metal; of planes (N, 9, H, W), 0 to 1.

    A feature is where its share of the pixels is greatest, and the pixels beside: all of a large one and its border, and a line
    three pixels wide along a slit that covers no pixel by half.
    """
    share = planes[:, 3:4]
    ridge = (share > 0.12) & (share >= nn.max_pool2d(share, 3, 1, 1) - 0.02)
    feature = nn.max_pool2d(ridge.float(), 3, 1, 1)
    near = nn.max_pool2d(planes[:, 3:5], 3, 1, 1)
    return torch.cat([feature, near[:, 1:] / near[:, :1].clamp(min=0.02), planes[:, 5:6], share, planes[:, 8:9]], 1).clamp(0, 1)


def of_bends(log_odds: Tensor, planes: Tensor) -> Tensor:
    """Weighted cross-entropy and soft Dice for features; cross-entropy for crack (in features), marks, shares, ground.

    `log_odds` (N, 5, H, W), `planes` (N, 9, H, W) from 0 to 1; only the examined area counts, and of it what has a
    weight. The shares' errors count alike within and without a border, so that the border is where half the pixel is covered.
    """
    truth, area = truth_of(planes), ((planes[:, 6:7] > 0.5) & (planes[:, 7:8] > 0.03)).float()
    weight = planes[:, 7:8] * (255 / 16) * area
    total = weight.sum().clamp(min=1)
    wrong = nn.binary_cross_entropy_with_logits(log_odds, truth, reduction="none")
    chance = torch.sigmoid(log_odds[:, :1]) * area
    true = truth[:, :1] * area
    focus = 0.25 + (torch.sigmoid(log_odds[:, :1]) - truth[:, :1]).abs().detach()  # what is still wrong counts more
    feature = (wrong[:, :1] * weight * focus).sum() / total
    held = true.sum((1, 2, 3))
    dice = 1 - (2 * (chance * true).sum((1, 2, 3)) + 20) / ((chance + true).sum((1, 2, 3)) + 20)
    dice = (dice * (held > 4)).sum() / (held > 4).sum().clamp(min=1) + 0.1 * (chance.sum((1, 2, 3)) / 2000 * (held <= 4)).clamp(
        max=1
    ).mean()
    crack = (wrong[:, 1:2] * true * weight).sum() / (true * weight).sum().clamp(min=1)
    mark, foreign = ((wrong[:, k : k + 1] * area).sum() / area.sum().clamp(min=1) for k in (2, 4))
    share = (wrong[:, 3:4] * weight).sum() / total
    return 4 * feature + 0.6 * dice + 0.2 * crack + 0.3 * mark + 3 * share + 0.08 * foreign


def as_told(log_odds: Tensor, told: Tensor, area: Tensor) -> Tensor:
    """How far the answers are from those of other networks on the same pictures: cross-entropy less the least it can be.

    `log_odds` and `told` (N, K, H, W), `area` (N, 1, H, W) from 0 to 1. A pixel counts by how likely either holds a feature,
    so that the ground, which is nearly all, does not drown what is faint.
    """
    wanted = torch.sigmoid(told)
    apart = nn.binary_cross_entropy_with_logits(log_odds, wanted, reduction="none")
    apart = apart - nn.binary_cross_entropy_with_logits(told, wanted, reduction="none")
    likely = torch.maximum(wanted[:, :1], torch.sigmoid(log_odds[:, :1]).detach())
    counts = (AT_LEAST + likely) * (area > 0.5)
    return AS_TOLD * (apart * counts).sum() / counts.sum().clamp(min=1)


def of_breaks(log_odds: Tensor, planes: Tensor) -> Tensor:
    """Weighted cross-entropy and soft Dice for the share that features cover, cross-entropy for families where one does.

    `log_odds` (N, 6, H, W), `planes` (N, 10, H, W) from 0 to 1.
    """
    families = planes[:, 3:AREA]
    share = families.sum(1, keepdim=True).clamp(0, 1)
    area, weight = (planes[:, AREA : AREA + 1] > 0.5).float(), planes[:, WEIGHT:] * (255 / 16)
    counted = OUTSIDE + (1 - OUTSIDE) * area
    weight = weight * counted
    chance = torch.sigmoid(log_odds[:, :1])
    wrong = nn.binary_cross_entropy_with_logits(log_odds[:, :1], share, reduction="none")
    focus = 0.25 + (chance - share).abs().detach()  # what is still wrong counts more
    covered = (wrong * weight * focus).sum() / weight.sum().clamp(min=1)
    plain = (wrong * counted).sum() / counted.sum()  # unweighted: the border lies where half a pixel is covered
    true, said = (share * area).sum((1, 2, 3)), (chance * area).sum((1, 2, 3))
    both = (chance * share * area).sum((1, 2, 3))
    held = (true > 4).float()
    dice = ((1 - (2 * both + 20) / (true + said + 20)) * held).sum() / held.sum().clamp(min=1)
    dice = dice + 0.1 * (said / 2000 * (1 - held)).clamp(max=1).mean()
    near = nn.max_pool2d(families, 3, 1, 1)
    wanted = near / near.sum(1, keepdim=True).clamp(min=0.02) * torch.tensor(RARE, device=near.device)[None, :, None, None]
    told = -(wanted * torch.log_softmax(log_odds[:, 1:], 1)).sum(1, keepdim=True)
    within = weight * (share > 0.3)
    family = (told * within).sum() / within.sum().clamp(min=1)
    return 5 * covered + 2 * plain + 0.6 * dice + 0.6 * family
