"""What a network reads in a cut: its places in the photograph, and the weld metal that is drawn from it."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from specimeter.scene.section_joint import butt, fillet
from specimeter.segment import heat_zone
from specimeter.segment.faying_line import find_gap
from specimeter.segment.fusion_line import Read
from specimeter.segment.joint import find_butt, find_fillet
from specimeter.segment.plates import resampled
from specimeter.segment.polylines import area_mm2
from specimeter.segment.root_line import unfused_root
from specimeter.segment.section_reading import PLANES, TISSUES, Reading, prepared, run, steadied, within
from specimeter.segment.weld_metal import UNETCHED, WeldMetal, drawn_metal, look_for
from specimeter.training.section_labels import Parts, planes


class Flat:
    """A surface on which a pixel is as many mm everywhere."""

    def __init__(self, mm: float, low: np.ndarray) -> None:
        self.mm, self.low = mm, low

    def project(self, points):
        return (np.asarray(points, float) - self.low) / self.mm

    def develop(self, points):
        return np.asarray(points, float) * self.mm + self.low

    def mm_per_px_at(self, _):
        return self.mm


class Sheet:
    """What of a sheet the search for weld metal asks for."""

    def __init__(self, test: str) -> None:
        self.specimen = type("Specimen", (), {"test": test})()
        self.section = None


class Area:
    """An examined area's outline."""

    def __init__(self, outline_px) -> None:
        self.outline_px = outline_px


def read(joint, etched: float, mm: float = 0.06, gaps: bool = False) -> tuple[Reading, Flat, Area]:
    """A reading that is right, but soft by a cell, of a joint etched to that strength; gaps of two cells where it has some."""
    low = joint.metal.min(axis=0) - 2.0
    surface = Flat(mm, low)
    size = np.ceil((joint.metal.max(axis=0) + 2.0 - low) / mm).astype(int)
    parts = Parts(
        metal=surface.project(joint.metal), welds=[surface.project(joint.weld)], 
        gaps=[surface.project(one) for one in joint.gaps] if gaps else [], gap_cells=2.0, haz_cells=2.0 / mm, features=[],
    )  # fmt: skip
    tissue, _, seen, _ = planes(parts, np.full(size[::-1], etched, np.float32))
    soft = np.stack([cv2.GaussianBlur((tissue == k).astype(np.float32), (0, 0), 1.0) for k in range(len(TISSUES))]) + 0.01
    blank = np.zeros(tissue.shape, np.float32)
    reading = Reading(
        tissue=soft / soft.sum(axis=0), seen=seen.astype(np.float32) / 255, feature=blank, share=blank,
        kind=np.zeros((4, *tissue.shape), np.float32), light=-0.3 * soft[TISSUES.index("haz")] - soft[TISSUES.index("gap")],
        zoom=1.0, offset_px=np.zeros(2),
    )  # fmt: skip
    return reading, surface, Area(surface.project(resampled(joint.metal, 0.04)))


@pytest.mark.parametrize(
    ("test", "kind", "seed"), [("macro-fillet", "tee", 3), ("macro-fillet", "lap", 8), ("macro-butt", "v", 4)]
)
def test_weld_metal_is_drawn_where_it_is(test, kind, seed):
    """Area within its U of the exact integral over the joint's own polygon; the zone as wide as it was drawn, to 0.3 mm."""
    joint = (fillet if test == "macro-fillet" else butt)(np.random.default_rng(seed), kind)
    reading, surface, area = read(joint, etched=0.8)
    found = look_for(reading, Sheet(test), surface, area)
    assert isinstance(found, WeldMetal)
    size = area_mm2(surface.develop(found.outline_px))
    tried = [area_mm2(surface.develop(one)) for one in found.tried_px]
    assert size == pytest.approx(joint.sizes["weld_area_mm2"], abs=2 * np.hypot(np.std(tried), 0.06 * found.line_mm))
    assert size == pytest.approx(joint.sizes["weld_area_mm2"], rel=0.05)
    assert found.haz_mm == pytest.approx(2.0, abs=0.3)
    assert found.share > 0.9


