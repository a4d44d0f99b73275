"""What each stage takes, beside what it can be held against, in one run; nothing here is judged. Run by hand:

    python tests/benchmarks/speed.py [--megapixels 6 24 100] [--features 10 100 1000 3000 10000] [--plot speed.svg]

- The whole command on one bend face, rendered once and enlarged to each size: seconds of every stage in a process of its own,
  its processor time as a multiple of that of decoding the same JPEG, and the peak of memory.
- Measuring so many features in 24 megapixels beside scikit-image's `regionprops_table` with the same columns, and what follows
  on it: judging them, the record, its text, the report's files; processor time.
- The start of every command (`--help`), processor time, less that of an empty Python.

The plot shows processor time against megapixels for each stage, both as powers of ten: what rises by one a decade is linear.
"""

from __future__ import annotations

import argparse
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from measuring import HEIGHT, WIDTH, compared, outlines, placed

from specimeter import job
from specimeter.cli import COMMANDS
from specimeter.judge import limits
from specimeter.library.plot import Plot
from specimeter.measure.sizes import measure
from specimeter.photo import Photo
from specimeter.record import build
from specimeter.scene.files import save
from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from specimeter.segment.model import Outline
from specimeter.sheet import Sheet
from specimeter.validate.examine import LIMITS
from specimeter.validate.resources import measured_alone

RENDERED_PX = 2832  # 6 megapixels at 4 : 3
SEED = 11


def photographs(folder: Path, megapixels: list[float]) -> dict[float, Path]:
    """One scene as a JPEG of each size, its sheet beside it; larger ones are the same picture enlarged."""
    choices = {"card": "strip", "height": "level", "bench": "paper", "finish": "blasted", "tilt_deg": 5, "angle_deg": 180.0}
    save(render(random_scene(SEED, width_px=RENDERED_PX, **choices)), folder, "scene")
    picture = cv2.imread(str(folder / "scene.jpg"))
    sheet = (folder / "scene.sheet.toml").read_text(encoding="utf-8")
    made = {}
    for size in megapixels:
        factor = float(np.sqrt(size * 1e6 / picture[..., 0].size))
        made[size] = folder / f"{size:g}.jpg"
        enlarged = cv2.resize(picture, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC)
        cv2.imwrite(str(made[size]), enlarged, [cv2.IMWRITE_JPEG_QUALITY, 92])
        made[size].with_suffix(".sheet.toml").write_text(sheet, encoding="utf-8")
    return made


def command(megapixels: list[float]) -> dict[float, dict]:
    """Stages, whole time and memory at each size."""
    with tempfile.TemporaryDirectory() as folder:
        return {size: measured_alone(photo, LIMITS) for size, photo in photographs(Path(folder), megapixels).items()}


def afterwards(count: int) -> dict[str, float]:
    """Seconds of processor time of what follows on measuring so many features."""
    rings, _ = outlines(count)
    photo = Photo(file="plain.jpg", path=Path("plain.jpg"), sha256="0" * 64, rgb=np.full((HEIGHT, WIDTH, 3), 128, np.uint8))
    specimen = {"id": "S-1", "test": "face-bend", "parent_thickness_mm": 25.0, "specimen_thickness_mm": 10.0}
    bend = {"former_diameter_mm": 290.0, "angle_deg": 180.0, "axis": "vertical"}
    sheet = Sheet.model_validate({"specimen": {**specimen, "specimen_width_mm": 100.0}, "bend": bend})
    features = measure([Outline(outline_px=ring) for ring in rings], photo_id="p1", **placed())
    seen = job.Sized(photo=photo, features=features, smallest_resolvable_mm=0.1, **placed())
    took = {}

    def timed(name: str, stage: Callable[[], Any]) -> Any:
        before = time.process_time()
        answer = stage()
        took[name] = time.process_time() - before
        return answer

    finding = timed("judging", lambda: job.judged(seen, sheet, limits.read(LIMITS)))
    when = datetime.now(UTC)
    record = timed("record", lambda: build.build(finding, sheet=sheet, limits=None, settings={}, when=when))
    timed("its text", lambda: build.to_json(record))
    timed("report", lambda: job.report_files([photo], record))
    return took


