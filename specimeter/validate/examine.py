"""One random scene: rendered, measured by the main job and by the plain pipeline, and compared with its truth."""

from __future__ import annotations

import json
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from specimeter import job
from specimeter import photo as photos
from specimeter import sheet as sheets
from specimeter.errors import SpecimeterError
from specimeter.judge import limits as judge_limits
from specimeter.judge.decide import decide
from specimeter.judge.model import Judgement
from specimeter.measure.contact import contacts
from specimeter.measure.feature import Feature
from specimeter.measure.polygon import Rings, diameters
from specimeter.measure.quantities import pixel_areas_mm2
from specimeter.measure.sizes import area_mm2, measure
from specimeter.scale.model import Scale
from specimeter.scale.surface import Surface
from specimeter.scene import files as scene_files
from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from specimeter.segment.model import ExaminedArea
from specimeter.segment.registry import for_test, segmenter
from specimeter.validate import truth as truths
from specimeter.validate.match import match
from specimeter.validate.plain import Region, plain

RESERVED = 900_000  # seeds from here on are for validation alone, and never used for tuning
CLEAN_EVERY = 5  # one scene in so many has no opening at all
LIMITS = Path(__file__).with_name("limits.toml")
LIMITS_BROKEN = Path(__file__).with_name("limits_broken.toml")
SIZES = ("length_mm", "width_mm", "area_mm2")
Result = dict[str, Any]


def stem(seed: int, width_px: int, test: str | None = None) -> str:
    """Name of a scene's files in the cache."""
    return f"scene-{seed}-{width_px}" + (f"-{test}" if test else "")


def prepare(seed: int, width_px: int, folder: Path, test: str | None = None) -> Path:
    """Render a scene into the folder unless it is there already; returns the photograph's path."""
    photo_file = folder / f"{stem(seed, width_px, test)}.jpg"
    if not photo_file.exists():
        picture = render(random_scene(seed, test=test, width_px=width_px, clean=seed % CLEAN_EVERY == 0))
        scene_files.save(picture, folder, stem(seed, width_px, test))
    return photo_file


def examine(
    seed: int, width_px: int, folder: Path, *, stage: str = "all", method: str = "openings", test: str | None = None
) -> Result:
    """Everything that the tables need of one scene, JSON-ready.

    Parameters
    ----------
    stage : str
        ``"all"``: the main job. ``"segment"``: finding and measuring alone, given the true scale, surface and area.
    test : str, optional
        Only scenes of that test; without it bends of any.
    """
    started = time.perf_counter()
    photo_file = prepare(seed, width_px, folder, test)
    rendering = time.perf_counter() - started
    truth = json.loads(photo_file.with_suffix(".truth.json").read_text())
    result: Result = {"seed": seed, "groups": truth["groups"], "clean": not truth["features"], "error": None}
    clock = _Clock()
    try:
        clock("decode")
        photo = photos.read(photo_file)
        sheet = sheets.read(photo_file.with_suffix(".sheet.toml"))
        limits = judge_limits.read(LIMITS_BROKEN if truths.broken(truth) else LIMITS)
        if stage == "all":
            found = job.find(photo, sheet, limits, method=method, progress=clock)
            scale, surface, area, features = found.scale, found.surface, found.area, found.features
            judgement, resolvable_mm = found.judgement, found.smallest_resolvable_mm
        else:
            scale, surface, area = truths.scale(truth), truths.surface(truth), truths.area(truth)
            clock("features")
            outlines = segmenter(for_test(method, sheet.specimen.test))(photo, surface, area)
            clock("sizes")
            features = measure(outlines, photo_id="p1", surface=surface, scale=scale, area=area)
            resolvable_mm = 0.2
            judgement = decide(sheet, limits, features, area=area, smallest_resolvable_mm=resolvable_mm, scale=scale)
        clock("end")
    except SpecimeterError as error:
        return result | {"error": {"stage": clock.stage, "type": type(error).__name__, "message": error.problem}}
    except Exception as error:  # a fault of the tool is a result of the validation, not the end of it
        return result | {"error": {"stage": clock.stage, "type": type(error).__name__, "message": str(error), "fault": True}}

    ideal = decide(
        sheet, limits, truths.features(truth), area=truths.area(truth), smallest_resolvable_mm=1e-3, scale=truths.scale(truth)
    )
    with Image.open(photo_file) as image:
        regions = plain(np.asarray(image.convert("RGB")), np.array(truth["area_outline_px"]), truth["mm_per_px"])
    simple = _plain_features(regions, truths.area(truth))
    judged = decide(sheet, limits, simple, area=truths.area(truth), smallest_resolvable_mm=1e-3, scale=truths.scale(truth))
    return result | {
        "times_s": {"render": rendering, **clock.times},
        "scale": scale_against(truth, scale, surface, area),
        "area": area_against(truth, scale, surface, area),
        "resolvable_mm": resolvable_mm,
        "outcome": judgement.outcome,
        "because": list(judgement.because),
        "verdicts": _verdicts(ideal, judgement),
        "plain_verdicts": _verdicts(ideal, judged),
        "truth": features_against(truth, features),
        "plain_truth": features_against(truth, simple),
        "found": [_found(feature) for feature in features],
        "false_calls": false_calls(truth, features),
        "plain_false_calls": false_calls(truth, simple),
    }


