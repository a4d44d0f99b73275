"""Every kind of picture file gives the light it holds, checked against Pillow, OpenCV, tifffile; a cut one gives none."""

import contextlib
import io
import struct
import zlib

import cv2
import numpy as np
import pillow_heif
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageFile

from specimeter import decode, photo
from specimeter.errors import PhotoError

RNG = np.random.default_rng(11)
SMOOTH = cv2.resize(RNG.integers(0, 256, (7, 10, 3), dtype=np.uint8), (100, 70), interpolation=cv2.INTER_CUBIC)
NOISE16 = RNG.integers(0, 65536, (70, 100, 4), dtype=np.uint16)


def heic(pixels, **options):
    buffer = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(pixels)).save(buffer, **options)
    return buffer.getvalue()


def encoded(picture, form, **options):
    buffer = io.BytesIO()
    picture.save(buffer, form, **options)
    return buffer.getvalue()


def rgb_of(folder, name, data):
    path = folder / name
    path.write_bytes(data)
    return photo.read(path)


def chunk(name, data):
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def png(samples, colour_type, extra=b""):
    """A 16-bit PNG written by hand, for kinds that no library at hand writes."""
    height, width = samples.shape[:2]
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in samples)
    head = struct.pack(">IIBBBBB", width, height, 16, colour_type, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + extra + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


def tiff(samples, **options):
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, samples, **options)
    return buffer.getvalue()


def on_white(rgb, alpha, full):
    cover = alpha[..., None] / full
    return rgb * cover + full * (1 - cover)


@pytest.mark.parametrize(("name", "form"), [("a.png", "PNG"), ("a.TIF", "TIFF")])
@pytest.mark.parametrize("mode", ["L", "RGB"])
def test_lossless_pictures_come_back_exactly(tmp_path, name, form, mode):
    picture = Image.fromarray(SMOOTH).convert(mode)
    got = rgb_of(tmp_path, name, encoded(picture, form))
    assert np.array_equal(got.rgb, np.asarray(picture.convert("RGB")))
    assert got.rgb.dtype == np.uint8
    assert got.cautions == ()


@pytest.mark.parametrize("compression", ["tiff_lzw", "tiff_adobe_deflate", "packbits"])
def test_compressed_eight_bit_tiffs(tmp_path, compression):
    got = rgb_of(tmp_path, "a.tif", encoded(Image.fromarray(SMOOTH), "TIFF", compression=compression))
    assert np.array_equal(got.rgb, SMOOTH)


@pytest.mark.parametrize("tile", [None, (32, 48)])
def test_planar_eight_bit_tiffs(tmp_path, tile):
    data = tiff(np.moveaxis(SMOOTH, -1, 0).copy(), photometric="rgb", planarconfig="separate", tile=tile)
    assert np.array_equal(rgb_of(tmp_path, "a.tif", data).rgb, SMOOTH)


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"progressive": True},
        {"subsampling": 0},
        {"subsampling": 2},
        {"keep_rgb": True},
        {"quality": 30},
        {"restart_marker_rows": 1},
        {"mode": "L"},
    ],
)
def test_jpegs_are_what_pillow_and_opencv_decode(tmp_path, options):
    """Both call the same kind of decoder; agreement is to one code."""
    picture = Image.fromarray(SMOOTH).convert(options.pop("mode", "RGB"))
    data = encoded(picture, "JPEG", **options)
    got = rgb_of(tmp_path, "a.jpeg", data)
    assert np.abs(got.rgb.astype(int) - np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))).max() <= 1
    assert np.abs(got.rgb.astype(int) - cv2.imdecode(np.frombuffer(data, np.uint8), 1)[..., ::-1]).max() <= 1


@pytest.mark.parametrize("mode", ["RGB", "RGBA"])
def test_heic(tmp_path, mode):
    """Against the encoder's input: lossless quality, a few codes for the way through YCbCr."""
    pixels = SMOOTH if mode == "RGB" else np.dstack([SMOOTH, np.full((70, 100), 255, np.uint8)])
    got = rgb_of(tmp_path, "a.HEIC", heic(pixels, quality=-1, chroma=444))
    assert np.abs(got.rgb.astype(int) - SMOOTH).max() <= 4
    assert got.cautions == ()


def test_heic_of_other_light_than_srgb(tmp_path):
    """ITU-T H.273, from memory: transfer 16 is PQ, 18 is HLG, 13 is sRGB; primaries 9 are BT.2020, 12 are P3."""
    named = {"save_nclx_profile": True, "matrix_coefficients": 6, "quality": 90}
    for transfer in (16, 18):
        with pytest.raises(PhotoError, match="high-dynamic-range"):
            rgb_of(tmp_path, "a.heic", heic(SMOOTH, color_primaries=9, transfer_characteristics=transfer, **named))
    got = rgb_of(tmp_path, "b.heic", heic(SMOOTH, color_primaries=12, transfer_characteristics=13, **named))
    assert "wide-gamut" in got.cautions[0]


