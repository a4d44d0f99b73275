"""The networks: small U-Nets that work at half the picture's sampling and answer at full, in layers that OpenCV runs."""

from __future__ import annotations

import copy
import io

import numpy as np
import torch
from torch import nn

INPUTS = 4  # red, green, blue (sRGB-coded, see `specimeter.segment.network.prepared`) and the examined area


class Block(nn.Module):  # type: ignore[misc]  # mypy does not look into torch
    """3 x 3 convolution, normalisation and ReLU; added to its input where the shapes agree."""

    def __init__(self, inputs: int, outputs: int, stride: int = 1, size: int = 3) -> None:
        super().__init__()
        self.convolution = nn.Conv2d(inputs, outputs, size, stride, size // 2, bias=False)
        self.norm = nn.BatchNorm2d(outputs)
        self.adds = inputs == outputs and stride == 1

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        y = self.norm(self.convolution(x))
        return torch.relu(x + y if self.adds else y)


class Finder(nn.Module):  # type: ignore[misc]  # mypy does not look into torch
    """Input (N, 4, H, W) with H and W multiples of 32; output (N, 4 `outputs`, H/2, W/2).

    Output channel 4 k + 2 i + j is answer k at pixel (2 row + i, 2 column + j) of the input. `widths` are the channels at 1/2,
    1/4, 1/8, 1/16 and 1/32 of the input's sampling, `depths` the blocks that follow the first at each.
    """

    def __init__(self, outputs: int, widths: tuple[int, ...], depths: tuple[int, ...]) -> None:
        super().__init__()
        a, b, c, d, e = widths
        size = ((INPUTS, a), (a, b), (b, c), (c, d), (d, e))
        self.down1, self.down2, self.down3, self.down4, self.down5 = (
            nn.Sequential(Block(i, o, 2, 5 if i == INPUTS else 3), *(Block(o, o) for _ in range(more)))
            for (i, o), more in zip(size, depths, strict=True)
        )
        self.to4, self.to3, self.to2, self.to1 = (nn.Conv2d(i, o, 1) for i, o in ((e, d), (d, c), (c, b), (b, a)))
        self.up4, self.up3, self.up2, self.up1 = Block(d, d), Block(c, c), Block(b, b), Block(a, a)
        self.head = nn.Sequential(Block(a, a), nn.Conv2d(a, 4 * outputs, 1))
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
    """Log-odds (N, K, H, W) from the network's output (N, 4 K, H/2, W/2)."""
    return nn.functional.pixel_shuffle(output, 2)


def saying(model: Finder, answers: int) -> Finder:
    """A copy that gives the first answers alone."""
    shorter = copy.deepcopy(model)
    last = shorter.head[1]
    last.out_channels = 4 * answers
    last.weight, last.bias = (nn.Parameter(held[: 4 * answers].detach().clone()) for held in (last.weight, last.bias))
    return shorter


def folded(model: nn.Module) -> nn.Module:
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


def to_bytes(model: nn.Module) -> bytes:
    """All weights, in the order of the model's state, as arrays in NumPy's format one after the other."""
    stream = io.BytesIO()
    for tensor in model.state_dict().values():
        np.lib.format.write_array(stream, tensor.cpu().numpy(), allow_pickle=False)
    return stream.getvalue()


def from_bytes(model: nn.Module, data: bytes) -> None:
    """Put such weights into a model."""
    stream = io.BytesIO(data)
    for tensor in model.state_dict().values():
        tensor.copy_(torch.from_numpy(np.lib.format.read_array(stream, allow_pickle=False)))
