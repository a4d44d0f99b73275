"""What a picture file really is, and its pixels, from the very bytes that were hashed."""

from __future__ import annotations

import contextlib
import re
import struct
import threading
import warnings
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO

import cv2
import numpy as np
from PIL import Image, ImageFile, JpegImagePlugin, PngImagePlugin, TiffImagePlugin

#: Kinds that are read, and the endings that a file of each may have.
SUFFIXES = {
    "JPEG": (".jpg", ".jpeg", ".jpe", ".jfif", ".mpo"),
    "PNG": (".png",),
    "TIFF": (".tif", ".tiff"),
    "HEIC": (".heic", ".heif", ".hif"),
}

# First bytes of files, from each format's public description (common knowledge, no single source).
_SIGNATURES = (
    (b"\xff\xd8\xff", "JPEG"),
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"GIF8", "a GIF picture"),
    (b"BM", "a BMP picture"),
    (b"8BPS", "a layered Photoshop document"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive or office document"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"7z\xbc\xaf\x27\x1c", "a 7-Zip archive"),
    (b"Rar!", "a RAR archive"),
    (b"\xff\x0a", "a JPEG XL picture"),
    (b"\x00\x00\x00\x0cJXL ", "a JPEG XL picture"),
    (b"\x00\x00\x00\x0cjP  ", "a JPEG 2000 picture"),
    (b"FUJIFILMCCD-RAW", "a camera raw file"),
    (b"IIRO", "a camera raw file"),
    (b"IIU\x00", "a camera raw file"),
)
_TIFF = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")
_BRANDS = {
    b"heic": "HEIC",
    b"heix": "HEIC",
    b"heim": "HEIC",
    b"heis": "HEIC",
    b"mif1": "HEIC",
    b"hevc": "an animated HEIC sequence",
    b"hevx": "an animated HEIC sequence",
    b"msf1": "an animated HEIC sequence",
    b"avif": "an AVIF picture",
    b"avis": "an AVIF picture",
    b"crx ": "a camera raw file",
}
_SAMPLE_FORMATS = {2: "signed integers", 3: "floating-point numbers", 5: "complex integers", 6: "complex numbers"}
#: What third-party readers raise on damaged bytes.
FAULTS = (
    OSError, SyntaxError, ValueError, KeyError, IndexError, TypeError, AttributeError, EOFError, OverflowError, RuntimeError,
    struct.error, zlib.error, cv2.error,
)  # fmt: skip
_PNG_END = b"IEND\xaeB`\x82"
_lock = threading.Lock()


class Undecodable(Exception):
    """The bytes are not a whole picture of a kind that is read; says why, and how a person mends it."""

    def __init__(self, problem: str, mend: str) -> None:
        super().__init__(problem)
        self.problem, self.mend = problem, mend


def kind_of(data: bytes) -> str:
    """What the content is: a key of `SUFFIXES`, or a phrase such as 'a PDF document'."""
    for signature, kind in _SIGNATURES:
        if data.startswith(signature):
            return kind
    if data[:4] in _TIFF:
        return "a camera raw file" if data[8:10] == b"CR" else "TIFF"
    if data[4:8] == b"ftyp":
        brands = [data[8:12], *(data[at : at + 4] for at in range(16, min(int.from_bytes(data[:4]), 96), 4))]
        if brands[0] == b"mif1" and b"avif" in brands:
            return "an AVIF picture"
        return _BRANDS.get(brands[0], "a video or other media file")
    if data[:4] == b"RIFF":
        return "a WebP picture" if data[8:12] == b"WEBP" else "an audio or video file"
    start = data[:1024]
    if start.lstrip()[:1] == b"<":
        return "a web page or XML text"
    with contextlib.suppress(UnicodeDecodeError):
        if start[:-3].decode("utf-8").isprintable() or not re.search(rb"[\x00-\x08\x0e-\x1f]", start):
            return "plain text"
    return "no picture: its first bytes are not those of any known kind"


@contextlib.contextmanager
def strictly() -> Iterator[list[warnings.WarningMessage]]:
    """Decoders refuse cut-off files inside this block whatever else was set; what they warn of is collected, not printed."""
    logging = cv2.utils.logging
    with _lock, warnings.catch_warnings(record=True) as heard:
        warnings.simplefilter("always")
        lenient, ImageFile.LOAD_TRUNCATED_IMAGES = ImageFile.LOAD_TRUNCATED_IMAGES, False
        loud = logging.setLogLevel(logging.LOG_LEVEL_SILENT)
        try:
            yield heard
        finally:
            ImageFile.LOAD_TRUNCATED_IMAGES = lenient
            logging.setLogLevel(loud)


