"""Every form of opening can be drawn, in the sizes that were promised, and groups of light and finish vary."""

import numpy as np
import pytest

from specimeter.scene import groups, lot, shapes
from specimeter.scene.random import random_scene


@pytest.mark.parametrize("form", sorted(set(lot.FORMS)))
def test_every_form_is_drawn_within_its_sizes(form):
    """Lengths 0.25 to 12.5 mm, width under the length and at least 0.05 mm, cracks thin; corner tears alone reach an edge."""
    scene = random_scene(17, width_px=1000, test="side-bend", card="none")
    rng = np.random.default_rng(23)
    drawn = [one for _ in range(12) for one in lot._group(rng, scene.specimen, scene.weld, form)]
    assert drawn
    for opening in drawn:
        length, width = shapes.length_mm(opening.outline_mm), shapes.width_mm(opening.outline_mm)
        assert 0.1 < length < 12.5
        assert 0.04 <= width < length
        assert opening.depth_mm > 0.05
        assert opening.at_corner == (form == "corner-tear")
        assert opening.kind == ("crack" if form in ("ragged", "slit") else "opening")
        if form == "slit":
            assert width < 0.16 * length


@pytest.mark.parametrize("name", sorted(groups.FINISHES))
def test_finishes_are_physical(name):
    """Reflectances below one, roughness positive; two draws of a group differ."""
    one, two = (groups.finish(np.random.default_rng(seed), name, 0) for seed in (1, 2))
    assert max(one.colour) < 1
    assert one.gloss_along > 0
    assert one.gloss_across > 0
    assert 0 <= one.scale < 1
    assert (one.gloss_along, one.diffuse) != (two.gloss_along, two.diffuse)


@pytest.mark.parametrize("name", sorted(groups.LIGHTS))
def test_lamps_hang_above_the_bench(name):
    scene = random_scene(19, width_px=800)
    made = groups.light(np.random.default_rng(3), name, scene.specimen, scene.camera)
    assert made.lamps
    assert made.ambient > 0
    assert all(lamp.place_mm[2] < 0 and lamp.power > 0 and lamp.radius_mm > 0 for lamp in made.lamps)
