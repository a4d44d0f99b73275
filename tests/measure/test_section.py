"""All sizes of a section with their uncertainty, from outlines and weld metal in closed form, on a plane seen from above."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from specimeter.measure import section
from specimeter.measure.section import apart, measure_section, toe_outlines
from specimeter.measure.undercut import measure_undercut
from specimeter.record.build import cut_part
from specimeter.scale.surface import Flat
from specimeter.segment.faying_line import Faying
from specimeter.segment.joint import find_fillet
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.segment.plates import resampled
from specimeter.segment.weld_metal import WeldMetal
from specimeter.sheet import Sheet
from tests.measure.conftest import flat, scale_of
from tests.measure.test_weld_sizes import arc_between, plate, tee

PX_MM = 0.04
PLACE = np.array([50.0, 60.0])  # where `tee` draws its own
CORNER = np.array([55.0, 60.0])  # of `tee`
NO_METAL = "the cut shows no weld metal"
U_ALIKE_MM, LINE_MM = 0.1, 15.0
EDGE_PX, ROUNDED_MM = 0.4, 0.22  # see test_section_spread.py
FLUSH = np.array([(-5, 10), (40, 10), (40, 0), *arc_between((11, 0), (5, -5.7), 0.0), (5, -40), (-5, -40)]) + PLACE


def melted(deep_mm: float) -> np.ndarray:
    """Weld metal of the fillet of 6 mm: so far beyond the corner along the faying line, and 2 mm into the plate."""
    return np.array([(61.0, 60), (55, 54), (55 - deep_mm, 54), (55 - deep_mm, 62), (61, 62)])


WELD = melted(1.5)


def above(turn_deg: float = 0.0, px_mm: float = PX_MM) -> Flat:
    """A plane seen from straight above by a camera that is turned so far about its own axis."""
    surface = flat(focal_px=4000.0, distance_mm=4000.0 * px_mm)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return replace(surface, view=replace(surface.view, rotation=np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])))


def metal_of(surface: Flat, weld_mm: np.ndarray, *, haz_mm: float | None = None, tried=()) -> WeldMetal:
    """Weld metal with that outline in mm."""
    line = surface.project(np.array([(54.0, 61.0), (54.0, 63.0)]))
    return WeldMetal(
        outline_px=surface.project(weld_mm),
        tried_px=tuple(surface.project(one) for one in tried),
        haz_mm=haz_mm,
        u_haz_mm=0.08,
        haz_drawn_px=(line,),
        line_px=surface.project(weld_mm[1:]),
        u_line_mm=np.full(len(weld_mm) - 1, 0.1),
        line_mm=LINE_MM,
        u_alike_mm=U_ALIKE_MM,
    )


def measured(
    outline_mm, test="macro-fillet", *, weld=None, haz_mm=None, tried=(), u_rel=0.0, surface=None, blur_px=0.6, **more
):
    """The section of an outline in mm, each of whose points was found where it is."""
    surface = above() if surface is None else surface
    px_mm = float(surface.mm_per_px_at(surface.project(outline_mm)[0]))
    area = ExaminedArea(outline_px=surface.project(resampled(outline_mm, 0.5 * px_mm)), confidence=1.0)
    metal = None if weld is None else metal_of(surface, weld, haz_mm=haz_mm, tried=tried)
    return measure_section(test, area, metal, surface=surface, scale=scale_of(surface, u_rel), blur_px=blur_px, **more)


def test_a_fillet_s_sizes_and_how_surely_they_are_told():
    """A mitre fillet of 6 mm: throat z / sqrt 2 (ISO 2553 and trade practice). Each within a quarter of its U, as the outline
    is exact; and told to 0.1 mm and 10 degrees, which a photograph of 0.04 mm to the pixel allows.
    """
    found = measured(tee(6.0, 6.0))
    truth = {"leg_1_mm": 6, "leg_2_mm": 6, "throat_mm": 6 / np.sqrt(2), "theoretical_throat_mm": 6 / np.sqrt(2)}
    truth |= {"convexity_mm": 0, "toe_angle_1_deg": 135, "toe_angle_2_deg": 135}
    assert {name for name in found.sizes if not name.startswith("U_")} == set(truth) == set(found.drawn)
    for name, value in truth.items():
        assert abs(found.sizes[name] - value) < found.sizes[f"U_{name}"] / 4
        assert 0.0 < found.sizes[f"U_{name}"] < (10.0 if name.endswith("deg") else 0.1)
    assert found.missing == dict.fromkeys(("penetration_mm", "weld_area_mm2", "haz_width_mm", "dilution"), NO_METAL)
    assert (found.undercuts, found.overlaps_px, found.cautions) == ((), (), ())
    (line,) = found.drawn["leg_1_mm"]  # in pixels, from the corner to the toe
    assert np.hypot(*(line[1] - line[0])) * PX_MM == pytest.approx(6.0, abs=0.01)


def test_weld_metal_gives_penetration_area_zone_and_dilution():
    """1.5 mm beyond the corner; area by the shoelace formula; the deposit is the triangle of 18 mm2 before the plates."""
    x, y = WELD.T
    area = 0.5 * abs(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    found = measured(tee(6.0, 6.0), weld=WELD, haz_mm=2.0, square=True)
    sizes = found.sizes
    assert found.missing == {}
    assert sizes["penetration_mm"] == pytest.approx(1.5, abs=0.01)
    assert sizes["weld_area_mm2"] == pytest.approx(area)
    assert sizes["haz_width_mm"] == pytest.approx(2.0)
    assert sizes["dilution"] == pytest.approx(1 - 18 / area, abs=0.005)
    assert sizes["U_weld_area_mm2"] == pytest.approx(2 * U_ALIKE_MM * LINE_MM, rel=0.01)  # the line's length times its offset
    assert sizes["U_haz_width_mm"] == pytest.approx(2 * np.hypot(U_ALIKE_MM, 0.08))
    assert PX_MM * np.hypot(*np.diff(found.drawn["haz_width_mm"][0], axis=0)[0]) == pytest.approx(2.0)
    rounded = np.sqrt(U_ALIKE_MM**2 + ROUNDED_MM**2 + (0.5 * PX_MM) ** 2)
    assert sizes["U_penetration_mm"] == pytest.approx(2 * rounded, rel=0.05)
    # of a share 1 - d / A with an area A that is unsure by u: u d / A^2 (JCGM 100:2008, 5.1.3)
    assert sizes["U_dilution"] == pytest.approx(2 * 18 / area**2 * U_ALIKE_MM * LINE_MM, rel=0.05)
    assert np.allclose(found.weld_px, above().project(WELD))


def test_what_the_weld_metal_does_not_give_is_missing_with_its_reason():
    """A zone that does not stand out; a dilution where plates may have been bevelled; a fusion line that others contradict."""
    found = measured(tee(6.0, 6.0), weld=WELD)
    assert "bevel" in found.missing["dilution"]
    assert "does not stand out" in found.missing["haz_width_mm"]
    assert "penetration_mm" in found.sizes
    found = measured(tee(6.0, 6.0), weld=WELD, tried=[melted(deep) for deep in (0.5, 1.5, 2.5)])
    u_mm = np.std([0.5, 1.5, 2.5])  # over the other lines; each millimetre is 8 mm2 of a strip
    own = np.sqrt(U_ALIKE_MM**2 + ROUNDED_MM**2 + (0.5 * PX_MM) ** 2)
    assert found.missing["penetration_mm"] == f"it could be told to \u00b1 {2 * np.hypot(u_mm, own):.2g} mm only"
    area = 2 * np.hypot(8 * u_mm, U_ALIKE_MM * LINE_MM)
    assert found.missing["weld_area_mm2"] == f"it could be told to \u00b1 {area:.2g} mm\u00b2 only"
    assert not {"penetration_mm", "weld_area_mm2"} & (set(found.sizes) | set(found.drawn))


def test_the_scale_adds_to_a_size_by_its_power():
    """Relative: once to a length, twice to an area, not to an angle nor to a share (JCGM 100:2008, 5.1.6)."""
    u = 0.01
    exact, loose = (measured(tee(6.0, 6.0), weld=WELD, haz_mm=2.0, square=True, u_rel=one).sizes for one in (0.0, u))
    for name, value in exact.items():
        if not name.startswith("U_"):
            power = {"deg": 0, "mm2": 2, "dilution": 0}.get(name.split("_")[-1], 1)
            added = loose[f"U_{name}"] ** 2 - exact[f"U_{name}"] ** 2
            assert added == pytest.approx((2 * power * u * value) ** 2, abs=1e-9), name


@pytest.mark.parametrize(("turn", "leg_1", "leg_2"), [(33.0, 6.0, 4.5), (-140.0, 4.0, 8.0)])
def test_how_the_camera_lies_over_a_fillet_changes_nothing(turn, leg_1, leg_2):
    """The photograph turned about the camera's axis: same sizes, each to a hundredth of a millimetre or a fifth of a degree."""
    plain, turned = (measured(tee(leg_1, leg_2), surface=above(one)).sizes for one in (0.0, turn))
    assert plain.keys() == turned.keys()
    for name, value in plain.items():
        if not name.startswith("U_"):
            assert turned[name] == pytest.approx(value, abs=0.2 if name.endswith("deg") else 0.01)