def header(data: bytes, kind: str) -> ImageFile.ImageFile:
    """The picture's head (size, mode, metadata) without its pixels; only the reader of that kind is called.

    Raises
    ------
    Undecodable
        The head is damaged, or of a variant that is not read: animated, raw, floating-point.
    """
    try:
        if kind == "TIFF":
            _check_tiff(_tiff_tags(data))
        picture = _reader(kind)(BytesIO(data))
        if kind == "PNG" and getattr(picture, "is_animated", False):
            raise Undecodable("it is an animated PNG", "export one still picture and use that")
        nclx = picture.info.get("nclx_profile") or {}
        if nclx.get("transfer_characteristics") in (16, 18):  # PQ and HLG, ITU-T H.273
            raise Undecodable("it is a high-dynamic-range picture (PQ or HLG)", "export it as an ordinary JPEG or HEIC")
        return picture
    except FAULTS as error:
        raise _damaged(kind, error) from error


def pages(picture: ImageFile.ImageFile) -> int:
    """How many pictures the file holds; 1 where the others cannot even be counted. A JPEG's further pictures are previews."""
    try:
        return int(getattr(picture, "n_frames", 1))
    except FAULTS:
        return 1


def cautions(picture: ImageFile.ImageFile, kind: str) -> tuple[str, ...]:
    """What about this file makes its light values less sure than usual, read from its head."""
    said = []
    if picture.mode == "1":
        said.append("the picture is black and white only, without grey: edges in it are no better than a whole pixel")
    if picture.info.get("icc_profile"):
        return tuple(said)
    gamma = picture.info.get("gamma")
    if kind == "PNG" and gamma and "srgb" not in picture.info and abs(gamma - 0.45455) > 0.02:
        said.append(f"the PNG states a gamma of {gamma:.3f} that was not applied; it was read as sRGB")
    if kind == "JPEG" and picture.mode == "CMYK" and "adobe" not in picture.info:
        said.append("a CMYK JPEG without Adobe's mark: 0 was taken for no ink")
    nclx = picture.info.get("nclx_profile") or {}
    if nclx.get("color_primaries") in (9, 11, 12):
        said.append("the HEIC uses wide-gamut primaries without a profile; strong colours are a little off")
    return tuple(said)


@dataclass(frozen=True, slots=True, kw_only=True)
class Resolution:
    """What a file says of its pixels' size, in mm, as its pixels are stored; and whether a camera wrote it."""

    x_mm_per_px: float
    y_mm_per_px: float
    source: str  # in words: where in the file it is stored
    by_camera: bool


_IN_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "um": 1e-3, "\u00b5m": 1e-3, "\u03bcm": 1e-3, "micron": 1e-3, "nm": 1e-6}


def resolution(picture: ImageFile.ImageFile, kind: str) -> Resolution | None:
    """The stored size of a pixel: OME-TIFF PhysicalSize, TIFF XResolution (TIFF 6.0), PNG pHYs (from memory); else None."""
    try:
        tags = picture.getexif()
        camera = bool(tags.get(271) or tags.get(272))  # maker, model
        if kind == "PNG" and (dpi := picture.info.get("dpi")):
            sizes, source = [25.4 / float(value) for value in dpi], "PNG pHYs"
        elif isinstance(picture, TiffImagePlugin.TiffImageFile):
            tiff = picture.tag_v2
            told = str(tiff.get(270, ""))
            found = {
                axis: re.search(rf'PhysicalSize{axis}="([0-9.eE+-]+)"', told) for axis in ("X", "Y")
            }  # schema OME 2016-06, Pixels
            if "<OME" in told and all(found.values()):
                units = [re.search(rf'PhysicalSize{axis}Unit="([^"]+)"', told) for axis in ("X", "Y")]
                each = [_IN_MM[unit.group(1)] if unit else 1e-3 for unit in units]
                sizes = [float(size.group(1)) * unit for size, unit in zip(found.values(), each, strict=True) if size]
                source = "OME-TIFF physical size"
            else:
                unit = {2: 25.4, 3: 10.0}[int(tiff.get(296, 2))]
                sizes, source = [unit / float(tiff[tag]) for tag in (282, 283)], "TIFF resolution tags"
        else:
            return None
        if all(1e-6 < size < 100 for size in sizes):
            if tags.get(274) in (5, 6, 7, 8):
                sizes = sizes[::-1]
            return Resolution(x_mm_per_px=sizes[0], y_mm_per_px=sizes[1], source=source, by_camera=camera)
    except (*FAULTS, ZeroDivisionError):
        return None
    return None


