"""Light from codes: sRGB against the standard's numbers and scikit-image, profiles against LittleCMS and closed formulas."""

import struct
from io import BytesIO

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageCms
from skimage.color import rgb2xyz

from specimeter import colour, photo

# Colorants adapted to D50, from memory of the profiles in circulation.
ADOBE = ((0.60974, 0.31111, 0.01947), (0.20528, 0.62567, 0.06087), (0.14919, 0.06322, 0.74457))
DISPLAY_P3 = ((0.51512, 0.24120, -0.00105), (0.29198, 0.69225, 0.04189), (0.15710, 0.06657, 0.78407))
SRGB = ((0.43607, 0.22249, 0.01392), (0.38515, 0.71687, 0.09708), (0.14307, 0.06061, 0.71410))
WHITE_D50 = (0.9642, 1.0, 0.8249)


def s15(*values):
    return b"".join(struct.pack(">i", round(value * 65536)) for value in values)


def para(kind, *values):
    return b"para\0\0\0\0" + struct.pack(">HH", kind, 0) + s15(*values)


def curv(*values):
    return b"curv\0\0\0\0" + struct.pack(f">I{len(values)}H", len(values), *values)


def profile(space, tags, kind=b"mntr", pcs=b"XYZ "):
    """An ICC profile, version 4, with the given tags (layout of ICC.1:2010, clause 7, from memory)."""
    tags = {b"wtpt": b"XYZ \0\0\0\0" + s15(*WHITE_D50), b"desc": b"mluc\0\0\0\0" + struct.pack(">II", 0, 12), **tags}
    at, table, body = 132 + 12 * len(tags), b"", b""
    for name, data in tags.items():
        data += bytes(-len(data) % 4)
        table += name + struct.pack(">II", at + len(body), len(data))
        body += data
    head = struct.pack(">I4xI4s4s4s12x4s4x24xI12s", at + len(body), 0x04200000, kind, space, pcs, b"acsp", 0, s15(*WHITE_D50))
    return head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