def test_where_either_plate_may_run_through_both_numbers_may_be_meant():
    """Legs of 6 and 5.7 mm: each one's interval holds the other, and not much more."""
    found = measured(FLUSH)
    legs = [found.sizes[f"leg_{number}_mm"] for number in (1, 2)]
    assert sorted(legs) == pytest.approx([5.7, 6.0], abs=0.01)
    for number in (1, 2):
        assert 0.3 < found.sizes[f"U_leg_{number}_mm"] < 0.4
    assert found.sizes["U_toe_angle_1_deg"] > abs(found.sizes["toe_angle_1_deg"] - found.sizes["toe_angle_2_deg"])
    assert found.sizes["U_throat_mm"] < 0.1  # which is which does not touch the throat
    assert len(found.cautions) == 1


def test_no_fillet_s_face_runs_into_its_plate(monkeypatch):
    """An angle of 200 degrees between a face and its plate, outside the metal, is none: the other toe's is given."""
    plain = section.evaluator

    def sunk(*asked, **more):
        def evaluate(outline, plates, weld):
            drawn, toes, facts = plain(*asked, **more)(outline, plates, weld)
            return drawn | {"toe_angle_1_deg": replace(drawn["toe_angle_1_deg"], value=200.0)}, toes, facts

        return evaluate

    monkeypatch.setattr(section, "evaluator", sunk)
    found = measured(tee(6.0, 7.0))
    assert found.missing["toe_angle_1_deg"] == section.SUNK
    assert found.sizes["toe_angle_2_deg"] < 180


