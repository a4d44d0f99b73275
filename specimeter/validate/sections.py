"""Macro sections against their truth: each size's error and interval, beside what a careful hand tracing would have given."""

from __future__ import annotations

import json
import time
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike

from specimeter import job
from specimeter import photo as photos
from specimeter import sheet as sheets
from specimeter.errors import SpecimeterError
from specimeter.measure.feature import Feature
from specimeter.measure.polygon import Rings
from specimeter.scene import files as scene_files
from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from specimeter.validate import truth as truths
from specimeter.validate.match import match
from specimeter.validate.statistics import Row

CLICK_PX = 1.0  # how far a careful hand's clicks scatter, along x and along y
FACE_CLICKS, WELD_CLICKS = 9, 24
NEAR_MM = 1.2  # from the toe: where a hand lays the tangent of a face
Result = dict[str, Any]


def prepare(seed: int, width_px: int, folder: Path, test: str) -> Path:
    """Render a section into the folder unless it is there already; returns the photograph's path."""
    photo_file = folder / f"section-{seed}-{width_px}-{test}.jpg"
    if not photo_file.exists():
        scene_files.save(render(random_scene(seed, test=test, width_px=width_px)), folder, photo_file.stem)
    return photo_file


def examine(seed: int, width_px: int, folder: Path, *, test: str) -> Result:
    """One section measured by the main job from photograph and sheet alone, compared with its truth; JSON-ready."""
    return examined(prepare(seed, width_px, folder, test))


def examined(photo_file: Path) -> Result:
    """The same of a photograph that lies beside its sheet and its truth."""
    truth = json.loads(photo_file.with_suffix(".truth.json").read_text())
    true, seed = truth["section"], truth["seed"]
    result: Result = {"seed": seed, "groups": truth["groups"], "mm_per_px": truth["mm_per_px"], "error": None, "true": true}
    result |= {"etched": truth["weld"]["etch"] > 0, "hand": by_hand(truth, seed), "undercuts_true": truth["undercuts"]}
    started = time.perf_counter()
    try:
        sheet = sheets.read(photo_file.with_suffix(".sheet.toml"))
        found = job.find(photos.read(photo_file), sheet, None, method="learned", progress=lambda stage: None)
    except SpecimeterError as error:
        return result | {"error": {"stage": "job", "type": type(error).__name__, "message": error.problem}}
    except Exception as error:  # a fault of the tool is a result of the validation, not the end of it
        return result | {"error": {"stage": "job", "type": type(error).__name__, "message": str(error), "fault": True}}
    section = found.section
    assert section is not None  # of every cut
    undercuts = [
        {
            "toe": one.toe,
            "depth_mm": one.undercut.depth_mm,
            "U_depth_mm": 2 * one.undercut.u_depth_mm,
            "root_radius_mm": one.undercut.root_radius_mm,
            "U_root_radius_mm": None if one.undercut.u_root_radius_mm is None else 2 * one.undercut.u_root_radius_mm,
            "root_radius_at_most_mm": one.undercut.root_radius_at_most_mm,
        }
        for one in section.undercuts
    ]
    overlap = _overlap(np.array(truth["area_outline_px"]), found.area.outline_px)
    return result | {
        "features": _features(truth, found.features),
        "time_s": time.perf_counter() - started,
        "confidence": found.area.confidence,
        "overlap": overlap,
        "sizes": section.sizes,
        "undercuts": undercuts,
    }


