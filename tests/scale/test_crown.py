"""The crown's height told by the specimen's own size: exact where the size is exact, wide and said so where nothing tells."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.scale.budget import Term
from specimeter.scale.crown import by_its_own_size
from specimeter.scale.find import find_scale
from specimeter.scale.model import Scale
from specimeter.scale.surface import Bend
from specimeter.scale.view import View
from specimeter.sheet import Sheet

WIDTH_MM, FORMER_MM, THICKNESS_MM = 25.0, 40.0, 10.0
RADIUS_MM = FORMER_MM / 2 + THICKNESS_MM
SILHOUETTES = {"side -a": 0.9, "side +a": 0.9, "silhouette -s": 0.9, "silhouette +s": 0.9}


def sheet_of(width_mm: float | None = WIDTH_MM, angle_deg: float = 180.0, **scale) -> Sheet:
    specimen = {"id": "A-1", "test": "side-bend", "specimen_thickness_mm": THICKNESS_MM}
    if width_mm is not None:
        specimen["specimen_width_mm"] = width_mm
    bend = {"former_diameter_mm": FORMER_MM, "angle_deg": angle_deg, "axis": "vertical"}
    return Sheet.model_validate({"specimen": specimen, "bend": bend, "scale": scale})


def bend_at(view: View, height_mm: float, radius_mm: float = RADIUS_MM, borders=SILHOUETTES) -> Bend:
    half = WIDTH_MM / 2
    return Bend(
        view=view,
        crown_mm=np.array([40.0, 60.0]),
        direction_deg=83.0,
        height_mm=height_mm,
        radius_mm=radius_mm,
        angle_deg=180.0,
        u_crown_mm=0.3,
        u_direction_deg=0.3,
        u_radius_mm=0.4,
        evidence={"support": 0.9, "borders": dict(borders), "side_edges_a_mm": [-half, half]},
    )


def seen_on_the_bench(bend: Bend) -> Bend:
    """The larger bend, its crown in the marker's plane, that looks the same from the lens: all drawn out from the eye."""
    eye, factor = bend.view.eye_mm, bend.view.distance_mm / (bend.view.distance_mm - bend.height_mm)
    return replace(
        bend,
        height_mm=0.0,
        radius_mm=factor * bend.radius_mm,
        crown_mm=eye[:2] + factor * (bend.crown_mm - eye[:2]),
        evidence={**bend.evidence, "side_edges_a_mm": [factor * end for end in bend.evidence["side_edges_a_mm"]]},
    )


def view_from(distance_mm: float, tilt_deg: float = 0.0) -> View:
    angle = np.radians(tilt_deg)
    rotation = np.array([[1, 0, 0], [0, np.cos(angle), -np.sin(angle)], [0, np.sin(angle), np.cos(angle)]])
    eye = np.array([45.0, 70.0, -distance_mm])
    return View(focal_px=1800.0, centre_px=np.array([799.5, 599.5]), rotation=rotation, translation_mm=-rotation @ eye)


def scale_of(view: View) -> Scale:
    return Scale(
        method="card", view=view, surface_height_mm=0.0, surface_height_u_mm=10.0, u_rel=0.03, budget=(),
        tilt_deg=view.tilt_deg, evidence={}, cautions=("no surface height was entered: the card lies on the bench",),
    )  # fmt: skip


@settings(deadline=None, max_examples=40)
@given(height=st.floats(0, 90), distance=st.floats(160, 500), tilt=st.floats(-12, 12))
def test_exact_sizes_tell_the_exact_height_and_no_pixel_moves(height, distance, tilt):
    """A similarity about the lens: what is told is the height that was, and the surface looks as it did."""
    true = bend_at(view_from(distance, tilt), height)
    placed = seen_on_the_bench(true)
    seen = np.ptp(placed.evidence["side_edges_a_mm"])
    scale, bend = by_its_own_size(sheet_of(), scale_of(true.view), placed, width_mm=seen, u_width_mm=0.2)
    assert bend.height_mm == scale.surface_height_mm == pytest.approx(height, abs=1e-6)
    assert bend.radius_mm == pytest.approx(RADIUS_MM)
    places = np.array([[0.0, 0.0], [15.0, 9.0], [-20.0, -11.0]])
    np.testing.assert_allclose(bend.project(places), true.project(places), atol=1e-6)
    # 0.05 mm of calliper, 0.5 % of spread, 0.2 mm of edges; 2.5 % and 1 % of radius
    width = np.hypot(np.hypot(0.05 / 25, 0.005), 0.2 / seen)
    assert scale.u_rel == pytest.approx((width**-2 + (0.025**2 + 0.01**2) ** -1) ** -0.5, rel=1e-6)


def test_without_a_calliper_width_the_former_tells_it():
    """Less surely: springback opens bends by some percent."""
    true = bend_at(view_from(300.0), 70.0)
    scale, bend = by_its_own_size(sheet_of(width_mm=None), scale_of(true.view), seen_on_the_bench(true))
    assert bend.height_mm == pytest.approx(70.0, abs=1e-6)
    assert scale.evidence["height_from"] == "radius of the bend"
    assert 0.025 < scale.u_rel < 0.04


