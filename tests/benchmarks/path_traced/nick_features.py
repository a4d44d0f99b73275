"""What breaks open in a face, for the path tracer: cavities, slag, unfused surface, fisheyes; outlines, forms and skins."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import outlines
from nick_face import End

FORMS = ("pore", "pore", "cluster", "elongated", "slag", "slag", "root", "edge", "line", "patch", "fisheye")
KINDS = {
    "pore": "pore", "elongated": "elongated-cavity", "slag": "slag", "root": "lack-of-root-fusion", "edge": "lack-of-fusion",
    "line": "lack-of-inter-run-fusion", "patch": "lack-of-fusion", "fisheye": "fisheye",
}  # fmt: skip
AT_BORDER = ("root", "edge")
FILLS = {
    "pore": ("shiny", "tinted", "oxidised", "dark", "as bright"),
    "elongated": ("shiny", "tinted", "oxidised", "dark", "as bright"),
    "slag": ("dark glass", "dark glass", "grey", "brown", "green"),
    "root": ("smooth", "oxidised", "bright", "ground", "rough"),
    "edge": ("smooth", "oxidised", "bright", "ground", "rough"),
    "line": ("smooth", "oxidised", "bright", "slag", "rough"),
    "patch": ("smooth", "oxidised", "bright", "ground", "rough"),
    "fisheye": ("brighter", "brighter", "as bright"),
}


@dataclass(frozen=True, kw_only=True)
class Skin:
    """What a feature is covered with: a colour (3,) or the break's own, metal or not, how rough, how much grain stays."""

    colour: np.ndarray | None
    metal: float
    rough: float
    grain: float = 0.0
    mottled: float = 0.1
    ground: bool = False


def skin(rng: np.random.Generator, fill: str, grey: float) -> Skin:
    """A skin of a kind; `grey`: the bare break's tone."""

    def tone(low: float, high: float, *tint: float) -> np.ndarray:
        return (
            float(np.exp(rng.uniform(np.log(low), np.log(high))))
            * np.array(tint or (1, 1, 1))
            * (1 + 0.04 * rng.normal(size=3))
        )

    own = np.clip(grey * tone(0.75, 1.4), 0.05, 0.75)
    if fill in ("shiny", "smooth"):
        gloss = (0.12, 0.3) if fill == "shiny" else (0.25, 0.5)
        return Skin(colour=own, metal=float(rng.uniform(0.7, 1)), rough=float(rng.uniform(*gloss)))
    if fill == "tinted":
        return Skin(
            colour=tone(0.2, 0.5, *((1.15, 1, 0.75) if rng.random() < 0.6 else (0.85, 0.95, 1.12))), metal=1.0, rough=0.25
        )
    if fill == "oxidised":
        return Skin(
            colour=tone(0.025, 0.18, 1.1, 1, 0.9),
            metal=float(rng.uniform(0, 0.3)),
            rough=float(rng.uniform(0.4, 0.8)),
            mottled=0.2,
        )
    if fill == "dark":
        return Skin(colour=tone(0.008, 0.03), metal=0.0, rough=float(rng.uniform(0.4, 0.9)))
    if fill == "as bright":
        return Skin(colour=None, metal=1.0, rough=float(rng.uniform(0.2, 0.4)), grain=float(rng.uniform(0, 0.3)))
    if fill == "bright":
        return Skin(colour=np.clip(grey * tone(1.15, 1.8), 0.1, 0.85), metal=1.0, rough=float(rng.uniform(0.15, 0.4)))
    if fill == "brighter":
        return Skin(colour=np.clip(grey * tone(1.1, 1.8), 0.1, 0.85), metal=1.0, rough=float(rng.uniform(0.25, 0.5)), grain=0.4)
    if fill == "ground":
        return Skin(colour=own, metal=1.0, rough=float(rng.uniform(0.2, 0.4)), ground=True)
    if fill == "rough":
        return Skin(colour=own if rng.random() < 0.6 else None, metal=float(rng.uniform(0.5, 1)), rough=0.5, grain=0.4)
    glossy = float(rng.uniform(0.1, 0.4) if rng.random() < 0.6 else rng.uniform(0.4, 0.8))
    colour = {
        "grey": tone(0.1, 0.38), "brown": tone(0.05, 0.2, 1.3, 1, 0.7), "green": tone(0.04, 0.14, 0.85, 1, 0.85)
    }.get(fill, tone(0.015, 0.09, 1, 0.97, 0.92))  # fmt: skip
    return Skin(colour=colour, metal=0.0, rough=glossy, mottled=float(rng.uniform(0.05, 0.4)))


