"""Train a family's network on samples as they are made, and write it as ONNX with a report on the tuning photographs.

``python -m specimeter.training.train bend FOLDER --seconds 480 --jobs 20 [--resume WEIGHTS --photographs GIVEN]`` (or broken)
With ``--teachers WEIGHTS ...`` it also learns to answer as the mean of several networks does, so that one does their work.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch

from specimeter import files
from specimeter.segment.fracture_learned import FAMILIES
from specimeter.training import (
    augment,
    bend_forms,
    fracture_forms,
    fracture_report,
    fracture_sample,
    losses,
    make,
    photographs,
    report,
    sample,
)
from specimeter.training.composite import SIZE_PX
from specimeter.training.network import Finder, from_bytes, saying, to_bytes, to_onnx, unfold

PATCH_PX = 256
REPORT_S = 25  # kept for the report
SAVE_S = 100  # from one copy kept to the next
EMA = 0.999
OUTLINES = 0.7  # of the pieces drawn anew: outlines that were never drawn


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What a family's network is and how it learns.

    Parameters
    ----------
    file : str
        Of the network, as shipped.
    outputs, widths, depths
        As of `Finder`.
    area : int
        The plane of its samples that holds the examined area.
    faces : float
        Share of the pieces that are cut out of scenes.
    reskinned, again, every, sharp : callable, float, int, float
        Draws pieces (N, C, H, W) anew on the accelerator, given those that stay as they are (M, C, H, W); the share of the
        pieces that are, in one of how many steps they are drawn (in the others, earlier ones are taken), and the share of
        those, and of pieces of given photographs, that are photographed as sharp as they are.
    given : callable
        Pieces (N, C, H, W) of given photographs as they are to be learned from.
    told : int
        How many answers, from the first, the shipped network gives, and other networks can teach.
    loss : callable
        (log-odds, planes), both (N, ., H, W): what is wrong.
    report : callable
        (model, folder): counts on the tuning photographs.
    """

    file: str
    outputs: int
    widths: tuple[int, ...]
    depths: tuple[int, ...]
    area: int
    faces: float
    reskinned: Callable
    again: float
    every: int = 1
    sharp: float = 0.0
    given: Callable = lambda planes: planes
    told: int
    loss: Callable
    report: Callable

    def model(self) -> Finder:
        """An untrained network."""
        return Finder(self.outputs, self.widths, self.depths)


TASKS = {
    "bend": Task(
        file="learned.onnx",
        outputs=5,
        widths=(24, 48, 96, 112, 144),
        depths=(1, 1, 2, 3, 4),
        area=sample.CHANNELS.index("area"),
        faces=0.6,
        reskinned=bend_forms.again,
        again=0.5,
        every=3,
        sharp=0.3,
        given=bend_forms.told_only,
        told=4,
        loss=losses.of_bends,
        report=report.report,
    ),
    "broken": Task(
        file="fracture_learned.onnx",
        outputs=1 + len(FAMILIES),
        widths=(24, 48, 96, 112, 144),
        depths=(1, 1, 2, 3, 4),
        area=fracture_sample.AREA,
        faces=0.5,
        reskinned=lambda planes, _: fracture_forms.redrawn(planes),
        again=0.55,
        every=3,
        sharp=0.5,
        told=1 + len(FAMILIES),
        loss=losses.of_breaks,
        report=fracture_report.report,
    ),
}


class Drawn:
    """Pieces that were drawn anew, kept for later steps: drawing costs more than learning from what is drawn."""

    def __init__(self, most: int = 4000) -> None:
        self.most = most
        self.held: list[torch.Tensor] = []

    def keep(self, planes: torch.Tensor) -> None:
        """Take pieces (N, C, S, S), 0 to 1; the oldest go."""
        self.held = (self.held + list((planes * 255).round().byte()))[-self.most :]

    def some(self, count: int) -> torch.Tensor:
        """So many of them, turned."""
        pieces = torch.stack([self.held[int(k)] for k in torch.randint(len(self.held), (count,))])
        return torch.rot90(pieces.float() / 255, int(torch.randint(4, (1,))), (2, 3))


