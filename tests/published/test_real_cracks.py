"""Cracks at welds in two photographs of steel bridges, with their masks.

Source: "Fatigue-crack-identification-and-quantification" (MIT licence), commit 08355c0: DH, along the toe of a rib-to-deck
fillet weld; HH, out of a weld's end, with felt pen and a label. Masks are coarse: length and path are judged, not width.
Which network is used and how its cracks are followed was decided with the two in sight; none was taught on them.
"""

import importlib.util
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from specimeter import photo
from specimeter.segment.learned import find_learned
from specimeter.segment.model import ExaminedArea

PHOTOS = Path(__file__).resolve().parents[2].parent / "shared" / "real_photos"
BENCHMARK = Path(__file__).resolve().parents[1] / "benchmarks" / "real_cracks.py"
LEAST_FOUND, MOST_OFF = 0.8, 3  # the project's goals


@pytest.mark.parametrize("name", ["fatigue_DH.png", "fatigue_HH.jpg"])
def test_a_crack_at_a_weld_is_found(name):
    """Most of its length, with few calls off it; no scale is known, so 0.1 mm a pixel stands for it."""
    if not PHOTOS.is_dir():
        pytest.skip("../shared/real_photos is not beside this checkout")
    loaded = importlib.util.spec_from_file_location("real_cracks", BENCHMARK)
    real_cracks = importlib.util.module_from_spec(loaded)
    loaded.loader.exec_module(real_cracks)
    picture = photo.read(PHOTOS / name)
    height, width = picture.rgb.shape[:2]
    area = ExaminedArea(outline_px=np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], float))
    surface = SimpleNamespace(shape="flat", mm_per_px_at=lambda point: real_cracks.MM_PER_PX)
    found = find_learned(picture, surface, area)
    share, off, _, _ = real_cracks.found_of(real_cracks.mask_of(PHOTOS / name, (height, width)), found)
    assert share >= LEAST_FOUND
    assert off <= MOST_OFF
    assert any(one.kind == "crack" for one in found)
