"""Sections in scenes: truth in closed form, the same picture from the same seed, the metal where the truth says it is."""

from __future__ import annotations

from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specimeter.colour import to_linear
from specimeter.scene import section, section_truth, shapes
from specimeter.scene.random import MACRO_TESTS, random_scene
from specimeter.scene.render import render
from specimeter.scene.section_joint import arc, butt, fillet, notch, over_chord


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), kind=st.sampled_from(["tee", "lap", "corner"]))
def test_a_fillets_sizes_hold_together(seed, kind):
    """The throat is no longer than either leg; weld metal is inside the metal; the largest triangle is inside the throat."""
    joint = fillet(np.random.default_rng(seed), kind, undercuts=seed % 3)
    sizes = joint.sizes
    assert sizes["throat_mm"] <= min(sizes["leg_1_mm"], sizes["leg_2_mm"]) + 1e-9
    assert sizes["theoretical_throat_mm"] <= sizes["throat_mm"] + 1e-6
    inner = joint.weld.mean(axis=0) + 0.98 * (joint.weld - joint.weld.mean(axis=0))
    assert (shapes.distance_to(joint.metal, inner) < 0.05).all()
    assert all(one.depth_mm > 0 and one.root_radius_mm > 0 for one in joint.undercuts)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), kind=st.sampled_from(["v", "double-v", "square"]))
def test_a_butts_sizes_hold_together(seed, kind):
    joint = butt(np.random.default_rng(seed), kind, undercuts=seed % 3)
    assert 0 < joint.sizes["penetration_mm"] <= joint.thickness
    assert joint.sizes["weld_width_mm"] == pytest.approx(np.hypot(*(joint.toes[1] - joint.toes[0])))
    assert 90 < joint.sizes["toe_angle_1_deg"] <= 180


def test_an_arc_stands_as_high_as_it_says():
    for rise in (1.5, -0.8):
        heights = over_chord(arc([3, 4], [9, 1], rise))
        assert heights[np.argmax(np.abs(heights))] == pytest.approx(rise, abs=1e-4)


def test_a_notch_is_as_deep_as_it_says():
    shape = notch(0.6, 0.1, 20, 40)
    assert shape[:, 1].max() == pytest.approx(0.6, abs=1e-3)
    assert shape[0, 1] == shape[-1, 1] == 0


@pytest.mark.parametrize("test", MACRO_TESTS)
def test_a_section_is_drawn_where_its_truth_says(test):
    """Without lens and noise the metal is told from what lies round it at its outline; the same seed gives the same picture."""
    scene = random_scene(11, test=test, width_px=480, card="none", ideal=True, marks=False, tilt_deg=0.0)
    picture = render(scene)
    assert np.array_equal(picture.rgb, render(scene).rgb)
    truth = picture.truth
    assert set(truth["section"]) >= {"toe_angle_1_deg", "toe_angle_2_deg", "weld_area_mm2"}
    assert f'test = "{test}"' in picture.sheet_toml
    outline = np.array(truth["area_outline_px"])
    assert shapes.area_mm2(outline) * truth["mm_per_px"] ** 2 == pytest.approx(truth["area_mm2"], rel=0.02)
    assert (outline > -1).all()
    assert (outline < [truth["width_px"], truth["height_px"]]).all()


