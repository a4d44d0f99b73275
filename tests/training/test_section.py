"""What the networks that read cuts are taught: labels lie where the joint is, and nothing is claimed where nothing shows."""

from __future__ import annotations

import json
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from specimeter.scene import geometry, shapes
from specimeter.scene.random import random_scene
from specimeter.segment.section_reading import TISSUES
from specimeter.training.section import HELD_OUT, scene_for
from specimeter.training.section_labels import Parts, filled, of_scene, planes
from specimeter.training.section_paint import painted
from specimeter.training.section_photographs import FAR_PIECES, NEAR_PIECES, photographed


def test_labels_of_a_joint_drawn_by_hand():
    """A plate with a round weld of 20 cells' radius, a zone 10 cells wide and a pore of 3: areas from the circles' own."""
    angle = np.linspace(0, 2 * np.pi, 200, endpoint=False)

    def circle(radius):
        return 60 + radius * np.column_stack([np.cos(angle), np.sin(angle)])

    parts = Parts(
        metal=np.array([[5, 5], [114, 5], [114, 114], [5, 114]]), welds=[circle(20)], gaps=[np.array([[5, 100], [50, 100]])],
        gap_cells=2.0, haz_cells=10.0, features=[(circle(3), 1)],
    )  # fmt: skip
    tissue, kinds, seen, covered = planes(parts, np.full((120, 120), 0.5, np.float32))
    count = [int((tissue == k).sum()) for k in range(len(TISSUES))]
    assert count[TISSUES.index("weld")] == pytest.approx(np.pi * 20**2, rel=0.03)
    assert count[TISSUES.index("haz")] == pytest.approx(np.pi * (30**2 - 20**2), rel=0.08)
    assert 2 * 45 <= count[TISSUES.index("gap")] <= 3 * 46  # two cells wide, between the grid's lines
    assert covered.sum() / 255 == pytest.approx(np.pi * 3**2, rel=0.03)
    assert (kinds == 1).sum() > (covered > 128).sum()
    assert (seen > 0).sum() == sum(count[1:])
    tissue, _, seen, _ = planes(parts, np.zeros((120, 120), np.float32))
    assert not seen.any()
    assert not (tissue == TISSUES.index("haz")).any()


@pytest.mark.parametrize("wide", [0.3, 0.7, 1.5])
def test_shares_of_a_thin_line_add_up_to_its_area(wide):
    """Width of a line in cells against the sum of its shares over its length of 40, at any angle and place."""
    rng, found = np.random.default_rng(5), []
    for _ in range(24):
        line = np.array([[-20, -wide / 2], [20, -wide / 2], [20, wide / 2], [-20, wide / 2]])
        found.append(filled([shapes.turn(line, rng.uniform(0, np.pi), rng.uniform(40, 60, 2))], (100, 100)).sum() / 40)
    assert np.mean(found) == pytest.approx(wide, abs=0.04)


def test_labels_lie_where_the_camera_sees_the_weld():
    """The weld's label in a scene against its outline projected by the camera, to half a cell."""
    scene = random_scene(41, test="macro-fillet", width_px=800, card="none", mm_per_px=0.08, tilt_deg=8.0)
    middle = geometry.project(scene.camera, geometry.place(scene.specimen, scene.specimen.developed(scene.specimen.joint.weld)))
    picture = SimpleNamespace(truth={"mm_per_px": geometry.mm_per_px(scene.specimen, scene.camera)})
    rgb = np.zeros((scene.camera.height_px, scene.camera.width_px, 3), np.uint8)
    sample = of_scene(scene, picture, rgb, 0.1, middle.mean(axis=0))
    rows, columns = np.nonzero(sample[3] == TISSUES.index("weld"))
    welds = [scene.specimen.joint.weld, *scene.specimen.joint.others]
    zoom = picture.truth["mm_per_px"] / 0.1
    seen = np.concatenate(
        [geometry.project(scene.camera, geometry.place(scene.specimen, scene.specimen.developed(one))) for one in welds]
    )
    width = np.ptp(seen, axis=0) * zoom
    assert np.ptp(columns) == pytest.approx(width[0], abs=2.0)
    assert np.ptp(rows) == pytest.approx(width[1], abs=2.0)


def test_a_painted_sample_is_whole_and_the_same_again():
    one, other = (painted(np.random.default_rng(4), 0.07, 192) for _ in range(2))
    assert one.shape == (7, 192, 192)
    assert np.array_equal(one, other)
    assert set(np.unique(one[3])) <= set(range(len(TISSUES)))
    assert (one[3] == TISSUES.index("weld")).any()


@pytest.mark.parametrize("held_out", [False, True])
def test_groups_held_out_are_never_trained_on(held_out):
    for seed in range(40, 52):
        scene = scene_for(seed, held_out, width_px=400)
        if scene is None:
            continue
        for name in ("finish", "light", "bench"):
            assert (scene.groups[name] in HELD_OUT[name]) == held_out
        assert held_out or scene.groups["etch"] not in HELD_OUT["etch"]


def test_samples_of_a_photograph_lie_on_its_truth(tmp_path):
    """A weld of 300 x 200 px with a pore of 40, at 0.08 mm a pixel: each sample's cells of either, where whole.

    What lies beyond the photograph is not known, and where nothing was etched nothing is claimed to be seen.
    """
    weld = np.array([[450.0, 300.0], [749.0, 300.0], [749.0, 499.0], [450.0, 499.0]])
    angle = np.linspace(0, 2 * np.pi, 100, endpoint=False)
    pore = 20 * np.column_stack([np.cos(angle), np.sin(angle)]) + [600, 400]
    truth = {
        "format": "specimeter-truth", "for_training": True, "width_px": 1200, "height_px": 800, "mm_per_px": 0.08,
        "area_outline_px": [[150, 250], [1050, 250], [1050, 550], [150, 550]], "unfused": [],
        "weld": {"etch": 1.0, "etched_px": [[[0, 0], [600, 0], [600, 800], [0, 800]]], "haz_mm": 1.0, "others_px": [],
                 "outline_px": weld.tolist()},
        "features": [{"kind": "pore", "outline_px": pore.tolist()}],
    }  # fmt: skip
    cv2.imwrite(str(tmp_path / "cut-1.png"), np.full((800, 1200, 3), 120, np.uint8))
    (tmp_path / "cut-1.truth.json").write_text(json.dumps(truth))
    samples = photographed(tmp_path / "cut-1.png", 3, ("far", "near"), (0.08, 0.0801))
    assert [name for name, _, _ in samples] == ["far"] * FAR_PIECES + ["near"] * NEAR_PIECES
    whole = [sample for name, _, sample in samples if name == "near" and (sample[3] != 255).all()]
    assert whole
    own = [(sample[3] == TISSUES.index("weld")).sum() for sample in whole]
    assert max(own) == pytest.approx(300 * 200, rel=0.02)
    assert max(sample[6].sum() / 255 for sample in whole) == pytest.approx(np.pi * 20**2, rel=0.02)
    assert max((sample[5] > 0).sum() for sample in whole) <= 450 * 300 * 1.02
    far = samples[0][2]
    assert 0 < (far[3] == 255).mean() < 1
