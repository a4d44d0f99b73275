"""A photograph is read upright, hashed as it lies on disk, stripped of what is private, or refused with a cure."""

import dataclasses
import hashlib
import io
import os
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
import tifffile
from PIL import Image, ImageOps, PngImagePlugin

from specimeter import colour, decode, photo
from specimeter.errors import PhotoError

SHARED = Path(__file__).resolve().parents[2] / "shared"
SMOOTH = cv2.resize(
    np.random.default_rng(21).integers(0, 256, (7, 10, 3), dtype=np.uint8), (100, 70), interpolation=cv2.INTER_CUBIC
)


@pytest.fixture(scope="module")
def real_photos():
    folder = SHARED / "real_photos"
    if not folder.is_dir():
        pytest.skip("../shared/real_photos is not beside this checkout")
    return folder


def encoded(picture, form, **options):
    buffer = io.BytesIO()
    picture.save(buffer, form, **options)
    return buffer.getvalue()


def written(folder, name, data):
    path = folder / name
    path.write_bytes(data)
    return path


JPEG = encoded(Image.fromarray(SMOOTH), "JPEG")
PNG = encoded(Image.fromarray(SMOOTH), "PNG")


def test_the_hash_is_of_the_file_and_the_rest_is_in_its_place(tmp_path):
    path = written(tmp_path, "DSC_0001.JPG", JPEG)
    got = photo.read(path)
    assert got.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (got.file, got.path) == ("DSC_0001.JPG", path)
    assert (got.width_px, got.height_px) == (100, 70)
    assert (got.focal_35mm_mm, got.focal_mm, got.taken) == (None, None, None)
    assert photo.read(str(path)).rgb.shape == (70, 100, 3)


def test_the_file_is_read_once(tmp_path, monkeypatch):
    """What is hashed is what is decoded, even where the file changes meanwhile."""
    path = written(tmp_path, "a.jpg", JPEG)
    real, reads = Path.read_bytes, []

    def read_bytes(self):
        reads.append(self)
        data = real(self)
        self.write_bytes(b"something else now")
        return data

    monkeypatch.setattr(Path, "read_bytes", read_bytes)
    got = photo.read(path)
    assert reads == [path]
    assert got.sha256 == hashlib.sha256(JPEG).hexdigest()
    assert got.rgb.shape == (70, 100, 3)


def test_light_is_linear_kept_and_protected(tmp_path):
    """Grey code 188 of 255 is half the light of white (IEC 61966-2-1:1999, from memory: 0.5029)."""
    got = photo.read(written(tmp_path, "a.png", encoded(Image.new("RGB", (80, 70), (188, 188, 188)), "PNG")))
    light = got.linear()
    assert light.shape == (70, 80)
    assert light.dtype == np.float32
    assert light == pytest.approx(0.5029, abs=5e-5)
    assert got.linear() is light
    for array in (light, got.rgb):
        with pytest.raises(ValueError, match="read-only"):
            array[0, 0] = 0
    with pytest.raises(dataclasses.FrozenInstanceError):
        got.file = "other"


def test_pixels_of_another_shape_are_no_photograph():
    with pytest.raises(PhotoError, match=r"float64 of shape \(4, 5\)"):
        photo.Photo(file="a", path=Path("a"), sha256="0" * 64, rgb=np.zeros((4, 5)))


