"""Do other interpreters and libraries give the same numbers? Every sample, measured by each, against the first; judges nothing.

    python tests/benchmarks/same_numbers.py PYTHON PYTHON... [--threads 1 4]

PYTHON are interpreters of environments with this package, each with its own Python, OpenCV or NumPy; `--threads` runs each
again with so many threads. Printed for each: its versions, how many samples end the same, whether the same features are found,
and the greatest differences of their lengths, widths and areas, absolute and in their own U.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
SIZES = ("length_mm", "width_mm", "area_mm2")
VERSIONS = """
import platform, cv2, numpy, scipy
print(platform.python_version(), cv2.__version__, numpy.__version__, scipy.__version__)
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What one interpreter made of one sample: how it ends, the scale, each feature's kind, sizes and their U."""

    outcome: str
    mm_per_px: float
    features: tuple[dict, ...]


def measured(python: str, threads: int | None, photo: Path, folder: Path) -> Measured:
    """One sample, by another interpreter in a process of its own."""
    command = [python, "-m", "specimeter", "measure", photo, "--sheet", photo.with_suffix(".sheet.toml")]
    command += ["--limits", photo.with_suffix(".limits.toml"), "--out", folder]
    own = (
        {}
        if threads is None
        else dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"), str(threads))
    )
    subprocess.run([*map(str, command)], check=True, capture_output=True, env={**os.environ, **own}, cwd=folder)
    record = json.loads(next(folder.glob("*/record.json")).read_text(encoding="utf-8"))
    features = sorted(record["features"], key=lambda one: tuple(one["outline_px"][0]))
    return Measured(outcome=record["outcome"], mm_per_px=record["scales"][0]["mm_per_px"], features=tuple(features))


def all_samples(python: str, threads: int | None) -> dict[str, Measured]:
    """Every sample by one interpreter."""
    made = {}
    for photo in sorted(SAMPLES.glob("*.jpg")):
        with tempfile.TemporaryDirectory() as folder:
            made[photo.stem] = measured(python, threads, photo, Path(folder))
    return made


def compared(one: dict[str, Measured], other: dict[str, Measured]) -> str:
    """The lines that say how far two interpreters are apart."""
    same = sum(one[name].outcome == other[name].outcome for name in one)
    scale = max(abs(other[name].mm_per_px / one[name].mm_per_px - 1) for name in one)
    lines = [f"  {same} of {len(one)} samples end the same; scale differs by up to {scale:.1e} of itself"]
    for name, first in one.items():
        kinds, others = ([feature["kind"] for feature in some.features] for some in (first, other[name]))
        if kinds != others:
            lines.append(f"  {name}: {len(kinds)} features, {len(others)} with the other, or of other kinds")
    for size in SIZES:
        pairs = [
            (a[size], b[size], a[f"U_{size}"])
            for name, first in one.items()
            if len(first.features) == len(other[name].features)
            for a, b in zip(first.features, other[name].features, strict=True)
            if a.get(size) is not None and b.get(size) is not None
        ]
        most = max(abs(b - a) for a, b, _ in pairs)
        in_u = max(abs(b - a) / u for a, b, u in pairs)
        lines.append(f"  {size}: up to {most:.1e} apart, {in_u:.1e} of its U ({len(pairs)} features)")
    return "\n".join(lines)


def main() -> None:
    """Print how far each interpreter is from the first."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("python", nargs="+")
    options.add_argument("--threads", type=int, nargs="*", default=[])
    options = options.parse_args()
    first = None
    for python in options.python:
        versions = subprocess.run([python, "-c", VERSIONS], check=True, capture_output=True, text=True).stdout.split()
        for threads in [None, *options.threads]:
            print(
                "Python {}, OpenCV {}, NumPy {}, SciPy {}".format(*versions),
                f"{threads} threads" if threads else "",
                flush=True,
            )
            made = all_samples(python, threads)
            first = first or made
            print(compared(first, made), flush=True)


if __name__ == "__main__":
    main()
