"""From light to file: blur of lens and depth, vignetting, exposure, noise, sharpening, tone curve, 8-bit sRGB."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import ArrayLike

from specimeter.scene.describe import Camera, Imaging

_BLURS_PX = (0.0, 0.8, 1.6, 3.2, 6.4)


def look_at(
    target_mm: ArrayLike, distance_mm: float, tilt_deg: float, tilt_towards_deg: float, roll_deg: float
) -> tuple[np.ndarray, np.ndarray]:
    """Camera rotation (3, 3) and eye (3,) that look at a point: `tilt_deg` from straight down, leaning to a bench direction."""
    tilt, towards = np.radians(tilt_deg), np.radians(tilt_towards_deg)
    back = np.array([np.sin(tilt) * np.cos(towards), np.sin(tilt) * np.sin(towards), -np.cos(tilt)])
    eye = np.asarray(target_mm, float) + distance_mm * back
    forward = -back
    right = np.cross(np.array([0.0, 1.0, 0.0]), forward)
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    roll = np.radians(roll_deg)
    x = np.cos(roll) * right + np.sin(roll) * down
    y = -np.sin(roll) * right + np.cos(roll) * down
    return np.array([x, y, forward]), eye


def expose(
    light: np.ndarray, depth_mm: np.ndarray, crown_depth_mm: float, face_level: float, camera: Camera, imaging: Imaging
) -> np.ndarray:
    """The 8-bit picture (H, W, 3) of linear light (H, W, 3); `depth_mm` (H, W) is the distance along the optical axis.

    `face_level` is the radiance that is exposed to `imaging.exposure`. The light array is used up.
    """
    rng = np.random.default_rng(imaging.seed)
    height, width = depth_mm.shape
    y, x = np.arange(height, dtype=np.float32)[:, None], np.arange(width, dtype=np.float32)
    r2 = (x - camera.centre_px[0]) ** 2 + (y - camera.centre_px[1]) ** 2
    shading = 1 - np.float32(imaging.vignette) * r2 / np.float32(0.25 * (width**2 + height**2))
    spread = np.abs(depth_mm - np.float32(crown_depth_mm - imaging.focus_height_mm)) * np.float32(imaging.defocus_px_per_mm)
    blur = cv2.blur(np.minimum(spread, _BLURS_PX[-1]), (5, 5))
    for band in range(3):  # one colour at a time: a third of the memory
        plane = light[..., band] * np.float32(imaging.balance[band] * imaging.exposure / face_level)
        if not imaging.off:
            plane = _focus(np.minimum(plane, 12), blur, imaging) * shading
            plane += np.float32(imaging.flare) * (plane.mean() - plane)
            noise = rng.standard_normal(plane.shape, dtype=np.float32)
            noise *= np.sqrt(np.clip(plane, 0, 1) / np.float32(imaging.photons) + np.float32(imaging.read_noise**2))
            plane += noise
        light[..., band] = plane
    if imaging.off:
        return encode(light)
    if imaging.chroma_blur_px:
        luma = light.mean(axis=2)
        for band in range(3):
            light[..., band] = luma + cv2.GaussianBlur(light[..., band] - luma, (0, 0), imaging.chroma_blur_px)
    picture = np.empty(light.shape, np.uint8)
    for band in range(3):
        plane = encode_float(light[..., band])
        if imaging.curve:
            plane += np.float32(imaging.curve) * (plane * plane * (3 - 2 * plane) - plane)
        if imaging.sharpen:
            plane += np.float32(imaging.sharpen) * (plane - cv2.GaussianBlur(plane, (0, 0), imaging.sharpen_px))
        picture[..., band] = np.clip(plane * 255 + 0.5, 0, 255)
    return picture


def _focus(plane: np.ndarray, blur: np.ndarray, imaging: Imaging) -> np.ndarray:
    """Blur one colour (H, W) by the lens and by `blur` (H, W), the sigma in px of what is out of focus: blends of Gaussians."""
    result = last = cv2.GaussianBlur(plane, (0, 0), imaging.psf_px) if imaging.psf_px > 0.2 else plane
    for low, high in pairwise(_BLURS_PX):
        if blur.max() <= low:
            break
        last = cv2.GaussianBlur(last, (0, 0), (high**2 - low**2) ** 0.5)
        # a blend of two Gaussians has the blend of their variances
        share = np.clip((blur**2 - np.float32(low**2)) / np.float32(high**2 - low**2), 0, 1)
        result = result + (last - result) * share
    return result


def encode_float(linear: np.ndarray) -> np.ndarray:
    """sRGB-encoded 0..1 float32 of linear light (IEC 61966-2-1)."""
    linear = np.clip(linear, 0, 1).astype(np.float32)
    return np.where(
        linear <= np.float32(0.0031308),
        linear * np.float32(12.92),
        np.float32(1.055) * np.power(linear, np.float32(1 / 2.4)) - np.float32(0.055),
    )


def encode(linear: np.ndarray) -> np.ndarray:
    """sRGB-encoded uint8 of linear light."""
    return np.clip(encode_float(linear) * 255 + 0.5, 0, 255).astype(np.uint8)
