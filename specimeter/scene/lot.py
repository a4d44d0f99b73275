"""Drawing lots for what lies on a face: openings where such tests open, and marks that only look like them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import ArrayLike

from specimeter.scene import geometry, marks, material, shapes
from specimeter.scene.describe import Camera, Mark, Opening, Specimen, Weld

LIMIT_DEG = 57.0  # openings stay on the safe side of the steepest examined place
FORMS = (
    "lens",
    "lens",
    "ragged",
    "cavity",
    "row",
    "fusion-line",
    "fusion-line",
    "pulled-pore",
    "corner-tear",
    "slit",
    "bridged",
)
LETTERS = "0123456789ABFHKRSTWX"


def openings(
    rng: np.random.Generator, specimen: Specimen, camera: Camera, weld: Weld, count: int | None = None
) -> list[Opening]:
    """Openings that neither touch each other nor pass the steepest examined place; sizes log-uniform from 0.3 to 12 mm."""
    if count is None:
        count = int(rng.choice([1, 1, 2, 2, 3, 4, 5, 7, 9]))
    kept: list[Opening] = []
    for _ in range(count):
        for _ in range(30):
            form = str(rng.choice(FORMS))
            group = _group(rng, specimen, weld, form)
            if group and all(_fits(o, specimen, camera, kept) for o in group) and _apart(group):
                kept += group
                break
    return kept


def _apart(group: Sequence[Opening]) -> bool:
    return all(shapes.distance_to(a.outline_mm, b.outline_mm).min() > 0.1 for i, a in enumerate(group) for b in group[:i])


def _fits(opening: Opening, specimen: Specimen, camera: Camera, others: Sequence[Opening]) -> bool:
    outline = opening.outline_mm
    margin = 0.0 if opening.at_corner else specimen.corner_mm + 0.35
    if np.abs(outline[:, 1]).max() > specimen.width_mm / 2 - margin + 1e-9:
        return False
    if np.abs(outline[:, 0]).max() > specimen.radius_mm * geometry.half_angle(specimen) - 0.5:
        return False
    if geometry.steepness_deg(specimen, camera, outline).max() > LIMIT_DEG:
        return False
    low, high = outline.min(0) - 1, outline.max(0) + 1
    for other in others:
        if (other.outline_mm.max(0) > low).all() and (other.outline_mm.min(0) < high).all():
            gap = shapes.distance_to(other.outline_mm, outline).min()
            if gap < 0.35:
                return False
    return True


def _place(rng: np.random.Generator, specimen: Specimen, weld: Weld) -> np.ndarray:
    """A likely place: mostly in the weld and its heat-affected zone, near the crown."""
    reach = specimen.radius_mm * min(np.radians(48), geometry.half_angle(specimen) * 0.85)
    s = float(np.clip(rng.normal(0, 0.45) * reach, -reach, reach))
    half = specimen.width_mm / 2
    a = float(rng.uniform(-half, half) * 0.88)
    if weld.layout != "along" and rng.random() < 0.7:
        s = float(rng.uniform(-1, 1) * min(weld.half_width_mm + 1, reach))
    if weld.layout == "along" and rng.random() < 0.7:
        a = float(rng.uniform(-1, 1) * min(weld.half_width_mm + 1, half * 0.85))
    return np.array([s, a])


def _group(rng: np.random.Generator, specimen: Specimen, weld: Weld, form: str) -> list[Opening]:
    length = float(np.exp(rng.uniform(np.log(0.3), np.log(12.0))))
    length = min(length, 0.6 * specimen.width_mm)
    across = np.pi / 2 + rng.normal(0, 0.14)  # most openings run across the strain, along the bend axis
    centre = _place(rng, specimen, weld)
    if form == "lens":
        width = length * rng.uniform(0.15, 0.55)
        outline = shapes.ribbon(
            rng,
            length,
            width,
            blunt=rng.uniform(0.5, 1.0),
            bend=rng.normal(0, 0.04),
            ragged=rng.choice([0.04, 0.12, 0.3]),
            lopsided=rng.uniform(-0.5, 0.5),
            skew=rng.uniform(-0.3, 0.3),
        )
        return [make_opening(rng, shapes.turn(outline, across, centre), "opening", form, width)]
    if form in ("ragged", "slit"):
        length = max(length, 0.8)
        width = max(0.08, length * (rng.uniform(0.05, 0.15) if form == "ragged" else rng.uniform(0.03, 0.08)))
        turned = across + rng.normal(0, 0.35 if form == "ragged" else 0.1)
        outline = shapes.ribbon(
            rng,
            length,
            width,
            blunt=rng.uniform(0.5, 0.9),
            bend=rng.normal(0, 0.03),
            ragged=rng.uniform(0.5, 1.1) if form == "ragged" else 0.1,
        )
        return [make_opening(rng, shapes.turn(outline, turned, centre), "crack", form, width)]
    if form == "cavity":
        length = min(length, 5.0)
        width = length * rng.uniform(0.3, 0.6)
        outline = shapes.cavity(rng, length, width, rough=rng.uniform(0.08, 0.3))
        return [make_opening(rng, shapes.turn(outline, rng.uniform(0, np.pi), centre), "opening", form, width, slag=0.7)]
    if form == "pulled-pore":
        length = float(np.exp(rng.uniform(np.log(0.3), np.log(2.5))))
        width = length * rng.uniform(0.45, 0.6)
        outline = shapes.cavity(rng, length, width, rough=rng.uniform(0.02, 0.08))
        return [make_opening(rng, shapes.turn(outline, rng.normal(0, 0.25), centre), "opening", form, width)]
    if form == "row":
        turned, group, at = across, [], 0.0
        for _ in range(int(rng.integers(3, 6))):
            own = float(np.exp(rng.uniform(np.log(0.3), np.log(1.6))))
            width = own * rng.uniform(0.2, 0.6)
            outline = shapes.ribbon(rng, own, width, blunt=rng.uniform(0.5, 0.8), ragged=0.06)
            at += own / 2
            place = centre + at * np.array([np.cos(turned), np.sin(turned)]) + rng.normal(0, 0.08, 2)
            at += own / 2 + rng.uniform(0.4, 1.5)
            group.append(make_opening(rng, shapes.turn(outline, turned + rng.normal(0, 0.1), place), "opening", form, width))
        return group
    if form == "fusion-line":
        width = max(0.1, length * rng.uniform(0.08, 0.35))
        turned, centre = on_fusion_line(rng, specimen, weld, length)
        outline = shapes.ribbon(
            rng,
            length,
            width,
            blunt=rng.uniform(0.5, 0.8),
            ragged=rng.choice([0.06, 0.2, 0.4]),
            lopsided=rng.choice([-0.8, 0.8]),
            bend=rng.normal(0, 0.015),
        )
        return [make_opening(rng, shapes.turn(outline, turned, centre), "opening", form, width, slag=0.4)]
    if form == "bridged":
        length = max(length, 1.2)
        share, gap = rng.uniform(0.3, 0.7), rng.uniform(0.15, 0.45)
        group, direction = [], np.array([np.cos(across), np.sin(across)])
        for part, offset in ((share, (share - 1) / 2), (1 - share, share / 2)):
            own = max(0.3, part * length - gap / 2)
            width = own * rng.uniform(0.15, 0.4)
            outline = shapes.ribbon(rng, own, width, blunt=rng.uniform(0.5, 0.7), ragged=0.08)
            where = centre + direction * (offset * length + np.sign(offset) * gap / 4)
            group.append(make_opening(rng, shapes.turn(outline, across, where), "opening", form, width))
        return group
    if form == "corner-tear":
        length = min(max(length, specimen.corner_mm + 0.4), 6.0)
        width = length * rng.uniform(0.18, 0.55)
        side = rng.choice([-1.0, 1.0])
        half = specimen.width_mm / 2
        outline = shapes.corner_tear(rng, length + 0.3, width, ragged=rng.uniform(0.05, 0.2))
        outline = shapes.turn(outline, -side * np.pi / 2 + rng.normal(0, 0.2), (centre[0], side * (half + 0.3)))
        outline = shapes.clip_width(outline, half)
        return [make_opening(rng, outline, "opening", form, width, at_corner=True)] if len(outline) > 8 else []
    raise ValueError(f"unknown form {form!r}")


def make_opening(
    rng: np.random.Generator,
    outline: np.ndarray,
    kind: str,
    form: str,
    width: float,
    *,
    slag: float = 0.15,
    at_corner: bool = False,
) -> Opening:
    fill = str(rng.choice(["slag", "facets", "dark"], p=[slag, 0.12, 0.88 - slag]))
    lip = rng.random() < 0.55
    return Opening(
        outline_mm=outline,
        kind=kind,
        form=form,
        fill=fill,
        at_corner=at_corner,
        depth_mm=float(np.clip(width * rng.uniform(0.8, 3.0), 0.15, 4.0)) * (0.6 if fill != "dark" else 1.0),
        lip_mm=float(np.clip(width * rng.uniform(0.1, 0.35), 0.05, 0.35)) if lip else 0.0,
        lip_gain=float(rng.uniform(0.2, 1.0)) if lip else 0.0,
        seed=int(rng.integers(1 << 31)),
    )


def on_fusion_line(rng: np.random.Generator, specimen: Specimen, weld: Weld, length_mm: float) -> tuple[float, np.ndarray]:
    """Direction (radians in [s, a]) and place of an opening on one of the weld's edges."""
    half = specimen.width_mm / 2
    side = int(rng.integers(2))
    if weld.layout == "along":
        s = float(rng.uniform(-0.5, 0.5) * specimen.radius_mm)
        span = 2 * specimen.radius_mm * geometry.half_angle(specimen)
        edge = material.fusion_lines(weld, np.array([s]), span)[side][0]
        return np.pi / 2 + rng.normal(0, 0.3), np.array([s, float(edge)])
    a = float(rng.uniform(-0.75, 0.75) * half)
    reach = max(0.3, 0.4 * length_mm)
    places = np.array([a - reach, a, a + reach])
    edge = material.fusion_lines(weld, places, specimen.width_mm)[side]
    return float(np.arctan2(2 * reach, edge[2] - edge[0])), np.array([float(edge.mean()), a])