def add(rng: np.random.Generator, made: End, form: str) -> bool:
    """Work one feature into the end, or a group of pores; False where it finds no room."""
    low, high = made.face.min(axis=0), made.face.max(axis=0)
    spot = rng.uniform(low + 0.08 * (high - low), high - 0.08 * (high - low))
    fill = str(rng.choice(FILLS["pore" if form == "cluster" else form]))
    if form != "cluster":
        return _add(rng, made, form, fill, _outline(rng, made, form, spot))
    size, row, found = float(np.exp(rng.uniform(np.log(0.4), np.log(1.3)))), rng.random() < 0.4, 0
    for k in range(int(rng.integers(3, 9))):
        at = spot + (np.array([2.5 * k * size, rng.normal(0, 0.2)]) if row else rng.normal(0, 2 * size, 2))
        found += _add(rng, made, "pore", fill, at + _disc(rng, size * rng.uniform(0.6, 1.5)))
    return found > 0


def _add(rng: np.random.Generator, made: End, form: str, fill: str, outline: np.ndarray) -> bool:
    border = np.abs(made.face[:, None] - outline[None]).max(axis=2).min()
    if form not in AT_BORDER and (border < 0.4 or not outlines.holds(made.face, outline).all()):
        return False
    if any(np.linalg.norm(outline[:, None] - one["outline"][None], axis=2).min() < 0.5 for one in made.features):
        return False
    if any(
        outlines.holds(one["outline"], outline[:1])[0] or outlines.holds(outline, one["outline"][:1])[0]
        for one in made.features
    ):
        return False
    low, high = outline.min(axis=0), outline.max(axis=0)
    index = np.nonzero((made.x >= low[0]) & (made.x <= high[0]) & (made.y >= low[1]) & (made.y <= high[1]))
    points = np.column_stack([made.x[index], made.y[index]])
    within = outlines.holds(outline, points)
    index, points = tuple(part[within] for part in index), points[within]
    if len(points) < 12:
        return False
    gap = outlines.gaps(outline, points)
    deepest, level = max(float(gap.max()), 0.1), float(np.median(made.height[index]))
    away = made.height[index] - level
    if form in ("pore", "elongated"):
        bowl = np.sqrt(np.clip(1 - (1 - gap / deepest) ** 2, 0, 1))
        made.height[index] -= rng.uniform(0.4, 1.5) * deepest * bowl + 0.7 * away * np.minimum(gap / 0.15, 1)
    elif form == "slag" or fill == "slag":
        lump = rng.uniform(-0.3, 0.25) * np.minimum(gap / 0.25, 1) + rng.uniform(0.005, 0.05) * made.cloud[index]
        made.height[index] += (lump - 0.8 * away) * np.minimum(gap / 0.12, 1)
    elif form == "fisheye":
        middle = outline.mean(axis=0)
        turn, far = np.arctan2(*(points - middle).T), np.linalg.norm(points - middle, axis=1)
        rays = rng.uniform(0.0, 0.03) * np.sin(turn * int(rng.integers(15, 40))) * np.minimum(far / 0.5, 1)
        made.height[index] += (rays - rng.uniform(0.5, 0.95) * away) * np.minimum(gap / 0.2, 1)
    else:
        kept = rng.uniform(0.3, 0.7) if fill == "rough" else rng.uniform(0.0, 0.15)
        land = rng.uniform(-0.3, 0.15) + (kept - 1) * away + rng.uniform(0, 0.01) * made.cloud[index]
        made.height[index] += land * np.minimum(gap / rng.uniform(0.08, 0.25), 1)
    _cover(rng, made, skin(rng, fill, made.grey), index, points, gap)
    if form == "fisheye" and rng.random() < 0.8:
        heart = np.linalg.norm(points - outline.mean(axis=0), axis=1) < min(0.3 * deepest, rng.uniform(0.1, 0.4))
        made.height[index] -= 0.25 * heart
        made.colour[index] *= np.where(heart, rng.uniform(0.1, 0.6), 1)[:, None]
    made.features.append({"kind": KINDS[form], "form": form, "fill": fill, "outline": outline, "depth": deepest})
    return True


