"""Small pictures and libraries that the tests of this room share, and a real browser where one is installed."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image


def patterned(seed: int, size: tuple[int, int] = (160, 120)) -> np.ndarray:
    """A picture (H, W, 3) uint8 that no other seed resembles."""
    rng = np.random.default_rng(seed)
    coarse = Image.fromarray(rng.integers(0, 255, (7, 9, 3), dtype=np.uint8))
    return np.array(coarse.resize(size, Image.Resampling.BICUBIC))


def with_metadata(rgb: np.ndarray, orientation: int = 1) -> bytes:
    """A JPEG as a phone might write it: place, serial number, owner, and a small picture of the whole."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "SECRETMAKER", "SECRETMODEL", orientation
    exif[0x013B] = "SECRETARTIST"
    exif.get_ifd(0x8769).update({0xA431: "SECRETSERIAL", 0xA430: "SECRETOWNER", 0x927C: b"SECRETNOTE"})
    exif.get_ifd(0x8825).update({1: "N", 2: (51.0, 30.0, 0.0), 3: "W", 4: (0.0, 7.0, 0.0)})
    stream = io.BytesIO()
    Image.fromarray(rgb).save(stream, "JPEG", quality=92, exif=exif.tobytes(), comment=b"SECRETCOMMENT")
    return stream.getvalue() + b"\xff\xd8SECRETPREVIEW\xff\xd9"


@pytest.fixture
def pictures():
    """The two makers of pictures above."""
    return patterned, with_metadata


@pytest.fixture
def library(tmp_path):
    """An empty library."""
    from specimeter.library import store

    with store.create(tmp_path / "library") as opened:
        yield opened


@pytest.fixture
def filled(library, tmp_path):
    """A library of eight entries of several kinds, sizes, tests and qualities."""
    from specimeter.library import catalogue, picture
    from specimeter.library.entry import made

    ring = [[40.0, 40.0], [80.0, 40.0], [80.0, 60.0], [40.0, 60.0]]
    for number, (title, test, kind, length, quality) in enumerate(
        [
            ("Straight gap along the wall", "side-bend", "lack-of-sidewall-fusion", 3.4, 90),
            ("Torn pore", "side-bend", "pore", 1.2, 60),
            ("Round pore", "nick-break", "pore", 2.0, 80),
            ("Line of slag", "nick-break", "slag", 5.5, 70),
            ("Root not joined", "root-bend", "lack-of-root-fusion", 8.0, 85),
            ("Notch at the toe", "macro-fillet", "undercut", 0.7, 40),
            ("Crack from the crater", "face-bend", "crack", 2.9, 55),
            ("Nothing to see", "side-bend", None, None, 50),
        ]
    ):
        path = tmp_path / f"{number}.png"
        Image.fromarray(patterned(number)).save(path)
        seen = [{"id": "f1", "kind": kind, "outline_px": ring, "length_mm": length, "U_length_mm": 0.1}] if kind else []
        fields = {"title": title, "test": test, "quality": quality, "seen": seen, "clean": not seen, "process": "136"}
        fields |= {"licence": "CC0", "permission": "drawn for the tests", "mm_per_px": 0.05, "coupon": f"C{number // 2}"}
        catalogue.add(library, picture.copy_of(path), made(fields))
    return library
