"""The demo library: rendered pictures over all tests, every second of each clean, each with its exact truth."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from specimeter.library import catalogue, demo


def test_the_plan_is_over_all_tests_and_half_of_it_is_clean():
    plans = demo.plans()
    assert len(plans) >= 60
    tests = Counter(plan.test for plan in plans)
    assert set(tests) == {*demo.BENDS, *demo.BREAKS, *demo.SECTIONS}
    assert max(tests.values()) - min(tests.values()) <= 1
    assert sum(plan.clean for plan in plans) == pytest.approx(len(plans) / 2, abs=len(tests) / 2)
    assert len({plan.seed for plan in plans}) == len(plans)


@pytest.mark.parametrize(("test", "clean"), [("macro-fillet", False), ("nick-break", True)])
def test_a_rendered_entry_tells_the_truth(library, test, clean):
    """Its outlines lie in the picture and enclose no more than is said of them: areas by the scale, within 40 %."""
    plan = next(plan for plan in demo.plans() if (plan.test, plan.clean) == (test, clean))
    copy, entry = demo.rendered(plan, 480)
    assert (entry.test, entry.clean, entry.publishable) == (test, clean, True)
    assert bool(entry.seen) is not clean
    for feature in entry.seen:
        outline = np.array(feature.outline_px)
        area = 0.5 * abs(outline[:, 0] @ np.roll(outline[:, 1], -1) - outline[:, 1] @ np.roll(outline[:, 0], -1))
        assert outline.min() > 0
        if feature.area_mm2 is not None:
            assert area * entry.mm_per_px**2 <= 1.4 * feature.area_mm2  # seen aslant it is smaller, never much larger
    if test == "macro-fillet":
        assert "undercut" in entry.kinds
        assert all(feature.length_mm is None for feature in entry.seen if feature.kind == "undercut"), (
            "a section gives no length"
        )
    done = catalogue.add(library, copy, entry)
    again = catalogue.add(library, copy, entry)
    assert (done.new, again.new) == (True, False)


def test_every_planned_overlap_is_drawn():
    """The scenes of sections draw overlaps: each plan that asks for one gets a scene whose truth has it."""
    asked = [plan for plan in demo.plans() if plan.kind]
    assert len(asked) == 4
    for plan in asked:
        seen = demo.from_truth(demo.truths.of(demo._scene(plan, 1600)))["seen"]
        assert plan.kind in [one["kind"] for one in seen]
