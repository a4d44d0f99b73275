"""Compare segmenters on the same photographs of broken faces with known truth, given the true scale, surface and area.

``python tests/benchmarks/compare_fracture.py FOLDER [--methods a,b] [--keep results.json]``; the folder holds name.jpg and
name.truth.json. Results kept in a file are not made again, and join those of other methods in the tables.
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import compare_segmenters as compare
import cv2

from specimeter import files
from specimeter.segment.fracture import find_fracture
from specimeter.segment.fracture_learned import find_by_fracture_network_alone, find_fracture_learned
from specimeter.training.fracture_sample import HELD_OUT

cv2.setNumThreads(1)
compare.HELD_OUT = HELD_OUT
compare.METHODS = {
    "classical": find_fracture,
    "network alone": find_by_fracture_network_alone,
    "network and physics": find_fracture_learned,
}


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--methods", default=",".join(compare.METHODS))
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    methods = options.methods.split(",")
    results = json.loads(options.keep.read_text()) if options.keep and options.keep.exists() else {}
    missing = [name for name in methods if name not in results]
    if missing:
        with ProcessPoolExecutor(options.jobs) as pool:
            done = list(pool.map(partial(compare.examined, methods=missing), sorted(options.folder.glob("*.jpg"))))
        results |= {name: [one[name] for one in done] for name in missing}
    if options.keep:
        files.write(options.keep, json.dumps(results).encode())
    results = {name: results[name] for name in compare.METHODS if name in results}
    print(f"### All scenes\n\n{compare.table(results)}")
    for title, held_out in (("Groups held out of training", True), ("Groups trained on, scenes unseen", False)):
        print(f"\n### {title}\n")
        print(compare.table({name: [r for r in done if r["held_out"] == held_out] for name, done in results.items()}))
    for name, done in results.items():
        print(f"\n### Reliability of {name}\n\n{compare.reliability(done)}")


if __name__ == "__main__":
    main()