def test_a_gap_that_ends_at_the_weld_tells_penetration_and_its_uncertainty():
    """In place of the weld metal: to the gap's end, as surely as that is placed."""
    gap = Faying(through=1, tip=CORNER - [1.2, 0.0], u_mm=0.15, length_mm=4.0)
    through = 1 if measured(tee(6.0, 6.0), gap=gap).sizes.get("penetration_mm") else 0
    found = measured(tee(6.0, 6.0), weld=WELD, gap=replace(gap, through=through))
    assert found.sizes["penetration_mm"] == pytest.approx(1.2, abs=0.01)
    assert found.sizes["U_penetration_mm"] == pytest.approx(2 * np.hypot(0.15, 0.5 * PX_MM), rel=0.05)
    assert found.root_px == pytest.approx(above().project(np.array([CORNER, CORNER - [1.2, 0.0]])), abs=1.0)
    farther = measured(tee(6.0, 6.0), weld=WELD, gap=replace(gap, through=through, tip=CORNER - [5.5, 0.0]))
    assert farther.sizes["U_penetration_mm"] > 2 * ROUNDED_MM  # a gap that begins too far in tells nothing: the weld metal does


def test_toes_lead_inwards_along_their_plates():
    """From (11, 0) towards the corner, and from (5, -6) down to it: beneath the weld, where a lip may hang over."""
    toes = [PX_MM * (one - above().project(CORNER[None])) for one in measured(tee(6.0, 6.0)).toes_px]
    assert sorted(toe[0].tolist() for toe in toes) == pytest.approx(np.array([[0.0, -6.0], [6.0, 0.0]]), abs=0.02)
    for toe in toes:
        assert toe[1] == pytest.approx(toe[0] / 2, abs=0.02)  # 3 mm of 6


