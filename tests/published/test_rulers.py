"""Rules in real photographs, and photographs in which there are none.

The ruler: two museum photographs of the mothra project's test files (BSD-3-Clause), half-millimetre marks, 6.69 px per mm
(+-0.03; half-millimetre period 3.34 to 3.35 px, read by hand and by Fourier transform: index beside the photographs). The
others: OpenCV's sample photographs of boards and markers (Apache-2.0), AprilTags (BSD-2-Clause), fatigue cracks (MIT).
"""

from pathlib import Path

import numpy as np
import pytest

from specimeter import photo
from specimeter.errors import ScaleError
from specimeter.scale.graduations import scale_from_graduations
from specimeter.scale.graduations_choose import find_edges
from specimeter.scale.height import mm_per_px
from specimeter.sheet import Sheet

PHOTOS = Path(__file__).resolve().parents[2].parent / "shared" / "real_photos"
RULERS = ("ruler_moth_0.jpg", "ruler_moth_90.jpg")
PX_PER_MM, U_PX_PER_MM = 6.69, 0.03
NONE = (
    "opencv_left01.jpg", "opencv_right01.jpg", "opencv_choriginal.jpg", "opencv_singlemarkersoriginal.jpg",
    "apriltag_rotation_0.png", "apriltag_rotation_40.png", "apriltag_multiple_07.png", "apriltag_multiple_09.png",
    "fatigue_DH.png", "fatigue_HH.jpg",
)  # fmt: skip


@pytest.fixture(autouse=True, scope="module")
def photographs():
    """These photographs lie beside the checkout, not in it."""
    if not PHOTOS.is_dir():
        pytest.skip("../shared/real_photos is not beside this checkout")


def sheet(**entries) -> Sheet:
    """A flat specimen in the plane of the rule."""
    entries = {"method": "graduations", "surface_height_mm": 0.0, "surface_height_U_mm": 0.1} | entries
    return Sheet.model_validate({"specimen": {"id": "R-1", "test": "macro-butt"}, "scale": entries})


@pytest.mark.parametrize("name", RULERS)
@pytest.mark.parametrize("entries", [{}, {"graduation_mm": 0.5}])
def test_the_museum_ruler(name, entries):
    """Both EXIF orientations, division entered or told by the pattern of marks: 6.69 +- 0.03 px per mm where the rule lies."""
    picture = photo.read(PHOTOS / name)
    scale = scale_from_graduations(picture, sheet(**entries))
    edge = scale.evidence["edges"][0]
    assert edge["division_mm"] == 0.5
    assert edge["pattern"] == "tens, fives, ones and halves"
    assert edge["marks"] > 120  # 77 mm of it show
    along = np.diff(np.array(edge["outer_px"])[[0, -1]], axis=0)[0]
    count = edge["index"][-1] - edge["index"][0]
    assert count / 2 / np.hypot(*along) == pytest.approx(1 / PX_PER_MM, rel=U_PX_PER_MM / PX_PER_MM)
    middle = np.mean(edge["outer_px"], axis=0)
    read = mm_per_px(scale.view, middle, 0.0)
    assert abs(read * PX_PER_MM - 1) < np.hypot(2 * scale.at(middle).u_rel, U_PX_PER_MM / PX_PER_MM)
    assert upright(along) == (name == "ruler_moth_90.jpg")


def upright(along) -> bool:
    """Whether a direction runs down the picture rather than across it."""
    return abs(along[1]) > abs(along[0])


def test_a_wrong_division_is_refused():
    """Whole millimetres entered for a rule in halves: a factor of two does not pass."""
    with pytest.raises(ScaleError, match=r"0\.5 mm") as caught:
        scale_from_graduations(photo.read(PHOTOS / RULERS[0]), sheet(graduation_mm=1.0))
    assert caught.value.field == "scale.graduation_mm"


@pytest.mark.parametrize("name", NONE)
def test_what_is_not_a_rule(name):
    """Boards, tags, cracks, marker lines: nothing in them says what a division is, so no scale without a person's word."""
    edges = find_edges(photo.read(PHOTOS / name))
    assert all(edge.pattern.division_mm is None for edge in edges)
    with pytest.raises(ScaleError):
        scale_from_graduations(photo.read(PHOTOS / name), sheet(), edges=edges)
