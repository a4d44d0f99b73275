"""Read a photograph safely: the bytes that are hashed are decoded; upright, in sRGB, or the reason why not."""

from __future__ import annotations

import datetime
import hashlib
import stat
from dataclasses import dataclass
from functools import cached_property, partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from specimeter import apart, colour, decode
from specimeter.errors import PhotoError

MAX_BYTES = 2_000_000_000
MAX_PX = 250_000_000
MAX_SIDE_PX = 32_000  # OpenCV resamples nothing with more than 32,766
MIN_SIDE_PX = 64
_EXPECTED = "a photograph as JPEG, PNG, TIFF (8 or 16 bit) or HEIC"


@dataclass(frozen=True, kw_only=True, eq=False)
class Photo:
    """One photograph, upright and sRGB-encoded. Nothing that names a person, a place or a device is kept of its metadata.

    Parameters
    ----------
    file : str
        Name without folder, as it goes into the record.
    path : Path
        Where it was read.
    sha256 : str
        Of the file's bytes, 64 hexadecimal digits.
    rgb : numpy.ndarray, shape (H, W, 3), uint8 or uint16
        Row 0 is the top after orientation was applied; made read-only.
    focal_35mm_mm : float or None
        Focal length that would give this view on 36 x 24 mm film (EXIF); None where the camera did not say.
    focal_mm : float or None
        Focal length of the lens itself (EXIF).
    camera : str or None
        Maker, model and lens, as the camera says (EXIF).
    resolution : decode.Resolution or None
        Size of a pixel as the file states it (TIFF, OME-TIFF, PNG); a claim, used only where the sheet asks for it.
    taken : str or None
        When, by the camera's clock: ISO 8601 without a zone (EXIF).
    cautions : tuple of str
        What a reader of the result should know about this file.
    """

    file: str
    path: Path
    sha256: str
    rgb: np.ndarray
    focal_35mm_mm: float | None = None
    focal_mm: float | None = None
    camera: str | None = None
    taken: str | None = None
    resolution: decode.Resolution | None = None
    cautions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.rgb.ndim != 3 or self.rgb.shape[2] != 3 or self.rgb.dtype not in (np.uint8, np.uint16):
            raise PhotoError(
                f"pixels are {self.rgb.dtype} of shape {self.rgb.shape}", file=self.file, expected="(H, W, 3), uint8 or uint16"
            )
        self.rgb.flags.writeable = False

    @property
    def width_px(self) -> int:
        return self.rgb.shape[1]

    @property
    def height_px(self) -> int:
        return self.rgb.shape[0]

    def linear(self) -> np.ndarray:
        """Relative luminance 0..1 in linear light, (H, W) float32; computed once and kept, read-only."""
        return self._linear

    @cached_property
    def _linear(self) -> np.ndarray:
        light = colour.luminance(self.rgb)
        light.flags.writeable = False
        return light


def read(path: str | Path) -> Photo:
    """Read one photograph.

    Parameters
    ----------
    path : str or Path
        JPEG, PNG, TIFF or HEIC of 64 px a side to 250 megapixels.

    Returns
    -------
    Photo

    Raises
    ------
    PhotoError
        Missing, not a file, empty, cut off, misnamed, not a photograph, animated, too small or too large; says how to mend it.
    """
    path = Path(path)
    data = _bytes(path)
    kind = decode.kind_of(data)
    _check_kind(path, kind)
    try:
        with decode.strictly() as heard:
            head = decode.header(data, kind)
            _check_size(path, head.size)
            cautions = _page_cautions(kind, decode.pages(head))
            profile = head.info.get("icc_profile") or None
            resolution = decode.resolution(head, kind)
            exif, exif_cautions = _exif(head)  # before the pixels: their reader closes the file
            untrusted = apart.wanted(data, head.size)
            pixels = apart.pixels(data, kind, head.size) if untrusted else decode.pixels(data, head, kind)
            if kind in ("JPEG", "PNG"):  # the readers of TIFF and HEIC apply it themselves
                pixels = _upright(pixels, exif.get("orientation"))
            rgb, colour_cautions = colour.to_srgb(pixels, profile)
            cautions += decode.cautions(head, kind) + exif_cautions + colour_cautions
            if any("EXIF" in str(warning.message) for warning in heard) and not exif_cautions:
                cautions += _EXIF_DAMAGED
            head.close()
    except decode.Undecodable as error:
        raise PhotoError(error.problem, file=path, expected=_EXPECTED, mend=error.mend) from error
    except MemoryError as error:
        problem, expected = "there is not enough memory to decode it", "about 20 bytes of free memory a pixel"
        mend = "close other programs, or use a smaller photograph"
        raise PhotoError(problem, file=path, expected=expected, mend=mend) from error
    return Photo(
        file=path.name,
        path=path,
        sha256=hashlib.sha256(data).hexdigest(),
        rgb=rgb,
        focal_35mm_mm=exif.get("focal_35mm_mm"),
        focal_mm=exif.get("focal_mm"),
        camera=exif.get("camera"),
        taken=exif.get("taken"),
        resolution=resolution,
        cautions=cautions,
    )