def oriented(form, orientation):
    """The bytes of a lopsided picture whose tag 274 says how to turn it, and a name for them."""
    picture, exif = Image.fromarray(SMOOTH), Image.Exif()
    exif[274] = orientation
    if form == "tiff16":
        buffer = io.BytesIO()
        deep = SMOOTH.astype(np.uint16) * 257
        tifffile.imwrite(buffer, deep, photometric="rgb", metadata=None, extratags=[(274, "H", 1, orientation, True)])
        return "a.tif", buffer.getvalue()
    if form == "png16":
        data = cv2.imencode(".png", SMOOTH[..., ::-1].astype(np.uint16) * 257)[1].tobytes()
        body = b"eXIf" + exif.tobytes()[6:]
        return "a.png", data[:33] + struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body)) + data[33:]
    if form == "HEIF":
        buffer = io.BytesIO()
        pillow_heif.from_pillow(picture).save(buffer, quality=-1, chroma=444, exif=exif.tobytes())
        return "a.heic", buffer.getvalue()
    return f"a.{form.lower()}", encoded(
        picture, form, exif=exif, **({"quality": 100, "subsampling": 0} if form == "JPEG" else {})
    )


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("form", ["JPEG", "PNG", "png16", "TIFF", "tiff16", "HEIF"])
def test_every_orientation_is_applied_once(tmp_path, form, orientation):
    """Against Pillow's exif_transpose of the stored pixels: eight ways, six kinds of file."""
    picture, exif = Image.fromarray(SMOOTH), Image.Exif()
    exif[274] = orientation
    upright = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(encoded(picture, "PNG", exif=exif)))))
    got = photo.read(written(tmp_path, *oriented(form, orientation))).rgb
    got = got // 257 if got.dtype == np.uint16 else got
    assert got.shape == upright.shape == ((70, 100, 3) if orientation < 5 else (100, 70, 3))
    assert np.abs(got.astype(int) - upright).max() <= {"JPEG": 6, "HEIF": 4}.get(form, 0)  # codes lost in compression


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_agrees_with_opencv(tmp_path, orientation):
    """OpenCV's own reader obeys the tag of a JPEG too."""
    path = written(tmp_path, *oriented("JPEG", orientation))
    assert np.abs(photo.read(path).rgb.astype(int) - cv2.imread(str(path))[..., ::-1]).max() <= 1


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_a_senseless_orientation_means_upright(tmp_path, orientation):
    assert photo.read(written(tmp_path, *oriented("JPEG", orientation))).rgb.shape == (70, 100, 3)


def test_a_real_pair_of_photographs_is_turned_by_its_tag(real_photos):
    """The same stored pixels, once without and once with EXIF orientation 6: a quarter turn clockwise apart."""
    flat, turned = (photo.read(real_photos / f"ruler_moth_{angle}.jpg") for angle in (0, 90))
    assert (flat.width_px, flat.height_px) == (518, 345)
    assert np.array_equal(turned.rgb, np.rot90(flat.rgb, -1))
    assert flat.sha256 == "f1f4b3bba9e9f8e76581174fead91ae2cdf9b8d5c37134c7ce2e822e40e220aa"


def test_real_photographs_are_what_opencv_reads(real_photos):
    for name in ("fatigue_DH.png", "opencv_left01.jpg", "apriltag_rotation_40.png", "ruler_moth_90.jpg"):
        theirs = cv2.imread(str(real_photos / name))[..., ::-1]
        assert np.array_equal(photo.read(real_photos / name).rgb, theirs)


def private_exif():
    exif = Image.Exif()
    exif[271], exif[272], exif[315], exif[33432] = "Maker", "Model X", "Ann Owner", "(c) Ann Owner"
    exif[306] = "2026:03:01 10:00:00"
    details = exif.get_ifd(0x8769)
    details[36867], details[41989], details[37386] = "2026:02:28 09:08:07", 52, 13.5
    details[0xA430], details[0xA431], details[0xA435] = "Ann Owner", "SN-BODY-77", "SN-LENS-88"
    gps = exif.get_ifd(0x8825)
    gps[1], gps[2], gps[3], gps[4] = "N", (51.0, 28.0, 40.0), "E", (7.0, 0.0, 5.0)
    return exif


@pytest.mark.parametrize(("name", "form"), [("a.jpg", "JPEG"), ("a.png", "PNG"), ("a.tif", "TIFF")])
def test_focal_length_and_date_are_kept_and_nothing_private(tmp_path, name, form):
    """Maker and model are kept, for lens profiles; nothing of the owner, the serial numbers or the place is."""
    got = photo.read(written(tmp_path, name, encoded(Image.fromarray(SMOOTH), form, exif=private_exif().tobytes())))
    assert (got.focal_35mm_mm, got.focal_mm, got.taken) == (52, 13.5, "2026-02-28T09:08:07")
    assert got.cautions == ()
    kept = {field.name for field in dataclasses.fields(got)}
    assert kept == {"file", "path", "sha256", "rgb", "focal_35mm_mm", "focal_mm", "camera", "taken", "resolution", "cautions"}
    said = repr({key: value for key, value in vars(got).items() if key != "rgb"})
    assert not any(secret in said for secret in ("Ann", "SN-", "51.0"))


