"""What a line in a cut is called, on shapes whose places are known exactly.

That an unfused line lies at the side wall, between runs or at the root: ISO 6520-1:2007, 4011 to 4013.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from specimeter.measure import section_kinds
from specimeter.measure.section import Section
from specimeter.measure.section_kinds import named
from specimeter.segment.model import ExaminedArea, Outline

METAL = np.array([[0.0, 0.0], [20.0, 0.0], [20.0, 10.0], [0.0, 10.0]])
WELD = np.concatenate(
    [np.linspace([6.0, 0.0], [10.0, 8.0], 60), np.linspace([10.0, 8.0], [14.0, 0.0], 60)[1:], [[10.0, 0.0]]]
)  # a V of 8 mm
SURFACE = SimpleNamespace(develop=lambda points: np.asarray(points, float), mm_per_px_at=lambda point: 0.05)
FLANK = np.degrees(np.arctan2(8.0, 4.0))


def line(x: float, y: float, turn_deg: float, kind: str, odds: float = -3.0, length: float = 2.0) -> Outline:
    """A line of 0.1 mm width about a place, turned so far from x towards y."""
    turn = np.radians(turn_deg)
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    half = length / 2 * along
    side = 0.05 * across
    corners = np.array([x, y]) + np.array([-half - side, half - side, half + side, -half + side])
    return Outline(outline_px=corners, kind=kind, evidence={"crack_over_unfused": odds})


def kinds(outlines, weld=WELD, root=None, toes=(), surface=SURFACE) -> list[str]:
    section = Section(sizes={}, missing={}, drawn={}, weld_px=weld, root_px=root, toes_px=toes)
    return [one.kind for one in named(outlines, section, surface, ExaminedArea(outline_px=METAL))]


def test_an_unfused_line_is_named_by_its_place():
    """On the flank of the V, within it, and across the flank's own way but far from it."""
    on_flank = line(8.1, 4.0, FLANK, "lack-of-inter-run-fusion")
    between = line(10.0, 3.0, 0.0, "lack-of-sidewall-fusion")
    assert kinds([on_flank, between]) == ["lack-of-sidewall-fusion", "lack-of-inter-run-fusion"]


def test_a_crack_stays_one_unless_it_runs_along_the_fusion_line_and_may_be_unfused():
    """The network's own odds decide where both could be; within the weld, and across the line, it is a crack."""
    along, sure = line(8.1, 4.0, FLANK, "crack", -0.5), line(8.1, 4.0, FLANK, "crack", 2.0)
    across, within = line(8.0, 4.0, FLANK + 90.0, "crack", -0.5), line(10.0, 3.0, 80.0, "crack", -0.5)
    assert kinds([along, sure, across, within]) == ["lack-of-sidewall-fusion", "crack", "crack", "crack"]


@pytest.mark.parametrize(
    ("turn_deg", "odds", "kind"),
    [
        (0.0, -0.5, "lack-of-inter-run-fusion"),
        (14.0, 0.4, "lack-of-inter-run-fusion"),
        (166.0, 0.0, "lack-of-inter-run-fusion"),
        (16.0, -0.5, "crack"),
        (90.0, -0.5, "crack"),
        (0.0, 0.5, "crack"),  # unless its log-odds are less than that
        (0.0, 0.6, "crack"),
    ],
)
def test_within_a_butt_weld_what_lies_level_is_between_runs_unless_it_is_surely_a_crack(turn_deg, odds, kind):
    """Runs are laid on each other, level with the plates (4012); a fillet's are laid in every course."""
    toes = (np.array([[6.0, 0.0], [9.0, 0.0]]), np.array([[14.0, 0.0], [11.0, 0.0]]))
    one = line(10.0, 3.0, turn_deg, "crack", odds, length=1.5)
    assert kinds([one], toes=toes) == [kind]
    assert kinds([one], toes=toes, root=np.array([[10.0, 9.0], [10.0, 8.9]])) == ["crack"]


def test_a_line_in_the_faying_lines_course_is_the_roots():
    """The plates meet at (8, 8) and lie on each other from there to the left: what goes on from there into the weld."""
    root = np.array([[9.0, 6.0], [8.4, 6.0]])
    assert kinds([line(9.0, 6.0, 2.0, "lack-of-sidewall-fusion", length=1.0)], root=root) == ["lack-of-root-fusion"]
    assert kinds([line(9.0, 6.0, 80.0, "lack-of-sidewall-fusion", length=1.0)], root=root) == ["lack-of-sidewall-fusion"]


def test_a_line_on_the_plates_surface_at_a_toe_is_the_gap_under_an_overlap():
    """ISO 6520-1:2007, 506: weld metal that lies on the plate unfused. The same line a millimetre deeper is none."""
    toe = np.array([[6.0, 1.0], [9.0, 1.0]])
    on_it, deeper = line(6.9, 1.1, 3.0, "lack-of-sidewall-fusion"), line(9.5, 3.0, 0.0, "lack-of-sidewall-fusion")
    assert kinds([on_it, deeper], toes=(toe,)) == ["overlap", "lack-of-inter-run-fusion"]
    assert kinds([line(6.9, 1.1, 80.0, "crack", 2.0)], toes=(toe,)) == ["crack"]


