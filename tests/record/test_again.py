"""The outlines as they were when the photograph was placed, which the log tells whatever was done since."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from specimeter.record import again, edit, model, rebuild, recompute

WHO = {"by": "A. Miller", "when": datetime(2026, 11, 26, 9, 30, tzinfo=UTC)}
SQUARE = [(700.0, 500.0), (760.0, 505.0), (750.0, 560.0), (705.0, 555.0)]


@pytest.fixture
def record(built):
    """As measured."""
    parts = {**model.parts_of(recompute.recompute(built.record)), "log": ()}
    return model.logged(parts, {"when": "2026-11-25T14:30:07+00:00", "who": "specimeter", "what": "measured and recorded"})


def outlines(found) -> list[list]:
    return [np.asarray(one.outline_px).tolist() for one in found]


def test_what_was_added_and_outlined_since_is_left_out(record):
    """An opening drawn later did not keep its own dark from being taken for blindness then."""
    before = outlines(rebuild.outlines_of(record))
    first, second = (feature.id for feature in record.features[:2])
    changed = edit.add(record, SQUARE, kind="pore", **WHO)
    changed = edit.outline(changed, first, SQUARE, why="its tip", **WHO)
    changed = edit.outline(changed, first, SQUARE[::-1], why="again", **WHO)
    changed = edit.redraw(changed, [second], [SQUARE], why="one", **WHO)
    changed = edit.confirm(changed, [first], **WHO)
    assert outlines(rebuild.outlines_of(changed)) != before
    assert outlines(again.found_then(changed, "p1")) == before


def test_acts_taken_back_leave_it_untold(record):
    """The log then tells of acts that the features do not show."""
    entry = {"when": "2026-11-26T09:31:00+00:00", "who": "A. Miller", "what": again.TAKEN_BACK}
    assert again.found_then(model.logged(model.parts_of(record), entry), "p1") is None
