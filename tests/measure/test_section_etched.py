"""An etched fusion line is told from a stretch of it that is not fused, in light that is drawn: a line of known darkness."""

from __future__ import annotations

from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from specimeter.measure import section_etched
from specimeter.measure.section import Section
from specimeter.measure.section_etched import dips, without_etching
from specimeter.segment.model import ExaminedArea, Outline

PX_MM = 0.1
WELD = np.array([[60.0, 20.0], [110.0, 120.0], [160.0, 20.0]])  # a V of 100 px below the metal's upper surface
METAL = np.array([[10.0, 20.0], [210.0, 20.0], [210.0, 140.0], [10.0, 140.0]])
SURFACE = SimpleNamespace(
    develop=lambda points: np.asarray(points, float) * PX_MM,
    project=lambda points: np.asarray(points, float) / PX_MM,
    mm_per_px_at=lambda point: PX_MM,
)
AREA = ExaminedArea(outline_px=METAL)
DENSE = np.concatenate([np.linspace(a, b, 60, endpoint=False) for a, b in zip(WELD, np.roll(WELD, -1, axis=0), strict=True)])
SECTION = Section(sizes={}, missing={}, drawn={}, weld_px=DENSE)


def light(border: float, stretch: float, uneven: float = 0.0) -> np.ndarray:
    """Plate at 0.3, weld metal at 0.25, its border darker by `border` and between a fifth and two fifths of its left flank by
    `stretch`, a line 2 px wide; `uneven`: how far the border's darkness scatters along it.
    """
    picture = np.full((160, 220), 0.3, np.float32)
    cv2.fillPoly(picture, [np.int32(WELD)], 0.25)
    rng = np.random.default_rng(1)
    for one, two in ((WELD[0], WELD[1]), (WELD[1], WELD[2])):
        for k in range(40):
            called = np.array_equal(one, WELD[0]) and 8 <= k < 16
            dark = (stretch if called else border) + uneven * rng.uniform(-1, 1)
            ends = [tuple(int(v) for v in np.rint((one + (two - one) * part / 40) * 16)) for part in (k, k + 1)]
            cv2.line(picture, *ends, 0.25 * (1 - dark), 2, cv2.LINE_8, 4)
    return cv2.GaussianBlur(picture, (0, 0), 0.7)


def called(odds: float = 3.3, kind: str = "lack-of-sidewall-fusion") -> Outline:
    """An outline 2 px wide along the stretch of the flank."""
    ends = WELD[0] + (WELD[1] - WELD[0]) * np.array([[0.2], [0.4]])
    side = np.array([0.894, -0.447])
    ring = np.concatenate([ends + side, ends[::-1] - side])
    return Outline(outline_px=ring, kind=kind, evidence={"log_odds": odds})


def left(picture: np.ndarray, *outlines: Outline, section: Section = SECTION) -> int:
    return len(without_etching(outlines, SimpleNamespace(linear=lambda: picture), section, SURFACE, AREA))


@pytest.mark.parametrize("border", [0.0, 0.2, 0.4])
def test_a_stretch_as_dark_as_the_border_is_the_border_and_a_darker_one_is_not(border):
    assert left(light(border, border, 0.05), called()) == 0
    assert left(light(border, border + 0.3, 0.05), called()) == 1


def test_the_network_s_word_stands_where_it_is_sure_and_for_all_else():
    """As dark as the border: but the network is sure, or says something else of it, or no weld metal is known."""
    picture = light(0.3, 0.3, 0.05)
    assert left(picture, called(odds=6.0)) == 1
    assert left(picture, called(kind="crack")) == 1
    assert left(picture, called(), section=Section(sizes={}, missing={}, drawn={})) == 1
    assert left(picture, called(), called(kind="crack")) == 1