def test_what_else_was_named_keeps_its_name():
    """A pore, and a line that a person or other code drew; and without weld metal the network's word."""
    drawn = Outline(outline_px=line(8.1, 4.0, FLANK, "crack").outline_px, kind="lack-of-inter-run-fusion")
    pore = line(10.0, 3.0, 0.0, "pore")
    assert kinds([drawn, pore]) == ["lack-of-inter-run-fusion", "pore"]
    assert kinds([line(8.1, 4.0, FLANK, "lack-of-inter-run-fusion")], weld=None) == ["lack-of-inter-run-fusion"]


COARSE = SimpleNamespace(develop=SURFACE.develop, mm_per_px_at=lambda point: 0.4)
SIDE, BETWEEN, ROOT = "lack-of-sidewall-fusion", "lack-of-inter-run-fusion", "lack-of-root-fusion"


def beside_flank(off_mm: float, lean_deg: float = 0.0, kind: str = BETWEEN, odds: float = -3.0) -> Outline:
    """A line so far within the left flank's middle, leaning so much off its course."""
    square = np.array([8.0, -4.0]) / np.hypot(8, 4)
    x, y = np.array([8.0, 4.0]) + off_mm * square
    return line(x, y, FLANK + lean_deg, kind, odds)


@pytest.mark.parametrize(
    ("off_mm", "surface", "kind"),
    [(0.35, SURFACE, SIDE), (-0.35, SURFACE, SIDE), (0.6, SURFACE, BETWEEN), (0.6, COARSE, SIDE), (1.0, COARSE, BETWEEN)],
)
def test_at_the_fusion_line_is_within_half_a_millimetre_or_two_pixels(off_mm, surface, kind):
    """On either side of it: a drawn or etched fusion line is no surer than that."""
    assert kinds([beside_flank(off_mm)], surface=surface) == [kind]


def test_how_coarse_a_photograph_is_is_asked_where_the_line_lies():
    """A pixel is 0.05 mm at the left of x = 10 and 0.4 mm at the right: a line 0.6 mm off lies at the fusion line there."""

    def mm_per_px_at(point):
        assert np.shape(point) == (2,)
        return 0.05 if point[0] < 10 else 0.4

    left = beside_flank(0.6)
    right = Outline(outline_px=left.outline_px * [-1, 1] + [20, 0], kind=left.kind, evidence=left.evidence)
    assert kinds([left, right], surface=SimpleNamespace(develop=SURFACE.develop, mm_per_px_at=mm_per_px_at)) == [BETWEEN, SIDE]


@pytest.mark.parametrize(("lean_deg", "kind"), [(0, SIDE), (22, SIDE), (-22, SIDE), (38, "crack"), (-38, "crack"), (180, SIDE)])
def test_along_the_fusion_line_is_within_30_degrees(lean_deg, kind):
    """Of a line that may be a crack or unfused, walked either way; a sure crack stays one whatever its course."""
    assert kinds([beside_flank(0.0, lean_deg, "crack", -0.5)]) == [kind]
    for sure in (0.0, 0.5):
        assert kinds([beside_flank(0.0, lean_deg, "crack", sure)]) == ["crack"]


@pytest.mark.parametrize(
    ("x", "y", "kind"),
    [
        (11.0, 3.0, ROOT), (9.6, 3.0, ROOT), (8.2, 3.0, BETWEEN),  # along it: amid it, past its end by 0.6 and by 2.0 mm
        (12.4, 3.0, ROOT), (13.9, 3.0, BETWEEN),  # before the corner by 0.4 and by 1.9 mm
        (11.0, 3.3, ROOT), (11.0, 2.7, ROOT), (11.0, 3.55, BETWEEN),  # across it
    ],
)  # fmt: skip
def test_the_root_s_course_reaches_a_millimetre_on_and_before(x, y, kind):
    """A faying line from the plates' corner at (12, 3) to (10.2, 3), in a weld whose fusion line is far."""
    wide = np.concatenate([np.linspace([1.0, 0.0], [10.0, 9.0], 60), np.linspace([10.0, 9.0], [19.0, 0.0], 60)[1:]])
    root = np.array([[12.0, 3.0], [10.2, 3.0]])
    assert kinds([line(x, y, 0.0, BETWEEN, length=0.8)], weld=wide, root=root) == [kind]
    assert kinds([line(x, y, 45.0, BETWEEN, length=0.8)], weld=wide, root=root) == [BETWEEN]
    coarse = kinds([line(11.0, 3.0 + off, 0.0, BETWEEN, length=0.8) for off in (0.7, 0.9)], wide, root, surface=COARSE)
    assert coarse == [ROOT, BETWEEN]  # two pixels across


