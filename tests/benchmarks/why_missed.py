"""Why the whole job misses openings of random bends, and what is wrong with lengths that are off: one cause for each.

``python tests/benchmarks/why_missed.py CACHE --first SEED [--scenes 40] [--width 2000] [--json FILE]``
Scenes are drawn into CACHE as `specimeter validate` draws them; seeds of 900000 to 999999, and from 10900000, stay unseen.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

from specimeter import files, job
from specimeter import photo as photos
from specimeter import sheet as sheets
from specimeter.measure.sizes import measure
from specimeter.segment import learned
from specimeter.segment.network import inside, look
from specimeter.segment.sharpness import blur_of
from specimeter.validate import examine, statistics
from specimeter.validate import truth as truths
from specimeter.validate.match import match

NEAR_PX = 3  # of the photograph: where the light around an opening, and the network's log-odds for it, are read
FAR_PX = 9
CONTRASTS = (-np.inf, 1.0, 1.5, 3.0, np.inf)  # darkness over the scatter of the light beside: classes of how well one shows
LEAST_OF_IT = 0.3  # an outline that covers so much of another feature, or of a mark, has taken it along


def filled(outline: np.ndarray, shape: tuple[int, int], grown_px: int = 0) -> np.ndarray:
    """The pixels of an outline, grown; bool."""
    held = np.zeros(shape, np.uint8)
    cv2.fillPoly(held, [np.round(np.asarray(outline) * 16).astype(np.int32)], 1, shift=4)
    return (cv2.dilate(held, np.ones((2 * grown_px + 1,) * 2, np.uint8)) if grown_px else held) > 0


def examined(seed: int, *, width: int, cache: Path) -> dict:
    """One scene: its features of 0.5 mm and 8 px or more, each with how well it shows, and what became of it."""
    cv2.setNumThreads(1)
    path = examine.prepare(seed, width, cache)
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    photo, sheet = photos.read(path), sheets.read(path.with_suffix(".sheet.toml"))
    try:
        placed = job.place(photo, sheet, progress=lambda stage: None)
    except job.SpecimeterError as error:
        return {"seed": seed, "rows": [], "false": [], "error": error.problem}
    light, blur = photo.linear(), blur_of(photo, placed.area)
    seen = look(photo, placed.surface, placed.area, learned.NETWORK)
    held = learned.candidates(seen, placed.area, light, blur)
    called = learned.find_learned(photo, placed.surface, placed.area)
    features = measure(called, photo_id="p1", surface=placed.surface, scale=placed.scale, area=placed.area)
    # what was measured, had the place of the surface been known: the share of the outline alone in an error
    known = measure(
        called, photo_id="p1", surface=truths.surface(truth), scale=truths.scale(truth), area=replace(placed.area, edges_px=())
    )
    rings = [np.array(one["outline_px"]) for one in truth["features"]]
    pairs = dict(match(rings, [one.outline_px for one in features]))
    among = dict(match(rings, [one.edge.outline_px for one in held]))
    lies = inside(placed.area, photo.rgb.shape[:2])
    rows = []
    for k, (true, beyond) in enumerate(zip(truth["features"], truths.cut(truth), strict=True)):
        long_px = examine.extent_px(true["outline_px"])
        if beyond or true["length_mm"] < statistics.FAIR_MM or long_px < statistics.FAIR_PX:
            continue
        own = filled(rings[k], photo.rgb.shape[:2])
        row = {"seed": seed, **{name: true[name] for name in ("form", "fill", "length_mm", "width_mm")}}
        row |= {
            "finish": truth["groups"]["finish"],
            "light": truth["groups"]["light"],
            "length_px": long_px,
            **shows(light, rings[k]),
        }
        row |= {"width_px": true["width_mm"] / truth["mm_per_px"], "within": float(lies[own].mean()) if own.any() else 1.0}
        row["log_odds"] = said(seen, rings[k])
        if k in pairs:
            row |= of_length(k, pairs[k], truth, rings, features, known, lies)
        else:
            row |= missed(row, rings[k], held[among[k]] if k in among else None, features)
        rows.append(row)
    false = examine.false_calls(truth, features)
    return {"seed": seed, "rows": rows, "false": [(one["on"], one["confidence"]) for one in false], "error": None}


def shows(light: np.ndarray, ring: np.ndarray) -> dict:
    """How an opening shows: darkness against the light beside it, and that over the scatter there."""
    low = np.maximum(ring.min(axis=0).astype(int) - FAR_PX - 2, 0)
    high = ring.max(axis=0).astype(int) + FAR_PX + 3
    piece = light[low[1] : high[1], low[0] : high[0]]
    own = filled(ring - low, piece.shape)
    around = filled(ring - low, piece.shape, FAR_PX) & ~filled(ring - low, piece.shape, NEAR_PX)
    if not own.any() or not around.any():
        return {"darkness": 0.0, "contrast": 0.0}
    beside = float(np.median(piece[around]))
    scatter = 1.4826 * float(np.median(np.abs(piece[around] - beside)))
    step = beside - float(np.median(piece[own]))
    return {"darkness": step / max(beside, 1e-4), "contrast": step / max(scatter, 1e-4)}


def said(seen, ring: np.ndarray) -> float:
    """The greatest log-odds that the network gives within an outline and a pixel or so beside it."""
    own = filled(seen.from_photograph(ring), seen.usable.shape, 1) & seen.usable
    return float(seen.log_odds[learned.FEATURE][own].max()) if own.any() else -20.0


def missed(row: dict, ring: np.ndarray, nearest, features) -> dict:
    """Why a feature was not found."""
    odds = None if nearest is None else nearest.odds
    if row["within"] < 0.5:
        why = "outside the examined area"
    elif nearest is not None and not nearest.called:
        why = "confidence under the threshold"
    elif match([ring], [one.outline_px for one in features]):
        why = "called together with another"
    elif nearest is not None:
        why = "called and dropped"
    elif row["log_odds"] >= learned.LEAST_PEAK:
        why = "outline too far off"
    else:
        why = "the network sees nothing"
    return {"found": False, "why": why, "odds": odds}


def of_length(k: int, number: int, truth: dict, rings: list, features, known, lies: np.ndarray) -> dict:
    """Error of a length, and what is wrong with the outline where it is off."""
    true, got = truth["features"][k]["length_mm"], features[number].length_mm
    if got is None or true < statistics.SIZED_MM:
        return {"found": True, "why": "", "error": None}
    tolerated = max(statistics.BAND_MM, statistics.BAND_SHARE * true)
    error, outlined = got - true, known[number].length_mm
    if abs(error) <= tolerated:
        return {"found": True, "why": "", "error": error}
    ring, outline = rings[k], np.asarray(features[number].outline_px)
    own, got_px = filled(ring, lies.shape, 1), filled(outline, lies.shape)
    others = [filled(other, lies.shape) for j, other in enumerate(rings) if j != k]
    marks = [filled(np.array(mark["outline_px"]), lies.shape) for mark in truth["distractors"]]
    parts = [one for j, one in enumerate(features) if j != number and match([ring], [one.outline_px])]
    if outlined is not None and abs(outlined - true) <= tolerated:
        why = "place of the surface"
    elif error > 0:
        beyond = got_px & ~own
        if any((got_px & other).sum() > LEAST_OF_IT * max(other.sum(), 1) for other in others):
            why = "joined with a neighbour"
        elif any((beyond & mark).sum() > LEAST_OF_IT * max(beyond.sum(), 1) for mark in marks):
            why = "a mark taken along"
        else:
            why = "runs on beyond a tip"
    elif parts:
        why = "pieces not joined"
    elif (filled(ring, lies.shape) & ~lies).sum() > 0.1 * max(filled(ring, lies.shape).sum(), 1):
        why = "cut by the examined area"
    else:
        why = "a tip is missing"
    return {"found": True, "why": why, "error": error, "ends_mm": ends(ring, outline, true)}


def ends(ring: np.ndarray, outline: np.ndarray, length_mm: float) -> list[float]:
    """How far an outline falls short of both ends of the true one, along its length, in mm about; less than 0: beyond."""
    hull = cv2.convexHull(ring.astype(np.float32)).reshape(-1, 2)
    gaps = np.linalg.norm(hull[:, None] - hull[None], axis=2)
    i, j = np.unravel_index(int(gaps.argmax()), gaps.shape)
    way, mm = (hull[j] - hull[i]) / gaps.max(), length_mm / float(gaps.max())
    at, true = outline @ way, ring @ way
    return [round(float(at.min() - true.min()) * mm, 3), round(float(true.max() - at.max()) * mm, 3)]


def table(rows: list[dict], what: str) -> str:
    """Causes, the most frequent first, with the middle of what shows of those features."""
    names = ("length_mm", "width_px", "darkness", "contrast", "log_odds")
    lines = [f"| {what} | n | " + " | ".join(names) + " |", "|---|---|" + "---|" * len(names)]
    for why, count in Counter(row["why"] for row in rows).most_common():
        own = [row for row in rows if row["why"] == why]
        lines.append(
            f"| {why} | {count} | " + " | ".join(f"{np.median([row[name] for row in own]):.2f}" for name in names) + " |"
        )
    return "\n".join(lines)


def main() -> None:
    """Print each miss and each length that is off, then both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cache", type=Path)
    parser.add_argument("--first", type=int, required=True)
    parser.add_argument("--scenes", type=int, default=40)
    parser.add_argument("--width", type=int, default=2000)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.scenes)
    with ProcessPoolExecutor(options.jobs) as pool:
        done = list(pool.map(partial(examined, width=options.width, cache=options.cache), seeds))
    if options.json:
        files.write(options.json, json.dumps(done, default=float).encode())
    rows = [row for one in done for row in one["rows"]]
    for row in rows:
        if row["why"]:
            print({key: round(value, 2) if isinstance(value, float) else value for key, value in row.items()})
    lost, sized = [row for row in rows if not row["found"]], [row for row in rows if row["found"] and row["error"] is not None]
    right = [row for row in rows if row["found"] and not row["why"]]
    false = Counter(on for one in done for on, _ in one["false"])
    errors = sum(one["error"] is not None for one in done)
    print(f"\n{len(done)} scenes, {errors} ended in an error; {len(rows)} features, {len(lost)} missed; ", end="")
    print(f"{false.total()} false calls, on {dict(false)}")
    print(f"\n{table(lost, 'missed')}\n\n{table(right, 'found and right')}\n")
    for low, high in pairwise(CONTRASTS):
        own = [row["found"] for row in rows if low <= row["contrast"] < high]
        print(f"contrast {low:g} to {high:g}: {sum(own)} of {len(own)} found")
    print(f"\n{len(sized)} lengths from {statistics.SIZED_MM:g} mm\n")
    print(table([row for row in sized if row["why"]], "length is off"))


if __name__ == "__main__":
    main()
