"""Marking is fair: by path and tips for what is long, by place for what is round; disputed things are not scored."""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.library import consensus, marking
from specimeter.library.entry import Reading, Seen, made


def long_item(**more) -> dict:
    """A crack 60 px long with a bend in it."""
    path = marking.resampled(np.array([[10.0, 10], [40, 14], [70, 10]]))
    item = {"kinds": ["crack"], "path_px": path.tolist(), "outline_px": [[10, 10], [40, 16], [70, 10], [40, 12]], "long": True}
    item |= {"centre_px": [40.0, 12.0], "half_px": 30.0, "length_mm": 3.0, "tolerance_mm": 0.5}
    return {**item, "rejectable": True, "scored": True, "note": "", "why": "", **more}


def round_item(**more) -> dict:
    """A pore of radius 8 px at (120, 50)."""
    turn = np.linspace(0, 2 * np.pi, 32, endpoint=False)
    outline = np.column_stack([120 + 8 * np.cos(turn), 50 + 8 * np.sin(turn)])
    item = {"kinds": ["pore"], "path_px": [[112.0, 50], [128, 50]], "outline_px": outline.tolist(), "long": False}
    item |= {"centre_px": [120.0, 50.0], "half_px": 8.0, "length_mm": 0.8, "tolerance_mm": 0.3}
    return {**item, "rejectable": False, "scored": True, "note": "", "why": "", **more}


def line(*points, kind="crack", length_mm=3.0) -> dict:
    return {"shape": "line", "points_px": [list(p) for p in points], "kind": kind, "length_mm": length_mm}


def oval(a, b, kind="pore", length_mm=0.8) -> dict:
    return {"shape": "oval", "points_px": [list(a), list(b)], "kind": kind, "length_mm": length_mm}


def told(items, marks, verdict="reject", right="reject", tolerance=5.0) -> dict:
    return marking.marked({"items": items, "tolerance_px": tolerance, "verdict": right}, marks, verdict)


CRACK = line((10, 10), (40, 14), (70, 10))
PORE = oval((112, 42), (128, 58))


def test_all_right():
    result = told([long_item(), round_item()], [CRACK, PORE])
    assert result["finding"] == 1
    assert result["hits"] == [(0, 0), (1, 1)]
    assert (result["named"], result["sized"], result["verdict"], result["serious"]) == ([2, 2], [2, 2], "right", False)


def test_a_missed_rejectable_weighs_three_times_a_false_call():
    """Missing the crack leaves 1 of 4, missing the pore 3 of 4; a false mark takes one part in five."""
    items = [long_item(), round_item()]
    assert told(items, [PORE])["finding"] == pytest.approx(1 / 4)
    assert told(items, [PORE])["serious"] is True
    assert told(items, [CRACK])["finding"] == pytest.approx(3 / 4)
    assert told(items, [CRACK])["serious"] is False
    assert told(items, [CRACK, PORE, line((10, 90), (60, 95))])["finding"] == pytest.approx(4 / 5)


def test_a_thin_crack_is_found_by_its_path_though_nothing_overlaps():
    """Three pixels beside a crack that is one pixel wide: no overlap at all, and found; half of it is not enough."""
    assert told([long_item()], [line((10, 13), (40, 17), (70, 13))])["hits"] == [(0, 0)]
    assert told([long_item()], [line((10, 10), (30, 12))])["hits"] == []
    assert told([long_item()], [line((40, -20), (40, 44))])["hits"] == [], "across it is not along it"
    near = marking.closeness(line((14, 10), (40, 14), (70, 10)), long_item(), 5.0)
    assert near["tips"] == pytest.approx(2.0, abs=0.3), "one tip is 4 px short, the other is met"


def test_an_oval_round_the_whole_face_finds_nothing():
    assert told([round_item()], [oval((0, 0), (240, 100))])["hits"] == []
    near = marking.closeness(PORE, round_item(), 5.0)
    assert near["overlap"] > 0.9
    assert near["boundary"] == pytest.approx(0, abs=0.05)
    assert marking.boundary(oval((108, 38), (132, 62)), round_item()["outline_px"]) == pytest.approx(4, abs=0.05)


def test_a_clean_face():
    """Nothing marked on a clean face is full marks; each false mark takes from it."""
    assert told([], [], "accept", "accept")["finding"] == 1
    assert told([], [CRACK], "accept", "accept")["finding"] == pytest.approx(1 / 2)


