"""Telling the face from what lies round it: a drawn bar of one texture on a ground of another, by exact geometry."""

import numpy as np
import pytest

from specimeter.scale.borders import reduce
from specimeter.scale.region import looks, told_apart
from specimeter.scale.surface import Bend
from specimeter.scale.view import View

VIEW = View(focal_px=1400.0, centre_px=np.array([300.0, 220.0]), rotation=np.eye(3), translation_mm=np.array([0.0, 0.0, 300.0]))
BEND = Bend(view=VIEW, crown_mm=np.zeros(2), direction_deg=90.0, height_mm=0.0, radius_mm=25.0, angle_deg=180.0)
ENDS = (-15.0, 15.0)


def drawn(bar, ground):
    """A picture in which every pixel whose sight line meets the bar is `bar`, every other `ground`; grain on both."""
    rng = np.random.default_rng(5)
    x, y = np.meshgrid(np.arange(600.0), np.arange(440.0))
    s, a = BEND.develop(np.column_stack([x.ravel(), y.ravel()])).T
    on = (np.isfinite(s) & (a > ENDS[0]) & (a < ENDS[1])).reshape(x.shape)
    rgb = np.where(on[..., None], bar, ground) + rng.normal(0, 4, (*x.shape, 3))
    return reduce(np.clip(rgb, 0, 255).astype(np.uint8), 1)


def mean(seen, bend):
    return np.mean(list(told_apart(seen, bend, ENDS).values()))


def test_the_true_place_is_told_apart_best():
    """Shifted by a quarter of the radius either way the strips along the silhouettes look like the wrong side."""
    seen = looks(drawn((150, 150, 145), (70, 60, 45)))
    true = mean(seen, BEND)
    assert true > 0.9
    for shift in (-6.0, 6.0):
        moved = Bend(
            view=VIEW, crown_mm=np.array([shift, 0.0]), direction_deg=90.0, height_mm=0.0, radius_mm=25.0, angle_deg=180.0
        )
        assert mean(seen, moved) < true - 0.1


def test_the_same_metal_all_round_says_nothing():
    """One half: neither for nor against."""
    assert mean(looks(drawn((120, 120, 120), (120, 120, 120))), BEND) == pytest.approx(0.5, abs=0.03)


def test_what_is_hidden_is_left_out():
    """With everything right of the bar hidden, no strip there is judged."""
    seen = looks(drawn((150, 150, 145), (70, 60, 45)), [np.array([[405.0, 0.0], [599.0, 0.0], [599.0, 439.0], [405.0, 439.0]])])
    names = set(told_apart(seen, BEND, ENDS))
    assert len([name for name in names if name.startswith("out")]) == 3
