"""The networks that read a cut: a U-Net over six samplings, answering at full, its losses, and its file."""

from __future__ import annotations

import io

import torch
from torch import nn

from specimeter.segment.section_reading import KINDS, PLANES, TISSUES
from specimeter.training.network import Block, folded

# channels of each network at 1/2, 1/4, 1/8, 1/16 and 1/32 of the input's sampling
WIDTHS = {"far": (24, 40, 64, 88, 104), "near": (32, 56, 104, 144, 184)}
PLATE, HAZ, WELD = (TISSUES.index(name) for name in ("plate", "haz", "weld"))
UNSEEN = 0.05  # what a wrong tissue costs where no etching shows it


class Reader(nn.Module):  # type: ignore[misc]  # mypy does not look into torch
    """Of a `name` in WIDTHS. Input (N, 3, H, W), multiples of 32; output (N, 4 PLANES, H/2, W/2), as of `network.Finder`."""

    def __init__(self, name: str) -> None:
        super().__init__()
        a, b, c, d, e = WIDTHS[name]
        self.down1 = nn.Sequential(Block(3, a, 2, 5), Block(a, a))
        self.down2 = nn.Sequential(Block(a, b, 2), Block(b, b))
        self.down3 = nn.Sequential(Block(b, c, 2), Block(c, c))
        self.down4 = nn.Sequential(Block(c, d, 2), Block(d, d))
        self.down5 = nn.Sequential(Block(d, e, 2), Block(e, e), Block(e, e))
        self.to4, self.to3, self.to2, self.to1 = (nn.Conv2d(i, o, 1) for i, o in ((e, d), (d, c), (c, b), (b, a)))
        self.up4, self.up3, self.up2, self.up1 = Block(d, d), Block(c, c), Block(b, b), Block(a, a)
        self.head = nn.Sequential(Block(a, 32), nn.Conv2d(32, 4 * PLANES, 1))
        self.larger = nn.Upsample(scale_factor=2, mode="nearest")

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        one = self.down1(x)
        two = self.down2(one)
        three = self.down3(two)
        four = self.down4(three)
        y = self.larger(self.to4(self.down5(four)))
        y = self.larger(self.to3(self.up4(four + y)))
        y = self.larger(self.to2(self.up3(three + y)))
        y = self.larger(self.to1(self.up2(two + y)))
        return self.head(self.up1(one + y))


def to_onnx(model: Reader, size: int = 256) -> bytes:
    """The network as ONNX (opset 13), ready for OpenCV; any multiple of 32 may be fed."""
    stream = io.BytesIO()
    torch.onnx.export(
        folded(model), torch.zeros(1, 3, size, size), stream, opset_version=13, dynamo=False,
        input_names=["picture"], output_names=["log_odds"],
        dynamic_axes={"picture": {2: "height", 3: "width"}, "log_odds": {2: "height_half", 3: "width_half"}},
    )  # fmt: skip
    return stream.getvalue()


def loss_of(odds: torch.Tensor, truth: torch.Tensor) -> torch.Tensor:
    """Cross-entropies of tissue, of what is seen, of features, their shares and kinds, and Dice of metal and weld.

    `odds` (N, PLANES, H, W); `truth` (N, 5 + 1 + 1 + 1 + 4 + 1, H, W): shares of tissues, seen, feature, covered, kinds, known.
    Where no etching shows which tissue it is, only metal against the rest is asked.
    """
    count = len(TISSUES)
    tissue, seen, feature, covered, kinds, known = truth.split([count, 1, 1, 1, len(KINDS), 1], dim=1)
    chance = nn.functional.log_softmax(odds[:, :count], dim=1)
    each = -(tissue * chance).sum(1, keepdim=True)
    metal = tissue[:, PLATE : WELD + 1].sum(1, keepdim=True)
    merged = -(tissue[:, :1] * chance[:, :1] + tissue[:, count - 1 :] * chance[:, count - 1 :])
    merged = merged - metal * torch.logsumexp(chance[:, PLATE : WELD + 1], 1, keepdim=True)
    wide = nn.functional.avg_pool2d(tissue, 9, 1, 4)
    weight = known * (1 + 6 * (wide - tissue).abs().amax(1, keepdim=True) + 6 * tissue[:, count - 1 :])
    loss = (weight * (seen * each + (1 - seen) * (merged + UNSEEN * each))).sum() / weight.sum().clamp(min=1)
    shown = seen[:, 0]
    of_metal, of_weld = chance[:, 1:].exp().sum(1), chance[:, WELD].exp() * shown
    for plane, true in ((of_metal, tissue[:, 1:].sum(1)), (of_weld, tissue[:, WELD] * shown)):
        both = (plane * true * known[:, 0]).sum((1, 2))
        total = ((plane + true) * known[:, 0]).sum((1, 2))
        loss = loss + 0.3 * (1 - (2 * both + 30) / (total + 30)).mean()
    binary = nn.functional.binary_cross_entropy_with_logits
    inside = known * metal
    loss = loss + 0.3 * (inside * binary(odds[:, count : count + 1], seen, reduction="none")).sum() / inside.sum().clamp(min=1)
    called = odds[:, count + 1 : count + 2]
    off = 0.1 + (torch.sigmoid(called) - feature).abs().detach()
    loss = loss + 3 * (known * (1 + 7 * feature) * off * binary(called, feature, reduction="none")).mean()
    near = known * (1 + 7 * feature)
    loss = loss + 2 * (near * binary(odds[:, count + 2 : count + 3], covered, reduction="none")).mean()
    share = torch.sigmoid(called) * known
    held = (feature * known).sum((1, 2, 3))
    dice = 1 - (2 * (share * feature).sum((1, 2, 3)) + 10) / ((share + feature * known).sum((1, 2, 3)) + 10)
    loss = loss + 0.4 * (dice * (held > 4)).sum() / (held > 4).sum().clamp(min=1)
    named = kinds * feature
    loss = loss - 0.2 * (named * nn.functional.log_softmax(odds[:, count + 3 :], 1)).sum() / named.sum().clamp(min=1)
    return loss
