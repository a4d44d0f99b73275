"""Teach the second look at a broken face: `python -m specimeter.training.face_close OUT` draws, trains meanwhile, writes ONNX.

Input is a photograph's part round a rough place, laid straight at 0.1 mm a cell (`specimeter.segment.face_close`); output the
log-odds that a cell belongs to the face, and to the bar's whole broken end. Even seeds are scenes of the groups that training
may see, odd ones composites; every sixteenth is kept for checking, its scene from the groups held out. With `--photographs`
every third example is one of those given, where its whole broken end is in view.
"""

from __future__ import annotations

import argparse
import copy
import functools
import itertools
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from specimeter import files
from specimeter.colour import to_linear
from specimeter.scene import fracture, fracture_truth
from specimeter.scene import truth as truths
from specimeter.scene.describe import broken_end
from specimeter.scene.random import BROKEN_TESTS, random_scene
from specimeter.scene.render import render
from specimeter.segment.face_close import CELL_MM, OUTPUTS, REACH_MM, SPREAD
from specimeter.training import photographs
from specimeter.training.face import given_or
from specimeter.training.face_composite import composite
from specimeter.training.fracture_sample import HELD_OUT, TRAINED_ON, VARIED, broken_otherwise
from specimeter.training.stream import Stream

if TYPE_CHECKING:  # torch is loaded where it is used
    from torch import Tensor

    from specimeter.training.network import Finder

FIRST_SEED = 1_400_000
CHECK_EVERY = 16
SPARE_MM = 11.0  # kept round the true face, its ends wherever they are
PATCH = 320  # cells
WIDTHS, DEPTHS = (24, 40, 64, 96, 112), (1, 1, 2, 2, 3)
BATCH = 64
EMA = 0.998


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Example:
    """A true face laid straight: uint8 (5, rows, columns) of sRGB red, green, blue, and the face's and the end's share; half
    the face's size along and across in cells (its middle is the picture's), and the cell in mm."""

    planes: np.ndarray
    half: np.ndarray
    cell_mm: float


def example(seed: int) -> Example | None:
    """One scene or composite (odd seeds); None where it could not be drawn."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([seed, 7])
    number = seed - FIRST_SEED
    if number % 2:
        one = composite(seed, near=bool(rng.random() < 0.75))
        return laid(one.rgb, one.face_px, one.body_px, one.mm_per_px)
    test = BROKEN_TESTS[number // 2 % len(BROKEN_TESTS)]
    groups = HELD_OUT if number // 2 % (CHECK_EVERY // 2) == 0 else TRAINED_ON
    width_px = int(rng.choice([1000, 1400, 1800]))
    try:
        scene = random_scene(seed, width_px=width_px, test=test, clean=rng.random() < 0.2, **groups)
        if rng.random() < VARIED:
            scene = broken_otherwise(rng, scene)
        picture = render(scene)
    except (ValueError, FloatingPointError) as error:
        print(f"scene {seed} left out: {error}", flush=True)
        return None
    rgb = photographs.decoded(picture)
    end = fracture_truth.on_relief_px(scene, fracture.relief_of(scene), truths.dense(broken_end(scene)[0].body_mm, step_mm=0.2))
    return laid(rgb, np.array(picture.truth["area_outline_px"]), end, picture.truth["mm_per_px"])


def of_photograph(rgb: np.ndarray, truth: dict, _rng: np.random.Generator) -> Example | None:
    """A given photograph's; None where its broken end is not wholly in view."""
    end = np.array(truth["end_outline_px"])
    if end.min() < 0 or (end > np.array(rgb.shape[1::-1]) - 1).any():
        return None
    return laid(rgb, np.array(truth["area_outline_px"]), end, truth["mm_per_px"])


