"""Weights of a network as it was shipped, put back into a model that can be trained on.

``python -m specimeter.training.restore bend specimeter/segment/learned.onnx weights.bin`` (or ``broken``, ``far``, ``near``)
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import onnx
import torch

from specimeter import files
from specimeter.segment.section_reading import FAR_MM, NEAR_MM
from specimeter.training import augment
from specimeter.training.composite import composite
from specimeter.training.fracture_composite import composite as broken_composite
from specimeter.training.network import Block, Finder, to_bytes
from specimeter.training.section_network import Reader
from specimeter.training.section_paint import painted
from specimeter.training.section_train import varied
from specimeter.training.train import TASKS, Task

PICTURES = 48  # composites by which the normalisation is set
FIRST_SEED = 170_000_000  # of these
COMPOSITES = {"bend": composite, "broken": broken_composite}
CELLS_MM = {"far": FAR_MM, "near": NEAR_MM}


def restored(model: Finder | Reader, shipped: onnx.ModelProto, pictures: torch.Tensor) -> Finder:
    """The model, made to answer as the shipped network does, its normalisation with the statistics of `pictures` (N, C, H, W).

    Layers, channels and outputs that the shipped network lacks are added so that they change nothing at first: what was there
    does not listen to what is new.
    """
    held = {part.name: torch.from_numpy(np.array(onnx.numpy_helper.to_array(part))) for part in shipped.graph.initializer}
    with torch.no_grad():
        for name, tensor in model.state_dict().items():
            if name in held:
                _embed(tensor, held[name], silent=name.startswith("head.1"))
        if "to4.weight" not in held:
            model.to4.weight.zero_()
            model.to4.bias.zero_()
        for name, block in model.named_modules():
            if isinstance(block, Block):
                bias = held.get(f"{name}.convolution.bias")
                block.register_forward_pre_hook(lambda own, inputs, bias=bias: _settle(own, inputs[0], bias))
        model.eval()(pictures)
    for block in model.modules():
        if isinstance(block, Block):
            block._forward_pre_hooks.clear()
    return model


def _embed(tensor: torch.Tensor, held: torch.Tensor, *, silent: bool) -> None:
    """Put `held` into the corner of a weight's or bias's `tensor`; `silent`: its further outputs say nothing at first."""
    old = tuple(slice(count) for count in held.shape)
    if silent:
        tensor.zero_()
    elif held.dim() > 1:
        tensor[: len(held)] = 0
    tensor[old] = held


def _settle(block: Block, x: torch.Tensor, bias: torch.Tensor | None) -> None:
    """Normalisation that takes the convolution's own statistics away and gives them back, with the bias that was folded in."""
    norm, y = block.norm, block.convolution(x)
    mean, var = y.mean((0, 2, 3)), y.var((0, 2, 3))
    norm.running_mean.copy_(mean)
    norm.running_var.copy_(var)
    if bias is not None:
        old = slice(len(bias))
        norm.weight[old] = (var + norm.eps).sqrt()[old]
        norm.bias[old] = bias + mean[old]
    elif block.adds:  # a new block begins by handing on what it is given
        norm.weight.zero_()


def pictures(family: str, task: Task) -> torch.Tensor:
    """Pieces of composites (N, 4, 256, 256), photographed as in training."""
    planes = torch.stack([torch.from_numpy(COMPOSITES[family](FIRST_SEED + k).planes) for k in range(PICTURES)]).float() / 255
    planes = augment.warp(planes, 256)
    rgb, area = augment.context(augment.photograph(planes[:, :3]), planes[:, task.area : task.area + 1])
    return augment.prepared(rgb, area)


def cuts(cell_mm: float) -> torch.Tensor:
    """Painted cuts (N, 3, 320, 320), photographed as in training."""
    samples = [painted(np.random.default_rng(FIRST_SEED + k), cell_mm) for k in range(PICTURES)]
    return varied(torch.from_numpy(np.stack(samples)))[0]


def main() -> None:
    """Read the network, write the weights."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("family", choices=[*TASKS, *CELLS_MM])
    parser.add_argument("network", type=Path)
    parser.add_argument("weights", type=Path)
    options = parser.parse_args()
    torch.manual_seed(0)
    shipped = onnx.load(str(options.network))
    if options.family in CELLS_MM:
        model = restored(Reader(options.family), shipped, cuts(CELLS_MM[options.family]))
    else:
        task = TASKS[options.family]
        model = restored(task.model(), shipped, pictures(options.family, task))
    files.write(options.weights, to_bytes(model))


if __name__ == "__main__":
    main()
