"""What is told of the evidence of a scale and a surface: what a reader can judge, in his words, no figure of the finders."""

from __future__ import annotations

from specimeter.report import found

CARD = {
    "card": "strip",
    "markers": [{"id": 10}],
    "edge_points": 186,
    "edge_points_dropped": 3,
    "residual_rms_px": 0.05761,
    "u_edge_px": 0.34,
    "inflation": 1.0,
    "lens_over_marker_mm": 271.3038,
    "u_lens_over_marker_rel": 0.0167,
    "distance_from": "the photograph's EXIF focal length",
    "k1": -0.0007,
    "strip_marks": 61,
    "strip_marks_px": [[0.0, 0.0]] * 61,
}


def test_a_card_is_told_in_a_readers_words():
    """Numbers with their units and U; no key of the record, no list that only the record can hold."""
    assert found.rows(CARD, found.SCALE) == [
        ["card", "strip"],
        ["places on the squares' edges", "186, 3 more set aside"],
        ["millimetre marks of the strip", "61"],
        ["they miss the fit by, root mean square", "0.058 px"],
        ["lens over the marker", "271.3 ± 9.1 mm (k = 2)"],
        ["distance by", "the photograph's EXIF focal length"],
    ]


def test_the_search_for_a_bend_keeps_its_own_figures():
    """What a place was worth to the search means nothing to a reader; the nominal radius beside the found one does."""
    evidence = {"support": 0.869, "borders": {"side -a": 0.9}, "worth": 1.636, "rival_worth": 0.0, "nominal_radius_mm": 25.0}
    told = dict(found.rows(evidence, found.SURFACE))
    assert told == {"outer radius by former and thickness": "25.00 mm", "how much of its edges shows": "87 %"}


def test_an_enlarged_uncertainty_a_rule_and_the_equipment_are_told():
    """Each division of a rule once; the register's entry as it was entered."""
    edges = [{"division_mm": 1.0}, {"division_mm": 0.5}, {"division_mm": 1.0}]
    told = dict(found.rows({"edges": edges, "marks": 40, "inflation": 1.5, "equipment": {"id": "RULE-07"}}, found.SCALE))
    assert told["divisions of the rule"] == "1 mm, 0.5 mm"
    assert told["uncertainty enlarged to match"] == "1.50 times"
    assert told["equipment, id"] == "RULE-07"