def test_a_faying_line_is_drawn_even_where_nothing_is_known_to_be_fused():
    """From the corner inwards, a fifth of a millimetre: enough to be seen."""
    line = PX_MM * (measured(tee(6.0, 6.0)).root_px - above().project(CORNER[None]))
    assert line[0] == pytest.approx([0.0, 0.0], abs=0.02)
    assert np.hypot(*line[1]) == pytest.approx(0.2, abs=0.02)


def notched(depth: float, radius: float, half_deg: float) -> np.ndarray:
    """The tee of 6 mm legs with a round-rooted V in the plate beside its toe, clear of the weld by nothing."""
    half = np.radians(half_deg)
    tangent = depth - radius + radius * np.sin(half)
    mouth = radius * np.cos(half) + tangent * np.tan(half)
    turn = np.linspace(half, np.pi - half, 200)
    root = np.column_stack([radius * np.cos(turn), depth - radius + radius * np.sin(turn)])
    ring = np.concatenate([[(mouth, 0.0)], root, [(-mouth, 0.0)]]) + np.array([11.0 + mouth, 0.0])
    corners = [(-40, 0), (-40, 10), (40, 10), (40, 0), *ring, (5, -6), (5, -40), (-5, -40), (-5, 0)]
    return np.array(corners) + PLACE


def test_an_undercut_beside_a_toe_is_measured_and_becomes_a_feature():
    """A notch of 0.8 mm depth, root radius 0.5 mm, flanks at 40 degrees: depth and mouth from the drawing."""
    found = measured(notched(0.8, 0.5, 40.0), surface=above(px_mm=0.03), blur_px=0.45)
    (one,) = found.undercuts
    cut, half = one.undercut, np.radians(40.0)
    mouth = 2 * (0.5 * np.cos(half) + (0.3 + 0.5 * np.sin(half)) * np.tan(half))
    assert found.sizes[f"leg_{one.toe}_mm"] == pytest.approx(6.0, abs=0.05)
    assert cut.depth_mm == pytest.approx(0.8, abs=0.02)
    assert cut.width_mm == pytest.approx(mouth, abs=0.04)
    assert cut.root_radius_mm == pytest.approx(0.5, rel=0.15)
    off = one.fitted_px[:, None] - one.outline_px[None]
    seen_depth = 0.03 * (one.outline_px[:, 1].max() - above(px_mm=0.03).project(CORNER[None])[0, 1])
    assert seen_depth == pytest.approx(0.8, abs=0.02)
    assert np.hypot(*np.moveaxis(off, -1, 0)).min(axis=1)[10:-10].max() < 2.0  # the fitted notch lies on the seen one
    (feature,) = toe_outlines(found)
    assert (feature.kind, feature.depth_mm, feature.U_depth_mm) == ("undercut", cut.depth_mm, 2 * cut.u_depth_mm)
    assert feature.u_edge_px == 2 * EDGE_PX
    assert feature.outline_px is one.outline_px


def test_an_opening_of_which_no_straight_flank_shows_is_withheld_and_the_record_says_why():
    """A round groove whose flanks, at 8 degrees, are hidden by its arc but for a tenth, and a V, both with edges that scatter
    by a third of a pixel: the groove's angle is unsure by more than 30 degrees, the V's is not.
    """
    rng = np.random.default_rng(0)
    groove, vee = (notched(*one) for one in ((0.95, 0.8, 8.0), (0.8, 0.5, 40.0)))
    for one in (groove, vee):
        one[5:205] += rng.normal(0, 0.01, (200, 2))
    found, other = (measured(one, surface=above(px_mm=0.03), blur_px=0.45) for one in (groove, vee))
    (sure,) = other.undercuts
    (one,) = found.undercuts
    assert sure.missing == {}
    assert list(one.missing) == ["opening_angle_deg"]
    assert one.missing["opening_angle_deg"].startswith("it could be told to")
    (told,) = cut_part(found, [SimpleNamespace(id="f1", photo="p1", depth_mm=one.undercut.depth_mm)], "p1").undercuts
    assert (told.opening_angle_deg, told.U_opening_angle_deg, told.missing) == (None, None, one.missing)
    assert told.root_radius_mm == pytest.approx(0.8, rel=0.15)


