"""A crown line that a person marked: knowledge beside the picture's own edges, never thrown away for them."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from specimeter import photo as photos
from specimeter import sheet as sheets
from specimeter.scale import place
from specimeter.scale.crown_line import LEGS, MARKED_BASIS, Marked, between_legs, marked, through_marked
from specimeter.scale.find import find_scale
from specimeter.scale.place import place_surface
from specimeter.scale.surface import Bend
from specimeter.scale.view import View

VIEW = View(
    focal_px=1400.0, centre_px=np.array([600.0, 400.0]), rotation=np.eye(3), translation_mm=np.array([0.0, 0.0, 400.0]), k1=0.0
)


@pytest.fixture
def bend():
    """As fitted to two silhouettes: crown at x = 5 mm, axis along y, seen from 400 mm above."""
    return Bend(
        view=VIEW, crown_mm=np.array([5.0, 2.0]), direction_deg=90.0, height_mm=0.0, radius_mm=30.0, angle_deg=180.0,
        u_crown_mm=0.25, u_direction_deg=0.3, u_radius_mm=0.3, basis={"crown": "its edges"},
        evidence={"side_edges_a_mm": [-10.0, 10.0]},
    )  # fmt: skip


def line(x_mm, direction_deg=90.0):
    return Marked(at_mm=np.array([x_mm, -3.0]), direction_deg=direction_deg, u_direction_deg=3.0)


def put(bend):
    """The fit again with its crown held, where the borders say nothing new."""
    return lambda there: replace(bend, crown_mm=bend.crown_mm + there.beside_mm(bend) * bend.frame[0, :2])


def test_points_become_a_line_in_the_world():
    """Two pixels 280 px apart at 1400 px and 400 mm: 80 mm; each true to 1 mm, so its direction to 1.01 degrees."""
    told = marked(((600.0, 260.0), (600.0, 540.0)), VIEW, 0.0)
    assert told.at_mm == pytest.approx([0.0, 0.0])
    assert told.direction_deg == pytest.approx(90.0)
    assert told.u_direction_deg == pytest.approx(np.degrees(np.arctan(2**0.5 / 80)))
    assert marked("vertical", VIEW, 0.0) is None


def test_edges_and_points_that_agree_are_weighed(bend):
    """0.5 mm apart, u 0.25 and 1 mm: the mean lies 0.5 / 17 from the edges, its u is 1 / sqrt(17)."""
    both = through_marked(bend, line(5.5), put(bend))
    assert both.crown_mm == pytest.approx([5 + 0.5 / 17, 2.0])
    assert both.u_crown_mm == pytest.approx(17**-0.5)
    assert both.cautions == ()
    assert both.basis["crown"] == f"its edges; {MARKED_BASIS}"


def test_edges_and_points_that_hardly_agree_leave_the_crown_less_sure(bend):
    """1.5 mm apart, 1.46 joint uncertainties: u grows by that."""
    both = through_marked(bend, line(3.5), put(bend))
    assert both.u_crown_mm == pytest.approx(17**-0.5 * 1.5 / np.hypot(1.0, 0.25))
    assert both.cautions == ()


@pytest.mark.parametrize(("there", "said"), [(line(9.0), "4.0 mm beside"), (line(5.0, 82.0), "by 8.0 degrees")])
def test_points_that_the_edges_speak_against_are_kept_and_it_is_said(bend, there, said):
    """A false silhouette passes for the bend's own: what the person entered stands, with the points' own uncertainty."""
    kept = through_marked(bend, there, put(bend))
    assert there.beside_mm(kept) == pytest.approx(0.0)
    assert kept.u_crown_mm == pytest.approx(1.0)
    assert kept.u_direction_deg == pytest.approx(3.0)
    (caution,) = kept.cautions
    assert said in caution
    assert "2.1 mm and 6.0 degrees" in caution
    assert "mark two points" not in caution
    assert kept.evidence["marked_beside_mm"] == pytest.approx(there.beside_mm(bend))
    assert kept.evidence["marked_turned_deg"] == pytest.approx(there.turned_deg(bend))


def test_between_legs_points_tell_more_than_perspective_and_are_not_asked_for_again(bend):
    """Edges 20 mm apart true to 0.15 mm at 400 mm: they tell the crown to about 6 mm."""
    unsure = between_legs(bend)
    assert unsure.cautions == (LEGS,)
    assert unsure.u_crown_mm == pytest.approx(6.0, abs=0.1)
    both = through_marked(unsure, line(13.0), put(unsure))
    assert both.cautions == ()
    assert both.crown_mm[0] == pytest.approx(13.0, abs=0.3)
    assert both.u_crown_mm < 1.4
    assert both.basis["crown"] == MARKED_BASIS


def test_borders_that_lead_nowhere_leave_the_line_where_it_was_marked(bend):
    assert through_marked(bend, line(9.0), lambda there: None).crown_mm == pytest.approx([9.0, 2.0])


@pytest.fixture(scope="module")
def photographed(bend_case):
    photo, sheet = photos.read(bend_case.photo), sheets.read(bend_case.sheet)
    return photo, sheet, find_scale(photo, sheet), bend_case.truth


def test_in_a_photograph_marked_points_are_never_overruled(photographed):
    """Marked 3 mm beside a crown that both silhouettes show: kept within 0.05 mm, and said with numbers."""
    photo, sheet, scale, truth = photographed
    points = np.array(truth["axis_px"])
    along = points[1] - points[0]
    points = points + 3.0 * np.array([-along[1], along[0]]) / np.hypot(*along) / truth["mm_per_px"]
    axis = tuple(map(tuple, points))
    bent = sheet.model_copy(update={"bend": sheet.bend.model_copy(update={"axis": axis})})
    surface = place_surface(photo, bent, scale)
    assert surface.develop(points)[:, 0].mean() == pytest.approx(0.0, abs=0.05)
    assert surface.u_crown_mm == pytest.approx(1.0)
    assert any("the marked line was kept" in caution for caution in surface.cautions)


def test_what_hangs_on_the_crown_is_no_surer_than_the_crown():
    """Without EXIF nothing but the bend tells the lens's distance, and that hangs on where the crown lies. Points true to 1 mm
    add next to nothing to edges that tell it to 0.3 mm, so distance and radius are about as unsure with them as without."""
    name = Path(__file__).resolve().parents[2] / "sample_images" / "side-bend-exceeds"
    photo = replace(photos.read(name.with_suffix(".jpg")), focal_mm=None, focal_35mm_mm=None)
    sheet = sheets.read(name.with_suffix(".sheet.toml"))
    truth = json.loads(name.with_suffix(".truth.json").read_text(encoding="utf-8"))
    scale = find_scale(photo, sheet)
    marked_there = sheet.bend.model_copy(update={"axis": tuple(map(tuple, truth["axis_px"]))})
    alone, both = (place_surface(photo, sheet.model_copy(update={"bend": bend}), scale) for bend in (sheet.bend, marked_there))
    assert alone.u_crown_mm < 0.4
    assert both.evidence["u_lens_distance_rel"] > 0.9 * alone.evidence["u_lens_distance_rel"]
    assert both.u_radius_mm > 0.9 * alone.u_radius_mm
    assert "marked_beside_mm" not in both.evidence


def test_of_two_places_the_one_on_the_marked_line_is_worth_more(bend):
    """Else alike, and 8 mm apart: 0.01 for each squared standard uncertainty, 0.3 at most."""

    class Fit:
        support, shading, ends_there, region, likely = 0.8, 0.5, 0.5, 0.5, 0.9
        beside, beyond_rim, shift, width_mm = 0.0, 0, 0.0, 20.0

        def __init__(self, x_mm):
            self.bend = replace(bend, crown_mm=np.array([x_mm, 2.0]))

    class Known:
        radius_mm, u_radius, width_mm, lenses, marked = 30.0, 0.02, None, None, line(5.0)

    assert place._worth(Fit(5.0), Known) - place._worth(Fit(9.0), Known) == pytest.approx(0.16)
    assert place._worth(Fit(5.0), Known) - place._worth(Fit(14.0), Known) == pytest.approx(0.3)
