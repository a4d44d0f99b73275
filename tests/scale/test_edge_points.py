"""Points marked by hand: moved onto the edge or mark meant, within a hand's reach, and left alone where that is not clear."""

import cv2
import numpy as np
import pytest

from specimeter.scale.edge_points import U_EDGE_PX, refined

ENDS = np.array([[60.3, 80.7], [240.8, 110.2]])  # the true places
WAY = (ENDS[1] - ENDS[0]) / np.linalg.norm(ENDS[1] - ENDS[0])


def drawn(distance_of, over: int = 6) -> np.ndarray:
    """Light (200, 300) where `distance_of(points)` is negative dark, else bright: areas averaged, then blurred by a lens."""
    grid = (np.arange(over) + 0.5) / over - 0.5
    x, y = np.meshgrid((np.arange(300)[:, None] + grid).ravel(), (np.arange(200)[:, None] + grid).ravel())
    bright = (distance_of(np.stack([x, y], axis=-1)) > 0).astype(np.float32)
    light = 0.1 + 0.5 * bright.reshape(200, over, 300, over).mean(axis=(1, 3))
    return cv2.GaussianBlur(light, (0, 0), 0.9) + np.random.default_rng(5).normal(0, 0.004, light.shape).astype(np.float32)


def bar(points):
    along = (points - ENDS[0]) @ WAY
    return np.abs(along - np.linalg.norm(ENDS[1] - ENDS[0]) / 2) - np.linalg.norm(ENDS[1] - ENDS[0]) / 2


def lines(points):
    along = (points - ENDS[0]) @ WAY
    return np.minimum(np.abs(along), np.abs(along - np.linalg.norm(ENDS[1] - ENDS[0]))) - 0.9


@pytest.mark.parametrize(("thing", "kind"), [(bar, "edge"), (lines, "mark")])
def test_a_hands_error_is_mended(thing, kind):
    """Ends of a dark bar, and middles of thin lines, marked up to 2 pixels off: found to 0.1 px, less than the u stated."""
    light = drawn(thing)
    rng = np.random.default_rng(2)
    for _ in range(8):
        marked = ENDS + rng.uniform(-2, 2, (2, 1)) * WAY
        found = refined(light, marked)
        assert found.kind == kind
        assert found.u_px == U_EDGE_PX
        assert np.abs((found.ends_px - ENDS) @ WAY).max() < 0.1


def test_points_far_from_any_edge_stay():
    """Nothing within a hand's reach: left as marked, with a hand's uncertainty."""
    marked = ENDS + np.array([[-20.0], [20.0]]) * WAY
    found = refined(drawn(bar), marked)
    assert found.kind == "hand"
    np.testing.assert_array_equal(found.ends_px, marked)


def test_two_edges_side_by_side_leave_the_choice_open():
    """A step and another one 3 pixels on, both up: which was meant is the person's to say."""

    def steps(points):
        return (points - ENDS[0]) @ WAY

    light = 0.5 * (drawn(steps) + drawn(lambda points: steps(points) - 3.0))
    found = refined(light, ENDS + np.array([[1.5], [0.0]]) * WAY)
    assert found.kind == "hand"


def test_an_edge_at_one_end_and_a_mark_at_the_other_are_not_mixed():
    """An edge's place and a mark's middle differ by half a mark: then both stay."""
    length = np.linalg.norm(ENDS[1] - ENDS[0])

    def mixed(points):
        along = (points - ENDS[0]) @ WAY
        return np.where(along < length / 2, along, np.abs(along - length) - 0.9)

    assert refined(drawn(mixed), ENDS).kind == "hand"