def check_there(path: str | Path) -> None:
    """Raises PhotoError unless there is a file that may be a photograph; none of it is read."""
    path = Path(path)
    refuse = partial(PhotoError, file=path, expected=_EXPECTED)
    try:
        about = path.stat()
    except FileNotFoundError as error:
        raise refuse("there is no such file", mend="check the name and the folder") from error
    except (OSError, ValueError) as error:  # ValueError: a name with a null character
        raise refuse(f"the file cannot be reached ({_reason(error)})", mend="check its name and permissions") from error
    if stat.S_ISDIR(about.st_mode):
        raise refuse("this is a folder", mend="name the photograph inside it")
    if not stat.S_ISREG(about.st_mode):
        raise refuse("this is a device or a pipe, not a file", mend="name a file")
    if about.st_size > MAX_BYTES:
        raise refuse(
            f"the file has {about.st_size / 1e9:.1f} GB, more than any photograph that is read", mend="export it smaller"
        )


def _bytes(path: Path) -> bytes:
    check_there(path)
    refuse = partial(PhotoError, file=path, expected=_EXPECTED)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise refuse(
            f"the file cannot be read ({_reason(error)})", mend="check its permissions and the medium it is on"
        ) from error
    if not data:
        raise refuse("the file is empty (0 bytes)", mend="copy the photograph from the camera again")
    if not any(data[:4096]):
        raise refuse(
            "the file begins with nothing but zeros: its copying failed", mend="copy the photograph from the camera again"
        )
    return data


def _reason(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error)


def _check_kind(path: Path, kind: str) -> None:
    if kind not in decode.SUFFIXES:
        mend = "name the photograph itself"
        if "picture" in kind and not kind.startswith("no "):
            mend = "export the photograph as PNG, or set the camera to JPEG"
        elif "raw" in kind:
            mend = "develop it and export a JPEG or a TIFF, without sharpening"
        raise PhotoError(f"the content is {kind}", file=path, expected=_EXPECTED, mend=mend)
    suffix = path.suffix
    if suffix and suffix.lower() not in decode.SUFFIXES[kind]:
        raise PhotoError(
            f"the name ends in {suffix} but the content is {kind}",
            file=path,
            expected="a name that says what the file is",
            mend=f"make sure it is the right file, then rename it to {path.stem}{decode.SUFFIXES[kind][0]}",
        )


def _check_size(path: Path, size: tuple[int, int]) -> None:
    width, height = size
    if width * height > MAX_PX or max(size) > MAX_SIDE_PX:
        raise PhotoError(
            f"the picture says it is {width} x {height} px, too large to be read safely",
            file=path,
            expected=f"at most {MAX_PX // 1_000_000} megapixels and {MAX_SIDE_PX:,} px a side",
            mend="crop it, or export it smaller",
        )
    if min(size) < MIN_SIDE_PX:
        raise PhotoError(
            f"the picture is only {width} x {height} px",
            file=path,
            expected=f"at least {MIN_SIDE_PX} px a side; for measuring, some thousands",
            mend="use the photograph itself, not its preview",
        )


def _page_cautions(kind: str, count: int) -> tuple[str, ...]:
    if count < 2 or kind == "JPEG":  # the further pictures in a JPEG are previews and gain maps
        return ()
    which = "the first page" if kind == "TIFF" else "the main picture"
    return (f"the {kind} holds {count} pictures; only {which} was read",)


_EXIF_DAMAGED = ("the photograph's EXIF data are damaged; orientation, focal length and date may be missing",)


def _exif(head: Image.Image) -> tuple[dict, tuple[str, ...]]:
    """The few tags that are used (Exif 2.32, from memory): 271, 272, 274, 306, 36867, 37386, 40961, 41989, 42036; no other."""
    facts: dict = {}
    try:
        tags = head.getexif()
        facts["orientation"] = tags.get(274)
        details = tags.get_ifd(0x8769)
        facts["focal_35mm_mm"] = _positive(details.get(41989))
        facts["focal_mm"] = _positive(details.get(37386))
        facts["camera"] = _words(tags.get(271), tags.get(272), details.get(42036))
        facts["taken"] = _moment(details.get(36867) or tags.get(306))
    except decode.FAULTS:
        return facts, _EXIF_DAMAGED
    if details.get(40961) not in (None, 1) and not head.info.get("icc_profile"):
        return facts, ("the camera did not use sRGB and embedded no colour profile; strong colours are a little off",)
    return facts, ()


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if 0 < number < 1e5 else None


def _words(*values: object) -> str | None:
    """Names in one printable line of at most 120 characters; None where there is none."""
    names = [" ".join(str(value).replace("\0", " ").split()) for value in values if value]
    told = [name for name, after in pairwise(names) if not after.startswith(name)]  # maker within model
    text = " ".join([*told, *names[-1:]])
    return "".join(char for char in text if char.isprintable())[:120].strip() or None


def _moment(value: object) -> str | None:
    try:
        return datetime.datetime.strptime(str(value).strip("\0 "), "%Y:%m:%d %H:%M:%S").isoformat()
    except ValueError:
        return None


def _upright(pixels: np.ndarray, orientation: object) -> np.ndarray:
    """EXIF orientation 1 to 8 applied; any other value means upright."""
    turn = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}
    if orientation in turn:
        return cv2.rotate(pixels, turn[orientation])
    if orientation in (2, 4):
        return cv2.flip(pixels, 1 if orientation == 2 else 0)
    if orientation in (5, 7):
        across = cv2.transpose(pixels)
        return across if orientation == 5 else cv2.flip(across, -1)
    return pixels
