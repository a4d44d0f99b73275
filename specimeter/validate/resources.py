"""Time and peak memory of the main job on one photograph, in processes of its own."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

READINGS = 3  # of the photograph; the first also gives back what the job held


def measured_alone(photo_file: Path, limits_file: Path) -> dict[str, Any]:
    """Seconds of the main job, report included, of its stages, and peak memory in MB, each in a fresh process.

    `command_s` is `specimeter measure` as a person runs it, with Python's start; `job_s` and the stages are of another run,
    `decode_s` of the quickest of some readings of the photograph after it. All are of the wall clock but what ends with
    `processor_s`, which tell more where others use the machine.
    """
    with tempfile.TemporaryDirectory() as folder:
        files = (str(photo_file), "--sheet", str(photo_file.with_suffix(".sheet.toml")), "--limits", str(limits_file))
        started = time.perf_counter()
        command = _run("specimeter", "measure", *files, "--out", folder)
        command_s = time.perf_counter() - started
    stages = _run(__name__, str(photo_file), str(limits_file))
    for process in (command, stages):
        if process.returncode:
            return {"error": (process.stderr.strip().splitlines() or ["no message"])[-1]}
    return {"command_s": command_s, **json.loads(stages.stdout)}


def _run(*module: str) -> subprocess.CompletedProcess[str]:
    alike = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}  # as the command itself sets it
    return subprocess.run([sys.executable, "-m", *module], capture_output=True, text=True, check=False, env=alike)


def _main(photo: str, limits: str) -> None:
    from importlib import import_module

    from specimeter import job
    from specimeter import photo as photos

    for part in ("special", "ndimage", "spatial", "fft", "optimize"):  # of SciPy: the command loads them beside other work
        import_module(f"scipy.{part}")
    stages: list[str] = []
    clocks: list[tuple[float, float]] = []

    def begins(stage: str) -> None:
        stages.append(stage.split(":")[0])
        clocks.append((time.perf_counter(), time.process_time()))

    with tempfile.TemporaryDirectory() as folder:
        job.measure(
            photo,
            Path(photo).with_suffix(".sheet.toml"),
            limits,
            out=folder,
            progress=begins,
        )
    begins("end")
    peak_mb = _peak_mb()
    took = {
        name: tuple(late - early for early, late in zip(before, after, strict=True))
        for name, before, after in zip(stages, clocks[:-1], clocks[1:], strict=False)
    }
    reading: list[tuple[float, float]] = []
    for _ in range(READINGS):
        began = time.perf_counter(), time.process_time()
        photos.read(photo)
        reading.append((time.perf_counter() - began[0], time.process_time() - began[1]))
    decode_s, decode_processor_s = map(min, zip(*reading, strict=True))
    answer = {
        "decode_s": decode_s,
        "decode_processor_s": decode_processor_s,
        "job_s": sum(wall for wall, _ in took.values()),
        "job_processor_s": sum(processor for _, processor in took.values()),
        "stages_s": {name: wall for name, (wall, _) in took.items()},
        "stages_processor_s": {name: processor for name, (_, processor) in took.items()},
        "peak_mb": peak_mb,
    }
    print(json.dumps(answer))


def _peak_mb() -> float:
    """Greatest resident memory of this process so far, in MB.

    On Linux `ru_maxrss` starts at what the parent had when it started this process, so the kernel's own count is read.
    """
    status = Path("/proc/self/status")
    if status.exists():
        return next(int(line.split()[1]) for line in status.read_text().splitlines() if line.startswith("VmHWM")) * 1024 / 1e6
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)


if __name__ == "__main__":
    _main(*sys.argv[1:])
