"""One rule's verdict: senses, sums, units, what cannot be evaluated, and the sentence that goes with it."""

from __future__ import annotations

import re

import pytest


def one(make, rule, *features, decision="guarded", **more):
    (verdict,) = make.judged(make.limits(rule, decision=decision), *features, **more).verdicts
    assert verdict.because.endswith(".")
    return verdict


@pytest.mark.parametrize(("sense", "under", "on", "over"), [
    ("at most", "within", "within", "exceeds"), ("below", "within", "exceeds", "exceeds"),
    ("at least", "exceeds", "within", "within"), ("above", "exceeds", "exceeds", "within"),
])  # fmt: skip
@pytest.mark.parametrize("decision", ["guarded", "simple"])
def test_senses(make, sense, under, on, over, decision):
    for length_mm, outcome in ((2.999, under), (3.0, on), (3.001, over)):
        verdict = one(make, make.rule(sense=sense), make.feature(1, length_mm), decision=decision)
        assert verdict.outcome == outcome
        assert (verdict.value, verdict.limit, verdict.unit, verdict.sense) == (length_mm, 3.0, "mm", sense)


@pytest.mark.parametrize(("sense", "outcomes"), [
    ("at most", ("within", "undecided", "undecided", "exceeds")), ("at least", ("exceeds", "undecided", "undecided", "within")),
])  # fmt: skip
def test_guard_band_on_both_sides(make, sense, outcomes):
    for length_mm, outcome in zip((2.85, 2.95, 3.05, 3.15), outcomes, strict=True):
        verdict = one(make, make.rule(sense=sense), make.feature(1, length_mm, 0.1))
        assert verdict.outcome == outcome
        assert pytest.approx(0.1) == verdict.U
        assert f"{length_mm:.2f} ± 0.10 mm" in verdict.because
        assert 0 < verdict.p_conform < 1


def test_value_limit_and_U_are_in_the_rule_s_unit(make):
    """1/8 in is 3.175 mm (exact factor 25.4), so 3.1 mm keeps it and 3.2 mm does not; t is in inches too."""
    rule = make.rule(limit="min(1 / 8, t / 2)", unit="in")
    verdict = one(make, rule, make.feature(1, 3.1, 0.0254))
    assert verdict.outcome == "within"
    assert verdict.value == pytest.approx(3.1 / 25.4, rel=1e-12)
    assert pytest.approx(0.001, rel=1e-9) == verdict.U
    assert (verdict.limit, verdict.unit) == (0.125, "in")
    assert one(make, rule, make.feature(1, 3.2)).outcome == "exceeds"
    thin = make.sheet(specimen={"parent_thickness_mm": 5.08, "specimen_width_mm": 5.0})  # 0.2 in
    assert one(make, rule, make.feature(1, 2.0), on=thin).limit == pytest.approx(0.1, rel=1e-12)


def test_same_verdict_whichever_unit_the_size_s_name_is_in(make):
    for size in ("length_mm", "length_in"):
        for unit, limit in (("mm", 3.175), ("in", 0.125)):
            assert one(make, make.rule(size=size, unit=unit, limit=limit), make.feature(1, 3.175)).outcome == "within"
            assert one(make, make.rule(size=size, unit=unit, limit=limit), make.feature(1, 3.176)).outcome == "exceeds"


def test_expression_of_sizes_carries_its_uncertainty(make):
    """Length plus width: halves add, since both hang on one scale."""
    wide = make.feature(1, 2.0, 0.1, width_mm=0.5, U_width_mm=0.06)
    verdict = one(make, make.rule(size="length_mm + width_mm"), wide)
    assert verdict.value == pytest.approx(2.5)
    assert pytest.approx(0.16) == verdict.U


def test_area_rule_has_a_unit_of_area(make):
    big = make.feature(1, 2.0, area_mm2=4.0, U_area_mm2=0.2)
    verdict = one(make, make.rule(size="area_mm2", limit=5), big)
    assert (verdict.outcome, verdict.unit) == ("within", "mm2")
    verdict = one(make, make.rule(size="area_mm2", limit="1 / 160", unit="in"), big)  # 4.03 mm2
    assert (verdict.outcome, verdict.unit) == ("undecided", "in2")
    assert verdict.value == pytest.approx(4.0 / 25.4**2)


