"""A butt weld's plates in the photograph against the thickness that the sheet gives: a wrong scale is noticed by it.

Plates in closed form. That a known thickness checks a scale is common practice, no source.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from specimeter.measure.section import thickness_off
from specimeter.segment.joint import find_butt
from specimeter.segment.plates import Run, resampled, runs


def plates_of(left_mm: float, right_mm: float):
    """A butt weld between plates of two thicknesses, level on the face side: its toes, and its plates' surfaces."""
    turn = np.linspace(0, np.pi, 80)
    face = np.column_stack([-6.0 * np.cos(turn), -1.0 * np.sin(turn)])
    bead = np.column_stack([2.0 * np.cos(turn), 0.8 * np.sin(turn) + np.linspace(right_mm, left_mm, 80)])
    metal = np.concatenate([[[-30.0, left_mm], [-30.0, 0.0]], face, [[30.0, 0.0], [30.0, right_mm]], bead])
    outline = resampled(metal[::-1], 0.05)
    found = runs(outline)
    joint = find_butt(outline, found)
    assert joint is not None
    return joint.top.toes, found


def test_plates_as_thick_as_the_sheet_says_are_not_off():
    """Both, or one of two that differ; and a hundredth more, which a plate and a photograph may be off."""
    for left, right, said in ((10.0, 10.0, 10.0), (10.0, 13.0, 10.0), (13.0, 10.0, 10.0), (10.1, 10.1, 10.0)):
        assert thickness_off(*plates_of(left, right), said, 0.003) == 0.0


def test_plates_that_are_all_thicker_or_thinner_are_off_by_so_much():
    """The logarithm of 12 to 10, and of 8 to 10; nothing where the scale is no surer than that, or no thickness is known."""
    assert thickness_off(*plates_of(12.0, 12.0), 10.0, 0.003) == pytest.approx(np.log(1.2), abs=0.01)
    assert thickness_off(*plates_of(8.0, 8.0), 10.0, 0.003) == pytest.approx(np.log(1.25), abs=0.01)
    assert thickness_off(*plates_of(12.0, 12.0), 10.0, 0.1) == 0.0
    assert thickness_off(*plates_of(12.0, 12.0), None, 0.003) == 0.0


def test_what_a_plate_and_a_photograph_may_be_off_is_two_and_a_half_hundredths():
    """At k = 2, so five in a hundred: 4 more are nothing, 6 are; with the scale's own u of 0.02 it is 6.4 (JCGM 100, 5.1.2)."""
    assert thickness_off(*plates_of(10.4, 10.4), 10.0, 0.0) == 0.0
    assert thickness_off(*plates_of(10.6, 10.6), 10.0, 0.0) == pytest.approx(np.log(1.06), abs=0.005)
    assert thickness_off(*plates_of(10.6, 10.6), 10.0, 0.02) == 0.0
    assert thickness_off(*plates_of(10.8, 10.8), 10.0, 0.02) == pytest.approx(np.log(1.08), abs=0.005)


def surface(along_mm: tuple[float, float], y: float, *, faces_up: bool, lean_deg: float = 0.0) -> Run:
    """A plate's surface from one place along x to another, at a height (y down), leaning about its middle."""
    lean, sign = np.radians(lean_deg), 1.0 if faces_up else -1.0
    return Run(
        point=np.array([np.mean(along_mm), y]),
        direction=-sign * np.array([np.cos(lean), np.sin(lean)]),
        normal=sign * np.array([np.sin(lean), -np.cos(lean)]),
        first=0,
        last=1,
        length_mm=abs(along_mm[1] - along_mm[0]),
        scatter_mm=0.01,
        u_offset_mm=0.01,
        u_angle_rad=0.001,
    )


@pytest.mark.parametrize(
    ("other", "told"),
    [
        (surface((0.0, 30.0), 12.0, faces_up=False), True),
        (surface((26.0, 60.0), 12.0, faces_up=False), True),  # opposite over 4 mm
        (surface((28.0, 60.0), 12.0, faces_up=False), False),  # over 2 mm
        (surface((-40.0, 2.0), 12.0, faces_up=False), False),
        (surface((0.0, 30.0), 12.0, faces_up=True), False),  # another plate's face side
        (surface((0.0, 30.0), 12.0, faces_up=False, lean_deg=9.0), True),
        (surface((0.0, 30.0), 12.0, faces_up=False, lean_deg=14.0), False),  # no parallel surface
        (surface((0.0, 30.0), -12.0, faces_up=False), False),  # above it: the underside of something else
    ],
)
def test_a_plate_s_thickness_is_that_between_its_two_surfaces(other, told):
    """Of a plate from 0 to 30 mm: what lies opposite over 3 mm or more, faces the other way within 11 degrees (cosine 0.98,
    judgement) and lies below. Its 12 mm are off 10 by their ratio's logarithm; what is no surface of the plate says nothing.
    """
    toe = SimpleNamespace(plate=surface((0.0, 30.0), 0.0, faces_up=True))
    off = thickness_off([toe], [toe.plate, other], 10.0, 0.0)
    assert off == (pytest.approx(np.log(1.2)) if told else 0.0)


def test_thin_sheets_are_told_as_plates_are():
    """Of 0.8 mm, a fifth thinner than 1 mm; where one surface lies on the wrong side of the other, nothing is."""
    upper, lower = surface((0.0, 20.0), 0.0, faces_up=True), surface((0.0, 20.0), 0.8, faces_up=False)
    assert thickness_off([SimpleNamespace(plate=upper)], [upper, lower], 1.0, 0.003) == pytest.approx(np.log(1.25))
    assert thickness_off([SimpleNamespace(plate=lower)], [upper, lower], 1.0, 0.003) == pytest.approx(np.log(1.25))
    gap = surface((0.0, 20.0), -0.8, faces_up=False)
    assert thickness_off([SimpleNamespace(plate=upper)], [upper, gap], 1.0, 0.003) == 0.0