def _cover(rng: np.random.Generator, made: End, with_what: Skin, index, points: np.ndarray, gap: np.ndarray) -> None:
    """Lay a skin over the places of an index; to its border it may thin out."""
    hides = np.clip(gap / rng.uniform(0.02, 0.12), 0.3, 1)
    mottled = np.clip(1 + with_what.mottled * made.cloud[index], 0.3, 2)
    if with_what.ground:
        turn, period = rng.uniform(0, np.pi), rng.uniform(0.2, 0.6)
        across = np.cos(turn) * points[:, 0] + np.sin(turn) * points[:, 1]
        lines = np.sin(2 * np.pi * across / period) * (1 + 0.4 * made.cloud[index])
        made.height[index] += rng.uniform(0.002, 0.012) * lines
        mottled = mottled * (1 + 0.08 * lines)
    if with_what.colour is not None:
        colour = np.clip(with_what.colour * mottled[:, None], 0.004, 0.9)
        made.colour[index] += hides[:, None] * (colour - made.colour[index])
        made.metal[index] += hides * (with_what.metal - made.metal[index])
    made.rough[index] += hides * (with_what.rough - made.rough[index])
    made.grain[index] *= with_what.grain


# ------------------------------------------------------------------ outlines


def _disc(rng: np.random.Generator, size: float, uneven: float = 0.04) -> np.ndarray:
    at = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    radius = 0.5 * size * np.clip(1 + uneven * outlines.wavy(rng, 90, 5), 0.5, 1.6)
    return np.column_stack([radius * np.cos(at), radius * np.sin(at)])


def _outline(rng: np.random.Generator, made: End, form: str, spot: np.ndarray) -> np.ndarray:
    """An outline (N, 2) in mm."""

    def size(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    if form in AT_BORDER:
        low, high = made.face.min(axis=0), made.face.max(axis=0)
        length, deep = size(2.0, 14), size(0.4, 2.5)
        middle = rng.uniform(min(low[0] + length / 2 + 1, 0), max(high[0] - length / 2 - 1, 0))
        x, t = np.linspace(middle - length / 2, middle + length / 2, 90), np.linspace(0, 1, 90)
        foot = np.interp(x, *(made.low if form == "root" else made.high))
        rise = deep * (4 * t * (1 - t)) ** rng.uniform(0.15, 0.6) * np.clip(1 + 0.2 * outlines.wavy(rng, 90, 9), 0.4, 1.6)
        top = foot + (rise if form == "root" else -rise)
        return np.concatenate([np.column_stack([x, foot]), np.column_stack([x, top])[::-1][1:-1]])
    at = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    if form == "pore":
        return spot + _disc(rng, size(0.4, 3.5))
    if form == "fisheye":
        return spot + _disc(rng, size(1.2, 6.0), 0.06)
    if form == "patch":
        return spot + turned(_disc(rng, 1.0, 0.15) * [size(1.5, 9), size(1.0, 4)], rng.normal(0, 0.4))
    if form == "slag":
        corners = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(6, 14))))
        radius = np.interp(at, corners, rng.uniform(0.6, 1.2, len(corners)), period=2 * np.pi)
        long = size(0.5, 6)
        ring = np.column_stack([0.5 * long * radius * np.cos(at), 0.5 * long * size(0.15, 1.0) * radius * np.sin(at)])
        return spot + turned(ring, rng.normal(0, 0.4))
    way = rng.normal(0, 0.15) if form == "line" or rng.random() < 0.4 else rng.uniform(0, np.pi)
    long = size(1.5, 12) if form == "line" else size(1.2, 8)
    wide = min(size(0.25, 1.1), 0.3 * long) if form == "line" else min(size(0.35, 1.5), 0.4 * long)
    t = (1 - np.cos(np.linspace(0, np.pi, 70))) / 2
    uneven = (0.25, 14) if form == "line" else (0.05, 6)
    half = 0.5 * wide * (4 * t * (1 - t)) ** 0.4 * np.clip(1 + uneven[0] * outlines.wavy(rng, 140, uneven[1])[:70], 0.4, 1.7)
    u, bow = long * (t - 0.5), size(0.02, 0.4) * wide * outlines.wavy(rng, 140, 4)[:70]
    return spot + turned(np.concatenate([np.column_stack([u, bow + half])[:-1], np.column_stack([u, bow - half])[:0:-1]]), way)


def turned(points: np.ndarray, turn: float) -> np.ndarray:
    """Points (N, 2) turned by an angle, radians."""
    cos, sin = np.cos(turn), np.sin(turn)
    return points @ np.array([[cos, sin], [-sin, cos]])