def test_one_beyond_the_limit_decides_though_another_is_not_measured(make):
    lost = make.feature(2, None, missing={"length_mm": "it is cut off by the end of the examined area"})
    assert one(make, make.rule(), make.feature(1, 2.0), lost).outcome == "not-measured"
    assert "it is cut off by the end" in one(make, make.rule(), lost).because
    verdict = one(make, make.rule(), make.feature(1, 4.0, 0.1), lost)
    assert (verdict.outcome, verdict.value) == ("exceeds", 4.0)


@pytest.mark.parametrize("changes", [{"U_length_mm": None}, {"U_length_mm": float("nan")}, {"length_mm": float("nan")}])
@pytest.mark.parametrize("decision", ["guarded", "simple"])
def test_a_size_without_uncertainty_never_passes(make, changes, decision):
    verdict = one(make, make.rule(), make.feature(1, 1.0, 0.1, **changes) if "length_mm" not in changes else
                  make.feature(1, changes["length_mm"], 0.1), decision=decision)  # fmt: skip
    assert verdict.outcome == "not-measured"
    assert verdict.value is None


def test_limit_without_a_value_is_not_measured(make):
    no_t = make.sheet(specimen={"parent_thickness_mm": None})
    verdict = one(make, make.rule(limit="min(3, t / 2)"), make.feature(1, 1.0), on=no_t)
    assert (verdict.outcome, verdict.limit) == ("not-measured", None)
    assert "specimen.parent_thickness_mm" in verdict.because
    assert "divides by zero" in one(make, make.rule(limit="t * t / (t - 25)")).because
    assert "below 0" in one(make, make.rule(limit="t - 30")).because


def test_none_found_is_told_with_what_could_be_seen(make):
    verdict = one(make, make.rule(), resolves_mm=0.34)
    assert (verdict.outcome, verdict.value, verdict.U) == ("within", None, None)
    assert "0.34 mm" in verdict.because


@pytest.mark.parametrize("resolves_mm", [None, float("nan"), float("inf"), 1.01, 3.1])
def test_none_found_is_no_evidence_where_it_could_not_be_seen(make, resolves_mm):
    verdict = one(make, make.rule(), resolves_mm=resolves_mm)
    assert verdict.outcome == "not-measured"
    assert "no evidence" in verdict.because
    assert one(make, make.rule(), make.feature(1, 4.0, 0.1), resolves_mm=resolves_mm).outcome == "exceeds"


@pytest.mark.parametrize(("changes", "need_mm"), [
    ({}, 1.0),  # each, 3 mm long: a third of it wide
    ({"limit": 1.2}, 0.5),  # nothing finer than an unaided eye marks
    ({"limit": 0.4}, 0.4),  # unless the limit itself is
    ({"limit": "1 / 8", "unit": "in"}, 25.4 / 24),
    ({"size": "width_mm", "limit": 0.8}, 0.8),  # a width is asked for as it is
    ({"where": "width_mm > 0.3"}, 0.3),  # what counts by its width must be seen by it
    ({"test": "sum", "counted": "length_mm > 1 and length_mm <= 3 and width_mm > 0.3", "limit": 10}, 0.3),
    ({"test": "sum", "limit": 10}, 0.5),
    ({"test": "sum", "counted": "1 < length_mm <= 3", "limit": 10}, 0.5),
    ({"test": "sum", "counted": "length_mm > 0.3", "limit": 10}, 0.3),
    ({"test": "sum", "counted": "length_mm > 4.5", "limit": 10}, 1.5),
    ({"test": "sum", "counted": "width_mm > 0.7", "limit": 10}, 0.7),
    ({"test": "sum", "counted": "length_in > 1 / 4", "limit": "3 / 8", "unit": "in"}, 6.35 / 3),
])  # fmt: skip
def test_the_photo_must_show_the_width_of_the_smallest_that_counts(make, changes, need_mm):
    """Openings are narrower than long, so a third of the least length is asked for; steps of trial are 0.025 mm of length."""
    changed = make.rule(**changes)
    assert one(make, changed, resolves_mm=need_mm - 0.03).outcome == "within"
    assert one(make, changed, resolves_mm=need_mm + 0.03).outcome == "not-measured"


def test_sum_adds_uncertainties_linearly(make):
    total = make.rule(id="total", test="sum", limit=10)
    verdict = one(make, total, *(make.feature(i, 2.0, 0.1) for i in range(4)))
    assert verdict.value == pytest.approx(8.0)
    assert pytest.approx(0.4) == verdict.U
    assert verdict.outcome == "within"
    assert one(make, total, *(make.feature(i, 2.4, 0.12) for i in range(4))).outcome == "undecided"  # 9.6 and 0.48
    assert one(make, total, *(make.feature(i, 2.7, 0.1) for i in range(4))).outcome == "exceeds"