@pytest.mark.parametrize(
    ("date", "focal"), [("0000:00:00 00:00:00", 0), ("    :  :     :  :  ", 0), ("yesterday", 0), ("2026:13:45 10:00:00", 0)]
)
def test_what_the_camera_did_not_know_is_missing(tmp_path, date, focal):
    """Cameras write zeros and blanks where they do not know (common practice): that is no date and no focal length."""
    exif = Image.Exif()
    details = exif.get_ifd(0x8769)
    details[36867], details[41989], details[37386] = date, focal, float(focal)
    got = photo.read(written(tmp_path, "a.jpg", encoded(Image.fromarray(SMOOTH), "JPEG", exif=exif)))
    assert (got.taken, got.focal_35mm_mm, got.focal_mm) == (None, None, None)


@pytest.mark.parametrize(
    "exif", [b"Exif\0\0", b"Exif\0\0MM\0*\0\0\xff\xff", b"Exif\0\0II*\0\x08\0\0\0\xff\xff" + b"\x12" * 40, b"Exif\0\0nonsense"]
)
def test_damaged_exif_does_not_cost_the_photograph(tmp_path, exif):
    got = photo.read(written(tmp_path, "a.jpg", encoded(Image.fromarray(SMOOTH), "JPEG", exif=exif)))
    assert got.rgb.shape == (70, 100, 3)
    assert got.focal_35mm_mm is None


@pytest.mark.parametrize(
    ("space", "icc", "warned"), [(1, None, False), (65535, None, True), (2, None, True), (65535, b"x", False)]
)
def test_a_camera_set_to_another_colour_space_is_a_caution(tmp_path, space, icc, warned):
    """Exif 2.32, tag 40961, from memory: 1 is sRGB, 65535 is anything else; an embedded profile settles it."""
    exif = Image.Exif()
    exif.get_ifd(0x8769)[40961] = space
    got = photo.read(written(tmp_path, "a.jpg", encoded(Image.fromarray(SMOOTH), "JPEG", exif=exif, icc_profile=icc)))
    assert any("did not use sRGB" in caution for caution in got.cautions) == warned


def resized_head(form, width, height):
    """A small picture whose head claims another size."""
    if form == "JPEG":
        at = JPEG.index(b"\xff\xc0")
        return "a.jpg", JPEG[: at + 5] + struct.pack(">HH", height, width) + JPEG[at + 9 :]
    if form == "PNG":
        head = b"IHDR" + struct.pack(">II", width, height) + PNG[24:29]
        return "a.png", PNG[:12] + head + struct.pack(">I", zlib.crc32(head)) + PNG[33:]
    data = bytearray(encoded(Image.fromarray(SMOOTH), "TIFF"))
    (at,), (count,) = struct.unpack_from("<I", data, 4), struct.unpack_from("<H", data, struct.unpack_from("<I", data, 4)[0])
    for entry in range(at + 2, at + 2 + 12 * count, 12):
        (tag,) = struct.unpack_from("<H", data, entry)
        if tag in (256, 257):
            struct.pack_into("<HII", data, entry + 2, 4, 1, width if tag == 256 else height)
    return "a.tif", bytes(data)


@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF"])
@pytest.mark.parametrize(("width", "height"), [(65_100, 100), (100, 65_100), (16_000, 15_700), (65_535, 65_535)])
def test_an_absurd_size_is_refused_by_the_head_alone(tmp_path, monkeypatch, form, width, height):
    """No pixel is decoded and no memory asked for."""
    monkeypatch.setattr(decode, "pixels", lambda *_: pytest.fail("the pixels were decoded"))
    with pytest.raises(PhotoError, match=rf"{width} x {height} px, too large") as caught:
        photo.read(written(tmp_path, *resized_head(form, width, height)))
    assert "250 megapixels" in caught.value.expected


