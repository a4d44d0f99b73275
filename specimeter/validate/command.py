"""The validate command: scenes in a pool of processes, progress with the time left, the table, and the files."""

from __future__ import annotations

import argparse
import hashlib
import os
import platform
import secrets
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from importlib import metadata
from pathlib import Path
from typing import Any

import cv2

from specimeter import __version__, files, scale, segment
from specimeter.errors import SpecimeterError
from specimeter.sheet import MACRO_TESTS
from specimeter.validate import groups, reference, sections, statistics, table
from specimeter.validate.examine import LIMITS, RESERVED, Result, examine, prepare
from specimeter.validate.options import BENDS
from specimeter.validate.resources import measured_alone

LARGE_PX = 5664  # 24 megapixels at 4 : 3
ALL = (BENDS, "nick-break", "fillet-break", "macro-fillet", "macro-butt")
LIBRARIES = ("opencv-python-headless", "numpy", "scipy", "scikit-image")
NETWORKS = sorted(path for room in (scale, segment) for path in Path(room.__path__[0]).glob("*.onnx"))
FRESH = 10_000_000  # drawn seeds lie from here to twice this: nobody has used one while changing the tool


def run(options: argparse.Namespace) -> int:
    """Run the validation; returns the exit status (0: it ran, whatever it found; 130: interrupted, nothing written)."""
    if options.scenes < 1 or options.jobs < 1 or options.width < 400:
        raise SpecimeterError("scenes and jobs are 1 or more, width is 400 px or more", mend="specimeter validate --help")
    if options.seed is None:
        options.seed = FRESH + secrets.randbelow(FRESH)
    for folder in filter(None, (options.out, options.cache)):
        folder.mkdir(parents=True, exist_ok=True)
    when = datetime.now(UTC)
    try:
        with tempfile.TemporaryDirectory(prefix="specimeter-scenes-") as scratch:
            folder = options.cache or Path(scratch)
            parts = [part for test in ALL if options.test in (test, "all") if (part := _part(test, options, folder))]
            parts = parts or [part for part in [_part(options.test, options, folder)] if part]
            if options.render_only:
                return 0
            if options.stage == "all":
                parts.append(_fits())
            if options.large:
                parts[0] = replace(parts[0], rows=[*parts[0].rows, *_large(folder)])
    except KeyboardInterrupt:
        print("\nvalidation interrupted; nothing was written", file=sys.stderr)
        return 130
    about = _about(options, when)
    print(table.terminal(parts))
    if options.out:
        files.write(options.out / "validation.json", table.as_json(parts, about).encode())
        files.write(options.out / "validation.md", table.markdown(parts, about).encode())
        path = files.write(options.out / "validation.pdf", table.as_pdf(parts, about, when=when))
        print(f"\nWritten: {path}, validation.md and validation.json")
    return 0


def _part(test: str, options: argparse.Namespace, folder: Path) -> table.Part | None:
    """Run the scenes of one test; None where they were only rendered."""
    seeds = range(RESERVED + options.seed, RESERVED + options.seed + options.scenes)
    scenes_of = None if test == BENDS else test
    if options.render_only:
        for _ in _each(partial(_rendered, width_px=options.width, folder=folder, test=scenes_of), seeds, options.jobs, test):
            pass
        return None
    cut = test in MACRO_TESTS
    more: dict[str, Any] = {} if cut else {"stage": options.stage, "method": options.method}
    examine_one: Callable[..., Result] = sections.examine if cut else examine
    work = partial(examine_one, width_px=options.width, folder=folder, test=scenes_of, **more)
    results = sorted(_each(work, seeds, options.jobs, test), key=lambda result: result["seed"])
    return table.Part(
        title=f"{test.replace('-', ' ')}: {len(results)} scenes",
        rows=(sections if cut else statistics).rows(results),
        failures=statistics.failures(results),
        beside=table.HAND_IS if cut else table.PLAIN_IS,
        groups=groups.rows(results),
        results=results,
    )


def _fits() -> table.Part:
    """The fits that every figure rests on, against solutions in high precision."""
    title = f"least-squares fits: {len(reference.SHAPES)} shapes, {reference.SETS} reference sets of each"
    return table.Part(title=title, rows=reference.rows(), failures=(), beside=reference.SAYS, groups=(), results=())


def _rendered(seed: int, *, width_px: int, folder: Path, test: str | None) -> Result:
    if test in MACRO_TESTS:
        sections.prepare(seed, width_px, folder, test)
    else:
        prepare(seed, width_px, folder, test)
    return {"seed": seed, "error": None}


def _each(work: partial, seeds: range, jobs: int, name: str) -> Iterator[Result]:
    """Results as they come, with a progress line; on interruption the workers are stopped first."""
    started = time.monotonic()
    if jobs == 1:
        for number, seed in enumerate(seeds, start=1):
            yield work(seed)
            _progress(name, number, len(seeds), started)
        return
    pool = ProcessPoolExecutor(max_workers=min(jobs, len(seeds)), initializer=_quiet_worker)
    try:
        waiting = {pool.submit(work, seed) for seed in seeds}
        number = 0
        while waiting:
            done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
            for future in done:
                yield future.result()
                number += 1
                _progress(name, number, len(seeds), started)
    finally:
        for process in list((pool._processes or {}).values()) if waiting else []:
            process.terminate()
        pool.shutdown(wait=True, cancel_futures=True)


def _quiet_worker() -> None:
    """The parent alone answers Ctrl-C, and each worker uses one core."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)


def _progress(name: str, number: int, of: int, started: float) -> None:
    left = (time.monotonic() - started) / number * (of - number)
    end = "\n" if number == of else ""
    print(
        f"\r  {name}: {number} of {of} scenes, {left / 60:.0f} min {left % 60:2.0f} s left ",
        end=end,
        file=sys.stderr,
        flush=True,
    )


def _large(folder: Path) -> list[statistics.Row]:
    """Time and memory for one photograph of 24 megapixels."""
    answer = measured_alone(prepare(RESERVED + 1, LARGE_PX, folder), LIMITS)
    if "error" in answer:
        return [statistics.Row(what="24 MP photograph", specimeter=answer["error"])]
    row = statistics.Row
    return [
        row(what="24 MP: whole command, report included, s", goal="at most 3", specimeter=f"{answer['command_s']:.1f}"),
        row(what="24 MP: peak memory, MB", goal="at most 900", specimeter=f"{answer['peak_mb']:.0f}"),
        row(what="24 MP: decoding the JPEG, s", specimeter=f"{answer['decode_s']:.2f}"),
        *(row(what=f"24 MP: {name}, s", specimeter=f"{seconds:.2f}") for name, seconds in answer["stages_s"].items()),
    ]


def _about(options: argparse.Namespace, when: datetime) -> dict[str, Any]:
    first = RESERVED + options.seed
    return {
        "specimeter": __version__,
        "date": when.strftime("%Y-%m-%d %H:%M UTC"),
        "scenes": f"{options.scenes} of each test, seeds from {first}, {options.width} px wide; each fifth is clean",
        "tests": options.test,
        "stages": "the main job" if options.stage == "all" else "finding and measuring, given true scale, surface and area",
        "segmenter": options.method,
        "libraries": ", ".join(f"{name} {metadata.version(name)}" for name in LIBRARIES),
        "networks": ", ".join(f"{path.name} {hashlib.sha256(path.read_bytes()).hexdigest()[:16]}" for path in NETWORKS),
        "machine": f"{platform.machine()}, {os.cpu_count()} cores, {platform.system()}, Python {platform.python_version()}",
    }
