"""Cut metal found and outlined in rendered photographs, and sizes from it against exact truth."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from specimeter import job
from specimeter import photo as photos
from specimeter import sheet as sheets
from specimeter.errors import AreaError
from specimeter.scene.files import save
from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from specimeter.segment.section_outline import carve, follow


@pytest.fixture(scope="module", params=[("macro-fillet", 3018, 1632), ("macro-butt", 3029, 1632)])
def measured(request, tmp_path_factory):
    """A plain scene through the whole job, and its truth."""
    folder = tmp_path_factory.mktemp("cut")
    test, seed, width_px = request.param
    scene = random_scene(seed, test=test, width_px=width_px)
    path = save(render(scene), folder, "cut")
    found = job.find(
        photos.read(path), sheets.read(folder / "cut.sheet.toml"), None, method="openings", progress=lambda _: None
    )
    return found, json.loads((folder / "cut.truth.json").read_text())


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
        assert max(feature.depth_mm for feature in undercuts) == pytest.approx(deep, abs=0.1)


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


def test_a_path_is_drawn_to_the_edge_and_round_a_notch():
    """From a coarse outline three pixels off; the square's edge is at 39.5, the notch's foot at 57.5."""
    light, square = _square_with_notch()
    outline, clear = follow(light, square + np.array([2.0, -3.0]), 8.0, 3.0)
    assert clear > 0.8
    side = outline[(outline[:, 1] > 60) & (outline[:, 1] < 140) & (outline[:, 0] < 100)]
    assert np.abs(side[:, 0] - 39.5).max() < 0.2
    notch = outline[np.abs(outline[:, 0] - 99.5) < 2.0]
    assert notch[:, 1][notch[:, 1] < 100].max() == pytest.approx(57.5, abs=0.6)


def test_nothing_is_carved_where_there_is_no_notch():
    _, square = _square_with_notch()
    dense = np.concatenate([np.linspace(a, b, 60, endpoint=False) for a, b in zip(square, np.roll(square, -1, 0), strict=True)])
    normal = dense - dense.mean(axis=0)
    normal /= np.hypot(*normal.T)[:, None]
    filled = np.full((200, 200, 3), 0.1, np.float32)
    filled[40:160, 40:160] = 0.6
    assert carve(filled, dense, normal, 30.0) is None
