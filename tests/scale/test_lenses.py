"""Views for other distances of the lens: what stays in the picture, what changes, and how a bend settles the scale."""

import json
from types import SimpleNamespace

import numpy as np
import pytest

from specimeter import photo as photos
from specimeter import sheet as sheets
from specimeter.scale.find import find_scale
from specimeter.scale.place import place_surface, settled


@pytest.fixture(scope="module")
def case(bend_case):
    """The rendered side bend as if its photograph told no focal length."""
    photo, sheet = photos.read(bend_case.photo), sheets.read(bend_case.sheet)
    untold = SimpleNamespace(
        file=photo.file,
        rgb=photo.rgb,
        width_px=photo.width_px,
        height_px=photo.height_px,
        focal_35mm_mm=None,
        linear=photo.linear,
    )
    return SimpleNamespace(photo=untold, sheet=sheet, scale=find_scale(untold, sheet), truth=bend_case.truth)


def test_the_marker_looks_the_same_from_every_distance(case):
    """By definition: places on the marker's plane stay within the noise of the edges; places over it move."""
    lenses = case.scale.lenses()
    marks = np.array([[4.0, 4.0, 0.0], [96.0, 4.0, 0.0], [96.0, 16.0, 0.0], [4.0, 16.0, 0.0]])
    near, far = lenses.view(-lenses.u), lenses.view(lenses.u)
    assert far.distance_mm > near.distance_mm
    assert near.project(marks) == pytest.approx(far.project(marks), abs=0.5)
    assert np.abs(near.project(marks - [0, 0, 30.0]) - far.project(marks - [0, 0, 30.0])).max() > 0.3


def test_surprise_grows_both_ways_in_standard_uncertainties(case):
    lenses = case.scale.lenses()
    assert lenses.surprise(0.0) == pytest.approx(0.0, abs=1e-6)
    assert lenses.surprise(lenses.u) == pytest.approx(1.0, abs=0.35)  # the fit is not quite linear
    assert lenses.surprise(-lenses.u) == pytest.approx(-1.0, abs=0.35)


def test_the_lens_is_found_without_a_focal_length(case):
    """The renderer's own camera stands within three stated standard uncertainties, and the settled scale says no less."""
    surface = place_surface(case.photo, case.sheet, case.scale)
    scale = settled(case.scale, surface)
    u = scale.evidence["u_lens_over_marker_rel"]
    true = case.truth["camera"]["focal_px"]
    assert abs(np.log(surface.view.focal_px / true)) < 3 * u
    assert scale.view is surface.view
    assert u <= case.scale.evidence["u_lens_over_marker_rel"] * 1.001
    assert scale.u_rel <= case.scale.u_rel * 1.05
    json.dumps(surface.evidence)