class _Clock:
    """Seconds spent in each stage, by the job's own words up to the colon."""

    def __init__(self) -> None:
        self.times: dict[str, float] = {}
        self.stage, self.since = "", time.perf_counter()

    def __call__(self, stage: str) -> None:
        now = time.perf_counter()
        if self.stage:
            self.times[self.stage] = self.times.get(self.stage, 0.0) + now - self.since
        self.stage, self.since = stage.split(":")[0], now


def scale_against(truth: truths.Truth, scale: Scale, surface: Surface, area: ExaminedArea) -> Result:
    """Scale at the crown in the middle of the face, and the standard uncertainty that its budget and the surface give it.

    Both are None where the surface was misplaced so far that the true crown does not lie on it. `said`: the cautions of scale
    and area.
    """
    middle = truths.surface(truth).project(np.zeros((1, 2)))
    here = float(np.sqrt(pixel_areas_mm2(surface, middle)[0]))
    shape = [float(np.sqrt(pixel_areas_mm2(variant, middle)[0])) / here - 1 for _, _, variant in surface.variants()]
    u_rel = float(np.linalg.norm([scale.u_rel, *shape]))
    on = bool(np.isfinite([here, u_rel]).all())
    return {
        "method": scale.method,
        "tilt_deg": truth["camera"]["tilt_deg"],
        "height": truth["groups"].get("height"),
        "true_mm_per_px": truth["mm_per_px"],
        "mm_per_px": here if on else None,
        "error": here / truth["mm_per_px"] - 1 if on else None,
        "u_rel": u_rel if on else None,
        "said": [*scale.cautions, *area.cautions],
    }


def area_against(truth: truths.Truth, scale: Scale, surface: Surface, area: ExaminedArea) -> Result:
    """The examined area in mm2 beside the true one, their overlap (intersection over union), and how many edges are known."""
    try:
        value, U = area_mm2(surface, scale, area)
    except SpecimeterError:
        value, U = None, None
    size = (int(truth["height_px"]), int(truth["width_px"]))
    mine, true = (_filled(size, outline) for outline in (area.outline_px, np.array(truth["area_outline_px"])))
    overlap = int(np.count_nonzero(mine & true)) / max(int(np.count_nonzero(mine | true)), 1)
    return {"true_mm2": truth["area_mm2"], "area_mm2": value, "U_area_mm2": U, "overlap": overlap, "edges": len(area.edges_px)}