def test_disputed_things_count_neither_for_nor_against():
    disputed = long_item(scored=False, rejectable=False)
    result = told([disputed, round_item()], [CRACK, PORE])
    assert (result["finding"], result["unscored"], result["false"]) == (1, [0], [])
    assert told([disputed, round_item()], [PORE])["finding"] == 1


def test_a_second_mark_on_the_same_thing_is_not_false():
    result = told([long_item()], [CRACK, line((12, 11), (40, 15), (69, 11))])
    assert (len(result["hits"]), result["again"], result["false"]) == (1, [1], [])


def test_an_accepted_reject_is_serious_and_the_other_way_round_is_not():
    assert told([long_item()], [CRACK], "accept", "reject")["serious"] is True
    assert told([], [], "reject", "accept")["serious"] is False
    assert told([long_item()], [CRACK], "accept", None)["verdict"] is None


def test_sizes_are_allowed_what_the_reference_itself_does_not_know():
    """The allowance, U and twice the readers' spread, as roots of squares (GUM: independent contributions)."""
    assert marking.size_tolerance_mm(4.0, 0.3, 0.2, 0.1) == pytest.approx(np.sqrt(0.16 + 0.09 + 0.16))
    assert marking.size_tolerance_mm(0.5, 0.0, 0.0, 0.1) == marking.LEAST_TOLERANCE_MM
    assert told([long_item()], [{**CRACK, "length_mm": 3.49}])["sized"] == [1, 1]
    assert told([long_item()], [{**CRACK, "length_mm": 3.51}])["sized"] == [0, 1]


RING = ((40, 40), (60, 40), (60, 60), (40, 60))


def reading(name: str, kind="pore", shift=0.0, length=1.0, there=True) -> Reading:
    outline = tuple((x + shift, y) for x, y in RING)
    return Reading(reader=name, seen=(Seen(id="m1", kind=kind, outline_px=outline, length_mm=length),) if there else ())


def test_a_reference_of_three_readers_is_by_majority():
    """Two of three saw it: scored, its length their mean, its spread their standard deviation; one of three: disputed."""
    entry = made(
        {"title": "x", "readings": [reading("a", length=1.0), reading("b", shift=2, length=1.2), reading("c", there=False)]}
    )
    found = consensus.reference(entry, tolerance_px=8)
    assert [(item.scored, item.kinds) for item in found.items] == [(True, ("pore",))]
    assert found.items[0].length_mm == pytest.approx(1.1)
    assert found.items[0].spread_mm == pytest.approx(np.std([1.0, 1.2], ddof=1))
    assert found.spread_px == pytest.approx(np.std([0, 2], ddof=1) / np.sqrt(2))
    alone = made({"title": "x", "readings": [reading("a"), reading("b", there=False), reading("c", there=False)]})
    (item,) = consensus.reference(alone, tolerance_px=8).items
    assert item.scored is False
    assert "1 of 3 readers" in item.note


def test_kinds_that_readers_disagree_on_are_not_scored_by_name():
    entry = made({"title": "x", "readings": [reading("a", "pore"), reading("b", "slag"), reading("c", "crack")]})
    (item,) = consensus.reference(entry, tolerance_px=8).items
    assert (item.scored, item.kinds) == (True, ())


def test_two_readers_make_no_reference_and_a_known_truth_makes_one_alone():
    assert consensus.reference(made({"title": "x", "readings": [reading("a"), reading("b")]}), tolerance_px=8) is None
    seen = [{"id": "f1", "kind": "opening", "cause": "slag", "outline_px": RING, "length_mm": 2.0}]
    known = consensus.reference(made({"title": "x", "truth": "cut open", "seen": seen}), tolerance_px=8)
    assert known.items[0].kinds == ("opening", "slag")
    assert consensus.reference(made({"title": "x", "truth": "cut open", "clean": True}), tolerance_px=8).items == ()


def test_the_middle_line_of_a_narrow_outline_runs_from_tip_to_tip():
    """Of an ellipse 100 by 4 it is its long axis, to half a pixel."""
    turn = np.linspace(0, 2 * np.pi, 80, endpoint=False)
    path = marking.path_of(np.column_stack([50 * np.cos(turn), 2 * np.sin(turn)]))
    assert np.abs(path[:, 1]).max() < 0.5
    assert sorted([path[0, 0], path[-1, 0]]) == pytest.approx([-50, 50], abs=0.5)
