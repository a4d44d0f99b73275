"""Speed of measuring many features, beside scikit-image's regionprops_table with the same columns. Run by hand:

    python tests/benchmarks/measuring.py [features]

Columns: length (greatest Feret diameter), width (largest inscribed circle: the distance transform of each region), area,
clear distance to the nearest other feature (k-d trees), touching an edge. specimeter gives each its U too, and measures on
the curved surface; regionprops has one scale for all. Prints both processor times, so that others on the machine count
little, and their ratio.
"""

from __future__ import annotations

import sys
import time
from typing import Any

import cv2
import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree
from skimage.measure import label, regionprops_table

from specimeter.measure.sizes import measure
from specimeter.scale.model import Scale
from specimeter.scale.surface import Bend
from specimeter.scale.view import View
from specimeter.segment.model import ExaminedArea, Outline

WIDTH, HEIGHT = 6000, 4000


def outlines(count: int) -> tuple[list[np.ndarray], np.ndarray]:
    """Pores and short cracks in a 24 megapixel picture, one to each cell of a grid, as contours of a mask and as the mask."""
    rng = np.random.default_rng(1)
    cell = int(np.sqrt(WIDTH * HEIGHT / count))
    places = [(x, y) for y in range(cell // 2, HEIGHT - cell // 2, cell) for x in range(cell // 2, WIDTH - cell // 2, cell)]
    mask = np.zeros((HEIGHT, WIDTH), np.uint8)
    for x, y in places[:count]:
        a = rng.uniform(4, 0.35 * cell)
        axes = (int(a * 16), int(max(a * rng.uniform(0.15, 1), 2) * 16))
        cv2.ellipse(mask, ((x * 16, y * 16)), axes, rng.uniform(0, 180), 0, 360, 1, -1, shift=4)
    found, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    rings = [contour.reshape(-1, 2).astype(float) for contour in found]
    return [ring for ring in rings if len(ring) > 4], mask


def by_regionprops(mask: np.ndarray, mm_per_px: float) -> dict[str, np.ndarray]:
    """The same columns with scikit-image and SciPy."""

    def width(region: np.ndarray) -> float:
        return 2 * ndimage.distance_transform_edt(np.pad(region, 1)).max()

    labels = label(mask)
    table = regionprops_table(labels, properties=("feret_diameter_max", "area", "bbox", "coords"), extra_properties=(width,))
    trees = [cKDTree(points) for points in table["coords"]]
    middles = np.array([points.mean(axis=0) for points in table["coords"]])
    _, near = cKDTree(middles).query(middles, k=min(5, len(middles)))
    nearest = [
        min(trees[i].query(table["coords"][j])[0].min() for j in others if j != i) for i, others in enumerate(near.tolist())
    ]
    return {
        "length_mm": table["feret_diameter_max"] * mm_per_px,
        "width_mm": table["width"] * mm_per_px,
        "area_mm2": table["area"] * mm_per_px**2,
        "nearest_mm": np.array(nearest) * mm_per_px,
        "at_corner": table["bbox-1"] <= 2,
    }


def placed() -> dict[str, Any]:
    """Scale, surface and examined area of that picture: a bend's crown across all of it."""
    view = View(
        focal_px=9000.0,
        centre_px=np.array([WIDTH / 2, HEIGHT / 2]),
        rotation=np.eye(3),
        translation_mm=np.array([0.0, 0.0, 300.0]),
        k1=-0.03,
    )
    surface = Bend(
        view=view,
        crown_mm=np.zeros(2),
        direction_deg=90.0,
        height_mm=20.0,
        radius_mm=150.0,
        angle_deg=180.0,
        u_crown_mm=0.2,
        u_direction_deg=0.3,
        u_radius_mm=0.5,
    )
    scale = Scale(
        method="length",
        view=view,
        surface_height_mm=20.0,
        surface_height_u_mm=0.5,
        u_rel=2e-3,
        budget=(),
        tilt_deg=0.0,
        evidence={},
    )
    rim = np.array([[0, 0], [WIDTH - 1, 0], [WIDTH - 1, HEIGHT - 1], [0, HEIGHT - 1.0]])
    return {"surface": surface, "scale": scale, "area": ExaminedArea(outline_px=rim, edges_px=(rim[[0, 3]], rim[[1, 2]]))}


def compared(count: int, repeats: int = 5) -> tuple[list[np.ndarray], float, float, int]:
    """The outlines, seconds of processor time of specimeter (best of some) and of regionprops, how many were measured fully."""
    rings, mask = outlines(count)
    place = placed()
    drawn = [Outline(outline_px=ring) for ring in rings]

    def ours():
        return measure(drawn, photo_id="p1", **place)

    features = ours()
    seconds = []
    for _ in range(repeats):
        started = time.process_time()
        features = ours()
        seconds.append(time.process_time() - started)
    started = time.process_time()
    by_regionprops(mask, 280 / 9000)
    theirs = time.process_time() - started
    return rings, min(seconds), theirs, sum(not feature.missing for feature in features)


def main(count: int = 3000) -> None:
    rings, ours, theirs, fully = compared(count)
    print(f"{len(rings)} features, {sum(map(len, rings))} points, 24 megapixels")
    print(f"specimeter         {ours:8.3f} s of processor time (best of 5)")
    print(f"regionprops_table  {theirs:8.3f} s, with distance transforms and k-d trees")
    print(f"ratio              {theirs / ours:8.1f}")
    print(f"measured fully     {fully} of {len(rings)}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
