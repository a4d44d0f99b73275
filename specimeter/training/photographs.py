"""Photographs with their truth beside them, from any renderer or camera, read for training: `--photographs FOLDER` of each.

A photograph is STEM.jpg or STEM.png; STEM.truth.json is what `specimeter.scene` writes beside a picture of its own, so that one
function makes samples of both. Only those whose truth says `"for_training": true` are taken: the others are kept for checks.
"""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np

from specimeter.scene.describe import Picture
from specimeter.scene.files import jpeg

SHARE = 1 / 3  # of each batch
TRUTH = ".truth.json"
ENDINGS = (".jpg", ".png")


def for_training(folder: Path) -> list[Path]:
    """The photographs of a folder that training may see, in the order of their names; a damaged truth is named and left out."""
    found = []
    for path in sorted(path for path in folder.iterdir() if path.suffix in ENDINGS and path.with_suffix(TRUTH).exists()):
        try:
            truth = truth_of(path)
        except ValueError as error:
            print(f"{path.name}: {error}", flush=True)
            continue
        if truth.get("for_training") is True:
            found.append(path)
    return found


def truth_of(path: Path) -> dict:
    """What is true of a photograph; ValueError where the file is no truth."""
    truth = json.loads(path.with_suffix(TRUTH).read_text(encoding="utf-8"))
    if truth.get("format") != "specimeter-truth":
        raise ValueError(f"{path.with_suffix(TRUTH).name} is no truth of a photograph")
    return truth


def pixels(coded: np.ndarray) -> np.ndarray:
    """Pixels (H, W, 3), RGB uint8, of a picture's bytes, uint8 (N,); ValueError where they are no picture."""
    bgr = cv2.imdecode(coded, cv2.IMREAD_COLOR)
    if bgr is None:
        raise ValueError(f"{coded.size} bytes are no picture that can be read: expected a JPEG or PNG file's")
    return cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB)


def decoded(picture: Picture) -> np.ndarray:
    """Pixels (H, W, 3) of a rendered picture as its JPEG gives them."""
    return pixels(np.frombuffer(jpeg(picture), np.uint8))


def read(path: Path) -> tuple[np.ndarray, dict]:
    """Pixels (H, W, 3), RGB uint8, and what is true of them; ValueError where one is damaged or their sizes differ."""
    bgr, truth = cv2.imread(str(path), cv2.IMREAD_COLOR), truth_of(path)
    if bgr is None:
        raise ValueError(f"{path.name} cannot be read")
    if bgr.shape[:2] != (truth["height_px"], truth["width_px"]):
        raise ValueError(f"{path.name} is {bgr.shape[1]} x {bgr.shape[0]} px, its truth another size")
    return cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB), truth
