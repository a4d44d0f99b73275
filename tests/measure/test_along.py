"""Extents along and across the weld, places, and the weld examined: closed forms on planes and bends."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from specimeter.measure.along import along_weld
from specimeter.measure.sizes import measure
from specimeter.sheet import Sheet


def sheet(test="nick-break", axis_px=None):
    tables = {"specimen": {"id": "N1", "test": test, "specimen_thickness_mm": 10.0}}
    if test.endswith("bend"):
        tables["bend"] = {"former_diameter_mm": 40.0, "angle_deg": 180.0, "axis": "vertical"}
    if axis_px is not None:
        tables["weld"] = {"weld_axis_px": [[float(x) for x in point] for point in axis_px]}
    return Sheet.model_validate(tables)


def rectangle(length, width, centre, turn_deg=0.0):
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [length / 2, width / 2]
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return corners @ np.array([[c, s], [-s, c]]) + centre


def placed(make, outlines, surface, on, area):
    scale = make.scale_of(surface)
    features = measure(
        [make.outline_on(surface, outline) for outline in outlines], photo_id="p1", surface=surface, scale=scale, area=area
    )
    return along_weld(features, sheet=on, surface=surface, scale=scale, area=area, photo="p1")


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 90.0])
@pytest.mark.parametrize("tilt_deg", [0.0, 12.0])
def test_extents_and_places_in_the_weld_s_own_direction(make, turn_deg, tilt_deg):
    """A box 4 x 1 mm along a weld turned in the picture is 4 mm long along it, 1 mm through the wall, from 6 to 10 mm."""
    surface = make.flat(tilt_deg=tilt_deg)
    way = np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    axis_px = surface.project(np.array([[0.0, 0.0], 20 * way]))
    found = placed(make, [rectangle(4, 1, 8 * way, turn_deg)], surface, sheet(axis_px=axis_px), make.whole_area())
    (feature,) = found.features
    assert feature.along_weld_mm == pytest.approx(4.0, abs=1e-6)
    assert feature.through_wall_mm == pytest.approx(1.0, abs=1e-6)
    assert feature.U_along_weld_mm >= 2 * 1e-3 * 4
    low, high = found.spans_mm["f1"]
    assert high - low == pytest.approx(4.0, abs=1e-6)


def test_the_weld_examined_is_the_axis_within_the_area(make):
    """An area of 30 x 20 mm about the axis, with a hole of 5 mm across it: 25 mm; steps of the search are 0.015 mm."""
    surface = make.flat()
    outline_px = surface.project(rectangle(30, 20, (0, 0)))
    hole_px = surface.project(rectangle(5, 30, (4, 0)))
    axis_px = surface.project(np.array([[-10.0, 3.0], [10.0, 3.0]]))
    area = make.whole_area(outline_px=outline_px, edges_px=(), exclude_px=(hole_px,))
    found = placed(make, [rectangle(2, 1, (-8, 0))], surface, sheet(axis_px=axis_px), area)
    assert found.weld_mm == pytest.approx(25.0, abs=0.04)
    assert 0.1 < found.U_weld_mm < 0.6  # the outline to a pixel (0.1 mm) at both ends, k = 2


@pytest.mark.parametrize(("test", "along"), [("face-bend", 1.0), ("root-bend", 1.0), ("longitudinal-bend", 3.0)])
def test_a_bend_tells_its_weld_s_direction(make, test, along):
    """A transverse weld lies along the bend axis, a longitudinal one round the bend: 3 mm of arc by 1 mm along the axis."""
    surface = make.bend()
    found = placed(make, [rectangle(3, 1, (5, 2))], surface, sheet(test), make.whole_area())
    assert found.features[0].along_weld_mm == pytest.approx(along, abs=1e-6)
    assert found.features[0].through_wall_mm == pytest.approx(4.0 - along, abs=1e-6)


def test_without_an_axis_there_is_no_along(make):
    surface = make.flat()
    assert placed(make, [rectangle(3, 1, (0, 0))], surface, sheet(), make.whole_area()) is None
    bend = make.bend()
    assert placed(make, [rectangle(3, 1, (0, 0))], bend, sheet("side-bend"), make.whole_area()) is None  # it runs inwards


def test_an_extent_is_as_sure_as_two_tips_and_the_scale(make):
    """In closed form (JCGM 100:2008, 5.1.2), k = 2; and never surer than the feature's own length, which knows of the shape."""
    surface = make.flat()
    axis_px = surface.project(np.array([[0.0, 0.0], [20.0, 0.0]]))
    outline = make.outline_on(surface, rectangle(4, 1, (8, 0)), u_tip_px=0.7)
    scale = make.scale_of(surface, 0.01)
    keywords = {"surface": surface, "scale": scale, "area": make.whole_area()}
    (feature,) = measure([outline], photo_id="p1", **keywords)

    def extents(one, photo="p1"):
        return along_weld([one], sheet=sheet(axis_px=axis_px), photo=photo, **keywords).features[0]

    bare = extents(replace(feature, length_mm=None, U_length_mm=None))
    for name, extent in (("along_weld_mm", 4.0), ("through_wall_mm", 1.0)):
        assert getattr(bare, f"U_{name}") == pytest.approx(2 * np.hypot(np.sqrt(2) * 0.7 * 0.1, 0.01 * extent))
    loose = extents(replace(feature, U_length_mm=2.0))
    assert loose.U_along_weld_mm == pytest.approx(2.0 * 4.0 / np.hypot(4, 1))
    assert loose.U_through_wall_mm == pytest.approx(2.0 * 1.0 / np.hypot(4, 1))
    assert extents(feature, photo="p2").along_weld_mm is None  # it lies in another photograph
    cut = extents(replace(feature, missing={"length_mm": "cut off"}))
    assert cut.along_weld_mm is None


