"""Cut metal found and outlined in rendered photographs, and sizes from it against exact truth."""

from __future__ import annotations

import json
from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from specimeter import job
from specimeter import photo as photos
from specimeter import sheet as sheets
from specimeter.errors import AreaError
from specimeter.measure.section_place import fusion_lines, unfused
from specimeter.scale.own_width import plate_pin
from specimeter.scale.surface import Flat
from specimeter.scale.view import View
from specimeter.scene.files import save
from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from specimeter.scene.section_joint import butt
from specimeter.segment import section_outline
from specimeter.segment.joint import find_butt
from specimeter.segment.model import ExaminedArea
from specimeter.segment.plates import resampled, runs
from specimeter.segment.section_follow import clear_along, doubled_along, follow
from specimeter.segment.section_outline import Candidate, _ends, _places, confidence
from specimeter.segment.section_reading import Reading
from specimeter.sheet import Sheet
from tests.conftest import rendered


@pytest.fixture(scope="module", params=[("macro-fillet", 3018, 1632), ("macro-butt", 730155, 1500)])
def measured(request, tmp_path_factory):
    """A plain scene through the whole job, and its truth."""
    test, seed, width_px = request.param
    case = rendered(tmp_path_factory, test, seed, test=test, width_px=width_px)
    found = job.find(photos.read(case.photo), sheets.read(case.sheet), None, method="openings", progress=lambda _: None)
    return found, case.truth


def test_the_outline_lies_on_the_metals_edge(measured):
    """Half of the points within a third of a pixel (a broken edge is no sharper), nine in ten within one."""
    found, truth = measured
    contour = np.array(truth["area_outline_px"], np.float32).reshape(-1, 1, 2)
    off = [abs(cv2.pointPolygonTest(contour, (float(x), float(y)), True)) for x, y in found.area.outline_px[::5]]
    assert found.area.confidence > 0.5
    assert np.median(off) < 0.35
    assert np.percentile(off, 90) < 1.0


def test_sizes_hold_their_truth(measured):
    """Lengths within 0.15 mm or their own U, angles within their U and a degree; what is not seen is named."""
    found, truth = measured
    known = 0
    for name, true in truth["section"].items():
        if name in ("penetration_mm", "weld_area_mm2", "haz_width_mm"):
            continue
        if name not in found.section.sizes:
            assert found.section.missing[name]
            continue
        known += 1
        U = found.section.sizes[f"U_{name}"]
        assert abs(found.section.sizes[name] - true) < max(1.5 * U, 1.0 if name.endswith("deg") else 0.15), name
    assert known >= 5
    assert "dilution" in found.section.missing


def test_undercuts_are_features_with_a_depth_and_no_length(measured):
    found, truth = measured
    undercuts = [feature for feature in found.features if feature.kind == "undercut"]
    assert len(undercuts) == len(found.section.undercuts)
    for feature in undercuts:
        assert feature.depth_mm > 0
        assert feature.length_mm is None
        assert "along the weld" in feature.missing["length_mm"]
    deep = max((one["depth_mm"] for one in truth["undercuts"]), default=None)
    if deep is not None:
        deepest = max(undercuts, key=lambda feature: feature.depth_mm)
        assert deepest.depth_mm == pytest.approx(deep, abs=max(0.1, deepest.U_depth_mm))


def looked_at(folder, test, seed):
    """A scene near enough for thin lines through the whole job, and its truth."""
    scene = random_scene(seed, test=test, width_px=1100, card="none", mm_per_px=0.08, tilt_deg=0.0)
    path = save(render(scene), folder, "cut")
    found = job.find(photos.read(path), sheets.read(folder / "cut.sheet.toml"), None, method="learned", progress=lambda _: None)
    return found, json.loads((folder / "cut.truth.json").read_text())


def test_the_height_of_a_root_that_is_not_fused_in_a_scene(tmp_path):
    """As the joint was drawn, within its U; the penetration is what is left of the plate, within its own."""
    found, truth = looked_at(tmp_path, "macro-butt", 67)
    (high,) = (one for one in found.features if one.kind == "lack-of-penetration")
    assert high.length_mm == pytest.approx(truth["unfused"][0]["length_mm"], abs=high.U_length_mm)
    assert high.U_length_mm < 1.0
    sizes = found.section.sizes
    assert sizes["penetration_mm"] == pytest.approx(truth["section"]["penetration_mm"], abs=sizes["U_penetration_mm"])