def test_a_notch_whose_edge_is_not_seen_is_told_the_less_surely():
    """By 3 px times the root of the share of its points beside which no clear edge shows; none far off counts."""
    seen = measured(notched(0.8, 0.5, 40.0)).undercuts[0]
    edge, px = seen.outline_px, PX_MM
    for hidden, share in ((edge, 1.0), (edge[: len(edge) // 4], 0.25), (edge + 40.0, 0.0)):
        found = measured(notched(0.8, 0.5, 40.0), unclear_px=hidden)
        unsure = found.undercuts[0].undercut
        assert found.cautions == ()  # nothing is said of the plates' thickness
        added = unsure.u_depth_mm**2 - seen.undercut.u_depth_mm**2
        assert added == pytest.approx((3.0 * px) ** 2 * share, rel=0.1, abs=1e-9)


def test_the_scale_adds_to_an_undercut_s_sizes():
    """u_rel of the depth, and of the width, beside what they had (JCGM 100:2008, 5.1.6)."""
    exact, loose = (measured(notched(0.8, 0.5, 40.0), u_rel=u).undercuts[0].undercut for u in (0.0, 0.05))
    assert loose.u_depth_mm**2 - exact.u_depth_mm**2 == pytest.approx((0.05 * exact.depth_mm) ** 2, rel=1e-6)
    assert loose.u_width_mm**2 - exact.u_width_mm**2 == pytest.approx((0.05 * exact.width_mm) ** 2, rel=1e-6)


def test_a_notch_is_measured_as_the_photograph_shows_it(monkeypatch):
    """Blur and pixel in mm, its edge placed to a quarter of a pixel (judgement), what is unclear of it, the scale's u and the
    plate that it lies in: a notch clear of it would be another's.
    """
    asked = []

    def noted(notch, plate, **how):
        asked.append((notch, plate, how))
        return measure_undercut(notch, plate, **how)

    monkeypatch.setattr(section, "measure_undercut", noted)
    px_mm = 0.03
    found = measured(notched(0.8, 0.5, 40.0), surface=above(px_mm=px_mm), blur_px=0.6, u_rel=0.02)
    ((notch, plate, how),) = asked
    assert how == pytest.approx(
        {"blur_mm": 0.6 * px_mm, "px_mm": px_mm, "u_edge_mm": 0.25 * px_mm, "u_rel": 0.02, "off_mm": 0.0}
    )
    assert plate.height(notch).min() == pytest.approx(-0.8, abs=0.01)
    cut = found.undercuts[0]
    assert np.abs(plate.height(np.array([found.undercuts[0].undercut.centre])) + 0.3) < 0.03  # a radius above the root
    assert cut.toe in (1, 2)
    assert found.sizes[f"toe_angle_{cut.toe}_deg"] > 0.0


def faked(monkeypatch, *, metal, gap: Faying | None) -> None:
    """A photograph in which the weld metal and the gap between the plates are seen as told, and all of the outline is clear."""
    none = np.zeros((0, 2))
    for name, told in (
        ("read_steady", lambda rgb, px_mm, outline_px: px_mm),
        ("within", lambda reading, outline_px: reading),
        ("look_for", lambda reading, sheet, surface, area: metal),
        ("find_gap", lambda read, joint: gap),
        ("blur_of", lambda photo, area: 0.6),
        ("unclear", lambda photo, outline_px: none),
        ("doubled", lambda photo, outline_px, px_mm: (none, np.zeros(0))),
    ):
        monkeypatch.setattr(section, name, told)


def asked_of(outline_mm, test="macro-fillet", *, weld_px=None, weld: dict | None = None, px_mm=PX_MM):
    """The section of such a photograph."""
    surface = above(px_mm=px_mm)
    area = ExaminedArea(outline_px=surface.project(resampled(outline_mm, 0.5 * px_mm)), confidence=1.0)
    sheet = Sheet.model_validate({"specimen": {"id": "M-1", "test": test}} | ({} if weld is None else {"weld": weld}))
    photo = SimpleNamespace(rgb=None)
    return section.section_of(photo, sheet, area, surface=surface, scale=scale_of(surface, 0.0), weld_px=weld_px)


def test_a_gap_is_believed_unless_a_person_drew_the_weld_metal(monkeypatch):
    """The gap ends 1.2 mm beyond the corner, the weld metal reaches 1.5: the gap tells the penetration. Where the weld metal
    was clicked it is what was clicked: 1.8 mm.
    """
    through = find_fillet(resampled(tee(6.0, 6.0), 0.05)).through
    gap = Faying(through=through, tip=CORNER - [1.2, 0.0], u_mm=0.1, length_mm=4.0)
    faked(monkeypatch, metal=metal_of(above(), WELD), gap=gap)
    for points, wanted in ((None, 1.2), (above().project(melted(1.8)), 1.8)):
        found = asked_of(tee(6.0, 6.0), weld_px=points)
        assert found.sizes["penetration_mm"] == pytest.approx(wanted, abs=0.03)
        assert found.weld_drawn_px is points
        assert found.unfused == ()


def test_a_dilution_is_told_only_of_plates_that_the_sheet_says_are_square(monkeypatch):
    """A bevel of 0 degrees; of 30 it is not, nor where the sheet says nothing of the weld."""
    faked(monkeypatch, metal=metal_of(above(), WELD), gap=None)
    assert "dilution" in asked_of(tee(6.0, 6.0), weld={"bevel_deg": 0}).sizes
    for weld in ({"bevel_deg": 30}, None):
        assert asked_of(tee(6.0, 6.0), weld=weld).missing["dilution"] == section.NO_DILUTION


def test_why_there_is_no_weld_metal_is_said_of_what_it_would_tell(monkeypatch):
    """In the words of whoever looked for it; the outline's own sizes are there all the same."""
    faked(monkeypatch, metal="the cut is not etched", gap=None)
    found = asked_of(tee(6.0, 6.0))
    assert found.sizes["throat_mm"] == pytest.approx(6 / np.sqrt(2), abs=0.02)
    assert found.missing["weld_area_mm2"] == "the cut is not etched"
    assert found.weld_px is None


def test_the_photograph_is_read_at_the_scale_of_the_cut_s_middle(monkeypatch):
    """Millimetres to the pixel where the outline's points have their mean, which differ over a picture taken at a lean."""
    faked(monkeypatch, metal="none", gap=None)
    asked = []
    surface = SimpleNamespace(mm_per_px_at=lambda point: asked.append(np.asarray(point)) or PX_MM, develop=above().develop,
                              project=above().project)  # fmt: skip
    area = ExaminedArea(outline_px=above().project(resampled(tee(6.0, 6.0), 0.02)), confidence=1.0)
    sheet = Sheet.model_validate({"specimen": {"id": "M-1", "test": "macro-fillet"}})
    told = {}
    monkeypatch.setattr(section, "read_steady", lambda rgb, px_mm, outline_px: told.update(px_mm=px_mm))
    section.section_of(SimpleNamespace(rgb=None), sheet, area, surface=surface, scale=scale_of(above(), 0.0))
    assert told == {"px_mm": PX_MM}
    for point in asked:
        assert point == pytest.approx(area.outline_px.mean(axis=0))


def lipped() -> np.ndarray:
    """A fillet whose foot hangs 1 mm over its plate, 0.5 mm of air beneath."""
    face = [(11, 0), (12, -0.5), (11.8, -0.8), (5, -6.5)]
    return np.array([(-40, 0), (-40, 10), (40, 10), (40, 0), *face, (5, -40), (-5, -40), (-5, 0)]) + PLACE


def test_an_overlap_is_outlined():
    """ISO 6520-1:2007, 506: metal that lies on the plate unfused. Its outline spans from the toe under it to its tip."""
    found = measured(lipped())
    (lip,) = found.overlaps_px
    across = PX_MM * (lip - above().project(CORNER[None]))
    assert across[:, 0].max() == pytest.approx(7.0, abs=0.06)
    assert across[:, 0].min() == pytest.approx(6.0, abs=0.15)
    (feature,) = toe_outlines(found)
    assert (feature.kind, feature.depth_mm, feature.u_edge_px) == ("overlap", None, 2 * EDGE_PX)


def test_a_blunt_foot_leaves_its_leg_and_angle_open():
    """The weld metal ends at the plate in an edge of 0.8 mm: a lip may hide beneath. Said, and the other leg is still told."""
    face = [(11, 0), (11, -0.8), (5, -6)]
    found = measured(np.array([(-40, 0), (-40, 10), (40, 10), (40, 0), *face, (5, -40), (-5, -40), (-5, 0)]) + PLACE)
    told = {name for name in found.sizes if name.startswith(("leg", "toe"))}
    (blunt,) = {"1", "2"} - {name.split("_")[-2] for name in told}
    assert told == {f"leg_{3 - int(blunt)}_mm", f"toe_angle_{3 - int(blunt)}_deg"}
    assert found.missing[f"leg_{blunt}_mm"] == found.missing[f"toe_angle_{blunt}_deg"] == section.BLUNT
    assert found.cautions == (section.BLUNT_AT.format(blunt),)


def test_an_outline_without_a_joint_says_so_for_every_size():
    bar = np.array([(0, 0), (0, 10), (60, 10), (60, 0)], float)
    for test, names in section.NAMES.items():
        found = measured(bar, test)
        assert found.sizes == {}
        assert set(found.missing) == set(names)
        assert set(found.missing.values()) == {section.NO_JOINT}


@pytest.mark.parametrize("test", section.NAMES)
def test_a_cut_whose_outline_is_not_sure_is_not_measured(test, monkeypatch):
    """Every size says what to do; the unfused root of a butt weld is proposed all the same, as other imperfections are."""
    faked(monkeypatch, metal="none", gap=None)
    seen = Outline(outline_px=np.eye(3, 2), kind="lack-of-penetration")
    monkeypatch.setattr(section, "unfused_root", lambda *asked: SimpleNamespace(gap=None, outline=lambda read: seen))
    surface = above()
    points = surface.project(resampled(tee(6.0, 6.0) if test == "macro-fillet" else plate(root=0.0), 0.05))
    area = ExaminedArea(outline_px=points, found_by="auto", confidence=0.4)
    sheet = Sheet.model_validate({"specimen": {"id": "M-1", "test": test}})
    found = section.section_of(SimpleNamespace(rgb=None), sheet, area, surface=surface, scale=scale_of(surface))
    assert (found.sizes, found.missing) == ({}, dict.fromkeys(section.NAMES[test], section.UNSURE))
    assert found.unfused == (() if test == "macro-fillet" else (seen,))


def square(x: float, y: float, size: float = 4.0) -> Outline:
    """A square's outline in pixels about a middle."""
    return Outline(outline_px=np.array([x, y]) + size / 2 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]))


def test_what_reaches_into_an_undercut_is_that_undercut():
    """Within it, across its edge, or a pixel off: left out. Three pixels off: another one."""
    notch = square(20.0, 20.0, 10.0)  # from 15 to 25
    within, across, beside, clear = (square(x, 20.0) for x in (20.0, 25.0, 28.0, 30.0))
    assert apart([within, across, beside, clear], [notch]) == [clear]
    assert apart([within], []) == [within]


@pytest.mark.parametrize("turn_deg", [0.0, 25.0, 90.0, 200.0])
def test_right_and_down_of_the_photograph_in_millimetres(turn_deg):
    """A plane drawn at any turn and scale: the two ways have unit length, and a step along each moves right, and down, only."""
    turn, px_per_mm = np.radians(turn_deg), 17.0
    onto = px_per_mm * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    surface = SimpleNamespace(project=lambda points: points @ onto.T + [300.0, 200.0])
    ways = section._rightwards(surface, np.array([2.0, -3.0]))
    assert np.hypot(*ways.T) == pytest.approx([1.0, 1.0])
    assert ways @ onto.T == pytest.approx(px_per_mm * np.eye(2))
