"""The network for broken faces: a U-Net on six samplings, that answers what covers each pixel and which family it is of."""

from __future__ import annotations

import io

import torch
from torch import nn

from specimeter.segment.fracture_learned import FAMILIES
from specimeter.training.network import INPUTS, Block, folded

WIDTHS = (24, 40, 64, 96, 112)  # channels at 1/2 to 1/32 of the input's sampling

OUTPUTS = 1 + len(FAMILIES)  # log-odds of the share that features cover; then, where one does, of each family


class BrokenFinder(nn.Module):
    """Input (N, 4, H, W) with H and W multiples of 32; output (N, 24, H/2, W/2), to be unfolded as `network.Finder`'s."""

    def __init__(self) -> None:
        super().__init__()
        a, b, c, d, e = WIDTHS
        self.down1 = nn.Sequential(Block(INPUTS, a, 2, 5), Block(a, a))
        self.down2 = nn.Sequential(Block(a, b, 2), Block(b, b))
        self.down3 = nn.Sequential(Block(b, c, 2), Block(c, c), Block(c, c))
        self.down4 = nn.Sequential(Block(c, d, 2), Block(d, d), Block(d, d))
        self.down5 = nn.Sequential(Block(d, e, 2), Block(e, e), Block(e, e), Block(e, e))
        self.to4, self.to3 = nn.Conv2d(e, d, 1), nn.Conv2d(d, c, 1)
        self.to2, self.to1 = nn.Conv2d(c, b, 1), nn.Conv2d(b, a, 1)
        self.up4, self.up3, self.up2, self.up1 = Block(d, d), Block(c, c), Block(b, b), Block(a, a)
        self.head = nn.Sequential(Block(a, a), nn.Conv2d(a, 4 * OUTPUTS, 1))
        self.larger = nn.Upsample(scale_factor=2, mode="nearest")

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        half = self.down1(x)
        quarter = self.down2(half)
        eighth = self.down3(quarter)
        sixteenth = self.down4(eighth)
        y = self.larger(self.to4(self.down5(sixteenth)))
        y = self.larger(self.to3(self.up4(sixteenth + y)))
        y = self.larger(self.to2(self.up3(eighth + y)))
        y = self.larger(self.to1(self.up2(quarter + y)))
        return self.head(self.up1(half + y))


def to_onnx(model: BrokenFinder, size: int = 256) -> bytes:
    """The network as ONNX (opset 13), ready for OpenCV; the size is an example, any multiple of 32 may be fed."""
    stream = io.BytesIO()
    torch.onnx.export(
        folded(model), torch.zeros(1, INPUTS, size, size), stream, opset_version=13, dynamo=False,
        input_names=["picture"], output_names=["log_odds"],
        dynamic_axes={"picture": {2: "height", 3: "width"}, "log_odds": {2: "height_half", 3: "width_half"}},
    )  # fmt: skip
    return stream.getvalue()
