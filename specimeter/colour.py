"""Colour as light: the sRGB transfer function, relative luminance, and embedded colour profiles brought to sRGB."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from functools import cache
from io import BytesIO
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageCms

# IEC 61966-2-1:1999 (sRGB), from memory: linear = code / 12.92 up to code 0.04045, else ((code + 0.055) / 1.055) ** 2.4.
# ITU-R BT.709 luminance weights of its primaries, from memory.
LUMINANCE_WEIGHTS = (0.2126, 0.7152, 0.0722)
_BAND_PX = 1 << 16  # pixels worked on at a time, so that temporary arrays stay small
_WIDE_BAND_PX = 1 << 19  # the same where that is done by few calls: a thread beside others waits after each of them


def to_linear(code: np.ndarray) -> np.ndarray:
    """Linear light 0..1 of sRGB-encoded values 0..1 (IEC 61966-2-1:1999, from memory); keeps float32 as it is.

    Examples
    --------
    >>> float(to_linear(np.array(188 / 255)).round(4))
    0.5029
    """
    code = np.asarray(code)
    return np.where(code <= 0.04045, code / 12.92, ((np.maximum(code, 0.04045) + 0.055) / 1.055) ** 2.4)


def to_code(linear: np.ndarray) -> np.ndarray:
    """sRGB-encoded values 0..1 of linear light 0..1, the inverse of `to_linear`; keeps float32 as it is."""
    linear = np.asarray(linear)
    return np.where(linear <= 0.0031308, linear * 12.92, 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055)


def luminance(rgb: np.ndarray) -> np.ndarray:
    """Relative luminance in linear light of an sRGB-encoded picture.

    Parameters
    ----------
    rgb : numpy.ndarray, shape (H, W, 3), uint8 or uint16
        Full scale is 255 or 65535.

    Returns
    -------
    numpy.ndarray, shape (H, W), float32
        0 for black, 1 for the white of the picture.
    """
    table, each = _weighted_table(rgb.dtype.str), np.ones((1, 3), np.float32)
    light = np.empty(rgb.shape[:2], dtype=np.float32)
    for rows in _bands(rgb.shape, _WIDE_BAND_PX):
        cv2.transform(_looked_up(table, rgb[rows]), each, dst=light[rows])  # their sum
    return light


def _looked_up(table: np.ndarray, codes: np.ndarray) -> np.ndarray:
    """Of every channel its own entry of a table (levels, 3)."""
    if codes.dtype == np.uint8:
        return cv2.LUT(codes, table[None])
    return np.dstack([table[:, k].take(codes[..., k], mode="clip") for k in range(3)])


def mean_of_channels(rgb: np.ndarray) -> np.ndarray:
    """Mean of the three channels (H, W), float32, of a picture (H, W, 3) of uint8, uint16 or float32."""
    red, green, blue = cv2.split(rgb)
    return cv2.add(cv2.add(red, green, dtype=cv2.CV_32F), blue, dtype=cv2.CV_32F) / np.float32(3)


def to_srgb(pixels: np.ndarray, profile: bytes | None) -> tuple[np.ndarray, tuple[str, ...]]:
    """Three sRGB channels of decoded pixels, their embedded colour profile obeyed.

    Parameters
    ----------
    pixels : numpy.ndarray, shape (H, W) grey, (H, W, 3) RGB or (H, W, 4) CMYK (full scale is full ink); uint8 or uint16
    profile : bytes or None
        The ICC profile that came with the file; None means that the pixels are sRGB already.
        A writeable 8-bit RGB picture is converted in place.

    Returns
    -------
    rgb : numpy.ndarray, shape (H, W, 3), uint8 or uint16
    cautions : tuple of str
        What a reader of the result should know: a profile that could not be used, depth that was lost.
    """
    cautions: tuple[str, ...] = ()
    if profile is not None:
        try:
            return _by_profile(pixels, profile)
        except (ImageCms.PyCMSError, OSError, ValueError, struct.error) as error:
            reason = " ".join(str(error).split()) or type(error).__name__
            cautions = (f"the picture's colour profile could not be used ({reason}); its colours were read as sRGB",)
    if pixels.ndim == 2:
        return np.repeat(pixels[..., None], 3, axis=2), cautions
    if pixels.shape[2] == 4:
        cautions += ("a CMYK picture without a usable colour profile: brightness follows the plain formula and is approximate",)
        return _plain_cmyk(_eight_bit(pixels)), cautions
    return pixels, cautions


def _by_profile(pixels: np.ndarray, profile: bytes) -> tuple[np.ndarray, tuple[str, ...]]:
    source = ImageCms.ImageCmsProfile(BytesIO(profile))
    mode = "L" if pixels.ndim == 2 else ("RGB", "CMYK")[pixels.shape[2] - 3]
    intent = ImageCms.Intent.RELATIVE_COLORIMETRIC
    transform = ImageCms.buildTransform(source, ImageCms.createProfile("sRGB"), mode, "RGB", renderingIntent=intent)
    if mode == "RGB" and _changes_nothing(transform):
        return pixels, ()
    if pixels.dtype == np.uint16:
        curves = _curves(profile, ("kTRC",) if mode == "L" else ("rTRC", "gTRC", "bTRC"))
        if curves is not None:
            return _by_curves(pixels, curves, source), ()
        caution = ("the picture's colour profile is of a kind that is applied with 8 bits only; 16 bits a channel became 8",)
        return _by_transform(_eight_bit(pixels), transform, mode), caution
    return _by_transform(pixels, transform, mode), ()


def _by_transform(pixels: np.ndarray, transform: ImageCms.ImageCmsTransform, mode: str) -> np.ndarray:
    rgb = pixels if mode == "RGB" and pixels.flags.writeable else np.empty((*pixels.shape[:2], 3), dtype=np.uint8)
    for rows in _bands(pixels.shape):
        band = Image.frombuffer(mode, pixels[rows].shape[1::-1], np.ascontiguousarray(pixels[rows]), "raw", mode, 0, 1)
        rgb[rows] = np.asarray(transform.apply(band))
    return rgb


def _changes_nothing(transform: ImageCms.ImageCmsTransform) -> bool:
    """True for sRGB by any name: a lattice of colours moves by no more than one code of 255."""
    axis = np.linspace(0, 255, 17).astype(np.uint8)
    lattice = np.stack(np.meshgrid(axis, axis, axis), axis=-1).reshape(17, 289, 3)
    moved = np.asarray(transform.apply(Image.fromarray(lattice)))
    return int(np.abs(moved.astype(np.int16) - lattice).max()) <= 1


def _by_curves(pixels: np.ndarray, curves: list[np.ndarray], source: ImageCms.ImageCmsProfile) -> np.ndarray:
    """16-bit pixels through tone curves and, for RGB, the profile's primaries: what ICC.1 calls a matrix/TRC profile."""
    if pixels.ndim == 2:
        code = np.rint(to_code(curves[0]) * 65535).astype(np.uint16)
        return np.repeat(code.take(pixels)[..., None], 3, axis=2)
    matrix = (np.linalg.inv(_primaries(ImageCms.createProfile("sRGB"))) @ _primaries(source.profile)).astype(np.float32)
    rgb = np.empty_like(pixels)
    for rows in _bands(pixels.shape):
        light = np.stack([curve.take(pixels[rows][..., i]) for i, curve in enumerate(curves)], axis=-1)
        rgb[rows] = np.rint(to_code(np.clip(light @ matrix.T, 0, 1)) * 65535)
    return rgb


