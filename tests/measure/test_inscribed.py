"""The largest circle in an outline, against closed forms and SciPy's distance transform."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from skimage.draw import polygon2mask

from specimeter.measure.inscribed import largest_circles
from specimeter.measure.polygon import Rings


def width(*polygons: np.ndarray) -> np.ndarray:
    """Diameters of the largest circles."""
    return 2 * largest_circles(Rings.of(polygons)).radius


def turned(polygon: np.ndarray, angle: float, scale: float = 1.0, shift=(0.0, 0.0)) -> np.ndarray:
    cosine, sine = np.cos(angle), np.sin(angle)
    return scale * polygon @ np.array([[cosine, sine], [-sine, cosine]]) + shift


@settings(deadline=None, max_examples=40)
@given(a=st.floats(1, 100), b=st.floats(0.05, 1), angle=st.floats(0, 3.2))
def test_ellipse(a, b, angle):
    """Its largest circle has the short axis as its diameter; near the middle other circles are hardly smaller."""
    phase = np.arange(400) * np.pi / 200
    assert width(turned(np.column_stack([a * np.cos(phase), b * a * np.sin(phase)]), angle))[0] == pytest.approx(
        2 * a * b, rel=2.5e-2
    )


@settings(deadline=None, max_examples=40)
@given(long=st.floats(1, 60), angle=st.floats(0, 3.2), scale=st.floats(1e-3, 1e3))
def test_rectangle(long, angle, scale):
    """As wide as its short side. The tolerance is the last stride's."""
    rectangle = np.array([[0, 0], [long, 0], [long, 1], [0, 1.0]])
    assert width(turned(rectangle, angle, scale, (300.0, -20.0)))[0] == pytest.approx(scale, rel=7e-3)


def test_corner_of_an_l():
    """In an L whose arms are w wide the largest circle touches both outer sides and the inner corner: d = 2 w (2 - sqrt 2)."""
    w = 3.0
    ell = np.array([[0, 0], [20, 0], [20, w], [w, w], [w, 20], [0, 20.0]])
    assert width(ell)[0] == pytest.approx(2 * w * (2 - np.sqrt(2)), rel=5e-3)


def test_triangle_has_its_incircle():
    """3-4-5: radius 1 (area over half the perimeter)."""
    assert width(np.array([[0, 0], [4, 0], [0, 3.0]]))[0] == pytest.approx(2.0, rel=5e-3)


def test_thin_crooked_crack():
    """A sine of half-width 0.05 mm along its normal, 20 mm long: the width is 0.1 mm."""
    t = np.linspace(0, 20, 2000)
    path = np.column_stack([t, np.sin(t)])
    normal = np.column_stack([-np.cos(t), np.ones_like(t)]) / np.sqrt(1 + np.cos(t) ** 2)[:, None]
    assert width(np.concatenate([path + 0.05 * normal, (path - 0.05 * normal)[::-1]]))[0] == pytest.approx(0.1, rel=0.005)


def test_the_thickest_place_is_found_among_several():
    """A dumb-bell with unlike bells, 300 to 1 long: a start from the middle or from one end alone would fail."""
    x = np.linspace(0, 300, 3001)
    half = 0.5 + 2.0 * np.exp(-((x - 60) ** 2) / 50) + 2.2 * np.exp(-((x - 250) ** 2) / 50)
    outline = np.concatenate([np.column_stack([x, half]), np.column_stack([x, -half])[::-1]])
    fine = np.linspace(0, 300, 30001)
    edge = np.column_stack([fine, 0.5 + 2.0 * np.exp(-((fine - 60) ** 2) / 50) + 2.2 * np.exp(-((fine - 250) ** 2) / 50)])
    truth = max(np.hypot(*(edge - [c, 0]).T).min() for c in np.linspace(245, 255, 201))
    assert width(outline)[0] == pytest.approx(2 * truth, rel=5e-3)


@pytest.mark.parametrize("seed", range(6))
def test_agrees_with_the_distance_transform(seed):
    """scipy.ndimage.distance_transform_edt on a raster of 20 cells to the unit: right to about a cell."""
    rng = np.random.default_rng(seed)
    phase = np.arange(90) * np.pi / 45
    radius = 8 + sum(rng.normal(0, 1.2 / k) * np.cos(k * phase + rng.uniform(0, 6)) for k in range(2, 7))
    blob = np.column_stack([radius * np.cos(phase), 0.6 * radius * np.sin(phase)]) + rng.normal(0, 0.03, (90, 2))
    cells = (blob - blob.min(axis=0) + 1) * 20
    depth = ndimage.distance_transform_edt(polygon2mask(np.ceil(cells.max(axis=0) + 20).astype(int), cells)).max() / 20
    assert width(blob)[0] == pytest.approx(2 * depth, abs=0.12)


def test_many_at_once_are_as_each_alone():
    rng = np.random.default_rng(5)
    phase = np.arange(30) * np.pi / 15
    blobs = [
        np.column_stack([rng.uniform(1, 5) * np.cos(phase), rng.uniform(1, 5) * np.sin(phase)]) + rng.normal(0, 300, 2)
        for _ in range(50)
    ]
    assert width(*blobs) == pytest.approx([width(blob)[0] for blob in blobs], rel=1e-9)


@pytest.mark.parametrize("long", [100.0, 1000.0, 20000.0])
def test_hair_thin_outlines_do_not_leak(long):
    """A hair 1 wide, askew: thinner than the raster's cells in the last case."""
    hair = np.array([[0, 0], [long, 0], [long, 1], [0, 1.0]])
    assert width(turned(hair, 0.7))[0] == pytest.approx(1.0, rel=0.005)
