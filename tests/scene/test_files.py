"""A saved picture can be read back: JPEG with EXIF, sheet, truth."""

import json
import tomllib

import numpy as np
from PIL import Image

from specimeter.scene import files
from specimeter.scene.describe import Picture


def picture(focal=26.0):
    rng = np.random.default_rng(4)
    rgb = np.repeat(rng.integers(0, 255, (6, 8, 3)), 20, axis=0).repeat(20, axis=1).astype(np.uint8)
    return Picture(rgb=rgb, truth={"width_px": 160}, sheet_toml='[specimen]\nid = "A"\n', focal_35mm_mm=focal, jpeg_quality=92)


def test_save_writes_three_files_that_read_back(tmp_path):
    photo = files.save(picture(), tmp_path / "new", "one")
    assert sorted(p.name for p in photo.parent.iterdir()) == ["one.jpg", "one.sheet.toml", "one.truth.json"]
    with Image.open(photo) as image:
        assert image.size == (160, 120)
        assert image.getexif().get_ifd(0x8769)[0xA405] == 26  # EXIF 2.3, tag FocalLengthIn35mmFilm
        assert np.abs(np.asarray(image).astype(int) - picture().rgb).mean() < 12
    assert json.loads((tmp_path / "new" / "one.truth.json").read_text()) == {"photo": "one.jpg", "width_px": 160}
    assert tomllib.loads((tmp_path / "new" / "one.sheet.toml").read_text())["specimen"]["id"] == "A"


def test_a_camera_that_does_not_say_its_focal_length(tmp_path):
    with Image.open(files.save(picture(None), tmp_path, "two")) as image:
        assert 0xA405 not in image.getexif().get_ifd(0x8769)


def test_same_picture_same_bytes():
    assert files.jpeg(picture()) == files.jpeg(picture())