def _features(truth: truths.Truth, found: Sequence[Feature]) -> dict[str, Any]:
    """What became of the true imperfections, and how much was called that is none; JSON-ready."""
    own = [one for one in found if one.kind not in ("undercut", "overlap", "lack-of-penetration")]
    true = truth["features"]
    pairs = match([np.array(one["outline_px"]) for one in true], [one.outline_px for one in own])
    of = dict(pairs)
    flat = [k for k, one in enumerate(true) if one["form"] == "lamination"]
    result: dict[str, Any] = {"false": len(own) - len(pairs), "true": []}
    for k, one in enumerate(true):
        if k in flat:
            continue
        got = own[of[k]] if k in of else None
        result["true"].append(
            {
                "kind": one["kind"],
                "length_mm": one["length_mm"],
                "found": got is not None,
                "found_kind": None if got is None else got.kind,
                "found_length_mm": None if got is None else got.length_mm,
                "U_length_mm": None if got is None else got.U_length_mm,
            }
        )
    for kind, asked in (("overlap", truth["overlaps"]), ("lack-of-penetration", truth["unfused"])):
        if kind == "overlap" or truth["specimen"]["test"] == "macro-butt":
            sizes = sorted((one.length_mm or 0.0 for one in found if one.kind == kind), reverse=True)
            result[kind] = {"true": [one["length_mm"] for one in asked], "found": sizes}
    return result


def by_hand(truth: truths.Truth, seed: int) -> dict[str, float]:
    """Sizes from a hand's clicks on the truth's toes, plates, face and fusion line, each off by about a pixel."""
    rng = np.random.default_rng([seed, 7])
    surface, weld = truths.surface(truth), truth["weld"]

    def clicked(points: ArrayLike) -> np.ndarray:
        points = np.array(points, float).reshape(-1, 2)
        return surface.develop(points + rng.normal(0, CLICK_PX, points.shape))

    def some(points: Sequence[Sequence[float]], count: int) -> list:
        return [points[k] for k in np.linspace(0, len(points) - 1, count).round().astype(int)]

    toes, plates = clicked(weld["toes_px"]), [clicked(line) for line in weld["plates_px"]]
    face, metal = clicked(some(weld["face_px"], FACE_CLICKS)), clicked(some(weld["outline_px"], WELD_CLICKS))
    sizes = {"weld_area_mm2": float(np.abs(Rings.of([metal]).areas[0]))} if weld["etch"] > 0 else {}
    if np.hypot(*(face[0] - toes[0])) > np.hypot(*(face[-1] - toes[0])):
        face = face[::-1]
    face = np.concatenate([toes[:1], face[1:-1], toes[1:]])
    for number, (toe, plate, path) in enumerate(zip(toes, plates, (face, face[::-1]), strict=True), start=1):
        along = np.hypot(*np.diff(path, axis=0).T).cumsum()
        tangent = path[1 + int(np.searchsorted(along, NEAR_MM).clip(0, len(path) - 2))] - toe
        away = plate[1] - plate[0]
        cosine = float(tangent @ away / np.hypot(*tangent) / np.hypot(*away))
        sizes[f"toe_angle_{number}_deg"] = float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))
    chord = (toes[1] - toes[0]) / np.hypot(*(toes[1] - toes[0]))
    normal = np.array([-chord[1], chord[0]])
    heights = (face - toes[0]) @ normal
    if truth["specimen"]["test"] == "macro-fillet":
        ways = [line[1] - line[0] for line in plates]
        share = np.linalg.solve(np.column_stack([ways[0], -ways[1]]), plates[1][0] - plates[0][0])[0]
        corner = plates[0][0] + share * ways[0]
        base = float((corner - toes[0]) @ normal)
        heights, base = (-heights, -base) if base > 0 else (heights, base)
        dense = np.concatenate([a + np.linspace(0, 1, 40)[:, None] * (b - a) for a, b in pairwise(face)])
        sizes |= {f"leg_{k}_mm": float(np.hypot(*(toe - corner))) for k, toe in enumerate(toes, start=1)}
        sizes |= {"throat_mm": float(np.hypot(*(dense - corner).T).min()), "theoretical_throat_mm": float(heights.min()) - base}
        sizes["convexity_mm"] = float(heights[np.argmax(np.abs(heights))])
        return sizes
    middle = toes.mean(axis=0)
    at = [
        line[0] + (line[1] - line[0]) * ((middle - line[0]) @ (line[1] - line[0])) / np.sum((line[1] - line[0]) ** 2)
        for line in plates
    ]
    sizes["misalignment_mm"] = float(np.hypot(*(at[1] - at[0])))
    sizes |= {"weld_width_mm": float(np.hypot(*(toes[1] - toes[0]))), "excess_weld_mm": float(np.abs(heights).max())}
    if truth["section"]["toe_angle_1_deg"] != 0 and _turned(truth):
        sizes["toe_angle_1_deg"], sizes["toe_angle_2_deg"] = sizes["toe_angle_2_deg"], sizes["toe_angle_1_deg"]
    return sizes