@pytest.mark.parametrize("wide", [1.2, 2.4, None])
def test_a_zone_is_told_from_a_plate_s_own_unevenness(wide):
    """Beside fusion lines on plates whose light wanders: a zone with a step at its border to 3 u; without one, none."""
    rng, reach = np.random.default_rng(8), np.arange(heat_zone.BESIDE_MM, heat_zone.REACH_MM, heat_zone.STEP_MM)
    found = []
    for _ in range(12):
        walk = np.cumsum(rng.normal(0, 0.02, (4, len(reach))), axis=1).repeat(30, axis=0)  # 0.09 after each mm
        light = walk + rng.normal(0, 0.05, walk.shape)
        if wide is not None:
            light = light - np.where(reach < wide, 0.1 + 0.1 * (wide - reach), 0.0)
        profiles = np.array([part.mean(axis=0) for part in np.array_split(light, heat_zone.STRETCHES)])
        found.append(heat_zone.zone_of(profiles, reach))
    if wide is None:
        assert sum(one is not None for one in found) <= 1
        return
    told = [one for one in found if one is not None]
    assert len(told) >= 6
    assert sum(abs(width - wide) < 3 * u for width, u in told) >= len(told) - 1


def test_a_line_that_is_not_shown_is_unsure_there():
    """Etched on one side of the corner only: on the other the line's place is several times as uncertain."""
    joint = fillet(np.random.default_rng(3), "tee")
    reading, surface, area = read(joint, etched=0.8)
    columns = np.arange(reading.seen.shape[1])[None]
    shown = np.broadcast_to(columns > surface.project(np.array([[0.5, 0.0]]))[0, 0], reading.seen.shape)
    tissue = np.where(shown[None], reading.tissue, np.array([0.01, 0.33, 0.33, 0.33, 0.01])[:, None, None])
    half = replace(reading, seen=np.where(shown, reading.seen, 0.0), tissue=tissue.astype(np.float32))
    found = look_for(within(half, area.outline_px), Sheet("macro-fillet"), surface, area)
    assert isinstance(found, WeldMetal)
    places, u = surface.develop(found.line_px)[:, 0], found.u_line_mm
    assert np.median(u[places < 0.0]) > 1.7 * np.median(u[places > 1.5])


def test_a_gap_between_the_plates_tells_which_runs_through_and_how_far_the_weld_reaches():
    """Penetration as the joint was drawn, to two cells; of both kinds of fillet the plate below runs through."""
    for kind, seed in (("tee", 3), ("lap", 8), ("tee", 5)):
        joint = fillet(np.random.default_rng(seed), kind)
        reading, surface, area = read(joint, etched=0.0, gaps=True)
        found = find_fillet(resampled(surface.develop(area.outline_px), 0.05))
        gap = find_gap(Read(reading=within(reading, area.outline_px), surface=surface), found)
        assert gap is not None
        assert abs(found.face.toes[gap.through].point[1]) < 0.1
        assert -gap.tip[0] == pytest.approx(joint.sizes["penetration_mm"], abs=0.12 + 2 * 0.06)
        assert abs(gap.tip[1]) < 0.1


def test_plates_that_show_no_gap_tell_nothing():
    joint = fillet(np.random.default_rng(3), "tee")
    reading, surface, _ = read(joint, etched=0.0)
    assert find_gap(Read(reading=reading, surface=surface), find_fillet(resampled(joint.metal, 0.05))) is None


def open_butt() -> tuple:
    """A butt weld whose root was not fused, as the generator draws it."""
    for seed in range(40):
        joint = butt(np.random.default_rng(seed), "v")
        if joint.gaps and joint.sizes["misalignment_mm"] == 0:
            return joint, abs(float(np.diff(joint.gaps[0][:, 1])[0]))
    raise AssertionError("no seed draws one")


