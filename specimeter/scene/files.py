"""Writing a rendered picture: photograph with EXIF, sheet and truth side by side."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
from PIL import Image

from specimeter import files
from specimeter.scene.describe import Picture


def jpeg(picture: Picture) -> bytes:
    """The photograph as a JPEG file's bytes, EXIF included where the camera writes it."""
    image = Image.fromarray(np.ascontiguousarray(picture.rgb))
    exif = Image.Exif()
    exif[0x0112] = 1  # orientation: as it is
    exif[0x0131] = "specimeter scene"  # software
    inner = exif.get_ifd(0x8769)
    inner[0x9003] = "2025:03:14 10:20:00"  # an invented day: the same scene gives the same bytes
    if picture.focal_35mm_mm is not None:
        inner[0xA405] = round(picture.focal_35mm_mm)  # FocalLengthIn35mmFilm
    stream = io.BytesIO()
    subsampling = 0 if picture.jpeg_quality >= 95 else 2
    image.save(stream, "JPEG", quality=picture.jpeg_quality, subsampling=subsampling, exif=exif.tobytes())
    return stream.getvalue()


def save(picture: Picture, folder: str | Path, stem: str) -> Path:
    """Write stem.jpg, stem.sheet.toml and stem.truth.json into a folder (made if absent); return the photograph's path."""
    folder = Path(folder)
    files.put(folder / f"{stem}.sheet.toml", picture.sheet_toml.encode())
    truth = json.dumps({"photo": f"{stem}.jpg", **picture.truth}, separators=(",", ":"), allow_nan=False)
    files.write(folder / f"{stem}.truth.json", truth.encode())
    return files.write(folder / f"{stem}.jpg", jpeg(picture))