class Pool:
    """Samples on the accelerator, growing while others are made."""

    def __init__(self, folder: Path, device: str, most: int) -> None:
        self.folder, self.device, self.most = folder, device, most
        self.faces: list[tuple[torch.Tensor, np.ndarray]] = []
        self.photographs: list[tuple[torch.Tensor, np.ndarray]] = []
        self.composites: list[torch.Tensor] = []
        self.outlines: list[torch.Tensor] = []
        self.seen: set[str] = set()
        self.open = True
        threading.Thread(target=self._fill, daemon=True).start()

    def _fill(self) -> None:
        while self.open:
            for path in [path for path in self.folder.glob("*.samples") if path.name not in self.seen]:
                self.seen.add(path.name)
                planes, centres = make.unpack(path)
                pad = [max(0, SIZE_PX - n) for n in planes.shape[2:]]
                if any(pad):
                    planes = np.pad(planes, ((0, 0), (0, 0), (0, pad[0]), (0, pad[1])), mode="edge")
                    planes[:, 3:, planes.shape[2] - pad[0] :], planes[:, 3:, :, planes.shape[3] - pad[1] :] = 0, 0
                moved = torch.from_numpy(planes).to(self.device)
                if path.name.startswith(("face", "photograph")):
                    (self.faces if path.name.startswith("face") else self.photographs).append((moved[0], centres[:, 1:]))
                elif path.name.startswith("outlines"):
                    self.outlines.extend(moved)
                elif len(self.composites) < self.most:
                    self.composites.extend(moved)
                path.unlink()
                if not self.open:
                    break
            time.sleep(1.0)

    def batch(self, rng: np.random.Generator, count: int, of_faces: float, again: int, given: int) -> torch.Tensor:
        """Pieces (count, C, 384, 384) uint8; those of faces mostly where there is something.

        The first `again`, which are drawn anew, are mostly outlines that have no colours yet, if there are any; the last
        `given` are cut out of the photographs.
        """
        pieces = []
        for k in range(count):
            if k >= count - given:
                pieces.append(_piece(rng, *self.photographs[int(rng.integers(len(self.photographs)))]))
            elif k < again and self.outlines and rng.random() < OUTLINES:
                pieces.append(self.outlines[int(rng.integers(len(self.outlines)))])
            elif rng.random() >= of_faces:
                pieces.append(self.composites[int(rng.integers(len(self.composites)))])
            else:
                pieces.append(_piece(rng, *self.faces[int(rng.integers(len(self.faces)))]))
        return torch.stack(pieces)


def _piece(rng: np.random.Generator, planes: torch.Tensor, centres: np.ndarray) -> torch.Tensor:
    """A piece (C, 384, 384) of planes, mostly where there is something."""
    room = np.array(planes.shape[:0:-1][:2]) - SIZE_PX
    at = rng.uniform(0, 1, 2) * room
    if len(centres) and rng.random() < 0.7:
        at = centres[int(rng.integers(len(centres)))] + rng.uniform(-90, 90, 2) - SIZE_PX / 2
    x, y = np.clip(at, 0, room).astype(int)
    return planes[:, y : y + SIZE_PX, x : x + SIZE_PX]


