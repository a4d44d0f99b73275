"""Training samples: what their maps say is what was drawn, and nothing that judges is ever trained on."""

from itertools import pairwise

import cv2
import numpy as np
import pytest
from skimage.draw import polygon2mask

from specimeter.training import grounds, marks, openings, prints, texture
from specimeter.training.composite import SIZE_PX, composite, outlines
from specimeter.training.sample import CHANNELS, cover, face, weight_of
from specimeter.training.split import CHECK_SEEDS, HELD_OUT, TRAINED_ON, TRAINING_SEEDS, TUNING_SEEDS, groups_for
from specimeter.validate.examine import RESERVED


def test_held_out_groups_and_seeds_are_kept_apart():
    """No finish, light or bench is on both sides, and no seed is in two ranges or reserved for validation."""
    for name, held in HELD_OUT.items():
        assert held
        assert not set(held) & set(TRAINED_ON[name])
        for seed in (TRAINING_SEEDS[0], TRAINING_SEEDS[1], TRAINING_SEEDS[-1]):
            assert not set(groups_for(seed)[name]) & set(held)
        assert set(groups_for(CHECK_SEEDS[0])[name]) == set(held)
    ranges = (TUNING_SEEDS, CHECK_SEEDS, range(RESERVED, TRAINING_SEEDS.start), TRAINING_SEEDS)
    for one, other in pairwise(ranges):
        assert one.stop <= other.start


def test_coverage_is_the_area_of_the_polygon():
    """The shares add up to the shoelace area, and agree with scikit-image's filling."""
    outline = np.array([[10.2, 12.7], [41.9, 15.1], [33.3, 44.4], [18.0, 30.5]])
    share = cover(outline, (60, 60)) / 255
    x, y = outline.T
    area = abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
    assert share.sum() == pytest.approx(area, rel=0.003)
    filled = polygon2mask((60, 60), outline[:, ::-1])
    assert np.mean((share > 0.5) == filled) > 0.99


@pytest.mark.parametrize("width", [0.5, 1.0, 1.7])
def test_coverage_of_a_slit_is_its_area(width):
    """A slit thinner than a pixel covers as much as length times width says."""
    slit = np.array([[5.0, 10.0], [45.0, 22.0], [45.0 - 0.3 * width, 22.0 + width], [5.0 - 0.3 * width, 10.0 + width]])
    x, y = slit.T
    area = abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
    assert cover(slit, (40, 60)).sum() / 255 == pytest.approx(area, rel=0.08)


def test_small_features_weigh_more():
    """A speck's pixels weigh more than a large opening's, and those far from both weigh 1."""
    feature = np.zeros((120, 120), np.uint8)
    feature[10:14, 10:14] = 255
    feature[50:110, 50:110] = 255
    weight = weight_of(feature) / 16
    assert weight[12, 12] > 5
    assert weight[80, 80] == weight[119, 0] == 1


@pytest.mark.parametrize("seed", range(6))
def test_a_composite_is_repeatable_and_its_maps_agree(seed):
    """Cracks are features, marks are not, and nothing is true beyond the examined area."""
    one, again = composite(seed), composite(seed)
    assert np.array_equal(one.planes, again.planes)
    assert one.planes.shape == (len(CHANNELS), SIZE_PX, SIZE_PX)
    feature, crack, mark, area = one.planes[3:7]
    assert np.all(crack <= feature)
    assert not np.any((mark > 0) & (feature > 0))
    assert not np.any((feature > 0) & (area == 0))


def test_an_opening_takes_light_away():
    """On an even surface the middle of a carved opening is darker than half the surface, whatever it is filled with."""
    rng = np.random.default_rng(4)
    ratios = []
    for _ in range(20):
        rgb = np.full((128, 128, 3), 0.3, np.float32)
        disc = cover(64 + 20 * np.column_stack([np.cos(t := np.linspace(0, 6.28, 60)), np.sin(t)]), (128, 128))
        openings.carve(rng, rgb, disc.astype(np.float32) / 255)
        ratios.append(np.median(rgb[disc > 200]) / 0.3)
    assert np.mean(np.array(ratios) < 0.5) > 0.85


def test_surfaces_vary():
    """Two surfaces have little in common, and all have a median of about a quarter."""
    surfaces = [texture.surface(np.random.default_rng(seed), 96).mean(axis=2) for seed in range(5)]
    assert all(0.1 < np.median(s) < 0.5 for s in surfaces)
    assert abs(np.corrcoef(surfaces[0].ravel(), surfaces[1].ravel())[0, 1]) < 0.5


