"""What a broken face shows, found and outlined: against drawn truth and against a rendered scene's exact features."""

from __future__ import annotations

import json
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from specimeter.segment import fracture
from specimeter.segment.fracture_figures import NAMES, figures
from specimeter.segment.fracture_maps import prepare
from specimeter.segment.fracture_outline import outline
from specimeter.segment.fracture_propose import Region, propose, shared
from specimeter.segment.model import ExaminedArea

MM_PER_PX = 0.05
SIZE = (360, 520)


def drawn(contrast: float = 0.25, seed: int = 3) -> np.ndarray:
    """A rough grey face with one dark disc of radius 14 px at [260.3, 170.6], sRGB-coded, blurred by 1 px."""
    rng = np.random.default_rng(seed)
    noise = cv2.GaussianBlur(rng.standard_normal(SIZE).astype(np.float32), (0, 0), 1.5)
    light = 0.25 * np.exp(0.12 * noise / noise.std())
    y, x = np.indices(SIZE, dtype=np.float64)
    share = np.clip(14.5 - np.hypot(x - 260.3, y - 170.6), 0, 1)
    light = cv2.GaussianBlur(light * (1 - share * (1 - contrast)), (0, 0), 1.0)
    coded = np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.repeat(np.round(coded * 255).astype(np.uint8)[..., None], 3, axis=2)


@pytest.fixture(scope="module")
def face():
    """The drawn face, examined but for a border of 20 px."""
    area = np.array([[20.0, 20.0], [499.0, 20.0], [499.0, 339.0], [20.0, 339.0]])
    return prepare(drawn(), area, (), MM_PER_PX)


def test_maps_lie_where_the_photograph_does(face):
    """A point goes to the maps and back; the examined area has its true size."""
    assert face.factor == 1
    assert face.usable.sum() == pytest.approx(480 * 320, rel=0.01)
    assert np.allclose(face.to_photograph([[0.0, 0.0]]), face.corner_px)


def test_a_dark_disc_is_proposed_and_outlined_at_its_half_level(face):
    """The strongest dark proposal over the disc's middle gives its radius within 0.5 px: blur^2 / (2 r) shifts it by 0.04 px,
    the texture of 12 % by some tenths."""
    middle = np.array([260.3, 170.6]) - face.corner_px
    over = [r for r in propose(face) if r.look == "dark" and holds(r, middle)]
    assert over
    best = max(over, key=lambda region: region.strength)
    edge = outline(face, best)
    assert edge is not None
    radius = np.linalg.norm(edge.outline - middle, axis=1)
    assert np.mean(radius) == pytest.approx(14.0, abs=0.5)
    assert 0.07 / MM_PER_PX < edge.u_edge < 3.0


def holds(region: Region, point) -> bool:
    """Whether a region's mask holds a point [column, row]."""
    column, row = np.round(point).astype(int) - [region.left, region.top]
    rows, columns = region.mask.shape
    return bool(0 <= row < rows and 0 <= column < columns and region.mask[row, column])


def test_figures_say_that_a_dark_disc_is_dark_and_round(face):
    """Darker than its surroundings by a third or more (a proposal is wider than the disc), nearly round, all finite."""
    middle = np.array([260.3, 170.6]) - face.corner_px
    over = max((r for r in propose(face) if r.look == "dark" and holds(r, middle)), key=lambda region: region.strength)
    row = figures(face, over)
    assert np.isfinite(row).all()
    told = dict(zip(NAMES, row, strict=True))
    assert np.log(0.25) * 1.1 < told["light low"] < told["light"] < -0.4
    assert told["slender"] < 0.3
    assert told["dark"] == 1
    assert told["width"] == pytest.approx(np.log(28 * MM_PER_PX), abs=0.35)


def test_a_face_without_anything_has_few_likely_regions():
    """Plain texture alone: at most one proposal passes for something."""
    area = np.array([[20.0, 20.0], [499.0, 20.0], [499.0, 339.0], [20.0, 339.0]])
    plain = prepare(drawn(contrast=1.0, seed=8), area, (), MM_PER_PX)
    assert len(fracture.weighed(plain)) <= 1


def test_probabilities_are_those_of_the_weights():
    """They sum to 1; a committee of zero weights says every family alike."""
    rng = np.random.default_rng(2)
    rows = rng.normal(size=(5, len(NAMES)))
    assert np.allclose(fracture.probabilities(rows).sum(axis=1), 1)
    model = json.loads(fracture.WEIGHTS.read_text(encoding="utf-8"))
    count = len(model["families"])
    none = [np.zeros((4, len(NAMES))), np.zeros(4), np.zeros((4, 4)), np.zeros(4), np.zeros((count, 4)), np.zeros(count)]
    assert np.allclose(fracture.probabilities(rows, {**model, "members": [none]}), 1 / count)


def test_shared_pixels_are_counted():
    """Two squares of 4 by 4 that overlap by 2 by 3."""
    square = np.ones((4, 4), bool)
    one = Region(mask=square, left=0, top=0, look="dark", scale_mm=0.3, strength=1.0)
    two = Region(mask=square, left=2, top=1, look="dark", scale_mm=0.3, strength=1.0)
    assert shared(one, two) == 6
    assert shared(one, Region(mask=square, left=9, top=9, look="dark", scale_mm=0.3, strength=1.0)) == 0


def test_a_dark_disc_is_found_in_the_photograph():
    """The whole segmenter on the drawn face: likeliest first, the disc where it was drawn, a round one as a convex outline."""
    area = ExaminedArea(outline_px=np.array([[20.0, 20.0], [499.0, 20.0], [499.0, 339.0], [20.0, 339.0]]))
    flat = SimpleNamespace(mm_per_px_at=lambda point: MM_PER_PX)
    found = fracture.find_fracture(SimpleNamespace(rgb=drawn(contrast=0.1)), flat, area)
    assert found
    assert [one.confidence for one in found] == sorted((one.confidence for one in found), reverse=True)
    over = [one for one in found if np.hypot(*(one.outline_px.mean(axis=0) - [260.3, 170.6])) < 3]
    assert len(over) == 1, "what overlaps a likelier one is left out"
    radius = np.hypot(*(over[0].outline_px - [260.3, 170.6]).T)
    assert radius.mean() == pytest.approx(14.0, abs=1.0)
    assert over[0].evidence["look"] == "dark"
    assert 0 < over[0].u_edge_px <= over[0].u_tip_px


@pytest.mark.parametrize(
    ("family", "to_border_mm", "slender", "width_mm", "kind"),
    [
        ("pore", 0.0, 1.0, 1.0, "pore"),
        ("unfused", 0.0, 9.0, 0.2, "lack-of-root-fusion"),
        ("unfused", 5.0, 9.0, 0.2, "lack-of-inter-run-fusion"),
        ("unfused", 5.0, 1.2, 0.2, "lack-of-fusion"),
        ("unfused", 5.0, 9.0, 3.0, "lack-of-fusion"),
    ],
)
def test_unfused_surface_is_named_by_its_place_and_form(family, to_border_mm, slender, width_mm, kind):
    """At the face's border it is at the root; a thin line within lies between runs; else it is no more than not fused."""
    region = Region(mask=np.ones((4, 4), bool), left=0, top=0, look="dark", scale_mm=0.3, strength=1.0)
    face = SimpleNamespace(to_border_mm=np.full((9, 9), to_border_mm))
    told = {"slender": np.log(slender), "width": np.log(width_mm)}
    assert fracture._kind(face, region, family, told) == kind
