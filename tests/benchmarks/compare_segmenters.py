"""Compare segmenters on the same photographs with known truth, given the true scale, surface and area.

``python tests/benchmarks/compare_segmenters.py FOLDER [FOLDER ...] [--methods a,b] [--jobs N]``
Each folder holds what `specimeter.scene.files.save` writes: name.jpg, name.truth.json.
"""

from __future__ import annotations

import argparse
import json
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import cv2
import numpy as np

from specimeter import photo as photos
from specimeter.measure.sizes import measure
from specimeter.segment.learned import find_by_network_alone, find_learned
from specimeter.segment.openings import find_openings
from specimeter.training.split import HELD_OUT
from specimeter.validate import examine, statistics
from specimeter.validate import truth as truths

METHODS = {"classical": find_openings, "network alone": find_by_network_alone, "network and physics": find_learned}


def examined(path: Path, methods: list[str]) -> dict[str, dict]:
    """One photograph's result under each method, as the validation keeps it."""
    cv2.setNumThreads(1)
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    photo = photos.read(path)
    photo.linear()
    scale, surface, area = truths.scale(truth), truths.surface(truth), truths.area(truth)
    results = {}
    for name in methods:
        started = time.process_time()
        outlines = METHODS[name](photo, surface, area)
        passed = time.process_time() - started
        features = measure(outlines, photo_id="p1", surface=surface, scale=scale, area=area)
        rows, false = examine.features_against(truth, features), examine.false_calls(truth, features)
        results[name] = {
            "file": path.name,
            "held_out": truth["groups"]["finish"] in HELD_OUT["finish"],
            "clean": not truth["features"],
            "time_s": passed,
            "truth": rows,
            "plain_truth": rows,
            "false_calls": false,
            "plain_false_calls": false,
        }
    return results


def table(results: dict[str, list[dict]]) -> str:
    """The same rows for every method, side by side, in Markdown."""
    columns = {name: statistics.finding_rows(done) + statistics.size_rows(done) for name, done in results.items()}
    lines = ["| what | goal | n | " + " | ".join(columns) + " |", "|---|---|---|" + "---|" * len(columns)]
    for rows in zip(*columns.values(), strict=True):
        lines.append(f"| {rows[0].what} | {rows[0].goal} | {rows[0].n} | " + " | ".join(row.specimeter for row in rows) + " |")
    times = " | ".join(f"{np.median([r['time_s'] for r in done]):.2f}" for done in results.values())
    return "\n".join([*lines, f"| processor time of finding, s (median) |  |  | {times} |"])


def reliability(done: list[dict]) -> str:
    """How often a call of some confidence is right."""
    calls = [(f["found"]["confidence"], True) for r in done for f in r["truth"] if f["found"]]
    calls += [(f["confidence"], False) for r in done for f in r["false_calls"]]
    lines = ["| confidence | calls | right |", "|---|---|---|"]
    for low, high in ((0.4, 0.5), (0.5, 0.7), (0.7, 0.85), (0.85, 0.95), (0.95, 1.01)):
        held = [right for confidence, right in calls if low <= confidence < high]
        lines.append(
            f"| {low} to {min(high, 1.0)} | {len(held)} | {np.mean(held):.2f} |" if held else f"| {low} to {high} | 0 | |"
        )
    return "\n".join(lines)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--methods", default=",".join(METHODS))
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    methods = options.methods.split(",")
    results: dict[str, list[dict]] = {name: [] for name in methods}
    paths = sorted(p for folder in options.folders for p in folder.glob("*.jpg"))
    with ProcessPoolExecutor(options.jobs) as pool:
        for one in pool.map(partial(examined, methods=methods), paths):
            for name, result in one.items():
                results[name].append(result)
    print(f"## All scenes\n\n{table(results)}")
    for title, held_out in (("Groups held out of training", True), ("Groups trained on, scenes unseen", False)):
        print(f"\n## {title}\n")
        print(table({name: [r for r in done if r["held_out"] == held_out] for name, done in results.items()}))
    for name, done in results.items():
        print(f"\n## Reliability of {name}\n\n{reliability(done)}")


if __name__ == "__main__":
    main()
