"""How long one act of a review takes with thousands of features: the record in memory, and the report drawn again.

    python tests/benchmarks/review_acts.py [NUMBER]

Processor time, so that what else the machine does counts little. The record is a sample's with NUMBER (3000) small ovals.
"""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime

import cv2
import numpy as np

from specimeter import job
from specimeter import photo as photos
from specimeter import sheet as sheets
from specimeter.data import sample_images
from specimeter.judge import limits as judge_limits
from specimeter.record import build, edit, rebuild, recompute
from specimeter.record.model import Record

SAMPLE = "face-bend-within"
WHO = {"by": "A. Reader"}


def crowded(number: int) -> tuple[photos.Photo, Record]:
    """The sample's record with `number` ovals of 8 x 6 px spread over its examined area."""
    base = str(sample_images() / SAMPLE)
    sheet, limits, photo = (
        sheets.read(f"{base}.sheet.toml"),
        judge_limits.read(f"{base}.limits.toml"),
        photos.read(f"{base}.jpg"),
    )
    found = job.find(photo, sheet, limits, method="openings", progress=lambda stage: None)
    record = build.build(found, sheet=sheet, limits=limits, settings={"segmenter": "openings"}, when=datetime.now(UTC))
    outline = np.asarray(rebuild.area_of(record).outline_px, np.float32)
    low, high = outline.min(axis=0), outline.max(axis=0)
    side = int(np.ceil(1.35 * np.sqrt(number)))
    places = [(x, y) for x in np.linspace(low[0], high[0], side) for y in np.linspace(low[1], high[1], side)]
    places = [at for at in places if cv2.pointPolygonTest(outline, (float(at[0]), float(at[1])), True) > 12][:number]
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    oval = np.column_stack([4 * np.cos(turn), 3 * np.sin(turn)])
    first = record.features[0].model_copy(update={"tips_px": None, "budget": ()})
    features = tuple(
        first.model_copy(update={"id": f"f{k}", "outline_px": tuple(map(tuple, (oval + at).tolist()))})
        for k, at in enumerate(places, 1)
    )
    return photo, recompute.recompute(record.model_copy(update={"features": features}))


def main(number: int = 3000) -> None:
    photo, record = crowded(number)
    print(f"{len(record.features)} features")
    acts = {
        "confirm": lambda one: edit.confirm(one, ["f1"], when=datetime.now(UTC), **WHO),
        "kind": lambda one: edit.classify(one, "f2", kind="crack", when=datetime.now(UTC), **WHO),
        "reject": lambda one: edit.reject(one, ["f3"], why="a scratch from the jig", when=datetime.now(UTC), **WHO),
        "the report and all files": lambda one: job.folder_files([photo], one) and one,
    }
    for name, act in acts.items():
        began = time.process_time()
        record = act(record)
        print(f"{name:<26} {time.process_time() - began:6.2f} s")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:2]))
