"""Light obeys its laws: Lambert under a far lamp, mirror direction of the lobe, shadow where the bar stands between."""

from functools import partial

import numpy as np
import pytest

from specimeter.scene import light
from specimeter.scene.describe import Lamp, Light, Specimen

BAR = Specimen(
    test="face-bend", former_diameter_mm=24.0, thickness_mm=6.0, width_mm=20.0, crown_height_mm=50.0, axis_angle_deg=90.0
)

BEHIND = partial(light.behind_bar, BAR)


def lit(place=(2000.0, 0.0, -2000.0), ambient=0.0):
    return Light(name="test", lamps=(Lamp(place_mm=place, radius_mm=5.0, power=1.0),), ambient=ambient)


def test_light_falls_by_cosine_and_inverse_square():
    """A small lamp's irradiance on a level plane is power x (reference distance / distance)^2 x cosine (Lambert)."""
    x, place = np.array([150.0, 200.0, 250.0]), np.array([2000.0, 0.0, -2000.0])
    found = light.falling(BAR, lit(tuple(place)), x, x, 0.0, np.random.default_rng(1), BEHIND)[1, 1]
    offset = place - [200.0, 200.0, 0.0]
    distance, reference = np.linalg.norm(offset), np.linalg.norm(place - [0.0, 0.0, -50.0])
    assert found == pytest.approx((reference / distance) ** 2 * 2000.0 / distance, rel=5e-3)


def test_shadow_falls_on_the_far_side():
    """The lamp stands at +x: the bar's shadow lies at -x, and nothing is shaded at +x."""
    x, y = np.array([-60.0, -45.0, 100.0, 130.0]), np.array([-4.0, 0.0, 4.0])
    columns, rows = np.linspace(-80, 130, 60), np.linspace(-60, 60, 50)
    found = light.falling(BAR, lit(), columns, rows, 0.0, np.random.default_rng(1), BEHIND)[..., 0]
    middle = found[23:27].mean(axis=0)
    assert middle[np.argmin(np.abs(columns - x[1]))] < 0.45 * middle[np.argmin(np.abs(columns - x[2]))]
    assert y.size == 3


def test_metal_shines_most_in_the_mirror_direction():
    """With the half-vector along the normal the lobe is at its peak; turning the surface by 20 degrees loses most of it."""
    scene_light, crown = lit((0.0, 0.0, -900.0)), np.array([0.0, 0.0, -50.0])
    tilt = np.radians([0.0, 10.0, 20.0])
    normal = np.column_stack([np.sin(tilt), np.zeros(3), -np.cos(tilt)]).astype(np.float32)
    points = np.tile(crown.astype(np.float32), (3, 1))
    view = np.tile(np.array([0, 0, -1], np.float32), (3, 1))
    lay = np.tile(np.array([0, 1, 0], np.float32), (3, 1))
    rough = np.full(3, 0.1, np.float32)
    white = np.ones((3, 3), np.float32)
    level = light.metal(scene_light, points, view, normal, lay, rough, rough * 1.5, white, white * 0, crown)[:, 0]
    assert level[0] > level[1] > 3 * level[2]


def test_brushed_metal_spreads_light_across_its_lay():
    """Tilted across the lay (the rough direction) it stays bright; tilted along it by the same angle it does not."""
    scene_light, crown = lit((0.0, 0.0, -900.0)), np.array([0.0, 0.0, -50.0])
    tilt = np.radians(18.0)
    normal = np.array([[np.sin(tilt), 0, -np.cos(tilt)], [0, np.sin(tilt), -np.cos(tilt)]], np.float32)
    points, view = np.tile(crown.astype(np.float32), (2, 1)), np.tile(np.array([0, 0, -1], np.float32), (2, 1))
    lay = np.tile(np.array([0, 1, 0], np.float32), (2, 1))
    white = np.ones((2, 3), np.float32)
    along, across = np.full(2, 0.08, np.float32), np.full(2, 0.3, np.float32)
    level = light.metal(scene_light, points, view, normal, lay, along, across, white, white * 0, crown)[:, 0]
    assert level[0] > 5 * level[1]


def test_a_shadow_edge_takes_most_of_a_lamp_on_one_side():
    """0.88 of the lamp is gone beyond the edge, none before it."""
    lamp = Lamp(place_mm=(0.0, 0.0, -2000.0), radius_mm=5.0, power=1.0, edge=(0.0, 10.0, 2.0))
    points = np.array([[5.0, 0.0, 0.0], [15.0, 0.0, 0.0]])
    strength = light.lamp_at(lamp, points, np.zeros(3))[1]
    assert strength == pytest.approx([1.0, 0.12], abs=1e-3)


def test_what_hides_the_sky_darkens_the_ground():
    """Where everything is hidden no light is left."""
    x = np.array([120.0, 130.0])
    all_of_it = lambda points, rays: np.ones(len(points), bool)
    dark = light.falling(BAR, lit(ambient=0.5), x, x, 0.0, np.random.default_rng(1), BEHIND, all_of_it)
    assert dark == pytest.approx(np.zeros((2, 2, 3)), abs=1e-6)
