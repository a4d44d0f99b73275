"""Which outlines reach an edge of the specimen and which are cut off, at and about the distance that decides; in pixels."""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.measure import contact
from specimeter.measure.contact import contacts
from specimeter.measure.polygon import Rings
from specimeter.segment.model import ExaminedArea

AREA = np.array([[0.0, 0.0], [200.0, 0.0], [200.0, 100.0], [0.0, 100.0]])


def box(left: float, top: float, side: float = 10.0) -> np.ndarray:
    return np.array([left, top]) + side * np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]])


def touching(outlines, u_edge_px=0.5, *, edges=(), holes=(), **more):
    area = ExaminedArea(outline_px=AREA, exclude_px=tuple(holes), edges_px=tuple(edges))
    return contacts(Rings.of(outlines), np.full(len(outlines), u_edge_px), area, **more)


@pytest.mark.parametrize("u_edge_px", [0.25, 0.5, 1.5])
def test_cut_off_is_what_comes_within_two_u_and_a_pixel_of_a_border_that_is_no_edge(u_edge_px):
    """At the upper border, and at that of an excluded part; with no edge known nothing is said of corners."""
    reach = 2 * u_edge_px + 1.0
    hole = box(100.0, 40.0, 20.0)
    outlines = [box(50, reach), box(50, reach + 0.1), box(100 - 10 - reach + 0.1, 45), box(100 - 10 - reach - 0.1, 45)]
    found = touching(outlines, u_edge_px, holes=[hole])
    assert found.at_corner is None
    assert found.cut.tolist() == [True, False, True, False]


@pytest.mark.parametrize(("u_edge_px", "u_side_px"), [(0.3, 1.0), (0.3, 0.4), (1.5, 2.0)])
def test_at_a_corner_is_what_comes_within_both_u_of_an_edge(u_edge_px, u_side_px):
    """Root of the sum of squares of the outline's and the edge's own (JCGM 100:2008, 5.1.2), twice, and a pixel (edges
    are sampled a pixel apart); and what reaches an edge of the specimen is not cut off there.
    """
    left = AREA[[3, 0]]
    reach = 2 * np.hypot(u_edge_px, u_side_px) + 1.0
    outlines = [box(reach - 0.2, 45), box(reach + 0.05, 45), box(200 - 10, 45)]
    found = touching(outlines, u_edge_px, edges=[left], u_side_px=u_side_px)
    assert found.at_corner.tolist() == [True, False, False]
    assert found.cut.tolist() == [False, False, True]  # the right border is the end of the area alone


def test_an_outline_across_the_whole_area_is_seen_by_its_far_end_too():
    """Its first point lies far from every border."""
    long = np.array([[100.0, 50.0], [190.0, 52.0], [199.5, 50.0], [190.0, 48.0]])
    short = np.array([[100.0, 50.0], [150.0, 52.0], [190.0, 50.0], [150.0, 48.0]])
    assert touching([long, short]).cut.tolist() == [True, False]
    assert touching([long, short], edges=[AREA[[1, 2]]]).at_corner.tolist() == [True, False]


def test_where_every_border_is_an_edge_nothing_is_cut_off():
    edges = [np.concatenate([AREA, AREA[:1]])]
    found = touching([box(0, 45), box(95, 45)], edges=edges)
    assert found.cut.tolist() == [False, False]
    assert found.at_corner.tolist() == [True, False]


@pytest.mark.parametrize("long", [0.3, 1.0, 7.0, 33.4])
def test_a_border_is_sampled_at_most_a_pixel_apart(long):
    """From end to end, evenly, with no more samples than that takes and one to spare."""
    path = np.array([[0.0, 0.0], [0.6 * long, 0.0], [0.6 * long, 0.4 * long]])
    samples = contact._sampled(path, contact.STEP_PX)
    steps = np.hypot(*np.diff(samples, axis=0).T)
    assert np.array_equal(samples[[0, -1]], path[[0, -1]])
    assert steps.max() <= 1.0
    assert len(samples) == np.ceil(long) + 2


def test_an_edge_of_one_point_is_none():
    """Nothing is said of corners; the border there is the end of the area alone."""
    found = touching([box(0, 45), box(95, 45)], edges=[AREA[:1]])
    assert found.at_corner is None
    assert found.cut.tolist() == [True, False]


@pytest.mark.parametrize(("off_px", "cut"), [(0.0, False), (1.9, False), (2.1, True), (3.5, True)])
def test_a_border_within_two_pixels_of_an_edge_is_that_edge(off_px, cut):
    """The area ends so far beside the specimen's left edge: what reaches its border there is cut off, or is at the edge."""
    found = touching([box(0, 45)], edges=[AREA[[3, 0]] + [off_px, 0.0]])
    assert found.cut.tolist() == [cut]
    assert found.at_corner.tolist() == [True]
