"""Drawing rules: engraved and printed, one or two graduated edges, worn, stained, dark or light, with numerals."""

from __future__ import annotations

import cv2
import numpy as np

from specimeter.scene import light as lights
from specimeter.scene.describe import Light, Rule
from specimeter.scene.material import blotches, noise, ramp

# name: reflectance of the body, of the marks, share of mirror-like shine, width of a mark in mm (low, high)
BODIES: dict[str, tuple[tuple[float, float], tuple[float, float], float, tuple[float, float]]] = {
    "satin-steel": ((0.38, 0.58), (0.02, 0.07), 0.5, (0.10, 0.20)),
    "brushed-steel": ((0.25, 0.45), (0.02, 0.06), 0.8, (0.10, 0.18)),
    "black-steel": ((0.02, 0.05), (0.45, 0.75), 0.25, (0.12, 0.22)),
    "white-plastic": ((0.65, 0.85), (0.02, 0.06), 0.12, (0.12, 0.25)),
    "yellow-plastic": ((0.45, 0.65), (0.02, 0.06), 0.12, (0.12, 0.25)),
    "paper": ((0.70, 0.85), (0.03, 0.10), 0.0, (0.10, 0.20)),
}
_TINT = {"yellow-plastic": (1.15, 0.95, 0.12)}
_SEED = 0x52554C45  # a random stream of its own: scenes without a rule stay as they were


def random_rule(seed: int, *, body: str | None = None, division_mm: float | None = None) -> Rule:
    """One rule from a seed, its left end's lower corner at the origin.

    Parameters
    ----------
    seed : int
    body : str, optional
        One of BODIES.
    division_mm : float, optional
        Smallest division of the first edge: 1.0 or 0.5.
    """
    rng = np.random.default_rng([seed, _SEED])
    chosen = body or str(rng.choice(list(BODIES)))
    (low, high), (dark, light), shine, (thin, thick) = BODIES[chosen]
    first = division_mm or float(rng.choice([1.0, 0.5], p=[0.65, 0.35]))
    second = float(rng.choice([0.0, 1.0, 0.5], p=[0.45, 0.3, 0.25]))
    mark = float(rng.uniform(thin, thick)) * (0.8 if 0.5 in (first, second) else 1.0)
    shortest = float(rng.uniform(2.2, 4.0))
    fifth = shortest * float(rng.uniform(1.25, 1.55))
    worn = bool(rng.random() < 0.35)
    return Rule(
        body=chosen,
        length_mm=float(rng.choice([150.0, 150.0, 200.0, 300.0])),
        width_mm=float(rng.uniform(14, 30)),
        divisions_mm=(first, second),
        lengths_mm=(shortest * float(rng.uniform(0.6, 0.8)), shortest, fifth, fifth * float(rng.uniform(1.2, 1.5))),
        mark_mm=mark,
        inset_mm=0.0 if rng.random() < 0.6 else float(rng.uniform(0.4, 1.6)),
        edge_line=bool(rng.random() < 0.15),
        numerals=("mm", "cm", "none")[int(rng.choice(3, p=[0.4, 0.5, 0.1]))],
        stretch=float(rng.normal(0, 0.0003)) if chosen != "paper" else float(rng.normal(-0.0005, 0.0008)),
        reflectance=float(rng.uniform(low, high)),
        mark_reflectance=float(rng.uniform(dark, light)),
        shine=shine * float(rng.uniform(0.3, 1.2)),
        wear=float(rng.uniform(0.2, 0.8)) if worn else float(rng.uniform(0.0, 0.15)),
        seed=int(rng.integers(1 << 31)),
    )


def draw(rule: Rule, per_mm: float) -> np.ndarray:
    """Linear reflectance, float32 (rows, columns, 3), `per_mm` texels a mm; texel (0, 0) spans 0 to 1/per_mm mm of the rule.

    x runs along the rule from its zero end (15 mm of it without marks), y across; edge 0 lies at y = 0.
    """
    rng = np.random.default_rng(rule.seed)
    shape = (round(rule.width_mm * per_mm), round(rule.length_mm * per_mm))
    ink = np.zeros(shape, np.float32)
    for edge, division in enumerate(rule.divisions_mm):
        if division:
            _graduate(ink, rule, edge, division, per_mm)
    worn = ramp(blotches(rng, shape, 6, per_mm) + 0.5 * noise(rng, shape, per_mm, (0.4, 1.5)), 2.2 - 2.4 * rule.wear, 3.0)
    scratched = ramp(noise(rng, shape, per_mm, (0.25,), stretch=60.0, angle_deg=float(rng.uniform(-20, 20))), 2.4, 3.2)
    ink *= 1 - np.clip((worn + 0.6 * rule.wear * scratched) * min(1.0, 1.6 * rule.wear), 0, 1).astype(np.float32)
    steel = rule.body.endswith("steel")
    tone = 1 + (0.05 if steel else 0.015) * noise(rng, shape, per_mm, (0.15, 0.6), stretch=30.0 if steel else 1.0)
    tone = tone * (1 + 0.04 * blotches(rng, shape, 25, per_mm) + 0.25 * rule.wear * scratched)
    body = rule.reflectance * np.asarray(_TINT.get(rule.body, (1.0, 1.0, 1.0)), np.float32)
    field = body * tone.astype(np.float32)[..., None]
    field += (rule.mark_reflectance - field) * ink[..., None]
    if steel and rng.random() < 0.3 + rule.wear:
        rust = ramp(blotches(rng, shape, 5, per_mm) + 0.4 * noise(rng, shape, per_mm, (0.5,)), 2.0, 2.8)[..., None]
        field += (np.array([0.16, 0.07, 0.03], np.float32) - field) * (0.8 * rule.wear * rust).astype(np.float32)
    return np.clip(field, 0.004, 0.95).astype(np.float32)


