"""Tracing against drawn shapes whose outlines are known exactly, in windows of pictures of any size."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import ndimage

from specimeter.errors import OutlineError
from specimeter.segment import trace

CENTRE, AXES = np.array([210.0, 160.0]), np.array([40.0, 18.0])


def ellipse(angles):
    return CENTRE + AXES * np.column_stack([np.cos(angles), np.sin(angles)])


@pytest.fixture(scope="module")
def light():
    """A dark ellipse, edges blurred by 1 px, on a bright ground with a gentle slope of light and a little noise."""
    columns = np.mgrid[0:320, 0:420][1]
    fine = 4
    r, c = np.mgrid[0 : 320 * fine, 0 : 420 * fine]
    inside = (((c + 0.5) / fine - 0.5 - CENTRE[0]) / AXES[0]) ** 2 + (((r + 0.5) / fine - 0.5 - CENTRE[1]) / AXES[1]) ** 2 < 1
    cover = inside.reshape(320, fine, 420, fine).mean(axis=(1, 3))
    picture = ndimage.gaussian_filter(0.4 + 0.0003 * columns, 1.0) * (1 - 0.9 * ndimage.gaussian_filter(cover, 1.0))
    return (picture + np.random.default_rng(3).normal(0, 0.004, picture.shape)).clip(0, 1).astype(np.float32)


def off(points):
    """Distance of points from the true ellipse, by a dense polygon, in pixels."""
    true = ellipse(np.linspace(0, 2 * np.pi, 4000))
    return np.array([np.linalg.norm(true - point, axis=1).min() for point in points])


def test_the_live_path_keeps_to_the_edge(light):
    """Between clicks an eighth of a turn apart the path stays on the edge to about a pixel: it steps from pixel to pixel."""
    angles = np.linspace(0, 2 * np.pi, 9)
    clicks = ellipse(angles)
    paths = [trace.EdgePath(light, one).to(other) for one, other in itertools.pairwise(clicks)]
    distances = off(np.concatenate(paths))
    assert np.median(distances) < 0.5
    assert np.quantile(distances, 0.95) < 1.2


def test_traced_and_snapped_lies_on_the_edge_to_a_fraction_of_a_pixel(light):
    """Snapping takes away the steps: the area is that of the ellipse, pi a b, to two per cent."""
    clicks = ellipse(np.linspace(0, 2 * np.pi, 7))
    rough = trace.closed([trace.EdgePath(light, a).to(b) for a, b in itertools.pairwise(clicks)])
    outline = trace.snapped(light, rough)
    assert np.median(off(outline)) < 0.35
    x, y = outline.T
    area = abs(0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
    assert area == pytest.approx(np.pi * AXES.prod(), rel=0.02)


@pytest.mark.parametrize("shift", [-4.0, -2.0, 3.0])
def test_a_rough_outline_is_drawn_to_the_edge(light, shift):
    """Drawn some pixels too large or too small, it comes back."""
    angles = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    rough = CENTRE + (AXES + shift) * np.column_stack([np.cos(angles), np.sin(angles)])
    assert np.median(off(trace.snapped(light, rough))) < 0.4


def test_one_click_grows_the_opening(light):
    """At the half level the outline is in its true place; the seed's own spot does not matter."""
    for seed in (CENTRE, CENTRE + np.array([15.0, 4.0]), CENTRE - np.array([25.0, 3.0])):
        assert np.quantile(off(trace.grow(light, seed)), 0.9) < 0.5


def test_a_greater_tolerance_grows_more(light):
    small, large = (len(trace.grow(light, CENTRE, tolerance=level)) for level in (0.2, 0.8))
    assert small < large


def test_growing_from_plain_ground_is_refused(light):
    with pytest.raises(OutlineError, match="no darker and no brighter"):
        trace.grow(light, np.array([60.0, 60.0]))


def test_only_the_window_round_the_anchor_is_looked_at(light):
    """So the size of the picture does not matter to a move: what lies beyond may as well be unknown, or not there."""
    anchor, ends = CENTRE + AXES * [1.0, 0.0], [CENTRE + AXES * [0.0, 1.0], CENTRE - AXES * [1.0, 0.0]]
    wide = np.full((3000, 4000), np.nan, np.float32)
    corner = np.array([1700, 1300])
    (left, top), (right, bottom) = corner, corner + light.shape[::-1]
    wide[top:bottom, left:right] = light
    here, there = trace.EdgePath(light, anchor), trace.EdgePath(wide, anchor + corner)
    for end in ends:
        assert there.to(end + corner) == pytest.approx(here.to(end) + corner, abs=1e-9)


def test_a_path_leaves_its_window_in_a_straight_line(light):
    path = trace.EdgePath(light, np.array([5.0, 5.0]))
    assert not path.reaches(np.array([400.0, 300.0]))
    assert path.to(np.array([400.0, 300.0]))[-1] == pytest.approx([400.0, 300.0])


def test_an_outline_that_encloses_nothing_is_refused():
    with pytest.raises(OutlineError, match="encloses nothing"):
        trace.closed([np.array([[1.0, 1.0], [2.0, 2.0]])])
