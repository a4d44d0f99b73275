"""How well an undercut's depth and root are measured: notches of known radius drawn at 5 to 80 px a mm, blurred, with noise.

``python tests/benchmarks/undercuts.py [COUNT]``. The drawing shares nothing with `specimeter.scene.render`: exact coverage of
each pixel by the notch's polygon, a Gaussian blur, noise, 8 bits.
"""

from __future__ import annotations

import sys

import cv2
import numpy as np

from specimeter.measure.undercut import measure_undercut
from specimeter.scene.section_joint import arc, notch
from specimeter.scene.shapes import coverage
from specimeter.segment.joint import find_butt
from specimeter.segment.plates import resampled
from specimeter.segment.section_follow import follow

BLUR_PX = (0.6, 1.6)
EDGE_PX = 0.25


def drawn(rng: np.random.Generator, per_mm: float, radius: float | None = None):
    """A picture (H, W, 3) of a plate with a weld's face and an undercut between, the outline in pixels, and the truth."""
    near, far = rng.uniform(8, 45, 2)
    depth = float(np.exp(rng.uniform(np.log(0.2), np.log(1.3))))
    radius = float(np.exp(rng.uniform(np.log(0.05), np.log(1.0)))) if radius is None else radius
    radius = min(radius, 0.9 * depth / (1 - np.sin(np.radians(min(near, far)))))
    cut = notch(depth, radius, near, far)
    cap = arc([-8.0, 0.0], [0.0, 0.0], float(rng.uniform(0.8, 2.0)), 120)
    metal = np.concatenate([[[-13.5, 0.0]], cap, cut[1:], [[cut[-1, 0] + 5.5, 0.0], [cut[-1, 0] + 5.5, 5.0], [-13.5, 5.0]]])
    turn = rng.uniform(0, 2 * np.pi)
    metal = metal @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    outline = (metal - metal.min(0)) * per_mm + 12 + rng.uniform(0, 1, 2)
    width, height = (int(n) for n in np.ceil(outline.max(0)) + 13)
    share = coverage(outline, 0, 0, width, height).astype(np.float32)
    blur = float(rng.uniform(*BLUR_PX))
    light = cv2.GaussianBlur(0.06 + 0.5 * share, (0, 0), blur)
    light = np.clip(light + rng.normal(0, 0.006, light.shape), 0, 1)
    coded = np.round(255 * light ** (1 / 2.2)) / 255
    truth = {"depth": depth, "radius": radius, "width": float(cut[-1, 0]), "opening": float(near + far)}
    return np.dstack([(coded**2.2).astype(np.float32)] * 3), outline, blur, truth


def measured(rng: np.random.Generator, per_mm: float, radius: float | None = None):
    """The undercut of one drawn notch as the tool has it, and the truth; None where none is found."""
    light, outline, blur, truth = drawn(rng, per_mm, radius)
    rough = resampled(outline, 1.0) + rng.normal(0, 0.3, 2)
    found, _ = follow(light, rough, 2.5)
    path = resampled(found / per_mm, 0.7 / per_mm)
    joint = find_butt(path)
    for toe in joint.top.toes if joint is not None else ():
        if toe.notch is not None:
            px = 1 / per_mm
            one = measure_undercut(toe.notch, toe.plate, blur_mm=blur * px, px_mm=px, u_edge_mm=EDGE_PX * px)
            if one is not None:
                return one, truth
    return None, truth


def main(count: int) -> None:
    """Print the table."""
    rng = np.random.default_rng(20_260)
    print(
        "px/mm    found  depth error mm (median, p95, held)   width the same   radius resolved: n, error % (median, p95), held"
        "   bounds: n, held"
    )
    for low, high in ((5, 10), (10, 20), (20, 40), (40, 80)):
        pairs = [measured(rng, float(np.exp(rng.uniform(np.log(low), np.log(high))))) for _ in range(count)]
        got = [(one, true) for one, true in pairs if one is not None]
        depth = np.array([abs(one.depth_mm - true["depth"]) for one, true in got])
        held = np.mean([e <= 2 * one.u_depth_mm for e, (one, _) in zip(depth, got, strict=True)])
        wide = np.array([abs(one.width_mm - true["width"]) for one, true in got])
        wide_held = np.mean([e <= 2 * one.u_width_mm for e, (one, _) in zip(wide, got, strict=True)])
        sure = [(one, true["radius"]) for one, true in got if one.root_radius_mm is not None]
        error = np.array([abs(one.root_radius_mm / true - 1) for one, true in sure])
        within = np.mean([abs(one.root_radius_mm - true) <= 2 * one.u_root_radius_mm for one, true in sure]) if sure else np.nan
        bound = [one.root_radius_at_most_mm >= true["radius"] for one, true in got if one.root_radius_mm is None]
        line = f"{low:2d}-{high:2d}  {len(got):4d}/{count}  {np.median(depth):.3f} {np.percentile(depth, 95):.3f} {held:.2f}"
        line += f"    {np.median(wide):.3f} {np.percentile(wide, 95):.3f} {wide_held:.2f}"
        if sure:
            line += f"    {len(sure):4d}  {100 * np.median(error):.0f} {100 * np.percentile(error, 95):.0f}  {within:.2f}"
        print(line + f"    {len(bound)}  {np.mean(bound) if bound else np.nan:.2f}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
