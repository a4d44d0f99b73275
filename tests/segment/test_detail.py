"""A face that was smoothed between edges left sharp is noticed by its missing detail and noise; honest faces, smooth ones
among them, keep what their edges say.

The truth is the blur that each test lays on the picture itself.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from specimeter import colour
from specimeter import photo as photos
from specimeter import sheet as sheets
from specimeter.data import sample_images
from specimeter.judge.decide import decide
from specimeter.judge.limits import read as read_limits
from specimeter.record import model, rebuild
from specimeter.segment import detail, smear
from specimeter.segment.detail import FWHM, Detail, of_face, width_px
from specimeter.segment.model import ExaminedArea
from specimeter.segment.sharpness import resolving
from specimeter.segment.unseen import mark_unseen

SAMPLES = ("face-bend-within", "side-bend-exceeds", "nick-break-exceeds")


@pytest.fixture(scope="module")
def placed(sample_record):
    """A sample's examined face with the bench close by (RGB), the area in it, and how the sample was placed; once each."""
    known = {}

    def of(name):
        if name not in known:
            photo = photos.read(sample_images() / f"{name}.jpg")
            record = model.load(sample_record(name))
            scale, surface, area = (part(record, "p1") for part in (rebuild.scale_of, rebuild.surface_of, rebuild.area_of))
            found, outline = SimpleNamespace(scale=scale, surface=surface, area=area), area.outline_px
            low, high = np.maximum(outline.min(axis=0).astype(int) - 60, 0), outline.max(axis=0).astype(int) + 60
            rgb = photo.rgb[low[1] : high[1], low[0] : high[0]]
            known[name] = rgb, ExaminedArea(outline_px=outline - low), found
        return known[name]

    return of


