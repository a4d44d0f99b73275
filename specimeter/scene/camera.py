"""From light to file: blur of lens and depth, vignetting, exposure, noise, sharpening, tone curve, 8-bit sRGB."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np

from specimeter.scene.describe import Camera, Imaging

_BLURS_PX = (0.0, 0.8, 1.6, 3.2, 6.4)


def look_at(target_mm, distance_mm: float, tilt_deg: float, tilt_towards_deg: float, roll_deg: float):
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
    light *= np.float32(imaging.exposure / face_level)
    light *= np.asarray(imaging.balance, np.float32)
    if imaging.off:
        return encode(light)
    light = _focus(np.minimum(light, 12.0), depth_mm - (crown_depth_mm - imaging.focus_height_mm), imaging)
    if imaging.vignette:
        y, x = np.indices(light.shape[:2], sparse=True, dtype=np.float32)
        r2 = (x - camera.centre_px[0]) ** 2 + (y - camera.centre_px[1]) ** 2
        light *= (1 - np.float32(imaging.vignette) * r2 / (0.25 * (camera.width_px**2 + camera.height_px**2)))[..., None]
    noise = rng.standard_normal(light.shape, dtype=np.float32)
    noise *= np.sqrt(np.clip(light, 0, 1) / np.float32(imaging.photons) + np.float32(imaging.read_noise**2))
    light += noise
    if imaging.chroma_blur_px:
        luma = light.mean(axis=2, keepdims=True)
        light = luma + cv2.GaussianBlur(light - luma, (0, 0), imaging.chroma_blur_px)
    picture = encode_float(light)
    if imaging.curve:
        bent = picture * picture * (3 - 2 * picture)
        picture += np.float32(imaging.curve) * (bent - picture)
    if imaging.sharpen:
        soft = cv2.GaussianBlur(picture, (0, 0), imaging.sharpen_px)
        picture += np.float32(imaging.sharpen) * (picture - soft)
    return np.clip(picture * 255 + 0.5, 0, 255).astype(np.uint8)


def _focus(light: np.ndarray, offset_mm: np.ndarray, imaging: Imaging) -> np.ndarray:
    """Blur by the lens and, where surfaces leave the plane in focus, by depth: blends of Gaussian blurs."""
    sharp = cv2.GaussianBlur(light, (0, 0), imaging.psf_px) if imaging.psf_px > 0.2 else light
    if not imaging.defocus_px_per_mm:
        return sharp
    wanted = np.clip(np.abs(offset_mm) * np.float32(imaging.defocus_px_per_mm), 0, _BLURS_PX[-1])
    wanted = cv2.blur(wanted, (5, 5))
    result, last = sharp, sharp
    for low, high in pairwise(_BLURS_PX):
        if wanted.max() <= low:
            break
        step = cv2.GaussianBlur(last, (0, 0), (high**2 - low**2) ** 0.5)
        # blending variances keeps the blur's second moment exact: sigma^2 is linear between the two
        share = np.clip((wanted**2 - low**2) / (high**2 - low**2), 0, 1)[..., None]
        result = np.where(wanted[..., None] > low, last + (step - last) * share, result)
        last = step
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