def test_the_share_of_the_fusion_line_that_is_not_fused_in_a_scene(tmp_path):
    """A fillet with one side wall of two millimetres not fused: its length by found lines as by true ones, within its U."""
    found, truth = looked_at(tmp_path, "macro-fillet", 125)

    def of(features, weld_px, metal_px):
        weld, metal = (found.surface.develop(np.array(points)) for points in (weld_px, metal_px))
        return unfused([found.surface.develop(np.array(one)) for one in features], fusion_lines(weld, metal))

    true = [one["outline_px"] for one in truth["features"] if one["kind"].startswith("lack-of")]
    (line,) = (one for one in found.features if one.kind.startswith("lack-of"))
    lost, whole = of([line.outline_px], found.section.weld_px, found.area.outline_px)
    truly, all_of_it = of(true, truth["weld"]["outline_px"], truth["area_outline_px"])
    assert lost == pytest.approx(truly, abs=line.U_length_mm)
    assert line.U_length_mm < 0.7
    assert lost / whole == pytest.approx(truly / all_of_it, abs=0.03)


def test_a_photograph_without_a_cut_asks_for_a_region(tmp_path):
    rng = np.random.default_rng(1)
    rgb = np.clip(120 + cv2.GaussianBlur(rng.normal(0, 60, (300, 400, 3)), (0, 0), 3), 0, 255).astype(np.uint8)
    file = tmp_path / "wood.png"
    cv2.imwrite(str(file), rgb)
    (tmp_path / "s.sheet.toml").write_text(
        '[specimen]\nid = "A"\ntest = "macro-butt"\n[scale]\nmethod = "length"\nfrom_px = [20.0, 20.0]\n'
        "to_px = [380.0, 20.0]\nlength_mm = 60.0\nlength_U_mm = 0.1\nsurface_height_mm = 0.0\n"
    )
    with pytest.raises(AreaError) as refused:
        job.find(photos.read(file), sheets.read(tmp_path / "s.sheet.toml"), None, method="openings", progress=lambda _: None)
    assert refused.value.field == "region.outline_px"


def _square_with_notch():
    """A bright square with a narrow notch in its upper side, blurred, as light (H, W, 3); and the outline without the notch."""
    light = np.full((200, 200), 0.1, np.float32)
    light[40:160, 40:160] = 0.6
    light[40:58, 96:104] = 0.1
    light = cv2.GaussianBlur(light, (0, 0), 0.9)
    return np.dstack([light] * 3), np.array([[39.5, 39.5], [159.5, 39.5], [159.5, 159.5], [39.5, 159.5]])


def test_a_path_is_drawn_to_the_edge_and_into_a_notch():
    """From a line a pixel or two off; the square's edge is at 39.5, the notch's foot at 57.5."""
    light, square = _square_with_notch()
    (x0, y0), (x1, y1) = square[0], square[2]
    rough = np.array([[x0, y0], [95, y0], [96, 57], [103, 57], [104, y0], [x1, y0], [x1, y1], [x0, y1]]) + np.array([1.0, -1.5])
    outline, clear = follow(light, rough, 2.5)
    assert clear.mean() > 0.8
    side = outline[(outline[:, 1] > 60) & (outline[:, 1] < 140) & (outline[:, 0] < 100)]
    assert np.abs(side[:, 0] - 39.5).max() < 0.2
    notch = outline[np.abs(outline[:, 0] - 99.5) < 2.0]
    assert notch[:, 1][notch[:, 1] < 100].max() == pytest.approx(57.5, abs=0.6)


def test_where_no_edge_lies_the_line_stays():
    """Even light: nothing is clear, and no point moves by more than is looked for."""
    _, square = _square_with_notch()
    outline, clear = follow(np.full((200, 200, 3), 0.3, np.float32), square, 2.5)
    assert not clear.any()
    contour = square.astype(np.float32).reshape(-1, 1, 2)
    assert max(abs(cv2.pointPolygonTest(contour, (float(x), float(y)), True)) for x, y in outline) < 3.0


