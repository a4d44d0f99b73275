"""The drawn cards against the layout that the design fixes."""

import cv2
import numpy as np
import pytest

from specimeter.scene import card


@pytest.mark.parametrize("kind", ["strip", "frame"])
def test_opencv_reads_the_flat_card(kind):
    """OpenCV's detector finds exactly the card's ids on the flat drawing, centred where the design puts them (to 0.05 mm)."""
    per_mm = 10
    ink = card.draw(kind, per_mm)
    picture = cv2.copyMakeBorder(255 - np.round(ink * 255).astype(np.uint8), 40, 40, 40, 40, cv2.BORDER_CONSTANT, value=255)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    corners, ids, _ = detector.detectMarkers(picture)
    found = {
        int(i): (np.asarray(c).reshape(-1, 2).mean(0) - 40 + 0.5) / per_mm for i, c in zip(np.ravel(ids), corners, strict=True)
    }
    assert set(found) == set(card.CENTRES_MM[kind])
    for marker, centre in card.CENTRES_MM[kind].items():
        assert found[marker] == pytest.approx(centre, abs=0.05)


def test_frame_centres_are_those_of_the_design():
    """Design section 8, clockwise from the top left."""
    listed = ((10, 10), (56.667, 10), (103.333, 10), (150, 10), (150, 43.333), (150, 76.667), (150, 110), (103.333, 110),
              (56.667, 110), (10, 110), (10, 76.667), (10, 43.333))  # fmt: skip
    assert np.array([card.CENTRES_MM["frame"][i] for i in range(20, 32)]) == pytest.approx(np.array(listed), abs=1e-3)


def test_strip_carries_a_mark_at_every_millimetre():
    """Sixty-one marks from x = 20 to 80 along the lower edge, each centred on its millimetre."""
    per_mm = 50
    row = card.draw("strip", per_mm)[round(18.5 * per_mm)]
    edges = np.flatnonzero(np.diff((row > 0.5).astype(int)) != 0) + 1
    centres = edges.reshape(-1, 2).mean(axis=1) / per_mm
    assert centres == pytest.approx(np.arange(20, 81), abs=0.03)