def _filled(size: tuple[int, int], outline: np.ndarray) -> np.ndarray:
    raster = np.zeros(size, np.uint8)
    cv2.fillPoly(raster, [np.rint(np.asarray(outline) * 16).astype(np.int32).reshape(-1, 1, 2)], 1, shift=4)
    return raster.astype(bool)


def features_against(truth: truths.Truth, features: Sequence[Feature]) -> list[Result]:
    """Each true feature, and what was measured of it if it was found."""
    pairs = dict(match([feature["outline_px"] for feature in truth["features"]], [feature.outline_px for feature in features]))
    rows = []
    for number, (true, beyond) in enumerate(zip(truth["features"], truths.cut(truth), strict=True)):
        row = {name: true[name] for name in ("kind", "form", "fill", "at_corner", *SIZES)}
        row |= {"cut": beyond, "length_px": float(extent_px(true["outline_px"])), "found": None}
        if number in pairs:
            row["found"] = _found(features[pairs[number]])
        rows.append(row)
    return rows


def extent_px(outline: Sequence) -> float:
    """Greatest straight extent of an outline (N, 2) in pixels."""
    return diameters(Rings.of([np.array(outline)]))[0][0]


def _found(feature: Feature) -> Result:
    sizes = {name: getattr(feature, name) for size in SIZES for name in (size, f"U_{size}")}
    middle = [round(float(value), 1) for value in np.mean(feature.outline_px, axis=0)]
    return sizes | {
        "id": feature.id,
        "kind": feature.kind,
        "confidence": feature.confidence,
        "at_corner": feature.at_corner,
        "middle_px": middle,
        "missing": feature.missing,
    }


def false_calls(truth: truths.Truth, features: Sequence[Feature]) -> list[Result]:
    """Features found that are none; what lies on a mark that is no imperfection names it."""
    pairs = match([feature["outline_px"] for feature in truth["features"]], [feature.outline_px for feature in features])
    used = {found for _, found in pairs}
    false = [feature for number, feature in enumerate(features) if number not in used]
    on = {
        found: true
        for true, found in match([mark["outline_px"] for mark in truth["distractors"]], [f.outline_px for f in false])
    }
    parts = {
        found for _, found in match([feature["outline_px"] for feature in truth["features"]], [f.outline_px for f in false])
    }
    return [
        _found(feature)
        | {
            "on": truth["distractors"][on[number]]["kind"]
            if number in on
            else "a part of a true feature"
            if number in parts
            else None
        }
        for number, feature in enumerate(false)
    ]


def _verdicts(ideal: Judgement, judgement: Judgement) -> list[Result]:
    """Each rule's verdict beside what it is for the true sizes."""
    got = {verdict.rule: verdict for verdict in judgement.verdicts}
    return [
        {
            "rule": true.rule,
            "true": true.outcome,
            "true_value": true.value,
            "limit": true.limit,
            "got": got[true.rule].outcome if true.rule in got else None,
            "value": got[true.rule].value if true.rule in got else None,
            "U": got[true.rule].U if true.rule in got else None,
        }
        for true in ideal.verdicts
    ]


def _plain_features(regions: Sequence[Region], area: ExaminedArea) -> tuple[Feature, ...]:
    """Regions of the plain pipeline as features; which of them lie at a corner it is told from the true edges."""
    if not regions:
        return ()
    corner = contacts(Rings.of([region.outline_px for region in regions]), np.ones(len(regions)), area, u_side_px=3.0).at_corner
    touching = [False] * len(regions) if corner is None else corner
    return tuple(
        Feature(
            id=f"r{number}",
            photo="p1",
            kind="opening",
            outline_px=region.outline_px,
            length_mm=region.length_mm,
            U_length_mm=region.U_mm,
            width_mm=region.width_mm,
            U_width_mm=region.U_mm,
            area_mm2=region.area_mm2,
            U_area_mm2=region.U_mm * (region.length_mm + region.width_mm),
            at_corner=bool(at_corner),
        )
        for number, (region, at_corner) in enumerate(zip(regions, touching, strict=True), start=1)
    )
