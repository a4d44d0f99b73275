"""Trained networks: read from their files once in each thread, asked, and their answers laid out as pictures."""

from __future__ import annotations

import threading
from pathlib import Path

import cv2
import numpy as np

from specimeter.errors import SpecimeterError

_own = threading.local()  # OpenCV's networks may not be shared between threads


def answer(file: Path, given: np.ndarray, *, instead: str = "") -> np.ndarray:
    """What the network in an ONNX file answers to an input, float32 (1, C, H, W).

    Raises SpecimeterError where OpenCV cannot read the file; `instead`: the segmenter to name where there is another.
    """
    network = _network(file, instead)
    network.setInput(np.ascontiguousarray(given))
    return np.asarray(network.forward())


def unfolded(planes: np.ndarray) -> np.ndarray:
    """(K, H, W) from a network's (4 K, H/2, W/2): pixel (2 row + i, 2 column + j) of plane k is in channel 4 k + 2 i + j."""
    rows, columns = planes.shape[-2:]
    return planes.reshape(-1, 2, 2, rows, columns).transpose(0, 3, 1, 4, 2).reshape(-1, 2 * rows, 2 * columns)


def _network(file: Path, instead: str) -> cv2.dnn.Net:
    held = _own.__dict__.setdefault("networks", {})
    if file not in held:
        try:
            held[file] = cv2.dnn.readNetFromONNX(str(file))
        except cv2.error as error:
            raise SpecimeterError(
                f"the network {file.name} cannot be read by OpenCV {cv2.__version__}: {error}",
                file=file.name,
                expected="the file that was installed with specimeter",
                mend="install specimeter again" + (f", or use the segmenter {instead!r}" if instead else ""),
            ) from error
    return held[file]