def test_sum_with_a_size_missing_is_not_measured_unless_it_is_beyond_already(make):
    total = make.rule(id="total", test="sum", limit=4)
    lost = make.feature(9, None, missing={"length_mm": "it is cut off"})
    verdict = one(make, total, make.feature(1, 2.0, 0.1), lost)
    assert (verdict.outcome, verdict.value) == ("not-measured", None)
    assert "it is cut off" in verdict.because
    assert one(make, total, make.feature(1, 2.5, 0.1), make.feature(2, 2.5, 0.1), lost).outcome == "exceeds"


def test_sum_is_open_where_counting_is_and_it_matters(make):
    """2 x 3.9 mm and one of 1.02 +- 0.1 mm: if it counts 8.82, else 7.8; against 8 mm open, against 10 mm not."""
    features = [make.feature(1, 3.9, 0.01), make.feature(2, 3.9, 0.01), make.feature(3, 1.02, 0.1)]

    def total(limit, decision="guarded"):
        return one(make, make.rule(id="total", test="sum", counted="length_mm > 1", limit=limit), *features, decision=decision)

    assert total(8).outcome == "undecided"
    assert "whether f3 counts is open" in total(8).because
    assert "too close to the limit" not in total(8).because, (
        "either sum is clear of the limit: only which of them is meant is open"
    )
    near = one(make, make.rule(limit=3), make.feature(1, 3.0, 0.2))
    assert "too close to the limit" in near.because
    assert total(10).outcome == "within"
    assert total(7).outcome == "exceeds"
    assert total(8).p_conform is None  # no one number can say
    assert total(8, "simple").outcome == "exceeds"
    assert total(8).value == pytest.approx(8.82)


@pytest.mark.parametrize("decision", ["guarded", "simple"])
def test_unknown_corner_leaves_open_what_hangs_on_it(make, decision):
    corner = make.rule(where="not at_corner")
    assert one(make, corner, make.feature(1, 3.5, at_corner=None), decision=decision).outcome == "undecided"
    assert one(make, corner, make.feature(1, 2.5, at_corner=None), decision=decision).outcome == "within"
    assert one(make, corner, make.feature(1, 3.5, at_corner=True), decision=decision).outcome == "within"
    total = make.rule(id="total", test="sum", where="not at_corner", limit=4)
    features = [make.feature(1, 2.5), make.feature(2, 2.5, at_corner=None)]
    assert one(make, total, *features, decision=decision).outcome == "undecided"


def test_count(make):
    rule = make.rule(id="n", test="count", size=None, unit=None, counted="length_mm > 1", limit=2)
    features = [make.feature(i, 2.0, 0.1) for i in range(1, 3)]
    verdict = one(make, rule, *features)
    assert (verdict.outcome, verdict.value, verdict.U, verdict.unit) == ("within", 2, None, "")
    assert one(make, rule, *features, make.feature(3, 1.0, 0.1)).outcome == "undecided"
    assert one(make, rule, *features, make.feature(3, 2.0, 0.1)).outcome == "exceeds"
    assert one(make, rule).outcome == "within"


def test_share_of_the_examined_area(make):
    """2 percent of 500 mm2 is 10 mm2."""
    rule = make.rule(id="share", test="share", of="area", size=None, unit=None, limit=2)
    pores = [make.feature(i, 2.0, 0.1, area_mm2=area, U_area_mm2=0.1) for i, area in ((1, 4.0), (2, 5.0))]
    examined = {"area_mm2": 500.0, "U_area_mm2": 2.0}
    verdict = one(make, rule, *pores, **examined)
    assert (verdict.outcome, verdict.unit) == ("within", "%")
    assert verdict.value == pytest.approx(1.8)
    more = make.feature(3, 2.0, 0.1, area_mm2=1.0, U_area_mm2=0.1)
    assert one(make, rule, *pores, more, **examined).outcome == "undecided"
    assert one(make, rule, *pores, more, decision="simple", **examined).outcome == "within"
    assert one(make, rule, *pores).outcome == "not-measured"
    assert one(make, {**rule, "of": "length"}, *pores, **examined).outcome == "not-measured"


