"""Where imperfections lie in a section, on shapes whose distances are known exactly."""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.measure.section_place import fusion_lines, nearer, place_of, unfused

METAL = np.array([[0.0, 0.0], [20.0, 0.0], [20.0, 10.0], [0.0, 10.0]])


def weld():
    """A V from the upper surface, 6 mm wide there, to a point 8 mm deep: two fusion lines in one stretch of outline."""
    left = np.linspace([7.0, 0.0], [10.0, 8.0], 60)
    right = np.linspace([10.0, 8.0], [13.0, 0.0], 60)
    top = np.linspace([13.0, 0.0], [7.0, 0.0], 60)
    return np.concatenate([left, right[1:], top[1:-1]])


def square(x: float, y: float, size: float) -> np.ndarray:
    """A square's corners about a middle."""
    return np.array([[x, y]]) + size / 2 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])


def test_the_fusion_line_is_what_is_no_surface():
    """Both flanks, 2 sqrt(73) mm long together, less what lies within 0.15 mm of the surface."""
    lines = fusion_lines(weld(), METAL)
    total = sum(np.hypot(*np.diff(line, axis=0).T).sum() for line in lines)
    assert total == pytest.approx(2 * np.sqrt(73), abs=0.5)
    assert all(line[:, 1].max() > 7.9 for line in lines)


def test_distances_of_a_pore():
    """A square of 1 mm about (10, 3): 2.5 mm from the surface, sqrt(73) mm of flank before and after the V's foot."""
    lines = fusion_lines(weld(), METAL)
    place = place_of(square(10.0, 3.0, 1.0), METAL, lines)
    assert place.to_surface_mm == pytest.approx(2.5)
    corner, flank = np.array([9.5, 3.5]), np.array([3.0, 8.0]) / np.sqrt(73)
    off = corner - [7.0, 0.0]
    assert place.to_fusion_line_mm == pytest.approx(abs(off[0] * flank[1] - off[1] * flank[0]), abs=0.02)
    assert place_of(square(10.0, 3.0, 1.0), METAL, []).to_fusion_line_mm is None


def test_which_side_a_feature_lies_on_is_told_by_the_nearer_toe():
    """Toes at x = 7 and 13: a square about x = 9.9 lies on the first's side, one about 10.1 on the second's."""
    toes = {1: np.array([7.0, 0.0]), 2: np.array([13.0, 0.0])}
    assert [nearer(square(x, 4.0, 1.0), toes) for x in (9.9, 10.1)] == [1, 2]
    assert nearer(square(9.0, 4.0, 1.0), {1: toes[1]}) is None


def test_unfused_length_counts_a_stretch_once():
    """Two lines of 2 mm, one beside the other, on the left flank: 2 mm of it, not 4."""
    lines = fusion_lines(weld(), METAL)
    along = np.array([3.0, 8.0]) / np.sqrt(73)
    start = np.array([7.0, 0.0]) + 3.0 * along
    across = np.array([-along[1], along[0]])
    ribbon = np.array([start, start + 2 * along, start + 2 * along + 0.1 * across, start + 0.1 * across])
    lost, whole = unfused([ribbon, ribbon - 0.2 * across], lines)
    assert lost == pytest.approx(2.0, abs=0.15)
    assert whole == pytest.approx(2 * np.sqrt(73), abs=0.5)
    assert unfused([ribbon], []) is None


def test_how_far_along_the_fusion_line_a_feature_lies():
    """Measured from the line's end at the weld's face: 3 and 5 mm down the left flank of the V, as it is walked."""
    lines = fusion_lines(weld(), METAL)
    way = np.array([3.0, 8.0]) / np.sqrt(73)
    near, far = (place_of(square(*(np.array([7.0, 0.0]) + reach * way), 0.2), METAL, lines) for reach in (3.0, 5.0))
    assert near.to_fusion_line_mm == 0.0 or near.to_fusion_line_mm < 0.15
    assert far.along_fusion_line_mm - near.along_fusion_line_mm == pytest.approx(2.0, abs=0.02)
    assert near.along_fusion_line_mm == pytest.approx(3.0, abs=0.15)
    assert near.to_surface_mm == pytest.approx(3.0 * way[1] - 0.1, abs=0.01)


