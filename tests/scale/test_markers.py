"""Marker edges on pictures whose truth is exact: origin, blur, ink spread, and how near to the noise's own limit."""

import cv2
import numpy as np
import pytest
from scipy.special import ndtr

from specimeter.scale.card_layout import STRIP, marker_cells
from specimeter.scale.markers import detect, fit_marker, refine

WAYS = np.array([[0, -1], [1, 0], [0, 1], [-1, 0]])


def errors_px(shot, marker):
    """Fitted edge points minus the true edge, along its normal."""
    corners = STRIP.corners_mm(marker.id)
    first, second = corners[marker.side], np.roll(corners, -1, axis=0)[marker.side]
    flat = first + marker.along[:, None] * (second - first) + shot.bloom_mm * WAYS[marker.side]
    return np.sum((marker.points_px - shot.project(np.column_stack([flat, np.zeros(len(flat))]))) * marker.normals, axis=1)


def markers_of(cards, shot):
    rgb = cards.expose(shot)
    return refine(cards.photograph(rgb).linear(), detect(rgb[:, :, 1], set(STRIP.centres_mm)))


@pytest.mark.parametrize(("roll", "tilt", "blur"), [(3.0, 0.0, 0.7), (33.0, 12.0, 1.0), (97.0, 15.0, 1.8), (185.0, 5.0, 1.2)])
def test_edges_lie_on_the_true_edges(cards, roll, tilt, blur):
    """No half-pixel shift, no shrinking with blur: every point within 0.06 px, their mean within 0.015 px.

    Marker cells are 7.5 px; a point gathers 10 rows or more, the noise alone leaves 0.005 px, eight bits and JPEG the rest.
    """
    shot = cards.Shot(roll_deg=roll, tilt_deg=tilt, azimuth_deg=40, blur_px=blur, look_at_mm=(50.3, 33.0), jpeg=95)
    found = markers_of(cards, shot)
    assert sorted(marker.id for marker in found) == [10, 11]
    for marker in found:
        error = errors_px(shot, marker)
        assert np.abs(error).max() < 0.06
        assert abs(error.mean()) < 0.015
        assert np.sqrt(np.mean(error**2)) < 0.025
        centre = shot.project(np.array([[*STRIP.centres_mm[marker.id], 0.0]]))[0]
        np.testing.assert_allclose(marker.centre_px, centre, atol=0.03)
        assert marker.blur_px == pytest.approx(np.hypot(blur, 12**-0.5), rel=0.06)


def test_ink_spread_moves_edges_but_not_centres(cards):
    """Black grown by 0.15 mm (0.56 px) a side: the sides grow, the centres stay within 0.02 px."""
    shot = cards.Shot(roll_deg=5.0, bloom_mm=0.15, jpeg=None)
    for marker in markers_of(cards, shot):
        centre = shot.project(np.array([[*STRIP.centres_mm[marker.id], 0.0]]))[0]
        np.testing.assert_allclose(marker.centre_px, centre, atol=0.02)
        assert marker.side_px == pytest.approx(12.3 / 320 * 1200, rel=0.002)


def test_an_edge_is_located_near_the_noises_own_limit():
    """Twice the Cramer-Rao bound at most: sigma sqrt(2 sqrt(pi) blur) / contrast for one row, over the root of the rows.

    The bound is for known black and white and a known blur; a straight step of Gaussian blur 0.8 px, no quantisation.
    """
    rng = np.random.default_rng(11)
    black = marker_cells(10)
    side, blur, noise = 90.0, 0.8, 0.01
    y, x = np.mgrid[0:160, 0:160].astype(float)
    offsets, bounds = [], []
    for _ in range(15):
        cx, cy = 80 + rng.uniform(-0.5, 0.5, 2)
        turn = rng.uniform(0.05, 0.4)
        u = np.cos(turn) * (x - cx) + np.sin(turn) * (y - cy)
        v = -np.sin(turn) * (x - cx) + np.cos(turn) * (y - cy)
        ink = np.zeros_like(x)
        for row, column in zip(*np.nonzero(black), strict=True):
            left, top = (column / 6 - 0.5) * side, (row / 6 - 0.5) * side
            across = ndtr((u - left) / blur) - ndtr((u - left - side / 6) / blur)
            ink += across * (ndtr((v - top) / blur) - ndtr((v - top - side / 6) / blur))
        picture = 0.8 - 0.75 * ink + rng.normal(0, noise, x.shape)
        half = side / 2
        local = half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
        axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        corners = local @ axes + [cx, cy]
        marker = fit_marker(picture, corners + rng.uniform(-2, 2, (4, 2)), marker_id=10, black=black)
        for edge in range(4):
            mine = marker.side == edge
            middle = (corners[edge] + corners[(edge + 1) % 4]) / 2
            normal = WAYS[edge] @ axes
            offsets.append(((marker.points_px[mine] - middle) @ normal).mean())
            rows = 0.88 * side
            bounds.append(noise / 0.75 * np.sqrt(2 * np.sqrt(np.pi) * blur) / np.sqrt(rows))
    ratio = np.sqrt(np.mean(np.square(offsets))) / np.mean(bounds)
    assert 0.8 < ratio < 2.0, ratio


