"""What keeps a judgement from `within` although every rule is kept."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from specimeter.judge import coverage
from specimeter.judge.coverage import of_scale, spans
from specimeter.segment.model import Unseen

LEFT_PX = np.array([[100.0, 50.0], [100.0, 850.0]])
RIGHT_PX = np.array([[900.0, 50.0], [900.0, 850.0]])


def told(make, judgement, outcome, text):
    assert judgement.outcome == outcome
    assert text in " ".join(judgement.because)
    assert make.judged(make.bend_limits()).outcome == "within"  # with nothing changed


def test_a_marked_crown_line_that_the_edges_speak_against(make):
    """Also where a person drew the area, which is then believed: a length on the wrong slope may come out too short."""
    disputed = SimpleNamespace(evidence={"marked_beside_mm": 4.0, "marked_turned_deg": 0.1})
    told(make, make.judged(make.bend_limits(), surface=disputed), "undecided", "and the specimen's own edges disagree")
    assert make.judged(make.bend_limits(), surface=SimpleNamespace(evidence={})).outcome == "within"


def test_an_imperfection_that_may_be_there_is_settled_by_a_person(make):
    sentence = "At toe 1 an undercut may be there."
    told(make, make.judged(make.bend_limits(), hidden=(sentence,)), "undecided", sentence)
    assert make.judged(make.bend_limits(), hidden=(sentence,), reviewed=True).outcome == "within"


@pytest.mark.parametrize(
    ("changes", "outcome", "text"),
    [
        ({"edges_px": ()}, "not-measured", "from edge to edge"),
        ({"edges_px": (LEFT_PX,)}, "not-measured", "from edge to edge"),
        ({"exclude_px": (np.array([[200.0, 200.0], [210.0, 200.0], [210.0, 210.0]]),)}, "not-measured", "left out"),
        ({"confidence": 0.4}, "undecided", "low confidence"),
        ({"width_mm": None}, "undecided", "was not measured in the photo"),
        ({"width_mm": 25.3}, "undecided", "the calliper 25 mm"),
        ({"width_mm": 24.7}, "undecided", "the calliper 25 mm"),
    ],
)
def test_examined_area(make, changes, outcome, text):
    told(make, make.judged(make.bend_limits(), within=make.area(**changes)), outcome, text)


def test_calliper_may_differ_by_the_combined_uncertainty(make):
    """2 x 0.04 mm of the photo and 0.1 mm of the calliper make 0.128 mm."""
    assert make.judged(make.bend_limits(), within=make.area(width_mm=25.125)).outcome == "within"
    judgement = make.judged(make.bend_limits(), within=make.area(width_mm=25.131))
    assert judgement.outcome == "undecided"
    assert any("Check the scale" in caution for caution in judgement.cautions)
    still = make.judged(make.bend_limits(), make.feature(1, 4.0, 0.1), within=make.area(width_mm=25.131))
    assert still.outcome == "exceeds"


def test_leaving_the_calliper_width_out_does_not_help(make):
    on = make.sheet(specimen={"specimen_width_mm": None})
    told(make, make.judged(make.bend_limits(), on=on), "undecided", "no calliper width")


def test_nothing_measured(make):
    from specimeter.judge.decide import decide

    for area, scale in ((None, make.scale), (make.area(), None)):
        judgement = decide(make.sheet(), make.bend_limits(), (), area=area, smallest_resolvable_mm=0.2, scale=scale)
        assert judgement.outcome == "not-measured"


def test_weld_wider_than_the_view(make):
    """The arc seen of a bend of 30 mm radius is 120 degrees: 62.8 mm."""
    on = make.sheet(specimen={"weld_width_mm": 57.0})
    told(make, make.judged(make.bend_limits(), on=on), "not-measured", "62.8 mm")
    assert make.judged(make.bend_limits(), on=make.sheet(specimen={"weld_width_mm": 56.0})).outcome == "within"


def test_the_outline_must_reach_both_edges(make):
    """A hand draws within 2 percent of the width; a strip along one edge is not the whole width."""
    assert spans(make.area(), 1.0)
    inset = make.square_px + np.array([[12.0, 0.0], [-12.0, 0.0], [-12.0, 0.0], [12.0, 0.0]])  # of 800 px
    assert spans(make.area(outline_px=inset), 1.0)
    narrow = make.square_px + np.array([[0.0, 0.0], [-20.0, 0.0], [-20.0, 0.0], [0.0, 0.0]])
    assert not spans(make.area(outline_px=narrow), 1.0)
    told(make, make.judged(make.bend_limits(), within=make.area(outline_px=narrow)), "not-measured", "from edge to edge")


def test_only_the_weld_and_its_zone_must_be_seen(make):
    """Of the 62.8 mm arc a weld of 18 mm with 3 mm on each side needs 38 percent, about the middle of the edges."""
    half = make.square_px.copy()
    half[:2, 1], half[2:, 1] = 250.0, 650.0  # the middle half of the edges
    weld = make.sheet(specimen={"weld_width_mm": 18.0})
    assert make.judged(make.bend_limits(), on=weld, within=make.area(outline_px=half)).outcome == "within"
    assert make.judged(make.bend_limits(), within=make.area(outline_px=half)).outcome == "not-measured"
    quarter = make.square_px.copy()
    quarter[:2, 1], quarter[2:, 1] = 350.0, 550.0
    assert make.judged(make.bend_limits(), on=weld, within=make.area(outline_px=quarter)).outcome == "not-measured"


def test_a_feature_that_no_rule_names(make):
    told(make, make.judged(make.bend_limits(), make.feature(1, 0.5, kind="pore")), "undecided", "No rule looks at f1 (pore)")


def test_a_rejected_feature_needs_a_reason_and_a_review(make):
    long = {"status": "rejected", "reason": "a scratch, seen with the loupe"}
    assert make.judged(make.bend_limits(), make.feature(1, 9.0, **long), reviewed=True).outcome == "within"
    told(make, make.judged(make.bend_limits(), make.feature(1, 9.0, **long)), "undecided", "f1 set aside without")
    silent = make.feature(1, 9.0, status="rejected")
    told(make, make.judged(make.bend_limits(), silent, reviewed=True), "undecided", "f1 set aside without")


def test_a_rejected_feature_is_never_counted(make):
    rejected = make.feature(1, 9.0, status="rejected", reason="ink")
    for verdict in make.judged(make.bend_limits(), rejected, reviewed=True).verdicts:
        assert verdict.features == ()


def test_what_the_conditions_leave_out_needs_a_named_person(make):
    """Left out by `where` or `counted` on nobody's word is open; set aside with a reason in a review it is not."""
    corner = make.limits(make.rule(where="not at_corner"))
    every = make.limits(make.rule(id="n", test="count", size=None, unit=None, counted="length_mm > 100", limit=0))
    for entered, one in ((corner, make.feature(1, 9.0, at_corner=True)), (every, make.feature(1, 9.0))):
        for reviewed in (False, True):
            judgement = make.judged(entered, one, reviewed=reviewed)
            assert judgement.outcome == "undecided"
            assert "f1 left out of every rule by the conditions" in " ".join(judgement.because)
        for status in ("confirmed", "added", "rejected"):
            said = replace(one, status=status, reason="a tear from the edge, no cause seen")
            judgement = make.judged(entered, said, reviewed=True)
            assert judgement.outcome == "within"
            told = "No rule counts f1; a named person set that aside: a tear from the edge, no cause seen."
            assert (told in judgement.cautions) == (status != "rejected")
            assert make.judged(entered, said).outcome == "undecided"
            assert make.judged(entered, replace(said, reason=" "), reviewed=True).outcome == "undecided"