def test_where_nothing_tells_the_budget_is_wide_and_says_why():
    """No calliper width and legs in view: from the bench to a crown on its legs, R (1 - cos 45) + 30 sin 45 = 30 mm."""
    legs = {name: value for name, value in SILHOUETTES.items() if name.startswith("side")}
    true = bend_at(view_from(300.0), 28.0, borders=legs)
    scale, bend = by_its_own_size(sheet_of(width_mm=None, angle_deg=90.0), scale_of(true.view), seen_on_the_bench(true))
    top = RADIUS_MM * (1 - np.cos(np.radians(45))) + 30 * np.sin(np.radians(45))
    assert scale.surface_height_mm == bend.height_mm == pytest.approx(top / 2)
    assert scale.surface_height_mm - 2 * scale.surface_height_u_mm < 0
    assert scale.surface_height_mm + 2 * scale.surface_height_u_mm > top
    assert any("raise the card" in caution for caution in scale.cautions)
    assert "height_from" not in scale.evidence


def test_an_entered_height_stands():
    """The calliper width is then the free check that the design wants it to be."""
    true = bend_at(view_from(300.0), 70.0)
    scale = scale_of(true.view)
    assert by_its_own_size(sheet_of(surface_height_mm=69.0), scale, true) == (scale, true)


def test_width_and_former_that_contradict_each_other_are_a_doubt():
    """A calliper width typed 15 % too small makes the radius 15 % too small: said, and nothing is within."""
    true = bend_at(view_from(300.0), 30.0)
    scale, _ = by_its_own_size(sheet_of(width_mm=0.85 * WIDTH_MM), scale_of(true.view), seen_on_the_bench(true))
    assert any("one of the three is wrong" in doubt for doubt in scale.evidence["doubts"])
    right, _ = by_its_own_size(sheet_of(), scale_of(true.view), seen_on_the_bench(true))
    assert not any("wrong" in doubt for doubt in right.evidence["doubts"])


def test_the_scale_no_longer_hangs_on_lens_or_print(cards):
    """A card printed 1 % too small, a photograph without a focal length, a crown 60 mm over it: the calliper width sets the
    scale at the crown all the same, and the budget says what of."""
    shot = cards.Shot(card="frame", distance_mm=380.0, focal_px=1400.0, look_at_mm=(80.0, 60.0), tilt_deg=6.0, azimuth_deg=40.0)
    scale = find_scale(cards.photograph(cards.expose(shot)), sheet_of(printed_length_mm=158.4))
    rotation, eye = shot.pose
    truly = View(focal_px=shot.focal_px, centre_px=shot.centre_px, rotation=rotation, translation_mm=-rotation @ eye)
    true = bend_at(truly, 60.0)
    ends = true.project(np.array([[0.0, -WIDTH_MM / 2], [0.0, WIDTH_MM / 2]]))
    width = float(np.linalg.norm(np.subtract(*scale.view.on_plane(ends))))
    crown = scale.view.on_plane(true.project(np.zeros((1, 2))))[0]
    placed = replace(bend_at(scale.view, 0.0, radius_mm=RADIUS_MM * width / WIDTH_MM), crown_mm=crown,
                     evidence={**true.evidence, "side_edges_a_mm": [-width / 2, width / 2]})  # fmt: skip
    raised, bend = by_its_own_size(sheet_of(printed_length_mm=158.4), scale, placed, width_mm=width, u_width_mm=0.1)
    here = true.project(np.zeros((1, 2)))[0]
    assert raised.at(here).u_rel < 0.01
    assert bend.mm_per_px_at(here) == pytest.approx(true.mm_per_px_at(here), rel=2 * raised.at(here).u_rel)
    sources = [line.source for line in raised.budget]
    assert "calliper width" in sources
    assert not any(source.startswith(("height", "size of the printed")) for source in sources)
    assert raised.surface_height_u_mm < scale.view.distance_mm * 0.05


def test_a_length_marked_on_the_crown_stays_the_scale():
    """Where the calliper width agrees that the length lies as high as the crown, the length sets the scale, and the width has
    checked it; where it lies on the bench, the width tells how far below."""
    view = view_from(300.0)
    known = Term(
        source="the known length", value=50.0, unit="mm", u=0.02, sensitivity=0.02, contribution=0.0004, basis="entered"
    )
    marked = replace(scale_of(view), method="length", budget=(known,), budget_at=lambda point: (known,))
    scale, bend = by_its_own_size(sheet_of(), marked, seen_on_the_bench(bend_at(view, 2.0)))
    assert bend.height_mm == scale.surface_height_mm == 0.0
    assert scale.surface_height_u_mm < 6.0
    assert "doubts" not in scale.evidence
    assert [line.source for line in scale.budget] == ["the known length", "height of the surface over the marker"]
    below, _ = by_its_own_size(sheet_of(), marked, seen_on_the_bench(bend_at(view, 60.0)))
    assert below.surface_height_mm == pytest.approx(60.0, abs=1e-6)
    assert below.evidence["doubts"]
