"""A known length between two points: exact where the camera looks straight down, covered by its interval where not."""

import numpy as np
import pytest

from specimeter.errors import ScaleError
from specimeter.scale.camera_profile import Profile
from specimeter.scale.distance import of_profile
from specimeter.scale.height import mm_per_px
from specimeter.scale.length import scale_from_length


class Picture:
    file, width_px, height_px = "shot.jpg", 1200, 900

    def __init__(self, focal_35mm_mm=None):
        self.focal_35mm_mm = focal_35mm_mm

    def linear(self):
        """Even grey: nothing that a marked point could be moved onto."""
        return np.full((self.height_px, self.width_px), 0.3, np.float32)


def length_sheet(sheet, ends, length_mm=50.0, **entries):
    entries = {"surface_height_mm": 0.0, "surface_height_U_mm": 0.2} | entries
    return sheet(method="length", from_px=list(ends[0]), to_px=list(ends[1]), length_mm=length_mm, **entries)


def test_straight_down_is_exact(cards, sheet):
    """Points projected by the tests' own camera looking straight down: scale and card coordinates come back."""
    shot = cards.Shot(roll_deg=25.0, look_at_mm=(30, 20))
    ends = shot.project([[5.0, 5.0, 0.0], [55.0, 5.0, 0.0]])
    scale = scale_from_length(Picture(), length_sheet(sheet, ends))
    assert mm_per_px(scale.view, scale.reference_px, 0) == pytest.approx(320 / 1200, rel=1e-9)
    on_plane = scale.view.on_plane(ends)
    np.testing.assert_allclose(on_plane[0], 0, atol=1e-9)
    assert np.linalg.norm(on_plane[1]) == pytest.approx(50.0)


def test_focal_and_height_give_the_raised_scale(cards, sheet):
    """With the true 35 mm equivalent, a surface 32 mm nearer at 320 mm has 0.9 times the scale; so with the distance."""
    shot = cards.Shot(look_at_mm=(30, 20))
    ends = shot.project([[5.0, 5.0, 0.0], [55.0, 5.0, 0.0]])
    exif = scale_from_length(Picture(1200 * 43.27 / 1500), length_sheet(sheet, ends, surface_height_mm=32.0))
    entered = scale_from_length(Picture(), length_sheet(sheet, ends, surface_height_mm=32.0, camera_distance_mm=288.0))
    for scale in (exif, entered):
        assert mm_per_px(scale.view, scale.reference_px, 32.0) == pytest.approx(0.9 * 320 / 1200, rel=1e-6)


def test_a_distance_that_the_focal_length_contradicts_is_a_doubt(cards, sheet):
    """At 320 mm, with the true 35 mm equivalent: 288 mm to a surface 32 mm nearer agrees, 200 mm does not."""
    ends = cards.Shot(look_at_mm=(30, 20)).project([[5.0, 5.0, 0.0], [55.0, 5.0, 0.0]])
    picture = Picture(1200 * 43.27 / 1500)
    for distance_mm, doubts in ((288.0, 0), (300.0, 0), (200.0, 1), (500.0, 1)):
        entries = {"surface_height_mm": 32.0, "camera_distance_mm": distance_mm}
        scale = scale_from_length(picture, length_sheet(sheet, ends, **entries))
        assert len(scale.evidence.get("doubts", ())) == doubts, distance_mm
        assert sum("camera distance" in caution for caution in scale.cautions) == doubts


def test_leaning_cameras_stay_in_the_interval(cards, sheet):
    """60 cameras leaning as the budget supposes (6 deg each way), points marked to 0.7 px: 95 % within 2 u.

    At least 53 of 60 (probability 0.98 for a true 95 %).
    """
    rng = np.random.default_rng(8)
    inside = 0
    for _ in range(60):
        lean = rng.normal(0, 6, 2)
        shot = cards.Shot(
            tilt_deg=float(np.hypot(*lean)), azimuth_deg=float(np.degrees(np.arctan2(*lean))), roll_deg=rng.uniform(0, 360)
        )
        turn = rng.uniform(0, 2 * np.pi)
        middle, half = np.array([50.0, 15.0]), 25 * np.array([np.cos(turn), np.sin(turn)])
        ends = shot.project([[*(middle - half), 0.0], [*(middle + half), 0.0]]) + rng.normal(0, 0.7, (2, 2))
        scale = scale_from_length(Picture(), length_sheet(sheet, ends))
        error = mm_per_px(scale.view, scale.reference_px, 0) / shot.mm_per_px(scale.reference_px) - 1
        inside += abs(error) < 2 * scale.u_rel
    assert inside >= 53


