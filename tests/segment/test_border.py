"""Borders from a network's shares: drawn onto the edge in the light, tips where the shares end, thin slits by their sum."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.segment.border import Patch, border, own_ring


def covered(polygon, shape, times=16):
    """Share of each pixel that a polygon covers, by supersampling."""
    fine = np.zeros((shape[0] * times, shape[1] * times), np.uint8)
    cv2.fillPoly(fine, [np.round(((polygon + 0.5) * times - 0.5) * 16).astype(np.int32)], 255, shift=4)
    return cv2.resize(fine, shape[::-1], interpolation=cv2.INTER_AREA).astype(np.float32) / 255


def ellipse(length, width, turn, centre=(60.0, 60.0)):
    t = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    u, v = length / 2 * np.cos(t), width / 2 * np.sin(t)
    return np.column_stack([centre[0] + u * np.cos(turn) - v * np.sin(turn), centre[1] + u * np.sin(turn) + v * np.cos(turn)])


def extent(ring):
    return float(np.linalg.norm(ring[:, None] - ring[None], axis=2).max())


def area(ring):
    return float(cv2.contourArea(ring.astype(np.float32).reshape(-1, 1, 2)))


def seen(polygon, shift=(0.0, 0.0), depth=0.9, blur=0.9, noise=0.0, slope=0.0):
    """The network's shares of a polygon, displaced, and a photograph's light with the polygon where it is."""
    shape = (120, 120)
    share = cv2.GaussianBlur(covered(polygon + np.array(shift), shape), (0, 0), 0.4)
    light = 0.4 * (1 + slope * np.linspace(-1, 1, 120)[None]) * (1 - depth * covered(polygon, shape))
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), blur)
    light = light + noise * np.random.default_rng(3).normal(size=shape).astype(np.float32)
    return Patch(share=share, corner_px=np.zeros(2), zoom=1.0, offset_px=np.zeros(2)), light.astype(np.float32)


@settings(deadline=None, max_examples=12)
@given(st.floats(0, 3.1), st.floats(22, 70), st.floats(0.25, 0.8), st.floats(0.6, 1.4))
def test_a_clear_opening_has_its_own_sizes(turn, length, ratio, blur):
    """Length and area of ellipses (pi a b) at any angle and blur."""
    patch, light = seen(ellipse(length, ratio * length, turn), blur=blur)
    found = border(patch, light, blur)
    assert extent(found.outline_px) == pytest.approx(length, abs=1.5)  # of which 0.3 px an end: shares of real ones fade early
    assert area(found.outline_px) == pytest.approx(np.pi / 4 * ratio * length**2, rel=0.08)
    assert 0 < found.u_edge_px <= found.u_tip_px
    assert found.darkness == pytest.approx(0.9, abs=0.15)


def test_the_light_corrects_a_displaced_network():
    """Shares half a pixel aside: the outline lies where the light's half-level is, nearly; shares alone do not."""
    true = ellipse(40, 24, 0.4)
    patch, light = seen(true, shift=(0.5, -0.4), noise=0.002)
    found = border(patch, light, 0.9)
    off = [np.linalg.norm(ring.mean(axis=0) - true.mean(axis=0)) for ring in (found.outline_px, own_ring(patch))]
    assert off[0] < 0.6 * off[1]
    assert found.drawn_by_light > 0.5


def test_without_contrast_the_network_draws():
    """Where the light shows no edge, the outline stays and is the less sure."""
    patch, light = seen(ellipse(40, 24, 0.4), depth=0.9)
    dull = np.full_like(light, 0.3)
    found = border(patch, dull, 0.9)
    assert found.drawn_by_light < 0.05
    assert area(found.outline_px) == pytest.approx(np.pi / 4 * 40 * 24, rel=0.08)
    assert found.u_edge_px > border(patch, light, 0.9).u_edge_px


@pytest.mark.parametrize("width", [0.8, 1.0, 1.6])
def test_a_slit_thinner_than_its_pixels_keeps_its_area(width):
    """Its area is what its shares add up to, and it is as long as it is."""
    slit = ellipse(60, width, 0.3)
    patch, light = seen(slit)
    found = border(patch, light, 0.9)
    assert area(found.outline_px) == pytest.approx(np.pi / 4 * 60 * width, rel=0.3)
    assert extent(found.outline_px) == pytest.approx(60, abs=4)


def test_a_pointed_tip_is_followed_to_its_end():
    """A wedge's tip, thinner than a pixel over its last pixels, is found within a pixel and a half."""
    wedge = np.array([[30.0, 60.0], [90.0, 56.0], [93.0, 60.0], [90.0, 64.0]])
    patch, light = seen(wedge)
    assert border(patch, light, 0.9).outline_px[:, 0].min() == pytest.approx(30.0, abs=1.5)


def test_enlarging_makes_no_place_surer():
    """The same network's shares of a picture enlarged by 1.5: without light to draw by, the border and tips are as doubtful."""
    true = ellipse(44, 16, 0.5)
    plain, light = seen(true, depth=0.0)
    size = (180, 180)
    large = Patch(share=cv2.resize(plain.share, size), corner_px=np.zeros(2), zoom=np.full(2, 1.5), offset_px=np.zeros(2))
    one, two = border(plain, light, 0.9), border(large, light, 0.9)
    assert two.u_edge_px > 0.9 * one.u_edge_px
    assert two.u_tip_px > 0.9 * one.u_tip_px


def test_an_empty_patch_has_no_border():
    """No share anywhere, no outline."""
    patch = Patch(share=np.zeros((40, 40), np.float32), corner_px=np.zeros(2), zoom=1.0, offset_px=np.zeros(2))
    assert border(patch, np.full((40, 40), 0.3, np.float32), 1.0) is None
    assert own_ring(patch) is None


def test_places_are_the_photographs():
    """A patch of a coarser picture, cut out of the photograph: the outline lies where the opening is."""
    true = ellipse(44, 30, 0.2)
    patch, light = seen(true)
    half = cv2.resize(patch.share, (60, 60), interpolation=cv2.INTER_AREA)[10:50, 5:55]
    coarse = Patch(share=half, corner_px=np.array([5.0, 10.0]), zoom=0.5, offset_px=np.zeros(2))
    found = border(coarse, light, 0.9)
    assert found.outline_px.mean(axis=0) == pytest.approx(true.mean(axis=0), abs=0.5)
    assert extent(found.outline_px) == pytest.approx(44, abs=1.5)
