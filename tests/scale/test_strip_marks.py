"""The strip's own millimetre marks: used together with both markers, standing in for one of them, and never miscounted."""

from dataclasses import replace

import numpy as np
import pytest

from specimeter.errors import ScaleError
from specimeter.scale.find import find_scale
from specimeter.scale.height import mm_per_px

MARK_MM = 0.25


def scale_of(cards, sheet, shot, **entries):
    entries = {"surface_height_mm": 0.0, "surface_height_U_mm": 0.02, "length_U_mm": 0.002} | entries
    return find_scale(cards.photograph(cards.expose(shot), shot.focal_35mm_mm), sheet(**entries))


def error_rel(scale, shot, place_px=None):
    place = np.array(scale.reference_px) if place_px is None else place_px
    return mm_per_px(scale.view, place, 0.0) / shot.mm_per_px(place) - 1


@pytest.mark.parametrize("seed", [300, 302])
def test_marks_and_markers_are_used_together(cards, sheet, seed):
    """All 61 marks enter the fit, lie on it to a few hundredths of a pixel, and the error stays within 0.2 % and twice U."""
    shot = cards.random_shot(seed, mark_mm=MARK_MM)
    scale = scale_of(cards, sheet, shot)
    assert scale.evidence["strip_marks"] >= 55
    miss = np.abs(scale.evidence["strip_marks_residual_px"])
    assert np.median(miss) < 0.06
    assert abs(error_rel(scale, shot)) < min(0.002, 4 * scale.u_rel)
    without = scale_of(cards, sheet, replace(shot, mark_mm=0.0))
    assert "strip_marks" not in without.evidence
    assert scale.u_rel < 1.05 * without.u_rel


@pytest.mark.parametrize(("seed", "hidden"), [(310, 10), (311, 11), (314, 10), (313, 11)])
def test_one_marker_and_the_marks_will_do(cards, sheet, seed, hidden):
    """The other marker out of sight: true within the wider interval, and said; at the strip's middle within 0.5 %."""
    shot = cards.random_shot(seed, mark_mm=MARK_MM)
    whole, part = scale_of(cards, sheet, shot), scale_of(cards, sheet, replace(shot, hidden=(hidden,)))
    middle = shot.project([[50.0, 10.0, 0.0]])[0]
    for place in (middle, np.array(part.reference_px)):
        assert abs(error_rel(part, shot, place)) < 4 * part.at(place).u_rel
    assert abs(error_rel(part, shot, middle)) < 0.005
    assert part.u_rel > whole.u_rel
    assert any(f"only marker {21 - hidden} of the strip" in caution for caution in part.cautions)


@pytest.mark.parametrize("lengths_mm", [(2.0, 3.5, 5.0), (1.8, 3.0, 3.0), (4.0, 5.0, 7.0)])
def test_marks_of_other_lengths(cards, sheet, lengths_mm):
    """The layout says that fifth and tenth marks are longer, not how long: cards drawn otherwise are read as well."""
    shot = cards.random_shot(302, mark_mm=MARK_MM, mark_lengths_mm=lengths_mm)
    both, one = scale_of(cards, sheet, shot), scale_of(cards, sheet, replace(shot, hidden=(11,)))
    assert both.evidence["strip_marks"] >= 55
    assert abs(error_rel(both, shot)) < min(0.002, 4 * both.u_rel)
    middle = shot.project([[50.0, 10.0, 0.0]])[0]
    assert abs(error_rel(one, shot, middle)) < min(0.005, 4 * one.at(middle).u_rel)


def test_half_the_marks_covered(cards, sheet):
    """From x = 52 on all is covered, the second marker too: thirty marks and a marker still give the scale."""
    shot = cards.Shot(tilt_deg=7, azimuth_deg=50, roll_deg=12, look_at_mm=(45, 25), distance_mm=240.0, focal_35mm_mm=34.6,
                      mark_mm=MARK_MM, covered_mm=(52.0, 101.0))  # fmt: skip
    scale = scale_of(cards, sheet, shot)
    assert 25 <= scale.evidence["strip_marks"] <= 33
    middle = shot.project([[35.0, 10.0, 0.0]])[0]
    assert abs(error_rel(scale, shot, middle)) < min(0.006, 4 * scale.at(middle).u_rel)


def test_too_few_marks_do_not_replace_a_marker(cards, sheet):
    """Fifteen marks in view beside the one marker: refused, and it says what would do."""
    shot = cards.Shot(look_at_mm=(45, 25), distance_mm=240.0, mark_mm=MARK_MM, covered_mm=(35.0, 101.0))
    with pytest.raises(ScaleError, match="only marker 10") as caught:
        scale_of(cards, sheet, shot)
    assert "25 mm or more of the marks" in caught.value.expected
