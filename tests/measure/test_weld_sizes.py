"""Fillet and butt sizes against outlines drawn from closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from specimeter.measure.weld_sizes import (
    beyond,
    butt,
    extreme,
    fillet,
    parent_share,
    runs_together,
    steadied,
    through_plate,
    values,
)
from specimeter.segment.joint import find_butt, find_fillet
from specimeter.segment.plates import resampled
from specimeter.segment.polylines import corner

STEP = 0.05


def arc_between(start, end, rise, count=200):
    """Points of the arc from start to end that stands `rise` over their chord, to the left of it as drawn with y up."""
    start, end = np.asarray(start, float), np.asarray(end, float)
    chord = end - start
    length = np.hypot(*chord)
    unit = chord / length
    normal = np.array([-unit[1], unit[0]])
    if abs(rise) < 1e-9:
        return start + np.linspace(0, 1, count)[:, None] * chord
    radius = (length**2 / 4 + rise**2) / (2 * rise)
    half = np.arcsin(np.clip(length / (2 * abs(radius)), -1, 1))
    angle = np.linspace(-half, half, count)
    return (
        (start + end) / 2
        + abs(radius) * np.sin(angle)[:, None] * unit
        + np.sign(rise) * (abs(radius) * np.cos(angle) - (abs(radius) - abs(rise)))[:, None] * normal
    )


def tee(leg_1, leg_2, rise=0.0, turn_deg=0.0):
    """Outline (y down) of a T joint with one fillet on the right: plate 1 lies along x, plate 2 stands on it."""
    face = arc_between((5 + leg_1, 0), (5, -leg_2), rise)
    outline = np.concatenate([[(-40, 0), (-40, 10), (40, 10), (40, 0)], face, [(5, -40), (-5, -40), (-5, 0)]])
    angle = np.radians(turn_deg)
    return outline @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) + [50, 60]


def fillet_of(outline):
    """Sizes of the only fillet of an outline."""
    joint = find_fillet(resampled(outline, STEP))
    assert joint.others == ()
    assert joint.through_sure
    return values(fillet(joint.face, joint.through))


@settings(max_examples=25, deadline=None)
@given(z=st.floats(3, 12), turn=st.floats(-180, 180))
def test_an_isosceles_fillet(z, turn):
    """Throat a = z / sqrt 2 of a mitre fillet (ISO 2553 and trade practice); toe angles of 135 degrees."""
    sizes = fillet_of(tee(z, z, 0.0, turn))
    assert sizes["leg_1_mm"] == pytest.approx(z, abs=0.02)
    assert sizes["leg_2_mm"] == pytest.approx(z, abs=0.02)
    assert sizes["throat_mm"] == pytest.approx(z / np.sqrt(2), abs=0.02)
    assert sizes["theoretical_throat_mm"] == pytest.approx(z / np.sqrt(2), abs=0.02)
    assert sizes["convexity_mm"] == pytest.approx(0.0, abs=0.02)
    assert sizes["toe_angle_1_deg"] == pytest.approx(135, abs=1)
    assert sizes["toe_angle_2_deg"] == pytest.approx(135, abs=1)


@settings(max_examples=25, deadline=None)
@given(leg_1=st.floats(4, 12), leg_2=st.floats(4, 12), rise=st.floats(-0.12, 0.18), turn=st.floats(-180, 180))
def test_unequal_convex_and_concave_fillets(leg_1, leg_2, rise, turn):
    """Against the face's own points: an arc over the chord between the toes."""
    chord = np.hypot(leg_1, leg_2)
    rise *= chord
    face = arc_between((leg_1, 0), (0, -leg_2), rise)
    if face[:, 0].min() < -1e-9 or face[:, 1].max() > 1e-9:  # an arc that bulges past a plate is another joint
        return
    sunk = 2 * np.degrees(np.arctan(-2 * rise / chord))  # by which an arc's ends lean off its chord
    if np.degrees(np.arctan2(min(leg_1, leg_2), max(leg_1, leg_2))) - sunk < 10.0:
        return  # it runs out almost along the plate: no outline tells where its toe is to a tenth of a millimetre
    sizes = fillet_of(tee(leg_1, leg_2, rise, turn))
    height = leg_1 * leg_2 / chord
    steepest = np.degrees(np.arctan2(max(leg_1, leg_2), min(leg_1, leg_2))) - sunk
    off = (
        0.12 if steepest < 90.0 else 0.2
    )  # a toe under an overhang is where its underside, taken for straight, meets the plate
    assert sizes["leg_1_mm"] == pytest.approx(leg_1, abs=off)
    assert sizes["leg_2_mm"] == pytest.approx(leg_2, abs=off)
    assert sizes["throat_mm"] == pytest.approx(np.hypot(*face.T).min(), abs=off / 2)  # that toe may be what lies nearest
    assert sizes["theoretical_throat_mm"] == pytest.approx(height + min(rise, 0), abs=0.1)
    assert sizes["convexity_mm"] == pytest.approx(rise, abs=0.1)


