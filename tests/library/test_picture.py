"""The kept copy shows the same pixels and says nothing else."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from specimeter import photo
from specimeter.errors import PhotoError
from specimeter.library import look, picture


def test_a_jpeg_keeps_its_pixels_bit_for_bit_and_loses_everything_else(pictures, tmp_path):
    patterned, with_metadata = pictures
    path = tmp_path / "phone.jpg"
    path.write_bytes(with_metadata(patterned(1)))
    assert path.read_bytes().count(b"SECRET") >= 6
    copy = picture.copy_of(path)
    assert b"SECRET" not in copy.data
    assert b"Exif" not in copy.data
    with Image.open(path) as before, Image.open(io.BytesIO(copy.data)) as after:
        assert np.array_equal(np.array(before), np.array(after))
        assert dict(after.getexif()) == {}


@pytest.mark.parametrize("orientation", range(2, 9))
def test_a_turned_picture_stays_turned(pictures, tmp_path, orientation):
    """The orientation is the one entry of the metadata that the pixels need."""
    patterned, with_metadata = pictures
    path, kept = tmp_path / "phone.jpg", tmp_path / "kept.jpg"
    path.write_bytes(with_metadata(patterned(2), orientation))
    copy = picture.copy_of(path)
    kept.write_bytes(copy.data)
    assert b"SECRET" not in copy.data
    assert np.array_equal(photo.read(kept).rgb, photo.read(path).rgb)


def test_a_png_loses_its_texts(pictures, tmp_path):
    from PIL.PngImagePlugin import PngInfo

    patterned, _ = pictures
    texts = PngInfo()
    texts.add_text("Author", "SECRETAUTHOR")
    path = tmp_path / "a.png"
    Image.fromarray(patterned(3)).save(path, pnginfo=texts)
    copy = picture.copy_of(path)
    assert b"SECRET" not in copy.data
    assert np.array_equal(np.array(Image.open(io.BytesIO(copy.data))), patterned(3))


def test_a_tiff_of_sixteen_bits_becomes_a_png_of_sixteen_bits(pictures, tmp_path):
    import cv2
    import tifffile

    patterned, _ = pictures
    deep = patterned(4).astype(np.uint16) * 257
    tifffile.imwrite(tmp_path / "a.tif", deep, photometric="rgb", description="SECRET")
    copy = picture.copy_of(tmp_path / "a.tif")
    assert (copy.suffix, b"SECRET" in copy.data) == (".png", False)
    back = cv2.imdecode(np.frombuffer(copy.data, np.uint8), cv2.IMREAD_UNCHANGED)
    assert np.array_equal(back[..., ::-1], deep)


def test_what_is_no_picture_is_refused(tmp_path):
    (tmp_path / "a.jpg").write_bytes(b"no picture at all")
    with pytest.raises(PhotoError):
        picture.copy_of(tmp_path / "a.jpg")


def test_nearly_the_same_picture_has_nearly_the_same_hash(pictures):
    """Recompressed, made smaller or darker it stays within the bound; another picture is far beyond it (half of 128 bits)."""
    patterned, _ = pictures
    one = patterned(5, (400, 300))
    hash_ = look.difference_hash(one)
    stream = io.BytesIO()
    Image.fromarray(one).save(stream, "JPEG", quality=40)
    again = [
        np.array(Image.open(io.BytesIO(stream.getvalue()))),
        np.array(Image.fromarray(one).resize((200, 150), Image.Resampling.LANCZOS)),
        (one * 0.7).astype(np.uint8),
    ]
    hashes = np.frombuffer(b"".join(look.difference_hash(other) for other in again), np.uint64).reshape(-1, 2)
    assert look.distances(hash_, hashes).max() <= look.NEARLY
    others = b"".join(look.difference_hash(patterned(seed)) for seed in range(100, 140))
    assert look.distances(hash_, np.frombuffer(others, np.uint64).reshape(-1, 2)).min() > look.NEARLY + 10