def test_what_lies_away_from_the_line_stays():
    """Three millimetres into the weld metal."""
    one = called()
    aside = Outline(outline_px=one.outline_px + np.array([30.0, 0.0]), kind=one.kind, evidence=one.evidence)
    assert left(light(0.3, 0.3), aside) == 1


def test_dips_are_what_was_drawn():
    """A line 6 px wide, as much darker than the darker of its sides as it is drawn, wherever it runs; none, where none is."""
    picture = np.full((60, 120), 0.3, np.float32)
    picture[30:] = 0.2
    picture[27:33, 40:80] = 0.1
    places, dark = dips(picture, np.array([[10.0, 30.5], [110.0, 29.5]]))
    assert np.abs(np.diff(places[:, 0]) - 1).max() < 0.01
    assert dark[(places[:, 0] > 44) & (places[:, 0] < 76)] == pytest.approx(0.5, abs=0.02)
    assert np.abs(dark[(places[:, 0] < 36) | (places[:, 0] > 84)]).max() < 0.02


def box(first: float, last: float) -> Outline:
    """About places from first to last along x."""
    return Outline(outline_px=np.array([[first, -0.4], [last, -0.4], [last, 0.4], [first, 0.4]]))


PLACES = np.column_stack([np.arange(400.0), np.zeros(400)])


@pytest.mark.parametrize(("own_dark", "alike"), [(0.0, True), (0.88, True), (0.92, False), (2.0, False)])
def test_a_stretch_must_be_darker_than_nine_tenths_of_the_rest(own_dark, alike):
    """The rest's darkness is spread evenly from 0 to 1, so that nine tenths of it are below 0.9: the stretch's median tells."""
    rest = np.flatnonzero((PLACES[:, 0] < 93) | (PLACES[:, 0] > 127))
    dark = np.full(400, 5.0)
    dark[np.random.default_rng(3).permutation(rest)] = np.linspace(0, 1, len(rest))
    dark[97:124] = own_dark + np.linspace(-0.5, 0.5, 27)
    one = box(98.0, 122.0)
    assert section_etched._alike(one, [one], PLACES, dark, 2.0) is alike


@pytest.mark.parametrize(("places", "alike"), [(2, False), (3, True), (8, True)])
def test_of_too_short_a_stretch_nothing_is_said(places, alike):
    """Fewer than three of the line's places beside what was called; what is as dark as the rest is alike otherwise."""
    one = box(200.0, 199.0 + places)
    assert section_etched._alike(one, [one], PLACES, np.full(400, 0.3) + 1e-3 * (PLACES[:, 0] > 250), 0.5) is alike


@pytest.mark.parametrize(("rest", "alike"), [(29, False), (30, True)])
def test_of_too_little_rest_nothing_is_said(rest, alike):
    """Thirty places are asked for that lie farther than 5 px from all that was called, two and a half times what is near: from
    26 to 55 between a box that ends at 20 and one that begins at 60.5.
    """
    one, other = box(0.0, 20.0), box(60.5, 99.5)
    places = np.concatenate([PLACES[:26], PLACES[56 - rest : 100]])
    assert section_etched._alike(one, [one, other], places, 0.3 + 1e-4 * places[:, 0], 2.0) is alike


@pytest.mark.parametrize(("off_px", "stays"), [(0.0, False), (3.5, False), (7.0, True)])
def test_at_the_line_is_within_nearly_half_a_millimetre(off_px, stays):
    """4.5 px of 0.1 mm each, square to the flank; as dark as the border."""
    one = called()
    side = np.array([0.894, -0.447])
    aside = Outline(outline_px=one.outline_px + off_px * side, kind=one.kind, evidence=one.evidence)
    assert (left(light(0.3, 0.3, 0.05), aside) == 1) is stays


def test_what_the_network_did_not_find_stays():
    """A person's outline has no log-odds."""
    one = called()
    assert left(light(0.3, 0.3, 0.05), Outline(outline_px=one.outline_px, kind=one.kind)) == 1