@pytest.mark.parametrize(
    ("x", "y", "turn_deg", "kind"),
    [
        (7.1, 1.0, 0, "overlap"), (7.1, 1.3, 0, "overlap"), (7.1, 1.55, 0, BETWEEN),  # 0, 0.3 and 0.55 mm off the surface
        (7.8, 1.0, 0, "overlap"), (8.2, 1.0, 0, BETWEEN),  # begins 0.8 or 1.2 mm from the toe
        (5.0, 1.0, 0, BETWEEN),  # ends at the toe: on the plate outside the weld
        (7.1, 1.0, 40, BETWEEN),
    ],
)  # fmt: skip
def test_the_gap_under_an_overlap_begins_at_the_toe_and_lies_on_the_plate(x, y, turn_deg, kind):
    """ISO 6520-1:2007, 506. From a toe at (6, 1) inwards to (9, 1); a line of 2 mm."""
    wide = np.concatenate([np.linspace([0.5, 0.0], [10.0, 9.5], 60), np.linspace([10.0, 9.5], [19.0, 0.0], 60)[1:]])
    toe = np.array([[6.0, 1.0], [9.0, 1.0]])
    assert kinds([line(x, y, turn_deg, BETWEEN)], weld=wide, toes=(toe,)) == [kind]


@pytest.mark.parametrize(
    ("from_mm", "to_mm", "kind"),
    [(-0.6, 0.1, BETWEEN), (-0.4, 0.3, "overlap"), (-0.7, 2.6, "overlap"), (-0.7, 3.6, BETWEEN), (-1.4, 1.0, BETWEEN)],
)
def test_the_gap_under_an_overlap_ends_beneath_the_weld(from_mm, to_mm, kind):
    """Farther in than a fifth of a millimetre, and within the 3 mm over which a lip may hang; begun within one of the toe."""
    wide = np.concatenate([np.linspace([0.5, 0.0], [10.0, 9.5], 60), np.linspace([10.0, 9.5], [19.0, 0.0], 60)[1:]])
    toe = np.array([[6.0, 1.0], [9.0, 1.0]])
    part = (to_mm - from_mm) / 11 / 2  # the middle of a line ends half of its twelfth part before the line's ends
    whole = line(6.0 + (from_mm + to_mm) / 2, 1.0, 0.0, BETWEEN, length=to_mm - from_mm + 2 * part)
    assert kinds([whole], weld=wide, toes=(toe,)) == [kind]
    coarse = line(7.1, 1.7, 0.0, BETWEEN)
    assert kinds([coarse], weld=wide, toes=(toe,), surface=COARSE) == ["overlap"]  # within two pixels


def test_a_course_goes_from_end_to_end():
    """A tent of three points: along its foot, whatever its middle does, beside a line like it and along a straight one."""
    tent = np.array([[0.0, 0.0], [1.0, 1.0], [2.0, 0.0]])
    assert section_kinds._beside(tent, [tent + np.array([0.0, 5.0]), tent]) == pytest.approx((0.0, 0.0), abs=1e-6)
    assert section_kinds._beside(tent, []) == (np.inf, 90.0)
    straight = np.array([[0.5, -0.1], [3.5, -0.1]])
    at, reach, follows = section_kinds._along(tent, straight, 0.5)
    assert (at.tolist(), reach, follows) == ([-0.5, 0.5, 1.5], 3.0, True)
    assert not section_kinds._along(tent, straight, 0.05)[2]  # the middle one of its three distances is 0.1


def test_courses_lean_by_their_angle_whichever_way_they_are_gone():
    """Of any two directions; and of one and the same none, whatever rounding makes of its cosine."""
    rng = np.random.default_rng(4)
    for angle, other in rng.uniform(0, 2 * np.pi, (200, 2)):
        one, two = (size * np.array([np.cos(a), np.sin(a)]) for size, a in ((0.3, angle), (7.0, other)))
        apart = np.degrees(abs(angle - other)) % 180.0
        assert section_kinds._lean(one, two) == pytest.approx(min(apart, 180.0 - apart), abs=1e-5)
        assert section_kinds._lean(one, -3.1 * one) == pytest.approx(0.0, abs=1e-5)


def test_of_two_fusion_lines_the_nearer_one_tells():
    """A line along the right flank of the V: the left one, which it crosses the course of, says nothing."""
    assert kinds([line(11.9, 4.0, -FLANK, "crack", -0.5)]) == [SIDE]
    assert kinds([line(11.9, 4.0, FLANK, "crack", -0.5)]) == ["crack"]


def test_at_and_beyond_the_fusion_line_are_told_at_the_distance_that_decides():
    """In a butt weld, level beside a level line: 0.45 mm off it lies at the line no more and beyond it not yet."""
    toes = (np.array([[6.0, 0.0], [9.0, 0.0]]),)
    path, one = np.array([[8.0, 5.0], [9.0, 5.0], [10.0, 5.0]]), line(9.0, 5.0, 0.0, "crack", -0.5)
    for off, kind in ((0.44, SIDE), (section_kinds.AT_LINE_MM, "crack"), (0.46, BETWEEN)):
        line_mm = np.array([[0.0, 0.0], [20.0, 0.0]])
        assert section_kinds._kind(one, path * [1, 0] + [0, off], [line_mm], None, toes, 0.05) == kind
