"""The data that teach the network for broken faces: shares of pixels agree with the outlines, held-out groups stay out."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from specimeter.scene import shapes
from specimeter.scene.bench import BENCHES
from specimeter.scene.random import FRACTURES, LIGHTS, random_scene
from specimeter.scene.render import render
from specimeter.segment.fracture_learned import FAMILIES, NETWORK
from specimeter.training import fracture_sample as sampling
from specimeter.training.fracture_composite import composite, outlines


def test_training_never_draws_a_held_out_group():
    """Fractures, lights and benches are split whole; tuning and check scenes use both halves, and no seed is in two."""
    for name, among in (("finish", FRACTURES), ("light", LIGHTS), ("bench", BENCHES)):
        assert set(sampling.HELD_OUT[name]) | set(sampling.TRAINED_ON[name]) == set(among)
        assert not set(sampling.HELD_OUT[name]) & set(sampling.TRAINED_ON[name])
    assert sampling.groups_for(sampling.TRAINING_SEEDS[0]) == sampling.TRAINED_ON
    assert {str(sampling.groups_for(seed)) for seed in sampling.CHECK_SEEDS[:2]} == {
        str(sampling.HELD_OUT), str(sampling.TRAINED_ON)
    }  # fmt: skip
    reserved = [sampling.TRAINING_SEEDS, sampling.TUNING_SEEDS, sampling.CHECK_SEEDS]
    ends = sorted((seeds.start, seeds.stop) for seeds in reserved)
    assert all(low[1] <= high[0] for low, high in pairwise(ends))
    assert all(stop <= 900_000 or start >= 1_000_000 for start, stop in ends)


def test_shares_add_up_to_the_areas_of_the_features():
    """Each family's shares of pixels add up to its features' areas in the picture at the network's sampling, within 3 %."""
    scene = random_scene(17, test="nick-break", width_px=700, card="none", openings=4)
    picture = render(scene)
    truth = picture.truth
    cut = sampling.cut(picture.rgb, truth, truth["mm_per_px"])
    planes, centres = cut.planes, cut.centres_px
    zoom = truth["mm_per_px"] / NETWORK.sampling_mm
    for k, family in enumerate(FAMILIES):
        own = [np.array(f["outline_px"]) for f in truth["features"] if sampling.family(f["kind"]) == family]
        expected = sum(shapes.area_mm2(outline) for outline in own) * zoom**2
        assert planes[3 + k].sum() / 255 == pytest.approx(expected, rel=0.03, abs=2)
    face = shapes.area_mm2(np.array(truth["area_outline_px"])) * zoom**2
    assert planes[sampling.AREA].sum() / 255 == pytest.approx(face, rel=0.01)
    assert len(centres) == len(truth["features"])


def test_composites_are_the_same_for_a_seed_and_features_lie_apart_within_the_area():
    """Same seed, same picture; no pixel is covered by two families, none outside the area; most seeds draw something."""
    drawn = [composite(seed).planes for seed in range(6)]
    assert np.array_equal(drawn[3], composite(3).planes)
    for planes in drawn:
        families = planes[3 : sampling.AREA].astype(int)
        assert families.sum(axis=0).max() <= 255
        assert (families.max(axis=0) <= planes[sampling.AREA]).all()
        assert planes[:3].std() > 3
    assert sum(planes[3 : sampling.AREA].any() for planes in drawn) >= 3


def test_outlines_alone_are_as_those_of_composites_and_leave_the_colours_to_the_accelerator():
    """The same for a seed; families apart and within the area; each feature's middle is named; nothing is drawn yet."""
    drawn = [outlines(seed) for seed in range(8)]
    assert np.array_equal(drawn[3].planes, outlines(3).planes)
    for one in drawn:
        families = one.planes[3 : sampling.AREA].astype(int)
        assert families.sum(axis=0).max() <= 255
        assert (families.max(axis=0) <= one.planes[sampling.AREA]).all()
        assert not one.planes[:3].any()
        assert bool(len(one.centres_px)) == bool((families > 127).any())
    assert sum(len(one.centres_px) for one in drawn) > 20