def test_what_is_not_a_marker_is_refused():
    """A flat grey patch, and a white square on black, have no black edges to fit."""
    square = np.array([[40.0, 40.0], [100.0, 40.0], [100.0, 100.0], [40.0, 100.0]])
    assert fit_marker(np.full((140, 140), 0.5), square, marker_id=10, black=marker_cells(10)) is None
    bright = np.zeros((140, 140))
    bright[40:101, 40:101] = 0.8
    assert fit_marker(bright, square, marker_id=10, black=marker_cells(10)) is None


def square_px(side, x, y, turn):
    """Ink, 0 to 1, at pixels of marker 10 without blur, its middle at the origin."""
    u, v = np.cos(turn) * x + np.sin(turn) * y, -np.sin(turn) * x + np.cos(turn) * y
    row, column = (np.floor((one / side + 0.5) * 6).astype(int) for one in (v, u))
    inside = (row >= 0) & (row < 6) & (column >= 0) & (column < 6)
    return np.where(inside, marker_cells(10)[np.clip(row, 0, 5), np.clip(column, 0, 5)], 0.0)


def test_grain_hides_no_marker():
    """White noise of 0.4 of the contrast, as in a dark corner: its edges are fitted all the same, and their u holds.

    By the bound above, with blur 0.8 px and ten rows a point: 0.4 x 1.68 / sqrt(10) = 0.21 px, so none of 384 is 1.2 px off.
    """
    rng = np.random.default_rng(12)
    y, x = np.mgrid[0:160, 0:160] - 80.0
    turn, side = 0.2, 90.0
    fine = np.mean([square_px(side, x + a, y + b, turn) for a in (-0.25, 0.25) for b in (-0.25, 0.25)], axis=0)
    clean = 0.8 - 0.75 * cv2.GaussianBlur(fine, (0, 0), 0.8)
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    corners = side / 2 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) @ axes + 80.0
    missed = []
    for _ in range(12):
        grainy = clean + rng.normal(0, 0.3, clean.shape)
        marker = fit_marker(grainy, corners + rng.uniform(-1, 1, (4, 2)), marker_id=10, black=marker_cells(10))
        assert marker is not None
        off = np.sum((marker.points_px - corners[marker.side]) * marker.normals, axis=1)
        assert np.abs(off).max() < 1.2
        missed += list(off / marker.u_px)
    assert 0.7 < np.sqrt(np.mean(np.square(missed))) < 1.4


@pytest.mark.parametrize("edge", range(4))
def test_what_lies_beside_an_edge_is_no_grain(edge):
    """Something dark over the white along half of one edge leaves as much as that noise does, but all on one spot: refused."""
    y, x = np.mgrid[0:160, 0:160] - 79.5
    corners = 45.0 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) + 79.5
    away, along = ((-y, x), (x, y), (y, -x), (-x, -y))[edge]
    picture = np.where(square_px(90.0, x, y, 0.0) > 0, 0.05, 0.8)
    assert fit_marker(picture, corners, marker_id=10, black=marker_cells(10)) is not None
    picture[(away > 45.0) & (along > 0)] = 0.0
    assert fit_marker(picture, corners, marker_id=10, black=marker_cells(10)) is None