def test_a_face_is_cut_from_its_scene_with_its_truth():
    """Features of a rendered face are darker than the metal around them, and lie in the examined area."""
    sample = face(TRAINING_SEEDS[3], width_px=480, mm_per_px=0.12)
    assert sample.planes.shape[0] == len(CHANNELS)
    grey, feature, area = sample.planes[:3].mean(axis=0), sample.planes[3], sample.planes[6]
    assert (area > 127).mean() > 0.1
    inside = (feature > 200) & (area > 127)
    assert inside.sum() > 10
    assert np.median(grey[inside]) < np.median(grey[(feature == 0) & (area > 127)])


@pytest.mark.parametrize("family", grounds.FAMILIES)
def test_every_family_of_pattern_is_a_field_of_its_own(family):
    """Finite, not flat, and other with another seed."""
    one, other = (family(np.random.default_rng(seed), 96) for seed in (1, 2))
    assert one.shape == (96, 96)
    assert np.isfinite(one).all()
    assert one.std() > 0
    assert not np.array_equal(one, other)
    pattern = grounds.pattern(np.random.default_rng(3), 96)
    assert abs(pattern.mean()) < 1e-3
    assert pattern.std() == pytest.approx(1, abs=1e-3)


@pytest.mark.parametrize("ground", prints.GROUNDS)
def test_ground_that_is_no_metal_has_light_and_dark_marks(ground):
    """Linear light above nothing everywhere; over three seeds what is marked is on the whole darker than the rest."""
    darker = []
    for seed in range(3):
        rgb, dark = ground(np.random.default_rng(seed), 128)
        assert rgb.shape == (128, 128, 3)
        assert np.isfinite(rgb).all()
        assert rgb.min() > 0
        if 0.01 < (dark > 127).mean() < 0.99:
            grey = rgb.mean(axis=2)
            darker.append(np.median(grey[dark > 127]) < np.median(grey[dark <= 127]))
    assert sum(darker) * 2 >= len(darker)


def test_nothing_opens_where_there_is_no_metal(monkeypatch):
    """Composites of print, cloth or wood alone have no feature; where both are, an opening lies on metal for the most part."""
    monkeypatch.setattr("specimeter.training.composite.FOREIGN", 0.3)  # in training, few of them
    whole = 0
    for seed in range(20):
        planes = composite(seed).planes
        feature, foreign = planes[3], planes[8]
        if (foreign > 0).all():
            whole += 1
            assert not feature.any()
        if feature.any():
            assert (foreign[feature > 127] > 0).mean() < 0.5
    assert whole >= 1


@pytest.mark.parametrize("kind", range(len(marks.KIND_ODDS)))
def test_each_kind_of_mark_is_entered_where_it_changes_the_light(kind, monkeypatch):
    """Drawn on even metal it changes some of it (shadows and glints too, though they are not entered)."""
    monkeypatch.setattr(marks, "KIND_ODDS", np.eye(len(marks.KIND_ODDS))[kind])
    changed, entered = 0, 0
    for seed in range(4):
        rgb, mark, foreign = (
            np.full((160, 160, 3), 0.25, np.float32),
            np.zeros((160, 160), np.uint8),
            np.zeros((160, 160), np.uint8),
        )
        marks.distract(np.random.default_rng(seed), rgb, mark, foreign)
        assert np.isfinite(rgb).all()
        changed += bool((np.abs(rgb - 0.25) > 0.01).any())
        entered += bool(mark.any())
    assert changed >= 2
    assert entered >= 1 or kind in (0, 10, 22)


def test_outlines_alone_are_mostly_small_and_leave_the_colours_to_the_accelerator():
    """The same for a seed; within the area; each opening's middle is named; half of them or more are 40 px or shorter."""
    drawn = [outlines(seed) for seed in range(12)]
    assert np.array_equal(drawn[3].planes, outlines(3).planes)
    small = total = 0
    for one in drawn:
        assert not one.planes[:3].any()
        assert (one.planes[4] <= one.planes[3]).all()
        assert (one.planes[3] <= one.planes[6]).all()
        assert bool(len(one.centres_px)) == bool(one.planes[3].any())
        _, _, stats, _ = cv2.connectedComponentsWithStats((one.planes[3] > 100).astype(np.uint8), connectivity=8)
        extents = np.hypot(stats[1:, cv2.CC_STAT_WIDTH], stats[1:, cv2.CC_STAT_HEIGHT])
        small, total = small + int((extents <= 40).sum()), total + len(extents)
    assert total > 20
    assert small >= total / 2
