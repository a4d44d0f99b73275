"""Maps of the metal: relief of the asked strength and direction, weld where it was put."""

import dataclasses

import numpy as np
import pytest

from specimeter.scene import material
from specimeter.scene.describe import Finish, Specimen, Weld

BAR = Specimen(test="face-bend", former_diameter_mm=24.0, thickness_mm=6.0, width_mm=16.0, crown_height_mm=40.0)
PLAIN = Finish(name="test", colour=(0.5, 0.5, 0.5), diffuse=0.2, gloss_along=0.1, gloss_across=0.3, lay_deg=0.0, streak=0.1,
               streak_mm=(0.1, 0.3), seed=5)  # fmt: skip
NO_WELD = Weld(layout="across", half_width_mm=4.0, root_half_width_mm=2.0)


def test_noise_has_unit_strength_and_runs_along_its_angle():
    """Neighbours along the lay resemble each other far more than neighbours across it."""
    field = material.noise(np.random.default_rng(2), (300, 400), 10.0, (0.3,), stretch=30.0, angle_deg=0.0)
    assert field.std() == pytest.approx(1.0, rel=1e-3)
    along = np.corrcoef(field[:, :-5].ravel(), field[:, 5:].ravel())[0, 1]
    across = np.corrcoef(field[:-5].ravel(), field[5:].ravel())[0, 1]
    assert along > 0.9
    assert abs(across) < 0.3


def test_lay_along_the_bar_tilts_the_metal_across_it():
    maps = material.make(BAR, PLAIN, NO_WELD, 12.0)
    assert maps.slope_a.std() > 10 * maps.slope_s.std()
    assert maps.slope_a.std() == pytest.approx(0.1, rel=0.5)


def test_etched_weld_is_where_its_fusion_lines_are():
    """Mean brightness inside the band differs by the asked contrast from the parent metal far away."""
    weld = dataclasses.replace(NO_WELD, contrast=-0.3, wobble_mm=0.0)
    maps = material.make(BAR, dataclasses.replace(PLAIN, streak=0.0), weld, 12.0)
    columns = np.arange(maps.shape[1]) / maps.per_mm + maps.s0
    tone = maps.metal[..., 1].mean(axis=0)
    inside, outside = tone[np.abs(columns) < 3].mean(), tone[(np.abs(columns) > 6) & (np.abs(columns) < 15)].mean()
    assert inside / outside == pytest.approx(0.7, abs=0.06)


def test_fusion_lines_of_a_section_open_from_root_to_face():
    """V: from the root's half width at one edge to the full one at the other; K: widest at both edges."""
    a = np.array([-8.0, 0.0, 8.0])
    weld = Weld(layout="section", half_width_mm=6.0, root_half_width_mm=2.0, wobble_mm=0.0)
    assert np.diff(material.fusion_lines(weld, a, 16.0), axis=0)[0] / 2 == pytest.approx([2.0, 4.0, 6.0])
    wide = material.fusion_lines(dataclasses.replace(weld, shape="K"), a, 16.0)
    assert np.diff(wide, axis=0)[0] / 2 == pytest.approx([6.0, 2.0, 6.0])


def test_samples_are_taken_where_asked():
    """A ramp in s and a is read back exactly between texels (bilinear)."""
    maps = material.make(BAR, PLAIN, NO_WELD, 8.0)
    rows, columns = np.indices(maps.shape)
    ramp = (maps.s0 + columns / maps.per_mm + 100 * (maps.a0 + rows / maps.per_mm)).astype(np.float32)
    s, a = np.array([0.03, -7.77], np.float32), np.array([1.21, -3.3], np.float32)
    assert maps.sample(ramp, s, a) == pytest.approx(s + 100 * a, abs=0.5)  # OpenCV interpolates in 1/32 texel steps
