"""A flat specimen's height told by its own size: exact in a perfect picture, and honest about what it hangs on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from specimeter.scale.budget import combine
from specimeter.scale.model import Scale
from specimeter.scale.own_width import U_ENDS_MM, by_its_own_width, by_its_plate, lies_so, plate_pin, u_ends_mm
from specimeter.scale.surface import Flat
from specimeter.scale.view import View
from specimeter.sheet import Sheet

TILT = np.radians(9.0)
VIEW = View(
    focal_px=3000.0,
    centre_px=np.array([799.5, 599.5]),
    rotation=np.array([[1, 0, 0], [0, np.cos(TILT), -np.sin(TILT)], [0, np.sin(TILT), np.cos(TILT)]]),
    translation_mm=np.array([-3.0, 4.0, 410.0]),
    k1=0.02,
)
WIDTH_MM, HEIGHT_MM = 32.4, 27.0


def sheet(**scale) -> Sheet:
    specimen = {"id": "N1", "test": "nick-break", "specimen_width_mm": WIDTH_MM, "specimen_thickness_mm": 12.0}
    return Sheet.model_validate({"specimen": specimen, "scale": {"method": "card", **scale}})


def placed() -> tuple[Scale, Flat, np.ndarray]:
    """The scale of a card on the bench, the face taken to lie level with it, and the ends of a bar 27 mm above it."""
    scale = Scale(
        method="card", view=VIEW, surface_height_mm=0.0, surface_height_u_mm=20.0, u_rel=0.05, budget=(), tilt_deg=9.0,
        evidence={}, reference_px=(800.0, 600.0),
    )  # fmt: skip
    turn = np.array([np.cos(0.4), np.sin(0.4)])
    ends = np.array([5.0, -8.0]) + np.outer([-0.5, 0.5], WIDTH_MM * turn)
    return scale, Flat(view=VIEW, height_mm=0.0), Flat(view=VIEW, height_mm=HEIGHT_MM).project(ends)


def test_the_height_is_the_one_at_which_the_width_is_the_callipers():
    """To a micrometre in a perfect picture (exact geometry), and the width on the surface is then the calliper's."""
    scale, surface, ends_px = placed()
    better, raised = by_its_own_width(sheet(), scale, surface, ends_px)
    assert raised.height_mm == pytest.approx(HEIGHT_MM, abs=1e-3)
    assert np.linalg.norm(np.subtract(*raised.develop(ends_px))) == pytest.approx(WIDTH_MM, rel=1e-6)
    assert better.surface_height_mm == raised.height_mm
    assert better.evidence["height_from"] == "calliper width"
    assert "nothing checks the scale" in better.evidence["doubts"][0]
    assert "27 mm nearer" in better.cautions[-1] or "27 mm nearer" in better.cautions[0]


def test_its_uncertainty_is_that_of_calliper_ends_and_level():
    """0.05 mm of the calliper and 0.12 mm of the ends over the width, 1 mm over the lens's distance, in quadrature."""
    scale, surface, ends_px = placed()
    better, _ = by_its_own_width(sheet(), scale, surface, ends_px)
    shown = np.linalg.norm(np.subtract(*surface.develop(ends_px)))
    by_hand = np.sqrt((0.05 / WIDTH_MM) ** 2 + (U_ENDS_MM / shown) ** 2 + (1.0 / VIEW.distance_mm) ** 2)
    assert combine(better.budget) == pytest.approx(by_hand, rel=1e-6)
    assert u_ends_mm(shown, scale) / shown == pytest.approx(np.hypot(U_ENDS_MM / shown, 1.0 / VIEW.distance_mm))


LENGTH = {"method": "length", "from_px": [10.0, 10.0], "to_px": [500.0, 20.0], "length_mm": 40.0, "length_U_mm": 0.05}


@pytest.mark.parametrize("entered", [{"surface_height_mm": 3.0}, LENGTH])
def test_a_height_that_is_known_is_left_alone(entered):
    """A height that was entered, or a length on the specimen itself, is not overruled."""
    scale, surface, ends_px = placed()
    assert by_its_own_width(sheet(**entered), scale, surface, ends_px) == (scale, surface)


def test_a_width_that_no_height_explains_is_not_believed():
    """Ends that would lie far above the lens's reach, or deep below the card, tell nothing."""
    scale, surface, ends_px = placed()
    middle = ends_px.mean(axis=0)
    for factor in (3.0, 0.5):
        assert by_its_own_width(sheet(), scale, surface, middle + factor * (ends_px - middle)) == (scale, surface)


PLATE_MM = 14.0


def cut(**scale) -> Sheet:
    specimen = {"id": "M1", "test": "macro-butt", "parent_thickness_mm": PLATE_MM}
    return Sheet.model_validate({"specimen": specimen, "scale": {"method": "card", **scale}})


def across(thick_mm: float = PLATE_MM) -> np.ndarray:
    """Two pixels across a plate of a cut 27 mm above the card."""
    return Flat(view=VIEW, height_mm=HEIGHT_MM).project(np.array([[6.0, -7.0], [6.0, -7.0 + thick_mm]]))


def test_a_cuts_height_is_the_one_at_which_a_plate_is_as_thick_as_the_sheet_says():
    """To a micrometre in a perfect picture (exact geometry). Its uncertainty is that of 0.1 mm and half a per cent of the
    thickness, and of 0.4 pixels of each surface, both alike."""
    scale, surface, _ = placed()
    better, raised = by_its_plate(cut(), scale, surface, across())
    assert raised.height_mm == pytest.approx(HEIGHT_MM, abs=1e-3)
    assert better.evidence["height_from"] == "thickness of the plate"
    assert any("the cut stands about 27 mm nearer" in caution for caution in better.cautions)
    apart_px = np.linalg.norm(np.subtract(*across()))
    by_hand = np.linalg.norm([0.1 / PLATE_MM, 0.005, 0.8 / apart_px])
    assert combine(better.budget) == pytest.approx(by_hand, rel=1e-6)


@pytest.mark.parametrize("sheet_of_it", [cut(surface_height_mm=3.0), sheet()])
def test_a_plate_tells_no_height_that_was_entered_nor_without_its_thickness(sheet_of_it):
    scale, surface, _ = placed()
    assert by_its_plate(sheet_of_it, scale, surface, across()) == (scale, surface)


def test_a_plate_that_tells_less_than_was_assumed_is_left_aside():
    """Of a plate 14 mm thick 0.1 mm is 2.7 mm of height from 380 mm away; one mm and no more was assumed."""
    scale, surface, _ = placed()
    sure = replace(scale, surface_height_u_mm=1.0)
    assert by_its_plate(cut(), sure, surface, across()) == (sure, surface)


@pytest.mark.parametrize(("thick_mm", "so"), [(PLATE_MM, True), (1.25 * PLATE_MM, False), (0.85 * PLATE_MM, False)])
def test_a_cut_lies_between_a_little_below_the_card_and_some_centimetres_over_it(thick_mm, so):
    """A plate a quarter thicker would lie 102 mm over the card, one a seventh thinner 40 mm below it."""
    pin = plate_pin(cut(), placed()[1], across(thick_mm))
    assert lies_so(pin, VIEW) is so