def train(task: Task, options: argparse.Namespace, device: str) -> tuple[Finder, dict]:
    """The trained network with averaged weights, and how much it was trained on."""
    rng = np.random.default_rng(options.seed)
    pool = Pool(options.folder / "train", device, options.most)
    model = task.model().to(device, memory_format=torch.channels_last)
    if options.resume:
        from_bytes(model, options.resume.read_bytes())
    steady, teachers = copy.deepcopy(model), [_teacher(task, path, device) for path in options.teachers]
    optimiser = torch.optim.AdamW(model.parameters(), lr=options.rate, weight_decay=1e-2)
    started = time.time()
    while len(pool.faces) < options.begin or not pool.composites or (options.photographs and not pool.photographs):
        time.sleep(0.5)
        if time.time() - started > options.seconds / 3 and pool.faces and pool.composites:
            break
        if time.time() > options.ends:
            raise SystemExit("no samples were made in time")
    begun, step, sums = time.time(), 0, []
    length, saved = options.ends - begun, begun
    share = options.share if pool.photographs else 0
    given, again = int(share * options.batch), max(1, int(task.again * (1 - share) * options.batch))
    drawn = Drawn()
    print(
        f"begin after {begun - started:.0f} s: {len(pool.faces)} faces, {len(pool.composites)} composites, "
        f"{len(pool.photographs)} photographs", flush=True
    )  # fmt: skip
    while (passed := (time.time() - begun) / length) < 1:
        rate = options.rate * min(1, (step + 1) / 200) * (0.5 + 0.5 * math.cos(math.pi * passed)) + 1e-6
        for group in optimiser.param_groups:
            group["lr"] = rate
        with torch.no_grad():
            fresh = again if step % task.every == 0 else 0
            pieces = pool.batch(rng, options.batch - again + fresh, task.faces, fresh, given)
            planes = augment.warp(pieces.float() / 255, PATCH_PX)
            if given:
                planes[-given:] = task.given(planes[-given:])
            if fresh:
                planes[:again] = task.reskinned(planes[:again], planes[again:])
                if task.every > 1:
                    drawn.keep(planes[:again])
            else:
                planes = torch.cat([drawn.some(again), planes])
            sharp = torch.zeros(len(planes), 1, 1, 1, device=device)
            sharp[:again] = augment.some(again, task.sharp, planes)
            sharp[len(sharp) - given :] = augment.some(given, task.sharp, planes)
            rgb, area = augment.context(augment.photograph(planes[:, :3], sharp), planes[:, task.area : task.area + 1])
            picture = augment.prepared(rgb, area).contiguous(memory_format=torch.channels_last)
        with torch.autocast(device, dtype=torch.bfloat16):
            output = model(picture)
        log_odds = unfold(output.float())
        loss = task.loss(log_odds, planes)
        if teachers:
            with torch.no_grad(), torch.autocast(device, dtype=torch.bfloat16):
                told = unfold(torch.stack([one(picture).float() for one in teachers]).mean(dim=0))
            loss = loss + losses.as_told(log_odds[:, : task.told], told[:, : task.told], planes[:, task.area : task.area + 1])
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), 1.0)
        optimiser.step()
        step += 1
        _average(steady, model, min(EMA, step / (step + 20)))
        sums.append(loss.detach())
        if step % options.every == 0:
            print(
                f"{time.time() - begun:5.0f} s  step {step}  loss {float(torch.stack(sums).mean()):.4f}  "
                f"faces {len(pool.faces)}  composites {len(pool.composites)}", flush=True
            )  # fmt: skip
            sums = []
        if time.time() - saved > SAVE_S:  # whatever happens then, this is kept
            saved = time.time()
            _save(task, options.folder, steady)
    pool.open = False
    counts = {"steps": step, "seconds": length, "faces": len(pool.faces), "composites": len(pool.composites)}
    counts["photographs"] = len(pool.photographs)
    return steady.eval(), counts


def _teacher(task: Task, weights: Path, device: str) -> Finder:
    """A network that only answers."""
    model = task.model()
    from_bytes(model, weights.read_bytes())
    return model.to(device, memory_format=torch.channels_last).eval()


@torch.no_grad()  # type: ignore[untyped-decorator]  # mypy does not look into torch
def _average(steady: Finder, model: Finder, keep: float) -> None:
    for one, other in zip(steady.state_dict().values(), model.state_dict().values(), strict=True):
        if one.dtype.is_floating_point:
            one.lerp_(other, 1 - keep)
        else:
            one.copy_(other)


def _save(task: Task, out: Path, model: Finder) -> None:
    files.write(out / "weights.bin", to_bytes(model))
    files.write(out / task.file, to_onnx(saying(model, task.told)))


def main() -> None:
    """Make, train, report until the time is up."""
    parser = argparse.ArgumentParser(description=__doc__)
    make.add_options(parser)
    parser.add_argument("--begin", type=int, default=60, help="scenes to wait for")
    parser.add_argument("--batch", type=int, default=128)
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument("--most", type=int, default=36_000, help="composites kept")
    parser.add_argument("--every", type=int, default=200, help="steps from one printed line to the next")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--resume", type=Path, help="weights to begin with")
    parser.add_argument("--teachers", type=Path, nargs="*", default=[], help="weights of networks whose mean is learned too")
    parser.add_argument("--share", type=float, default=photographs.SHARE, help="of each batch that is cut out of photographs")
    options = parser.parse_args()
    options.ends = time.time() + options.seconds - REPORT_S
    task, device = TASKS[options.family], "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(options.seed)
    makers = make.begun(options)
    model, counts = train(task, options, device)
    _save(task, options.folder, model)
    found = task.report(model.to(device), options.folder) | counts
    files.write(options.folder / "report.json", json.dumps(found, indent=1).encode())
    print(json.dumps(found), flush=True)
    for one in makers:
        one.join(5.0)
        if one.is_alive():
            one.terminate()


if __name__ == "__main__":
    main()