def test_an_unfused_root_is_a_line_from_the_root_side_up():
    """Its height and the penetration it leaves as the joint was drawn, to two cells and the network's tip."""
    joint, high = open_butt()
    reading, surface, area = read(joint, etched=0.0, gaps=True)
    outline = resampled(surface.develop(area.outline_px), 0.05)
    seen = Read(reading=within(reading, area.outline_px), surface=surface)
    found = unfused_root(seen, find_butt(outline), outline)
    assert found is not None
    assert found.gap.length_mm == pytest.approx(high, abs=0.3)
    assert joint.thickness - found.path[-1, 1] == pytest.approx(high, abs=0.3)
    assert np.abs(found.path[:, 0]).max() < 0.2
    feature = surface.develop(found.outline(seen).outline_px)
    assert np.ptp(feature[:, 1]) == pytest.approx(high, abs=0.3)


@pytest.mark.parametrize(
    ("lean_deg", "deep_mm", "found"), [(0.0, 2.5, True), (6.0, 2.5, True), (25.0, 2.5, False), (0.0, 0.4, False)]
)
def test_a_root_s_gap_may_show_in_the_light_alone(lean_deg, deep_mm, found):
    """A line a cell wide, of a fifth of the light, on grain of a thirtieth: the network sees no gap. Root faces stand square to
    the plates; what leans by 25 degrees is a mark, or an etched border. Its height and its uncertainty hold the truth.
    """
    joint, _ = open_butt()
    reading, surface, area = read(joint, etched=0.0)
    mouth = np.array([0.0, joint.thickness])
    ends = mouth, mouth + deep_mm * np.array([np.sin(np.radians(lean_deg)), -np.cos(np.radians(lean_deg))])
    line = np.zeros(reading.light.shape, np.uint8)
    cv2.line(line, *(tuple(int(v) for v in np.rint(surface.project(end) * 16)) for end in ends), 255, 1, cv2.LINE_AA, 4)
    grain = cv2.GaussianBlur(np.random.default_rng(2).normal(0, 0.1, line.shape), (0, 0), 0.8).astype(np.float32)
    light = reading.light + grain - np.float32(0.2) * line / 255
    outline = resampled(surface.develop(area.outline_px), 0.05)
    one = within(replace(reading, light=light), area.outline_px)
    root = unfused_root(Read(reading=one, surface=surface), find_butt(outline), outline)
    assert (root is not None) is found
    if root is not None:
        assert abs(root.gap.length_mm - deep_mm) < 2 * root.u_tip_mm


def test_an_etched_fusion_line_up_from_the_root_side_is_no_unfused_root():
    """The same dark line where an etching shows weld metal to the right of it alone; shown on both sides it is one again."""
    joint, _ = open_butt()
    reading, surface, area = read(joint, etched=0.0)
    line = np.zeros(reading.light.shape, np.uint8)
    mouth = np.array([0.0, joint.thickness])
    ends = (tuple(int(v) for v in np.rint(surface.project(end) * 16)) for end in (mouth, mouth - [0, 2.5]))
    cv2.line(line, *ends, 255, 1, cv2.LINE_AA, 4)
    light = reading.light - np.float32(0.2) * line / 255
    outline = resampled(surface.develop(area.outline_px), 0.05)
    for left, found in ((0.02, False), (0.9, True)):
        tissue = np.full_like(reading.tissue, 0.02)
        tissue[TISSUES.index("weld")] = np.where(np.cumsum(line, axis=1).max(axis=0) > 0, 0.9, left)
        tissue[TISSUES.index("plate")] = 0.94 - tissue[TISSUES.index("weld")]
        one = replace(reading, light=light, tissue=tissue, seen=np.ones_like(reading.seen))
        seen = Read(reading=within(one, area.outline_px), surface=surface)
        assert (unfused_root(seen, find_butt(outline), outline) is not None) is found