def test_the_axis_of_a_bend_s_weld_lies_amid_the_area(make):
    """A face of 20 mm of arc, 30 mm along the axis, with a hole over its left half only: amid it all 30 mm are examined."""
    surface = make.bend()
    face = surface.project(rectangle(20, 30, (9, 5)))
    hole = surface.project(rectangle(4, 10, (3, 5)))
    area = make.whole_area(outline_px=face, edges_px=(), exclude_px=(hole,))
    found = placed(make, [], surface, sheet("face-bend"), area)
    assert found.weld_mm == pytest.approx(30.0, abs=0.05)
    amid = make.whole_area(outline_px=face, edges_px=(), exclude_px=(surface.project(rectangle(4, 10, (9, 5))),))
    assert placed(make, [], surface, sheet("face-bend"), amid).weld_mm == pytest.approx(20.0, abs=0.05)


def test_the_weld_examined_is_as_sure_as_its_two_ends(make):
    """A pixel at either end, the scale, and the step of the search (JCGM 100:2008, 5.1.2); no weld where the axis passes by."""
    surface = make.flat()
    area = make.whole_area(outline_px=surface.project(rectangle(30, 20, (0, 0))), edges_px=())
    on = sheet(axis_px=surface.project(np.array([[-10.0, 3.0], [10.0, 3.0]])))
    found = along_weld([], sheet=on, surface=surface, scale=make.scale_of(surface, 0.01), area=area, photo="p1")
    assert found.weld_mm == pytest.approx(30.0, abs=0.04)
    assert found.U_weld_mm == pytest.approx(2 * np.sqrt(2 * 0.1**2 + 0.3**2 + 0.015**2), rel=1e-3)
    aside = sheet(axis_px=surface.project(np.array([[-10.0, 13.0], [10.0, 13.0]])))
    past = along_weld([], sheet=aside, surface=surface, scale=make.scale_of(surface), area=area, photo="p1")
    assert (past.weld_mm, past.U_weld_mm) == (None, None)


def test_an_axis_that_leaves_the_surface_is_none(make):
    """One of the two clicks lies beside the bend: no direction on it."""
    surface = make.bend()
    crown = surface.project(np.zeros((1, 2)))[0]
    on = sheet("face-bend", axis_px=np.array([crown, crown + np.array([900.0, 0.0])]))
    assert placed(make, [rectangle(3, 1, (0, 0))], surface, on, make.whole_area()) is None
