"""Fit the weights by which dark regions are told from openings, on rendered faces; run by hand, writes segment/odds.json.

    python tests/benchmarks/fit_openings.py --seeds 5000 5400 [--without machined heat-tinted flash] [--write]

Each face is rendered alone (the picture cut to the face), its true surface and area are given, every proposal is weighed
and labelled by the truth, and the model of `segment/classify.py` is fitted. Proposals that hold only a part of an opening, or
an opening and much more, teach nothing and are left out. Groups named after --without (finishes or lights) are kept out of
the fit and judged by it.

The weights now shipped come from seeds 5000 to 5163 and, at 0.7 of their weight, 90 flat faces drawn by a throw-away script
that is not kept (lenses, lips, stamps, ink, rust, scratches on brushed texture); this script alone gives weights like them,
not the same ones.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
from pathlib import Path

import cv2
import numpy as np

from specimeter import files
from specimeter.scale.surface import Bend
from specimeter.scale.view import View
from specimeter.scene import geometry
from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from specimeter.segment import classify, openings
from specimeter.segment.model import ExaminedArea

MARGIN_PX = 45
WIDTHS_PX = (3264, 4000, 4000, 5200)


@dataclasses.dataclass(frozen=True, eq=False)
class Face:
    """A picture held in memory, as the finder wants one."""

    rgb: np.ndarray

    def linear(self) -> np.ndarray:
        code = self.rgb.astype(np.float32) / 255
        light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
        return (light @ np.array([0.2126, 0.7152, 0.0722], np.float32)).astype(np.float32)


def face(seed: int):
    """Picture, true surface, true area and truth of one random face, cut out of its photograph and saved once as JPEG."""
    rng = np.random.default_rng(seed + 99)
    scene = random_scene(seed, width_px=int(rng.choice(WIDTHS_PX)), clean=bool(rng.random() < 0.15))
    camera = scene.camera
    outline = geometry.project(camera, geometry.place(scene.specimen, geometry.face_outline(scene.specimen, camera)))
    low = np.maximum(np.floor(outline.min(0)) - MARGIN_PX, 0).astype(int)
    high = np.minimum(np.ceil(outline.max(0)) + MARGIN_PX + 1, [camera.width_px, camera.height_px]).astype(int)
    centre = (camera.centre_px[0] - float(low[0]), camera.centre_px[1] - float(low[1]))
    cut = dataclasses.replace(camera, width_px=int(high[0] - low[0]), height_px=int(high[1] - low[1]), centre_px=centre)
    picture = render(dataclasses.replace(scene, camera=cut, imaging=dataclasses.replace(scene.imaging, vignette=0.0)))
    _, jpeg = cv2.imencode(".jpg", picture.rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, int(picture.jpeg_quality)])
    rgb = np.ascontiguousarray(cv2.imdecode(jpeg, cv2.IMREAD_COLOR)[..., ::-1])
    truth, specimen = picture.truth, picture.truth["specimen"]
    rotation, eye = np.array(truth["camera"]["rotation"]), np.array(truth["camera"]["eye_mm"])
    view = View(
        focal_px=truth["camera"]["focal_px"],
        centre_px=np.array(truth["camera"]["centre_px"]),
        rotation=rotation,
        translation_mm=-rotation @ eye,
        k1=truth["camera"]["k1"],
    )
    surface = Bend(
        view=view,
        crown_mm=np.zeros(2),
        direction_deg=specimen["axis_angle_deg"],
        height_mm=specimen["crown_height_mm"],
        radius_mm=specimen["radius_mm"],
        angle_deg=specimen["angle_deg"],
    )
    area = np.array(truth["area_outline_px"])  # found areas are never exact: moved in or out by up to 1.5 px
    away = area - area.mean(axis=0)
    area = area + np.random.default_rng(seed).uniform(-1.5, 0.5) * away / np.linalg.norm(away, axis=1, keepdims=True)
    return Face(rgb), surface, ExaminedArea(outline_px=area), truth


def agreement(found: np.ndarray, true: np.ndarray) -> tuple[float, float]:
    """Overlap of two outlines (intersection over union, edges allowed 1.2 px) and the share of the first inside the second."""
    low = np.floor(np.minimum(found.min(0), true.min(0))) - 3
    high = np.ceil(np.maximum(found.max(0), true.max(0))) + 4
    zoom = float(np.clip(800 / (high - low).max(), 1.0, 4.0))
    shape = tuple(int(v) + 1 for v in ((high - low) * zoom)[::-1])
    masks = [np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)]
    for mask, outline in zip(masks, (found, true), strict=True):
        cv2.fillPoly(mask, [np.round((outline - low) * zoom * 16).astype(np.int32)], 1, shift=4)
    size = 2 * max(1, round(1.2 * zoom)) + 1
    wide = [cv2.dilate(mask, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))) for mask in masks]
    areas = [max(int(mask.sum()), 1) for mask in masks]
    both = int((masks[0] & masks[1]).sum())
    near = min((masks[0] & wide[1]).sum() / areas[0], (masks[1] & wide[0]).sum() / areas[1])
    near *= min(areas) > 0.3 * max(areas)
    return float(max(0.7 * near, both / max(int((masks[0] | masks[1]).sum()), 1))), both / areas[0]


def examples(seed: int):
    """Figures (N, F) and labels (N,) of one face's proposals: above 0.4 an opening, below 0.1 none, between neither."""
    photo, surface, area, truth = face(seed)
    crop, offset = openings.cut(photo, surface, area)
    figures, labels = [], []
    for one in openings.gather(crop):
        outline, label = one.outline_px + offset, 0.0
        for feature in truth["features"]:
            true = np.array(feature["outline_px"])
            if np.all(outline.min(0) <= true.max(0)) and np.all(true.min(0) <= outline.max(0)):
                overlap, inside = agreement(outline, true)
                label = max(label, overlap, 0.2 if inside > 0.5 else 0.0)
        figures.append(one.figures)
        labels.append(label)
    return figures, labels, {truth["groups"]["finish"], truth["groups"]["light"]}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", nargs=2, type=int, default=(5000, 5400))
    parser.add_argument("--without", nargs="*", default=())
    parser.add_argument("--ridge", type=float, default=classify.RIDGE)
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args()
    rows: dict[bool, tuple[list, list]] = {False: ([], []), True: ([], [])}
    for seed in range(*chosen.seeds):
        figures, labels, groups = examples(seed)
        held_out = bool(groups & set(chosen.without))
        rows[held_out][0].extend(figures)
        rows[held_out][1].extend(labels)
    sets = {}
    for held_out, (figures, labels) in rows.items():
        label = np.array(labels)
        clear = (label > 0.4) | (label < 0.1)
        sets[held_out] = np.array(figures).reshape(len(label), -1)[clear], label[clear] > 0.4
    model = classify.fit(*sets[False], ridge=chosen.ridge)
    for held_out, (figures, is_opening) in sets.items():
        if len(figures):
            odds = classify.log_odds(figures, model)
            missed, called = int(np.sum(odds[is_opening] < 0)), int(np.sum(odds[~is_opening] > 0))
            print(f"held out: {held_out}; openings {is_opening.sum()}, missed {missed}")
            print(f"held out: {held_out}; others {np.sum(~is_opening)}, called {called}")
    if chosen.write:
        files.write(Path(classify.__file__).with_name(classify.WEIGHTS), (json.dumps(model) + "\n").encode())


if __name__ == "__main__":
    main()