def test_an_unfused_root_ends_where_the_line_turns_aside():
    """A side wall that is not fused goes on from the root at 45 degrees for 2.5 mm: no part of the root's height, to 0.4 mm."""
    joint, high = open_butt()
    tip = joint.gaps[0][np.argmin(joint.gaps[0][:, 1])]
    joint.gaps = [joint.gaps[0], np.array([tip, np.add(tip, [2.5, -2.5])])]
    reading, surface, area = read(joint, etched=0.0, gaps=True)
    outline = resampled(surface.develop(area.outline_px), 0.05)
    found = unfused_root(Read(reading=within(reading, area.outline_px), surface=surface), find_butt(outline), outline)
    assert found is not None
    assert found.gap.length_mm == pytest.approx(high, abs=0.4)


def test_a_root_that_shows_no_line_is_not_called_unfused():
    """The same joint with no gap to be seen; and with grinding marks as dark as one, which run through the plates too."""
    joint, _ = open_butt()
    reading, surface, area = read(joint, etched=0.0)
    outline = resampled(surface.develop(area.outline_px), 0.05)
    rng = np.random.default_rng(1)
    scratched = reading.light - 0.5 * (rng.random(reading.light.shape[1]) < 0.04)[None].astype(np.float32)
    for light in (reading.light, scratched):
        one = within(replace(reading, light=light), area.outline_px)
        assert unfused_root(Read(reading=one, surface=surface), find_butt(outline), outline) is None


def test_a_line_under_a_root_bead_is_no_unfused_root():
    """The plates' own gap drawn into a joint whose bead stands out: the weld goes through, whatever the line is."""
    for seed in range(40):
        joint = butt(np.random.default_rng(seed), "v")
        if joint.sizes.get("root_excess_mm", 0.0) > 0.5 and joint.sizes["misalignment_mm"] == 0:
            break
    joint.gaps = [np.array([[0.0, joint.thickness - 2.0], [0.0, joint.thickness + 0.2]])]
    reading, surface, area = read(joint, etched=0.0, gaps=True)
    outline = resampled(surface.develop(area.outline_px), 0.05)
    seen = Read(reading=within(reading, area.outline_px), surface=surface)
    assert unfused_root(seen, find_butt(outline), outline) is None


def test_a_line_under_a_wide_root_is_no_unfused_root():
    """Weld metal 5 mm wide on the root side of plates so far out of line that it stands out over one of them alone."""
    joint, _ = open_butt()
    joint.gaps = [np.array([[0.0, joint.thickness - 2.0], [0.0, joint.thickness + 0.2]])]
    reading, surface, area = read(joint, etched=0.0, gaps=True)
    outline = resampled(surface.develop(area.outline_px), 0.05)
    seen, found = Read(reading=within(reading, area.outline_px), surface=surface), find_butt(outline)
    for wide, asked in ((5.0, False), (2.0, True)):
        points = np.array([[-wide / 2, joint.thickness], [wide / 2, joint.thickness]])
        toes = tuple(replace(toe, point=point) for toe, point in zip(found.top.toes, points, strict=True))
        below = replace(found.top, points=points, toes=toes)
        assert (unfused_root(seen, replace(found, bottom=below), outline) is not None) is asked


def test_weld_metal_that_a_person_clicked_is_cut_at_the_metals_outline():
    """Sixteen points on the fusion line and one in the air: the area of the joint's own polygon, to the bow between clicks."""
    joint = fillet(np.random.default_rng(3), "tee")
    _, surface, area = read(joint, etched=0.8)
    fusion = joint.weld[len(joint.face) :]
    points = np.concatenate(
        [
            joint.toes[:1],
            fusion[np.linspace(0, len(fusion) - 1, 16).astype(int)],
            joint.toes[1:],
            joint.toes.mean(0)[None] + [4, -4],
        ]
    )
    found = drawn_metal(surface.project(points), UNETCHED, surface, area)
    assert found.drawn
    assert area_mm2(surface.develop(found.outline_px)) == pytest.approx(joint.sizes["weld_area_mm2"], rel=0.02)
    assert len(found.tried_px) > 10
    assert drawn_metal(surface.project(np.array([[90.0, 90], [95, 90], [95, 95]])), UNETCHED, surface, area) is None


