"""One that is cut off has at least the size of what is seen of it: it may exceed, never be within."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.judge.face import counted_once
from specimeter.measure.sizes import measure
from specimeter.scale.model import Scale
from specimeter.scale.surface import Flat
from specimeter.scale.view import View
from specimeter.segment.model import ExaminedArea, Outline


def cut(make, number, seen_mm, U=0.1, **changes):
    """A feature of which a part of this length is seen, as the measuring stage gives it."""
    missing = {"length_mm": "the feature is cut off where the examined area ends"}
    return make.feature(number, None, missing=missing, seen={"length_mm": (seen_mm, U)}, **changes)


def single(make, *features, decision="guarded", **rule):
    return make.judged(make.limits(make.rule(**rule), decision=decision), *features, reviewed=True)


@settings(deadline=None)
@given(seen=st.floats(0.2, 20), U=st.floats(0, 2), decision=st.sampled_from(["guarded", "simple"]))
def test_it_exceeds_where_the_seen_part_does_and_is_never_within(make, seen, U, decision):
    """Guarded: the seen part with its uncertainty taken off against 3 mm; simple: the seen part itself."""
    outcome = single(make, cut(make, 1, seen, U), decision=decision).outcome
    beyond = (seen - U if decision == "guarded" else seen) > 3 * (1 + 1e-9)
    assert outcome == ("exceeds" if beyond else "not-measured")


@pytest.mark.parametrize(("limit_in", "outcome"), [(0.11, "exceeds"), (0.13, "not-measured")])
def test_the_seen_part_in_inches(make, limit_in, outcome):
    """3 mm are seen, which are 0.118 in."""
    assert single(make, cut(make, 1, 3.0, 0.0), limit=limit_in, unit="in").outcome == outcome


@settings(deadline=None)
@given(seen=st.lists(st.floats(0.2, 6), min_size=1, max_size=4), whole=st.lists(st.floats(1.2, 2.8), max_size=3))
def test_a_sum_takes_in_what_is_seen(make, seen, whole):
    """Exact sizes against a sum of 10 mm: beyond it the sum exceeds, below it the sum is not measured."""
    features = [cut(make, n, mm, 0.0) for n, mm in enumerate(seen, 1)]
    features += [make.feature(20 + n, mm) for n, mm in enumerate(whole)]
    found = single(make, *features, test="sum", limit=10)
    assert found.outcome == ("exceeds" if sum(seen) + sum(whole) > 10 * (1 + 1e-9) else "not-measured")


def test_a_longer_one_elsewhere_decides_and_conditions_are_settled_by_what_is_seen(make):
    """From 1 to 3 mm counts: 5 mm seen is too long to count, 2 mm seen may be, and a rule for at least 3 mm stays open."""
    window = {"test": "sum", "counted": "length_mm > 1 and length_mm <= 3", "limit": 4}
    assert single(make, make.feature(2, 2.0), cut(make, 1, 2.0), **window).outcome == "not-measured"
    verdicts = single(make, make.feature(2, 2.0), cut(make, 1, 5.0), **window).verdicts
    assert verdicts[0].outcome == "within"
    assert verdicts[0].features == ("f2",)
    assert single(make, cut(make, 1, 5.0), sense="at least").outcome == "not-measured"
    assert single(make, cut(make, 1, 5.0), size="max(length_mm, width_mm)", limit=4).outcome == "not-measured"
    assert single(make, cut(make, 1, 5.0), size="10 - length_mm", limit=20).outcome == "not-measured"


@pytest.mark.parametrize("decision", ["guarded", "simple"])
def test_the_sentence_says_that_only_a_part_is_seen(make, decision):
    found = single(make, cut(make, 1, 4.2), decision=decision).verdicts[0]
    assert found.because.startswith("The part of f1 that is seen is 4.20 ± 0.10 mm, which ")
    assert found.because.endswith("The whole is larger still.")
    assert found.p_conform is None


def test_linked_halves_of_which_one_is_cut_off(make):
    """Continued on the other half: the size of one picture holds only if no other shows more of the same imperfection."""
    whole = make.feature(1, 2.0, 0.1)
    for seen, outcome in ((1.5, "within"), (2.1, "within"), (2.6, "not-measured"), (4.0, "exceeds")):
        halves = [whole, cut(make, 2, seen, photo="p2")]
        joined = counted_once(halves, {"f2": "f1"})
        assert len(joined) == 1
        assert single(make, *joined).outcome == outcome, seen
    both = counted_once([cut(make, 1, 2.0), cut(make, 2, 4.0, photo="p2")], {"f2": "f1"})
    assert single(make, *both).outcome == "exceeds"


def test_the_measuring_stage_hands_the_seen_part_on(make):
    """A crack of 1 mm that leaves the area at its end, on a flat face of 0.1 mm a px."""
    view = View(focal_px=3000.0, centre_px=np.array([0.0, 0.0]), rotation=np.eye(3), translation_mm=np.array([0.0, 0.0, 300.0]))
    scale = Scale(
        method="card",
        view=view,
        surface_height_mm=0.0,
        surface_height_u_mm=0.0,
        u_rel=0.0,
        budget=(),
        tilt_deg=0.0,
        evidence={},
    )
    square = np.array([[0.0, 0.0], [200.0, 0.0], [200.0, 200.0], [0.0, 200.0]])
    area = ExaminedArea(outline_px=square, edges_px=(square[[0, 3]], square[[1, 2]]))
    crack = Outline(outline_px=np.array([[100.0, 190.0], [102.0, 190.0], [102.0, 200.0], [100.0, 200.0]]), kind="crack")
    feature = measure([crack], photo_id="p1", surface=Flat(view=view, height_mm=0.0), scale=scale, area=area)[0]
    assert feature.length_mm is None
    assert "cut off" in feature.missing["length_mm"]
    assert feature.seen["length_mm"][0] == pytest.approx(np.hypot(2, 10) / 10, abs=1e-6)  # similar triangles: 300 mm / 3000 px
    assert single(make, feature, limit=0.1).outcome == "exceeds"
