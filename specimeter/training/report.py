"""How well the bare network finds, on rendered photographs kept aside: recall by size and false calls at several thresholds."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import torch

from specimeter.training import augment, photographs
from specimeter.training.network import Finder, unfold
from specimeter.training.sample import CHANNELS, cover, cut

AREA = CHANNELS.index("area")
THRESHOLDS = (0.3, 0.5, 0.7, 0.85)
LEAST_PX = 6  # pixels of a component


def log_odds_of(model: Finder, planes: np.ndarray, area: int) -> np.ndarray:
    """Log-odds (K, H, W) of a sample's planes, for the examined area (plane `area`) as it is."""
    device = next(model.parameters()).device
    height, width = planes.shape[1:]
    pad = ((0, 0), (0, -height % 32), (0, -width % 32))
    held = torch.from_numpy(np.pad(planes[[0, 1, 2, area]], pad, mode="edge")).to(device).float()[None] / 255
    with torch.no_grad():
        output = unfold(model(augment.prepared(held[:, :3], (held[:, 3:] > 0.5).float())))
    return output[0, :, :height, :width].float().cpu().numpy()


def report(model: Finder, folder: Path, most: int = 24) -> dict:
    """Counts over the first `most` tuning photographs of a folder, per threshold: true, found by size, false, kinds."""
    counts = {
        str(t): {"found": 0, "true": 0, "small_found": 0, "small_true": 0, "false": 0, "clean_false": 0, "kinds": 0}
        for t in THRESHOLDS
    }
    kept = sorted(path for path in (folder / "tune").glob("*.jpg") if path.with_suffix(".truth.json").exists())[:most]
    clean = 0
    for path in kept:
        rgb, truth = photographs.read(path)
        planes = cut(rgb, truth).planes
        odds = log_odds_of(model, planes, AREA)
        inside = planes[AREA] > 127
        outline = np.array(truth["area_outline_px"])
        low = np.clip(np.floor(outline.min(axis=0)).astype(int) - 48, 0, [rgb.shape[1] - 64, rgb.shape[0] - 64])
        masks = [(cover(np.array(f["outline_px"]) - low, inside.shape) > 100, f) for f in truth["features"]]
        masks = [(mask & inside, f) for mask, f in masks if (mask & inside).sum() >= 3]
        clean += not masks
        for threshold in THRESHOLDS:
            count = counts[str(threshold)]
            level = np.log(threshold / (1 - threshold))
            total, labels, stats, _ = cv2.connectedComponentsWithStats(((odds[0] > level) & inside).astype(np.uint8))
            sizes = stats.reshape(-1, 5)[:, cv2.CC_STAT_AREA]
            used = set()
            for mask, feature in masks:
                near = cv2.dilate(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
                hit = {int(k) for k in np.unique(labels[near]) if k and sizes[k] >= LEAST_PX}
                px = feature["length_mm"] / truth["mm_per_px"]
                name = "" if feature["length_mm"] >= 0.5 and px >= 8 else "small_"
                count[f"{name}true"] += 1
                count[f"{name}found"] += bool(hit)
                if hit:
                    crack = odds[1][mask].mean() > 0
                    count["kinds"] += int(crack == (feature["kind"] == "crack"))
                used |= hit
            false = sum(1 for k in range(1, total) if sizes[k] >= LEAST_PX and k not in used)
            count["false"] += false
            count["clean_false"] += false * (not masks)
    return {"photographs": len(kept), "clean": clean, "by_threshold": counts}
