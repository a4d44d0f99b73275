"""Smooth dark shapes on brushed metal by a drawing of a few lines that trained nothing: what the learned finder makes of them.

``python tests/benchmarks/simple_shapes.py [PICTURES]``: of each shape how many were found, how many with a length within 12 %.
"""

from __future__ import annotations

import sys
from types import SimpleNamespace

import cv2
import numpy as np

from specimeter import colour
from specimeter.scene import shapes
from specimeter.segment.learned import find_learned
from specimeter.segment.model import ExaminedArea
from specimeter.validate.match import match

KINDS = ("tear", "ellipse", "lens", "cavity", "ribbon", "angular")
HEIGHT, WIDTH, MM_PER_PX = 420, 560, 0.06


def picture(rng: np.random.Generator) -> tuple[SimpleNamespace, ExaminedArea, list[tuple[str, np.ndarray]]]:
    """A photograph, its area right of an edge, and up to three shapes."""
    lay = rng.normal(size=(HEIGHT, WIDTH)).astype(np.float32)
    lay = cv2.GaussianBlur(lay, (0, 0), sigmaX=rng.choice([1, 6, 20]), sigmaY=rng.choice([0.6, 1.2]))
    slow = cv2.resize(rng.normal(size=(6, 8)).astype(np.float32), (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)
    light = rng.uniform(0.1, 0.5) * np.exp(rng.uniform(0.02, 0.15) * lay / lay.std() + rng.uniform(0, 0.3) * slow)
    edge = int(rng.integers(60, 110))
    light[:, :edge] = rng.uniform(0.01, 0.3) * (1 + 0.05 * rng.normal(size=(HEIGHT, edge)))
    corners = [[edge, 15], [WIDTH - 20, 15], [WIDTH - 20, HEIGHT - 15], [edge, HEIGHT - 15]]
    drawn, fine = [], np.zeros((HEIGHT * 4, WIDTH * 4), np.uint8)
    for k in range(3):
        kind = str(rng.choice(KINDS))
        ring = shape(rng, kind, float(np.exp(rng.uniform(np.log(14), np.log(150)))))
        if kind == "tear":
            ring = shapes.turn(ring, rng.normal(0, 0.15), (edge - 1, 70 + 140 * k + rng.uniform(-20, 20)))
        else:
            ring = shapes.turn(ring, rng.uniform(0, 6), (rng.uniform(edge + 90, WIDTH - 110), 75 + 135 * k))
        drawn.append((kind, ring))
        cv2.fillPoly(fine, [np.round(((ring + 0.5) * 4 - 0.5) * 16).astype(np.int32)], 255, shift=4)
    hole = cv2.resize(fine, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    hole[:, :edge] = 0
    inner = rng.uniform(0.02, 0.25) * light.mean()
    light = cv2.GaussianBlur((light * (1 - hole) + inner * hole).astype(np.float32), (0, 0), rng.uniform(0.6, 1.4))
    rgb = light[..., None] * (1 + rng.normal(0, 0.04, 3)) + rng.normal(0, 0.003, (HEIGHT, WIDTH, 3))
    coded = np.round(255 * colour.to_code(np.clip(rgb, 0, 1))).astype(np.uint8)
    photo = SimpleNamespace(rgb=coded, linear=lambda: colour.luminance(coded))
    return photo, ExaminedArea(outline_px=np.array(corners, float)), drawn


def shape(rng: np.random.Generator, kind: str, length: float) -> np.ndarray:
    """A closed outline [x, y] about the origin; a tear begins there."""
    if kind == "tear":
        return shapes.corner_tear(rng, length, length * rng.uniform(0.12, 0.45))
    if kind == "lens":
        return shapes.ribbon(rng, length, length * rng.uniform(0.15, 0.5), blunt=0.8)
    if kind == "cavity":
        return shapes.cavity(rng, length, length * rng.uniform(0.4, 0.9), rough=0.1)
    if kind == "ribbon":
        return shapes.ribbon(rng, length, max(3.0, length * rng.uniform(0.05, 0.15)), ragged=0.3)
    angle = np.linspace(0, 2 * np.pi, 6 if kind == "angular" else 80, endpoint=False)
    if kind == "angular":
        angle = angle + rng.uniform(-0.4, 0.4, 6)
    return np.column_stack([np.cos(angle), np.sin(angle) * rng.uniform(0.15, 0.8)]) * length / 2


def main() -> None:
    """Print the counts."""
    cv2.setNumThreads(1)
    counts, false = {kind: np.zeros(3, int) for kind in KINDS}, 0
    pictures = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    surface = SimpleNamespace(shape="flat", mm_per_px_at=lambda point: MM_PER_PX)
    for seed in range(pictures):
        photo, area, drawn = picture(np.random.default_rng([seed, 77]))
        found = find_learned(photo, surface, area)
        pairs = dict(match([ring for _, ring in drawn], [one.outline_px for one in found]))
        false += len(found) - len(pairs)
        for k, (kind, ring) in enumerate(drawn):
            seen = ring[ring[:, 0] >= area.outline_px[0, 0]]
            near = k in pairs and abs(shapes.length_mm(found[pairs[k]].outline_px) / shapes.length_mm(seen) - 1) < 0.12
            counts[kind] += [1, k in pairs, near]
    for kind, (true, got, near) in counts.items():
        print(f"{kind}: {got} of {true} found, {near} with a length within 12 %")
    print(f"{false} false calls on {pictures} pictures")


if __name__ == "__main__":
    main()