@pytest.mark.parametrize(("name", "form"), [("a.png", "PNG"), ("a.tif", "TIFF")])
@pytest.mark.parametrize("mode", ["LA", "RGBA"])
def test_alpha_is_laid_on_white(tmp_path, name, form, mode):
    alpha = np.linspace(0, 255, 7000).astype(np.uint8).reshape(70, 100)
    picture = Image.fromarray(SMOOTH).convert(mode)
    picture.putalpha(Image.fromarray(alpha))
    got = rgb_of(tmp_path, name, encoded(picture, form))
    flat = np.asarray(Image.fromarray(SMOOTH).convert(mode[:-1]).convert("RGB"))
    assert np.abs(got.rgb - on_white(flat, alpha, 255)).max() <= 1


def test_palettes_with_and_without_a_transparent_colour(tmp_path):
    picture = Image.fromarray(SMOOTH).quantize(60)
    assert np.array_equal(rgb_of(tmp_path, "a.png", encoded(picture, "PNG")).rgb, np.asarray(picture.convert("RGB")))
    clear = picture.getpixel((40, 30))
    got = rgb_of(tmp_path, "b.png", encoded(picture, "PNG", transparency=clear))
    index = np.asarray(picture)
    wanted = np.where((index == clear)[..., None], 255, np.asarray(picture.convert("RGB")))
    assert np.array_equal(got.rgb, wanted)


@pytest.mark.parametrize(("name", "form"), [("a.png", "PNG"), ("a.tif", "TIFF")])
def test_one_bit_pictures_carry_a_caution(tmp_path, name, form):
    picture = Image.fromarray(SMOOTH).convert("1")
    got = rgb_of(tmp_path, name, encoded(picture, form))
    assert np.array_equal(got.rgb[..., 1] > 0, np.asarray(picture))
    assert "black and white only" in got.cautions[0]


def test_cmyk_jpegs_of_both_polarities(tmp_path):
    """With Adobe's mark inks are stored inverted, without it not; the picture is the same to a few codes of JPEG loss."""
    inks = np.dstack([255 - SMOOTH, np.full((70, 100), 30, np.uint8)])
    picture = Image.frombytes("CMYK", (100, 70), inks.tobytes())
    wanted = np.asarray(picture.convert("RGB")).astype(int)
    adobe = encoded(picture, "JPEG", quality=97)
    got = rgb_of(tmp_path, "adobe.jpg", adobe)
    assert np.abs(got.rgb - wanted).mean() < 2
    assert "CMYK" in got.cautions[0]
    stored_plain = encoded(Image.frombytes("CMYK", (100, 70), (255 - inks).tobytes()), "JPEG", quality=97)
    mark = stored_plain.index(b"\xff\xee")
    length = int.from_bytes(stored_plain[mark + 2 : mark + 4])
    got = rgb_of(tmp_path, "plain.jpg", stored_plain[:mark] + stored_plain[mark + 2 + length :])
    assert np.abs(got.rgb - wanted).mean() < 2
    assert any("no ink" in caution for caution in got.cautions)


def test_cmyk_tiff(tmp_path):
    inks = np.dstack([SMOOTH, SMOOTH[..., :1]])
    picture = Image.frombytes("CMYK", (100, 70), inks.tobytes())
    got = rgb_of(tmp_path, "a.tif", encoded(picture, "TIFF"))
    assert np.abs(got.rgb.astype(int) - np.asarray(picture.convert("RGB"))).max() <= 1


DEEP = [
    {},
    {"byteorder": ">"},
    {"compression": "zlib"},
    {"compression": "zlib", "predictor": 2, "byteorder": ">"},
    {"tile": (32, 48)},
    {"tile": (32, 48), "compression": "zlib", "byteorder": ">"},
    {"rowsperstrip": 7},
    {"bigtiff": True},
]


@pytest.mark.parametrize("options", DEEP, ids=str)
@pytest.mark.parametrize("channels", [1, 3, 4])
def test_sixteen_bit_tiffs_keep_every_bit(tmp_path, options, channels):
    """Written by tifffile, an independent writer: strips and tiles, byte orders, compression."""
    samples = NOISE16[..., 0].copy() if channels == 1 else NOISE16[..., :channels].copy()
    kind = {"photometric": "minisblack" if channels == 1 else "rgb"}
    if channels == 4:
        kind["extrasamples"] = ["unassalpha"]
    got = rgb_of(tmp_path, "a.tif", tiff(samples, **kind, **options))
    assert got.rgb.dtype == np.uint16
    if channels == 4:
        assert np.abs(got.rgb - on_white(samples[..., :3], samples[..., 3], 65535)).max() <= 1
    else:
        assert np.array_equal(got.rgb, samples if channels == 3 else np.repeat(samples[..., None], 3, axis=2))


