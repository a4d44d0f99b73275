"""Rules over how features are spread: per area, per length, in a window along the weld, apart from each other."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from specimeter.errors import LimitsError
from specimeter.scale.surface import Flat
from specimeter.scale.view import View

PX_PER_MM = 10.0  # a lens straight above, 400 mm away, 4000 pixels of focal length
SURFACE = Flat(
    view=View(
        focal_px=4000.0, centre_px=np.array([0.0, 0.0]), rotation=np.eye(3), translation_mm=np.array([0.0, 0.0, 400.0]),
        k1=0.0,
    ),
    height_mm=0.0,
)  # fmt: skip
SCALE = SimpleNamespace(evidence={}, view=SURFACE.view, u_rel=1e-4)
WELD = {"weld_axis_px": [[0.0, 0.0], [1000.0, 0.0]]}
FACE = np.array([[0.0, -50.0], [2500.0, -50.0], [2500.0, 50.0], [0.0, 50.0]])  # 250 x 10 mm


def box(make, number, begin_mm, length_mm, **changes):
    outline = np.array([[begin_mm, -0.5], [begin_mm + length_mm, -0.5], [begin_mm + length_mm, 0.5], [begin_mm, 0.5]])
    known = {"outline_px": outline * PX_PER_MM, "u_tip_px": 0.01, "u_edge_px": 0.01}
    return make.feature(number, length_mm, 0.01, **(known | changes))


def one(make, rule, *features, weld=WELD, decision="guarded", **more):
    on = make.sheet().model_validate(
        {"specimen": {"id": "N1", "test": "nick-break", "specimen_width_mm": 250.0, "specimen_thickness_mm": 10.0},
         "validity": {"valid": True}} | ({"weld": weld} if weld else {})
    )  # fmt: skip
    more = {"area_mm2": 2500.0, "U_area_mm2": 5.0, "surface": SURFACE, "scale": SCALE} | more
    judgement = make.judged(
        make.limits(rule, decision=decision), *features, on=on, within=make.area(outline_px=FACE, edges_px=()), **more
    )
    return judgement.verdicts[0]


def test_worst_window_along_the_weld(make):
    """Three of 4 mm begin at 0, 100 and 160 mm: within 100 mm of weld two of them lie, 8 mm; within 160 mm all, 12 mm."""
    features = [box(make, number, at, 4.0) for number, at in ((1, 0.0), (2, 100.0), (3, 160.0))]

    def window(window_mm, limit):
        return one(make, make.rule(test="window", window_mm=window_mm, limit=limit), *features)

    assert window(100, 10).outcome == "within"
    assert window(100, 10).value == pytest.approx(8.0)
    assert window(100, 7).outcome == "exceeds"
    assert window(160, 10).outcome == "exceeds"  # f1 ends at 4 mm, f3 begins at 160 mm
    assert window(155.9, 10).outcome == "within"
    assert window(156.1, 10).outcome == "exceeds"
    assert set(window(100, 7).features) == {"f1", "f2"} or set(window(100, 7).features) == {"f2", "f3"}
    assert "within 160 mm of weld (f1, f2 and f3)" in window(160, 10).because


def test_a_window_without_the_weld_s_axis(make):
    """Only the sum over all settles it; a feature whose size or place is lost is not measured."""
    rule = make.rule(test="window", window_mm=50, limit=10)
    features = [box(make, number, at, 4.0) for number, at in ((1, 0.0), (2, 100.0), (3, 200.0))]
    assert one(make, rule, *features).outcome == "within"
    assert one(make, rule, *features, weld=None).outcome == "not-measured"
    assert one(make, rule, *features[:2], weld=None).outcome == "within"
    lost = box(make, 4, 220.0, 4.0, missing={"length_mm": "cut off"})
    assert one(make, rule, *features, lost).outcome == "not-measured"


def test_a_window_is_searched_for_its_greatest(make):
    with pytest.raises(LimitsError, match="at most"):
        make.limits(make.rule(test="window", window_mm=50, sense="at least"))


def test_share_of_the_weld_s_length(make):
    """25 of 250 mm are 10 percent; the axis lies 250 mm long in the face. 2 % of the length's U is far below the margins."""
    rule = make.rule(test="share", of="length", size=None, unit=None, limit=10.5)
    features = [box(make, 1, 10.0, 20.0), box(make, 2, 60.0, 5.0)]
    verdict = one(make, rule, *features)
    assert (verdict.outcome, verdict.unit) == ("within", "%")
    assert verdict.value == pytest.approx(10.0, abs=0.01)
    assert one(make, {**rule, "limit": 9.5}, *features).outcome == "exceeds"
    assert one(make, {**rule, "limit": 10.0}, *features).outcome == "undecided"
    assert "weld.weld_axis_px" in one(make, rule, *features, weld=None).because
    assert one(make, rule, weld=None).outcome == "not-measured"


