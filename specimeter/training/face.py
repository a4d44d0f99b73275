"""Teach a small network where a face lies: `python -m specimeter.training.face broken|bent OUT` renders, trains, writes ONNX.

Input are the figures that `specimeter.scale.area_looks` takes of a photograph, one cell of 0.3 mm each (0.6 mm for bends, whose
scenes and composites are those of `bent_face`); output the log-odds that a cell belongs to the face. Scenes: seeds from
1,200,000, of the groups that training may see; composites (`face_composite`) beside them, one for each scene. Every eighth seed
is kept for checking, its scene from the groups held out. With `--photographs` every third example is one of those given.
"""

from __future__ import annotations

import argparse
import copy
import functools
import io
import itertools
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from specimeter import files
from specimeter.scale.area_looks import OWN, look
from specimeter.scene.random import BROKEN_TESTS, random_scene
from specimeter.scene.render import render
from specimeter.training import photographs
from specimeter.training.face_composite import composite
from specimeter.training.fracture_sample import HELD_OUT, TRAINED_ON, VARIED, broken_otherwise
from specimeter.training.stream import Stream

if TYPE_CHECKING:  # torch is loaded where it is used
    from torch import Tensor, nn

FIRST_SEED = 1_200_000
CHECK_EVERY = 8
PATCH = 192  # cells
BATCH = 24
WIDTHS = (20, 32, 48, 64)
EMA = 0.998
SHIFTS = (("light", 0.5), ("red", 0.15), ("blue", 0.15), ("fine", 0.5), ("middle", 0.35), ("coarse", 0.3), ("sparkle", 0.2))


