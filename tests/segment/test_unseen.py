"""Where the picture can show no opening: burnt out, black, retouched; and where it can, nothing is marked."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from specimeter.colour import luminance
from specimeter.segment.model import ExaminedArea, Outline
from specimeter.segment.unseen import mark_unseen

AREA = ExaminedArea(outline_px=np.array([[20.0, 20], [379, 20], [379, 259], [20, 259]]))
MM_PER_PX = 0.1
FLAT = SimpleNamespace(develop=lambda points: np.asarray(points) * MM_PER_PX, mm_per_px_at=lambda point: MM_PER_PX)


def metal(seed: int = 5) -> np.ndarray:
    """Grey metal with a sensor's noise, (280, 400, 3) uint8."""
    rng = np.random.default_rng(seed)
    return rng.normal(130, 4, (280, 400, 3)).clip(0, 255).astype(np.uint8)


def marked(rgb, found=(), area=AREA):
    photo = SimpleNamespace(rgb=rgb, width_px=rgb.shape[1], height_px=rgb.shape[0], linear=lambda: luminance(rgb))
    return mark_unseen(photo, FLAT, area, found)


def test_metal_that_shows_is_seen():
    """Nothing to mark, and the area comes back as it was."""
    assert marked(metal()) is AREA


@pytest.mark.parametrize(("code", "why"), [(255, "burnt out"), (0, "black"), (190, "without any structure")])
@pytest.mark.parametrize("noise", [0, 2])
def test_a_blind_part_is_marked_with_its_extent(code, why, noise):
    """90 x 40 pixels at 0.1 mm: 9.8 mm corner to corner, found to a millimetre; noise does not open an eye in it."""
    rgb = metal()
    rgb[100:140, 150:240] = np.clip(np.random.default_rng(1).normal(code, noise, (40, 90, 3)), 0, 255)
    area = marked(rgb)
    if (noise, code) == (2, 190):
        assert area is AREA  # a noisy grey is what even metal looks like
        return
    (part,) = area.unseen
    assert part.why == why
    assert part.length_mm == pytest.approx(np.hypot(9.0, 4.0), abs=1.0)
    assert why in area.cautions[-1]


def test_glints_and_the_dark_of_a_found_opening_are_no_blindness():
    """Bright grains scattered over a tenth of the face, and a black opening that was outlined."""
    rgb = metal()
    rgb[np.random.default_rng(2).random(rgb.shape[:2]) < 0.1] = 255
    rgb[100:140, 150:240] = 2
    outline = np.array([[150.0, 100], [239, 100], [239, 139], [150, 139]])
    assert marked(rgb, [Outline(outline_px=outline)]) is AREA
    assert marked(rgb).unseen


def test_what_the_sheet_leaves_out_is_not_marked_again():
    """A burnt-out part within an excluded outline."""
    rgb = metal()
    rgb[100:140, 150:240] = 255
    hole = np.array([[140.0, 90], [250, 90], [250, 150], [140, 150]])
    area = ExaminedArea(outline_px=AREA.outline_px, exclude_px=(hole,))
    assert marked(rgb, area=area) is area


@pytest.mark.parametrize("noise", [1.0, 2.5, 6.0])
@pytest.mark.parametrize("grey", [60, 140, 215])
def test_a_cover_on_metal_that_shows_is_marked(grey, noise):
    """Tape across ground metal, 24 x 7 mm, as noisy as all the picture, is marked; the metal beside it is not."""
    rng = np.random.default_rng(7)
    rows = gaussian_filter1d(rng.normal(0, 1, 280), 3.0)  # grinding marks along x, a few pixels wide, soft of lens and light
    face = 130 + 15 * (rows / rows.std())[:, None, None] + rng.normal(0, noise, (280, 400, 3))
    uncovered = face.clip(0, 255).astype(np.uint8)
    assert marked(uncovered) is AREA
    face[110:180, 80:320] = rng.normal(grey, noise, (70, 240, 3))
    area = marked(face.clip(0, 255).astype(np.uint8))
    assert area.unseen[0].why == "nothing but noise"
    assert area.unseen[0].length_mm == pytest.approx(np.hypot(24, 7), abs=2.5)
    assert len(area.unseen) == 1


def test_where_no_metal_shows_a_plain_part_is_no_cover():
    """A face that is nothing but noise all over may be fine blasted metal: that is told by its edges, not here."""
    assert marked(metal()) is AREA