def test_number_per_area(make):
    """Six per square inch (NAVEDTRA 14250) of 2500 mm2, which are 3.875 in2: 23 pores are 5.94, 24 are 6.19."""
    rule = make.rule(test="count", of="area", size=None, unit="in", limit=6, kinds=["pore"])
    pores = [box(make, number, float(2 * number), 1.0, kind="pore") for number in range(1, 25)]
    verdict = one(make, rule, *pores[:23])
    assert (verdict.outcome, verdict.unit) == ("within", "per in2")
    assert verdict.value == pytest.approx(23 / 2500 * 645.16)
    assert one(make, rule, *pores).outcome == "exceeds"
    assert one(make, rule, *pores[:5], area_mm2=None).outcome == "not-measured"
    assert one(make, {**rule, "unit": "mm", "limit": 6 / 645.16}, *pores[:23]).outcome == "within"
    with pytest.raises(LimitsError, match="unit is missing"):
        make.limits({key: value for key, value in rule.items() if key != "unit"})


def test_number_per_length_of_weld(make):
    rule = make.rule(test="count", of="length", size=None, unit="mm", limit="2 / 100", kinds=["pore"])
    pores = [box(make, number, float(20 * number), 1.0, kind="pore") for number in range(1, 7)]
    assert one(make, rule, *pores[:4]).outcome == "within"  # 4 on 250 mm
    assert one(make, rule, *pores).outcome == "exceeds"


def test_spacing_among_those_that_count(make):
    """A pore between two slag inclusions 14 mm apart does not bring them nearer (API Std 1104, 5.6.3.3: 13 mm)."""
    rule = make.rule(test="spacing", size=None, kinds=["slag"], limit=13, sense="at least")
    first, second = box(make, 1, 10.0, 2.0, kind="slag"), box(make, 2, 26.0, 2.0, kind="slag")
    pore = box(make, 3, 18.0, 1.0, kind="pore")
    verdict = one(make, rule, first, second, pore)
    assert (verdict.outcome, round(verdict.value, 6)) == ("within", 14.0)
    assert one(make, rule, first, box(make, 2, 24.0, 2.0, kind="slag"), pore).outcome == "exceeds"
    assert one(make, rule, first, box(make, 2, 24.0, 2.0, kind="slag"), pore, surface=None).outcome == "not-measured"
    other_half = box(make, 2, 26.0, 2.0, kind="slag", photo="p2")
    assert one(make, rule, first, other_half).outcome == "not-measured"


def test_depth_and_length_of_slag_by_the_weld_s_axis(make):
    """Along the weld 2 mm, through the wall 1 mm: each has its own limit."""
    slag = box(make, 1, 10.0, 2.0, kind="slag")
    for size, limit, outcome in (
        ("along_weld_mm", 2.1, "within"),
        ("along_weld_mm", 1.9, "exceeds"),
        ("through_wall_mm", 1.1, "within"),
        ("through_wall_mm", 0.8, "exceeds"),
    ):
        rule = make.rule(kinds=["slag"], size=size, limit=limit)
        assert one(make, rule, slag).outcome == outcome
        assert one(make, rule, slag, weld=None).outcome == "not-measured"


def test_those_in_doubt_leave_a_number_per_area_open_to_either_side(make):
    """Three pores that count and one that may lie at a corner, on 2500 mm2: 0.0012 to 0.0016 to the square millimetre."""
    rule = make.rule(test="count", of="area", size=None, unit="mm", kinds=["pore"], where="not at_corner")
    pores = [box(make, number, float(20 * number), 1.0, kind="pore") for number in range(1, 4)]
    doubtful = box(make, 4, 90.0, 1.0, kind="pore", at_corner=None)
    for decision in ("guarded", "simple"):
        for limit, outcome in ((0.0017, "within"), (0.0014, "undecided"), (0.0011, "exceeds")):
            assert one(make, {**rule, "limit": limit}, *pores, doubtful, decision=decision).outcome == outcome


def test_a_sum_that_stands_in_for_a_window_is_weighed_as_the_limits_ask(make):
    """8 mm in all, each 4 mm known to 0.3 mm, where no place along the weld is known: 8.3 mm is too close to be told by a
    guarded decision, and kept by a simple one.
    """
    features = [box(make, number, at, 4.0, U_length_mm=0.3) for number, at in ((1, 0.0), (2, 100.0))]
    rule = make.rule(test="window", window_mm=50, limit=8.3)
    assert one(make, rule, *features, weld=None).outcome == "not-measured"
    assert one(make, rule, *features, weld=None, decision="simple").outcome == "within"
    assert one(make, {**rule, "limit": 8.7}, *features, weld=None).outcome == "within"
