"""Lens and sensor: encoding against scikit-image, blur and noise against what was asked."""

import numpy as np
import pytest
from skimage.color import rgb2xyz

from specimeter.scene import camera
from specimeter.scene.describe import Camera, Imaging


def view(width=200, height=160):
    rotation, eye = camera.look_at([0, 0, 0], 300.0, 0.0, 0.0, 0.0)
    place = {"rotation": rotation, "eye_mm": eye, "focal_px": 300.0, "centre_px": (99.5, 79.5), "k1": 0.0}
    return Camera(name="test", width_px=width, height_px=height, **place)


def even(level=0.3, **changes):
    settings = {"psf_px": 0.0, "photons": 1e9, "read_noise": 0.0, "exposure": level, **changes}
    return camera.expose(np.ones((160, 200, 3), np.float32), np.full((160, 200), 300.0, np.float32), 300.0, 1.0, view(),
                         Imaging(**settings))  # fmt: skip


def test_encoding_is_srgb():
    """scikit-image decodes sRGB to linear XYZ: the luminance of an encoded grey is the linear level (8 bits: 0.5 %)."""
    for level in (0.02, 0.18, 0.5, 0.9):
        grey = camera.encode(np.full((2, 2, 3), level, np.float32))
        assert rgb2xyz(grey)[0, 0, 1] == pytest.approx(level, abs=0.005)


def test_defocus_blurs_by_the_asked_sigma():
    """The edge's slope after blurring is that of a Gaussian step: 1 / (sigma sqrt(2 pi)) of its height a pixel."""
    for sigma in (1.2, 2.5, 5.0):
        plane = np.zeros((160, 200), np.float32)
        plane[:, 100:] = 1.0
        found = camera._focus(plane, np.full(plane.shape, sigma, np.float32), Imaging(psf_px=0.0))
        x = np.arange(199) + 0.5
        step = np.diff(found[80].astype(float))
        spread = np.sqrt((step * x**2).sum() - (step * x).sum() ** 2)
        assert spread == pytest.approx(sigma, rel=0.05)


def test_shot_noise_follows_the_photons():
    """In linear light the variance is level / photons; 8-bit rounding adds a known (1/255)^2 / 12 in encoded units."""
    picture = even(0.25, photons=2000.0, seed=3).astype(float) / 255
    linear = ((picture + 0.055) / 1.055) ** 2.4
    rounding = (1 / 255 / 12**0.5) * 2.4 / 1.055 * ((picture.mean() + 0.055) / 1.055) ** 1.4
    assert linear.std() == pytest.approx(np.hypot(np.sqrt(0.25 / 2000.0), rounding), rel=0.03)
    assert linear.mean() == pytest.approx(0.25, rel=0.01)


def test_vignetting_darkens_the_corners():
    picture = even(0.3, vignette=0.3)
    linear = ((picture[..., 1] / 255 + 0.055) / 1.055) ** 2.4
    assert linear[0, 0] / linear[80, 100] == pytest.approx(0.7, abs=0.02)


def test_look_at_puts_the_target_in_the_middle():
    """A camera aimed at a point sees it on its optical axis, at the asked distance and tilt."""
    rotation, eye = camera.look_at([10.0, -5.0, -40.0], 320.0, 14.0, 65.0, 30.0)
    assert rotation @ rotation.T == pytest.approx(np.eye(3), abs=1e-12)
    assert rotation @ (np.array([10.0, -5.0, -40.0]) - eye) == pytest.approx(np.array([0.0, 0.0, 320.0]), abs=1e-9)
    assert np.degrees(np.arccos(rotation[2, 2])) == pytest.approx(14.0)
