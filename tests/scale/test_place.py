"""Placing surfaces: on rendered photographs with exact truth, and where the sheet cannot be followed."""

import json
from dataclasses import dataclass, field, replace
from types import SimpleNamespace

import numpy as np
import pytest

from specimeter import photo as photos
from specimeter import sheet as sheets
from specimeter.errors import SurfaceError
from specimeter.scale import place
from specimeter.scale.find import find_scale
from specimeter.scale.place import place_surface, u_size
from specimeter.scale.surface import Bend, Flat
from specimeter.scene.files import save
from specimeter.scene.random import random_scene
from specimeter.scene.render import render


@pytest.fixture(scope="module")
def case(bend_case):
    """Photograph, sheet, scale and truth of one rendered side bend."""
    photo, sheet = photos.read(bend_case.photo), sheets.read(bend_case.sheet)
    return SimpleNamespace(photo=photo, sheet=sheet, scale=find_scale(photo, sheet), truth=bend_case.truth)


def changed(sheet, table, **values):
    return sheet.model_copy(update={table: getattr(sheet, table).model_copy(update=values)})


def check_crown(surface, truth, *, crown_mm, direction_deg):
    """The true crown line (projected by the renderer's own camera) develops to s = 0 along a."""
    first, second = surface.develop(np.array(truth["axis_px"]))
    assert (first[0] + second[0]) / 2 == pytest.approx(0.0, abs=crown_mm)
    assert abs(np.degrees(np.arctan2(second[0] - first[0], abs(second[1] - first[1])))) < direction_deg


def test_the_crown_line_is_found_on_the_pictures_own_edges(case):
    """Within twice the stated standard uncertainty, which for 8 px per mm is a few tenths of a mm and degree."""
    surface = place_surface(case.photo, case.sheet, case.scale)
    assert isinstance(surface, Bend)
    check_crown(surface, case.truth, crown_mm=2 * surface.u_crown_mm, direction_deg=2 * surface.u_direction_deg)
    assert surface.radius_mm == pytest.approx(case.truth["specimen"]["radius_mm"], abs=2 * surface.u_radius_mm + 0.3)
    assert surface.u_crown_mm < 0.6
    assert surface.u_direction_deg < 0.8
    assert {source for source, _, _ in surface.variants()} == {
        "radius of the bend",
        "direction of the bend axis",
        "place of the crown",
    }
    assert 0.6 < surface.evidence["support"] <= 1.0
    assert json.loads(json.dumps(surface.evidence)) == surface.evidence


def test_rough_axis_points_are_refined(case):
    """Points marked 1 mm off the crown line give the same crown as the word for the direction does."""
    points = np.array(case.truth["axis_px"])
    along = points[1] - points[0]
    off = np.array([-along[1], along[0]]) / np.hypot(*along) / case.truth["mm_per_px"]
    sheet = changed(case.sheet, "bend", axis=tuple(map(tuple, points + off)))
    surface, other = (place_surface(case.photo, one, case.scale) for one in (sheet, case.sheet))
    apart_mm = (surface.develop(points) - other.develop(points))[:, 0].mean()
    assert apart_mm == pytest.approx(0.0, abs=surface.u_crown_mm)
    check_crown(surface, case.truth, crown_mm=3 * surface.u_crown_mm, direction_deg=3 * surface.u_direction_deg)


def test_axis_points_off_the_picture_are_refused(case):
    sheet = changed(case.sheet, "bend", axis=((10.0, 10.0), (10.0, 99999.0)))
    with pytest.raises(SurfaceError, match="outside the photograph") as error:
        place_surface(case.photo, sheet, case.scale)
    assert error.value.field == "bend.axis"


@dataclass(frozen=True)
class Somewhere:
    """As much of a bend as is told of one that was chosen."""

    crown_mm: np.ndarray
    radius_mm: float = 30.0
    u_crown_mm: float = 0.2
    u_direction_deg: float = 0.2
    u_radius_mm: float = 0.3
    basis: dict = field(default_factory=dict)
    evidence: dict = field(default_factory=dict)
    cautions: tuple = ()


def placed_at(x_mm, worth, beyond_rim=0):
    return SimpleNamespace(
        bend=Somewhere(np.array([x_mm, 0.0])), worth=worth, beyond_rim=beyond_rim, support=0.9, by_border={}, shading=0.5,
        ends_mm=(-12.5, 12.5), width_mm=25.0, region=0.5, likely=0.9, beside=0.0, ends_there=0.5,
        u_crown_mm=0.2, u_direction_deg=0.2, u_radius_mm=0.3,
    )  # fmt: skip


@pytest.mark.parametrize(("lacks", "beyond_rim", "said"), [(0.04, 0, True), (0.1, 0, False), (0.1, 1, True), (0.2, 1, False)])
def test_another_place_that_fits_nearly_as_well_is_said(monkeypatch, lacks, beyond_rim, said):
    """10 mm away; sooner where the picture's rim cuts one of the two off, which then shows less of itself."""
    monkeypatch.setattr(place, "_worth", lambda fit, known: fit.worth)
    known = SimpleNamespace(width_mm=25.0, radius_mm=30.0, u_radius=0.02, lenses=None)
    chosen = place._surface(placed_at(0.0, 1.0), [placed_at(10.0, 1.0 - lacks, beyond_rim)], known)
    assert any("Another place" in caution for caution in chosen.cautions) is said


