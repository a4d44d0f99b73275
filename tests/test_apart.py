"""Pictures that are huge or claim too much are decoded in a process of their own; what they do there stays there."""

from __future__ import annotations

import subprocess
import sys
import zlib

import cv2
import numpy as np
import pytest

from specimeter import apart, decode, photo
from specimeter.errors import PhotoError


def bomb(width: int, height: int) -> bytes:
    """A PNG of black pixels, a thousandth of a byte each."""
    from struct import pack

    def chunk(name: bytes, body: bytes) -> bytes:
        return pack(">I", len(body)) + name + body + pack(">I", zlib.crc32(name + body))

    packer = zlib.compressobj(9)
    row = bytes(1 + 3 * width)
    packed = b"".join([packer.compress(row) for _ in range(height)]) + packer.flush()
    head = pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    ("size", "length", "apart_"),
    [
        ((6000, 4000), 8_000_000, False),
        ((6000, 4000), 30_000, True),
        ((9000, 7000), 20_000_000, True),
        ((800, 600), 300, False),
    ],
)
def test_ordinary_photographs_are_decoded_where_they_are_read(size, length, apart_):
    """24 megapixels of 8 MB are ordinary; the same in 30 kB, or 63 megapixels, are not."""
    assert apart.wanted(bytes(length), size) is apart_


@pytest.mark.parametrize("form", [".png", ".jpg"])
def test_the_same_pixels_come_back(form):
    """Whichever process decodes them."""
    rng = np.random.default_rng(1)
    data = cv2.imencode(form, rng.integers(0, 255, (90, 120, 3), dtype=np.uint8))[1].tobytes()
    kind = decode.kind_of(data)
    with decode.strictly():
        here = decode.pixels(data, decode.header(data, kind), kind)
    np.testing.assert_array_equal(apart.pixels(data, kind, (120, 90)), here)


def test_a_bomb_is_read_apart_and_within_its_limit(tmp_path):
    """17 megapixels in 50 kB are a picture all the same."""
    data = bomb(4800, 3600)
    assert apart.wanted(data, (4800, 3600))
    (tmp_path / "a.png").write_bytes(data)
    assert photo.read(tmp_path / "a.png").rgb.shape == (3600, 4800, 3)


def test_more_memory_than_the_limit_is_told(tmp_path, monkeypatch):
    """The system refuses the memory to the process of its own; this one goes on and says so."""
    (tmp_path / "a.png").write_bytes(bomb(4800, 3600))
    monkeypatch.setattr(apart, "BASE_BYTES", 0)
    monkeypatch.setattr(apart, "PER_PX", 4)  # 69 MB: the picture's 52 MB and no room for Python with its libraries
    with pytest.raises(PhotoError, match=r"memory|crashed|damaged"):
        photo.read(tmp_path / "a.png")


def test_a_cut_off_picture_is_refused_as_elsewhere(tmp_path):
    """With the decoder's own words."""
    (tmp_path / "a.png").write_bytes(bomb(4800, 3600)[:-60])
    with pytest.raises(PhotoError, match=r"cut off|damaged"):
        photo.read(tmp_path / "a.png")


@pytest.mark.parametrize(
    ("ends", "told"),
    [("import os, signal; os.kill(os.getpid(), signal.SIGSEGV)", "crashed"), ("while True: pass", "more than")],
)
def test_a_decoder_that_crashes_or_never_ends(monkeypatch, ends, told):
    """Told as a fault of the file."""
    real = subprocess.run
    monkeypatch.setattr(apart, "SECONDS", 1)
    monkeypatch.setattr(apart.subprocess, "run", lambda call, **options: real([sys.executable, "-c", ends], **options))
    with pytest.raises(decode.Undecodable, match=told):
        apart.pixels(b"", "PNG", (100, 100))
