"""No act of a review lifts a finding, or earns `within` by what the sheet says, without a named person's reason on record."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from specimeter.errors import SpecimeterError
from specimeter.record import edit, model, recompute

NOW = datetime(2026, 11, 26, 9, 30, tzinfo=UTC)
WHO = {"by": "A. Miller", "when": NOW}
LIMITS = {
    "limits": {"title": "one opening", "basis": "invented for the tests", "decision": "guarded"},
    "rule": [
        {
            "id": "single",
            "kinds": ["opening", "crack", "pore", "slag", "other", "lack-of-sidewall-fusion", "elongated-cavity"],
            "where": "not at_corner",
            "size": "length_mm",
            "test": "each",
            "limit": 0.01,
            "unit": "mm",
            "sense": "at most",
        }
    ],
}


@pytest.fixture
def guilty(built):
    """The hand-made record judged by a limit that its features break."""
    record = built.record
    again = recompute.recompute(record.model_copy(update={"limits": LIMITS}))
    assert again.outcome == "exceeds"
    parts = {**model.parts_of(again), "log": ()}
    return model.logged(parts, {"when": "2026-11-25T14:30:07+00:00", "who": "specimeter", "what": "x"})


def shrink(record, n):
    """A feature drawn again at a hundredth of its size about its own middle."""
    feature = record.features[n % len(record.features)]
    points = np.array(feature.outline_px)
    return edit.outline(record, feature.id, points.mean(axis=0) + (points - points.mean(axis=0)) / 100, **WHO)


ACTS = {
    "confirm": lambda r, n: edit.confirm(r, [r.features[n % len(r.features)].id], **WHO),
    "confirm all": lambda r, n: edit.confirm(r, [feature.id for feature in r.features], **WHO),
    "shrink": shrink,
    "corner": lambda r, n: edit.corner(r, r.features[n % len(r.features)].id, True, **WHO),
    "kind": lambda r, n: edit.classify(r, r.features[n % len(r.features)].id, kind="fisheye", **WHO),
    "cause": lambda r, n: edit.classify(r, r.features[n % len(r.features)].id, cause="slag", cause_basis="guess", **WHO),
    "link": lambda r, n: edit.same(r, r.features[0].id, r.features[-1].id, **WHO),
    "not valid": lambda r, n: edit.enter(r, "validity.valid", True, **WHO),
    "width": lambda r, n: edit.enter(r, "specimen.specimen_width_mm", None, **WHO),
    "look over": lambda r, n: edit.looked_over(r, **WHO),
    "observe": lambda r, n: edit.observe(r, "complete-root-fusion", True, **WHO),
}


@settings(deadline=None, max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(chosen=st.lists(st.tuples(st.sampled_from(sorted(ACTS)), st.integers(0, 3)), min_size=1, max_size=5))
def test_no_sequence_of_acts_without_a_reason_lifts_the_finding(guilty, chosen):
    record = guilty
    for name, n in chosen:
        try:
            record = ACTS[name](record, n)
        except SpecimeterError:  # refused: for want of a reason, or for a fault of its own
            continue
    assert record.outcome in edit.AGAINST


def test_the_refusal_asks_for_the_reason_and_the_reason_is_kept(guilty):
    others = [feature.id for feature in guilty.features[1:]]
    record = edit.reject(guilty, others, why="scratches from the fixture", **WHO)
    assert record.outcome == "exceeds"
    with pytest.raises(SpecimeterError, match="gives no reason") as caught:
        edit.corner(record, record.features[0].id, True, **WHO)
    assert caught.value.field == "why"
    lifted = edit.corner(record, record.features[0].id, True, why="it begins at the corner, seen by loupe", **WHO)
    assert lifted.outcome not in edit.AGAINST
    assert lifted.log[-1].why == "it begins at the corner, seen by loupe"