def pixels(data: bytes, picture: ImageFile.ImageFile, kind: str) -> np.ndarray:
    """The pixels, alpha laid on white; grey (H, W), RGB (H, W, 3) or CMYK (H, W, 4), uint8 or uint16.

    Orientation is applied where the format's reader does so itself (TIFF, HEIC) and not for JPEG and PNG.

    Raises
    ------
    Undecodable
        The data are cut off or damaged, or of a variant that is not read.
    """
    try:
        if kind == "JPEG":
            if not _jpeg_is_whole(data):
                raise Undecodable("the JPEG is cut off: its end is missing", "copy the photograph from the camera again")
            if picture.mode in ("L", "RGB"):
                return _by_opencv(data, cv2.IMREAD_COLOR_RGB if picture.mode == "RGB" else cv2.IMREAD_GRAYSCALE)
        if kind == "PNG" and _PNG_END not in data:
            raise Undecodable("the PNG is cut off: its end is missing", "copy the photograph from the camera again")
        if kind == "PNG" and data[24] == 16:
            return _deep_png(data)
        if (
            isinstance(picture, TiffImagePlugin.TiffImageFile)
            and picture.tag_v2.get(258, (1,))[0] == 16
            and picture.tag_v2.get(262) != 5
        ):
            return _deep_tiff(data, picture)
        picture.load()
        return _by_pillow(picture, ink_is_inverted=kind == "JPEG" and "adobe" not in picture.info)
    except FAULTS as error:
        raise _damaged(kind, error) from error


def _damaged(kind: str, error: Exception) -> Undecodable:
    reason = " ".join(str(error).split()).rstrip(".") or type(error).__name__
    if reason in ("unknown pixel mode", "unknown data organization"):
        return Undecodable(
            f"it is a variant of {kind} that is not read ({reason})", f"export it as a plain 8-bit or 16-bit RGB {kind}"
        )
    return Undecodable(f"the {kind} is cut off or damaged ({reason})", "copy the photograph from the camera again")


def _reader(kind: str) -> type[ImageFile.ImageFile]:
    if kind == "HEIC":
        from pillow_heif import HeifImageFile  # loaded only when a HEIC comes: it is large

        return HeifImageFile
    return {"JPEG": JpegImagePlugin.JpegImageFile, "PNG": PngImagePlugin.PngImageFile, "TIFF": TiffImagePlugin.TiffImageFile}[
        kind
    ]


def _by_opencv(data: bytes, flags: int) -> np.ndarray:
    array = cv2.imdecode(np.frombuffer(data, np.uint8), flags | cv2.IMREAD_IGNORE_ORIENTATION)
    if array is None:
        raise ValueError("the pixel data end early or do not decode")
    return array[..., 0] if array.ndim == 3 and array.shape[2] == 1 else array


def _jpeg_is_whole(data: bytes) -> bool:
    """Whether the end-of-image marker follows the last scan (ITU-T T.81, annex B): decoders fill what is missing with grey."""
    at = 2
    while (at := data.find(b"\xff", at)) >= 0 and at + 1 < len(data):
        marker = data[at + 1]
        if marker == 0xD9:
            return True
        if marker in (0x00, 0x01, 0xFF) or 0xD0 <= marker <= 0xD8:
            at += 1 if marker == 0xFF else 2
            continue
        at += 2 + int.from_bytes(data[at + 2 : at + 4])
        if marker == 0xDA:
            after = _JPEG_MARKER.search(data, at)
            at = after.start() if after else len(data)
    return False


_JPEG_MARKER = re.compile(rb"\xff[\x01-\xcf\xd8-\xfe]")  # in a scan, ff 00 is data and ff d0..d7 a restart