def test_a_coarse_reading_steadies_a_fine_one():
    """Far from the border a fine reading that is unsure follows the coarse one; at the border it decides itself."""
    joint = fillet(np.random.default_rng(3), "tee")
    fine, _, area = read(joint, etched=0.0)
    coarse, _, _ = read(joint, etched=0.0, mm=0.3)
    far = replace(coarse, zoom=0.2)
    wrong = fine.tissue.copy()
    wrong[0, :6], wrong[1, :6] = 0.3, 0.68  # a strip of bench that looks like metal
    wrong /= wrong.sum(axis=0)
    told = steadied(replace(fine, tissue=wrong.astype(np.float32)), far, 0.06, (0.6, 0.8))
    assert (told.metal[:3] < 0.5).all()
    assert told.tissue.sum(axis=0) == pytest.approx(1.0, abs=1e-4)
    assert ((told.metal > 0.5) == (fine.metal > 0.5)).mean() > 0.995
    known = within(fine, area.outline_px)
    assert known.metal.min() == pytest.approx(1e-3, rel=1e-3)
    assert known.metal.max() == pytest.approx(1 - 1e-3, rel=1e-6)


def test_what_no_etching_shows_is_not_drawn():
    joint = fillet(np.random.default_rng(3), "tee")
    reading, surface, area = read(joint, etched=0.0)
    assert look_for(reading, Sheet("macro-fillet"), surface, area) == UNETCHED


def test_a_reading_knows_its_places():
    """There and back again; a map is read where a pixel lies."""
    field = np.arange(12.0, dtype=np.float32).reshape(3, 4)
    blank = np.zeros((5, 3, 4), np.float32)
    one = Reading(
        tissue=blank,
        seen=field,
        feature=field,
        share=field,
        kind=blank,
        light=field,
        zoom=0.5,
        offset_px=np.array([10.0, 20.0]),
    )
    points = np.array([[10.5, 20.5], [14.5, 22.5]])
    assert one.to_photograph(one.from_photograph(points)) == pytest.approx(points)
    assert one.at(field, points) == pytest.approx([0.0, 6.0])


def test_the_networks_answer_for_pictures_of_any_size():
    """No multiple of the coarsest grid; the same picture twice as bright is the same picture."""
    rng = np.random.default_rng(0)
    coded = cv2.GaussianBlur(rng.uniform(0, 0.4, (75, 130, 3)).astype(np.float32), (0, 0), 2)
    answer = run("near", prepared(coded))
    assert answer.shape == (PLANES, 75, 130)
    assert np.allclose(answer, run("near", prepared(2 * coded)), atol=1e-3)


@pytest.mark.parametrize(("finder", "make", "toe"), [(find_fillet, fillet, 0), (find_butt, butt, 1)])
def test_an_overlap_is_seen_in_the_outline(finder, make, toe):
    """A lip of 0.9 mm over the plate: its toe where the metal leaves the plate, its overhang to a tenth of a millimetre."""
    joint = make(np.random.default_rng(12), "tee" if make is fillet else "v", overlap=(0.9, 35.0))
    found = finder(resampled(joint.metal, 0.03))
    toes = found.face.toes if finder is find_fillet else found.top.toes
    lips = [one for one in toes if one.lip is not None]
    assert len(lips) == 1
    assert np.hypot(*(lips[0].point - joint.toes[toe])) < 0.12
    assert lips[0].angle_deg == pytest.approx(35.0, abs=4.0)
    reach = np.abs((lips[0].lip - lips[0].point) @ lips[0].plate.direction).max()
    assert reach == pytest.approx(joint.overlaps[0].length_mm, abs=0.1)
