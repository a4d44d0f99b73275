"""Sizes of butt welds' sections that hang on which side is the face, which plate the first, and what shows of the root."""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.measure import section
from specimeter.measure.section_draw import TOGETHER
from specimeter.measure.section_spread import own_u, u_edge
from specimeter.segment.joint import find_butt
from specimeter.segment.plates import resampled
from tests.measure.test_section import above, measured
from tests.measure.test_weld_sizes import plate


@pytest.mark.parametrize(("turn", "first"), [(0.0, 1), (180.0, 2), (20.0, 1), (160.0, 2)])
def test_a_butt_s_first_plate_is_the_left_one_in_the_photograph(turn, first):
    """The right plate stands 1 mm higher: its toe is the more open. Upside down it is the first one."""
    sizes = measured(plate(hilo=1.0), "macro-butt", surface=above(turn)).sizes
    chord = np.degrees(np.arctan2(1.0, 12.0))
    lean = 2 * np.degrees(np.arctan(2 * 2.0 / np.hypot(12.0, 1.0)))  # tangent of an arc against its chord
    assert sizes[f"toe_angle_{first}_deg"] == pytest.approx(180 - lean - chord, abs=2)
    assert sizes[f"toe_angle_{3 - first}_deg"] == pytest.approx(180 - lean + chord, abs=2)
    assert sizes["misalignment_mm"] == pytest.approx(1.0, abs=0.02)


def test_where_either_side_may_be_the_face_its_sizes_hold_the_other_s():
    """Faces 12 and 11.95 mm wide, 1.0 and 1.3 mm high; with one of 4 mm the other side is none, and with one 2.4 mm high the
    excess is not told: 1.4 mm is more than a size may be off.
    """
    alike, plain, unlike = (measured(plate(excess=1.0, root=high, foot=wide), "macro-butt") for wide, high in
                            ((11.95, 1.3), (4.0, 1.3), (11.95, 2.4)))  # fmt: skip
    assert alike.sizes["excess_weld_mm"] == pytest.approx(1.0, abs=0.01)
    assert 0.3 <= alike.sizes["U_excess_weld_mm"] < 0.35
    assert plain.sizes["U_excess_weld_mm"] < 0.1
    turned = abs(
        alike.sizes["toe_angle_1_deg"] - (180 - np.degrees(2 * np.arctan(2 * 1.3 / 11.95)))
    )  # an arc leaves its chord so
    assert alike.sizes["U_toe_angle_1_deg"] > turned - 0.5
    assert alike.sizes["U_toe_angle_1_deg"] > plain.sizes["U_toe_angle_1_deg"]
    assert section.SIDE in alike.cautions
    assert plain.cautions == ()
    assert unlike.missing["excess_weld_mm"] == section.NO_SIDE
    assert "weld_width_mm" in unlike.sizes


def test_one_narrow_bead_may_be_the_root_of_a_weld_whose_face_is_flush():
    """A bead 7 mm wide on a plate of 10 mm whose other side is flush gives no size of a face, and says why; one of 9 mm does,
    and so does the narrow one beside a root that shows. A plate of no stated thickness is as thick as it looks.
    """
    narrow, wide, rooted = (measured(plate(cap=cap, root=root, foot=4.0), "macro-butt", thickness_mm=10.0) for cap, root in
                            ((7.0, 0.0), (9.0, 0.0), (7.0, 0.6)))  # fmt: skip
    assert not set(section.OF_SIDE) & set(narrow.sizes)
    assert {narrow.missing[name] for name in section.OF_SIDE if name != "root_excess_mm"} == {section.MAY_BE_ROOT}
    assert narrow.cautions == (section.ROOT,)
    assert "misalignment_mm" in narrow.sizes
    unsaid = measured(plate(cap=7.0, root=0.0, foot=4.0), "macro-butt")
    assert (unsaid.missing, unsaid.cautions) == (narrow.missing, narrow.cautions)
    for found, width in ((wide, 9.0), (rooted, 7.0)):
        assert found.sizes["weld_width_mm"] == pytest.approx(width, abs=0.05)
        assert section.ROOT not in found.cautions


def test_where_both_fusion_lines_run_together_the_penetration_is_not_told():
    """A V that ends at 7 of 10 mm and a stem 0.4 mm wide down to a flush root side: whether that is fused is not seen, as is
    said. Where the weld metal ends 4 mm wide its depth is given.
    """
    stem = np.array([(-5, -1.5), (5, -1.5), (0.2, 7.0), (0.2, 9.9), (-0.2, 9.9), (-0.2, 7.0)])
    wide = np.array([(-5, -1.5), (5, -1.5), (2.0, 7.0), (-2.0, 7.0)])
    found = measured(plate(root=0.0), "macro-butt", weld=stem, thickness_mm=10.0)
    assert "penetration_mm" not in found.sizes
    assert found.missing["penetration_mm"] == TOGETHER
    told = measured(plate(root=0.0), "macro-butt", weld=wide, thickness_mm=10.0)
    assert told.sizes["penetration_mm"] == pytest.approx(7.0, abs=0.05)


