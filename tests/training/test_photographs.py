"""Photographs given for training: those kept for checks stay out; what a file says makes the same sample as the scene."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from specimeter.scene.files import jpeg
from specimeter.scene.random import random_scene
from specimeter.scene.render import render
from specimeter.training import face, face_close, fracture_sample, photographs
from specimeter.training.make import SOURCES


def saved(folder: Path, stem: str, picture, **more) -> Path:
    """A rendered picture and its truth as files."""
    path = folder / f"{stem}.jpg"
    path.write_bytes(jpeg(picture))
    path.with_suffix(".truth.json").write_text(json.dumps(picture.truth | more))
    return path


@pytest.fixture(scope="module")
def picture():
    """A small broken face."""
    return render(random_scene(23, test="nick-break", width_px=500, card="none", openings=3))


def test_only_photographs_meant_for_training_are_taken(tmp_path, picture):
    """One without a truth or with a damaged one, one kept for checks and one that does not say are left out."""
    saved(tmp_path, "b", picture, for_training=True)
    saved(tmp_path, "a", picture, for_training=True)
    saved(tmp_path, "kept", picture, for_training=False)
    saved(tmp_path, "silent", picture)
    saved(tmp_path, "damaged", picture).with_suffix(".truth.json").write_text('{"format": "specimeter-tr')
    (tmp_path / "bare.jpg").write_bytes(jpeg(picture))
    assert [path.stem for path in photographs.for_training(tmp_path)] == ["a", "b"]


def test_a_file_makes_the_sample_that_the_scene_makes(tmp_path, picture):
    """Same pixels, same shares, same middles."""
    path = saved(tmp_path, "one", picture, for_training=True)
    given = SOURCES["broken"].taken(*photographs.read(path), 5)
    own = fracture_sample.sample(photographs.decoded(picture), picture.truth, 5)
    assert np.array_equal(given.planes, own.planes)
    assert np.allclose(given.centres_px, own.centres_px)


def test_what_is_no_photograph_with_its_truth_is_refused(tmp_path, picture):
    """Another file's truth, a truth of another size, a damaged picture."""
    path = saved(tmp_path, "one", picture, width_px=17)
    with pytest.raises(ValueError, match="another size"):
        photographs.read(path)
    path = saved(tmp_path, "two", picture, format="something else")
    with pytest.raises(ValueError, match="no truth"):
        photographs.read(path)
    path = saved(tmp_path, "three", picture)
    path.write_bytes(b"no picture")
    with pytest.raises(ValueError, match="cannot be read"):
        photographs.read(path)


def test_every_third_example_of_a_face_is_a_photograph_but_none_that_is_kept_for_checking(tmp_path, picture):
    """What is drawn for the check stays drawn; a photograph whose end is not wholly in view gives the close look nothing."""
    path = saved(tmp_path, "one", picture, for_training=True)
    whole = [[20.0, 20.0], [480.0, 20.0], [480.0, 300.0], [20.0, 300.0]]
    shown = [face.given_or(lambda seed: "drawn", 1000, [path], lambda rgb, truth, rng: rgb.shape, 1000 + k) for k in range(24)]
    assert [k for k, one in enumerate(shown) if one != "drawn"] == [k for k in range(24) if k % 3 == 2 and k % 8 > 1]
    assert set(shown) == {"drawn", picture.rgb.shape}
    assert face.given_or(lambda seed: "drawn", 0, [], None, 2) == "drawn"
    rgb, truth = photographs.read(path)
    rng = np.random.default_rng(0)
    height, width = rgb.shape[:2]
    assert face_close.of_photograph(rgb, truth | {"end_outline_px": [[-3, 0], [width, 0], [width, height]]}, rng) is None
    inner = [[x * (width - 1) / 500, y * (height - 1) / 320] for x, y in whole]
    assert face_close.of_photograph(rgb, truth | {"end_outline_px": inner}, rng).planes.shape[0] == 5


def test_bytes_that_are_no_picture_are_said_to_be_none(picture):
    """A rendered picture's own JPEG is read; the same bytes without their head are not."""
    coded = np.frombuffer(jpeg(picture), np.uint8)
    assert np.array_equal(photographs.pixels(coded), photographs.decoded(picture))
    with pytest.raises(ValueError, match=f"{coded.size - 99} bytes are no picture"):
        photographs.pixels(coded[99:])
