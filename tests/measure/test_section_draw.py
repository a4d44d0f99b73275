"""What a section's sizes are drawn from: gap between the plates, weld metal, bead at the root; against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.measure.section import surely_wider
from specimeter.measure.section_draw import SHORT, evaluator
from specimeter.segment.faying_line import Faying
from specimeter.segment.joint import find_butt, find_fillet
from specimeter.segment.plates import resampled, runs
from tests.measure.test_weld_sizes import STEP, arc_between, plate, tee

PLACE = np.array([50.0, 60.0])  # where `tee` draws its own
CORNER = np.array([55.0, 60.0])  # of `tee`: the gap runs from here along -x
WELD = np.array([(66.0, 60), (55, 54), (53.5, 54), (53.5, 62), (66, 62)])  # fused 1.5 mm beyond the corner
MELTED = np.array([(-5, -1.5), (5, -1.5), (2, 7.0), (-2, 7.0)])  # of a butt: 7 mm deep


def gap(tip_mm: float | None, *, other: bool = False, outline: np.ndarray | None = None) -> Faying:
    """One that ends so far beyond the corner, along the plate that runs through, or along the other one."""
    joint = find_fillet(resampled(tee(6.0, 6.0) if outline is None else outline, STEP))
    tip = None if tip_mm is None else CORNER - [tip_mm, 0]
    return Faying(through=1 - joint.through if other else joint.through, tip=tip, u_mm=0.1, length_mm=4.0)


def fillet_of(seen: Faying | None, weld: np.ndarray | None = None, outline: np.ndarray | None = None, **choices):
    """(sizes, toes, what is said) of the tee."""
    points = resampled(tee(6.0, 6.0) if outline is None else outline, STEP)
    return evaluator("macro-fillet", None, np.eye(2), seen, **choices)(points, runs(points), weld)


def test_a_gap_tells_how_far_a_fillet_penetrates():
    """From the corner along the plate that runs through, to where the gap ends; drawn as that line; and before what the weld
    metal says.
    """
    sizes, _, said = fillet_of(gap(1.3), WELD)
    assert sizes["penetration_mm"].value == pytest.approx(1.3, abs=0.03)
    (line,) = sizes["penetration_mm"].lines
    assert line == pytest.approx(np.array([CORNER, CORNER - [1.3, 0]]), abs=0.05)
    assert said["told"]
    assert said["cautions"] == ()


@pytest.mark.parametrize(
    "seen",
    [None, gap(None), gap(5.5), gap(-0.5), gap(1.3, other=True)],
    ids=["none", "no end", "beyond 0.8 of the leg", "before the corner", "along the other plate"],
)
def test_else_the_weld_metal_tells_it(seen):
    """1.5 mm; without weld metal there is no penetration, and neither is an area."""
    sizes, _, said = fillet_of(seen, WELD)
    assert sizes["penetration_mm"].value == pytest.approx(1.5, abs=0.03)
    assert not said["told"]
    sizes, _, _ = fillet_of(seen)
    assert not {"penetration_mm", "weld_area_mm2", "dilution"} & set(sizes)


def test_weld_metal_that_ends_before_the_corner_tells_no_penetration_unless_a_gap_shows():
    """Plates that are not fused at their corner stand apart there: where no gap shows, it is the fusion line that is wrong."""
    short = WELD[[0, 1, 4]] + np.array([1.5, 0])
    sizes, _, said = fillet_of(None, short)
    assert "penetration_mm" not in sizes
    assert said["untold"] == SHORT
    sizes, _, said = fillet_of(gap(None), short)
    assert sizes["penetration_mm"].value == 0.0
    assert said["untold"] == ""


def test_weld_metal_has_an_area_and_between_square_plates_a_dilution():
    """Area by the shoelace formula of the polygon; the deposit is the triangle of 18 mm2 between corner and toes."""
    x, y = WELD.T
    area = 0.5 * abs(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    sizes, _, _ = fillet_of(None, WELD, square=True)
    assert sizes["weld_area_mm2"].value == pytest.approx(area)
    assert sizes["weld_area_mm2"].lines[0][0] == pytest.approx(sizes["weld_area_mm2"].lines[0][-1])
    assert sizes["dilution"].value == pytest.approx(1 - 18 / area, abs=0.01)
    assert "dilution" not in fillet_of(None, WELD)[0]


def test_a_second_fillet_is_told_of():
    """A weld on each side of the standing plate: the larger is measured, the other is mentioned."""
    right = arc_between((13, 0), (5, -8), 0.0)
    left = arc_between((-5, -6), (-11, 0), 0.0)
    outline = np.array([(-40, 0), (-40, 10), (40, 10), (40, 0), *right, (5, -40), (-5, -40), *left]) + PLACE
    sizes, _, said = fillet_of(None, outline=outline)
    assert sizes["leg_1_mm"].value == pytest.approx(8, abs=0.05)
    assert any("1 more fillet" in caution for caution in said["cautions"])
    assert fillet_of(None)[2]["cautions"] == ()


def test_which_plate_runs_through_may_not_be_seen():
    """A standing plate flush with the end of the other shows no surface past the corner: said, unless a gap tells it."""
    outline = np.array([(-5, 10), (40, 10), (40, 0), *arc_between((11, 0), (5, -6), 0.0), (5, -40), (-5, -40)]) + PLACE
    _, _, said = fillet_of(None, outline=outline)
    assert not said["numbered"]
    assert any("runs through is not seen" in caution for caution in said["cautions"])
    for other in (False, True):  # the gap is believed, along whichever plate it runs
        seen = gap(None, other=other, outline=outline)
        _, toes, said = fillet_of(seen, outline=outline)
        assert said["numbered"]
        assert said["cautions"] == ()
        assert toes[0].point == pytest.approx(find_fillet(resampled(outline, STEP)).face.toes[seen.through].point)


@pytest.mark.parametrize("test", ["macro-fillet", "macro-butt"])
def test_an_outline_without_a_weld_gives_nothing(test):
    """A plain bar."""
    bar = resampled(np.array([(0, 0), (0, 10), (60, 10), (60, 0)], float), STEP)
    assert evaluator(test, 10.0, np.eye(2), None)(bar, runs(bar)[:1], None) is None


def butt_of(outline, *, thickness=10.0, ways=None, tip=None, weld=None):
    points = resampled(outline, STEP)
    seen = None if tip is None else Faying(through=0, tip=np.array(tip), u_mm=0.1, length_mm=3.0)
    return evaluator("macro-butt", thickness, np.eye(2) if ways is None else ways, seen)(points, runs(points), weld)


def test_a_butt_s_penetration():
    """To the gap's end where one shows; through the plate where a bead stands out of its root; else as deep as the weld."""
    beaded, flush = plate(root=1.0), plate(root=0.0)
    sizes, _, said = butt_of(beaded, tip=(0.0, 6.5), weld=MELTED)
    assert sizes["penetration_mm"].value == pytest.approx(6.5, abs=0.03)
    assert sizes["penetration_mm"].lines[0] == pytest.approx(np.array([(0, 0), (0, 6.5)]), abs=0.05)
    assert (said["told"], said["through"]) == (True, False)
    sizes, _, said = butt_of(beaded, weld=MELTED)
    assert sizes["penetration_mm"].value == 10.0
    assert np.hypot(*np.diff(sizes["penetration_mm"].lines[0], axis=0)[0]) == pytest.approx(10.0)
    assert (said["told"], said["through"]) == (False, True)
    for sizes, _, said in (butt_of(beaded, thickness=None, weld=MELTED), butt_of(flush, weld=MELTED)):
        assert sizes["penetration_mm"].value == pytest.approx(7.0, abs=0.03)
        assert not said["through"]
    assert "penetration_mm" not in butt_of(flush)[0]