def laid(rgb: np.ndarray, face_px: np.ndarray, end_px: np.ndarray, mm_per_px: float) -> Example:
    """A photograph's face laid straight, its longer side along the columns."""
    (x, y), (wide, high), turn = cv2.minAreaRect(np.asarray(face_px, np.float32).reshape(-1, 1, 2))
    if high > wide:
        wide, high, turn = high, wide, turn + 90
    cos, sin = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    cell_px = max(CELL_MM / mm_per_px, 1.0)
    reach = np.abs((np.asarray(end_px) - [x, y]) @ np.array([[cos, -sin], [sin, cos]])).max(axis=0)
    reach = np.maximum(reach + 3.0 / mm_per_px, np.array([wide, high]) / 2 + SPARE_MM / mm_per_px)
    count = np.maximum((2 * reach / cell_px).astype(int), PATCH)
    unit = np.array([[cos, sin], [-sin, cos]]) * cell_px
    origin = np.array([x, y]) - (count - 1) / 2 @ unit
    linear: np.ndarray = np.asarray(to_linear(rgb.astype(np.float32) / 255), np.float32)
    if cell_px > 1.5:
        linear = cv2.GaussianBlur(linear, (0, 0), 0.4 * cell_px)
    flat = cv2.warpAffine(
        linear, np.column_stack([unit[0], unit[1], origin]), (int(count[0]), int(count[1])),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    coded = np.clip(255 * np.clip(flat, 0, 1) ** (1 / 2.2) + 0.5, 0, 255).astype(np.uint8)
    planes = np.zeros((5, count[1], count[0]), np.uint8)
    planes[:3] = np.asarray(coded).transpose(2, 0, 1)
    for plane, outline in ((planes[3], face_px), (planes[4], end_px)):
        own = (np.asarray(outline) - origin) @ unit.T / cell_px**2
        grown = np.zeros((4 * count[1], 4 * count[0]), np.uint8)
        cv2.fillPoly(grown, [np.round(((own + 0.5) * 4 - 0.5) * 16).astype(np.int32).reshape(-1, 1, 2)], 255, shift=4)
        plane[:] = cv2.resize(grown, (int(count[0]), int(count[1])), interpolation=cv2.INTER_AREA)
    return Example(planes=planes, half=np.array([wide, high]) / 2 / cell_px, cell_mm=cell_px * mm_per_px)


def model() -> Finder:
    """An untrained network: at half the sampling inside, at full without."""
    from specimeter.training.network import Finder

    return Finder(len(OUTPUTS), WIDTHS, DEPTHS)


Held = tuple["Tensor", np.ndarray, float, np.ndarray, float, list[float]]  # planes, half, cell, border, level, colours


class Shelf:
    """Examples on the training device, with where their faces' borders run and what level their light has."""

    def __init__(self, device: str) -> None:
        self.device = device
        self.kept: list[Held] = []
        self.check: dict[str, list[Held]] = {"scenes of groups held out": [], "composites": []}

    def take(self, seed: int, one: Example) -> None:
        """One more, for training or for the check."""
        import torch

        number = seed - FIRST_SEED
        planes = torch.from_numpy(one.planes).to(self.device)
        face = one.planes[3]
        border = np.argwhere((face > 20) & (face < 235))[:, ::-1]
        linear = (one.planes[:3, face > 128].astype(np.float32) / 255) ** 2.2
        if not len(border) or not linear.size:
            return
        level = float(np.median(linear.mean(axis=0)))
        dark = 0.01 * level + 2e-4
        logs = np.log(linear + dark)
        colours = [float(np.median(logs[k] - logs[1])) for k in (0, 2)]
        held = (planes, one.half, one.cell_mm, border[:: max(1, len(border) // 500)], level, colours)
        if number // 2 % (CHECK_EVERY // 2) == 0:
            self.check["composites" if number % 2 else "scenes of groups held out"].append(held)
        else:
            self.kept.append(held)


def batch(kept: list, rng: np.random.Generator, count: int, size: int = PATCH) -> tuple[Tensor, Tensor]:
    """Pieces as the network sees them (N, 4, size, size) and the shares (N, 2, size, size), turned, shifted, relit.

    The rough place is off from the true one as it commonly is.
    """
    import torch
    from torch.nn import functional

    pictures, truths_ = [], []
    for _ in range(count):
        planes, half, cell_mm, border, level, colours = kept[int(rng.integers(len(kept)))]
        device = planes.device
        rows, columns = planes.shape[1:]
        middle = np.array([columns - 1, rows - 1]) / 2
        at = middle + rng.normal(0, 0.5, 2) * half
        if rng.random() < 0.8:
            at = border[rng.integers(len(border))] + rng.normal(0, 25, 2)
        turn = rng.normal(0, 0.03) if rng.random() < 0.85 else rng.normal(0, 0.12)
        zoom = float(np.exp(rng.normal(0, 0.08)))
        spin = zoom * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        spin = spin @ np.diag(rng.choice([-1.0, 1.0], 2))
        # normalised coordinates of functional.grid_sample, align_corners: -1 and 1 are the middles of the outermost cells
        scale = np.array([columns - 1, rows - 1]) / 2
        theta = np.column_stack([spin * (size - 1) / 2 / scale[:, None], (at - middle) / scale])
        grid = functional.affine_grid(
            torch.tensor(theta[None], dtype=torch.float32, device=device), [1, 1, size, size], align_corners=True
        )
        piece = functional.grid_sample(planes[None].float() / 255, grid, padding_mode="border", align_corners=True)[0]
        own_mm = cell_mm * zoom
        centre = np.linalg.inv(spin) @ (middle - at) + (size - 1) / 2
        box = np.repeat(centre, 2) + np.array([-1, 1, -1, 1]) * np.repeat(half, 2) / zoom  # left, right, top, bottom
        box += _moved(rng, half, cell_mm) / own_mm
        x = torch.arange(size, dtype=torch.float32, device=device)
        place = (
            torch.minimum(torch.minimum(x - box[0], box[1] - x)[None], torch.minimum(x - box[2], box[3] - x)[:, None])
            .mul(own_mm / REACH_MM)
            .clamp(-1, 1)
        )
        linear = piece[:3] ** 2.2
        dark = 0.01 * level + 2e-4
        logs = torch.log(linear + dark)
        light = (torch.log(linear.mean(0) + dark) - np.log(level + dark)) / SPREAD[0]
        red, blue = ((logs[k] - logs[1] - c) / s for k, c, s in zip((0, 2), colours, SPREAD[1:], strict=True))
        pictures.append(torch.stack([light, red, blue, place]))
        truths_.append(piece[3:])
    picture, shares = torch.stack(pictures), torch.stack(truths_)
    return _relit(picture, rng).clamp(-4, 4), shares


def _moved(rng: np.random.Generator, half: np.ndarray, cell_mm: float) -> np.ndarray:
    """How far the rough place's left, right, top and bottom sides are off, mm: mostly little, at times a lip's width."""
    size = np.repeat(half, 2) * cell_mm
    little = rng.normal(0, 0.4, 4)
    much = rng.uniform(-0.5, 0.35, 4) * np.minimum(size, 6.0)
    out = np.where(rng.random(4) < 0.25, much, little)
    return out * [-1, 1, -1, 1]


def _relit(picture: Tensor, rng: np.random.Generator) -> Tensor:
    """Other light: levels, contrast, colours, falling off over the piece, noise, at times a little blur."""
    import torch
    from torch.nn import functional

    count, _, rows, columns = picture.shape
    device = picture.device

    def each(spread: float, channels: int = 1) -> Tensor:
        return torch.tensor(rng.normal(0, spread, (count, channels, 1, 1)), dtype=torch.float32, device=device)

    slow = torch.tensor(rng.normal(0, 1, (count, 1, 3, 3)), dtype=torch.float32, device=device)
    slow = functional.interpolate(slow, (rows, columns), mode="bilinear", align_corners=True)
    light = picture[:, :1] * torch.exp(each(0.15)) + each(0.25) + slow * each(0.2)
    colour = picture[:, 1:3] * torch.exp(each(0.4)) + each(0.3, 2)
    grey = torch.tensor(rng.random((count, 1, 1, 1)) < 0.15, device=device)
    colour = torch.where(grey, torch.zeros_like(colour), colour)
    shown = torch.cat([light, colour], 1)
    soft = functional.avg_pool2d(functional.pad(shown, (1, 1, 1, 1), mode="replicate"), 3, 1)
    share = rng.random((count, 1, 1, 1)) * (rng.random((count, 1, 1, 1)) < 0.4)
    blurred = torch.tensor(share, dtype=torch.float32, device=device)
    shown = shown + (soft - shown) * blurred
    shown = shown + torch.randn_like(shown) * torch.abs(each(0.06))
    return torch.cat([shown, picture[:, 3:]], 1)


def loss_of(odds: Tensor, shares: Tensor) -> Tensor:
    """Weighted cross-entropy of the shares, borders and faces weighed more, and soft Dice."""
    import torch
    from torch.nn import functional

    near = functional.avg_pool2d(functional.pad(shares, (8, 8, 8, 8), mode="replicate"), 17, 1)
    weight = 0.5 + 3.0 * 4 * near * (1 - near)
    each = torch.tensor([1.0, 0.5], device=odds.device)[None, :, None, None]
    crossed = functional.binary_cross_entropy_with_logits(odds, shares, reduction="none")
    loss = (crossed * weight * each).sum() / (weight * each).sum()
    found = torch.sigmoid(odds)
    both = (found * shares).sum((2, 3))
    dice = 1 - (2 * both + 50) / (found.sum((2, 3)) + shares.sum((2, 3)) + 50)
    return loss + 0.3 * (dice * each[:, :, 0, 0]).mean()


def train(shelf: Shelf, options: argparse.Namespace, device: str) -> Finder:
    """The trained network, its weights averaged over the last steps, and how it did."""
    import torch

    from specimeter.training.network import from_bytes, unfold

    rng = np.random.default_rng(options.seed)
    torch.manual_seed(options.seed)
    own = model().to(device)
    if options.resume:
        from_bytes(own, options.resume.read_bytes())
    steady = copy.deepcopy(own)
    steps_of = torch.optim.AdamW(own.parameters(), lr=options.rate, weight_decay=1e-2)
    while len(shelf.kept) < options.begin and time.time() < options.ends:
        time.sleep(0.5)
    begun, step = time.time(), 0
    print(f"begin with {len(shelf.kept)} examples", flush=True)
    while (past := (time.time() - begun) / max(options.ends - begun, 1e-6)) < 1:
        for group in steps_of.param_groups:
            group["lr"] = options.rate * min(1, (step + 1) / 100) * (0.5 + 0.5 * np.cos(np.pi * past)) + 1e-6
        with torch.no_grad():
            picture, shares = batch(shelf.kept, rng, options.batch)
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            answer = own(picture)
        loss = loss_of(unfold(answer.float()), shares)
        steps_of.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(own.parameters(), 1.0)
        steps_of.step()
        step += 1
        keep = min(EMA, step / (step + 20))
        with torch.no_grad():
            for one, other in zip(steady.state_dict().values(), own.state_dict().values(), strict=True):
                one.lerp_(other, 1 - keep) if one.dtype.is_floating_point else one.copy_(other)
        if step % options.every == 0:
            print(f"{time.time() - begun:4.0f} s, step {step}, loss {float(loss):.4f}, {len(shelf.kept)} examples", flush=True)
    print(f"{step} steps in {time.time() - begun:.0f} s on {len(shelf.kept)} examples", flush=True)
    steady.eval()
    for name, kept in shelf.check.items():
        if kept:
            print(f"check, {name}: {checked(steady, kept)}", flush=True)
    return steady


def checked(own: Finder, kept: list) -> str:
    """Overlaps of the face on pieces round the border, in words."""
    import torch

    from specimeter.training.network import unfold

    rng, overlaps = np.random.default_rng(1), []
    with torch.no_grad():
        for _ in range(max(1, min(len(kept), 160) // 8)):
            picture, shares = batch(kept, rng, 8)
            odds = unfold(own(picture).float())
            found, true = odds[:, 0] > 0, shares[:, 0] > 0.5
            overlaps += (((found & true).sum((1, 2)) + 1) / ((found | true).sum((1, 2)) + 1)).tolist()
    over = np.mean(np.array(overlaps) > 0.9)
    return f"median overlap {np.median(overlaps):.4f}, over 0.9 in {over:.3f} of {len(overlaps)} pieces"


def main() -> None:
    """Command line."""
    import torch

    from specimeter.training.network import to_bytes, to_onnx

    parser = argparse.ArgumentParser(description="Teach the second, close look at a broken face.")
    parser.add_argument("out", type=Path, help="folder for face_close.onnx and weights.bin")
    parser.add_argument("--seconds", type=float, default=480)
    parser.add_argument("--jobs", type=int, default=15)
    parser.add_argument("--begin", type=int, default=120, help="examples to wait for")
    parser.add_argument("--first", type=int, default=FIRST_SEED, help="first seed")
    parser.add_argument("--batch", type=int, default=BATCH)
    parser.add_argument("--rate", type=float, default=2.5e-3)
    parser.add_argument("--every", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--resume", type=Path, help="weights to begin with")
    parser.add_argument("--photographs", type=Path, help="folder of photographs with truths, for a third of the examples")
    options = parser.parse_args()
    options.ends = time.time() + options.seconds
    options.out.mkdir(parents=True, exist_ok=True)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    shelf = Shelf(device)
    given = photographs.for_training(options.photographs) if options.photographs else []
    make = functools.partial(given_or, example, FIRST_SEED, given, of_photograph)
    stream = Stream(make, itertools.count(options.first), options.jobs, shelf.take)
    own = train(shelf, options, device)
    files.write(options.out / "weights.bin", to_bytes(own))
    files.write(options.out / "face_close.onnx", to_onnx(own))
    stream.close()


if __name__ == "__main__":
    main()
