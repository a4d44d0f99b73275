"""Drawing lots for broken faces: how the metal broke, what it shows of imperfections, and what only looks like them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import ArrayLike

from specimeter.scene import shapes
from specimeter.scene.describe import Broken, Fracture, Mark, Opening

_FIGURES = (
    "grain",
    "tilt",
    "dimple",
    "sizes",
    "waves",
    "ridge",
    "level",
    "diffuse",
    "rough",
    "lip",
    "rim",
    "rust",
    "tint",
)  # grain mm, tilt, fine slope and its mm, wave mm, ridge slope, reflectance, ..., lip and rim mm
FRACTURES: dict[str, dict[str, float]] = {
    name: dict(zip(_FIGURES, figures, strict=True))
    for name, figures in {
        "cleavage": (0.25, 0.28, 0.12, 0.15, 0.12, 0.15, 0.55, 0.15, 0.28, 0.0, 0.0, 0.0, 0.0),
        "coarse-grain": (0.75, 0.3, 0.1, 0.2, 0.18, 0.1, 0.55, 0.14, 0.26, 0.0, 0.0, 0.0, 0.0),
        "fibrous": (0.0, 0.0, 0.42, 0.14, 0.25, 0.25, 0.34, 0.4, 0.42, 1.6, 0.0, 0.0, 0.0),
        "silky": (0.0, 0.0, 0.22, 0.1, 0.2, 0.4, 0.42, 0.3, 0.32, 2.2, 0.0, 0.0, 0.0),
        "mixed": (0.3, 0.26, 0.26, 0.14, 0.2, 0.2, 0.46, 0.25, 0.34, 1.4, 1.8, 0.0, 0.0),
        "columnar": (0.22, 0.2, 0.2, 0.12, 0.15, 0.5, 0.48, 0.22, 0.3, 0.0, 0.0, 0.0, 0.0),
        "rusted": (0.3, 0.22, 0.28, 0.15, 0.2, 0.2, 0.42, 0.3, 0.38, 1.0, 0.0, 0.8, 0.0),
        "tinted": (0.2, 0.2, 0.3, 0.14, 0.2, 0.2, 0.42, 0.25, 0.34, 1.0, 0.0, 0.0, 0.55),
    }.items()
}
FORMS = ("pore", "pore", "pore", "cluster", "row", "elongated", "slag", "slag", "slag-line", "root", "line", "patch", "fisheye")
LEAST_MM, LARGEST_MM = 0.3, 12.0


def fracture(rng: np.random.Generator, name: str, seed: int) -> Fracture:
    """One fracture of a group."""
    base = FRACTURES[name]

    def vary(value: float, spread: float = 0.3) -> float:
        return float(value * np.exp(rng.normal(0, spread)))

    fan = float(rng.random() < 0.4)
    return Fracture(
        name=name,
        grain_mm=vary(base["grain"]),
        tilt=0.85 * vary(base["tilt"], 0.3),
        dimple=vary(base["dimple"], 0.25),
        dimple_mm=vary(base["sizes"]),
        waves_mm=vary(base["waves"], 0.5),
        ridges=0.75 * vary(base["ridge"], 0.5),
        ridge_mm=float(rng.uniform(0.3, 1.4)),
        ridge_deg=float(rng.uniform(0, 180)),
        fan=fan,
        lip_mm=vary(base["lip"], 0.4) if base["lip"] else float(rng.random() < 0.3) * float(rng.uniform(0.4, 1.2)),
        lip=float(rng.uniform(0.4, 1.1)),
        level=float(base["level"] * rng.uniform(0.85, 1.15)),
        warm=float(rng.normal(0, 0.02)),
        diffuse=1.9 * vary(base["diffuse"], 0.3),
        rough=float(np.clip(1.35 * vary(base["rough"], 0.25), 0.2, 0.7)),
        rim_mm=vary(base["rim"]),
        rust=float(base["rust"] * rng.uniform(0.4, 1.1) or (rng.random() < 0.2) * rng.uniform(0.05, 0.35)),
        tint=float(base["tint"] * rng.uniform(0.4, 1.2)),
        seed=seed,
    )


def features(rng: np.random.Generator, specimen: Broken, count: int | None = None) -> list[Opening]:
    """Imperfections that neither touch each other nor cross the face's outline, but for those that lie along its root edge."""
    if count is None:
        count = int(rng.choice([1, 1, 2, 2, 3, 3, 4, 6, 8]))
    kept: list[Opening] = []
    for _ in range(count):
        for _ in range(25):
            group = _group(rng, specimen, str(rng.choice(FORMS)))
            if group and all(_fits(one, specimen, kept + group[:k]) for k, one in enumerate(group)):
                kept += group
                break
    return kept


