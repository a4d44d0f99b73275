"""Openings of bends: their outlines on the developed face, the room that they take out of the bar, and what they hold."""

from __future__ import annotations

from dataclasses import dataclass

import materials
import numpy as np
import outlines

ABOVE_MM = 0.4  # how far a cutter stands out of the face
CRACK = 10.0  # what is that many times as long as it is wide in the mean is called a crack, anything else an opening
FORMS = {  # and how often each is drawn
    "tear": 4, "lens": 3, "cavity": 3, "fusion-line": 3, "slit": 3, "corner-tear": 4, "hairline": 4, "stepped": 3, "bridged": 2,
    "pore": 3, "pocket": 2, "short-slit": 4,
}  # fmt: skip
FILLS = {"oxide": 0.38, "torn": 0.2, "slag": 0.12, "bright": 0.12, "rust": 0.08, "full": 0.1}


@dataclass(frozen=True, kw_only=True)
class Hole:
    """An opening: its outline (N, 2) in developed mm, how deep, how its walls close in, how high its lip stands."""

    form: str
    fill: str
    outline: np.ndarray
    depth: float
    floor: float  # width of the floor over that of the mouth
    lip_mm: float

    def cutter(self, bar, rng: np.random.Generator):
        """The room that it takes."""
        layers, count = [], len(self.outline)
        middle = self.outline.mean(axis=0)
        offset = self.outline - middle
        long = np.linalg.svd(offset, full_matrices=False)[2][0]
        along = offset @ long
        for share, width, length in (
            (0.0, 1.0, 1.0),
            (0.35, 0.5 + 0.5 * self.floor, 0.97),
            (0.8, self.floor, 0.9),
            (1.0, 0.6 * self.floor, 0.75),
        ):
            drawn = middle + (length * along)[:, None] * long + width * (offset - along[:, None] * long)
            layers.append((drawn, share * self.depth))
        layers = [(self.outline, -ABOVE_MM), *layers]
        vertices = np.concatenate([bar.place(ring, depth) for ring, depth in layers])
        j = np.arange(count)
        sides = [
            np.column_stack(
                [k * count + j, k * count + (j + 1) % count, (k + 1) * count + (j + 1) % count, (k + 1) * count + j]
            )
            for k in range(len(layers) - 1)
        ]
        faces = [
            *np.concatenate(sides).tolist(),
            list(range(count))[::-1],
            list(range((len(layers) - 1) * count, len(layers) * count)),
        ]
        developed = np.concatenate([ring for ring, _ in layers])
        return materials.mesh("cutter", vertices, faces, within(f"wall {self.form}", rng, self.fill), developed)

    def truth(self, ring: np.ndarray, half_width: float) -> dict:
        """Its sizes, of the part (N, 2) of its outline that lies on the face; a crack by how slender it is, as it is seen."""
        length, area = outlines.extent_mm(ring), outlines.area_mm2(ring)
        return {
            "kind": "crack" if length**2 >= CRACK * area else "opening",
            "form": self.form,
            "fill": self.fill,
            "outline_mm": ring.round(5).tolist(),
            "length_mm": length,
            "width_mm": outlines.width_mm(ring),
            "area_mm2": area,
            "depth_mm": self.depth,
            "at_corner": bool(np.abs(ring[:, 1]).max() > half_width - 1e-6),
        }


def within(name: str, rng: np.random.Generator, fill: str):
    """What the walls are of: beside `materials.hollow`'s fills `bright` metal, `rust`, and `full` of pale, dull scale."""
    if fill in ("oxide", "torn", "slag"):
        return materials.hollow(name, rng, fill)
    tone = {"bright": rng.uniform(0.4, 0.7), "rust": rng.uniform(0.5, 1.2), "full": rng.uniform(0.06, 0.35)}[fill]
    hue = {"bright": (1.0, 1.0, 1.0), "rust": (0.25, 0.1, 0.04), "full": (1.0, 0.97, 0.92)}[fill]
    held, shader = materials.material(
        name,
        Base_Color=tuple(tone * np.array(hue)),
        Metallic=float(fill == "bright"),
        Roughness=float({"bright": rng.uniform(0.25, 0.6), "rust": 0.9, "full": rng.uniform(0.4, 0.9)}[fill]),
    )
    tree = held.node_tree
    at = materials.node(tree, "ShaderNodeTexCoord").outputs["Object"]
    rough = materials.node(tree, "ShaderNodeTexNoise", {"Vector": at, "Scale": float(rng.uniform(2, 8)), "Detail": 3.0})
    materials.bumped(tree, shader, rough.outputs[0], float(rng.uniform(0.03, 0.2)))
    return held


