"""The validation of macro sections: its hand, its matching and its table on cases made by hand, and one cut end to end."""

from __future__ import annotations

import json
from types import SimpleNamespace

import numpy as np
import pytest

from specimeter.scene.random import random_scene
from specimeter.scene.truth import of as truth_of
from specimeter.validate import sections

FIRST = 14_200_000  # scenes of these tests alone
SQUARE = np.array([[0.0, 0], [10, 0], [10, 10], [0, 10]])


@pytest.mark.parametrize("test", ["macro-fillet", "macro-butt"])
def test_a_careful_hand_is_right_to_some_clicks(test):
    """Its constructions from toes, plates and face agree with the scene's own sizes, which come from other code: most errors
    stay within three pixels, or what three pixels turn the tangent of a face by.
    """
    off: dict[str, list[float]] = {}
    for seed in range(FIRST, FIRST + 7):
        truth = json.loads(json.dumps(truth_of(random_scene(seed, test=test, width_px=2400))))
        hand = sections.by_hand(truth, seed)
        assert hand == sections.by_hand(truth, seed), "the same clicks each time"
        for name in set(hand) & set(truth["section"]):
            error = abs(hand[name] - truth["section"][name])
            px = truth["mm_per_px"]
            off.setdefault(name, []).append(
                error / (np.degrees(3 * px / sections.NEAR_MM) if name.endswith("deg") else 3 * px) if "area" not in name else 0
            )
    sizes = {"macro-fillet": {"leg_1_mm", "throat_mm", "toe_angle_1_deg"}, "macro-butt": {"weld_width_mm", "excess_weld_mm"}}
    assert sizes[test] <= set(off)
    for name, errors in off.items():
        assert np.median(errors) < (2 if name == "misalignment_mm" else 1), name  # two lines, drawn on from their ends


def test_overlap_is_intersection_over_union():
    """The same, half of it, and elsewhere."""
    assert sections._overlap(SQUARE, SQUARE) == 1.0
    assert sections._overlap(SQUARE * 10, SQUARE * 10 + [50, 0]) == pytest.approx(50 / 150, abs=0.02)
    assert sections._overlap(SQUARE, SQUARE + 100) == 0.0


def own(kind: str, at: float, length_mm: float) -> SimpleNamespace:
    return SimpleNamespace(kind=kind, outline_px=SQUARE + at, length_mm=length_mm, U_length_mm=0.1)


def true(kind: str, at: float, length_mm: float, form: str = "oval") -> dict:
    return {"kind": kind, "outline_px": (SQUARE + at).tolist(), "length_mm": length_mm, "form": form}


def test_what_became_of_the_imperfections():
    """One found under another kind's name, one missed, one call of nothing; laminations are no imperfections of the weld, and
    overlaps and lack of penetration are counted by themselves.
    """
    truth = {
        "features": [true("pore", 0, 1.0), true("slag", 100, 2.0), true("crack", 200, 3.0, "lamination")],
        "overlaps": [{"length_mm": 1.5}],
        "unfused": [{"length_mm": 2.5}],
        "specimen": {"test": "macro-butt"},
    }
    found = [own("slag", 1, 1.1), own("pore", 500, 0.5), own("overlap", 700, 1.4), own("lack-of-penetration", 800, 2.0)]
    told = sections._features(truth, found)
    assert told["false"] == 1
    assert [(one["kind"], one["found"], one["found_kind"]) for one in told["true"]] == [
        ("pore", True, "slag"),
        ("slag", False, None),
    ]
    assert told["overlap"] == {"true": [1.5], "found": [1.4]}
    assert told["lack-of-penetration"] == {"true": [2.5], "found": [2.0]}
    fillet = sections._features({**truth, "specimen": {"test": "macro-fillet"}}, found)
    assert "lack-of-penetration" not in fillet, "a fillet's plates are meant to lie unfused on each other"


def result(**changes) -> dict:
    """One cut that was measured well."""
    found = {"kind": "pore", "length_mm": 1.0, "found": True, "found_kind": "pore", "found_length_mm": 1.05, "U_length_mm": 0.1}
    notch = {"toe": 1, "depth_mm": 0.5, "root_radius_mm": 0.3}
    read = {"toe": 1, "depth_mm": 0.52, "U_depth_mm": 0.05, "root_radius_mm": 0.33, "U_root_radius_mm": 0.02}
    return {
        "error": None,
        "overlap": 0.97,
        "confidence": 0.9,
        "time_s": 2.0,
        "etched": True,
        "true": {"throat_mm": 4.0, "penetration_mm": 1.0, "toe_angle_1_deg": 130.0},
        "sizes": {"throat_mm": 4.1, "U_throat_mm": 0.2, "toe_angle_1_deg": 133.0, "U_toe_angle_1_deg": 2.0},
        "hand": {"throat_mm": 4.3},
        "undercuts_true": [notch],
        "undercuts": [{**read, "root_radius_at_most_mm": None}],
        "features": {"false": 1, "true": [found], "overlap": {"true": [1.5], "found": [1.2]}},
    } | changes


