"""A scene hands out what it shows, and says what it shows to who asks for something else."""

import re
from dataclasses import replace
from itertools import permutations

import pytest

from specimeter.scene import section
from specimeter.scene.describe import Fracture, bent_bar, broken_end
from specimeter.scene.random import random_scene

ASKED = {"side-bend": bent_bar, "nick-break": broken_end, "macro-butt": section.cut_of}


@pytest.mark.parametrize("test", ASKED)
def test_a_scene_hands_out_its_specimen_and_its_metal(test):
    """Each kind of scene answers to its own question, with its own records."""
    scene = random_scene(3, test=test, width_px=400)
    assert ASKED[test](scene)[:2] == (scene.specimen, scene.finish)


@pytest.mark.parametrize(("shown", "asked"), list(permutations(ASKED, 2)))
def test_a_scene_that_shows_something_else_says_so(shown, asked):
    """The sentence names the scene, what was asked for and what it shows."""
    scene = random_scene(3, test=shown, width_px=400)
    with pytest.raises(TypeError, match=f"scene SC-000003 shows no .*: it shows a .*{re.escape(repr(shown))}"):
        ASKED[asked](scene)


def test_a_bend_without_a_weld_says_so():
    """A record may be put together wrongly: a bar with a break's metal, or without its weld."""
    scene = random_scene(3, test="side-bend", width_px=400)
    with pytest.raises(TypeError, match="with a Finish and no Weld"):
        bent_bar(replace(scene, weld=None))
    broken = random_scene(3, test="nick-break", width_px=400)
    assert isinstance(broken.finish, Fracture)
    with pytest.raises(TypeError, match="'side-bend' with a Fracture"):
        bent_bar(replace(scene, finish=broken.finish))