def smeared(rgb, outline_px, blur_px, noise, *, quality=None, turn_deg=None, inset_px=8):
    """The picture with all but a rim of the face blurred (along `turn_deg` where given), and noise laid on it."""
    inside = np.zeros(rgb.shape[:2], np.uint8)
    cv2.fillPoly(inside, [np.round(outline_px).astype(np.int32)], 1)
    inside = cv2.erode(inside, np.ones((2 * inset_px + 1,) * 2, np.uint8))
    if turn_deg is None:
        soft = cv2.GaussianBlur(rgb, (0, 0), blur_px).astype(np.float32)
    else:
        long_px = int(np.sqrt(12) * blur_px) | 1
        line = np.zeros((long_px, long_px), np.float32)
        way = long_px / 2 * np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
        middle = np.array([long_px // 2, long_px // 2])
        cv2.line(line, np.round(middle - way).astype(int).tolist(), np.round(middle + way).astype(int).tolist(), 1.0)
        soft = cv2.filter2D(rgb, cv2.CV_32F, line / line.sum())
    soft += np.float32(noise) * np.random.default_rng(5).standard_normal(rgb.shape[:2], np.float32)[..., None]
    made = np.where(inside[..., None] > 0, np.clip(soft + 0.5, 0, 255), rgb).astype(np.uint8)
    if quality is None:
        return made
    return cv2.imdecode(cv2.imencode(".jpg", made, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_COLOR)


@pytest.mark.parametrize("name", SAMPLES)
def test_an_honest_face_keeps_what_its_edges_say(placed, name):
    rgb, area, _ = placed(name)
    seen = of_face(colour.luminance(rgb), area)
    assert seen.fwhm_px < 3
    assert width_px(seen, 2.0) == (2.0, "")


@pytest.mark.parametrize("name", SAMPLES)
@pytest.mark.parametrize("blur_px", [4.0, 6.0, 9.0])
@pytest.mark.parametrize(("noise", "quality"), [(0.0, None), (0.0, 95)])
def test_a_smeared_face_is_noticed(placed, name, blur_px, noise, quality):
    """Kept as it is or through a JPEG: told at no less than 0.6 of the blur laid on."""
    rgb, area, _ = placed(name)
    seen = of_face(colour.luminance(smeared(rgb, area.outline_px, blur_px, noise, quality=quality)), area)
    assert seen.smoothed
    wide_px, why = width_px(seen, 2.0)
    assert wide_px > 0.6 * FWHM * blur_px
    assert why == detail.SMOOTHED


@pytest.mark.parametrize("share", [0.25, 0.5])
def test_a_face_smeared_in_part_is_noticed(placed, share):
    rgb, area, _ = placed("face-bend-within")
    low, high = area.outline_px.min(axis=0), area.outline_px.max(axis=0)
    part = area.outline_px.copy()
    part[:, 1] = np.minimum(part[:, 1], low[1] + share * (high[1] - low[1]))
    assert of_face(colour.luminance(smeared(rgb, part, 6.0, 0.0)), area).smoothed


@pytest.mark.parametrize(
    ("name", "turns"),
    [
        ("face-bend-within", (0, 30, 45, 135)),  # ground from top to bottom: a blur that way looks like the marks
        ("side-bend-exceeds", (0, 60, 120, 135)),
        ("nick-break-exceeds", (0, 30, 45, 60, 120, 135)),
    ],
)
@pytest.mark.parametrize(("long_px", "noise"), [(9, 0.0), (15, 0.0)])
def test_a_blur_in_one_direction_is_noticed(placed, name, turns, long_px, noise):
    """A line of 9 or 15 px laid on the face alone; told within 2 px, or 0.25, of the length that was laid on.

    At 120 deg the face bend's noise is 3.1 dB over that of the picture around, so it is not said to be smoothed (limit: 3).
    """
    rgb, area, _ = placed(name)
    for turn in turns:
        light = colour.luminance(smeared(rgb, area.outline_px, long_px / np.sqrt(12), noise, quality=95, turn_deg=turn))
        drawn = long_px if turn % 90 == 0 else long_px * max(abs(np.cos(np.radians(turn))), abs(np.sin(np.radians(turn))))
        length = smear.length_px(light, area)
        assert length is not None, turn
        assert 0.75 * drawn - 2 < length < 1.25 * long_px + 2, (turn, length)
        seen = of_face(light, area)
        assert seen.smoothed
        assert width_px(seen, 2.0)[1] == detail.SMOOTHED


@pytest.mark.parametrize("level", [0.05, 0.15, 0.4])
def test_a_smooth_surface_with_the_camera_s_noise_is_not_accused(level):
    """Shading without grain, and noise as everywhere in the picture: only where that was taken away it was smoothed."""
    rng = np.random.default_rng(4)
    across = np.linspace(-1, 1, 700)
    light = (level * (1 - 0.7 * across**2) * np.ones((600, 1)) + 0.02 * level * np.sin(9 * across) ** 3).astype(np.float32)
    light[:120], light[-120:] = 0.8 * level, 1.3 * level
    shot = light + (0.02 * np.sqrt(light * level) * rng.standard_normal(light.shape)).astype(np.float32)
    area = ExaminedArea(outline_px=np.array([[60, 130], [640, 130], [640, 470], [60, 470]], float))
    assert not of_face(shot, area).smoothed
    assert not of_face(shot, area).only_noise
    smooth = shot.copy()
    smooth[140:460, 70:630] = cv2.GaussianBlur(shot, (0, 0), 4.0)[140:460, 70:630]
    assert of_face(smooth, area).smoothed


@pytest.mark.parametrize("name", SAMPLES)
def test_a_smeared_face_that_fills_the_picture_is_noticed(placed, name):
    """With nothing around to compare its noise with, missing detail is enough: what is not known does not pass."""
    rgb, area, _ = placed(name)
    low, high = area.outline_px.min(axis=0).astype(int) + 20, area.outline_px.max(axis=0).astype(int) - 20
    light = colour.luminance(cv2.GaussianBlur(rgb, (0, 0), 6.0))[low[1] : high[1], low[0] : high[0]]
    rows, cols = light.shape
    whole = ExaminedArea(outline_px=np.array([[0, 0], [cols - 1, 0], [cols - 1, rows - 1], [0, rows - 1]], float))
    assert of_face(light, whole).smoothed


def test_gaps_of_a_box_are_told_by_its_length():
    """White lines averaged over L pixels, from the definition: the share is nearly whole at L, and small for white ones."""
    rng = np.random.default_rng(3)
    white = rng.standard_normal((2000, smear.LINE_PX + 40)).astype(np.float32)
    assert smear.box_shares(white[:, : smear.LINE_PX]).max() < 0.2
    for long_px in (9, 12, 15, 20):
        box = np.cumsum(np.pad(white, ((0, 0), (1, 0))), axis=1)
        lines = ((box[:, long_px:] - box[:, :-long_px]) / long_px)[:, : smear.LINE_PX]
        shares = smear.box_shares(lines)
        assert smear.LENGTHS_PX[shares.argmax()] == pytest.approx(long_px, abs=0.5)
        assert shares.max() > 0.5


@pytest.mark.parametrize("blur_px", [4.0, 6.0, 9.0])
def test_a_smeared_face_is_never_within(placed, blur_px):
    """The sample that is within, judged by what its smeared photograph shows: not-measured, at 4 px of blur too."""
    judged = judged_within(placed, lambda rgb, outline: smeared(rgb, outline, blur_px, 0.0))
    assert judged.outcome == "not-measured"
    assert any("smoothed" in why or "resolves" in why for why in judged.because)


@pytest.mark.parametrize("long_px", [9, 15])
def test_a_face_blurred_in_one_direction_is_never_within(placed, long_px):
    judged = judged_within(placed, lambda rgb, outline: smeared(rgb, outline, long_px / np.sqrt(12), 0.0, turn_deg=0))
    assert judged.outcome == "not-measured"


def judged_within(placed, doctored):
    """The sample that is within, judged by what its photograph shows after `doctored`(rgb, outline_px)."""
    rgb, area, found = placed("face-bend-within")
    base = str(sample_images() / "face-bend-within")
    sheet, limits = sheets.read(f"{base}.sheet.toml"), read_limits(f"{base}.limits.toml")

    def outcome(picture):
        mm = found.surface.mm_per_px_at(found.area.outline_px.mean(axis=0))
        surface = SimpleNamespace(mm_per_px_at=lambda place: mm, develop=lambda points: np.asarray(points) * mm)
        photo = SimpleNamespace(
            rgb=picture, width_px=picture.shape[1], height_px=picture.shape[0], linear=lambda: colour.luminance(picture)
        )
        resolved, seen = resolving(photo, surface, area)
        seen = mark_unseen(photo, surface, seen, [])
        whole = replace(found.area, unseen=seen.unseen)
        return decide(sheet, limits, [], area=whole, smallest_resolvable_mm=resolved, scale=found.scale, surface=found.surface)

    assert outcome(rgb).outcome == "within"
    return outcome(doctored(rgb, area.outline_px))


def bare(noise_inside: float, noise_around: float, texture: float = 0.0) -> tuple[np.ndarray, ExaminedArea]:
    """A polished face without structure, or with a fine one seen through a lens; linear light."""
    rng = np.random.default_rng(7)
    root = np.full((700, 700), 0.6, np.float32)
    root += texture * cv2.GaussianBlur(rng.standard_normal(root.shape).astype(np.float32), (0, 0), 0.9)
    noise = np.full(root.shape, noise_around, np.float32)
    noise[150:550, 150:550] = noise_inside
    root += noise * rng.standard_normal(root.shape).astype(np.float32)
    outline = np.array([[150.0, 150], [550, 150], [550, 550], [150, 550]])
    return np.square(root), ExaminedArea(outline_px=outline)


def test_a_polished_face_keeps_what_its_edges_say():
    """No detail, and the noise of the picture around: nothing speaks against its edges."""
    assert width_px(of_face(*bare(0.004, 0.004)), 2.0) == (2.0, "")


def test_a_polished_face_under_noise_of_its_own_is_not_known():
    """No detail, and five times the noise around: what could be seen there is not known."""
    seen = of_face(*bare(0.02, 0.004))
    assert seen.only_noise
    assert width_px(seen, 2.0)[0] is None


def test_a_fine_even_texture_is_no_noise():
    """Grains as fine as the lens shows (blur of 0.9 px), ten times the noise around."""
    assert width_px(of_face(*bare(0.004, 0.004, texture=0.2)), 2.0) == (2.0, "")


def test_a_face_too_small_for_blocks_says_nothing():
    light, _ = bare(0.02, 0.004)
    outline = np.array([[150.0, 150], [190, 150], [190, 190], [150, 190]])
    assert of_face(light, ExaminedArea(outline_px=outline)) == Detail()


@pytest.mark.parametrize("high_px", [20, 70])
def test_a_face_too_low_for_lines_tells_of_no_blur_in_one_direction(high_px):
    """A strip lower than its inset holds nothing, one lower than a line holds lines in one direction alone: too few to tell."""
    light = np.random.default_rng(2).uniform(0.1, 0.3, (200, 400)).astype(np.float32)
    low = 100 - high_px / 2
    strip = np.array([[40, low], [360, low], [360, low + high_px], [40, low + high_px]], float)
    assert smear.length_px(light, ExaminedArea(outline_px=strip)) is None


def test_edges_as_soft_as_the_face_are_not_doubted():
    """All out of focus together: the edges tell it already."""
    assert width_px(Detail(fwhm_px=8.0, worst_px=10.0, smoothed=True), 8.0) == (8.0, "")


def test_fall_of_natural_textures_is_no_blur():
    """Power as f^-2 down to the noise, no blur: 0 (the rule's own benefit of the doubt)."""
    power = -20 * np.log10(detail.MIDDLES)[None]
    assert detail._blur_px(power, power.min(axis=1), detail.FALL_DB, 0.5) == pytest.approx(0.0, abs=0.35)


@pytest.mark.parametrize("width", [64, 65, 200, 333])
def test_lines_that_lie_wholly_in_a_mask(width):
    """At every sixteenth pixel, as OpenCV's erosion by a row of 64 pixels has it."""
    mask = (cv2.blur(np.random.default_rng(width).random((40, width)), (31, 9)) > 0.48).astype(np.uint8)
    row = np.ones((1, smear.LINE_PX), np.uint8)
    whole = cv2.erode(mask, row, anchor=(0, 0), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    np.testing.assert_array_equal(smear._runs(mask), whole[:, ::16] > 0)
    assert smear._runs(np.ones_like(mask)).any()
