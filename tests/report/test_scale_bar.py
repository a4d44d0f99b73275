"""The scale bar: a round length, projected through the camera, exact at the crown."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.report import scale_bar
from specimeter.report.overlay import Window


@given(room=st.floats(1e-4, 1e4))
@settings(deadline=None, max_examples=200)
def test_lengths_are_one_two_or_five(room):
    """1, 2 or 5 times a power of ten, as long as fits: more than 2/5 of the room."""
    length = scale_bar.round_length(room)
    digits = f"{length:.12e}".split("e")[0].rstrip("0").rstrip(".")
    assert digits in ("1", "2", "5")
    assert 0.4 * room * (1 - 1e-9) <= length <= room * (1 + 1e-9)


@pytest.mark.parametrize("zoom", [0.5, 1.0, 3.3])
def test_its_length_is_true_at_the_crown(five, zoom):
    """Measured back through the surface: the two ends are the stated length apart along the axis, to 1e-9."""
    window = Window(corner_px=np.array([33.0, 21.0]), zoom=zoom, width=500, height=400)
    bar = scale_bar.make(five.surface, np.zeros(2), window.place, room_px=200.0)
    middle = five.surface.project([[0.0, -bar.length_mm / 2]])
    ends = np.vstack([middle, middle + bar.vector_px / zoom])
    developed = five.surface.develop(ends)
    assert developed[:, 0] == pytest.approx([0, 0], abs=1e-6)
    assert developed[1, 1] - developed[0, 1] == pytest.approx(bar.length_mm, rel=1e-6)
    assert bar.text == f"{bar.length_mm:g} mm"


def test_it_stands_where_it_hides_nothing(five):
    """With outlines in three corners it takes the fourth."""
    bar = scale_bar.Bar(vector_px=np.array([0.0, 80.0]), length_mm=5.0, text="5 mm")
    corners = {name: scale_bar.box(bar, 600, 400, 20, corner=name) for name in scale_bar.CORNERS}
    square = lambda b: np.array([[b[0], b[1]], [b[2], b[1]], [b[2], b[3]], [b[0], b[3]]])
    for free, wanted in corners.items():
        others = [square(corner) for name, corner in corners.items() if name != free]
        nothing = np.array([[300.0, 200.0], [301.0, 200.0], [300.0, 201.0]])
        assert scale_bar.clear_box(bar, 600, 400, 20, hide_little=nothing, hide_none=others) == wanted


def test_no_bar_where_the_surface_is_not_seen():
    """A surface that cannot be projected gives no bar, not a wrong one."""

    class Nowhere:
        shape = "flat"

        def project(self, developed_mm):
            return np.full((len(developed_mm), 2), np.nan)

    assert scale_bar.make(Nowhere(), np.zeros(2), lambda points: points, room_px=100.0) is None
