"""The copy of a picture that the library keeps: same pixels, nothing that names a person, a place or a camera."""

from __future__ import annotations

import hashlib
import io
import struct
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from specimeter import decode, photo
from specimeter.errors import LibraryError

THUMB_PX = 360
_KEPT_CHUNKS = {
    b"IHDR",
    b"PLTE",
    b"IDAT",
    b"IEND",
    b"tRNS",
    b"gAMA",
    b"cHRM",
    b"sRGB",
    b"iCCP",
    b"sBIT",
    b"pHYs",
    b"cICP",
}
_PICTURES = tuple(suffix for suffixes in decode.SUFFIXES.values() for suffix in suffixes)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Copy:
    """A picture ready to be kept: its bytes without metadata, their hash, that of the file it was made from, and the pixels."""

    data: bytes
    sha256: str
    source_sha256: str
    suffix: str
    rgb: np.ndarray  # (H, W, 3) uint8, upright

    @property
    def width_px(self) -> int:
        return self.rgb.shape[1]

    @property
    def height_px(self) -> int:
        return self.rgb.shape[0]


def is_picture(path: Path) -> bool:
    """Whether a file's name says that it is a picture that can be read."""
    return path.suffix.lower() in _PICTURES and not path.name.startswith(".")


def copy_of(path: str | Path) -> Copy:
    """Read a picture and strip it. JPEG and PNG keep their coded pixels bit for bit; TIFF and HEIC become PNG.

    Raises
    ------
    PhotoError
        The file is not a picture that can be read.
    """
    read = photo.read(path)
    try:
        source = Path(path).read_bytes()
    except OSError as error:
        raise LibraryError(f"the picture cannot be read ({error.strerror})", file=path, expected="a picture") from error
    if hashlib.sha256(source).hexdigest() != read.sha256:
        raise LibraryError("the file changed while it was read", file=path, mend="add it again")
    rgb = read.rgb if read.rgb.dtype == np.uint8 else (read.rgb // 257).astype(np.uint8)
    kind = decode.kind_of(source)
    data, suffix = {"JPEG": (stripped_jpeg, ".jpg"), "PNG": (stripped_png, ".png")}.get(kind, (None, ".png"))
    kept = data(source) if data else _as_png(read.rgb)
    return Copy(data=kept, sha256=hashlib.sha256(kept).hexdigest(), source_sha256=read.sha256, suffix=suffix, rgb=rgb)


def stripped_jpeg(data: bytes) -> bytes:
    """A JPEG file without comments, application data, embedded previews and whatever follows its end.

    Kept are the coded pixels, the colour profile, the colour transform (Adobe) and, if the picture is turned, its orientation.
    Segment layout: ITU-T T.81 (1992) Annex B.
    """
    out, at = [b"\xff\xd8"], 2
    turned = _orientation(data)
    if turned != 1:
        out.append(_orientation_segment(turned))
    while at < len(data):
        if data[at] != 0xFF:
            at += 1
            continue
        marker = data[at + 1] if at + 1 < len(data) else 0xD9
        if marker == 0xFF:
            at += 1
            continue
        if marker == 0xD9:
            break
        if 0xD0 <= marker <= 0xD7 or marker == 0x01:
            out.append(data[at : at + 2])
            at += 2
            continue
        size = struct.unpack(">H", data[at + 2 : at + 4])[0]
        segment = data[at : at + 2 + size]
        at += 2 + size
        application, comment = 0xE0 <= marker <= 0xEF, marker == 0xFE
        profile = marker == 0xE2 and segment[4:16] == b"ICC_PROFILE\0"
        transform = marker == 0xEE and segment[4:9] == b"Adobe"
        if not (application or comment) or profile or transform:
            out.append(segment)
        if marker == 0xDA:
            end = _end_of_scan(data, at)
            out.append(data[at:end])
            at = end
    out.append(b"\xff\xd9")
    return b"".join(out)


def _end_of_scan(data: bytes, at: int) -> int:
    """The place of the marker that ends the entropy-coded data: any but a stuffed zero or a restart."""
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            return len(data)
        if data[at + 1] == 0 or 0xD0 <= data[at + 1] <= 0xD7:
            at += 2
        else:
            return at


def _orientation(data: bytes) -> int:
    try:
        value = Image.open(io.BytesIO(data)).getexif().get(0x0112, 1)
    except Exception:  # damaged EXIF says nothing; the pixels were already read whole
        return 1
    return value if value in range(1, 9) else 1


def _orientation_segment(value: int) -> bytes:
    """An EXIF segment that holds the orientation alone (Exif 2.3, tag 0x0112)."""
    body = b"Exif\0\0MM\0\x2a\0\0\0\x08\0\x01" + struct.pack(">HHIHH", 0x0112, 3, 1, value, 0) + b"\0\0\0\0"
    return b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body


def stripped_png(data: bytes) -> bytes:
    """A PNG file with the chunks that make its pixels and their colour, and no others (PNG third edition, clause 5)."""
    out, at = [data[:8]], 8
    while at + 12 <= len(data):
        size = struct.unpack(">I", data[at : at + 4])[0]
        name = data[at + 4 : at + 8]
        if name in _KEPT_CHUNKS:
            out.append(data[at : at + 12 + size])
        at += 12 + size
        if name == b"IEND":
            break
    return b"".join(out)


def _as_png(rgb: np.ndarray) -> bytes:
    done, data = cv2.imencode(".png", np.ascontiguousarray(rgb[..., ::-1]))
    if not done:
        raise LibraryError("the picture could not be written as PNG")
    return data.tobytes()


def thumbnail(rgb: np.ndarray) -> bytes:
    """A JPEG of at most `THUMB_PX` a side."""
    scale = min(1.0, THUMB_PX / max(rgb.shape[:2]))
    size = (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale)))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".jpg", np.ascontiguousarray(small[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, 82])
    if not done:
        raise LibraryError("the thumbnail could not be written as JPEG")
    return data.tobytes()
