"""Train the network on samples as they are made, and write it as ONNX with a report on the tuning scenes.

``python -m specimeter.training.train DATA OUT --seconds 460``
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import threading
import time
from pathlib import Path

import numpy as np
import torch
from torch.nn import functional as nn

from specimeter import files
from specimeter.training import augment
from specimeter.training.composite import SIZE_PX
from specimeter.training.network import Finder, from_bytes, to_bytes, to_onnx, unfold
from specimeter.training.report import report

PATCH_PX = 256
SHARE_OF_FACES = 0.45
EMA = 0.999


class Pool:
    """Samples on the accelerator, growing while others are made."""

    def __init__(self, folder: Path, device: str, most: int) -> None:
        self.folder, self.device, self.most = folder, device, most
        self.faces: list[tuple[torch.Tensor, np.ndarray]] = []
        self.composites: list[torch.Tensor] = []
        self.seen: set[str] = set()
        self.open = True
        threading.Thread(target=self._fill, daemon=True).start()

    def _fill(self) -> None:
        while self.open:
            fresh = [path for path in self.folder.glob("*.samples") if path.name not in self.seen]
            for path in fresh:
                self.seen.add(path.name)
                with path.open("rb") as stream:
                    planes, centres = (np.lib.format.read_array(stream, allow_pickle=False) for _ in range(2))
                pad = [max(0, SIZE_PX - n) for n in planes.shape[2:]]
                if any(pad):
                    planes = np.pad(planes, ((0, 0), (0, 0), (0, pad[0]), (0, pad[1])), mode="edge")
                    planes[:, 6, planes.shape[2] - pad[0] :], planes[:, 6, :, planes.shape[3] - pad[1] :] = 0, 0
                moved = torch.from_numpy(planes).to(self.device)
                if path.name.startswith("face"):
                    self.faces.append((moved[0], centres[:, 1:]))
                elif len(self.composites) < self.most:
                    self.composites.extend(moved)
                if not self.open:
                    break
            time.sleep(1.0)

    def batch(self, rng: np.random.Generator, count: int) -> torch.Tensor:
        """Pieces (count, 9, 384, 384) uint8, nearly half of them of faces, mostly where there is something."""
        pieces = []
        for _ in range(count):
            if rng.random() >= SHARE_OF_FACES:
                pieces.append(self.composites[int(rng.integers(len(self.composites)))])
                continue
            planes, centres = self.faces[int(rng.integers(len(self.faces)))]
            room = np.array(planes.shape[:0:-1][:2]) - SIZE_PX
            at = rng.uniform(0, 1, 2) * room
            if len(centres) and rng.random() < 0.7:
                at = centres[int(rng.integers(len(centres)))] + rng.uniform(-90, 90, 2) - SIZE_PX / 2
            x, y = np.clip(at, 0, room).astype(int)
            pieces.append(planes[:, y : y + SIZE_PX, x : x + SIZE_PX])
        return torch.stack(pieces)


def truth_of(planes: torch.Tensor) -> torch.Tensor:
    """What the network is to say (N, 5, H, W): feature, crack, mark, share, no metal; of planes (N, 9, H, W), 0 to 1.

    A feature is where its share of the pixels is greatest, and the pixels beside: all of a large one and its border, and a line
    three pixels wide along a slit that covers no pixel by half.
    """
    share = planes[:, 3:4]
    ridge = (share > 0.12) & (share >= nn.max_pool2d(share, 3, 1, 1) - 0.02)
    feature = nn.max_pool2d(ridge.float(), 3, 1, 1)
    near = nn.max_pool2d(planes[:, 3:5], 3, 1, 1)
    return torch.cat([feature, near[:, 1:] / near[:, :1].clamp(min=0.02), planes[:, 5:6], share, planes[:, 8:9]], 1).clamp(0, 1)


def loss_of(log_odds: torch.Tensor, truth: torch.Tensor, area: torch.Tensor, weight: torch.Tensor) -> torch.Tensor:
    """Weighted cross-entropy and soft Dice for features, cross-entropy for crack (within features), marks, shares and ground.

    All (N, C, H, W); only the examined area counts. The shares' errors count alike within and without a border, so that the
    border is where half the pixel is covered.
    """
    weight = weight * area
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


def main() -> None:
    """Train until the time is up."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("data", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seconds", type=float, default=460)
    parser.add_argument("--begin", type=int, default=300, help="faces to wait for")
    parser.add_argument("--batch", type=int, default=128)
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument("--most", type=int, default=36_000, help="composites kept")
    parser.add_argument("--resume", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    started = time.time()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(options.seed)
    rng = np.random.default_rng(options.seed)
    pool = Pool(options.data / "train", device, options.most)
    model = Finder().to(device, memory_format=torch.channels_last)
    if options.resume:
        from_bytes(model, options.resume.read_bytes())
    steady = copy.deepcopy(model)
    optimiser = torch.optim.AdamW(model.parameters(), lr=options.rate, weight_decay=1e-2)
    while len(pool.faces) < options.begin or not pool.composites:
        time.sleep(0.5)
        if time.time() - started > options.seconds / 2 and pool.faces and pool.composites:
            break
    begun, step, sums = time.time(), 0, []
    length = options.seconds - (begun - started)
    print(f"begin after {begun - started:.0f} s with {len(pool.faces)} faces, {len(pool.composites)} composites", flush=True)
    while (passed := (time.time() - begun) / length) < 1:
        rate = options.rate * min(1, (step + 1) / 200) * (0.5 + 0.5 * math.cos(math.pi * passed)) + 1e-6
        for group in optimiser.param_groups:
            group["lr"] = rate
        with torch.no_grad():
            planes = pool.batch(rng, options.batch).float() / 255
            planes = augment.warp(planes, PATCH_PX)
            rgb = augment.photograph(planes[:, :3])
            rgb, area = augment.context(rgb, planes[:, 6:7])
            picture = augment.prepared(rgb, area).contiguous(memory_format=torch.channels_last)
            truth = truth_of(planes)
            inside, weight = (planes[:, 6:7] > 0.5).float(), planes[:, 7:8] * (255 / 16)
        with torch.autocast(device, dtype=torch.bfloat16):
            output = model(picture)
        loss = loss_of(unfold(output.float()), truth, inside, weight)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), 1.0)
        optimiser.step()
        step += 1
        with torch.no_grad():
            keep = min(EMA, step / (step + 20))
            for one, other in zip(steady.state_dict().values(), model.state_dict().values(), strict=True):
                if one.dtype.is_floating_point:
                    one.lerp_(other, 1 - keep)
                else:
                    one.copy_(other)
        sums.append(loss.detach())
        if step % 200 == 0:
            print(
                f"{time.time() - begun:5.0f} s  step {step}  loss {float(torch.stack(sums).mean()):.4f}  "
                f"faces {len(pool.faces)}  composites {len(pool.composites)}", flush=True
            )  # fmt: skip
            sums = []
        if step % 2000 == 0:  # whatever happens then, this is kept
            files.write(options.out / "weights.bin", to_bytes(steady))
    pool.open = False
    steady = steady.eval()
    files.write(options.out / "weights.bin", to_bytes(steady))
    files.write(options.out / "learned.onnx", to_onnx(steady))
    found = report(steady.to(device), options.data / "tune", device)
    found |= {"steps": step, "seconds": length, "faces": len(pool.faces), "composites": len(pool.composites)}
    files.write(options.out / "report.json", json.dumps(found, indent=1).encode())
    print(json.dumps(found), flush=True)


if __name__ == "__main__":
    main()
