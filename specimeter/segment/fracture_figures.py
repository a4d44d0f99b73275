"""Figures that tell what a region of a broken face is: its light, colour, texture, border, shape and place."""

from __future__ import annotations

import cv2
import numpy as np

from specimeter import lookup
from specimeter.segment.fracture_maps import Face
from specimeter.segment.fracture_propose import LOOKS, Region

NAMES = (
    "dark", "bright", "smooth",  # how it was proposed
    "light", "light low", "light high", "highlight", "rim", "core", "light step", "step share", "step noise",
    "rough", "wavy", "rough of face", "aligned", "red", "blue", "red of face", "blue of face", "light of face",
    "length", "width", "slender", "solid", "round", "across", "at border", "near border", "share",
    "scatter", "scatter round it", "strength", "rough core", "core size",
)  # fmt: skip


def figures(face: Face, region: Region) -> np.ndarray | None:
    """The figures, shape (len(NAMES),), of one region; None where too little of the face lies round it."""
    rows, columns = face.usable.shape
    thick = cv2.distanceTransform(np.pad(region.mask, 1).astype(np.uint8), cv2.DIST_L2, 3)
    half = float(thick.max())
    gap, reach = max(1, round(0.06 / face.mm)), max(3, round(0.35 / face.mm), round(0.8 * half))
    margin = gap + reach + 1
    y0, x0 = max(region.top - margin, 0), max(region.left - margin, 0)
    y1 = min(region.top + region.mask.shape[0] + margin, rows)
    x1 = min(region.left + region.mask.shape[1] + margin, columns)
    box = slice(y0, y1), slice(x0, x1)
    mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
    mask[
        region.top - y0 : region.top - y0 + region.mask.shape[0], region.left - x0 : region.left - x0 + region.mask.shape[1]
    ] = region.mask
    away = cv2.distanceTransform(1 - mask, cv2.DIST_L2, 3)
    usable = face.usable[box]
    ring = (away > gap) & (away <= gap + reach) & usable
    if ring.sum() < 12:
        return None
    inside = mask > 0
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, 3)
    deep = depth > 0.55 * half
    rim = inside & (depth <= max(1.0, 0.3 * half))
    light = face.light[box]
    around, own = light[ring], light[inside]
    level, scatter = float(np.median(around)), float(around.std()) + 0.02
    face_level = float(np.median(face.light[face.usable][::11]))
    contour = max(cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len).reshape(-1, 1, 2)
    area, perimeter = float(inside.sum()), max(cv2.arcLength(contour, True), 4.0)
    hull = max(cv2.contourArea(cv2.convexHull(contour)), 1.0)
    (_, (w, h), angle) = cv2.minAreaRect(contour.astype(np.float32))
    long, short = max(w, h, 1.0), max(min(w, h), 1.0)
    turn = np.radians(angle + (90 if h > w else 0))
    along = abs(float(np.array([np.cos(turn), np.sin(turn)]) @ face.along))
    soft = cv2.GaussianBlur(light, (0, 0), 1.0)
    outer = cv2.dilate(mask, np.ones((2 * gap + 3,) * 2, np.uint8)) > 0
    steps = _steps(soft, contour.reshape(-1, 2), depth - away, max(2.0, 0.09 / face.mm))
    border = face.to_border_mm[box]
    edge_px = border[inside & (away + depth <= 1.6)]
    rough_face, wavy = float(np.median(face.rough[face.usable][::11])), face.wavy[box]
    rough = face.rough[box]
    middle = deep if deep.sum() > 5 else inside
    core = depth > 0.8 * half
    found = {
        **{look: float(region.look == look) for look in LOOKS},
        "light": float(own.mean()) - level,
        "light low": float(np.quantile(own, 0.1)) - level,
        "light high": float(np.quantile(own, 0.9)) - level,
        "highlight": float(own.max()) - level,
        "rim": float(light[rim].mean()) - float(light[middle].mean()),
        "core": float(light[core].mean()) - float(own.mean()),
        "light step": float(np.median(steps)) if len(steps) else 0.0,
        "step share": float((np.abs(steps) > scatter).mean()) if len(steps) else 0.0,
        "step noise": float(np.abs(np.median(steps)) / scatter) if len(steps) else 0.0,
        "rough": float(np.median(rough[middle])) - float(np.median(rough[ring])),
        "wavy": float(np.median(wavy[middle])) - float(np.median(wavy[ring])),
        "rough of face": float(np.median(rough[middle])) - rough_face,
        "aligned": float(face.aligned[box][middle].mean()),
        "red": float(face.red[box][inside].mean() - face.red[box][ring].mean()),
        "blue": float(face.blue[box][inside].mean() - face.blue[box][ring].mean()),
        "red of face": float(face.red[box][inside].mean() - np.median(face.red[face.usable][::11])),
        "blue of face": float(face.blue[box][inside].mean() - np.median(face.blue[face.usable][::11])),
        "light of face": float(own.mean()) - face_level,
        "length": float(np.log(long * face.mm)),
        "width": float(np.log(2 * half * face.mm)),
        "slender": float(np.log(long / short)),
        "solid": area / max(hull, area),
        "round": 4 * np.pi * area / perimeter**2,
        "across": along * (1 - short / long),
        "at border": float((edge_px < 0.25).mean()) if len(edge_px) else 0.0,
        "near border": float(np.log(max(border[inside].min(), 0.05))),
        "share": float(np.log(area / face.usable.sum())),
        "scatter": float(np.log(own.std() + 0.02)),
        "scatter round it": float(np.log(scatter)),
        "strength": float(np.log(max(region.strength, 0.1))),
        "rough core": float(np.median(rough[core])) - float(np.median(rough[inside & outer])),
        "core size": float(np.log(max(core.sum() * face.mm**2, 1e-4))),
    }
    return np.array([found[name] for name in NAMES], np.float32)


def _steps(soft: np.ndarray, contour: np.ndarray, signed: np.ndarray, reach: float) -> np.ndarray:
    """Light just inside less light just outside, at each point of a contour (its normal is the signed distance's slope)."""
    gy, gx = np.gradient(cv2.GaussianBlur(signed.astype(np.float32), (0, 0), 1.2))
    x, y = contour.T
    normal = np.column_stack([gx[y, x], gy[y, x]])
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-6)[:, None]
    inner, outer = contour + reach * normal, contour - reach * normal
    values = [
        lookup.at(soft, p[:, :1].astype(np.float32), p[:, 1:].astype(np.float32), border=cv2.BORDER_REPLICATE).ravel()
        for p in (inner, outer)
    ]
    return values[0] - values[1]
