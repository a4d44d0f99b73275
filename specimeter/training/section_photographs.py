"""Samples of cuts from photographs with their truth beside them (`photographs.py`), however they were made."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import cv2
import numpy as np

from specimeter.segment.section_reading import FAR_MM
from specimeter.training import photographs
from specimeter.training.section_labels import SIDE, Parts, filled, number, piece, planes

FINER = (0.5, 1.1)  # of the far network's cell: photographs are read at these too where one reading is not sure
FAR_PIECES, NEAR_PIECES = 3, 9  # of each photograph, each time it is looked at


def photographed(
    path: Path, seed: int, networks: Sequence[str], cells_mm: tuple[float, float]
) -> list[tuple[str, str, np.ndarray]]:
    """Samples of one photograph as of `section.rendered`; `cells_mm`: least and greatest of a cell for the near network."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    rgb, truth = photographs.read(path)
    mm, labels, found = truth["mm_per_px"], _labels(truth), []
    outline, weld = np.array(truth["area_outline_px"]), np.array(truth["weld"]["outline_px"])
    size = np.array(rgb.shape[1::-1])
    inner = outline[((outline > 0) & (outline < size)).all(axis=1)]
    inner = inner if len(inner) else weld
    if "far" in networks:
        middle = (inner.min(0) + inner.max(0)) / 2
        for k in range(FAR_PIECES):
            cell = max(FAR_MM * float(np.exp(rng.normal(0, 0.15) if k < 2 else rng.uniform(*np.log(FINER)))), mm)
            centre = (size - 1) / 2 if k == 0 else middle + rng.normal(0, 12, 2) / mm
            found.append(("far", "photograph", piece(rgb, mm, cell, centre, labels)))
    if mm < cells_mm[1] and "near" in networks:
        coarsest = max(min(cells_mm[1], 1.4 * mm * rgb.shape[1] / SIDE), mm)
        marks = [np.array(one["outline_px"]).mean(0) for one in truth["features"]]
        for k in range(NEAR_PIECES):
            cell = max(float(np.exp(rng.uniform(np.log(cells_mm[0]), np.log(coarsest)))), mm)
            centre = weld.mean(0) if k % 3 == 0 else inner[int(rng.integers(len(inner)))]
            if k % 3 == 2 and marks:
                centre = marks[int(rng.integers(len(marks)))]
            found.append(("near", "photograph", piece(rgb, mm, cell, centre + rng.normal(0, 2.0, 2) / mm, labels)))
    return found


def _labels(truth: dict) -> Callable:
    """From cells of pixels to the labels of a photograph whose truth this is."""
    weld, gaps = truth["weld"], truth["unfused"]

    def labels(cells: Callable, mm: float) -> np.ndarray:
        parts = Parts(
            metal=cells(truth["area_outline_px"]),
            welds=[cells(one) for one in (weld["outline_px"], *weld["others_px"])],
            gaps=[cells(one["line_px"]) for one in gaps],
            gap_cells=max((one["width_mm"] for one in gaps), default=0.0) / mm,
            haz_cells=weld["haz_mm"] / mm,
            features=[(cells(one["outline_px"]), number(one["kind"])) for one in truth["features"]],
        )
        strength = np.zeros((SIDE, SIDE), np.float32)
        return planes(parts, filled([cells(one) for one in weld["etched_px"]], (SIDE, SIDE)) if weld["etch"] else strength)

    return labels