def _fits(feature: Opening, specimen: Broken, others: Sequence[Opening]) -> bool:
    outline = feature.outline_mm
    away = shapes.distance_to(specimen.face_mm, outline)
    if not feature.at_corner and away.max() > -0.35:
        return False
    low, high = outline.min(0) - 0.6, outline.max(0) + 0.6
    for other in others:
        if (other.outline_mm.max(0) > low).all() and (other.outline_mm.min(0) < high).all():
            if shapes.distance_to(other.outline_mm, outline).min() < 0.3:
                return False
            if (
                shapes.distance_to(outline, other.outline_mm[:1]).min() < 0
                or shapes.distance_to(other.outline_mm, outline[:1]).min() < 0
            ):
                return False
    return True


def _spot(rng: np.random.Generator, specimen: Broken) -> np.ndarray:
    low, high = specimen.face_mm.min(0), specimen.face_mm.max(0)
    return rng.uniform(low + 0.06 * (high - low), high - 0.06 * (high - low))


def make(
    rng: np.random.Generator, outline: np.ndarray, kind: str, form: str, depth: float, fill: str, at_corner: bool = False
) -> Opening:
    """One feature with a seed of its own."""
    return Opening(
        outline_mm=outline,
        kind=kind,
        form=form,
        depth_mm=float(depth),
        fill=fill,
        at_corner=at_corner,
        seed=int(rng.integers(1 << 31)),
    )


def _size(rng: np.random.Generator, low: float = LEAST_MM, high: float = LARGEST_MM) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _pore_fill(rng: np.random.Generator) -> str:
    return str(rng.choice(["shiny", "oxidised", "dark"], p=[0.4, 0.35, 0.25]))


def pore(rng: np.random.Generator, centre: ArrayLike, size: float, fill: str) -> Opening:
    """A round pore of a diameter in mm: broken open near its middle, so about half as deep as wide."""
    outline = shapes.cavity(rng, size * rng.uniform(1.0, 1.2), size, rough=float(rng.uniform(0.005, 0.06)))
    outline = shapes.turn(outline, rng.uniform(0, np.pi), centre)
    return make(rng, outline, "pore", "pore", size * rng.uniform(0.25, 0.6), fill)


