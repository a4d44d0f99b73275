"""Following a crack: along its own line across gaps and drawn strokes, not onto fainter lines, and nowhere on texture."""

import cv2
import numpy as np
import pytest

from specimeter.segment.follow import ends, follow, lines, unbroken


def plate(seed=1, noise=0.02):
    """An even plate in linear light, 300 x 500, with fine texture."""
    rng = np.random.default_rng(seed)
    texture = cv2.GaussianBlur(rng.normal(size=(300, 500)).astype(np.float32), (0, 0), 1.5)
    return (0.4 * np.exp(noise * texture / texture.std())).astype(np.float32)


def drawn(light, points, depth=0.7, gap=()):
    """The same with a thin dark line through points [x, y], open in `gap` (from, to in x)."""
    share = np.zeros(light.shape, np.uint8)
    cv2.polylines(share, [np.round(np.array(points) * 16).astype(np.int32).reshape(-1, 1, 2)], False, 255, 2, cv2.LINE_AA, 4)
    if gap:
        share[:, gap[0] : gap[1]] = 0
    return light * (1 - depth * cv2.GaussianBlur(share, (0, 0), 0.7).astype(np.float32) / 255)


def curve(x):
    return 150 + 25 * np.sin(x / 90)


X = np.linspace(60, 440, 200)
START, WAY, EVERYWHERE = np.array([120.0, curve(120.0)]), np.array([1.0, 0.1]), np.ones((300, 500), bool)


@pytest.mark.parametrize("gap", [(), (250, 262)])
def test_a_curved_line_is_followed_to_its_end(gap):
    """Along a sine, across a gap of 12 px, within 2 px of the truth, to within 12 px of its end."""
    line, above = lines(drawn(plate(), np.column_stack([X, curve(X)]), gap=gap))
    path = follow(line, above, START, WAY, EVERYWHERE, 0.05)
    assert path[-1][0] == pytest.approx(440, abs=12)
    assert np.abs(path[:-2, 1] - curve(path[:-2, 0])).max() < 3


@pytest.mark.parametrize(("gap", "whole"), [((), True), ((200, 206), True), ((200, 226), False)])
def test_bare_metal_parts_two_cracks_in_one_line(gap, whole):
    """A straight path from a crack of 60 px: all of it along the line or over a gap of 6 px; one of 26 px ends it there."""
    _, above = lines(drawn(plate(), [[60, 150], [440, 150]], gap=gap))
    path = np.column_stack([np.arange(120.0, 401, 4), np.full(71, 150.0)])
    count = unbroken(path, above, np.zeros(above.shape, bool), 60.0)
    assert count == len(path) if whole else path[count - 1, 0] == pytest.approx(200, abs=8)
    across = np.zeros(above.shape, bool)
    across[140:160, 200:226] = True  # a piece of the crack that lies there bridges it
    assert unbroken(path, above, across, 60.0) == len(path)


def test_nothing_is_followed_on_texture():
    """Without a line there is no path."""
    line, above = lines(plate(noise=0.1))
    assert len(follow(line, above, START, WAY, EVERYWHERE, 0.05)) == 1


def test_a_much_fainter_line_is_another():
    """Where the line goes on at a tenth of its depth, the path stops."""
    light = drawn(plate(), np.column_stack([X[:100], curve(X[:100])]))
    line, above = lines(drawn(light, np.column_stack([X[100:], curve(X[100:])]), depth=0.07))
    own = float(np.median(line[np.round(curve(X[20:80])).astype(int), np.round(X[20:80]).astype(int)]))
    assert follow(line, above, START, WAY, EVERYWHERE, own)[-1][0] < X[100] + 25


def test_it_stays_within_what_is_examined():
    """No place beyond the examined area."""
    usable = EVERYWHERE.copy()
    usable[:, 300:] = False
    line, above = lines(drawn(plate(), np.column_stack([X, curve(X)])))
    assert follow(line, above, START, WAY, usable, 0.05)[:, 0].max() < 300


def test_ends_of_a_long_region_point_outwards():
    """A slanted strip has two ends that point apart; a disc has none."""
    strip = np.zeros((60, 80), np.uint8)
    cv2.line(strip, (10, 10), (70, 40), 1, 2)
    found = ends(strip > 0)
    assert len(found) == 2
    way = np.array([60, 30]) / np.hypot(60, 30)
    assert sorted(float(one @ way) for _, one in found) == pytest.approx([-1, 1], abs=0.02)
    disc = np.zeros((60, 60), np.uint8)
    cv2.circle(disc, (30, 30), 20, 1, -1)
    assert ends(disc > 0) == []
