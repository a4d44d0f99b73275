"""The network: a small U-Net that works at half the picture's sampling and answers at full, in layers that OpenCV runs."""

from __future__ import annotations

import copy
import io

import numpy as np
import torch
from torch import nn

WIDTHS = (24, 48, 96, 112, 144)  # channels at 1/2, 1/4, 1/8, 1/16 and 1/32 of the input's sampling
INPUTS = 4  # red, green, blue (sRGB-coded, see `specimeter.segment.learned.prepared`) and the examined area
OUTPUTS = 5  # log-odds of: a feature, however thin; a crack; a mark that is none; the share of the pixel covered; no metal


class Block(nn.Module):
    """3 x 3 convolution, normalisation and ReLU; added to its input where the shapes agree."""

    def __init__(self, inputs: int, outputs: int, stride: int = 1, size: int = 3) -> None:
        super().__init__()
        self.convolution = nn.Conv2d(inputs, outputs, size, stride, size // 2, bias=False)
        self.norm = nn.BatchNorm2d(outputs)
        self.adds = inputs == outputs and stride == 1

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        y = self.norm(self.convolution(x))
        return torch.relu(x + y if self.adds else y)


class Finder(nn.Module):
    """Input (N, 4, H, W) with H and W multiples of 32; output (N, 20, H/2, W/2).

    Output channel 4 k + 2 i + j is the log-odds of class k at pixel (2 row + i, 2 column + j) of the input.
    """

    def __init__(self) -> None:
        super().__init__()
        a, b, c, d, e = WIDTHS
        self.down1 = nn.Sequential(Block(INPUTS, a, 2, 5), Block(a, a))
        self.down2 = nn.Sequential(Block(a, b, 2), Block(b, b))
        self.down3 = nn.Sequential(Block(b, c, 2), Block(c, c), Block(c, c))
        self.down4 = nn.Sequential(Block(c, d, 2), Block(d, d), Block(d, d), Block(d, d))
        self.to3, self.to2, self.to1 = nn.Conv2d(d, c, 1), nn.Conv2d(c, b, 1), nn.Conv2d(b, a, 1)
        self.up3, self.up2, self.up1 = Block(c, c), Block(b, b), Block(a, a)
        self.head = nn.Sequential(Block(a, a), nn.Conv2d(a, 4 * OUTPUTS, 1))
        self.down5 = nn.Sequential(Block(d, e, 2), Block(e, e), Block(e, e), Block(e, e), Block(e, e))
        self.to4, self.up4 = nn.Conv2d(e, d, 1), Block(d, d)
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


def unfold(output: torch.Tensor) -> torch.Tensor:
    """Log-odds (N, 5, H, W) from the network's output (N, 20, H/2, W/2)."""
    return nn.functional.pixel_shuffle(output, 2)


def folded(model: Finder) -> nn.Module:
    """A copy for use: normalisation folded into the convolutions."""
    ready = copy.deepcopy(model).eval().cpu().float()
    for block in [module for module in ready.modules() if isinstance(module, Block)]:
        block.convolution = torch.nn.utils.fusion.fuse_conv_bn_eval(block.convolution, block.norm)
        block.norm = nn.Identity()
    return ready


def to_onnx(model: Finder, size: int = 256) -> bytes:
    """The network as ONNX (opset 13), ready for OpenCV; the size is an example, any multiple of 32 may be fed."""
    stream = io.BytesIO()
    torch.onnx.export(
        folded(model), torch.zeros(1, INPUTS, size, size), stream, opset_version=13, dynamo=False,
        input_names=["picture"], output_names=["log_odds"],
        dynamic_axes={"picture": {2: "height", 3: "width"}, "log_odds": {2: "height_half", 3: "width_half"}},
    )  # fmt: skip
    return stream.getvalue()


def to_bytes(model: Finder) -> bytes:
    """All weights, in the order of the model's state, as arrays in NumPy's format one after the other."""
    stream = io.BytesIO()
    for tensor in model.state_dict().values():
        np.lib.format.write_array(stream, tensor.cpu().numpy(), allow_pickle=False)
    return stream.getvalue()


def from_bytes(model: Finder, data: bytes) -> None:
    """Put such weights into a model."""
    stream = io.BytesIO(data)
    for tensor in model.state_dict().values():
        tensor.copy_(torch.from_numpy(np.lib.format.read_array(stream, allow_pickle=False)))