def test_only_what_lies_at_the_line_counts_as_unfused():
    """0.3 mm off it does, 0.8 mm does not; and two lines apart from each other add up."""
    lines = fusion_lines(weld(), METAL)
    along = np.array([3.0, 8.0]) / np.sqrt(73)
    across = np.array([-along[1], along[0]])

    def ribbon(start_mm: float, off_mm: float, length_mm: float = 1.0):
        start = np.array([7.0, 0.0]) + start_mm * along - off_mm * across
        return np.array([start, start + length_mm * along, start + length_mm * along - 0.05 * across, start - 0.05 * across])

    assert unfused([ribbon(2.0, 0.3)], lines)[0] == pytest.approx(1.0, abs=0.1)
    assert unfused([ribbon(2.0, 0.8)], lines)[0] == 0.0
    level = [np.array([[0.0, 5.0], [20.0, 5.0]])]
    for off, lost in ((0.5, 4.0), (0.51, 0.0)):  # to half a millimetre, that itself
        assert unfused([np.array([[8.0, 5.0 + off], [12.0, 5.0 + off], [10.0, 6.0]])], level)[0] == pytest.approx(
            lost, abs=0.06
        )
    assert unfused([ribbon(1.0, 0.0), ribbon(4.0, 0.0, 1.5)], lines)[0] == pytest.approx(2.5, abs=0.15)


def test_weld_metal_that_is_all_surface_or_all_within_has_no_fusion_line():
    """A ring about the metal's outline, and one far inside it; and a stretch of less than a millimetre is none."""
    assert fusion_lines(METAL, METAL) == []
    assert fusion_lines(square(10.0, 5.0, 2.0), METAL) == []
    shallow = np.concatenate([np.linspace([9.6, 0.0], [10.0, 0.3], 30), np.linspace([10.0, 0.3], [10.4, 0.0], 30)[1:]])
    assert fusion_lines(shallow, METAL) == []


def test_a_weld_through_the_plate_has_a_fusion_line_on_either_side():
    """An X-shaped one, from face to face: two lines, each from the upper to the lower surface."""
    left = np.concatenate([np.linspace([6.0, 0.0], [9.0, 5.0], 40), np.linspace([9.0, 5.0], [6.0, 10.0], 40)[1:]])
    right = [20.0, 0.0] - left[::-1] * [1.0, -1.0]
    lines = fusion_lines(np.concatenate([left, np.linspace([6.0, 10.0], [14.0, 10.0], 30)[1:-1], right]), METAL)
    assert len(lines) == 2
    for one in lines:
        assert np.hypot(*np.diff(one, axis=0).T).sum() == pytest.approx(2 * np.sqrt(34), abs=0.5)
        assert sorted(one[[0, -1], 1]) == pytest.approx([0.0, 10.0], abs=0.3)


@pytest.mark.parametrize(("deep_mm", "lines"), [(0.12, 0), (0.2, 1)])
def test_what_lies_at_the_surface_is_no_fusion_line(deep_mm, lines):
    """A weld metal as flat as a coat of paint, 8 mm wide: within 0.15 mm of the surface it is that surface."""
    flat = np.array([[6.0, 0.0], *np.linspace([6.1, deep_mm], [13.9, deep_mm], 40), [14.0, 0.0]])
    assert len(fusion_lines(flat, METAL)) == lines


@pytest.mark.parametrize(("long_mm", "lines"), [(0.8, 0), (1.6, 1)])
def test_a_fusion_line_is_longer_than_a_millimetre(long_mm, lines):
    """A notch of weld metal with two flanks of half that length each."""
    flank = np.linspace([9.8, 0.0], [10.0, np.sqrt((long_mm / 2) ** 2 - 0.04)], 30)
    shallow = np.concatenate([flank, (flank * [-1, 1] + [20, 0])[::-1][1:]])
    assert len(fusion_lines(shallow, METAL)) == lines


def test_fusion_lines_of_no_length_tell_no_share():
    """Two points in one place: nothing of which a part could be unfused."""
    assert unfused([square(5.0, 5.0, 1.0)], [np.full((2, 2), 5.0)]) is None