def plate(width=80, thickness=10, excess=2.0, root=1.0, hilo=0.0, cap=12.0, foot=5.0):
    """Outline (y down) of a butt weld in two plates; the right one stands `hilo` higher."""
    top = arc_between((cap / 2, -hilo), (-cap / 2, 0), excess)
    bottom = arc_between((-foot / 2, thickness), (foot / 2, thickness - hilo), root)
    return np.concatenate(
        [
            [(-width / 2, 0), (-width / 2, thickness)],
            bottom,
            [(width / 2, thickness - hilo), (width / 2, -hilo)],
            top,
        ]
    )


def butt_of(outline):
    """Sizes of the butt weld of an outline, and its face side."""
    joint = find_butt(resampled(outline, STEP))
    return values(butt(joint.top, joint.bottom, joint.across)), joint.top


@settings(max_examples=20, deadline=None)
@given(excess=st.floats(0.6, 4), root=st.floats(0.5, 2), hilo=st.floats(0, 1.5))
def test_a_butt_weld(excess, root, hilo):
    assume(np.degrees(2 * np.arctan(2 * root / 5)) - np.degrees(np.arctan2(hilo, 5)) > 12)  # else the bead has no toe to see
    sizes, _ = butt_of(plate(excess=excess, root=root, hilo=hilo))
    flush = np.degrees(2 * np.arctan(2 * excess / 12)) - np.degrees(np.arctan2(hilo, 12)) < 8
    assert sizes["weld_width_mm"] == pytest.approx(np.hypot(12, hilo), abs=1.0 if flush else 0.15)
    assert sizes["excess_weld_mm"] == pytest.approx(excess, abs=0.12 if flush else 0.06)
    assert sizes["root_excess_mm"] == pytest.approx(root, abs=0.06)
    assert sizes["misalignment_mm"] == pytest.approx(hilo, abs=0.02)
    half = 2 * np.degrees(np.arctan(2 * excess / np.hypot(12, hilo)))  # tangent of an arc against its chord
    chord = np.degrees(np.arctan2(hilo, 12))
    assert sizes["toe_angle_1_deg"] == pytest.approx(180 - half - chord, abs=6)
    assert sizes["toe_angle_2_deg"] == pytest.approx(180 - half + chord, abs=6)


def test_penetration_is_at_most_the_thickness():
    _, top = butt_of(plate())
    plates = [toe.plate for toe in top.toes]
    weld = np.array([(-5, -1.5), (5, -1.5), (2, 7.0), (-2, 7.0)])
    assert through_plate(weld, plates, 10.0).value == pytest.approx(7.0, abs=0.02)
    assert through_plate(weld + np.array([0, 5.0]), plates, 10.0).value == 10.0


def test_parallel_plates_have_no_corner():
    _, top = butt_of(plate())
    assert corner(*(toe.plate for toe in top.toes)) is None


@settings(max_examples=15, deadline=None)
@given(z=st.floats(4, 12), deep=st.floats(0.3, 2.0), turn=st.floats(-180, 180))
def test_dilution_is_what_was_plate_over_all_weld_metal(z, deep, turn):
    """A mitre fillet, z^2 / 2 laid down, that melted a strip of both plates, `deep` by z each and the square at the corner."""
    outline = tee(z, z, 0.0, turn)
    joint = find_fillet(resampled(outline, STEP))
    root = corner(*(toe.plate for toe in joint.face.toes))
    turned = np.array(
        [[np.cos(np.radians(turn)), np.sin(np.radians(turn))], [-np.sin(np.radians(turn)), np.cos(np.radians(turn))]]
    )
    weld = np.array([[5 + z, 0], [5, -z], [5 - deep, -z], [5 - deep, deep], [5 + z, deep]]) @ turned + [50, 60]
    melted = 2 * z * deep + deep**2
    assert parent_share(weld, root, joint.face).value == pytest.approx(melted / (melted + z**2 / 2), abs=0.01)


def long(line) -> float:
    """Length of a line of two points."""
    return float(np.hypot(*(line[1] - line[0])))


