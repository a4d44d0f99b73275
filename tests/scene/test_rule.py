"""Rules in scenes: marks where they should be, scenes without one as they were, and the sheet that goes with them."""

import numpy as np
import pytest

from specimeter.scene import rule
from specimeter.scene.random import random_scene
from specimeter.scene.rule_random import carries_rule, sheet_lines
from specimeter.scene.rule_table import on_plane, table_shot
from specimeter.scene.truth import of, sheet_toml


def clean(**changes):
    """A white rule without wear: body, divisions and lengths known."""
    from dataclasses import replace

    drawn = rule.random_rule(3, body="white-plastic", division_mm=1.0)
    settings = {
        "wear": 0.0, "divisions_mm": (1.0, 0.0), "lengths_mm": (2.0, 3.0, 4.0, 5.5), "mark_mm": 0.2, "inset_mm": 0.0,
        "edge_line": False, "numerals": "none", "width_mm": 20.0, "length_mm": 150.0,
    }  # fmt: skip
    return replace(drawn, **settings | changes)


@pytest.mark.parametrize(("division", "depth"), [(1.0, 2.5), (0.5, 1.5)])
def test_marks_stand_at_their_divisions(division, depth):
    """The drawing crossed `depth` mm from its edge: one mark a division, centred to 0.03 mm, none missing."""
    per_mm = 30
    drawn = rule.draw(clean(divisions_mm=(division, 0.0)), per_mm).mean(axis=2)
    row = drawn[round(depth * per_mm)]
    dark = (row < 0.5 * np.median(row)).astype(int)
    edges = np.flatnonzero(np.diff(dark) != 0) + 1
    centres = edges.reshape(-1, 2).mean(axis=1) / per_mm
    assert centres == pytest.approx(rule.FIRST_MARK_MM + division * np.arange(len(centres)), abs=0.03)
    assert len(centres) == round(140 / division) + 1


def test_longer_marks_at_fives_and_tens():
    """4.5 mm from the edge only tens, 3.5 mm fives and tens (lengths 3, 4, 5.5)."""
    per_mm = 30
    drawn = rule.draw(clean(), per_mm).mean(axis=2)
    for depth, step in ((4.8, 10), (3.5, 5)):
        row = drawn[round(depth * per_mm)]
        dark = row < 0.5 * np.median(row)
        expected = rule.FIRST_MARK_MM + np.arange(0, 141, step)
        assert [bool(dark[round(x * per_mm)]) for x in expected] == [True] * len(expected)
        assert dark.mean() < 1.5 * 0.2 / step


def test_a_scene_without_a_rule_stays_as_it_was():
    """The option draws from a stream of its own: share 0 and no option give the same scene; so does a seed not chosen."""
    seed = next(s for s in range(50) if not carries_rule(s, 0.3))
    plain, spared = random_scene(seed), random_scene(seed, rule=0.3)
    assert of(plain) == of(spared)
    assert sheet_toml(plain) == sheet_toml(spared)
    assert random_scene(seed).rule is None


def test_the_share_is_kept():
    """About 30 of 100 seeds, within three standard deviations of a binomial (4.6)."""
    count = sum(carries_rule(seed, 0.3) for seed in range(100))
    assert 16 <= count <= 44


def test_a_scene_with_a_rule_says_so():
    """It lies in a strip's place; truth tells its outline and divisions, the sheet asks for graduations."""
    scene = random_scene(5, rule=True)
    truth = of(scene)
    assert truth["card"] is None
    assert truth["rule"]["divisions_mm"] == list(scene.rule.divisions_mm)
    assert scene.groups["card"] == "rule"
    assert 'method = "graduations"' in sheet_toml(scene)
    inside = np.array(truth["rule"]["outline_px"])
    assert (inside.min(axis=0) < [truth["width_px"], truth["height_px"]]).all()
    assert (inside.max(axis=0) > 0).all()
    rotation = np.array(truth["rule"]["rotation"])
    np.testing.assert_allclose(rotation @ rotation.T, np.eye(3), atol=1e-12)


def test_the_sheet_never_names_the_wrong_division():
    """Only a rule with one kind of division has it named."""
    for seed in range(40):
        drawn = rule.random_rule(seed)
        named = [line for line in sheet_lines(seed, drawn) if line.startswith("graduation_mm")]
        divisions = {mm for mm in drawn.divisions_mm if mm}
        assert not named or (len(divisions) == 1 and named == [f"graduation_mm = {divisions.pop():g}"])


def test_a_table_shot_is_in_true_perspective():
    """Its scale is the asked one at the middle, and its camera's rays meet the plane where they should."""
    shot = table_shot(2, width_px=320, px_per_mm=5.0, tilt_deg=0.0)
    middle = np.array([159.5, 119.5])
    assert shot.mm_per_px(middle) == pytest.approx(0.2, rel=0.01)
    apart = on_plane(shot.camera, np.array([[100.0, 100.0], [200.0, 100.0]]), 0.0)
    assert np.linalg.norm(apart[1] - apart[0]) == pytest.approx(20.0, rel=0.02)
    assert shot.rgb.shape == (240, 320, 3)
    assert shot.rgb.std() > 5
