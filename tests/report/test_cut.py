"""A section's undercuts in terminal, table and drawing: what a person rejected, or called something else, is told as none."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from specimeter.record import model
from specimeter.report import cut, cut_drawing


def section(status: str, kind: str) -> SimpleNamespace:
    """What of a record its undercuts are told from: one that stands, and one of which the review says something."""
    notch = {"root_radius_mm": 0.2, "U_root_radius_mm": 0.05, "opening_angle_deg": 50.0, "U_opening_angle_deg": 9.0}
    both = tuple(
        model.Undercut(
            feature=id_, toe=toe, fitted_px=((0.0, 0.0), (5.0, 6.0), (10.0, 0.0)), **notch, width_mm=0.6, U_width_mm=0.1,
            stress_concentration=3.4,
        )
        for toe, id_ in enumerate(("f1", "f2"), start=1)
    )  # fmt: skip
    told = {"f1": ("proposed", "undercut"), "f2": (status, kind)}
    features = [
        SimpleNamespace(id=id_, status=one[0], kind=one[1], depth_mm=0.3, U_depth_mm=0.05, photo="p1", outline_px=())
        for id_, one in told.items()
    ]
    return SimpleNamespace(section={}, cut=SimpleNamespace(undercuts=both, missing={}, photo="p1"), features=features)


@pytest.mark.parametrize(
    ("status", "kind", "told"),
    [("confirmed", "undercut", 2), ("rejected", "undercut", 1), ("confirmed", "pore", 1)],
)
def test_undercuts_are_those_that_stand(status, kind, told):
    record = section(status, kind)
    assert [one.feature for one, _ in cut.undercuts(record)] == ["f1", "f2"][:told]
    assert len(cut.lines(record)) == told
    assert cut.lines(record)[0].startswith("undercut f1          0.300 ± 0.050 mm deep, root radius 0.200 ± 0.050 mm")
    alone, drawn = (np.array(cut_drawing.notches(one, 1200, 240)) for one in (section("rejected", "undercut"), record))
    assert np.array_equal(alone, drawn) == (told == 1)


def test_an_undercut_that_a_person_drew_is_said_to_have_no_depth():
    """The first was redrawn: it is rejected, and what stands for it has no fit; the second is told as before."""
    record = section("proposed", "undercut")
    record.features[0].status = "rejected"
    drawn = SimpleNamespace(id="f3", status="added", kind="undercut", depth_mm=None, U_depth_mm=None, photo="p1", outline_px=())
    record.features.append(drawn)
    assert [one.id for one in cut.unmeasured(record)] == ["f3"]
    assert cut.lines(record)[1:] == [cut.UNMEASURED.format("f3")]
    drawn.status = "rejected"
    assert len(cut.lines(record)) == 1


def test_an_opening_that_is_too_unsure_is_said_to_be_missing_and_why():
    """Its depth and root radius stand; the terminal says that the angle was not measured, the report below its table why."""
    record = section("rejected", "undercut")
    why = "it could be told to \u00b1 54 \u00b0 only"
    unsure = {"opening_angle_deg": None, "U_opening_angle_deg": None, "missing": {"opening_angle_deg": why}}
    record.cut.undercuts = (record.cut.undercuts[0].model_copy(update=unsure),)
    told = cut.lines(record)[0]
    assert told.endswith("root radius 0.200 \u00b1 0.050 mm, opening not measured")
    record.cut.weld_drawn_px, record.cut.zone_drawn_px, record.cut.photo = None, None, "p2"
    assert {"is": "points", "items": [f"Opening of f1: {why}"]} in cut.blocks(record)


def test_what_is_missing_is_told_once_a_reason():
    """Eleven sizes that miss for one reason are one sentence, not eleven, on the terminal and in the report."""
    why = "the outline of the cut is not sure: check it, and give it in the table [region]"
    missing = {"leg_1_mm": why, "throat_mm": why, "dilution": "the sheet names no etchant"}
    record = SimpleNamespace(cut=SimpleNamespace(missing=missing))
    assert cut.lacking(record) == [f"leg 1, throat: {why}", "dilution: the sheet names no etchant"]
    assert cut.lacking(SimpleNamespace(cut=None)) == []
