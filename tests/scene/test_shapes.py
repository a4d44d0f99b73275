"""Sizes of outlines against closed forms and scikit-image; pixel coverage against closed forms."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.draw import polygon2mask

from specimeter.scene import shapes


def ellipse(a, b, centre=(0.0, 0.0), count=720):
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return np.column_stack([centre[0] + a * np.cos(t), centre[1] + b * np.sin(t)])


@given(a=st.floats(0.5, 6), share=st.floats(0.05, 1.0), angle=st.floats(0, 3.1), x=st.floats(-20, 20))
@settings(max_examples=25, deadline=None)
def test_sizes_of_an_ellipse(a, share, angle, x):
    """Length 2 a, width 2 b, area pi a b; a 720-gon's area and width fall short by at most 2e-5."""
    b = a * share
    outline = shapes.turn(ellipse(a, b), angle, (x, 3.0))
    assert shapes.length_mm(outline) == pytest.approx(2 * a, rel=1e-6)
    assert shapes.width_mm(outline) == pytest.approx(2 * b, rel=2e-3)
    assert shapes.area_mm2(outline) == pytest.approx(np.pi * a * b, rel=1e-4)


@given(seed=st.integers(0, 9999), form=st.sampled_from(["lens", "ragged", "cavity", "corner"]))
@settings(max_examples=20, deadline=None)
def test_made_outlines_are_simple_and_sized(seed, form):
    """Area by shoelace equals the area of scikit-image's even-odd mask, which a self-crossing outline would fail."""
    rng = np.random.default_rng(seed)
    outline = {
        "lens": lambda: shapes.ribbon(rng, 5.0, 1.0, bend=0.05, lopsided=0.5, skew=0.3),
        "ragged": lambda: shapes.ribbon(rng, 5.0, 0.5, ragged=1.0),
        "cavity": lambda: shapes.cavity(rng, 4.0, 2.0, rough=0.3),
        "corner": lambda: shapes.corner_tear(rng, 4.0, 1.2),
    }[form]()
    scale = 60
    points = (outline - outline.min(0)) * scale + 2
    size = np.ceil(points.max(0)).astype(int) + 3
    mask = polygon2mask(tuple(size[::-1]), points[:, ::-1])
    perimeter = np.linalg.norm(np.diff(points, axis=0, append=points[:1]), axis=1).sum()
    assert mask.sum() == pytest.approx(
        shapes.area_mm2(outline) * scale**2, abs=0.35 * perimeter
    )  # a third of a pixel all round
    assert 0 < shapes.width_mm(outline) < shapes.length_mm(outline)


@given(x=st.floats(3, 20), y=st.floats(3, 20), w=st.floats(0.3, 9), h=st.floats(0.3, 9))
@settings(max_examples=25, deadline=None)
def test_coverage_of_a_rectangle(x, y, w, h):
    """The covered shares sum to w h; along x they are exact, along y good to the scan lines' spacing."""
    box = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]])
    cover = shapes.coverage(box, 0, 0, 40, 40, lines=64)
    assert cover.sum() == pytest.approx(w * h, abs=w / 60)
    assert (cover.sum(axis=0) > 1e-9).nonzero()[0][[0, -1]] == pytest.approx([np.floor(x + 0.5), np.ceil(x + w - 0.5)], abs=1)


def test_coverage_centroid_has_no_half_pixel_shift():
    """The centroid of a covered ellipse is its centre in [x, y] with pixel centres at whole numbers."""
    cover = shapes.coverage(ellipse(6.0, 3.0, (20.3, 11.7)), 5, 2, 40, 30)
    y, x = np.indices(cover.shape)
    assert (cover * (x + 5)).sum() / cover.sum() == pytest.approx(20.3, abs=2e-3)
    assert (cover * (y + 2)).sum() / cover.sum() == pytest.approx(11.7, abs=1e-2)  # scan lines are 1/16 px apart
    assert cover.sum() == pytest.approx(np.pi * 18, rel=2e-3)


def test_clip_keeps_what_is_inside():
    """Half of a circle remains, its cut on the line."""
    half = shapes.clip_width(ellipse(2.0, 2.0, (0.0, 5.0)), 5.0)
    assert half[:, 1].max() == pytest.approx(5.0)
    assert shapes.area_mm2(half) == pytest.approx(2 * np.pi, rel=1e-3)


def test_distance_to_is_signed():
    square = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]])
    found = shapes.distance_to(square, np.array([[2.0, 2.0], [2.0, -1.0], [7.0, 8.0], [3.5, 1.0]]))
    assert found == pytest.approx([-2.0, 1.0, 5.0, -0.5])
