"""The printed cards against the design's own words, written out again."""

import numpy as np
import pytest

from specimeter.scale.card_layout import FRAME, MARKER_SIDE_MM, STRIP, marker_cells


def test_strip_is_as_described():
    """100 x 20 mm, ids 10 and 11 at (10, 10) and (90, 10), millimetre marks from 20 to 80 on the lower edge."""
    assert (STRIP.width_mm, STRIP.height_mm) == (100, 20)
    assert dict(STRIP.centres_mm) == {10: (10, 10), 11: (90, 10)}
    marks = np.array(STRIP.graduations_mm)
    np.testing.assert_allclose(marks[:, 0], np.arange(20, 81))
    np.testing.assert_allclose(marks[:, 2], 20)
    length = dict(zip(marks[:, 0], marks[:, 2] - marks[:, 1], strict=True))
    assert length[30] > length[35] > length[36]


def test_frame_runs_clockwise_from_its_top_left(cards):
    """Ids 20 to 31 at the places that the tests' own renderer was given by hand, to its three decimals."""
    assert set(FRAME.centres_mm) == set(cards.FRAME)
    for marker_id, place in cards.FRAME.items():
        assert FRAME.centres_mm[marker_id] == pytest.approx(place, abs=0.0005)
    x, y, width, height = FRAME.window_mm
    for centre in FRAME.centres_mm.values():  # every black square keeps clear of the window and of the outside
        gaps = np.array([x - centre[0], centre[0] - x - width, y - centre[1], centre[1] - y - height]) - MARKER_SIDE_MM / 2
        assert gaps.max() >= 4 - 1e-9


def test_a_marker_is_black_all_round_and_holds_a_code():
    """A border of one black cell; no two markers alike, however turned."""
    seen = set()
    for marker_id in [*STRIP.centres_mm, *FRAME.centres_mm]:
        cells = marker_cells(marker_id)
        assert cells.shape == (6, 6)
        assert cells[0].all()
        assert cells[:, 5].all()
        turned = {np.rot90(cells, turn).tobytes() for turn in range(4)}
        assert not turned & seen
        seen |= turned