def _turned(truth: truths.Truth) -> bool:
    one, two = np.array(truth["weld"]["toes_px"])
    along = two - one
    return bool((along[0] if abs(along[0]) >= abs(along[1]) else along[1]) < 0)


def _overlap(one: np.ndarray, other: np.ndarray) -> float:
    """Intersection over union of two outlines, on a raster."""
    low = np.minimum(one.min(axis=0), other.min(axis=0))
    size = np.ceil(np.maximum(one.max(axis=0), other.max(axis=0)) - low).astype(int) + 2
    fields = []
    for outline in (one, other):
        field = np.zeros(size[::-1], np.uint8)
        cv2.fillPoly(field, [np.round(outline - low).astype(np.int32).reshape(-1, 1, 2)], 1)
        fields.append(field > 0)
    return int(np.count_nonzero(fields[0] & fields[1])) / max(int(np.count_nonzero(fields[0] | fields[1])), 1)


def rows(results: Sequence[Result]) -> list[Row]:
    """The table: how often the cut is found, and for each size the share measured, errors, coverage and the hand's errors."""
    done = [one for one in results if one["error"] is None]
    good = [one for one in done if one["overlap"] > 0.9]
    sure_wrong = sum(one["overlap"] <= 0.9 and one["confidence"] >= 0.5 for one in done)
    found = [
        Row(what="photographs measured", specimeter=f"{len(done)} of {len(results)}"),
        Row(what="cut outlined rightly (overlap above 0.9)", specimeter=f"{len(good)} of {len(results)}"),
        Row(what="wrong, and not said to be unsure", specimeter=str(sure_wrong)),
    ]
    if done:
        found.append(Row(what="time, median, s", specimeter=f"{np.median([one['time_s'] for one in done]):.1f}"))
    for name in dict.fromkeys(name for one in results for name in one["true"]):
        asked = [one for one in results if name in one["true"] and (one["etched"] or name not in ETCHED)]
        got = [one for one in asked if one["error"] is None and name in one["sizes"] and one["confidence"] >= 0.5]
        hand = [abs(one["hand"][name] - one["true"][name]) for one in asked if name in one["hand"]]
        found.append(Row(what=f"{name}: measured", specimeter=f"{len(got)} of {len(asked)}"))
        if not got:
            continue
        errors = np.array([abs(one["sizes"][name] - one["true"][name]) for one in got])
        held = np.mean([e <= one["sizes"][f"U_{name}"] for e, one in zip(errors, got, strict=True)])
        found.append(
            Row(
                what=f"{name}: error, median / 95 %",
                goal=_goal(name),
                specimeter=f"{np.median(errors):.3f} / {np.percentile(errors, 95):.3f}",
                plain=f"{np.median(hand):.3f} / {np.percentile(hand, 95):.3f}" if hand else "",
            )
        )
        found.append(Row(what=f"{name}: intervals that hold", goal="0.93 to 0.99", specimeter=f"{held:.2f}", n=str(len(got))))
    return found + _undercut_rows(done) + _feature_rows(done)


LEAST_MM = 0.5  # of a feature that is asked for