def test_tilt_is_said_to_be_unknown(sheet):
    """The caution names what one length cannot show; the budget holds a line for it."""
    scale = scale_from_length(Picture(), length_sheet(sheet, [[100.0, 450.0], [900.0, 450.0]]))
    assert any("leaned" in caution for caution in scale.cautions)
    assert any("straight above" in term.source for term in scale.budget)
    assert scale.u_rel == pytest.approx(np.sqrt(sum(term.contribution**2 for term in scale.budget)))


def test_points_outside_or_too_near_are_refused(sheet):
    """Outside the picture names the point; too near says how far apart they must be."""
    with pytest.raises(ScaleError, match="outside the picture") as caught:
        scale_from_length(Picture(), length_sheet(sheet, [[100.0, 450.0], [1300.0, 450.0]]))
    assert caught.value.field == "scale.to_px"
    entries = length_sheet(sheet, [[100.0, 450.0], [900.0, 450.0]])
    near = entries.model_copy(update={"scale": entries.scale.model_copy(update={"to_px": (110.0, 450.0)})})
    with pytest.raises(ScaleError, match=r"10\.0 pixels apart"):
        scale_from_length(Picture(), near)
    missing = entries.model_copy(update={"scale": entries.scale.model_copy(update={"length_mm": None})})
    with pytest.raises(ScaleError, match="missing"):
        scale_from_length(Picture(), missing)


def test_points_near_edges_are_moved_onto_them_and_the_evidence_says_so(cards, sheet):
    """A dark bar from x = 100 to 900: points marked 1 to 2 px off it give its 800 px, with a smaller line in the budget."""
    picture = Picture()
    light = picture.linear()
    light[300:600, 100:900] = 0.05
    picture.linear = lambda: light
    off = scale_from_length(picture, length_sheet(sheet, [[101.2, 450.0], [897.7, 450.0]]))
    # pixels 100 to 899 are dark: their outer borders lie at 99.5 and 899.5
    assert off.evidence["points"] == "moved onto the edges"
    assert off.evidence["from_px"][0] == pytest.approx(99.5, abs=0.1)
    assert off.evidence["to_px"][0] == pytest.approx(899.5, abs=0.1)
    by_hand = scale_from_length(Picture(), length_sheet(sheet, [[101.2, 450.0], [897.7, 450.0]]))
    assert by_hand.evidence["points"] == "as marked"
    marking = [next(t for t in scale.budget if t.source == "marking the two points") for scale in (off, by_hand)]
    assert marking[0].contribution < 0.3 * marking[1].contribution


def bent_lens(**entries) -> Profile:
    """A strongly bent lens for pictures of 1200 x 900."""
    entries = {"focal_px": 1100.0, "centre_x_px": 611.0, "centre_y_px": 441.0, "k1": -0.15, "k2": 0.03} | entries
    told = {"u_focal_rel": 0.015, "u_centre_px": 2.0, "u_k1": 0.003, "u_k2": 0.005, "photographs": 12, "residual_rms_px": 0.2}
    return Profile(format="specimeter-camera", version=1, width_px=1200, height_px=900, **entries, **told)


def test_a_lens_profile_straightens_a_known_length(sheet):
    """The lens's distortion (Brown 1971) seen straight down from 320 mm: lengths all over the picture come back."""
    profile = bent_lens()
    focal = of_profile(profile)

    def seen(x_mm, y_mm):
        x, y = np.array([x_mm, y_mm]) / 320.0
        r2 = x * x + y * y
        stretch = 1100.0 * (1 - 0.15 * r2 + 0.03 * r2 * r2)
        return [611.0 + x * stretch, 441.0 + y * stretch]

    marked = length_sheet(sheet, [seen(-140.0, -100.0), seen(-20.0, -100.0)], length_mm=120.0)
    scale = scale_from_length(Picture(), marked, lens=focal)
    far = scale.view.on_plane(np.array([seen(60.0, 100.0), seen(150.0, 20.0)]))
    assert np.linalg.norm(far[1] - far[0]) == pytest.approx(np.hypot(90.0, 80.0), rel=1e-6)
    assert scale.evidence["lens_profile"] == profile.name
    assert scale.evidence["distance_from"] == "the lens profile"
    without = scale_from_length(Picture(), marked)
    bends = [sum(line.contribution for line in one.budget if line.source.startswith("lens dist")) for one in (scale, without)]
    assert bends[0] < bends[1] / 3