def rgb_profile(colorants, *curves):
    curves = curves * (3 // len(curves))
    tags = {name: b"XYZ \0\0\0\0" + s15(*xyz) for name, xyz in zip((b"rXYZ", b"gXYZ", b"bXYZ"), colorants, strict=True)}
    return profile(b"RGB ", tags | dict(zip((b"rTRC", b"gTRC", b"bTRC"), curves, strict=True)))


SRGB_PARA = para(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
CURVES = {
    "gamma 2.2": curv(563),  # 563 / 256, Adobe RGB (1998), 4.3.4.2, from memory
    "identity": curv(),
    "table": curv(*np.rint(65535 * np.linspace(0, 1, 200) ** 1.8).astype(int)),
    "para 0": para(0, 1.8),
    "para 1": para(1, 2.0, 1.1, -0.1),
    "para 2": para(2, 2.0, 0.85, 0.05, 0.1),
    "para 3": SRGB_PARA,
    "para 4": para(4, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045, 0.0, 0.0),
}


def test_srgb_transfer_function_has_the_standards_values():
    """IEC 61966-2-1:1999, from memory: both pieces meet at 0.04045; the rest is arithmetic on the formula, done by hand."""
    at = {
        0.0: 0.0,
        1.0: 1.0,
        0.04: 0.00309598,
        0.04045: 0.0031308,
        0.5: 0.214041,
        188 / 255: 0.502886,
        1 / 255: 0.000303527,
        10 / 255: 0.00303527,
    }
    assert colour.to_linear(np.array(list(at))) == pytest.approx(list(at.values()), abs=5e-7)
    assert colour.to_linear(np.array(0.04045 + 1e-9)) == pytest.approx(0.0031308, abs=1e-7)


@given(st.floats(0, 1))
def test_code_and_light_are_inverses(code):
    assert colour.to_code(colour.to_linear(np.array(code))) == pytest.approx(
        code, abs=2e-5
    )  # the standard's own seam is 1e-5 wide


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_luminance_agrees_with_scikit_image(dtype):
    """Y of scikit-image's sRGB to XYZ, whose weights are rounded differently (0.212671, 0.715160, 0.072169): 1e-4 apart."""
    rng = np.random.default_rng(5)
    rgb = rng.integers(0, np.iinfo(dtype).max + 1, (37, 501, 3)).astype(dtype)
    light = colour.luminance(rgb)
    assert light.dtype == np.float32
    assert light.shape == (37, 501)
    assert np.abs(light - rgb2xyz(rgb)[..., 1]).max() < 1e-4
    ends = np.array([[[0, 0, 0], [np.iinfo(dtype).max] * 3]]).astype(dtype)
    assert colour.luminance(ends).ravel() == pytest.approx([0, 1], abs=1e-6)


def test_luminance_does_not_swap_channels_and_minds_every_row():
    """Pure primaries give the weights of ITU-R BT.709; taller than one band of rows."""
    rgb = np.zeros((3000, 300, 3), dtype=np.uint8)
    for i in range(3):
        rgb[i::3, :, i] = 255
    assert colour.luminance(rgb)[:, 7] == pytest.approx(np.tile([0.2126, 0.7152, 0.0722], 1000), abs=1e-6)


@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize("colorants", [ADOBE, DISPLAY_P3, SRGB], ids=["adobe", "p3", "srgb"])
def test_sixteen_bits_through_a_profile_agree_with_littlecms(name, colorants):
    """LittleCMS works in 8 bits here: the two agree to one code of 255, out-of-gamut colours included."""
    icc = rgb_profile(colorants, CURVES[name])
    rng = np.random.default_rng(8)
    eight = rng.integers(0, 256, (64, 70, 3), dtype=np.uint8)
    ours, cautions = colour.to_srgb(eight.astype(np.uint16) * 257, icc)
    transform = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(BytesIO(icc)), ImageCms.createProfile("sRGB"), "RGB", "RGB", renderingIntent=1
    )
    theirs = np.asarray(transform.apply(Image.fromarray(eight)))
    assert ours.dtype == np.uint16
    assert cautions == ()
    assert np.abs(ours / 257 - theirs).max() <= 1.02
    same, _ = colour.to_srgb(eight.copy(), icc)
    assert np.abs(same.astype(int) - theirs).max() <= 1


def test_sixteen_bits_keep_their_fineness():
    """A ramp of 2000 neighbouring 16-bit codes stays 2000 different values: gamma 2.2 to sRGB by the two formulas."""
    ramp = np.arange(30000, 32000, dtype=np.uint16)
    rgb, _ = colour.to_srgb(np.repeat(ramp.reshape(20, 100, 1), 3, axis=2), rgb_profile(SRGB, curv(563)))
    wanted = 65535 * (1.055 * ((ramp / 65535) ** (563 / 256)) ** (1 / 2.4) - 0.055)
    assert np.abs(rgb[..., 1].ravel() - wanted).max() < 8  # colorants are rounded to 1e-5
    assert len(np.unique(rgb[..., 1])) > 1900


def test_three_different_curves_stay_with_their_channels():
    icc = rgb_profile(SRGB, curv(256), curv(512), SRGB_PARA)
    value = np.full((64, 64, 3), 32768, dtype=np.uint16)
    rgb, _ = colour.to_srgb(value, icc)
    wanted = colour.to_code(np.array([0.5, 0.25, colour.to_linear(np.array(0.5))])) * 65535
    assert rgb[3, 4] == pytest.approx(wanted, abs=8)


def test_srgb_by_any_name_changes_nothing_and_costs_no_copy():
    pixels = np.random.default_rng(2).integers(0, 256, (64, 64, 3), dtype=np.uint8)
    for icc in (ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes(), rgb_profile(SRGB, SRGB_PARA)):
        rgb, cautions = colour.to_srgb(pixels, icc)
        assert rgb is pixels
        assert cautions == ()


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_grey_profile_is_obeyed(dtype):
    """Gamma 1.8 to sRGB by the two formulas; 8 bits within two codes (the steep dark end), 16 bits within rounding."""
    icc = profile(b"GRAY", {b"kTRC": para(0, 1.8)})
    full = np.iinfo(dtype).max
    grey = np.linspace(0, full, 64 * 64).astype(dtype).reshape(64, 64)
    rgb, cautions = colour.to_srgb(grey, icc)
    assert cautions == ()
    assert rgb.shape == (64, 64, 3)
    assert np.array_equal(rgb[..., 0], rgb[..., 2])
    wanted = colour.to_code((grey / full) ** 1.8) * full
    assert np.abs(rgb[..., 1] - wanted).max() <= (2.0 if dtype == np.uint8 else 1.5)


def cmyk_profile():
    """Paper white L* 100, every ink takes light away, full black alone leaves L* 50 (a table of 2 x 2 x 2 x 2 points)."""
    nodes = [(c, m, y, k) for c in (0, 1) for m in (0, 1) for y in (0, 1) for k in (0, 1)]
    lightness = [255 * (1 - 0.5 * k) * (1 - 0.2 * c) * (1 - 0.2 * m) * (1 - 0.1 * y) for c, m, y, k in nodes]
    table = b"".join(bytes([round(value), 128, 128]) for value in lightness)
    identity = s15(1, 0, 0, 0, 1, 0, 0, 0, 1)
    ramp = bytes(range(256))
    lut = b"mft1\0\0\0\0" + bytes([4, 3, 2, 0]) + identity + ramp * 4 + table + ramp * 3
    return profile(b"CMYK", {b"A2B0": lut, b"A2B1": lut}, kind=b"prtr", pcs=b"Lab ")


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_cmyk_profile_is_obeyed(dtype):
    """Paper is white, full black is L* 50, which is sRGB code 119 (CIE 15: L* 50 is Y 0.184; 0.184 is code 118.9)."""
    cmyk = np.zeros((64, 64, 4), dtype=dtype)
    cmyk[32:, :, 3] = np.iinfo(dtype).max
    rgb, cautions = colour.to_srgb(cmyk, cmyk_profile())
    assert rgb.dtype == np.uint8
    assert rgb[:32].min() >= 254
    assert np.abs(rgb[32:].astype(int) - 119).max() <= 1
    assert len(cautions) == (dtype == np.uint16)


def test_cmyk_without_a_profile_follows_the_plain_formula_and_says_so():
    cmyk = np.random.default_rng(4).integers(0, 256, (64, 90, 4), dtype=np.uint8)
    rgb, cautions = colour.to_srgb(cmyk, None)
    theirs = np.asarray(Image.frombytes("CMYK", (90, 64), cmyk.tobytes()).convert("RGB"))
    assert np.abs(rgb.astype(int) - theirs).max() <= 1
    assert "CMYK" in cautions[0]


@pytest.mark.parametrize(
    "icc",
    [
        b"",
        b"not a profile",
        bytes(5000),
        ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()[:300],
        profile(b"GRAY", {b"kTRC": para(0, 1.8)}),
        rgb_profile(ADOBE, b"nonsense" * 4),
        rgb_profile(ADOBE, para(9, 2.0)),
    ],
    ids=["empty", "text", "zeros", "cut", "grey for rgb", "no curve", "unknown curve"],
)
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_broken_or_unfit_profile_is_a_caution(icc, dtype):
    pixels = np.random.default_rng(3).integers(0, 256, (64, 64, 3)).astype(dtype)
    before = pixels.copy()
    rgb, cautions = colour.to_srgb(pixels, icc)
    assert np.array_equal(rgb, before)
    assert len(cautions) == 1
    assert "profile could not be used" in cautions[0]


@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF"])
def test_the_profile_in_a_file_is_used(tmp_path, form):
    """A patch in Display P3: known conversion of (0.5, 0.2, 0.8) by the primaries alone, to two codes."""
    icc = rgb_profile(DISPLAY_P3, SRGB_PARA)
    path = tmp_path / f"p3.{form.lower()}"
    Image.new("RGB", (80, 70), (128, 51, 204)).save(path, form, icc_profile=icc, **({"quality": 98} if form == "JPEG" else {}))
    light = colour.to_linear(np.array([128, 51, 204]) / 255)
    wanted = 255 * colour.to_code(np.clip(np.linalg.solve(np.transpose(SRGB), np.transpose(DISPLAY_P3) @ light), 0, 1))
    got = photo.read(path)
    assert got.rgb[20, 30] == pytest.approx(wanted, abs=2)
    assert got.cautions == ()
    assert abs(wanted - [128, 51, 204]).max() > 5


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_mean_of_channels_is_numpys(dtype):
    """To the last bit, of a part of a picture too."""
    top = 1 if dtype is np.float32 else np.iinfo(dtype).max
    picture = (np.random.default_rng(0).random((50, 70, 3)) * top).astype(dtype)[3:, 5:]
    np.testing.assert_array_equal(colour.mean_of_channels(picture), picture.mean(axis=2, dtype=np.float32))