def test_a_file_too_large_is_refused_by_its_length_alone(tmp_path):
    path = tmp_path / "a.tif"
    with open(path, "wb") as stream:
        stream.truncate(3_000_000_000)  # a hole: it takes no room
    with pytest.raises(PhotoError, match=r"3\.0 GB"):
        photo.read(path)


def test_a_hundred_megapixels_are_read(tmp_path):
    """No limit of a library stands in the way; a mark near the far corner is where it should be."""
    picture = np.full((8_000, 12_500), 200, dtype=np.uint8)
    picture[7_900:7_950, 12_300:12_400] = 20
    got = photo.read(written(tmp_path, "a.jpg", cv2.imencode(".jpg", picture)[1].tobytes()))
    assert (got.width_px, got.height_px) == (12_500, 8_000)
    assert got.rgb[7_925, 12_350, 1] < 25
    assert got.rgb[7_925, 12_250, 1] > 195


def test_lack_of_memory_is_told(tmp_path, monkeypatch):
    def fail(*_):
        raise MemoryError

    for place, name in ((decode, "pixels"), (photo, "_upright"), (colour, "to_srgb")):
        with monkeypatch.context() as patch:
            patch.setattr(place, name, fail)
            with pytest.raises(PhotoError, match="not enough memory"):
                photo.read(written(tmp_path, "a.jpg", JPEG))


@pytest.mark.parametrize("size", [(63, 500), (500, 63), (1, 1)])
def test_a_tiny_picture_is_refused(tmp_path, size):
    with pytest.raises(PhotoError, match=rf"only {size[0]} x {size[1]} px"):
        photo.read(written(tmp_path, "a.png", encoded(Image.new("RGB", size), "PNG")))
    assert photo.read(written(tmp_path, "b.png", encoded(Image.new("RGB", (64, 64)), "PNG"))).width_px == 64


def animated():
    first, buffer = Image.fromarray(SMOOTH), io.BytesIO()
    first.save(buffer, "PNG", save_all=True, append_images=[first.rotate(90)])
    return buffer.getvalue()


def tiff(samples, **options):
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, samples, **options)
    return buffer.getvalue()


