"""Benches and clutter: every kind draws physical reflectances, and things stay where they are dropped."""

import numpy as np
import pytest

from specimeter.scene import bench, clutter
from specimeter.scene.describe import Bench


@pytest.mark.parametrize("name", bench.BENCHES)
def test_every_bench_is_a_reflectance(name):
    top = bench.draw(Bench(name=name, clutter=3, seed=4), 120.0, 90.0, 3.0, (0.3, 0.2))
    assert top.shape == (271, 361, 3)
    assert np.isfinite(top).all()
    assert top.min() >= 0
    assert top.max() < 2.0
    assert top.std() > 0.003  # something to see
    again = bench.draw(Bench(name=name, clutter=3, seed=4), 120.0, 90.0, 3.0, (0.3, 0.2))
    assert np.array_equal(top, again)


def test_things_throw_their_shadow_away_from_the_light():
    """On an even grey ground, what got darker around a thing lies on average along the shadow's direction."""
    shift = []
    for seed in range(12):
        ground = np.full((400, 400, 3), 0.4, np.float32)
        rng = np.random.default_rng(seed)
        clutter.drop(ground, rng, 2.0, (1.2, 0.0))
        x = np.broadcast_to(np.arange(400), (400, 400))
        grey = ground.mean(axis=2)
        thing = np.ptp(ground, axis=2) + np.abs(grey - 0.4) > 0.12
        soft = (grey < 0.39) & ~thing
        if thing.sum() > 200 and soft.sum() > 200:
            shift.append(x[soft].mean() - x[thing].mean())
    assert len(shift) >= 3
    assert np.median(shift) > 0