def _group(rng: np.random.Generator, specimen: Broken, form: str) -> list[Opening]:
    spot, across = _spot(rng, specimen), specimen.thickness_mm
    along = np.pi / 2 + rng.normal(0, 0.12)  # along the weld
    if form == "pore":
        return [pore(rng, spot, _size(rng, 0.3, min(4.0, 0.35 * across)), _pore_fill(rng))]
    if form in ("cluster", "row"):
        fill, size, number = _pore_fill(rng), _size(rng, 0.3, 1.3), int(rng.integers(3, 9))
        found, at = [], spot
        for k in range(number):
            own = size * rng.uniform(0.6, 1.5)
            if form == "row":
                at = spot + np.array([rng.normal(0, 0.15), (k - number / 2) * size * rng.uniform(2.0, 3.2)])
            else:
                at = spot + rng.normal(0, 1.6 * size, 2)
            found.append(pore(rng, at, own, fill))
        return found
    if form == "elongated":
        length = _size(rng, 1.0, min(9.0, 0.6 * max(across, 8.0)))
        width = float(np.clip(length * rng.uniform(0.12, 0.4), 0.3, 2.0))
        turn = rng.choice([along, rng.uniform(0, np.pi), rng.normal(0, 0.3)])
        outline = shapes.ribbon(
            rng, length, width, blunt=0.35, bend=float(rng.normal(0, 0.06)), lopsided=float(rng.uniform(-0.2, 0.2))
        )
        return [
            make(
                rng,
                shapes.turn(outline, turn, spot),
                "elongated-cavity",
                "wormhole",
                width * rng.uniform(0.3, 0.6),
                _pore_fill(rng),
            )
        ]
    if form == "slag":
        length = _size(rng, 0.4, 6.0)
        width = float(np.clip(length * rng.uniform(0.3, 0.8), 0.25, 3.0))
        outline = angular(rng, length, width)
        return [make(rng, shapes.turn(outline, along, spot), "slag", "lump", rng.uniform(0.1, 0.45) * width + 0.05, "glass")]
    if form == "slag-line":
        length = _size(rng, 2.0, LARGEST_MM)
        width = float(np.clip(length * rng.uniform(0.06, 0.2), 0.3, 1.5))
        outline = shapes.ribbon(
            rng, length, width, blunt=0.45, ragged=float(rng.uniform(0.25, 0.5)), bend=float(rng.normal(0, 0.03))
        )
        return [make(rng, shapes.turn(outline, along, spot), "slag", "line", 0.3 * width + 0.05, "glass")]
    if form == "root":
        return _at_root(rng, specimen)
    fill = str(rng.choice(["smooth", "oxidised", "scaled"], p=[0.4, 0.4, 0.2]))
    if form == "line":
        length = _size(rng, 1.5, LARGEST_MM)
        width = float(np.clip(length * rng.uniform(0.05, 0.2), 0.3, 1.6))
        outline = shapes.ribbon(
            rng,
            length,
            width,
            blunt=0.4,
            ragged=float(rng.uniform(0.05, 0.3)),
            bend=float(rng.normal(0, 0.03)),
            lopsided=float(rng.uniform(-0.7, 0.7)),
        )
        return [make(rng, shapes.turn(outline, along, spot), "lack-of-inter-run-fusion", "line", rng.uniform(0.0, 0.2), fill)]
    if form == "patch":
        length = _size(rng, 1.2, 8.0)
        width = length * rng.uniform(0.35, 0.8)
        outline = shapes.cavity(rng, length, width, rough=float(rng.uniform(0.08, 0.17)))
        return [make(rng, shapes.turn(outline, along, spot), "lack-of-fusion", "patch", rng.uniform(0.0, 0.25), fill)]
    size = _size(rng, 1.2, min(6.0, 0.45 * across))
    outline = shapes.cavity(rng, size * rng.uniform(1, 1.15), size, rough=0.03)
    return [make(rng, shapes.turn(outline, rng.uniform(0, np.pi), spot), "fisheye", "fisheye", 0.1, "crystals")]


def angular(rng: np.random.Generator, length: float, width: float) -> np.ndarray:
    """An angular closed outline, longer along u: a few corners with nearly straight sides between."""
    corners = int(rng.integers(5, 10))
    angle = np.sort((np.arange(corners) + rng.uniform(-0.35, 0.35, corners)) * 2 * np.pi / corners)
    radius = rng.uniform(0.65, 1.15, corners)
    points = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    sides = [
        here + (there - here) * np.linspace(0, 1, 14)[:-1, None]
        for here, there in zip(points, np.roll(points, -1, 0), strict=True)
    ]
    outline = np.concatenate(sides)
    normal = outline / np.maximum(np.hypot(*outline.T), 1e-6)[:, None]
    wave = shapes.smooth_noise(rng, len(outline), 0.05) * 0.03
    outline = (
        outline
        + normal
        * (wave * np.minimum(1, 8 * np.minimum(np.linspace(0, 1, len(outline)), np.linspace(1, 0, len(outline)))))[:, None]
    )
    return (outline - (outline.min(0) + outline.max(0)) / 2) * ([length, width] / np.ptp(outline, axis=0))