def candidate(**off) -> Candidate:
    """An outline of which all is well, but for what is given."""
    part = np.ones(8, bool)
    well = {"support": 1.0, "agreed": 1.0, "sure": 1.0, "same": 1.0, "explained": 1.0, "thick": 1.0, "joint": True}
    return Candidate(outline_px=np.zeros((8, 2)), clear=part, agrees=part, shown=part, **(well | off))


@pytest.mark.parametrize("figure", ["support", "agreed", "sure", "same", "explained", "thick"])
def test_one_doubt_is_enough(figure):
    """An outline that fails any one check is not measured: below a half."""
    assert confidence(candidate()) > 0.9
    assert confidence(candidate(**{figure: 0.0})) < 0.5


def found_among(monkeypatch, *candidates, sheet=None, scale=None):
    """What is said where these alone were followed in an empty photograph."""
    rgb = np.zeros((60, 80, 3), np.uint8)
    photo = SimpleNamespace(rgb=rgb, width_px=80, height_px=60, file="cut.png")
    monkeypatch.setattr(section_outline, "readings", lambda *_: [(None, (0.6, 0.8))])
    monkeypatch.setattr(section_outline, "card_outlines_px", lambda _: [])
    monkeypatch.setattr(section_outline, "_candidates", lambda *_: list(candidates))
    surface = SimpleNamespace(mm_per_px_at=lambda _: 0.1)
    return section_outline.find_section(photo, sheet, scale, surface)


def test_a_sure_outline_without_a_weld_is_shown_but_not_measured(monkeypatch):
    """All else is as it should be: a person looks at it; where any more is in doubt, nothing is shown."""
    area = found_among(monkeypatch, candidate(joint=False))
    assert area.confidence == section_outline.UNSURE < section_outline.LEAST_CONFIDENCE
    assert area.cautions == (section_outline.NO_WELD,)
    with pytest.raises(AreaError):
        found_among(monkeypatch, candidate(joint=False, support=0.5))


def test_an_outline_that_strays_is_shown_as_unsure_if_its_plate_is_as_thick_as_the_sheet_says(monkeypatch):
    """Half of it is neither plate nor weld, as where it runs along a shadow: a person looks at it, and nothing is measured.
    Where no plate's thickness speaks for it, or it is wrong, nothing is shown.
    """
    sheet = SimpleNamespace(specimen=SimpleNamespace(parent_thickness_mm=12.6))
    strays = {"explained": 0.5, "support": 0.4, "sure": 0.47, "thick_mm": 12.65, "closed": 0.0}
    area = found_among(monkeypatch, candidate(**strays, thick=0.99), sheet=sheet)
    assert area.confidence == pytest.approx(0.05)
    assert section_outline.LOW in area.cautions
    for doubtful in (candidate(**strays, thick=0.1), candidate(**(strays | {"thick_mm": None}))):
        with pytest.raises(AreaError):
            found_among(monkeypatch, doubtful, sheet=sheet)


