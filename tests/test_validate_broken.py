"""The validation's truth of broken faces: its surface, area and features are the scene's own."""

from __future__ import annotations

import numpy as np
import pytest

from specimeter.scene import shapes, truth
from specimeter.scene.random import random_scene
from specimeter.validate import truth as truths
from specimeter.validate.examine import stem


@pytest.fixture(scope="module")
def told():
    """The truth of one small fillet-break scene."""
    return truth.of(random_scene(31, test="fillet-break", width_px=600, openings=4))


def test_the_surface_is_the_mean_plane_of_the_face(told):
    """Scale at the middle of the face as the scene states it (central differences, so nearly exact)."""
    surface = truths.surface(told)
    assert surface.shape == "flat"
    middle = surface.project(np.zeros((1, 2)))[0]
    assert surface.mm_per_px_at(middle) == pytest.approx(told["mm_per_px"], rel=1e-4)


def test_the_area_is_the_face_with_four_sides(told):
    """Its developed area is the face's own, but for the relief that the outline lies on (a few tenths of a mm in 200)."""
    area = truths.area(told)
    assert len(area.edges_px) == 4
    developed = truths.surface(told).develop(area.outline_px)
    assert shapes.area_mm2(developed) == pytest.approx(told["area_mm2"], rel=0.03)


def test_no_feature_of_a_broken_face_is_cut_by_steepness(told):
    """All count, each with its own kind and size."""
    assert truths.cut(told) == [False] * len(told["features"])
    features = truths.features(told)
    assert [one.kind for one in features] == [one["kind"] for one in told["features"]]


def test_scenes_of_a_test_have_names_of_their_own():
    """So that a cache never mixes bends with breaks."""
    assert stem(900001, 1600) != stem(900001, 1600, "nick-break")