def ribbon(
    rng: np.random.Generator, length: float, width: float, ragged: float, blunt: float, *, kinks: int = 0, necks: int = 0
) -> np.ndarray:
    """A long outline about the origin, tips at u = ± length / 2, within 0.05 mm from point to point.

    `blunt`: how soon it is wide beyond its tips (small: soon); `kinks` of its middle line; `necks` where it is all but shut.
    """
    count = int(np.clip(length / 0.05, 40, 220))
    t = (1 - np.cos(np.linspace(0, np.pi, count))) / 2
    profile = (4 * t * (1 - t)) ** blunt
    wave = [outlines.wavy(rng, 2 * count, max(4, int(length / max(width, 0.3)))) for _ in range(2)]
    middle = ragged * width * profile * wave[0][:count] + 0.05 * length * rng.normal() * 4 * t * (1 - t)
    if kinks:
        at = np.sort(rng.uniform(0, 1, kinks))
        step = np.concatenate([[0], np.cumsum(rng.normal(0, 0.06, kinks + 1))]) * length
        middle = middle + np.interp(t, np.concatenate([[0], at, [1]]), step)
    half = 0.5 * width * profile * np.clip(1 + 0.4 * ragged * wave[1][:count], 0.4, 1.8)
    for _ in range(necks):
        shut = np.exp(-(((t - rng.uniform(0.2, 0.8)) * length / rng.uniform(0.05, 0.3)) ** 4))
        half = half * (1 - 0.9 * shut) + 0.004 * shut
    half = np.maximum(half, 0.003 * np.minimum(1, 40 * t * (1 - t)))
    u = length * (t - 0.5)
    return np.concatenate([np.column_stack([u, middle + half])[:-1], np.column_stack([u, middle - half])[:0:-1]])


