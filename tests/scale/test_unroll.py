"""The unrolled picture and the cursor's reading, against surfaces whose development is known."""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.scale import reading
from specimeter.scale.graticule import graticule
from specimeter.scale.surface import Bend, Flat
from specimeter.scale.unroll import unroll
from specimeter.scale.view import View

VIEW = View(
    focal_px=2000.0, centre_px=np.array([399.5, 299.5]), rotation=np.eye(3), translation_mm=np.array([-20.0, -15.0, 200.0])
)
BEND = Bend(view=VIEW, crown_mm=np.array([20.0, 15.0]), direction_deg=90.0, height_mm=10.0, radius_mm=25.0, angle_deg=180.0)
AREA = np.array([[-15.0, -10.0], [15.0, -10.0], [15.0, 10.0], [-15.0, 10.0]])


def test_a_stripe_every_millimetre_of_arc_is_even_again():
    """Stripes painted on the cylinder, one a millimetre of arc, have one width everywhere in the unrolled picture."""
    rows, columns = np.mgrid[0:600, 0:800]
    s = BEND.develop(np.column_stack([columns.ravel(), rows.ravel()]))[:, 0].reshape(600, 800)
    rgb = np.repeat(np.where(np.floor(np.nan_to_num(s, nan=0.5)) % 2, 30, 220).astype(np.uint8)[..., None], 3, axis=2)
    flat = unroll(rgb, BEND, BEND.project(AREA))
    line = flat.rgb[flat.rgb.shape[0] // 2, :, 0].astype(float) > 125
    edges_mm = flat.to_developed(np.column_stack([np.flatnonzero(np.diff(line)) + 0.5, np.zeros(np.diff(line).sum())]))[:, 0]
    assert len(edges_mm) >= 28
    assert np.abs(edges_mm - np.round(edges_mm)).max() < 1.2 * flat.mm_per_px  # a pixel: edges fall between two


def test_there_and_back():
    flat = unroll(np.zeros((600, 800, 3), np.uint8), BEND, BEND.project(AREA))
    points = np.array([[3.0, 4.0], [100.0, 50.0]])
    assert flat.from_developed(flat.to_developed(points)) == pytest.approx(points)
    assert flat.to_developed(np.array([[0.0, 0.0]]))[0] == pytest.approx(AREA.min(axis=0), abs=1e-6)


def test_an_outline_off_the_surface_gives_nothing():
    assert unroll(np.zeros((600, 800, 3), np.uint8), BEND, np.array([[-9e5, 0.0], [-9e5, 5.0], [-9e5 - 5, 0.0]])) is None


def test_the_distance_on_a_bend_is_along_the_arc():
    """Ten millimetres of arc read as ten, though they are nearer in the picture; U grows with the scale's."""
    ends = BEND.project(np.array([[5.0, 0.0], [15.0, 0.0]]))
    length, U = reading.distance_mm(BEND, ends, u_rel=0.01)
    assert length == pytest.approx(10.0, abs=1e-6)
    assert U > 2 * 0.01 * 10.0
    assert reading.place(BEND, ends[0])[:2] == pytest.approx((5.0, 0.0), abs=1e-6)


def test_off_the_surface_there_is_no_reading():
    flat = Flat(view=VIEW, height_mm=0.0)
    assert reading.place(flat, np.array([10.0, 10.0])) is not None
    steep = Bend(view=VIEW, crown_mm=np.array([20.0, 15.0]), direction_deg=90.0, height_mm=10.0, radius_mm=2.0, angle_deg=20.0)
    assert reading.distance_mm(steep, np.array([[-9e5, 0.0], [0.0, 0.0]]), u_rel=0.01) is None


def test_the_drawn_rule_has_a_line_for_every_millimetre_of_arc():
    """Thirty millimetres of arc: thirty-one divisions and the base, numbers at every ten, each where it belongs."""
    rule = graticule(BEND, BEND.project(AREA))
    assert len(rule.lines_px) == 1 + 31
    assert sorted(number for number, _ in rule.numbers) == [0, 10, 10]
    feet = np.array([BEND.develop(line)[0, 0] for line in rule.lines_px[1:]])
    assert feet == pytest.approx(np.arange(-15, 16), abs=1e-6)