def example(seed: int) -> np.ndarray | None:
    """Figures and truth of one scene or composite (odd seeds), float16 (len(OWN) + 2, rows, columns): last the face's share,
    then a weight. None where the scene could not be drawn."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    number = seed - FIRST_SEED
    if number % 2:
        one = composite(seed, near=bool(rng.random() < 0.25))
        return figured(one.rgb, one.mm_per_px, one.face_px, [] if one.card_px is None else [one.card_px], rng)
    test = BROKEN_TESTS[number // 2 % len(BROKEN_TESTS)]
    width_px = int(rng.choice([900, 1200, 1600]))
    groups = HELD_OUT if number % CHECK_EVERY == 0 else TRAINED_ON
    try:
        scene = random_scene(seed, width_px=width_px, test=test, clean=rng.random() < 0.2, **groups)
        if rng.random() < VARIED:
            scene = broken_otherwise(rng, scene)
        picture = render(scene)
    except (ValueError, FloatingPointError) as error:
        print(f"scene {seed} left out: {error}", flush=True)
        return None
    rgb = photographs.decoded(picture)
    return of_picture(rgb, picture.truth, rng)


def of_picture(
    rgb: np.ndarray, truth: dict, rng: np.random.Generator, *, u_scale: float = 0.04, seen_at: float = 1.0
) -> np.ndarray:
    """The same of a photograph (H, W, 3) sRGB uint8 with its truth."""
    card = [np.array(truth["card"]["outline_px"])] if truth["card"] and truth["card"]["kind"] == "strip" else []
    outline = np.array(truth["area_outline_px"])
    return figured(rgb, truth["mm_per_px"], outline, card, rng, u_scale=u_scale, seen_at=seen_at)


def given_or(make: Callable, first: int, given: list[Path], of: Callable, seed: int) -> Any:
    """`make(seed)`, or for every third seed that is not kept for checking `of(rgb, truth, rng)` of a photograph."""
    number = seed - first
    if not given or number % 3 != 2 or number // 2 % (CHECK_EVERY // 2) == 0:
        return make(seed)
    cv2.setNumThreads(1)
    path = given[number // 3 % len(given)]
    try:
        return of(*photographs.read(path), np.random.default_rng([seed, 9]))
    except (ValueError, cv2.error) as error:
        print(f"{path.name}: {error}", flush=True)
        return None


def figured(
    rgb: np.ndarray,
    mm_per_px: float,
    face_px: np.ndarray,
    card: list,
    rng: np.random.Generator,
    *,
    u_scale: float = 0.04,
    seen_at: float = 1.0,
) -> np.ndarray:
    """Figures of a photograph looked at `seen_at` times as large, its scale known to `u_scale` (relative); truth and weight."""
    mm_per_px *= float(np.exp(rng.normal(0, u_scale))) * seen_at
    looked = look(rgb, mm_per_px, card if rng.random() < 0.9 else [])
    grown = 4
    share = np.zeros((looked.hidden.shape[0] * grown, looked.hidden.shape[1] * grown), np.uint8)
    corners = (looked.from_photograph(face_px) + 0.5) * grown - 0.5
    cv2.fillPoly(share, [np.round(corners * 16).astype(np.int32).reshape(-1, 1, 2)], 255, shift=4)
    face = cv2.resize(share, looked.hidden.shape[::-1], interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    near = cv2.GaussianBlur(face, (0, 0), 6.0)
    weight = 0.4 + 2.5 * 4 * near * (1 - near) + face
    return np.concatenate([looked.own.transpose(2, 0, 1), face[None], weight[None]]).astype(np.float16)


def network() -> nn.Module:
    """The network: a U-Net on four samplings, in layers that OpenCV runs."""
    from torch import nn

    def block(inputs: int, outputs: int, stride: int = 1) -> nn.Module:
        return nn.Sequential(nn.Conv2d(inputs, outputs, 3, stride, 1, bias=False), nn.BatchNorm2d(outputs), nn.ReLU())

    class FaceFinder(nn.Module):  # type: ignore[misc]  # mypy does not look into torch
        def __init__(self) -> None:
            super().__init__()
            a, b, c, d = WIDTHS
            self.one = nn.Sequential(block(len(OWN), a), block(a, a))
            self.two = nn.Sequential(block(a, b, 2), block(b, b))
            self.three = nn.Sequential(block(b, c, 2), block(c, c))
            self.four = nn.Sequential(block(c, d, 2), block(d, d))
            self.five = nn.Sequential(block(d, d, 2), block(d, d), block(d, d))
            self.six = nn.Sequential(block(d, d, 2), block(d, d), block(d, d))
            self.to5, self.to4, self.to3, self.to2, self.to1 = (
                nn.Conv2d(d, d, 1), nn.Conv2d(d, d, 1), nn.Conv2d(d, c, 1), nn.Conv2d(c, b, 1), nn.Conv2d(b, a, 1),
            )  # fmt: skip
            self.up5, self.up4, self.up3, self.up2, self.up1 = block(d, d), block(d, d), block(c, c), block(b, b), block(a, a)
            self.head = nn.Conv2d(a, 1, 1)
            self.larger = nn.Upsample(scale_factor=2, mode="nearest")

        def forward(self, x: Tensor) -> Tensor:
            one = self.one(x)
            two = self.two(one)
            three = self.three(two)
            four = self.four(three)
            five = self.five(four)
            y = self.larger(self.to5(self.six(five)))
            y = self.larger(self.to4(self.up5(five + y)))
            y = self.larger(self.to3(self.up4(four + y)))
            y = self.larger(self.to2(self.up3(three + y)))
            y = self.larger(self.to1(self.up2(two + y)))
            return self.head(self.up1(one + y))

    return FaceFinder()


def patches(
    examples: Sequence[Tensor], faces: Sequence[np.ndarray], rng: np.random.Generator, count: int, torch: ModuleType
) -> Tensor:
    """A batch of random patches, turned and mirrored, light and colours shifted, roughness scaled as other cameras would.

    `examples` are half-precision tensors on the training device, `faces` for each a few places [row, column] on its face.
    """
    batch = []
    for _ in range(count):
        number = int(rng.integers(len(examples)))
        one, on_face = examples[number], faces[number]
        rows, columns = one.shape[1:]
        at_face = len(on_face) and rng.random() < 0.75
        middle = on_face[rng.integers(len(on_face))] + rng.normal(0, 40, 2) if at_face else rng.uniform((0, 0), (rows, columns))
        top, left = (int(np.clip(m - PATCH / 2, 0, max(n - PATCH, 0))) for m, n in zip(middle, (rows, columns), strict=True))
        part = one[:, top : top + PATCH, left : left + PATCH].float()
        part = torch.nn.functional.pad(part, (0, PATCH - part.shape[2], 0, PATCH - part.shape[1]))
        part = torch.rot90(part, int(rng.integers(4)), (1, 2))
        batch.append(part.flip(2) if rng.random() < 0.5 else part)
    result = torch.stack(batch)
    shift = rng.normal(0, 0.05, (count, len(OWN)))
    for name, spread in SHIFTS:
        shift[:, OWN.index(name)] += rng.normal(0, spread, count)
    result[:, : len(OWN)] += torch.tensor(shift, dtype=torch.float32, device=result.device)[:, :, None, None]
    return result


class Shelf:
    """Examples on the training device, and for each a few places [row, column] on its face; those of the check apart."""

    def __init__(self, device: str) -> None:
        self.device = device
        self.examples: list[Tensor] = []
        self.faces: list[np.ndarray] = []
        self.check: dict[str, list[np.ndarray]] = {"scenes of groups held out": [], "composites": []}

    def take(self, seed: int, one: np.ndarray) -> None:
        """One more."""
        import torch

        number = seed - FIRST_SEED
        if number // 2 % (CHECK_EVERY // 2) == 0:
            self.check["composites" if number % 2 else "scenes of groups held out"].append(one)
            return
        self.faces.append(np.argwhere(one[-2][::8, ::8] > 0.5) * 8)
        self.examples.append(torch.from_numpy(one).to(self.device))


def train(shelf: Shelf, options: argparse.Namespace, device: str) -> nn.Module:
    """The trained network, its weights averaged over the last steps; its share of right area on the check is printed."""
    import torch
    from torch.nn import functional

    from specimeter.training.network import from_bytes

    torch.manual_seed(options.seed)
    rng = np.random.default_rng(options.seed)
    model = network().to(device)
    if options.resume:
        from_bytes(model, options.resume.read_bytes())
    steady = copy.deepcopy(model)
    steps_of = torch.optim.AdamW(model.parameters(), lr=3e-3, weight_decay=1e-3)
    while len(shelf.examples) < options.begin and time.time() < options.ends:
        time.sleep(0.5)
    begun, step = time.time(), 0
    while (past := (time.time() - begun) / max(options.ends - begun, 1e-6)) < 1:
        for group in steps_of.param_groups:
            group["lr"] = 3e-3 * min(1, step / 60) * (0.5 + 0.5 * np.cos(np.pi * past)) + 1e-5
        count = len(shelf.examples)
        batch = patches(shelf.examples[:count], shelf.faces[:count], rng, BATCH, torch)
        odds = model(batch[:, : len(OWN)])[:, 0]
        truth, weight = batch[:, -2], batch[:, -1]
        loss = (functional.binary_cross_entropy_with_logits(odds, truth, reduction="none") * weight).sum() / weight.sum()
        share = torch.sigmoid(odds)
        loss = loss + 0.3 * (1 - (2 * (share * truth).sum() + 1) / (share.sum() + truth.sum() + 1))
        steps_of.zero_grad()
        loss.backward()
        steps_of.step()
        step += 1
        keep = min(EMA, step / (step + 20))
        with torch.no_grad():
            for one, other in zip(steady.state_dict().values(), model.state_dict().values(), strict=True):
                one.lerp_(other, 1 - keep) if one.dtype.is_floating_point else one.copy_(other)
        if step % 500 == 0:
            print(f"step {step}, {time.time() - begun:.0f} s, loss {float(loss):.4f}, {count} examples", flush=True)
    print(f"{step} steps in {time.time() - begun:.0f} s on {len(shelf.examples)} examples", flush=True)
    steady.eval()
    for name, some in shelf.check.items():
        overlaps = np.array([_overlap(steady, one, torch, device) for one in some[:100]] or [np.nan])
        print(
            f"check, {name}: median overlap {np.median(overlaps):.3f}, over 0.9 in {np.mean(overlaps > 0.9):.2f} of {len(some)}"
        )
    return steady


def _overlap(model: nn.Module, one: np.ndarray, torch: ModuleType, device: str) -> float:
    rows, columns = (n // 32 * 32 for n in one.shape[1:])
    with torch.no_grad():
        seen = torch.from_numpy(one[None, :, :rows, :columns].astype(np.float32)).to(device)
        found, true = model(seen[:, : len(OWN)])[0, 0] > 0, seen[0, -2] > 0.5
    return float((found & true).sum() / max((found | true).sum(), 1))


def to_onnx(model: nn.Module) -> bytes:
    """The network as ONNX (opset 13), normalisation folded in."""
    import torch

    ready = copy.deepcopy(model).eval().cpu()
    for part in [
        m
        for m in ready.modules()
        if isinstance(m, torch.nn.Sequential) and len(m) == 3 and isinstance(m[1], torch.nn.BatchNorm2d)
    ]:
        part[0], part[1] = torch.nn.utils.fusion.fuse_conv_bn_eval(part[0], part[1]), torch.nn.Identity()
    stream = io.BytesIO()
    torch.onnx.export(
        ready, torch.zeros(1, len(OWN), 256, 256), stream, opset_version=13, dynamo=False,
        input_names=["figures"], output_names=["log_odds"],
        dynamic_axes={"figures": {2: "rows", 3: "columns"}, "log_odds": {2: "rows", 3: "columns"}},
    )  # fmt: skip
    return stream.getvalue()


def main() -> int:
    """Command line."""
    from specimeter.training import bent_face
    from specimeter.training.network import to_bytes

    parser = argparse.ArgumentParser(description="Teach a small network where a face lies.")
    parser.add_argument("which", choices=("broken", "bent"))
    parser.add_argument("out", type=Path, help="folder for face.onnx and weights.bin")
    parser.add_argument("--seconds", type=float, default=400)
    parser.add_argument("--jobs", type=int, default=15)
    parser.add_argument("--begin", type=int, default=100, help="examples to wait for")
    parser.add_argument("--first", type=int, help="first seed, a multiple of 8")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--resume", type=Path, help="weights to begin with (weights.bin of a run before)")
    parser.add_argument("--photographs", type=Path, help="folder of photographs with truths, for a third of the examples")
    options = parser.parse_args()
    options.ends = time.time() + options.seconds
    options.out.mkdir(parents=True, exist_ok=True)
    import torch

    device = "cuda" if torch.cuda.is_available() else "cpu"
    shelf = Shelf(device)
    make, first, of = {
        "broken": (example, FIRST_SEED, of_picture),
        "bent": (bent_face.example, bent_face.FIRST_SEED, bent_face.of_picture),
    }[options.which]
    given = photographs.for_training(options.photographs) if options.photographs else []
    own = functools.partial(given_or, make, first, given, of)
    stream = Stream(own, itertools.count(options.first or first), options.jobs, shelf.take)
    model = train(shelf, options, device)
    files.write(options.out / "weights.bin", to_bytes(model))
    files.write(options.out / "face.onnx", to_onnx(model))
    stream.close()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