# ------------------------------------------------------------------ marks


def face_marks(rng: np.random.Generator, specimen: Specimen, kept: Sequence[Opening]) -> list[Mark]:
    """Marks of many kinds; a struck or written one keeps off the openings."""
    found: list[Mark] = []
    half, reach = specimen.width_mm / 2, specimen.radius_mm * geometry.half_angle(specimen)

    def spot(spread: float = 0.9) -> np.ndarray:
        return np.array([rng.uniform(-reach, reach) * spread, rng.uniform(-half, half) * spread])

    def add(
        kind: str,
        polylines: Iterable[ArrayLike],
        size: float,
        strength: float,
        colour: tuple[float, float, float] = (0.0, 0.0, 0.0),
    ) -> None:
        lines = tuple(np.asarray(line, float).reshape(-1, 2) for line in polylines)
        if kind in ("stamp", "ink", "punch", "dent", "gauge-line", "fibre", "dust"):
            points = np.concatenate(lines)
            for opening in kept:
                if shapes.distance_to(opening.outline_mm, points).min() < 0.8 + size:
                    return
        found.append(
            Mark(
                kind=kind,
                lines_mm=lines,
                size_mm=float(size),
                strength=float(strength),
                colour=colour,
                seed=int(rng.integers(1 << 31)),
            )
        )

    def line(start: np.ndarray, angle: float, length: float, bow: float = 0.0) -> np.ndarray:
        t = np.linspace(-0.5, 0.5, 24)
        return (
            np.column_stack([t * length, bow * length * (1 - 4 * t * t)])
            @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
            + start
        )

    def text() -> str:
        return "".join(rng.choice(list(LETTERS), int(rng.integers(2, 6))))

    if rng.random() < 0.3:
        add(
            "stamp",
            marks.lettering(text(), rng.uniform(3, 5), spot(0.7), rng.choice([0, np.pi / 2]) + rng.normal(0, 0.08), rng),
            rng.uniform(0.35, 0.6),
            rng.uniform(0.15, 0.35),
        )
    if rng.random() < 0.3:
        colours = ((0.01, 0.015, 0.02), (0.01, 0.02, 0.16), (0.75, 0.75, 0.72), (0.5, 0.42, 0.03), (0.4, 0.02, 0.02))
        colour = colours[int(rng.integers(5))]
        ink: Sequence[np.ndarray]
        if rng.random() < 0.6:
            ink = marks.lettering(text(), rng.uniform(4, 9), spot(0.7), rng.choice([0, np.pi / 2]) + rng.normal(0, 0.2), rng)
        else:
            ink = [line(spot(0.5), rng.choice([0, np.pi / 2]) + rng.normal(0, 0.1), rng.uniform(8, 30), rng.normal(0, 0.03))]
        add("ink", ink, rng.uniform(0.5, 2.2), rng.uniform(0.6, 1.0), colour)
    for _ in range(int(rng.poisson(2.5))):
        add(
            "scratch",
            [line(spot(), rng.uniform(0, np.pi), rng.uniform(2, 30), rng.normal(0, 0.05))],
            rng.uniform(0.02, 0.14),
            rng.choice([rng.uniform(0.2, 0.9), -rng.uniform(0.3, 1.4)]),
        )
    if rng.random() < 0.35:
        start, angle = spot(0.6), rng.uniform(0, np.pi)
        lines = [
            line(start + rng.normal(0, 2.5, 2), angle + rng.normal(0, 0.04), rng.uniform(4, 18))
            for _ in range(int(rng.integers(4, 14)))
        ]
        add("grinding", lines, rng.uniform(0.04, 0.15), rng.choice([rng.uniform(0.2, 0.6), -rng.uniform(0.2, 0.8)]))
    if rng.random() < 0.3:
        for at in rng.choice([-1, 1]) * np.arange(int(rng.integers(1, 4))) * rng.uniform(5, 12):
            add("gauge-line", [[(at, -half), (at, half)]], rng.uniform(0.06, 0.2), -rng.uniform(0.4, 1.2))
    if rng.random() < 0.2:
        for _ in range(int(rng.integers(1, 4))):
            add("punch", [[spot(0.8)]], rng.uniform(0.6, 1.4), rng.uniform(0.15, 0.35))
    for _ in range(int(rng.poisson(rng.choice([0.5, 3, 25], p=[0.5, 0.3, 0.2])))):
        add("pit", [[spot()]], rng.uniform(0.15, 0.7), rng.uniform(0.1, 0.3))
    for _ in range(int(rng.poisson(0.8))):
        add("dent", [line(spot(), rng.uniform(0, np.pi), rng.uniform(0.1, 3))], rng.uniform(0.4, 2.0), rng.uniform(0.06, 0.2))
    for _ in range(int(rng.poisson(rng.choice([1, 12])))):
        tone = (0.45, 0.44, 0.42) if rng.random() < 0.6 else (0.05, 0.045, 0.04)
        add("dust", [[spot()]], rng.uniform(0.05, 0.3), rng.uniform(0.5, 0.95), tone)
    for _ in range(int(rng.poisson(0.5))):
        tone = (0.5, 0.5, 0.5) if rng.random() < 0.5 else (0.04, 0.04, 0.06)
        add(
            "fibre",
            [line(spot(), rng.uniform(0, np.pi), rng.uniform(1, 6), rng.normal(0, 0.2))],
            rng.uniform(0.03, 0.08),
            0.8,
            tone,
        )
    for _ in range(int(rng.poisson(0.5))):
        add("rust", [[spot()]], rng.uniform(0.6, 4), rng.uniform(0.3, 0.9))
    for _ in range(int(rng.poisson(0.5))):
        kind = rng.choice(["stain", "oil"])
        add(
            kind,
            [line(spot(), rng.uniform(0, np.pi), rng.uniform(0.5, 8), rng.normal(0, 0.2))],
            rng.uniform(2, 8),
            rng.uniform(0.3, 0.9),
            (0.72, 0.66, 0.58) if kind == "stain" else (0.8, 0.74, 0.6),
        )
    if rng.random() < 0.2:
        centre, angle, ridges = spot(0.7), rng.uniform(0, np.pi), []
        for k in range(1, int(rng.integers(9, 15))):
            around = (
                np.linspace(rng.uniform(-0.5, 0.3), np.pi + rng.uniform(-0.3, 0.5), 60) if k > 3 else np.linspace(0, 6.2, 60)
            )
            radius = 0.5 * k * (1 + 0.04 * shapes.smooth_noise(rng, 60, 0.2))
            loop = np.column_stack([radius * np.cos(around), 1.35 * radius * np.sin(around)])
            ridges.append(shapes.turn(loop, angle, centre))
        add("fingerprint", ridges, 0.22, rng.uniform(0.3, 1.0))
    return found
