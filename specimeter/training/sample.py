"""One training picture: a rendered face cut out of its scene, with the maps of what is true at each pixel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from specimeter.training.split import CLEAN_EVERY, groups_for

MARGIN_PX = 48  # context kept around the face
LARGEST_WEIGHT = 12
CHANNELS = ("red", "green", "blue", "feature", "crack", "mark", "area", "weight", "foreign")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sample:
    """Planes (9, H, W) uint8 in the order of CHANNELS, and the middles [x, y] of what is worth looking at.

    `feature`, `crack` and `area` are shares of each pixel times 255, `weight` is the weight of the pixel's error times 16,
    `foreign` is 255 where the ground is no metal: print, paper, cloth, wood, ink.
    """

    planes: np.ndarray
    centres_px: np.ndarray


def cover(outline_px: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Share of each pixel that a polygon [x, y] covers, times 255; uint8 (H, W).

    By four-fold supersampling of its box; a cell that the border touches counts half.
    """
    field = np.zeros(shape, np.uint8)
    outline = np.asarray(outline_px, float)
    low = np.maximum(np.floor(outline.min(axis=0)).astype(int) - 1, 0)
    high = np.minimum(np.ceil(outline.max(axis=0)).astype(int) + 2, shape[::-1])
    if (high <= low).any():
        return field
    size = high - low
    fine = np.zeros((size[1] * 4, size[0] * 4), np.uint8)
    corners = np.round(((outline - low + 0.5) * 4 - 0.5) * 16).astype(np.int32)
    cv2.fillPoly(fine, [corners.reshape(-1, 1, 2)], 255, shift=4)
    cv2.polylines(fine, [corners.reshape(-1, 1, 2)], True, 128, 1, shift=4)
    field[low[1] : high[1], low[0] : high[0]] = cv2.resize(fine, (int(size[0]), int(size[1])), interpolation=cv2.INTER_AREA)
    return field


def weight_of(feature: np.ndarray) -> np.ndarray:
    """Weight of each pixel's error: the smaller the feature it belongs to or lies beside, the greater; uint8, times 16."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats((feature > 20).astype(np.uint8), connectivity=8)
    gains = np.ones(count, np.float32)
    areas = stats.reshape(-1, 5)[1:, cv2.CC_STAT_AREA]
    gains[1:] = np.clip(np.sqrt(900.0 / np.maximum(areas, 1)), 1, LARGEST_WEIGHT)
    weight = cv2.dilate(gains[labels], np.ones((7, 7), np.uint8))
    return np.round(weight * 16).astype(np.uint8)


def face(seed: int, *, width_px: int = 1152, mm_per_px: float | None = None) -> Sample:
    """The face of one random scene, near enough for 0.04 to 0.12 mm a pixel."""
    rng = np.random.default_rng([seed, 1])
    scale = float(np.exp(rng.uniform(np.log(0.04), np.log(0.12)))) if mm_per_px is None else mm_per_px
    scene = random_scene(
        seed,
        **groups_for(seed),
        width_px=width_px,
        mm_per_px=scale,
        camera=("phone-double", "phone-tele", "bench-camera"),
        card="none" if rng.random() < 0.7 else "strip",
        clean=bool(seed % CLEAN_EVERY == 0),
        openings=None if rng.random() < 0.4 else int(rng.integers(4, 12)),
    )
    picture = render(scene)
    return cut(picture.rgb, picture.truth)


def cut(rgb: np.ndarray, truth: dict) -> Sample:
    """The part of a rendered picture around the face, with its maps."""
    height, width = rgb.shape[:2]
    outline = np.array(truth["area_outline_px"])
    low = np.clip(np.floor(outline.min(axis=0)).astype(int) - MARGIN_PX, 0, [width - 64, height - 64])
    high = np.clip(np.ceil(outline.max(axis=0)).astype(int) + MARGIN_PX, low + 64, [width, height])
    shape = (int(high[1] - low[1]), int(high[0] - low[0]))
    planes = np.zeros((len(CHANNELS), *shape), np.uint8)
    planes[:3] = rgb[low[1] : high[1], low[0] : high[0]].transpose(2, 0, 1)
    centres = []
    for feature in truth["features"]:
        polygon = np.array(feature["outline_px"]) - low
        share = cover(polygon, shape)
        planes[3] = np.maximum(planes[3], share)
        if feature["kind"] == "crack":
            planes[4] = np.maximum(planes[4], share)
        centres.append(polygon.mean(axis=0))
    for mark in truth["distractors"]:
        thickness = max(1, round(mark["size_mm"] / truth["mm_per_px"]))
        for line in mark["lines_px"]:
            points = np.round(np.array(line) - low).astype(np.int32).reshape(-1, 1, 2)
            if len(points) == 1:
                cv2.circle(planes[5], tuple(map(int, points[0, 0])), max(1, thickness // 2), 255, -1)
            else:
                cv2.polylines(planes[5], [points], False, 255, thickness)
            centres.append(points.reshape(-1, 2).mean(axis=0).astype(float))
    planes[5][planes[3] > 0] = 0
    planes[6] = cover(outline - low, shape)
    planes[7] = weight_of(planes[3])
    inside = [c for c in centres if 0 <= c[0] < shape[1] and 0 <= c[1] < shape[0]]
    return Sample(planes=planes, centres_px=np.array(inside, float).reshape(-1, 2))