def starts(repeats: int = 3) -> dict[str, float]:
    """Seconds of processor time that each command's help takes more than an empty Python: the least of a few runs."""

    def least(*arguments: str) -> float:
        seconds = []
        for _ in range(repeats):
            before = os.times()
            subprocess.run([sys.executable, *arguments], capture_output=True, check=True)
            after = os.times()
            seconds.append(sum(after[2:4]) - sum(before[2:4]))  # of the children
        return min(seconds)

    empty = least("-c", "pass")
    calls = {"(all)": ["--help"]} | {name: [name, "--help"] for name in COMMANDS}
    return {name: least("-m", "specimeter", *call) - empty for name, call in calls.items()}


def plotted(found: dict[float, dict], names: list[str]) -> bytes:
    """Seconds of processor time against megapixels, each stage a line, both as powers of ten."""
    x = np.log10(list(found))
    rows = [[max(one["stages_processor_s"].get(name, 0.0), 1e-3) for one in found.values()] for name in names]
    y = np.log10(rows)
    plot = Plot("Time of each stage", (x.min(), x.max()), (y.min(), y.max()), x_title="log10 MP", y_title="log10 s")
    for place, values in enumerate(y):
        plot.dots(x, values, place % 4, joined=True)
    plot.legend(names[:4])
    return plot.alone()


def main() -> None:
    """Everything that was asked for, as tables on stdout."""
    parser = argparse.ArgumentParser(description="Time and memory of each stage, beside what it can be held against.")
    parser.add_argument("--megapixels", type=float, nargs="*", default=[6, 24, 100])
    parser.add_argument("--features", type=int, nargs="*", default=[10, 100, 1000, 3000, 10_000])
    parser.add_argument("--starts", action="store_true", help="also the start of every command")
    parser.add_argument("--plot", type=Path, help="an SVG of seconds against megapixels")
    options = parser.parse_args()
    load = os.getloadavg()[0]
    print(f"{platform.processor() or platform.machine()}, {os.cpu_count()} cores, load {load:.1f}, OpenCV {cv2.__version__}\n")
    found = command(options.megapixels) if options.megapixels else {}
    for size, one in found.items():
        if "error" in one:
            print(f"{size:g} MP: {one['error']}")
            continue
        print(f"{size:g} MP: command {one['command_s']:.2f} s, peak {one['peak_mb']:.0f} MB; wall and processor time:")
        decode_s = one["decode_processor_s"]
        print(f"    {'decoding':14s} {one['decode_s']:7.2f} s {decode_s:7.2f} s")
        print(f"    {'job':14s} {one['job_s']:7.2f} s {one['job_processor_s']:7.2f} s")
        for name, seconds in one["stages_processor_s"].items():
            print(f"    {name:14s} {one['stages_s'][name]:7.2f} s {seconds:7.2f} s {seconds / decode_s:6.1f} x decoding")
    for count in options.features:
        rings, ours, theirs, _ = compared(count, repeats=3)
        after = ", ".join(f"{name} {seconds:.3f} s" for name, seconds in afterwards(count).items())
        beside = f"regionprops_table {theirs:7.2f} s, ratio {theirs / ours:5.1f}"
        print(f"measuring {len(rings):6d} features: {ours:7.3f} s, {beside}; {after}", flush=True)
    if options.starts:
        for name, seconds in starts().items():
            print(f"start of {name:10s} {seconds:6.2f} s of processor time over an empty Python")
    if options.plot:
        sound = {size: one for size, one in found.items() if "error" not in one}
        options.plot.write_bytes(plotted(sound, list(next(iter(sound.values()))["stages_s"])))


if __name__ == "__main__":
    main()
