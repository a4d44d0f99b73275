"""How much of real cracks' length the learned finder outlines, and what it calls on pictures that show no weld at all.

``python tests/benchmarks/real_cracks.py ../shared/real_photos``: whole pictures, no scale (0.1 mm a pixel is taken). A piece of
a crack's middle line counts as found within 10 px of an outline of which half lies within 12 px of the crack. A call off it
lies on its continuation if all of it lies ahead of an end, no farther aside than a quarter of the way from there, and begins
within half the crack's length. A folder of `path_traced/plate.py`'s painted plates does as well: truths stand for masks there.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
from skimage.morphology import skeletonize

from specimeter import photo as photos
from specimeter.segment.learned import find_learned
from specimeter.segment.model import ExaminedArea

MM_PER_PX = 0.1
NEAR_PX, ON_PX = 10, 12
END_PX, ASIDE, AHEAD = 150, 0.25, 0.5  # of an end: what gives its direction; the cone ahead; how far, in the crack's lengths


def found_of(mask: np.ndarray, outlines: list) -> tuple[float, int, int, float]:
    """Share of the crack's length found, calls off it, of those on its continuation, and length called beyond over its own."""
    away = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5)
    called, off = np.zeros(mask.shape, np.uint8), []
    for one in outlines:
        own = np.zeros(mask.shape, np.uint8)
        cv2.fillPoly(own, [np.round(one.outline_px * 16).astype(np.int32)], 1, shift=4)
        cv2.polylines(own, [np.round(one.outline_px).astype(np.int32)], True, 1)
        if (away[own > 0] < ON_PX).mean() > 0.5:
            called |= own
        else:
            off.append(one.outline_px)
    line = skeletonize(mask)
    near = cv2.distanceTransform(1 - called, cv2.DIST_L2, 5) < NEAR_PX
    beyond = skeletonize(called > 0) & (away >= ON_PX)
    ends = continuations(line)
    further = sum(any(ahead(outline, *end) for end in ends) for outline in off)
    return float(near[line].mean()), len(off), further, float(beyond.sum() / max(line.sum(), 1))


def continuations(line: np.ndarray) -> list[tuple[np.ndarray, np.ndarray, float]]:
    """Both ends [x, y] of a crack's middle line, the unit directions in which they point, and how far ahead is still it."""
    points = np.argwhere(line)[:, ::-1].astype(float)
    hull = cv2.convexHull(points.astype(np.float32)).reshape(-1, 2).astype(float)
    gaps = np.linalg.norm(hull[:, None] - hull[None], axis=2)
    ends = []
    for end in hull[list(np.unravel_index(int(gaps.argmax()), gaps.shape))]:
        way = end - points[np.linalg.norm(points - end, axis=1) < END_PX].mean(axis=0)
        ends.append((end, way / max(float(np.linalg.norm(way)), 1e-9), AHEAD * float(gaps.max())))
    return ends


def ahead(outline: np.ndarray, end: np.ndarray, way: np.ndarray, far: float) -> bool:
    """Whether an outline lies on in the direction of an end."""
    along = (outline - end) @ way
    aside = np.abs((outline - end) @ np.array([-way[1], way[0]]))
    return bool((aside <= NEAR_PX + ASIDE * along).all() and along.min() < far)


def mask_of(path: Path, shape: tuple[int, int]) -> np.ndarray | None:
    """Where its cracks are, bool (H, W), by the mask or the truth beside a photograph; None where it has none."""
    file, truth = path.with_name(f"{path.stem}_mask.png"), path.with_suffix(".truth.json")
    if file.exists():
        return cv2.resize(cv2.imread(str(file), 0), shape[::-1], interpolation=cv2.INTER_NEAREST) > 127
    features = json.loads(truth.read_text(encoding="utf-8"))["features"] if truth.exists() else []
    mask = np.zeros(shape, np.uint8)
    for one in features:
        ring = np.round(one["outline_px"]).astype(np.int32)
        cv2.fillPoly(mask, [ring], 1)
        cv2.polylines(mask, [ring], True, 1, 2)
    return mask > 0 if features else None


def main() -> None:
    """Print a line for each picture."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    cv2.setNumThreads(1)
    folder = parser.parse_args().folder
    surface = SimpleNamespace(shape="flat", mm_per_px_at=lambda point: MM_PER_PX)
    for path in sorted(p for p in folder.iterdir() if p.suffix in {".jpg", ".png"} and not p.stem.endswith("_mask")):
        photo = photos.read(path)
        height, width = photo.rgb.shape[:2]
        area = ExaminedArea(outline_px=np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], float))
        started = time.process_time()
        outlines = find_learned(photo, surface, area)
        said = f"{path.name}: {len(outlines)} calls, {time.process_time() - started:.1f} s"
        mask = mask_of(path, photo.rgb.shape[:2])
        if mask is not None:
            share, off, further, beyond = found_of(mask, outlines)
            said += f"; {share:.2f} of the crack's length found, {off} calls off it, {further} of them on its continuation, "
            said += f"{beyond:.2f} of its length beyond its ends"
        print(said)


if __name__ == "__main__":
    main()