@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
def test_a_gap_is_drawn_as_long_and_as_wide_as_it_is_said_to_be(turn_deg):
    """Its dark area is length times width (elementary geometry), to half a per cent, and nothing of it lies beyond its ends."""
    turn = np.radians(turn_deg)
    way = np.array([np.cos(turn), np.sin(turn)])
    ends = np.array([[6.0, 5.0], [6.0, 5.0] + 4.0 * way])
    maps = SimpleNamespace(
        shape=(300, 300),
        per_mm=25.0,
        texel=lambda p: np.asarray(p) * 25.0,
        metal=np.ones((300, 300, 3)),
        body=np.ones((300, 300, 3)),
    )
    specimen = SimpleNamespace(gap_mm=0.8, developed=lambda p: p, joint=SimpleNamespace(gaps=[ends]))
    section._gaps(maps, specimen)
    dark = (1 - maps.metal[..., 0]) / 0.93
    assert dark.sum() == pytest.approx(4.0 * 0.8 * 25.0**2, rel=0.005)
    y, x = np.nonzero(dark > 0.5)
    along = (np.column_stack([x, y]) / 25.0 - ends[0]) @ way
    assert -0.03 < along.min() < 0.03  # a texel is 0.04 mm wide
    assert 3.97 < along.max() < 4.03


def test_a_root_that_is_not_fused_ends_the_penetration():
    """The weld metal reaches along the faying line no farther than to where a lack of root fusion begins."""
    shortened = 0
    for seed in range(40):
        scene = random_scene(seed, test="macro-fillet")
        told, drawn = section_truth.sizes(scene)["penetration_mm"], scene.specimen.joint.sizes["penetration_mm"]
        corner = scene.specimen.developed([[0.0, 0.0]])[0]
        roots = [one for one in scene.openings if one.kind == "lack-of-root-fusion"]
        assert told == pytest.approx(drawn, abs=1e-4) if not roots else told < drawn
        for one in roots:
            assert (np.maximum(corner[0] - one.outline_mm[:, 0], 0.0) >= told - 1e-4).all()
        shortened += bool(roots)
    assert shortened > 2


def test_imperfections_are_drawn_where_their_outlines_lie():
    """On the way out of a dark hollow the light reaches half of the metal's near the outline: its slopes end at its rim."""
    off, steps = [], np.arange(-3, 4.1, 0.25)
    for seed in (13930006, 13930009, 13930012):
        picture = render(random_scene(seed, test=MACRO_TESTS[seed % 2], width_px=1200, ideal=True))
        light = to_linear(picture.rgb / 255).mean(axis=2).astype(np.float32)
        for one in picture.truth["features"]:
            ring = np.array(one["outline_px"])
            along = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
            out = np.column_stack([along[:, 1], -along[:, 0]]) / np.maximum(np.hypot(*along.T), 1e-9)[:, None]
            out *= np.sign(np.mean(((ring - ring.mean(axis=0)) * out).sum(axis=1)))
            places = (ring + out * steps[:, None, None]).astype(np.float32)
            level = np.median(cv2.remap(light, places[..., 0], places[..., 1], cv2.INTER_LINEAR), axis=1)
            darkest = int(level[:13].argmin())
            half = (level[darkest] + np.median(level[-6:])) / 2
            off.append(steps[darkest + int(np.argmax(level[darkest:] >= half))])
    assert len(off) >= 5
    assert np.median(off) == pytest.approx(0.0, abs=0.5)


def test_a_line_takes_no_more_light_than_its_own_width():
    """Light that a crack or an unfused line takes from the same cut without it, as an area of black: no more than its own."""
    shares = []
    for seed in (13930007, 13930033):
        choices = {"test": MACRO_TESTS[seed % 2], "width_px": 900, "ideal": True, "marks": False}
        picture, bare = (render(random_scene(seed, **choices, clean=clean)) for clean in (False, True))
        light, without = (to_linear(one.rgb / 255).mean(axis=2) for one in (picture, bare))
        lost = 1 - light / np.maximum(without, 1e-3) * np.median(without) / np.median(light)
        for one in picture.truth["features"]:
            if one["form"] == "line":
                ring = np.array(one["outline_px"])
                (left, top), (right, foot) = np.floor(ring.min(0)).astype(int) - 3, np.ceil(ring.max(0)).astype(int) + 4
                shares.append(float(lost[top:foot, left:right].sum()) / shapes.area_mm2(ring))
    assert len(shares) >= 4
    assert max(shares) < 1.1, shares
    assert min(shares) > 0.5, shares