def _by_pillow(picture: Image.Image, *, ink_is_inverted: bool) -> np.ndarray:
    out = np.empty(0, dtype=np.uint8)
    for top in range(0, picture.height, step := max(1, (1 << 18) // picture.width)):
        band = np.asarray(_flattened(picture.crop((0, top, picture.width, min(top + step, picture.height)))))
        if not top:
            out = np.empty((picture.height, *band.shape[1:]), dtype=np.uint8)
        out[top : top + step] = 255 - band if ink_is_inverted and picture.mode == "CMYK" else band
    return out


def _flattened(band: Image.Image) -> Image.Image:
    """The band as L, RGB or CMYK, alpha laid on white."""
    if "transparency" in band.info and band.mode in ("1", "L", "P", "RGB"):
        band = band.convert("RGBA")
    plain = {"1": "L", "P": "RGB", "PA": "RGBA", "La": "LA", "RGBa": "RGBA", "RGBX": "RGB", "YCbCr": "RGB"}
    band = band.convert(plain[band.mode]) if band.mode in plain else band
    if band.mode in ("LA", "RGBA"):
        white = Image.new(band.mode[:-1], band.size, "white")
        white.paste(band.convert(band.mode[:-1]), mask=band.getchannel("A"))
        return white
    if band.mode not in ("L", "RGB", "CMYK"):
        raise Undecodable(f"its pixels are of a kind that is not read ({band.mode})", "export it as 8-bit or 16-bit RGB")
    return band


def _deep_png(data: bytes) -> np.ndarray:
    array = _by_opencv(data, cv2.IMREAD_UNCHANGED)
    if array.ndim == 2:
        return array
    colour, alpha = array[..., :3], array[..., 3] if array.shape[2] == 4 else None
    grey_and_alpha = data[25] == 4
    return _on_white(colour[..., 0] if grey_and_alpha else colour[..., ::-1], alpha, premultiplied=False)


def _deep_tiff(data: bytes, picture: TiffImagePlugin.TiffImageFile) -> np.ndarray:
    array = _by_opencv(data, cv2.IMREAD_UNCHANGED)
    if array.dtype != np.uint16:
        raise ValueError("its 16-bit channels are laid out in a way that is not read")
    if array.ndim == 2:
        return 65535 - array if picture.tag_v2.get(262) == 0 else array  # 0: white is zero
    extra = picture.tag_v2.get(338, (0,))[0]
    alpha = array[..., 3] if array.shape[2] == 4 and extra in (1, 2) else None
    return _on_white(array[..., 2::-1], alpha, premultiplied=extra == 1)


def _on_white(colour: np.ndarray, alpha: np.ndarray | None, *, premultiplied: bool) -> np.ndarray:
    if alpha is None:
        return np.ascontiguousarray(colour)
    out = np.empty(colour.shape, dtype=np.uint16)
    for y in range(len(out)):
        cover = (alpha[y] / np.float32(65535)).reshape(-1, *(1,) * (colour.ndim - 2))
        out[y] = np.rint(np.minimum(colour[y] * (1 if premultiplied else cover) + 65535 * (1 - cover), 65535))
    return out


def _tiff_tags(data: bytes) -> TiffImagePlugin.ImageFileDirectory_v2:
    stream = BytesIO(data)
    tags = TiffImagePlugin.ImageFileDirectory_v2(stream.read(16 if 43 in data[2:4] else 8))
    stream.seek(tags.next)
    tags.load(stream)
    return tags


def _check_tiff(tags: TiffImagePlugin.ImageFileDirectory_v2) -> None:
    """Refuse raw files in a TIFF's clothes, and samples that are no measure of light from 0 to full (tags of TIFF 6.0)."""
    photometric, channels = tags.get(262), tags.get(277, 1)
    if tags.get(50706) or photometric in (32803, 34892) or (tags.get(254, 0) & 1 and tags.get(330)):
        raise Undecodable("it is a camera raw file", "develop it and export a JPEG or a TIFF, without sharpening")
    bits, layout = set(tags.get(258, (1,))), tags.get(339, (1,))[0]
    if layout in _SAMPLE_FORMATS:
        kind = f"{max(bits)}-bit {_SAMPLE_FORMATS[layout]}"
        raise Undecodable(f"its pixels are {kind}, whose black and white are not stated", "export it as a 16-bit TIFF")
    if photometric in (8, 9, 10):
        raise Undecodable("its colours are stored as CIELAB", "export it as an RGB TIFF")
    if len(bits) > 1 or not bits <= {1, 2, 4, 8, 16}:
        raise Undecodable(
            f"it has {', '.join(map(str, sorted(bits)))} bits a channel", "export it as an 8-bit or a 16-bit TIFF"
        )
    if channels > 5 or (bits == {16} and channels == 2):
        raise Undecodable(f"it has {channels} channels of {max(bits)} bits", "export it as grey or RGB")
    if bits == {16} and channels > 1 and tags.get(284, 1) == 2:
        problem = "its 16-bit channels are stored one after the other (planar)"
        raise Undecodable(problem, "export it with interleaved channels, or as a PNG")