REFUSED = {
    "an empty file": ("a.jpg", b"", "is empty", "from the camera"),
    "zeros": ("a.jpg", bytes(9000), "nothing but zeros", "from the camera"),
    "half a jpeg": ("a.jpg", JPEG[: len(JPEG) // 2], "JPEG is cut off", "from the camera"),
    "half a png": ("a.png", PNG[: len(PNG) // 2], "PNG is cut off", "from the camera"),
    "text": ("a.jpg", b"measured by hand\n" * 20, "plain text", "photograph itself"),
    "a pdf": ("a.jpg", b"%PDF-1.7\n%", "a PDF document", "photograph itself"),
    "a zip": ("a.jpg", b"PK\x03\x04" + bytes(50), "a ZIP archive", "photograph itself"),
    "a video": ("a.jpg", b"\0\0\0\x18ftypqt  " + bytes(50), "a video", "photograph itself"),
    "noise": ("a.jpg", bytes(range(128, 256)) * 9, "no picture", "photograph itself"),
    "a png called jpg": ("a.jpg", PNG, r"ends in \.jpg but the content is PNG", "rename it to a.png"),
    "a jpeg called heic": ("a.b.heic", JPEG, r"ends in \.heic but the content is JPEG", "rename it to a.b.jpg"),
    "a jpeg called raw": ("a.nef", JPEG, r"ends in \.nef but the content is JPEG", "rename it to a.jpg"),
    "a webp": ("a.webp", encoded(Image.fromarray(SMOOTH), "WEBP"), "a WebP picture", "export the photograph as PNG"),
    "a gif called jpg": ("a.jpg", encoded(Image.fromarray(SMOOTH), "GIF"), "a GIF picture", "export the photograph as PNG"),
    "an animation": ("a.png", animated(), "animated PNG", "one still picture"),
    "a raw file": ("a.cr2", b"II*\0\x10\0\0\0CR\x02\0" + bytes(50), "camera raw file", "develop it"),
    "a raw file called tif": (
        "a.tif",
        tiff(SMOOTH, photometric="rgb", extratags=[(50706, "B", 4, (1, 4, 0, 0), True)]),
        "camera raw file",
        "develop it",
    ),
    "floats": ("a.tif", tiff(np.full((70, 100), np.nan, np.float32)), "32-bit floating-point", "16-bit TIFF"),
    "signed": ("a.tif", tiff(np.zeros((70, 100), np.int16)), "16-bit signed integers", "16-bit TIFF"),
    "32 bits": ("a.tif", tiff(np.zeros((70, 100), np.uint32)), "32 bits a channel", "16-bit TIFF"),
    "lab": ("a.tif", encoded(Image.fromarray(SMOOTH).convert("LAB"), "TIFF"), "CIELAB", "RGB TIFF"),
    "deep planes": (
        "a.tif",
        tiff(np.zeros((3, 70, 100), np.uint16), photometric="rgb", planarconfig="separate"),
        "planar",
        "interleaved",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_no_usable_photograph_is_refused_with_a_cure(tmp_path, case):
    """Each message names the file, what is wrong with it, what would be right and what to do."""
    name, data, problem, mend = REFUSED[case]
    path = written(tmp_path, name, data)
    with pytest.raises(PhotoError, match=problem) as caught:
        photo.read(path)
    assert str(path) in str(caught.value)
    assert caught.value.expected
    assert mend in caught.value.mend


def test_what_is_no_file_is_refused(tmp_path):
    (tmp_path / "folder.jpg").mkdir()
    os.mkfifo(tmp_path / "pipe.jpg")
    for name, problem in {
        "none.jpg": "no such file",
        "folder.jpg": "a folder",
        "pipe.jpg": "a pipe",
        "a\0.jpg": "null",
    }.items():
        with pytest.raises(PhotoError, match=problem):
            photo.read(tmp_path / name)


def test_a_name_without_an_ending_claims_nothing(tmp_path):
    assert photo.read(written(tmp_path, "scan", PNG)).width_px == 100


def test_nothing_is_printed_by_the_decoders(tmp_path, capfd):
    """What is wrong is told once, in the error, and not by a library on the terminal."""
    deep = tiff(np.zeros((70, 100, 3), np.uint16), photometric="rgb")
    with pytest.raises(PhotoError):
        photo.read(written(tmp_path, "a.tif", deep[:5000]))
    assert capfd.readouterr() == ("", "")


def test_a_png_with_its_exif_at_the_end_is_turned(tmp_path):
    """The eXIf chunk may follow the pixels (PNG, third edition, 11.3.4.4, from memory)."""
    name, data = oriented("PNG", 6)
    at = data.index(b"eXIf") - 4
    length = 12 + int.from_bytes(data[at : at + 4])
    moved = data[:at] + data[at + length : -12] + data[at : at + length] + data[-12:]
    assert PngImagePlugin.PngImageFile(io.BytesIO(moved)).size == (100, 70)
    assert photo.read(written(tmp_path, name, moved)).rgb.shape == (100, 70, 3)


@pytest.mark.parametrize(
    ("maker", "model", "lens", "said"),
    [
        ("Invented", "Invented C-1", "35mm", "Invented C-1 35mm"),
        ("Invented", "C-1", None, "Invented C-1"),
        (None, None, None, None),
        ("  Odd\x07\n name ", None, None, "Odd name"),
    ],
)
def test_which_camera_it_was(tmp_path, maker, model, lens, said):
    """EXIF 271, 272 and 42036 as one line; the maker once; None where the camera did not say, and no caution."""
    exif = Image.Exif()
    for tag, value in ((271, maker), (272, model)):
        if value is not None:
            exif[tag] = value.encode()
    if lens is not None:
        exif.get_ifd(0x8769)[42036] = lens
    path = tmp_path / "a.jpg"
    Image.new("RGB", (80, 80), (90, 120, 60)).save(path, exif=exif)
    picture = photo.read(path)
    assert picture.camera == said
    assert picture.cautions == ()