def test_between_plates_of_unlike_height_a_butt_s_penetration_is_from_midway():
    """The right plate stands 1 mm higher: to a gap's end 6.5 mm below the left surface it is 7 mm, from midway between both;
    and through plates of 10 mm it is drawn from midway between the toes.
    """
    sizes, toes, _ = butt_of(plate(hilo=1.0, root=1.0), tip=(0.0, 6.5))
    assert sizes["penetration_mm"].value == pytest.approx(7.0, abs=0.03)
    assert sizes["penetration_mm"].lines[0] == pytest.approx(np.array([(0, -0.5), (0, 6.5)]), abs=0.05)
    sizes, toes, _ = butt_of(plate(root=1.0))
    top, deep = sizes["penetration_mm"].lines[0]
    assert top == pytest.approx((toes[0].point + toes[1].point) / 2)
    assert deep == pytest.approx([top[0], top[1] + 10.0], abs=0.02)


def test_a_bead_must_stand_out_to_show_that_a_weld_goes_through():
    """By more than a fifth of a millimetre (judgement): more than a grinder leaves of a flush root."""
    assert not butt_of(plate(root=0.1, foot=3.0))[2]["through"]
    assert butt_of(plate(root=0.3, foot=3.0))[2]["through"]


@pytest.mark.parametrize("hilo", [0.8, 1.5])
def test_a_step_between_plates_is_no_bead(hilo):
    """The right plate stands higher by so much, both end square in the middle of the root side, where nothing stands out: over
    the line from toe to toe a corner does, over both plates' surfaces nothing does.
    """
    cap = arc_between((6.0, -hilo), (-6.0, 0.0), 2.0)
    sides = [(-40, 0), (-40, 10), (0.5, 10), (0.5, 10 - hilo), (40, 10 - hilo), (40, -hilo)]
    outline = np.concatenate([sides, cap])
    bottom = find_butt(resampled(outline, 0.05)).bottom
    assert bottom is None or bottom.bead_mm < 0.05
    assert not butt_of(outline)[2]["through"]
    assert find_butt(resampled(plate(root=1.0, hilo=0.5), 0.05)).bottom.bead_mm == pytest.approx(0.85, abs=0.2)