def test_spacing(make):
    """Half an inch clear between neighbours; the nearest must itself be one that counts."""
    rule = make.rule(id="gap", test="spacing", size=None, limit=13, sense="at least")
    far = [make.feature(i, 2.0, 0.1, nearest_mm=14.0, U_nearest_mm=0.5) for i in (1, 2)]
    near = [make.feature(i, 2.0, 0.1, nearest_mm=10.0, U_nearest_mm=0.5) for i in (1, 2)]
    assert one(make, rule, *far).outcome == "within"
    assert one(make, rule, *near).outcome == "exceeds"
    assert one(make, rule, near[0]).outcome == "within"
    assert one(make, rule, *near, make.feature(3, 1.0, 0.1, kind="pore")).outcome == "not-measured"
    assert one(make, rule, *far, make.feature(3, 1.0, 0.1, kind="pore")).outcome == "within"


def test_window_is_only_settled_by_the_whole(make):
    rule = make.rule(id="window", test="window", window_mm=150, limit=10)
    assert one(make, rule, make.feature(1, 4.0, 0.1), make.feature(2, 4.0, 0.1)).outcome == "within"
    assert one(make, rule, make.feature(1, 6.0, 0.1), make.feature(2, 6.0, 0.1)).outcome == "not-measured"


def test_section_size(make):
    rule = {"id": "throat", "test": "section", "size": "throat_mm", "limit": "0.7 * t", "unit": "mm", "sense": "at least"}
    assert one(make, rule, section={"throat_mm": 18.0, "U_throat_mm": 0.3}).outcome == "within"
    assert one(make, rule, section={"throat_mm": 17.6, "U_throat_mm": 0.3}).outcome == "undecided"
    assert one(make, rule, section={"throat_mm": 18.0}).outcome == "not-measured"
    assert one(make, rule).outcome == "not-measured"
    angle = {"id": "toe", "test": "section", "size": "toe_angle_1_deg", "limit": 110, "sense": "at least"}
    verdict = one(make, angle, section={"toe_angle_1_deg": 140.0, "U_toe_angle_1_deg": 4.0})
    assert (verdict.outcome, verdict.unit) == ("within", "deg")


def test_observation(make):
    rule = {"id": "fused", "test": "observation", "observation": "complete-root-fusion"}
    for seen, outcome in ((True, "within"), (False, "exceeds"), ("undetermined", "undecided")):
        assert one(make, rule, on=make.sheet(observations={"complete-root-fusion": seen})).outcome == outcome
    assert one(make, rule).outcome == "not-measured"
    assert (
        one(make, {**rule, "must_be": False}, on=make.sheet(observations={"complete-root-fusion": False})).outcome == "within"
    )


def test_naming_a_cause_takes_nothing_out_and_may_bring_in(make):
    opening = make.rule(kinds=["opening"])
    slag = make.rule(kinds=["slag"], limit=1)
    caused = make.feature(1, 4.0, cause="slag")
    assert one(make, opening, caused).outcome == "exceeds"
    assert one(make, slag, caused).outcome == "exceeds"
    assert one(make, slag, make.feature(1, 4.0)).features == ()


def test_the_sentence_shows_no_digit_that_U_does_not_justify(make):
    because = one(make, make.rule(), make.feature(1, 2.345678, 0.23456)).because
    assert "2.35 ± 0.24 mm" in because
    because = one(make, make.rule(), make.feature(1, 1.0 / 3.0, 0.0123)).because
    assert re.search(r"0\.333 ± 0\.013 mm", because)


@pytest.mark.parametrize(
    ("sense", "said"), [("at most", "f2, the largest of 2, is"), ("at least", "f1, the smallest of 2, is")]
)
def test_the_one_that_decides_is_named_with_its_rank_among_several(make, sense, said):
    """The largest of what may not be large, the smallest of what may not be small; of one alone no rank is told."""
    rule, features = make.rule(sense=sense, limit=3), [make.feature(1, 2.0), make.feature(2, 4.0)]
    assert one(make, rule, *features).because.startswith(said)
    assert one(make, rule, features[0]).because.startswith("f1 is")
    third = make.feature(3, 3.9, 0.2)  # too close to tell, and not the largest: the one that is sure decides
    assert one(make, make.rule(), features[1], third).because.startswith("f2, the largest of 2,")
    within = [make.feature(1, 3.1, 0.2), make.feature(2, 2.0)]
    assert one(make, make.rule(), *within).because.startswith("f1, the largest of 2,")
