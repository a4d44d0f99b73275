"""The clear distance among some of the features, whatever else lies between them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from specimeter.measure.sizes import measure
from specimeter.measure.spacing import clear_among


def box(x_mm):
    return np.array([[x_mm - 1, -0.5], [x_mm + 1, -0.5], [x_mm + 1, 0.5], [x_mm - 1, 0.5]])


def test_clear_distance_among_those_that_count(make):
    """Boxes at 0, 5 and 20 mm, 2 mm long: between the first and third 18 mm, whatever lies between."""
    surface = make.flat()
    scale, area = make.scale_of(surface), make.whole_area()
    boxes = [make.outline_on(surface, box(x)) for x in (0, 5, 20)]
    one, two, three = measure(boxes, photo_id="p1", surface=surface, scale=scale, area=area)
    assert one.nearest_mm == pytest.approx(3.0, abs=1e-6)
    among = clear_among([one, three], surface=surface, scale=scale)
    assert among["f1"][0] == pytest.approx(18.0, abs=1e-6)
    assert among["f1"][1] >= 2 * 1e-3 * 18
    assert clear_among([one, two, three], surface=surface, scale=scale)["f1"] == pytest.approx(
        (one.nearest_mm, one.U_nearest_mm)
    )
    assert clear_among([one], surface=surface, scale=scale) == {}


def test_what_leaves_the_surface_is_left_out(make):
    """On a bend an outline beyond the flank has no place; the two others stay 18 mm apart along the axis."""
    surface = make.bend()
    scale, area = make.scale_of(surface), make.whole_area()
    boxes = [make.outline_on(surface, box(0.0) + np.array([0.0, a])) for a in (0.0, 19.0)]
    one, two = measure(boxes, photo_id="p1", surface=surface, scale=scale, area=area)
    lost = replace(one, id="f3", outline_px=one.outline_px + np.array([1e5, 0.0]))
    among = clear_among([one, two, lost], surface=surface, scale=scale)
    assert set(among) == {"f1", "f2"}
    assert among["f1"][0] == pytest.approx(18.0, abs=1e-6)
