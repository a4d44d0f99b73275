"""What a network reads in a cut: its places in the photograph, and the weld metal that is drawn from it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from specimeter.scene.section_joint import butt, fillet
from specimeter.segment.joint import find_butt, find_fillet
from specimeter.segment.plates import resampled
from specimeter.segment.section_reading import PLANES, TISSUES, Reading, prepared, run
from specimeter.segment.weld_metal import UNETCHED, WeldMetal, look_for
from specimeter.training.section_labels import Parts, planes


class Flat:
    """A surface on which a pixel is as many mm everywhere."""

    def __init__(self, mm: float, low: np.ndarray) -> None:
        self.mm, self.low = mm, low

    def project(self, points):
        return (np.asarray(points, float) - self.low) / self.mm

    def develop(self, points):
        return np.asarray(points, float) * self.mm + self.low

    def mm_per_px_at(self, _):
        return self.mm


class Sheet:
    """What of a sheet the search for weld metal asks for."""

    def __init__(self, test: str) -> None:
        self.specimen = type("Specimen", (), {"test": test})()
        self.section = None


class Area:
    """An examined area's outline."""

    def __init__(self, outline_px) -> None:
        self.outline_px = outline_px


def read(joint, etched: float, mm: float = 0.06) -> tuple[Reading, Flat, Area]:
    """A reading that is right, but soft by a cell, of a joint etched to that strength."""
    low = joint.metal.min(axis=0) - 2.0
    surface = Flat(mm, low)
    size = np.ceil((joint.metal.max(axis=0) + 2.0 - low) / mm).astype(int)
    parts = Parts(
        metal=surface.project(joint.metal), welds=[surface.project(joint.weld)], gaps=[], gap_cells=1.0, haz_cells=2.0 / mm,
        features=[],
    )  # fmt: skip
    tissue, _, seen, _ = planes(parts, np.full(size[::-1], etched, np.float32))
    soft = np.stack([cv2.GaussianBlur((tissue == k).astype(np.float32), (0, 0), 1.0) for k in range(len(TISSUES))]) + 0.01
    blank = np.zeros(tissue.shape, np.float32)
    reading = Reading(
        tissue=soft / soft.sum(axis=0), seen=seen.astype(np.float32) / 255, feature=blank, share=blank,
        kind=np.zeros((4, *tissue.shape), np.float32), light=-0.3 * soft[TISSUES.index("haz")], zoom=1.0, offset_px=np.zeros(2),
    )  # fmt: skip
    return reading, surface, Area(surface.project(resampled(joint.metal, 0.04)))


@pytest.mark.parametrize(
    ("test", "kind", "seed"), [("macro-fillet", "tee", 3), ("macro-fillet", "lap", 8), ("macro-butt", "v", 4)]
)
def test_weld_metal_is_drawn_where_it_is(test, kind, seed):
    """Area within its U of the exact integral over the joint's own polygon; the zone as wide as it was drawn, to 0.3 mm."""
    joint = (fillet if test == "macro-fillet" else butt)(np.random.default_rng(seed), kind)
    reading, surface, area = read(joint, etched=0.8)
    found = look_for(reading, Sheet(test), surface, area)
    assert isinstance(found, WeldMetal)
    x, y = surface.develop(found.outline_px).T
    size = abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
    assert size == pytest.approx(joint.sizes["weld_area_mm2"], abs=2 * found.u_line_mm * found.line_mm)
    assert size == pytest.approx(joint.sizes["weld_area_mm2"], rel=0.05)
    assert found.haz_px * 0.06 == pytest.approx(2.0, abs=0.3)
    assert found.share > 0.9


def test_what_no_etching_shows_is_not_drawn():
    joint = fillet(np.random.default_rng(3), "tee")
    reading, surface, area = read(joint, etched=0.0)
    assert look_for(reading, Sheet("macro-fillet"), surface, area) == UNETCHED


def test_a_reading_knows_its_places():
    """There and back again; a map is read where a pixel lies."""
    field = np.arange(12.0, dtype=np.float32).reshape(3, 4)
    blank = np.zeros((5, 3, 4), np.float32)
    one = Reading(
        tissue=blank,
        seen=field,
        feature=field,
        share=field,
        kind=blank,
        light=field,
        zoom=0.5,
        offset_px=np.array([10.0, 20.0]),
    )
    points = np.array([[10.5, 20.5], [14.5, 22.5]])
    assert one.to_photograph(one.from_photograph(points)) == pytest.approx(points)
    assert one.at(field, points) == pytest.approx([0.0, 6.0])


def test_the_networks_answer_for_pictures_of_any_size():
    """No multiple of the coarsest grid; the same picture twice as bright is the same picture."""
    rng = np.random.default_rng(0)
    coded = cv2.GaussianBlur(rng.uniform(0, 0.4, (75, 130, 3)).astype(np.float32), (0, 0), 2)
    answer = run("near", prepared(coded))
    assert answer.shape == (PLANES, 75, 130)
    assert np.allclose(answer, run("near", prepared(2 * coded)), atol=1e-3)


@pytest.mark.parametrize(("finder", "make", "toe"), [(find_fillet, fillet, 0), (find_butt, butt, 1)])
def test_an_overlap_is_seen_in_the_outline(finder, make, toe):
    """A lip of 0.9 mm over the plate: its toe where the metal leaves the plate, its overhang to a tenth of a millimetre."""
    joint = make(np.random.default_rng(12), "tee" if make is fillet else "v", overlap=(0.9, 35.0))
    found = finder(resampled(joint.metal, 0.03))
    toes = found.face.toes if finder is find_fillet else found.top.toes
    lips = [one for one in toes if one.lip is not None]
    assert len(lips) == 1
    assert np.hypot(*(lips[0].point - joint.toes[toe])) < 0.12
    assert lips[0].angle_deg == pytest.approx(35.0, abs=4.0)
    reach = np.abs((lips[0].lip - lips[0].point) @ lips[0].plate.direction).max()
    assert reach == pytest.approx(joint.overlaps[0].length_mm, abs=0.1)
