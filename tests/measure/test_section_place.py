"""Where imperfections lie in a section, on shapes whose distances are known exactly."""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.measure.section_place import fusion_lines, place_of, unfused

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