def test_a_reason_takes_no_confirmed_feature_out_of_a_rule_that_counts_it(make):
    said = make.feature(1, 9.0, status="confirmed", reason="harmless")
    assert make.judged(make.limits(make.rule()), said, reviewed=True).outcome == "exceeds"


@pytest.mark.parametrize("height_mm", [-300.0, -51.0, 251.0, 500.0])
def test_a_height_that_no_specimen_has(make, height_mm):
    on = make.sheet(scale={"surface_height_mm": height_mm})
    told(make, make.judged(make.bend_limits(), on=on), "undecided", "check scale.surface_height_mm")
    assert make.judged(make.bend_limits(), make.feature(1, 9.0, 0.1), on=on).outcome == "exceeds"


def test_a_height_beyond_half_the_lens_s_distance(make):
    on = make.sheet(scale={"surface_height_mm": 161.0})
    told(make, make.judged(make.bend_limits(), on=on), "undecided", "320 mm from the lens")
    assert make.judged(make.bend_limits(), on=make.sheet(scale={"surface_height_mm": 159.0})).outcome == "within"


def test_a_doubt_about_the_scale(make):
    """What the scale stage says against itself: a distance that the picture contradicts, equipment out of date."""
    scale = SimpleNamespace(evidence={"doubts": ["the rule RULE-07 was due on 2026-01-31"]}, view=make.scale.view)
    told(make, make.judged(make.bend_limits(), scale=scale), "undecided", "The rule RULE-07 was due on 2026-01-31.")


def test_limits_for_another_test_or_another_plate(make):
    """Where the limits say what they are for, nothing else is within by them."""
    for head, text in (
        ({"tests": ["nick-break", "fillet-break"]}, "for nick-break and fillet-break, and this is a side-bend"),
        ({"applies": "t <= 3"}, "for t <= 3, which is not so here"),
        ({"applies": "a > 3"}, "which the sheet does not settle"),
    ):
        told(make, make.judged(make.limits(make.rule(), **head)), "not-measured", text)
    assert make.judged(make.limits(make.rule(), tests=["side-bend"], applies="t > 3")).outcome == "within"