def test_each_line_of_a_fillet_is_as_long_as_what_it_shows():
    """Convex by 0.6 mm and concave by 0.6: legs, throats and convexity are drawn where they are measured."""
    for rise in (0.6, -0.6):
        joint = find_fillet(resampled(tee(7.0, 6.0, rise), STEP))
        drawn = fillet(joint.face, joint.through)
        for name in ("leg_1_mm", "leg_2_mm", "throat_mm", "theoretical_throat_mm", "convexity_mm"):
            assert long(drawn[name].lines[0]) == pytest.approx(abs(drawn[name].value), abs=1e-6), name
        chord = drawn["theoretical_throat_mm"].lines[1]
        assert long(chord) == pytest.approx(np.hypot(7, 6), abs=0.2)
        root, foot = drawn["theoretical_throat_mm"].lines[0]
        assert root == pytest.approx([55, 60], abs=0.02)
        assert (foot - root) @ (chord[1] - chord[0]) == pytest.approx(0.0, abs=1e-6)  # square to the line between the toes
        assert (foot - root) @ (chord.mean(axis=0) - root) > 0  # from the corner outwards
        for number, toe in enumerate((joint.face.toes[joint.through], joint.face.toes[1 - joint.through]), start=1):
            tangent, surface = drawn[f"toe_angle_{number}_deg"].lines
            assert tangent is toe.tangent
            assert surface == pytest.approx(np.array([toe.point, root]))
            assert drawn[f"leg_{number}_mm"].lines[0] == pytest.approx(np.array([root, toe.point]))
        on_chord, on_face = drawn["convexity_mm"].lines[0]
        assert abs(np.cross([*(on_chord - chord[0]), 0], [*(chord[1] - chord[0]), 0])[2]) < 1e-6
        assert min(np.hypot(*(joint.face.points - on_face).T)) < 0.005  # steadied


def test_each_line_of_a_butt_is_as_long_as_what_it_shows():
    """With the right plate 1 mm higher: excess, root and step."""
    joint = find_butt(resampled(plate(hilo=1.0), STEP))
    drawn = butt(joint.top, joint.bottom, joint.across)
    for name in ("weld_width_mm", "excess_weld_mm", "root_excess_mm", "misalignment_mm"):
        assert long(drawn[name].lines[0]) == pytest.approx(abs(drawn[name].value), abs=1e-6), name
    assert [abs(float(line[1, 1] - line[0, 1])) for line in drawn["misalignment_mm"].lines[1:]] == pytest.approx(
        [0, 0], abs=0.05
    )
    heights = sorted(float(line[1, 1]) for line in drawn["misalignment_mm"].lines[1:])
    assert heights == pytest.approx([-1.0, 0.0], abs=0.05)  # each plate's surface, drawn on to the weld's middle
    weld = np.array([(-5, -1.5), (5, -1.5), (2, 7.0), (-2, 7.0)])
    flat = find_butt(resampled(plate(), STEP))
    (line,) = through_plate(weld, [toe.plate for toe in flat.top.toes], None).lines
    assert long(line) == pytest.approx(7.0, abs=0.02)
    assert sorted(line[:, 1]) == pytest.approx([0.0, 7.0], abs=0.02)  # from the surface down to the deepest weld metal


def test_weld_metal_beyond_the_corner_is_its_nearest_end():
    """A polygon about the corner ends 2 mm on; one in two parts at its first end; one that stops short reaches nothing."""
    about = np.array([(-2.0, -1), (3, -1), (3, 1), (-2, 1)])
    root, inward = np.zeros(2), np.array([-1.0, 0.0])
    found = beyond(about, root, inward)
    assert found.value == pytest.approx(2.0)
    assert found.lines[0] == pytest.approx(np.array([[0, 0], [-2, 0]]))
    notched = np.array([(-5.0, -1), (3, -1), (3, 1), (-2, 1), (-2, -0.5), (-4, -0.5), (-4, 1), (-5, 1)])
    assert beyond(notched, root, inward).value == pytest.approx(2.0)
    short = beyond(about + np.array([3.0, 0.0]), root, inward)
    assert short.value == 0.0
    assert long(short.lines[0]) == 0.0


@pytest.mark.parametrize(
    ("heights", "index"), [([0, 2, -1], 1), ([0, 1, -2], 2), ([0, -1, -3], 2), ([1, 2, 3], 2), ([-2, 0, 2], 2)]
)
def test_the_extreme_is_what_stands_off_most(heights, index):
    """Up or down; as much up as down counts as up."""
    assert extreme(np.array(heights, float)) == index


def test_no_deposit_is_more_than_the_weld_metal():
    """A share between 0 and 1, whatever a drawn outline encloses."""
    joint = find_fillet(resampled(tee(6.0, 6.0), STEP))
    root = corner(*(toe.plate for toe in joint.face.toes))
    small = np.array([(56.0, 59), (57, 59), (57, 58)])
    assert parent_share(small, root, joint.face).value == 0.0
    assert parent_share(small[:1].repeat(3, axis=0), root, joint.face).value == 0.0