def mark_length_mm(rule: Rule, division_mm: float, index: int) -> float:
    """Length of the mark `index` divisions from zero."""
    half, unit, five, ten = rule.lengths_mm
    mm = index * division_mm
    if abs(mm - round(mm)) > 1e-6:
        return half
    return ten if round(mm) % 10 == 0 else five if round(mm) % 5 == 0 else unit


def shine(
    rule: Rule, reflectance: np.ndarray, points_mm: np.ndarray, eye_mm: np.ndarray, light: Light, crown_mm: np.ndarray
) -> np.ndarray:
    """Lamp light that the level rule mirrors, (N, 3): a lobe about each lamp's mirror image; marks mirror less.

    `reflectance` is what was drawn at the world points (N, 3).
    """
    bare = np.clip((reflectance.mean(axis=1) - rule.mark_reflectance) / (rule.reflectance - rule.mark_reflectance), 0, 1)
    view = lights.unit((eye_mm - points_mm).astype(np.float32))
    result = np.zeros((len(points_mm), 3), np.float32)
    for lamp in light.lamps:
        toward, strength, size = lights.lamp_at(lamp, points_mm, crown_mm)
        half = lights.unit(toward + view)
        upright = np.clip(-half[:, 2], 1e-3, 1)
        rough = _ROUGH**2 + (0.5 * size) ** 2
        lobe = np.exp(-np.minimum((1 / upright**2 - 1) / rough, 60)) / (4 * rough)
        result += (rule.shine * strength * lobe * (0.2 + 0.8 * bare))[:, None] * np.asarray(lamp.colour, np.float32)
    return result


_ROUGH = 0.16  # r.m.s. slope of a satin rule's facets
FIRST_MARK_MM = 5.0  # blank before zero


def _graduate(ink: np.ndarray, rule: Rule, edge: int, division_mm: float, per_mm: float) -> None:
    room = 2 * (rule.inset_mm + rule.lengths_mm[3] + 0.6) + 2.4 * min(2.6, 0.18 * rule.width_mm)
    numbered = rule.numerals != "none" and (edge == 0 or rule.width_mm > room)
    count = int((rule.length_mm - 2 * FIRST_MARK_MM) / division_mm)
    for index in range(count + 1):
        x = FIRST_MARK_MM + index * division_mm
        long = mark_length_mm(rule, division_mm, index)
        _bar(ink, rule, edge, per_mm, x - rule.mark_mm / 2, x + rule.mark_mm / 2, rule.inset_mm, rule.inset_mm + long)
        mm = round(index * division_mm)
        if numbered and abs(mm - index * division_mm) < 1e-6 and mm % 10 == 0:
            _number(ink, rule, edge, per_mm, str(mm if rule.numerals == "mm" else mm // 10), x)
    if rule.edge_line:
        reach = (FIRST_MARK_MM, FIRST_MARK_MM + count * division_mm)
        _bar(ink, rule, edge, per_mm, *reach, rule.inset_mm, rule.inset_mm + rule.mark_mm)


def _bar(ink: np.ndarray, rule: Rule, edge: int, per_mm: float, x0: float, x1: float, y0: float, y1: float) -> None:
    """Ink a box with exact coverage of the texels it cuts; y counts from the given edge."""
    if edge:
        y0, y1 = rule.width_mm - y1, rule.width_mm - y0
    rows, columns = ink.shape

    def share(low: float, high: float, count: int) -> tuple[int, np.ndarray]:
        start, stop = max(int(low * per_mm), 0), min(int(np.ceil(high * per_mm)), count)
        cells = np.arange(start, stop)
        return start, np.clip(np.minimum(cells + 1, high * per_mm) - np.maximum(cells, low * per_mm), 0, 1)

    (r, down), (c, along) = share(y0, y1, rows), share(x0, x1, columns)
    part = ink[r : r + len(down), c : c + len(along)]
    np.maximum(part, np.outer(down, along).astype(np.float32), out=part)


def _number(ink: np.ndarray, rule: Rule, edge: int, per_mm: float, text: str, x_mm: float) -> None:
    size = min(2.6, 0.18 * rule.width_mm)
    scale, thick = size * per_mm / 22, max(1, round(0.14 * size * per_mm))
    (w, h), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, thick)
    deep = rule.inset_mm + rule.lengths_mm[3] + 0.6 + size / 2
    y = deep if not edge else rule.width_mm - deep
    layer = np.zeros(ink.shape, np.uint8)
    at = (round(x_mm * per_mm - w / 2), round(y * per_mm + h / 2))
    cv2.putText(layer, text, at, cv2.FONT_HERSHEY_SIMPLEX, scale, 255, thick, cv2.LINE_AA)
    low, high = max(at[1] - 2 * h, 0), at[1] + h
    np.maximum(ink[low:high], layer[low:high].astype(np.float32) / 255, out=ink[low:high])