def test_limits_that_name_neither_a_test_nor_a_section_s_size_do_not_judge_a_section(make):
    """A bend's limits on a macro section: nothing is within by them, unless they say that they are meant for it."""
    on = make.sheet().model_validate({"specimen": {"id": "M1", "test": "macro-butt"}, "validity": {"valid": True}})
    single, throat = make.rule(), make.rule(id="throat", kinds=None, test="section", size="misalignment_mm")
    (doubt,) = coverage.of_limits(on, make.limits(single)).unseen
    assert "a macro-butt shows" in doubt
    assert coverage.of_limits(on, make.limits(single, tests=["macro-butt"])) == coverage.Coverage()
    assert coverage.of_limits(on, make.limits(single, throat)) == coverage.Coverage()
    assert coverage.of_limits(on, make.limits(make.rule(kinds=["undercut"], size="depth_mm"))) == coverage.Coverage()
    assert coverage.of_limits(make.sheet(), make.limits(single)) == coverage.Coverage()


@pytest.mark.parametrize(("area_mm2", "outcome"), [(160.0, "within"), (158.0, "not-measured"), (None, "not-measured")])
def test_a_nick_break_s_face_is_its_width_times_its_thickness(make, area_mm2, outcome):
    """25 x 12.7 mm is 317.5 mm2; a face of which less than half was examined had more left out than notches."""
    specimen = {"id": "N1", "test": "nick-break", "specimen_width_mm": 25.0, "specimen_thickness_mm": 12.7}
    level = {"surface_height_mm": 0.0}
    on = make.sheet().model_validate({"specimen": specimen, "scale": level, "validity": {"valid": True}})
    notch = (np.array([[200.0, 200.0], [210.0, 200.0], [210.0, 210.0]]),)
    judgement = make.judged(
        make.limits(make.rule()), on=on, within=make.area(exclude_px=notch, edges_px=()), area_mm2=area_mm2, U_area_mm2=1.0
    )
    assert judgement.outcome == outcome


@pytest.mark.parametrize(("length_mm", "outcome"), [(2.9, "within"), (3.0, "not-measured"), (40.0, "not-measured")])
def test_a_part_where_nothing_could_be_seen_hides_what_fits_into_it(make, length_mm, outcome):
    """Burnt out over at least the limit of 3 mm: finding nothing is no evidence there; what exceeds elsewhere still exceeds."""
    part = Unseen(outline_px=np.zeros((3, 2)), why="burnt out", length_mm=length_mm)
    found = make.judged(make.limits(make.rule()), within=make.area(unseen=(part,)))
    assert found.outcome == outcome
    assert ("burnt out" in " ".join(found.because)) == (outcome == "not-measured")
    worse = make.judged(make.limits(make.rule()), make.feature(1, 5.0), within=make.area(unseen=(part,)))
    assert worse.outcome == "exceeds"


LENGTH = {"method": "length", "from_px": [0.0, 0.0], "to_px": [90.0, 0.0], "length_mm": 9.0}


@pytest.mark.parametrize("test", ["nick-break", "fillet-break", "macro-butt", "macro-fillet"])
@pytest.mark.parametrize(("scale", "doubted"), [({}, True), (LENGTH, False), ({"surface_height_mm": 0.0}, False)])
def test_a_height_that_nobody_entered_leaves_the_judgement_open(make, test, scale, doubted):
    """A card beside a broken half or a cut lies lower than its face, by nobody knows how much; a length on it does not."""
    on = make.sheet().model_validate({"specimen": {"id": "N1", "test": test}, "scale": scale})
    seen = SimpleNamespace(evidence={}, view=SimpleNamespace(distance_mm=320.0))
    assert ("was not entered" in " ".join(of_scale(on, seen).open)) is doubted


def test_an_edge_of_no_length_spans_nothing(make):
    """Two points in one place, on the outline itself: no edge to reach along."""
    assert not spans(make.area(edges_px=(LEFT_PX[[0, 0]], RIGHT_PX)), 1.0)


@pytest.mark.parametrize(("inset_px", "whole"), [(15.9, True), (16.1, False)])
def test_a_hand_s_two_percent_are_of_the_distance_between_the_edges_middles(make, inset_px, whole):
    """800 px, whatever the number of points that each edge has."""
    left, right = (
        np.array([[100.0, y] for y in (50.0, 60.0, 840.0, 850.0)]),
        np.array([[900.0, y] for y in (50.0, 450.0, 850.0)]),
    )
    inset = make.square_px + inset_px * np.array([[1, 0], [-1, 0], [-1, 0], [1, 0]])
    assert spans(make.area(outline_px=inset, edges_px=(left, right)), 1.0) is whole


def test_features_that_no_rule_names_are_told_kind_by_kind(make):
    pores, slag = [make.feature(number, 0.5, kind="pore") for number in (1, 3)], make.feature(2, 0.5, kind="slag")
    named = make.feature(4, 0.5)
    found = coverage.of_features(make.bend_limits(), [*pores, slag, named], {"f4"}, reviewed=False)
    assert found.open == ("No rule looks at f1 and f3 (pore).", "No rule looks at f2 (slag).")