def _primaries(profile: Any) -> np.ndarray:
    return np.array([profile.red_colorant[0], profile.green_colorant[0], profile.blue_colorant[0]]).T


def _curves(profile: bytes, names: tuple[str, ...]) -> list[np.ndarray] | None:
    """Tone curves of a profile at all 65536 codes, or None where it works by tables (ICC.1:2010, clause 7.3, from memory)."""
    (count,) = struct.unpack_from(">I", profile, 128)
    tags = {}
    for i in range(min(count, 200)):
        name, offset, size = struct.unpack_from(">4sII", profile, 132 + 12 * i)
        tags[name.decode("latin-1")] = profile[offset : offset + size]
    if "A2B0" in tags or not all(name in tags for name in names):
        return None
    return [_curve(tags[name]).astype(np.float32) for name in names]


def _curve(tag: bytes) -> np.ndarray:
    """One tone curve at 65536 codes: curveType or parametricCurveType (ICC.1:2010, clauses 10.5 and 10.15, from memory)."""
    x = np.linspace(0, 1, 65536)
    if tag[:4] == b"curv":
        (count,) = struct.unpack_from(">I", tag, 8)
        if count == 0:
            return x
        values = np.frombuffer(tag, ">u2", count=count, offset=12)
        return x ** (values[0] / 256) if count == 1 else np.interp(x, np.linspace(0, 1, count), values / 65535)
    if tag[:4] != b"para":
        raise ValueError(f"unknown tone curve {tag[:4]!r}")
    (kind,) = struct.unpack_from(">H", tag, 8)
    if kind > 4:
        raise ValueError(f"unknown parametric tone curve {kind}")
    g, *rest = np.frombuffer(tag, ">i4", count=(1, 3, 4, 5, 7)[kind], offset=12) / 65536
    curves: dict[int, Callable[..., tuple]] = {
        0: lambda: (1, 0, 0, 0, 0, 0),
        1: lambda a, b: (a, b, 0, -b / a, 0, 0),
        2: lambda a, b, c: (a, b, 0, -b / a, c, c),
        3: lambda a, b, c, d: (a, b, c, d, 0, 0),
        4: lambda *seven: seven,
    }
    a, b, c, d, e, f = curves[kind](*rest)
    return np.clip(np.where(x >= d, np.maximum(a * x + b, 0) ** g + e, c * x + f), 0, 1)


def _plain_cmyk(cmyk: np.ndarray) -> np.ndarray:
    rgb = np.empty((*cmyk.shape[:2], 3), dtype=np.uint8)
    for rows in _bands(cmyk.shape):
        paper = 255 - cmyk[rows].astype(np.uint16)
        rgb[rows] = (paper[..., :3] * paper[..., 3:] + 127) // 255
    return rgb


def _eight_bit(pixels: np.ndarray) -> np.ndarray:
    if pixels.dtype == np.uint8:
        return pixels
    out = np.empty(pixels.shape, dtype=np.uint8)
    for rows in _bands(pixels.shape):
        out[rows] = (pixels[rows].astype(np.uint32) * 255 + 32767) // 65535
    return out


def _bands(shape: tuple[int, ...], most_px: int = _BAND_PX) -> Iterator[slice]:
    step = max(1, most_px // shape[1])
    return (slice(top, min(top + step, shape[0])) for top in range(0, shape[0], step))


@cache
def _weighted_table(dtype: str) -> np.ndarray:
    top = int(np.iinfo(np.dtype(dtype)).max)
    return np.outer(to_linear(np.arange(top + 1) / top), LUMINANCE_WEIGHTS).astype(np.float32)