def test_sixteen_bit_tiff_with_lzw(tmp_path):
    """Written by OpenCV, whose own default this is."""
    data = cv2.imencode(".tiff", NOISE16[..., 2::-1], [cv2.IMWRITE_TIFF_COMPRESSION, 5])[1].tobytes()
    assert np.array_equal(rgb_of(tmp_path, "a.tiff", data).rgb, NOISE16[..., :3])


def test_sixteen_bit_tiffs_with_white_as_zero_premultiplied_or_unexplained_channels(tmp_path):
    grey = NOISE16[..., 0].copy()
    got = rgb_of(tmp_path, "white.tif", tiff(grey, photometric="miniswhite"))
    assert np.array_equal(got.rgb[..., 1], 65535 - grey)
    alpha = NOISE16[..., 3].astype(np.uint32)
    thin = np.dstack([(NOISE16[..., :3] * alpha[..., None] // 65535), alpha]).astype(np.uint16)
    got = rgb_of(tmp_path, "thin.tif", tiff(thin, photometric="rgb", extrasamples=["assocalpha"]))
    assert np.abs(got.rgb - on_white(NOISE16[..., :3], alpha, 65535)).max() <= 2
    got = rgb_of(tmp_path, "more.tif", tiff(NOISE16, photometric="rgb", extrasamples=["unspecified"]))
    assert np.array_equal(got.rgb, NOISE16[..., :3])


def test_sixteen_bit_pngs_keep_every_bit(tmp_path):
    grey, alpha = NOISE16[..., 0], NOISE16[..., 3]
    assert np.array_equal(rgb_of(tmp_path, "rgb.png", png(NOISE16[..., :3], 2)).rgb, NOISE16[..., :3])
    assert np.array_equal(rgb_of(tmp_path, "grey.png", png(grey, 0)).rgb[..., 2], grey)
    got = rgb_of(tmp_path, "rgba.png", png(NOISE16, 6)).rgb
    assert np.abs(got - on_white(NOISE16[..., :3], alpha, 65535)).max() <= 1
    got = rgb_of(tmp_path, "ga.png", png(np.dstack([grey, alpha]), 4)).rgb
    assert np.abs(got[..., :1] - on_white(grey[..., None], alpha, 65535)).max() <= 1
    clear = struct.pack(">HHH", *(int(v) for v in NOISE16[5, 6, :3]))
    got = rgb_of(tmp_path, "key.png", png(NOISE16[..., :3], 2, chunk(b"tRNS", clear))).rgb
    assert got[5, 6].tolist() == [65535] * 3
    assert np.array_equal(got[6:], NOISE16[6:, :, :3])


def test_a_png_of_another_gamma_says_so(tmp_path):
    data = encoded(Image.fromarray(SMOOTH), "PNG")
    linear = data[:33] + chunk(b"gAMA", struct.pack(">I", 100000)) + data[33:]
    usual = data[:33] + chunk(b"gAMA", struct.pack(">I", 45455)) + data[33:]
    assert "gamma of 1.000" in rgb_of(tmp_path, "a.png", linear).cautions[0]
    assert rgb_of(tmp_path, "b.png", usual).cautions == ()


def test_further_pictures_in_a_jpeg_are_previews_and_bytes_after_its_end_are_nothing(tmp_path):
    """Phones append gain maps and depth (multi-picture format); the first picture is the photograph."""
    first, second = Image.fromarray(SMOOTH), Image.fromarray(SMOOTH[::-1])
    data = encoded(first, "MPO", save_all=True, append_images=[second], quality=95)
    got = rgb_of(tmp_path, "a.jpg", data)
    assert np.abs(got.rgb.astype(int) - SMOOTH).mean() < 3
    assert got.cautions == ()
    assert rgb_of(tmp_path, "b.jpg", encoded(first, "JPEG") + b"anything at all \xff\xd8").width_px == 100


def test_pages_of_a_tiff_and_pictures_of_a_heic_are_told(tmp_path):
    pages = tiff(np.stack([SMOOTH, SMOOTH[::-1], SMOOTH]), photometric="rgb")
    got = rgb_of(tmp_path, "a.tif", pages)
    assert np.array_equal(got.rgb, SMOOTH)
    assert got.cautions == ("the TIFF holds 3 pictures; only the first page was read",)
    heif = pillow_heif.from_pillow(Image.fromarray(SMOOTH))
    heif.add_from_pillow(Image.fromarray(SMOOTH[::-1].copy()))
    buffer = io.BytesIO()
    heif.save(buffer, quality=90)
    got = rgb_of(tmp_path, "a.heic", buffer.getvalue())
    assert got.cautions == ("the HEIC holds 2 pictures; only the main picture was read",)
    assert np.abs(got.rgb.astype(int) - SMOOTH).mean() < 6


THUMBNAIL = Image.Exif()
THUMBNAIL[0x010E] = "a description with an end marker \xff\xd9 in it" * 20
WHOLE = {
    "a.jpg": encoded(Image.fromarray(SMOOTH), "JPEG", exif=THUMBNAIL, comment=encoded(Image.fromarray(SMOOTH), "JPEG")),
    "b.jpg": encoded(Image.fromarray(SMOOTH), "JPEG", progressive=True),
    "c.jpg": encoded(Image.fromarray(np.full((70, 100), 90, np.uint8)), "JPEG"),
    "d.jpg": encoded(Image.frombytes("CMYK", (100, 70), NOISE16.astype(np.uint8).tobytes()), "JPEG"),
    "e.png": encoded(Image.fromarray(SMOOTH), "PNG"),
    "f.png": png(NOISE16[..., :3], 2),
    "g.tif": encoded(Image.fromarray(SMOOTH), "TIFF"),
    "h.tif": tiff(NOISE16[..., :3], photometric="rgb", metadata=None),
    "i.tif": encoded(Image.fromarray(SMOOTH), "TIFF", compression="tiff_lzw"),
    "j.heic": heic(SMOOTH, quality=90),
}  # fmt: skip


@settings(deadline=None, max_examples=150)
@given(name=st.sampled_from(sorted(WHOLE)), share=st.floats(0, 1))
def test_a_picture_that_is_cut_anywhere_is_refused(tmp_path_factory, name, share):
    """Pictures that end early would come back with grey below; every one is refused, down to the last byte that matters."""
    data = WHOLE[name]
    folder = tmp_path_factory.mktemp("cut")
    assert rgb_of(folder, name, data).width_px == 100
    keep = round(share * (len(data) - 1))
    for lost in (data[:keep], data[:keep] + bytes(len(data) - keep)):
        if lost == data or (name == "g.tif" and len(lost) == len(data)):  # plain pixels that became zero cannot be told
            continue
        if len(lost) == len(data) and name[0] in "hij":
            continue
        with pytest.raises(PhotoError):
            rgb_of(folder, name, lost)


def test_another_librarys_leniency_is_not_ours(tmp_path, monkeypatch):
    """Pillow's global switch to accept cut files does not reach this reader, and is left as it was."""
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)
    data = encoded(Image.fromarray(SMOOTH), "TIFF")
    with pytest.raises(PhotoError, match="cut off"):
        rgb_of(tmp_path, "a.tif", data[: len(data) // 2])
    assert ImageFile.LOAD_TRUNCATED_IMAGES is True


@pytest.mark.parametrize("name", sorted(WHOLE))
def test_damaged_bytes_never_crash_the_reader(tmp_path, name):
    """A few bytes changed at random: a photograph or a reason, never another error."""
    rng = np.random.default_rng(7)
    for _ in range(40):
        data = bytearray(WHOLE[name])
        for at in rng.integers(0, len(data) if rng.random() < 0.5 else 400, rng.integers(1, 6)):
            data[at] = rng.integers(0, 256)
        with contextlib.suppress(PhotoError):
            assert rgb_of(tmp_path, name, bytes(data)).rgb.dtype in (np.uint8, np.uint16)


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"\xff\xd8\xff\xe1", "JPEG"),
        (b"II*\x00\x08\x00\x00\x00\x00\x00", "TIFF"),
        (b"MM\x00+\x00\x08\x00\x00", "TIFF"),
        (b"\x00\x00\x00\x18ftypmif1\x00\x00\x00\x00mif1heic", "HEIC"),
        (b"\x00\x00\x00\x1cftypmif1\x00\x00\x00\x00mif1avif", "an AVIF picture"),
        (b"\x00\x00\x00\x18ftypmsf1\x00\x00\x00\x00", "an animated HEIC sequence"),
        (b"\x00\x00\x00\x18ftypisom\x00\x00\x00\x00", "a video or other media file"),
        (b"II*\x00\x10\x00\x00\x00CR\x02\x00", "a camera raw file"),
        (b"RIFF\x00\x00\x00\x00WEBPVP8 ", "a WebP picture"),
        (b"RIFF\x00\x00\x00\x00WAVEfmt ", "an audio or video file"),
        (b"%PDF-1.7", "a PDF document"),
        (b"PK\x03\x04", "a ZIP archive or office document"),
        (b"GIF89a", "a GIF picture"),
        (b"\n<svg xmlns=", "a web page or XML text"),
        ("Prüfstück: größer als 3 mm\r\n".encode() * 80, "plain text"),
        (bytes(range(100, 256)), "no picture: its first bytes are not those of any known kind"),
    ],
)
def test_contents_are_known_by_their_first_bytes(data, kind):
    assert decode.kind_of(data) == kind