def test_a_butt_s_own_reasons():
    """No bead at the root; no dilution, bevelled as butts are; penetration is the thickness where the root stands out."""
    found = measured(
        plate(root=0.0), "macro-butt", weld=np.array([(-5, -1.5), (5, -1.5), (2, 7.0), (-2, 7.0)]), thickness_mm=10.0
    )
    assert "flush" in found.missing["root_excess_mm"]
    assert "bevel" in found.missing["dilution"]
    assert found.sizes["penetration_mm"] == pytest.approx(7.0, abs=0.02)
    through = measured(plate(root=1.0), "macro-butt", thickness_mm=10.0)
    assert through.sizes["penetration_mm"] == 10.0
    assert through.root_px is None
    assert through.cautions == ()


def test_plates_that_are_not_as_thick_as_the_sheet_says_make_every_length_unsure():
    """10 mm in the photograph, 10.8 by the sheet: the logarithm of their ratio is added to the scale's u, and it is said."""
    right, wrong = (measured(plate(root=1.0), "macro-butt", thickness_mm=t) for t in (10.0, 10.8))
    off = np.log(1.08)
    added = wrong.sizes["U_root_excess_mm"] ** 2 - right.sizes["U_root_excess_mm"] ** 2
    assert added == pytest.approx((2 * off * right.sizes["root_excess_mm"]) ** 2, rel=0.02)
    assert wrong.cautions == (section.THICKNESS,)


def dipping(*before: tuple[float, float], excess: float = 2.0) -> np.ndarray:
    """A butt weld whose outline goes through these places, x and depth under the plate, between its left toe and the plate."""
    return np.concatenate([plate(excess=excess), np.array(before)])


NOTCH = ((-6.45, 0.7), (-6.9, 0.0))


@pytest.mark.parametrize("burr", [(), ((-6.95, -0.15), (-7.35, -0.15), (-7.4, 0.0))])
def test_an_undercut_is_found_behind_a_burr(burr):
    """A notch 0.7 mm deep; with something on the plate before it, 0.15 mm high, the toe is still behind the notch."""
    found = measured(dipping(*NOTCH, *burr), "macro-butt", thickness_mm=10.0)
    ((number, cut),) = [(one.toe, one.undercut) for one in found.undercuts]
    assert number == 1
    assert cut.depth_mm == pytest.approx(0.7, abs=0.1)
    assert found.sizes["weld_width_mm"] == pytest.approx(12.0, abs=0.15)
    assert found.sizes["toe_angle_1_deg"] < 150
    assert found.cautions == ()


def test_where_the_face_goes_down_before_it_rises_its_toe_is_not_told():
    """A dip of 5 mm, too wide for a notch, behind a burr: that toe's angle and the width that hangs on it are withheld, and it
    is said; what hangs on the plates and on the other toe is told.
    """
    wide = ((-6.3, 0.3), (-10.7, 0.3), (-11.0, 0.0), (-11.05, -0.12), (-11.3, -0.12), (-11.35, 0.0))
    found = measured(dipping(*wide), "macro-butt", thickness_mm=10.0)
    assert {name for name, why in found.missing.items() if why == section.SUNK} == {"weld_width_mm", "toe_angle_1_deg"}
    assert found.cautions == (section.SUNK_AT.format(1),)
    assert section.hidden((section.THICKNESS, *found.cautions)) == found.cautions
    assert {"toe_angle_2_deg", "excess_weld_mm", "misalignment_mm"} <= set(found.sizes)


def test_an_underfilled_face_keeps_its_sizes():
    """An arc 0.8 mm below both plates (ISO 6520-1:2007, 511, from memory): it never stands over them, and is measured so."""
    found = measured(plate(excess=-0.8), "macro-butt", thickness_mm=10.0)
    lean = 2 * np.degrees(np.arctan(2 * 0.8 / 12))
    assert found.sizes["excess_weld_mm"] == pytest.approx(-0.8, abs=0.05)
    assert found.sizes["weld_width_mm"] == pytest.approx(12.0, abs=0.2)
    for toe in (1, 2):
        assert found.sizes[f"toe_angle_{toe}_deg"] == pytest.approx(180 + lean, abs=3)
    assert found.cautions == ()


def test_plates_of_an_unsure_outline_may_be_off_by_themselves():
    """Confidence 0.55: either plate by 0.2 mm x 0.45, the scenes' figure for a whole outline."""
    toes = find_butt(resampled(plate(), 0.04)).top.toes
    edges = [u_edge(0.04, confidence) for confidence in (1.0, 0.55)]
    sure, unsure = (own_u("misalignment_mm", toes, None, None, px_mm=0.04, u_edge_mm=u) for u in edges)
    assert unsure**2 - sure**2 == pytest.approx(2 * 0.09**2)