def _feature_rows(results: Sequence[Result]) -> list[Row]:
    asked = [one for result in results for one in result["features"]["true"] if one["length_mm"] >= LEAST_MM]
    got = [one for one in asked if one["found"]]
    share = f"{len(got) / len(asked):.3f}" if asked else "-"
    found = [Row(what="features of 0.5 mm and more: found", goal="at least 0.95", specimeter=share, n=str(len(asked)))]
    if results:
        false = np.mean([result["features"]["false"] for result in results])
        found.append(Row(what="false calls a photograph", goal="at most 0.5", specimeter=f"{false:.2f}"))
    if got:
        right = np.mean([one["kind"] == one["found_kind"] for one in got])
        found.append(Row(what="kind named right", goal="at least 0.9", specimeter=f"{right:.2f}", n=str(len(got))))
        off = np.array([abs(one["found_length_mm"] - one["length_mm"]) for one in got])
        held = np.mean([e <= one["U_length_mm"] for e, one in zip(off, got, strict=True)])
        found.append(
            Row(
                what="feature length_mm: error, median / 95 %",
                specimeter=f"{np.median(off):.3f} / {np.percentile(off, 95):.3f}",
            )
        )
        found.append(
            Row(what="feature length_mm: intervals that hold", goal="0.93 to 0.99", specimeter=f"{held:.2f}", n=str(len(got)))
        )
    for kind in ("overlap", "lack-of-penetration"):
        pairs = [result["features"][kind] for result in results if kind in result["features"]]
        if not any(pair["true"] or pair["found"] for pair in pairs):
            continue
        seen = sum(bool(pair["true"] and pair["found"]) for pair in pairs)
        wrong = sum(bool(pair["found"] and not pair["true"]) for pair in pairs)
        found.append(Row(what=f"{kind}: found; false", specimeter=f"{seen} of {sum(bool(p['true']) for p in pairs)}; {wrong}"))
        off = np.array([abs(pair["found"][0] - max(pair["true"])) for pair in pairs if pair["true"] and pair["found"]])
        if len(off):
            found.append(
                Row(
                    what=f"{kind}: length_mm, error, median / 95 %",
                    specimeter=f"{np.median(off):.3f} / {np.percentile(off, 95):.3f}",
                )
            )
    return found


ETCHED = ("penetration_mm", "weld_area_mm2", "haz_width_mm")


def _goal(name: str) -> str:
    """Of the median error of one size."""
    return "at most 3" if name.endswith("deg") else "at most 0.1" if name.endswith("_mm") else ""


def _undercut_rows(results: Sequence[Result]) -> list[Row]:
    pairs, asked = [], 0
    for one in results:
        for true in one["undercuts_true"]:
            asked += 1
            pairs += [(true, own) for own in one["undercuts"] if own["toe"] == true["toe"] and one["overlap"] > 0.9][:1]
    if not pairs:
        return [Row(what="undercuts: measured", specimeter=f"0 of {asked}")]
    depth = np.array([abs(own["depth_mm"] - true["depth_mm"]) for true, own in pairs])
    held = np.mean([e <= own["U_depth_mm"] for e, (_, own) in zip(depth, pairs, strict=True)])
    found = [
        Row(what="undercuts: measured", specimeter=f"{len(pairs)} of {asked}"),
        Row(
            what="undercut depth_mm: error, median / 95 %",
            goal=_goal("depth_mm"),
            specimeter=f"{np.median(depth):.3f} / {np.percentile(depth, 95):.3f}",
        ),
        Row(what="undercut depth_mm: intervals that hold", goal="0.93 to 0.99", specimeter=f"{held:.2f}", n=str(len(pairs))),
    ]
    resolved = [(true["root_radius_mm"], own) for true, own in pairs if own["root_radius_mm"] is not None]
    bounded = [(true["root_radius_mm"], own) for true, own in pairs if own["root_radius_mm"] is None]
    if resolved:
        off = np.array([abs(own["root_radius_mm"] / true - 1) for true, own in resolved])
        found.append(
            Row(
                what="root radius, where resolved: error, median / 95 %, %",
                goal="at most 15",
                specimeter=f"{100 * np.median(off):.0f} / {100 * np.percentile(off, 95):.0f}",
                n=str(len(resolved)),
            )
        )
        holds = np.mean([abs(own["root_radius_mm"] - true) <= own["U_root_radius_mm"] for true, own in resolved])
        found.append(
            Row(what="root radius: intervals that hold", goal="0.93 to 0.99", specimeter=f"{holds:.2f}", n=str(len(resolved)))
        )
    if bounded:
        holds = np.mean([true <= own["root_radius_at_most_mm"] for true, own in bounded])
        found.append(
            Row(
                what="root radius: upper bounds that hold", goal="at least 0.95", specimeter=f"{holds:.2f}", n=str(len(bounded))
            )
        )
    return found