def test_an_axis_that_runs_the_other_way_is_refused_by_name(case):
    """A photograph turned by a right angle after its sheet was written: the face would be unrolled across itself."""
    told = case.sheet.bend.axis
    other = {"vertical": "horizontal", "horizontal": "vertical"}[told]
    with pytest.raises(SurfaceError) as error:
        place_surface(case.photo, changed(case.sheet, "bend", axis=other), case.scale)
    assert error.value.field == "bend.axis"
    assert f'axis = "{told}"' in error.value.mend
    assert "specimen.test" in error.value.mend  # a break measured as a bend ends here too


def blank(photo):
    return SimpleNamespace(
        file="blank.png", rgb=np.full_like(photo.rgb, 90), width_px=photo.width_px, height_px=photo.height_px
    )


def test_a_picture_without_a_specimen_is_refused_and_says_what_helps(case):
    sheet = changed(case.sheet, "bend", axis="horizontal")
    with pytest.raises(SurfaceError, match="no bent specimen") as error:
        place_surface(blank(case.photo), sheet, case.scale)
    assert "[region]" in error.value.mend


def test_axis_points_serve_where_no_edge_shows(case):
    """Without edges a person's axis is taken as it stands, with a caution and a wide uncertainty."""
    sheet = changed(case.sheet, "bend", axis=tuple(map(tuple, case.truth["axis_px"])))
    surface = place_surface(blank(case.photo), sheet, case.scale)
    check_crown(surface, case.truth, crown_mm=0.3, direction_deg=1.0)
    assert surface.u_crown_mm >= 1.0
    assert surface.cautions


def test_other_tests_lie_on_a_flat_surface(case):
    sheet = changed(case.sheet, "specimen", test="nick-break").model_copy(update={"bend": None})
    surface = place_surface(case.photo, sheet, case.scale)
    assert isinstance(surface, Flat)
    assert surface.height_mm == case.scale.surface_height_mm


def test_an_unknown_height_leaves_the_size_open(case):
    """A height nobody entered (u = 10 mm, design section 5) may be off by tens of mm: sizes on the picture stay open."""
    scale = SimpleNamespace(u_rel=0.03, surface_height_u_mm=10.0, evidence={})
    assert u_size(scale) > 0.1
    assert u_size(SimpleNamespace(u_rel=0.001, surface_height_u_mm=0.5, evidence={})) == pytest.approx(0.001)


def test_a_face_cut_off_by_the_pictures_rim_stays_where_it_is(tmp_path):
    """Seen from straight above, the picture ends 0.85 radii from the crown: that silhouette speaks against nothing."""
    looks = {"card": "strip", "height": "level", "bench": "paper", "finish": "blasted"}
    picture = render(random_scene(12, width_px=1100, tilt_deg=0, angle_deg=180.0, **looks))
    save(picture, tmp_path, "cut")
    photo, sheet = photos.read(tmp_path / "cut.jpg"), sheets.read(tmp_path / "cut.sheet.toml")
    scale = find_scale(photo, sheet)
    assert len(place_surface(photo, sheet, scale).evidence["borders"]) == 4
    points = np.array(picture.truth["axis_px"])
    across = int(np.argmin(np.abs(points[1] - points[0])))  # the picture's axis across the bend
    reach = 0.85 * picture.truth["specimen"]["radius_mm"] / picture.truth["mm_per_px"]
    kept = np.arange(round(points.mean(axis=0)[across] + reach))
    cut = replace(photo, rgb=np.ascontiguousarray(np.take(photo.rgb, kept, axis=1 - across)))
    surface = place_surface(cut, sheet, scale)
    check_crown(surface, picture.truth, crown_mm=1.0, direction_deg=1.5)
    assert len(surface.evidence["borders"]) == 3


def test_a_cutting_mats_grid_passes_for_no_face(tmp_path):
    """Height left out: a field of the mat has edges as long and as far apart, but looks like no metal."""
    looks = {"card": "strip", "height": "unknown", "bench": "cutting-mat", "finish": "as-rolled", "test": "side-bend"}
    picture = render(random_scene(13500049, width_px=1100, **looks))
    save(picture, tmp_path, "mat")
    photo, sheet = photos.read(tmp_path / "mat.jpg"), sheets.read(tmp_path / "mat.sheet.toml")
    surface = place_surface(photo, sheet, find_scale(photo, sheet))
    axis_mm = surface.develop(np.array(picture.truth["axis_px"]))
    assert np.abs(axis_mm[:, 0]).max() < 5.0  # a fifth of the radius: a height left out leaves the size open
    assert surface.evidence["likely"] > 0.7