def said(*results: dict) -> dict:
    """Row's words -> the row."""
    return {row.what: row for row in sections.rows(results)}


def test_the_table_of_one_cut():
    """Errors, what held, what the hand gave, with the goals beside."""
    rows = said(result())
    assert rows["photographs measured"].specimeter == "1 of 1"
    assert rows["throat_mm: measured"].specimeter == "1 of 1"
    assert rows["throat_mm: error, median / 95 %"].specimeter == "0.100 / 0.100"
    assert rows["throat_mm: error, median / 95 %"].plain == "0.300 / 0.300"
    assert rows["throat_mm: error, median / 95 %"].goal == "at most 0.1"
    assert rows["throat_mm: intervals that hold"].specimeter == "1.00"
    assert rows["toe_angle_1_deg: error, median / 95 %"].goal == "at most 3"
    assert rows["toe_angle_1_deg: intervals that hold"].specimeter == "0.00"
    assert rows["penetration_mm: measured"].specimeter == "0 of 1"
    assert "penetration_mm: error, median / 95 %" not in rows
    assert rows["undercuts: measured"].specimeter == "1 of 1"
    assert rows["undercut depth_mm: error, median / 95 %"].specimeter == "0.020 / 0.020"
    assert rows["root radius, where resolved: error, median / 95 %, %"].specimeter == "10 / 10"
    assert rows["root radius: intervals that hold"].specimeter == "0.00"
    assert rows["features of 0.5 mm and more: found"].specimeter == "1.000"
    assert rows["false calls a photograph"].specimeter == "1.00"
    assert rows["kind named right"].specimeter == "1.00"
    assert rows["overlap: found; false"].specimeter == "1 of 1; 0"
    assert rows["overlap: length_mm, error, median / 95 %"].specimeter == "0.300 / 0.300"


def test_what_was_not_had_is_not_averaged():
    """A refused photograph, one outlined wrongly and not said so, an unsure one, one not etched; a bounded root radius."""
    bound = {"toe": 1, "depth_mm": 0.4, "U_depth_mm": 0.2, "root_radius_mm": None, "root_radius_at_most_mm": 0.2}
    rows = said(
        result(undercuts=[bound]),
        result(error={"stage": "job", "type": "AreaError", "message": "no cut"}),
        result(overlap=0.5),
        result(confidence=0.3, overlap=0.95),
        result(etched=False, features={"false": 0, "true": []}, undercuts=[]),
    )
    assert rows["photographs measured"].specimeter == "4 of 5"
    assert rows["cut outlined rightly (overlap above 0.9)"].specimeter == "3 of 5"
    assert rows["wrong, and not said to be unsure"].specimeter == "1"
    assert rows["throat_mm: measured"].specimeter == "3 of 5"
    assert rows["penetration_mm: measured"].specimeter == "0 of 4", "of etched ones alone"
    assert rows["undercuts: measured"].specimeter == "2 of 4", "of a cut outlined rightly alone"
    assert rows["root radius: upper bounds that hold"].specimeter == "0.00"
    none = said(result(undercuts=[]))
    assert none["undercuts: measured"].specimeter == "0 of 1"
    assert "undercut depth_mm: intervals that hold" not in none


def test_one_cut_end_to_end(tmp_path):
    """Rendered small, measured by the main job, compared; a second look takes the photograph that is there."""
    photo = sections.prepare(FIRST + 3, 900, tmp_path, "macro-fillet")
    before = photo.stat().st_mtime_ns
    told = sections.examine(FIRST + 3, 900, tmp_path, test="macro-fillet")
    assert photo.stat().st_mtime_ns == before
    assert json.loads(json.dumps(told))["seed"] == FIRST + 3
    assert told["error"] is None or not told["error"].get("fault")
    photo.write_bytes(b"no picture")
    assert sections.examined(photo)["error"]["type"] == "PhotoError"
    assert sections.rows([told])[0].specimeter.endswith("of 1")