def test_where_the_thickness_alone_is_off_the_scale_is_spoken_of_and_what_would_explain_it(monkeypatch):
    """8 mm by the sheet, 9 in the photograph, the lens 180 mm over the card: 20 mm nearer all shows 180 / 160 times as large.
    Where the outline fails another check too, or another place is as good, the outline is spoken of.
    """
    sheet = SimpleNamespace(specimen=SimpleNamespace(parent_thickness_mm=8.0))
    scale = SimpleNamespace(view=SimpleNamespace(distance_mm=180.0))
    area = found_among(monkeypatch, candidate(thick=0.0, thick_mm=9.0), sheet=sheet, scale=scale)
    assert area.confidence < section_outline.LEAST_CONFIDENCE
    assert area.not_to_scale == section_outline.NOT_TO_SCALE
    wrong, height = area.cautions
    assert wrong.startswith("The plate is 9.0 mm thick in the photograph and 8 mm by the sheet")
    assert height.startswith("surface_height_mm = 20 would explain it")
    hardly = found_among(monkeypatch, candidate(thick=0.0, thick_mm=8.02), sheet=sheet, scale=scale)
    assert len(hardly.cautions) == 1
    lower = found_among(monkeypatch, candidate(thick=0.0, thick_mm=7.2), sheet=sheet, scale=scale)
    assert lower.cautions[1].startswith("surface_height_mm = -20 would")
    inches = SimpleNamespace(specimen=SimpleNamespace(parent_thickness_mm=0.375))
    read = found_among(monkeypatch, candidate(thick=0.0, thick_mm=9.6), sheet=inches, scale=scale)
    assert "parent_thickness_mm = 0.375 read in inches would be 9.525 mm" in read.cautions[1]
    doubtful = found_among(monkeypatch, candidate(thick=0.0, thick_mm=9.0, sure=0.2), sheet=sheet, scale=scale)
    far = replace(candidate(thick=0.0, thick_mm=9.0), outline_px=np.full((8, 2), 50.0))
    rival = found_among(monkeypatch, candidate(thick=0.0, thick_mm=9.0), far, sheet=sheet, scale=scale)
    for other in (doubtful, rival):
        assert (other.cautions, other.not_to_scale) == ((section_outline.LOW,), "")


def test_of_several_readings_of_one_place_the_likeliest_right_is_taken(monkeypatch):
    """Of more worth is the clearer one, whose plate is not as thick as the sheet says; the other's is."""
    clear, right = candidate(thick=0.4), candidate(agreed=0.75, support=0.6, sure=0.8)
    assert clear.worth > right.worth
    assert found_among(monkeypatch, clear, right).confidence == confidence(right)


def test_a_joint_is_found_again_whichever_way_the_outline_is_sampled():
    """The toes of a butt weld with wavy plates, undercut and rounded ends move by no more than a tenth of a millimetre."""
    joint = butt(np.random.default_rng(5), "v", undercuts=1)
    rng = np.random.default_rng(2)
    closed = resampled(joint.metal, 0.02)
    wave = np.cumsum(rng.normal(0, 1, (len(closed), 2)), axis=0)
    wave = cv2.GaussianBlur(wave - np.linspace(wave[0], wave[-1], len(wave)), (1, 0), sigmaX=1e-3, sigmaY=20.0)
    outline = closed + 0.02 * wave / wave.std()
    toes = []
    for step in (0.03, 0.041, 0.052, 0.07):
        found = find_butt(resampled(outline, step))
        toes.append(sorted((toe.point for toe in found.top.toes), key=lambda point: point[0]))
    assert np.ptp(np.array(toes), axis=0).max() < 0.1
    assert np.abs(np.array(toes[0]) - joint.toes).max() < 0.2


def test_a_plate_tells_how_high_a_cut_lies_unless_plates_contradict_each_other():
    """A butt weld between plates of one thickness, seen as large as 20 mm over the card: the height to a tenth of a millimetre.
    One whose right plate is a tenth thicker tells nothing; nor does an outline that is not sure."""
    view = View(focal_px=3000.0, centre_px=np.zeros(2), rotation=np.eye(3), translation_mm=np.array([0.0, 0.0, 300.0]), k1=0.0)
    surface, raised = Flat(view=view, height_mm=0.0), Flat(view=view, height_mm=20.0)
    joint = butt(np.random.default_rng(5), "v", undercuts=1)
    specimen = {"id": "M1", "test": "macro-butt", "parent_thickness_mm": joint.thickness}
    sheet = Sheet.model_validate({"specimen": specimen, "scale": {"method": "card"}})

    def told(metal, confidence=0.9):
        area = ExaminedArea(outline_px=raised.project(resampled(metal, 0.05)), confidence=confidence)
        return section_outline.across_a_plate(sheet, surface, area)

    assert plate_pin(sheet, surface, told(joint.metal)).over(view) == pytest.approx(20.0, abs=0.1)
    assert told(joint.metal, confidence=0.4) is None
    right, under = joint.metal[:, 0] > 0, joint.metal[:, 1] > 0.9 * joint.thickness
    assert told(joint.metal + np.array([0.0, 0.15 * joint.thickness]) * (right & under)[:, None]) is None


