"""How the bare network does on scenes of broken faces kept aside: recall by family and size, false calls, families, sheets."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from specimeter import files
from specimeter.segment.fracture_learned import FAMILIES, NETWORK
from specimeter.training import photographs
from specimeter.training.fracture_sample import AREA, cut

if TYPE_CHECKING:
    from specimeter.training.network import Finder

THRESHOLDS = (0.3, 0.5, 0.7)
LEAST_PX = 12
COLOURS = ((0, 0, 255), (0, 220, 255), (255, 80, 0), (0, 220, 0), (255, 0, 255))  # BGR, in the order of FAMILIES
SHEETS, PER_SHEET = 2, 6


def report(model: Finder, folder: Path, most: int = 24) -> dict:
    """Counts over the first `most` tuning photographs of a folder, held-out groups (even seeds) and others apart.

    Writes sheets of truths and answers into the folder.
    """
    from specimeter.training.report import log_odds_of

    result: dict = {}
    pictures = []
    for path in sorted((folder / "tune").glob("*.jpg"))[:most]:
        rgb, truth = photographs.read(path)
        planes = cut(rgb, truth, truth["mm_per_px"]).planes
        group = "trained on" if int(path.stem) % 2 else "held out"
        odds = log_odds_of(model, planes, AREA)
        pictures.append(_picture(planes, odds))
        for threshold in THRESHOLDS:
            _count(result.setdefault(group, {}).setdefault(str(threshold), {}), planes, odds, threshold)
    for number in range(SHEETS):
        some = pictures[number * PER_SHEET : (number + 1) * PER_SHEET]
        if some:
            coded = cv2.imencode(".jpg", np.vstack(some), [cv2.IMWRITE_JPEG_QUALITY, 80])[1]
            files.write(folder / f"sheet-{number}.jpg", coded.tobytes())
    return result


def _count(count: dict, planes: np.ndarray, odds: np.ndarray, threshold: float) -> None:
    inside = planes[AREA] > 127
    said = ((odds[0] > np.log(threshold / (1 - threshold))) & inside).astype(np.uint8)
    total, labels, stats, _ = cv2.connectedComponentsWithStats(said)
    sizes = stats.reshape(-1, 5)[:, cv2.CC_STAT_AREA]
    used: set[int] = set()
    count["scenes"] = count.get("scenes", 0) + 1
    for k, family in enumerate(FAMILIES):
        parts, own = cv2.connectedComponents(((planes[3 + k] > 127) & inside).astype(np.uint8))
        for part in range(1, parts):
            mask = own == part
            (_, size, _) = cv2.minAreaRect(np.argwhere(mask).astype(np.float32))
            name = f"{family} {'small' if max(size) * NETWORK.sampling_mm < 0.5 else ''}".strip()
            hit = {int(v) for v in np.unique(labels[mask]) if v and sizes[v] >= LEAST_PX}
            used |= hit
            one = count.setdefault(name, {"true": 0, "found": 0, "family": 0, "overlap": 0.0})
            one["true"] += 1
            if hit:
                one["found"] += 1
                one["family"] += int(odds[1:, mask].mean(axis=1).argmax() == k)
                region = np.isin(labels, list(hit))
                one["overlap"] = round(one["overlap"] + float((region & mask).sum() / (region | mask).sum()), 3)
    count["false"] = count.get("false", 0) + sum(1 for v in range(1, total) if sizes[v] >= LEAST_PX and v not in used)


def _picture(planes: np.ndarray, odds: np.ndarray, width: int = 700) -> np.ndarray:
    """Truth on the left, the answer on the right."""
    rgb = planes[:3].transpose(1, 2, 0)[:, :, ::-1]
    truth, answer = rgb.copy(), rgb.copy()
    held = (odds[0] > 0) & (planes[AREA] > 127)
    which = odds[1:].argmax(axis=0)
    for k, colour in enumerate(COLOURS):
        for canvas, mask in ((truth, planes[3 + k] > 127), (answer, held & (which == k))):
            found = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
            cv2.drawContours(canvas, found, -1, colour, 1)
    both = np.hstack([truth, answer]) if rgb.shape[0] > rgb.shape[1] * 0.7 else np.vstack([truth, answer])
    scale = width / both.shape[1]
    both = cv2.resize(both, (width, max(1, round(both.shape[0] * scale))), interpolation=cv2.INTER_AREA)
    return both
