"""Compare segmenters on the same photographs with known truth, given the true scale, surface and area.

``python tests/benchmarks/compare_segmenters.py SURFACE FOLDER [FOLDER ...] [--methods a,b] [--jobs N] [--keep results.json]``
SURFACE: bent, broken or cut. Each folder holds what `specimeter.scene.files.save` writes: name.jpg, name.truth.json. Results
kept in a file are not made again, and join those of other methods in the tables.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Collection, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import cv2
import numpy as np

from specimeter import files
from specimeter import photo as photos
from specimeter.measure.sizes import measure
from specimeter.segment.fracture import find_fracture
from specimeter.segment.fracture_learned import find_by_fracture_network_alone, find_fracture_learned
from specimeter.segment.learned import find_by_network_alone, find_learned
from specimeter.segment.openings import find_openings
from specimeter.segment.section_features import find_by_section_network_alone, find_in_section
from specimeter.training import fracture_sample, section, split
from specimeter.validate import examine, statistics
from specimeter.validate import truth as truths


@dataclass(frozen=True)
class Surface:
    """What may be compared on a surface: each method by name, and which finishes no network was trained on."""

    methods: Mapping[str, Callable]
    held_out: Collection[str]


SURFACES = {
    "bent": Surface(
        {"classical": find_openings, "network alone": find_by_network_alone, "network and physics": find_learned},
        split.HELD_OUT["finish"],
    ),
    "broken": Surface(
        {
            "classical": find_fracture,
            "network alone": find_by_fracture_network_alone,
            "network and physics": find_fracture_learned,
        },
        fracture_sample.HELD_OUT["finish"],
    ),
    "cut": Surface(
        {
            "classical": find_openings,
            "network alone": find_by_section_network_alone,
            "network and physics": find_in_section,
        },
        section.HELD_OUT["finish"],
    ),
}


def examined(path: Path, surface_name: str, methods: list[str]) -> dict[str, dict]:
    """One photograph's result under each method, as the validation keeps it."""
    cv2.setNumThreads(1)
    compared = SURFACES[surface_name]
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    truth["features"] = [one for one in truth["features"] if one["form"] != "lamination"]  # in the plate: nobody asks for it
    photo = photos.read(path)
    photo.linear()
    scale, surface, area = truths.scale(truth), truths.surface(truth), truths.area(truth)
    results = {}
    for name in methods:
        started = time.process_time()
        outlines = compared.methods[name](photo, surface, area)
        passed = time.process_time() - started
        features = measure(outlines, photo_id="p1", surface=surface, scale=scale, area=area)
        rows, false = examine.features_against(truth, features), examine.false_calls(truth, features)
        results[name] = {
            "file": path.name,
            "held_out": truth["groups"]["finish"] in compared.held_out,
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
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("surface", choices=SURFACES)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--methods", help="names, with commas between them; else all")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    known = SURFACES[options.surface].methods
    methods = options.methods.split(",") if options.methods else list(known)
    results = json.loads(options.keep.read_text(encoding="utf-8")) if options.keep and options.keep.exists() else {}
    if missing := [name for name in methods if name not in results]:
        paths = sorted(path for folder in options.folders for path in folder.glob("*.jpg"))
        with ProcessPoolExecutor(options.jobs) as pool:
            done = list(pool.map(partial(examined, surface_name=options.surface, methods=missing), paths))
        results |= {name: [one[name] for one in done] for name in missing}
    if options.keep:
        files.write(options.keep, json.dumps(results).encode())
    results = {name: results[name] for name in known if name in results}
    print(f"### All scenes\n\n{table(results)}")
    for title, held_out in (("Groups held out of training", True), ("Groups trained on, scenes unseen", False)):
        print(f"\n### {title}\n")
        print(table({name: [r for r in done if r["held_out"] == held_out] for name, done in results.items()}))
    for name, done in results.items():
        print(f"\n### Reliability of {name}\n\n{reliability(done)}")


if __name__ == "__main__":
    main()