def test_a_further_edge_inside_an_outline_is_told_with_its_distance():
    """A bright cut 16 by 12 mm, of whose darker side 0.9 mm is seen along one edge, on a dark bench: its foot was outlined."""
    mm = 0.08
    light = np.full((220, 260, 3), 0.05, np.float32)
    light[30:180, 30:230] = 0.5
    plain = cv2.GaussianBlur(light, (0, 0), 1.0)
    light[180:191, 30:230] = 0.2
    cut = np.array([[29.5, 29.5], [229.5, 29.5], [229.5, 179.5], [29.5, 179.5]])
    with_side = cut + np.array([[0, 0], [0, 0], [0, 11], [0, 11]])
    points, inwards = doubled_along(cv2.GaussianBlur(light, (0, 0), 1.0), with_side, mm)
    assert len(points) > 100
    assert (points[:, 1] > 180).mean() > 0.95
    assert np.median(inwards) == pytest.approx(11, abs=2)
    assert not len(doubled_along(plain, cut, mm)[0])


def test_an_outline_may_be_longer_than_opencv_takes_at_once():
    """A square of 480 px round, seventy times: 33,600 points, as round a cut on 100 megapixels; each round says the same."""
    light, square = _square_with_notch()
    points, clear = clear_along(light, np.tile(square, (70, 1)))
    assert len(points) > 2**15
    rounds = clear[: 70 * (len(clear) // 70)].reshape(70, -1)
    assert rounds.mean() > 0.8
    assert (rounds[1:-1] == rounds[1]).all(axis=1).mean() > 0.95
    assert not len(doubled_along(light, np.tile(square, (70, 1)), 0.08)[0])


def test_an_end_of_a_plate_is_explained_whatever_its_form():
    """A bar 60 x 10 mm whose left end is a half circle (5 pi mm), whose right end has edges broken by 1.5 mm: what lies between
    its straight pieces; and a slot 4 mm wide from above is no end, though its walls are parallel.
    """
    turn = np.linspace(-np.pi / 2, np.pi / 2, 90)
    left = np.column_stack([5 - 5 * np.cos(turn), 5 - 5 * np.sin(turn)])
    right = [(58.5, 0.0), (60.0, 1.5), (60.0, 8.5), (58.5, 10.0)]
    whole = resampled(np.concatenate([left, right]), 0.1)
    found = _ends(runs(whole), len(whole), 0.1)
    assert found == pytest.approx(5 * np.pi + 2 * np.hypot(1.5, 1.5), abs=1.5)
    slot = [(30.0, 0.0), (30.0, 7.0), (34.0, 7.0), (34.0, 0.0)]
    cut = resampled(np.concatenate([left, slot, right]), 0.1)
    assert _ends(runs(cut), len(cut), 0.1) == pytest.approx(found, abs=2.0)  # the slot is 18 mm round


def test_with_a_frame_the_cut_lies_in_its_window():
    """A larger metal thing beside the frame is passed over while one lies in the window; without a frame it comes first."""
    tissue = np.zeros((5, 80, 120), np.float32)
    tissue[0] = 1
    for box in (np.s_[30:50, 20:50], np.s_[10:70, 85:115]):
        tissue[0][box], tissue[3][box] = 0, 1
    none = np.zeros((80, 120), np.float32)
    far = Reading(tissue=tissue, seen=none, feature=none, share=none, kind=np.zeros((4, 80, 120), np.float32), light=none,
                  zoom=1.0, offset_px=np.zeros(2))  # fmt: skip

    def ring(x0, y0, x1, y1):
        return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float)

    frame = [ring(2, 2, 75, 78), ring(10, 10, 67, 70)]
    assert [bool(place[40, 30]) for place in _places(far, frame, 0.5)] == [True]
    assert [bool(place[40, 100]) for place in _places(far, [], 0.5)] == [True, False]
    tissue[:, 30:50, 20:50] = tissue[:, :1, :1]
    assert [bool(place[40, 100]) for place in _places(far, frame, 0.5)] == [True]
