"""Train the network for broken faces, and the one that finds them, on data that are made meanwhile.

``python -m specimeter.training.fracture_train OUT --seconds 540 --jobs 20``
"""

from __future__ import annotations

import argparse
import copy
import io
import json
import math
import multiprocessing
import os
import threading
import time
from pathlib import Path

import cv2
import numpy as np

from specimeter import files
from specimeter.scene.files import jpeg
from specimeter.scene.render import render
from specimeter.training import face
from specimeter.training.fracture_composite import SIZE_PX, composite
from specimeter.training.fracture_sample import (
    AREA,
    CHECK_SEEDS,
    TRAINING_SEEDS,
    TUNING_SEEDS,
    WEIGHT,
    decoded,
    sample,
    scene_of,
)  # fmt: skip
from specimeter.training.make import pack
from specimeter.training.sample import Sample

PATCH_PX = 256
SHARE_OF_FACES = 0.5
COMPOSITES_PER_FACE = 6
WHOLE = 0.2  # of the scenes: card and bench in view, to teach where the face lies as well
WHERE = 0.15  # of the scenes: the same, of all groups, to teach where the face lies and nothing else
CHECKED_FROM = 1000  # offset of the tuning seeds from which scenes are kept aside to report on
PHOTOGRAPH_PX = 1632  # long side of the photographs for tuning and for the check: 2 megapixels
OUTSIDE = 0.25  # how much errors count beyond the face: there nothing is a feature, if an area found too large takes it in
RARE = (0.8, 2.0, 1.2, 1.0, 1.6)  # how much families count, in the order of FAMILIES: what is seldom drawn, more
EMA = 0.999
REPORT_S = 28  # kept for the report


