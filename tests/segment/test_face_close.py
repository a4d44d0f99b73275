"""The close look at a broken face: laid straight where it lies, its border drawn to a fraction of a cell, its doubt told."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from specimeter.segment import face_close

CORNERS = np.array([[120.0, 80.0], [420.0, 140.0], [400.0, 240.0], [100.0, 180.0]])  # 306 by 102 px, turned by 11 degrees


def painted(corners: np.ndarray, shape=(340, 560)) -> np.ndarray:
    """A grey picture with a lighter, redder parallelogram."""
    picture = np.full((*shape, 3), 60, np.uint8)
    cv2.fillPoly(picture, [np.round(corners * 16).astype(np.int32).reshape(-1, 1, 2)], (200, 150, 140), cv2.LINE_AA, 4)
    return picture


def test_a_rough_place_is_laid_straight_where_it_lies():
    """The middle of the straightened picture is the rectangle's; its sides lie where they were painted, within half a cell."""
    close = face_close.closely(painted(CORNERS), CORNERS, 0.1)
    rows, columns = close.picture.shape[:2]
    assert close.cell_mm == pytest.approx(0.1)
    middle = close.to_photograph(np.array([[(columns - 1) / 2, (rows - 1) / 2]]))
    assert middle[0] == pytest.approx(CORNERS.mean(axis=0), abs=1e-9)
    light = close.picture[..., 0]
    across = light[:, columns // 2]
    inside = np.flatnonzero(across > 0.5 * (across.max() + across.min()))
    assert len(inside) == pytest.approx(102, abs=1.5)
    assert inside.mean() == pytest.approx((rows - 1) / 2, abs=1.0)
    assert close.picture[rows // 2, columns // 2, 1] == pytest.approx(0, abs=0.1)  # colours are told against the place's own
    assert close.picture[0, 0, 1] < -1


def test_the_specimens_ends_are_shown_where_its_width_is_known():
    """With a width of 60 mm round a face of 30.6 mm the straightened picture spans it, else only the margin more."""
    alone = face_close.closely(painted(CORNERS), CORNERS, 0.1)
    whole = face_close.closely(painted(CORNERS), CORNERS, 0.1, 60.0)
    assert alone.picture.shape[1] * alone.cell_mm == pytest.approx(30.6 + 2 * face_close.MARGIN_MM, abs=0.2)
    assert whole.picture.shape[1] * whole.cell_mm > 60
    assert whole.picture.shape[0] == alone.picture.shape[0]


def test_the_place_is_near_within_and_far_beyond():
    """0 on the rectangle's sides, 1 from 3 mm within, -1 from 3 mm beyond."""
    place = face_close.placed(np.array([201, 121]), np.array([100.0, 60.0]), np.array([60.0, 40.0]), 0.1)
    assert place[60, 100] == 1
    assert place[60, 160] == pytest.approx(0)
    assert place[60, 175] == pytest.approx(-0.5)
    assert place[0, 0] == -1


def test_a_border_is_drawn_to_a_fraction_of_a_cell():
    """Log-odds of a known disc: its area within 0.5 %, its middle within 0.05 cells; a speck beside it is none of it."""
    y, x = np.mgrid[:200, :300].astype(np.float32)
    odds = np.clip(2 * (61.3 - np.hypot(x - 140.4, y - 95.2)), -8, 8)
    odds[10:16, 280:286] = 8
    ring, doubt = face_close.outlined(odds)
    assert cv2.contourArea(ring.astype(np.float32)) == pytest.approx(np.pi * 61.3**2, rel=0.005)
    assert ring.mean(axis=0) == pytest.approx([140.4, 95.2], abs=0.2)
    assert doubt < 0.03
    assert face_close.outlined(np.full((50, 60), -4.0)) is None


def test_what_is_hardly_told_is_in_doubt():
    """A face whose log-odds are half a unit leaves well over a third of it in doubt: 1 / (1 + e^0.5) is 0.38."""
    y, x = np.mgrid[:200, :300]
    odds = np.where(np.hypot(x - 140, y - 95) < 60, 0.5, -8.0)
    assert face_close.outlined(odds)[1] == pytest.approx(0.38, abs=0.03)


@pytest.mark.parametrize(("beyond", "filled"), [(-8.0, True), (6.0, False)])
def test_a_bay_at_the_bars_own_side_belongs_to_the_face(beyond, filled):
    """A bay of 100 by 10 cells in which neither face nor bench is sure: filled where the bar ends beyond it, so that the area
    is the whole rectangle's; not where the bar goes on, as at a notch. A bay that is certainly no face stays."""
    y, x = np.mgrid[:160, :400].astype(np.float32)
    whole = np.minimum(np.minimum(x - 50, 350 - x), np.minimum(y - 30, 130 - y)).clip(-4, 4) * 2
    bay = (np.abs(x - 200) < 50) & (y > 30) & (y < 40)
    face, end = np.where(bay, -2.0, whole), np.where(bay, 1.0, np.where(y < 30, beyond, whole))
    area = cv2.contourArea(face_close.outlined(face, end)[0].astype(np.float32))
    assert area == pytest.approx(300 * 100 - (0 if filled else 99 * 9.5), rel=0.005)
    sure = cv2.contourArea(face_close.outlined(np.where(bay, -8.0, whole), end)[0].astype(np.float32))
    assert sure == pytest.approx(300 * 100 - 99 * 9.5, rel=0.01)


def test_notches_tell_which_way_the_weld_runs():
    """The bar goes on by 4 mm at the left and 5 at the right, not above and below; turned by a quarter the other way round."""
    odds, ring = bar()
    assert face_close.overhangs_mm(odds, ring, 0.1) == pytest.approx((4.1, 0.1), abs=0.15)
    turned = face_close.overhangs_mm(odds.transpose(0, 2, 1), ring[:, ::-1], 0.1)
    assert turned == pytest.approx((0.1, 4.1), abs=0.15)


def bar(turned: float = 0.0, ragged: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Log-odds (2, 160, 400) of a face from x = 90.3 to 300.6 in an end from 49.7 to 350.2, and the face's border."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:160, :400].astype(np.float32)
    edge = x - turned * (y - 80) + ragged * rng.normal(size=(160, 1))
    across = np.minimum(y - 30.0, 130.0 - y)
    face = np.minimum(np.minimum(x - 90.3, 300.6 - x), across)
    end = np.minimum(np.minimum(edge - 49.7, 350.2 - edge), across)
    odds = np.clip(np.stack([face, end]), -8, 8)
    return odds, face_close.outlined(odds[0])[0]


def test_the_ends_of_the_bar_are_seen():
    """Both ends to a tenth of a cell, at the middle of the face's height, turned a little or not."""
    for turned in (0.0, 0.05):
        ends = face_close.ends(*bar(turned))
        assert ends == pytest.approx(np.array([[49.7, 80.0], [350.2, 80.0]]), abs=0.1)


def test_ends_that_do_not_show_are_not_made_up():
    """Beyond the picture, or ragged by half a millimetre: None."""
    odds, ring = bar()
    odds[1] = np.maximum(odds[1], np.where(np.arange(400) > 340, 5.0, -8.0))
    assert face_close.ends(odds, ring) is None
    assert face_close.ends(*bar(ragged=5.0)) is None
