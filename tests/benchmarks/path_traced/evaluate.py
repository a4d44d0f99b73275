"""What the whole job makes of path-traced pictures: found and missed openings, false calls, sizes, scale and area.

``python tests/benchmarks/path_traced/evaluate.py FOLDER [--json FILE] [--alone]`` on what `bend.py` or `nick.py`
wrote. `--alone`: the finder alone, given the true scale, surface and area.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import cv2
import numpy as np

from specimeter import files, job
from specimeter import photo as photos
from specimeter import sheet as sheets
from specimeter.errors import SpecimeterError
from specimeter.measure.sizes import measure
from specimeter.segment.registry import for_test, segmenter
from specimeter.validate import examine, statistics
from specimeter.validate import truth as truths

FAIR_MM, FAIR_PX = 0.5, 8.0


def examined(path: Path, *, alone: bool = False) -> dict:
    """One photograph's result, as the validation keeps it."""
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    photo, sheet = photos.read(path), sheets.read(path.with_suffix(".sheet.toml"))
    result = {"file": path.name, "groups": truth["groups"], "clean": not truth["features"], "error": None}
    try:
        if alone:
            scale, surface, area = truths.scale(truth), truths.surface(truth), truths.area(truth)
            outlines = segmenter(for_test("learned", sheet.specimen.test))(photo, surface, area)
            features = measure(outlines, photo_id="p1", surface=surface, scale=scale, area=area)
        else:
            found = job.search(photo, sheet, method="learned", progress=lambda stage: None)
            scale, surface, area, features = found.scale, found.surface, found.area, found.features
    except SpecimeterError as error:
        return result | {"error": {"stage": "", "type": type(error).__name__, "message": error.problem}}
    return result | {
        "scale": examine.scale_against(truth, scale, surface, area),
        "area": examine.area_against(truth, scale, surface, area),
        "truth": examine.features_against(truth, features),
        "false_calls": examine.false_calls(truth, features),
    }


def said(one: dict) -> str:
    """A line a photograph."""
    if one["error"]:
        return f"{one['file']}: {one['error']['type']}: {one['error']['message']}"
    fair = [f for f in one["truth"] if not f["cut"] and f["length_mm"] >= FAIR_MM and f["length_px"] >= FAIR_PX]
    lost = [f"{f['form']} of {f['fill']} {f['length_mm']:.1f} mm" for f in fair if not f["found"]]
    off = one["scale"]["error"]
    return (
        f"{one['file']} ({one['groups']['finish']}, {one['groups']['light']}): {len(fair) - len(lost)} of {len(fair)} found, "
        f"{len(one['false_calls'])} false {[f['on'] for f in one['false_calls']]}, area {one['area']['overlap']:.2f}, "
        f"scale {'lost' if off is None else f'{100 * off:+.2f} %'}" + (f"; missed {', '.join(lost)}" if lost else "")
    )


def main() -> None:
    """Print a line a photograph, then the rows of the validation's table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--alone", action="store_true")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    results = []
    for path in sorted(options.folder.glob("*-*.jpg"), key=lambda file: int(file.stem.split("-")[1])):
        results.append(examined(path, alone=options.alone))
        print(said(results[-1]), flush=True)
    done = [result | {"plain_truth": result["truth"], "plain_false_calls": []} for result in results if result["error"] is None]
    if options.json:
        files.write(options.json, json.dumps(results, default=float).encode())
    for row in (
        (statistics.scale_rows(done) + statistics.area_rows(done)) * (not options.alone)
        + statistics.finding_rows(done)
        + statistics.size_rows(done)
    ):
        print(f"{row.what}: {row.specimeter} (of {row.n})")
    lengths = [f["found"]["length_mm"] / f["length_mm"] - 1 for r in done for f in r["truth"] if f["found"] and not f["cut"]]
    print(f"length errors, %: {np.round(100 * np.sort(lengths), 1).tolist()}")


if __name__ == "__main__":
    main()