def photograph(seed: int, folder: Path) -> None:
    """Render one scene for tuning or for the check, whole or near, with its truth."""
    picture = render(scene_of(seed, whole=(seed // 2) % 2 == 0, width_px=PHOTOGRAPH_PX))
    files.write(folder / f"{seed}.truth.json", json.dumps(picture.truth).encode())
    files.write(folder / f"{seed}.jpg", jpeg(picture))


def make(number: int, options: argparse.Namespace) -> None:
    """One process: its share of the photographs and of the scenes kept aside, then faces and composites until time is up."""
    cv2.setNumThreads(1)
    data = options.out / "data"
    wanted = [(seed, "tune") for seed in TUNING_SEEDS[: options.photographs]]
    wanted += [(seed, "check") for seed in CHECK_SEEDS[: options.photographs]]
    for seed, name in wanted[number :: options.jobs]:
        try:
            photograph(seed, options.out / name)
        except (ValueError, cv2.error) as error:
            print(f"{name} {seed}: {error}", flush=True)
    for seed in TUNING_SEEDS[CHECKED_FROM + number : CHECKED_FROM + options.checked : options.jobs]:
        if time.time() > options.ends - 0.7 * options.seconds:
            break
        _one(seed, data, "check", whole=seed % 4 < 2, width_px=1300)
    for seed in TRAINING_SEEDS[options.first + number :: options.jobs]:
        if time.time() > options.ends - REPORT_S - 20:
            break
        rng = np.random.default_rng([seed, 14])
        lot, width_px = rng.random(), int(rng.choice([1000, 1300, 1632]))
        if lot < WHERE and options.face_share:
            _one(seed, data, "all", whole=True, width_px=width_px)
        else:
            _one(seed, data, "face", whole=lot < WHERE + WHOLE, width_px=width_px, where=options.face_share > 0)
        drawn = []
        for k in range(COMPOSITES_PER_FACE):
            try:
                planes, centres = composite(seed * 100 + k)
                drawn.append(Sample(planes=planes, centres_px=centres))
            except (ValueError, cv2.error, np.linalg.LinAlgError) as error:
                print(f"composite {seed * 100 + k}: {error}", flush=True)
        if drawn:
            files.write(data / f"composite-{seed}.samples", pack(drawn))


def _one(seed: int, data: Path, name: str, *, whole: bool, width_px: int, where: bool = True) -> None:
    """One scene's sample for the features, and if it is whole one for the face; "all": of all groups, for the face alone."""
    try:
        picture = render(scene_of(seed, whole=whole, width_px=width_px, held_out=name != "all"))
        planes, centres = sample(picture, decoded(picture), seed)
    except (ValueError, cv2.error) as error:  # a scene that cannot be drawn is left out, and named
        print(f"scene {seed}: {error}", flush=True)
        return
    if name != "all":
        files.write(data / f"{name}-{seed}.samples", pack([Sample(planes=planes, centres_px=centres)]))
    if whole and where:
        stream = io.BytesIO()
        np.lib.format.write_array(stream, face.of_picture(picture, np.random.default_rng(seed)), allow_pickle=False)
        files.write(data / f"where-{name}-{seed}.npy", stream.getvalue())


def _read(path: Path) -> tuple[np.ndarray, np.ndarray]:
    with path.open("rb") as stream:
        planes, centres = (np.lib.format.read_array(stream, allow_pickle=False) for _ in range(2))
    pad = [max(0, SIZE_PX - n) for n in planes.shape[2:]]
    if any(pad):
        planes = np.pad(planes, ((0, 0), (0, 0), (0, pad[0]), (0, pad[1])), mode="edge")
        planes[:, 3:, planes.shape[2] - pad[0] :], planes[:, 3:, :, planes.shape[3] - pad[1] :] = 0, 0
    return planes, centres


class Pool:
    """Samples on the accelerator, growing while others are made."""

    def __init__(self, folder: Path, device: str) -> None:
        self.folder, self.device = folder, device
        self.faces: list = []
        self.composites: list = []
        self.seen: set[str] = set()
        self.open = True
        threading.Thread(target=self._fill, daemon=True).start()

    def _fill(self) -> None:
        import torch

        while self.open:
            for path in self.folder.glob("[cf]*.samples"):
                if path.name in self.seen or not self.open or path.name.startswith("check"):
                    continue
                self.seen.add(path.name)
                planes, centres = _read(path)
                moved = torch.from_numpy(planes).to(self.device)
                if path.name.startswith("face"):
                    self.faces.append((moved[0], centres[:, 1:]))
                else:
                    self.composites.extend(moved)
                path.unlink()
            time.sleep(1.0)

    def batch(self, rng: np.random.Generator, count: int):
        """Pieces (count, 10, 384, 384) uint8; of faces, mostly where there is something."""
        import torch

        pieces = []
        for _ in range(count):
            if rng.random() >= SHARE_OF_FACES:
                pieces.append(self.composites[int(rng.integers(len(self.composites)))])
                continue
            planes, centres = self.faces[int(rng.integers(len(self.faces)))]
            room = np.array([planes.shape[2], planes.shape[1]]) - SIZE_PX
            at = rng.uniform(0, 1, 2) * room
            if len(centres) and rng.random() < 0.65:
                at = centres[int(rng.integers(len(centres)))] + rng.uniform(-90, 90, 2) - SIZE_PX / 2
            x, y = np.clip(at, 0, room).astype(int)
            pieces.append(planes[:, y : y + SIZE_PX, x : x + SIZE_PX])
        return torch.stack(pieces)


def loss_of(log_odds, planes):
    """Weighted cross-entropy and soft Dice for the share that features cover, cross-entropy for families where one does.

    `log_odds` (N, 6, H, W), `planes` (N, 10, H, W) from 0 to 1.
    """
    import torch
    from torch.nn import functional as nn

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
    return 5 * covered + 2 * plain + 0.6 * dice + 0.4 * family


def train(options: argparse.Namespace):
    """The trained network with averaged weights, and what it was trained on."""
    import torch

    from specimeter.training import augment
    from specimeter.training.fracture_network import BrokenFinder
    from specimeter.training.network import from_bytes, unfold

    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(options.seed)
    rng = np.random.default_rng(options.seed)
    pool = Pool(options.out / "data", device)
    model = BrokenFinder().to(device, memory_format=torch.channels_last)
    if options.resume:
        from_bytes(model, options.resume.read_bytes())
    steady = copy.deepcopy(model)
    optimiser = torch.optim.AdamW(model.parameters(), lr=options.rate, weight_decay=1e-2)
    started = time.time()
    while len(pool.faces) < options.begin or not pool.composites:
        time.sleep(0.5)
        if time.time() - started > options.seconds / 3 and pool.faces and pool.composites:
            break
        if time.time() > options.ends - REPORT_S:
            raise SystemExit("no samples were made in time")
    begun, step, sums, saved = time.time(), 0, [], time.time()
    length = options.ends - REPORT_S - begun
    print(f"begin after {begun - started:.0f} s: {len(pool.faces)} faces, {len(pool.composites)} composites", flush=True)
    while (passed := (time.time() - begun) / length) < 1:
        rate = options.rate * min(1, (step + 1) / 200) * (0.5 + 0.5 * math.cos(math.pi * passed)) + 1e-6
        for group in optimiser.param_groups:
            group["lr"] = rate
        with torch.no_grad():
            planes = augment.warp(pool.batch(rng, options.batch).float() / 255, PATCH_PX)
            rgb, area = augment.context(augment.photograph(planes[:, :3]), planes[:, AREA : AREA + 1])
            picture = augment.prepared(rgb, area).contiguous(memory_format=torch.channels_last)
        with torch.autocast(device, dtype=torch.bfloat16):
            output = model(picture)
        loss = loss_of(unfold(output.float()), planes)
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
        if step % options.every == 0:
            print(
                f"{time.time() - begun:5.0f} s  step {step}  loss {float(torch.stack(sums).mean()):.4f}  "
                f"faces {len(pool.faces)}  composites {len(pool.composites)}", flush=True
            )  # fmt: skip
            sums = []
            if time.time() - saved > 60:
                _save(options.out, steady)
                saved = time.time()
    pool.open = False
    counts = {"steps": step, "seconds": length, "faces": len(pool.faces), "composites": len(pool.composites)}
    return steady.eval(), counts


def _save(out: Path, model) -> None:
    from specimeter.training.fracture_network import to_onnx
    from specimeter.training.network import to_bytes

    files.write(out / "weights.bin", to_bytes(model))
    files.write(out / "fracture_learned.onnx", to_onnx(model))


def train_face(options: argparse.Namespace) -> None:
    """A process beside: when there are enough whole scenes, where the face lies is taught."""
    from specimeter.training.network import to_bytes

    while time.time() < options.ends - options.seconds * options.face_share:
        time.sleep(1.0)
    examples, check = ([], [])
    for path in sorted((options.out / "data").glob("where-*.npy")):
        with path.open("rb") as stream:
            (check if "check" in path.name else examples).append(np.lib.format.read_array(stream, allow_pickle=False))
    print(f"face: {len(examples)} scenes, {len(check)} to check", flush=True)
    if not examples:
        return
    resume = options.face_resume.read_bytes() if options.face_resume else None
    model = face.train(examples, {"scenes": check}, options.ends - REPORT_S + 8 - time.time(), resume)
    files.write(options.out / "face.bin", to_bytes(model))
    files.write(options.out / "area_fracture.onnx", face.to_onnx(model))


def main() -> None:
    """Make, train, report until the time is up."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seconds", type=float, default=540)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--begin", type=int, default=60, help="faces to wait for")
    parser.add_argument("--batch", type=int, default=112)
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument("--photographs", type=int, default=80, help="for tuning, and as many for the check")
    parser.add_argument("--checked", type=int, default=24, help="scenes kept aside to report on")
    parser.add_argument("--first", type=int, default=0, help="offset of the first training seed")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--every", type=int, default=200, help="steps from one printed line to the next")
    parser.add_argument("--resume", type=Path)
    parser.add_argument("--face-resume", type=Path)
    parser.add_argument("--face-share", type=float, default=0.45, help="of the time, at its end, in which the face is taught")
    options = parser.parse_args()
    options.ends = time.time() + options.seconds
    for name in ("data", "tune", "check"):
        (options.out / name).mkdir(parents=True, exist_ok=True)
    context = multiprocessing.get_context("spawn")
    others = [context.Process(target=make, args=(k, options)) for k in range(options.jobs)]
    if options.face_share:
        others.append(context.Process(target=train_face, args=(options,)))
    for one in others:
        one.start()
    model, counts = train(options)
    _save(options.out, model)
    from specimeter.training.fracture_report import report

    found = report(model, sorted((options.out / "data").glob("check-*.samples")), options.out) | counts
    files.write(options.out / "report.json", json.dumps(found, indent=1).encode())
    print(json.dumps(found), flush=True)
    for one in others:
        one.join(max(1.0, options.ends - time.time()))
        if one.is_alive():
            one.terminate()


if __name__ == "__main__":
    main()