@pytest.mark.parametrize(
    ("right", "down", "first"),
    [((1, 0), (0, 1), -6), ((-1, 0), (0, -1), 6), ((0.1, 1), (-1, 0.1), 6), ((-0.1, 1), (1, 0.1), -6)],
    ids=["as it lies", "upside down", "a quarter turn", "the other way"],
)
def test_a_butt_s_plates_are_numbered_as_they_lie_in_the_photograph(right, down, first):
    """Number 1 is at the left, or on top where the plates lie one above the other."""
    _, toes, said = butt_of(plate(), ways=np.array([right, down], float))
    assert toes[0].point[0] == pytest.approx(first, abs=0.3)
    assert toes[1].point[0] == pytest.approx(-first, abs=0.3)
    assert said["numbered"]


@pytest.mark.parametrize(("half_mm", "sure"), [(2.0, True), (5.95, False)])
def test_the_face_of_a_butt_is_its_wider_side_where_that_is_sure(half_mm, sure):
    """A cap of half width 6 mm over a bead, both arcs in closed form; with a bead as wide either may be the face."""
    turn = np.linspace(0, np.pi, 120)
    cap = np.column_stack([-6.0 * np.cos(turn), -1.5 * np.sin(turn)])
    bead = np.column_stack([half_mm * np.cos(turn), 10.0 + 1.2 * np.sin(turn)])
    outline = resampled(np.concatenate([[[-30.0, 10.0], [-30.0, 0.0]], cap, [[30.0, 0.0], [30.0, 10.0]], bead])[::-1], 0.05)
    joint = find_butt(outline)
    assert surely_wider(joint.top.toes, joint.bottom.toes, 0.07, 0.03) is sure


@pytest.mark.parametrize("lean_deg", [0.0, 3.0, -4.0])
def test_between_leaning_plates_a_butt_s_penetration_is_drawn_midway_between_their_normals(lean_deg):
    """The right plate leans by so much from the weld's middle on, the left one by nothing: what leads down leans by half."""
    outline = plate(root=1.0)
    outline[:, 1] += np.where(outline[:, 0] > 0, np.tan(np.radians(lean_deg)) * outline[:, 0], 0.0)
    top, deep = butt_of(outline)[0]["penetration_mm"].lines[0]
    assert np.degrees(np.arctan2(*(deep - top))) == pytest.approx(-lean_deg / 2, abs=0.15)
    assert np.hypot(*(deep - top)) == pytest.approx(10.0)
    tip = np.array([0.0, 6.0])
    told, end = butt_of(outline, tip=tip)[0]["penetration_mm"].lines[0]
    assert end == pytest.approx(tip)
    assert np.degrees(np.arctan2(*(end - told))) == pytest.approx(-lean_deg / 2, abs=0.15)
