"""The broken face found on its own, against the scene's exact outline; and the pieces it is found with, against drawn truth."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from specimeter import photo as photos
from specimeter import sheet as sheets
from specimeter.errors import AreaError
from specimeter.scale.area_looks import OWN, look
from specimeter.scale.find import find_scale
from specimeter.scale.place import place_surface
from specimeter.scene.files import save
from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from specimeter.segment import area_fracture
from specimeter.segment.area import examined_area
from specimeter.segment.area_fracture import ALONG, _greatest, _sides, _within

WIDTH_PX = 1400


@pytest.fixture(scope="module")
def photographed(tmp_path_factory):
    """One plain nick-break photograph: its truth, photo and sheet."""
    scene = random_scene(81, test="nick-break", finish="mixed", light="overcast", bench="cutting-mat", card="strip",
                         height="level", width_px=WIDTH_PX, openings=2)  # fmt: skip
    picture = render(scene)
    path = save(picture, tmp_path_factory.mktemp("face"), "nick")
    return picture.truth, photos.read(path), sheets.read(path.with_suffix(".sheet.toml"))


def filled(outline, shape) -> np.ndarray:
    """Pixels inside a polygon."""
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(np.asarray(outline) * 16).astype(np.int32).reshape(-1, 1, 2)], 1, shift=4)
    return mask > 0


def test_a_broken_face_is_found_without_its_notches(photographed):
    """On a plain photograph the area is within 5 % of the truth (the goal for all) and covers it nine tenths."""
    truth, photo, sheet = photographed
    scale = find_scale(photo, sheet)
    surface = place_surface(photo, sheet, scale)
    assert surface.shape == "flat"
    area = examined_area(photo, sheet, scale, surface)
    shape = (photo.height_px, photo.width_px)
    mine, true = filled(area.outline_px, shape), filled(truth["area_outline_px"], shape)
    assert (mine & true).sum() / (mine | true).sum() > 0.9
    assert mine.sum() / true.sum() == pytest.approx(1, abs=0.05)
    assert area.found_by == "auto"
    assert 0.5 < area.confidence <= 1
    assert len(area.edges_px) == 4


def test_a_break_like_none_that_is_known_is_found_as_metal(photographed, monkeypatch):
    """Where the networks of faces deny all of it, the specimen's metal is looked at closely: found, and a person is asked."""
    truth, photo, sheet = photographed
    scale = find_scale(photo, sheet)
    monkeypatch.setattr(area_fracture, "face_log_odds", lambda looked: np.full(looked.hidden.shape, -8, np.float32))
    area = examined_area(photo, sheet, scale, place_surface(photo, sheet, scale))
    shape = (photo.height_px, photo.width_px)
    mine, true = filled(area.outline_px, shape), filled(truth["area_outline_px"], shape)
    assert (mine & true).sum() / (mine | true).sum() > 0.9
    assert area.confidence <= area_fracture.NO_FACE < area_fracture.LEAST_CONFIDENCE
    assert area_fracture.LOW in area.cautions


@pytest.mark.parametrize("turn_deg", [0, 20, 70, 155])
def test_a_box_round_an_outline_keeps_its_way(turn_deg):
    """A rectangle 40 by 20 gives itself back, its first side along the direction given, however that runs."""
    a = np.radians(turn_deg)
    turn = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    ring = np.array([[-20.0, -10.0], [20.0, -10.0], [20.0, 10.0], [-20.0, 10.0]]) @ turn
    for along, length in (([1.0, 0.05], 40), ([0.05, 1.0], 20), ([-1.0, 0.1], 40)):
        box = area_fracture._box(ring, np.array(along) @ turn)
        first = box[1] - box[0]
        assert np.hypot(*first) == pytest.approx(length, abs=0.01)
        assert first @ (np.array(along) @ turn) > 0


def test_where_no_face_is_it_asks_for_an_outline(photographed):
    """A sheet for a specimen ten times as large fits nothing in the photograph: an error that says how to mend it."""
    _, photo, sheet = photographed
    large = sheet.model_copy(
        update={"specimen": sheet.specimen.model_copy(update={"specimen_width_mm": 400.0, "specimen_thickness_mm": 200.0})}
    )
    scale = find_scale(photo, sheet)
    surface = place_surface(photo, sheet, scale)
    with pytest.raises(AreaError, match="no broken face") as caught:
        examined_area(photo, large, scale, surface)
    assert caught.value.field == "region.outline_px"


def test_the_greatest_run_is_the_greatest():
    """Against trying every run (brute force)."""
    rng = np.random.default_rng(5)
    for _ in range(20):
        values = rng.normal(size=25)
        best = max(values[i:j].sum() for i in range(25) for j in range(i + 1, 26))
        assert values[_greatest(values)].sum() == pytest.approx(best)


def test_sides_are_the_whole_outline():
    """Four sides, end to end, hold every point of a rectangle's outline."""
    t = np.linspace(0, 1, 20, endpoint=False)[:, None]
    corners = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 15.0], [0.0, 15.0]])
    outline = np.concatenate([a + t * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)])
    sides = _sides(outline)
    assert len(sides) == 4
    assert {tuple(p) for side in sides for p in side} == {tuple(p) for p in outline}


def test_sizes_within_their_limits_cost_nothing():
    """1 inside the limits, less outside, the same for halving as for doubling beyond them."""
    low, high = ALONG["nick-break"]
    assert _within(0.8 * 25, 25, (low, high)) == 1
    assert _within(2 * high * 25, 25, (low, high)) == pytest.approx(_within(low * 25 / 2, 25, (low, high)))
    assert _within(2 * high * 25, 25, (low, high)) < 1e-6


def test_looks_are_finite_and_tell_rough_from_smooth():
    """White noise is rougher than an even grey by more than its own spread, in every figure of roughness."""
    rng = np.random.default_rng(1)
    picture = np.full((300, 600, 3), 100, np.uint8)
    picture[:, 300:] = rng.integers(60, 140, (300, 300, 1), dtype=np.uint8)
    own = look(picture, 0.09).own
    assert np.isfinite(own).all()
    half = own.shape[1] // 2
    for name in ("fine", "middle"):
        values = own[..., OWN.index(name)]
        assert np.median(values[:, half + 4 :]) > np.median(values[:, : half - 4]) + 1