def round_one(rng: np.random.Generator, length: float, ragged: float) -> np.ndarray:
    """A pore or a pocket about the origin."""
    count = 90
    at = np.linspace(0, 2 * np.pi, count, endpoint=False)
    radius = 0.5 * length * np.clip(1 + ragged * outlines.wavy(rng, count, 5), 0.4, 1.6)
    return np.column_stack([radius * np.cos(at), radius * rng.uniform(0.6, 1) * np.sin(at)])


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def hole(rng: np.random.Generator, bar, weld_half: float, reach: float) -> Hole:
    """One opening somewhere on the face."""
    form = str(rng.choice(list(FORMS), p=np.array(list(FORMS.values())) / sum(FORMS.values())))
    length = log_uniform(rng, 0.6, 7.0)
    width = length * log_uniform(rng, 0.06, 0.4)
    turn = np.pi / 2 + rng.normal(0, 0.3)
    blunt = float(rng.uniform(0.35, 1.2))  # from blunt tips to faint ones
    fill = str(rng.choice(list(FILLS), p=list(FILLS.values())))
    if form in ("cavity", "pore", "pocket"):
        low, high = {"cavity": (0.5, 2.5), "pore": (0.25, 1.0), "pocket": (0.6, 3.0)}[form]
        length = log_uniform(rng, low, high)
        width, fill = 0.7 * length, "slag" if form == "pocket" and rng.random() < 0.6 else fill
        outline = round_one(rng, length, {"cavity": 0.07, "pore": 0.03, "pocket": 0.2}[form])
    elif form in ("slit", "stepped", "bridged"):
        length, width = max(length, 1.5), log_uniform(rng, 0.08, 0.3)
        kinks, necks = (
            (int(rng.integers(2, 6)) if form == "stepped" else 0),
            (int(rng.integers(1, 4)) if form == "bridged" else 0),
        )
        outline = ribbon(rng, length, width, float(rng.uniform(0.2, 1.2)), blunt, kinks=kinks, necks=necks)
    elif form == "hairline":
        length, width = max(length, 1.0), log_uniform(rng, 0.03, 0.12)
        outline = ribbon(rng, length, width, float(rng.uniform(0.2, 1.5)), blunt, kinks=int(rng.integers(0, 5)))
    elif form == "short-slit":
        length, width, turn = log_uniform(rng, 0.5, 1.8), log_uniform(rng, 0.05, 0.2), np.pi / 2 + rng.normal(0, 0.6)
        outline = ribbon(rng, length, width, 0.4, blunt)
    elif form == "fusion-line":
        length, width, turn = max(length, 2.0), log_uniform(rng, 0.08, 0.6), np.pi / 2 + rng.normal(0, 0.06)
        outline = ribbon(rng, length, width, 0.3, blunt, necks=int(rng.integers(0, 2)))
    elif form == "corner-tear":
        length, width = log_uniform(rng, 1.2, 5), log_uniform(rng, 0.12, 1.0)
        outline = ribbon(rng, length, width, 0.5, blunt)
    else:
        outline = ribbon(rng, length, width, 0.1 if form == "lens" else float(rng.uniform(0.2, 0.8)), blunt)
    cos, sin = np.cos(turn), np.sin(turn)
    outline = outline @ np.array([[cos, sin], [-sin, cos]])
    s = float(rng.uniform(-0.8, 0.8) * reach)
    a = float(rng.uniform(-1, 1) * max(bar.width / 2 - bar.corner - length / 2 - 0.8, 1.0))
    if form == "fusion-line":
        s = float(rng.choice([-1, 1])) * weld_half
    elif form == "corner-tear":
        a = float(rng.choice([-1, 1])) * bar.width / 2
    shallow = {"full": (0.1, 0.5), "bright": (0.15, 0.8)}.get(fill, (0.6, 3.0))
    deep = float(
        np.clip(rng.uniform(*shallow) * min(width, length), 0.04 if fill in ("full", "bright") else 0.2, 0.5 * bar.thickness)
    )
    floor = float(rng.uniform(0.7, 0.95) if fill in ("full", "bright") else rng.uniform(0.25, 0.9))
    lip = float(rng.uniform(0.1, 0.5) * np.clip(width, 0.05, 0.5)) if rng.random() < 0.4 else 0.0
    return Hole(form=form, fill=fill, outline=outline + np.array([s, a]), depth=deep, floor=floor, lip_mm=lip)


def apart(holes: list[Hole], new: Hole, least_mm: float) -> bool:
    """Whether a new one keeps its distance from those that are there."""
    for old in holes:
        low = np.maximum(new.outline.min(axis=0), old.outline.min(axis=0)) - least_mm
        high = np.minimum(new.outline.max(axis=0), old.outline.max(axis=0)) + least_mm
        if (low > high).any():
            continue
        if np.linalg.norm(new.outline[:, None] - old.outline[None], axis=2).min() <= least_mm:
            return False
        if outlines.holds(new.outline, old.outline[:1]).any() or outlines.holds(old.outline, new.outline[:1]).any():
            return False
    return True


def clipped(outline: np.ndarray, half: float) -> np.ndarray:
    """The part of an outline within |a| <= half (Sutherland and Hodgman 1974)."""
    for side in (1, -1):
        kept = []
        for one, two in zip(outline, np.roll(outline, -1, axis=0), strict=True):
            inner = [side * point[1] <= half for point in (one, two)]
            if inner[0]:
                kept.append(one)
            if inner[0] != inner[1]:
                kept.append(one + (two - one) * (side * half - one[1]) / (two[1] - one[1]))
        outline = np.array(kept).reshape(-1, 2)
    return outline
