"""Between its pixels a picture is the same by every OpenCV, and the same as by SciPy."""

import ast
from pathlib import Path

import cv2
import numpy as np
import pytest
import scipy

from specimeter import lookup

BORDERS = {"constant": cv2.BORDER_CONSTANT, "replicate": cv2.BORDER_REPLICATE, "mirror": cv2.BORDER_REFLECT_101}


@pytest.fixture
def rng():
    return np.random.default_rng(7)


def picture(rng, kind, channels=1):
    shape = (40, 60) if channels == 1 else (40, 60, channels)
    if kind.startswith("float"):
        return rng.random(shape).astype(kind)
    return rng.integers(0, np.iinfo(kind).max, shape, endpoint=True).astype(kind)


def places(rng, within):
    """Places [x], [y] of the picture, at least so far within it."""
    return (rng.uniform(within, size - 1 - within, (30, 50)).astype(np.float32) for size in (60, 40))


@pytest.mark.parametrize("kind", ["uint8", "uint16", "float32"])
@pytest.mark.parametrize("way", [lookup.at, lookup.of_neighbours])
def test_linear_is_scipy_s(rng, kind, way):
    """`map_coordinates` with order 1 is the bilinear form in float64; ours is in float32, or rounded to a whole level."""
    field = picture(rng, kind)
    x, y = places(rng, 0.5)
    wanted = scipy.ndimage.map_coordinates(field.astype(float), [y, x], order=1)
    assert np.abs(way(field, x, y) - wanted).max() <= (2e-7 if kind == "float32" else 0.51)


@pytest.mark.parametrize("border", BORDERS)
@pytest.mark.parametrize("kind", [cv2.INTER_LINEAR, cv2.INTER_CUBIC], ids=["linear", "cubic"])
@pytest.mark.parametrize("channels", [1, 3])
def test_both_ways_agree_beyond_the_border_too(rng, border, kind, channels):
    """The one for OpenCV 5 and the one for older ones; where the installed one is older, both are the latter."""
    field = picture(rng, "float32", channels)
    x, y = places(rng, -5)
    one, other = (way(field, x, y, kind=kind, border=BORDERS[border]) for way in (lookup.at, lookup.of_neighbours))
    assert one.shape == other.shape
    assert np.abs(one - other).max() < 2e-6


def test_what_is_not_known_stays_so(rng):
    """A place any of whose neighbours lies outside is not a number, where that is what lies beyond."""
    field = picture(rng, "float32")
    x, y = (np.array([[value]], np.float32) for value in (-0.25, 10.5))
    assert np.isnan(lookup.at(field, x, y, beyond=np.nan)).all()
    assert np.isnan(lookup.of_neighbours(field, x, y, beyond=np.nan)).all()


@pytest.mark.parametrize("inverse", [False, True])
def test_turned_as_by_reading_each_place(rng, monkeypatch, inverse):
    """By the installed OpenCV's own function, and by the way for older ones: a turn by 11 degrees, a third larger."""
    field = scipy.ndimage.gaussian_filter(picture(rng, "float32"), 1.5)
    turn = 4 / 3 * np.array([[np.cos(0.2), -np.sin(0.2), 3.1], [np.sin(0.2), np.cos(0.2), -2.2]])
    back = turn if inverse else cv2.invertAffineTransform(turn)
    y, x = np.mgrid[:50, :70]
    x, y = (row @ [x.ravel(), y.ravel(), np.ones(x.size)] for row in back)
    wanted = scipy.ndimage.map_coordinates(field, [y, x], order=1, mode="nearest").reshape(50, 70)
    for rounds in (lookup.ROUNDS, True):
        monkeypatch.setattr(lookup, "ROUNDS", rounds)
        found = lookup.turned(field, turn, (70, 50), inverse=inverse, border=cv2.BORDER_REPLICATE)
        assert np.abs(found - wanted).max() < 2e-5  # places in float32: up to 4e-6 px, and a slope of at most 1 a pixel


def test_what_measures_reads_between_pixels_by_no_other_way():
    """In the rooms that measure, OpenCV's own functions are called only to read whole pixels, where no version rounds."""
    package = Path(lookup.__file__).parent
    calls = [
        (path.name, ast.unparse(node))
        for room in ("scale", "segment", "measure")
        for path in sorted((package / room).glob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and ast.unparse(node.func) in ("cv2.remap", "cv2.warpAffine", "cv2.warpPerspective")
    ]
    assert calls, "nothing was read"
    assert [call for call in calls if "INTER_NEAREST" not in call[1]] == []