def test_the_step_between_plates_is_taken_at_the_weld():
    """The right plate hangs by 2 degrees from the weld's middle on, where it is level with the left one: no step, though far
    out it lies a millimetre lower.
    """
    hang = np.tan(np.radians(2.0))
    outline = plate(width=60, excess=2.0, root=1.0)
    outline[:, 1] += np.where(outline[:, 0] > 0, hang * outline[:, 0], 0.0)
    sizes, _ = butt_of(outline)
    assert sizes["misalignment_mm"] < 0.06


def test_a_dilution_is_the_same_of_a_mirrored_cut():
    """The standing plate's fillet on its other side, so that the face runs the other way round."""
    outline = tee(6.0, 5.0, 0.4) - np.array([50, 60])
    weld = np.array([(11.0, 0), (5, -5), (3.5, -5), (3.5, 2), (11, 2)])
    shares = []
    for way in (1.0, -1.0):
        joint = find_fillet(resampled(outline * [way, 1.0], STEP))
        root = corner(*(toe.plate for toe in joint.face.toes))
        for face in (joint.face, replace(joint.face, toes=joint.face.toes[::-1])):
            shares.append(parent_share(weld * [way, 1.0], root, face).value)
    assert shares == pytest.approx([shares[0]] * 4, abs=0.003)
    laid = 15.0 + 2 / 3 * np.hypot(6, 5) * 0.4  # triangle and, nearly, the segment of its face
    x, y = weld.T
    whole = 0.5 * abs(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    assert shares[0] == pytest.approx(1 - laid / whole, abs=0.01)


@pytest.mark.parametrize("radius", [2.0, 5.0, 40.0])
def test_a_steadied_face_is_the_face(radius):
    """A half circle, or an arc of it 6 mm long, at any turn: no point leaves it by more than a fiftieth of a millimetre."""
    turn = np.linspace(0, min(np.pi, 6.0 / radius), 300)
    arc = radius * np.column_stack([np.cos(turn), np.sin(turn)])
    steady = steadied(arc)
    inner = steady[10:-10]
    assert np.abs(np.hypot(*inner.T) - radius).max() < 0.02
    assert steady[[0, -1]] == pytest.approx(arc[[0, -1]], abs=0.06)


@pytest.mark.parametrize("off", [0.15, -0.15])
@pytest.mark.parametrize("wide", [0.05, 0.2])
def test_what_juts_out_of_a_face_or_into_it_is_none_of_its_height(off, wide):
    """A spike as of a line of the bench that meets the face, or a speck at its edge: convexity and throat are as without it; a
    ripple of 2 mm is the face's own and stays.
    """
    x = np.linspace(0, 8, 400)
    plain = np.column_stack([x, 0.05 * x * (8 - x)])
    spiked = plain + np.where(np.abs(x - 5.3) < wide / 2, off, 0.0)[:, None] * [0, 1]
    assert steadied(spiked)[:, 1].max() == pytest.approx(0.8, abs=0.03)
    assert np.abs(steadied(spiked)[:, 1] - np.interp(steadied(spiked)[:, 0], *plain.T)).max() < 0.08
    ripple = plain + np.where(np.abs(x - 4) < 1, 0.3, 0.0)[:, None] * [0, 1]
    assert steadied(ripple)[:, 1].max() == pytest.approx(1.1, abs=0.02)


@pytest.mark.parametrize(("wide", "together"), [(0.0, True), (0.5, True), (1.2, False), (3.0, False)])
def test_weld_metal_that_ends_in_a_stem_does_not_tell_whether_the_root_is_fused(wide, together):
    """A V of 6 mm, and below it a strip as wide as is said down to the root side at 8 mm."""
    _, top = butt_of(plate())
    half = wide / 2
    weld = np.array([(-5, 0), (5, 0), (half, 6.0), (half, 8.0), (-half, 8.0), (-half, 6.0)], float)
    assert runs_together(weld, [toe.plate for toe in top.toes]) == together


@pytest.mark.parametrize("hilo", [1.0, -1.0])
def test_the_step_between_plates_is_drawn_from_one_surface_to_the_other(hilo):
    """From the left plate's line to the right one's, at the weld's middle, whichever is the higher."""
    joint = find_butt(resampled(plate(hilo=hilo), STEP))
    start, end = butt(joint.top, joint.bottom, joint.across)["misalignment_mm"].lines[0]
    left, right = (toe.plate for toe in sorted(joint.top.toes, key=lambda toe: float(toe.point @ joint.across)))
    for plate_of, point in ((left, start), (right, end)):
        assert plate_of.height(point[None])[0] == pytest.approx(0.0, abs=0.02)


def test_toes_on_parallel_surfaces_give_no_fillet():
    """They have no corner to measure from."""
    _, top = butt_of(plate())
    assert fillet(top, 0) == {}