def _at_root(rng: np.random.Generator, specimen: Broken) -> list[Opening]:
    """Unfused surface along the root edge: straight there, wavy where fusion began."""
    low, high = specimen.face_mm.min(0), specimen.face_mm.max(0)
    length = min(_size(rng, 2.0, 30.0), 0.9 * (high[1] - low[1]))
    depth = float(np.clip(_size(rng, 0.4, 2.5), 0.4, 0.3 * (high[0] - low[0])))
    middle = (
        float(rng.uniform(low[1] + length / 2 + 0.4, high[1] - length / 2 - 0.4))
        if high[1] - low[1] > length + 0.9
        else float((low[1] + high[1]) / 2)
    )
    face = specimen.face_mm
    edge = face[:, 0] * specimen.root > (0.25 * (high[0] - low[0])) + specimen.root * (low[0] + high[0]) / 2
    near = face[edge]
    near = near[np.argsort(near[:, 1])]
    near = near[(near[:, 1] > middle - length / 2) & (near[:, 1] < middle + length / 2)]
    near = near[np.concatenate([[True], np.diff(near[:, 1]) > 1e-6])]
    if len(near) < 6:
        return []
    phase = (near[:, 1] - near[0, 1]) / np.ptp(near[:, 1])
    profile = np.clip((4 * phase * (1 - phase)) ** rng.uniform(0.2, 0.45), 0, 1)
    profile = profile * np.clip(1 + 0.2 * shapes.smooth_noise(rng, len(near), 0.12), 0.4, 1.5)
    inner = near - np.column_stack([specimen.root * depth * profile, np.zeros(len(near))])
    outline = np.concatenate([near, inner[1:-1][::-1]])
    kind = "lack-of-root-fusion" if specimen.test == "fillet-break" or rng.random() < 0.4 else "lack-of-penetration"
    fill = str(rng.choice(["smooth", "oxidised", "scaled"]))
    return [make(rng, outline, kind, "root", rng.uniform(0.02, 0.2), fill, at_corner=True)]


def marks(rng: np.random.Generator, specimen: Broken, chosen: Sequence[Opening]) -> list[Mark]:
    """Dust, fibres, rust spots, stains, bruises and scratches on the face; none within 0.6 mm of a feature."""
    found: list[Mark] = []

    def line(length: float) -> np.ndarray:
        start, angle = _spot(rng, specimen), rng.uniform(0, np.pi)
        t = np.linspace(0, 1, 8)[:, None]
        bow = rng.normal(0, 0.15) * length * t * (1 - t) * 4
        return start + t * length * np.array([np.cos(angle), np.sin(angle)]) + bow * np.array([-np.sin(angle), np.cos(angle)])

    def add(
        kind: str,
        polylines: Iterable[ArrayLike],
        size: float,
        strength: float,
        colour: tuple[float, float, float] = (0.0, 0.0, 0.0),
    ) -> None:
        lines = tuple(np.asarray(one, float).reshape(-1, 2) for one in polylines)
        points = np.concatenate(lines)
        if any(shapes.distance_to(one.outline_mm, points).min() < 0.6 + size / 2 for one in chosen):
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

    for _ in range(int(rng.poisson(rng.choice([1, 5, 14])))):
        add(
            "dust",
            [[_spot(rng, specimen)]],
            rng.uniform(0.06, 0.35),
            rng.uniform(0.4, 0.9),
            (0.4, 0.39, 0.37) if rng.random() < 0.5 else (0.05, 0.045, 0.04),
        )
    for _ in range(int(rng.poisson(0.8))):
        add(
            "fibre",
            [line(rng.uniform(1, 5))],
            rng.uniform(0.03, 0.08),
            0.8,
            (0.5, 0.5, 0.5) if rng.random() < 0.5 else (0.04, 0.04, 0.06),
        )
    for _ in range(int(rng.poisson(0.8))):
        add("rust", [[_spot(rng, specimen)]], rng.uniform(0.5, 3), rng.uniform(0.3, 0.9))
    for _ in range(int(rng.poisson(0.5))):
        add(
            str(rng.choice(["stain", "oil"])),
            [line(rng.uniform(0.5, 6))],
            rng.uniform(1.5, 6),
            rng.uniform(0.3, 0.8),
            (0.72, 0.66, 0.58),
        )
    for _ in range(int(rng.poisson(0.8))):  # bruises: knocked on the bench, smeared and bright
        add("dent", [line(rng.uniform(0.2, 2.0))], rng.uniform(0.3, 1.2), rng.uniform(0.05, 0.15))
    for _ in range(int(rng.poisson(0.6))):
        add("scratch", [line(rng.uniform(1, 9))], rng.uniform(0.05, 0.15), rng.choice([0.5, -0.5]))
    if rng.random() < 0.15:
        add(
            "ink",
            [line(rng.uniform(2, 6))],
            rng.uniform(0.4, 1.2),
            rng.uniform(0.6, 1.0),
            (0.02, 0.02, 0.03) if rng.random() < 0.5 else (0.4, 0.03, 0.03),
        )
    return found
