"""Named groups of finishes and lights, each with its own spread: whole groups can be held out of training and tuning."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from specimeter.scene.describe import Broken, Camera, Finish, Lamp, Light, Specimen

STEEL = (0.56, 0.555, 0.55)
# diffuse share, gloss along, gloss across, relief of the lay, widths of its streaks in mm, mill scale, rust, tint
FINISHES: dict[str, dict[str, Any]] = {
    "ground-fine": {"diffuse": 0.22, "along": 0.12, "across": 0.3, "streak": 0.09, "sizes": (0.03, 0.08, 0.4)},
    "ground-coarse": {"diffuse": 0.22, "along": 0.14, "across": 0.36, "streak": 0.2, "sizes": (0.06, 0.2, 0.8)},
    "brushed": {"diffuse": 0.15, "along": 0.10, "across": 0.34, "streak": 0.13, "sizes": (0.03, 0.12, 1.5)},
    "linished": {"diffuse": 0.2, "along": 0.16, "across": 0.38, "streak": 0.16, "sizes": (0.05, 0.1, 0.25)},
    "machined": {"diffuse": 0.12, "along": 0.09, "across": 0.26, "streak": 0.14, "sizes": (0.15, 0.3)},
    "polished": {"diffuse": 0.07, "along": 0.10, "across": 0.16, "streak": 0.035, "sizes": (0.03, 0.06)},
    "filed": {"diffuse": 0.2, "along": 0.14, "across": 0.3, "streak": 0.24, "sizes": (0.1, 0.5)},
    "blasted": {"diffuse": 0.5, "along": 0.42, "across": 0.42, "streak": 0.0, "sizes": (0.1,), "peel": 0.22},
    "as-rolled": {"diffuse": 0.3, "along": 0.34, "across": 0.36, "streak": 0.06, "sizes": (0.15, 0.8), "scale": 0.7},
    "scale-patches": {"diffuse": 0.22, "along": 0.16, "across": 0.34, "streak": 0.14, "sizes": (0.05, 0.2), "scale": 0.25},
    "light-rust": {"diffuse": 0.28, "along": 0.22, "across": 0.36, "streak": 0.12, "sizes": (0.05, 0.3), "rust": 0.8},
    "heat-tinted": {"diffuse": 0.16, "along": 0.13, "across": 0.3, "streak": 0.1, "sizes": (0.04, 0.15), "tint": 0.5},
}


def finish(rng: np.random.Generator, name: str, seed: int) -> Finish:
    """One finish of a group."""
    base = FINISHES[name]

    def vary(key: str, spread: float = 0.25) -> float:
        return float(base[key] * np.exp(rng.normal(0, spread)))

    lay = float(rng.choice([0.0, 0.0, 0.0, 90.0, rng.uniform(0, 180)]) + rng.normal(0, 4))  # mostly along the bar, as asked
    warm = rng.normal(0, 0.015)
    level = rng.uniform(0.85, 1.1)
    return Finish(
        name=name,
        colour=(STEEL[0] * level * (1 + warm), STEEL[1] * level, STEEL[2] * level * (1 - warm)),
        diffuse=vary("diffuse"),
        gloss_along=vary("along"),
        gloss_across=vary("across", 0.15),
        lay_deg=lay,
        streak=vary("streak", 0.35),
        streak_mm=tuple(float(v * np.exp(rng.normal(0, 0.2))) for v in base["sizes"]),
        scale=float(np.clip(base.get("scale", 0.0) * rng.uniform(0.4, 1.3), 0, 0.97)),
        rust=float(base.get("rust", 0.0) * rng.uniform(0.5, 1.2) or (rng.random() < 0.12) * rng.uniform(0.1, 0.4)),
        tint=float(base.get("tint", 0.0) * rng.uniform(0.5, 1.3)),
        peel=float(base.get("peel", 0.0) + rng.choice([0.0, 0.04, 0.08, 0.16]) * rng.uniform(0.5, 1.3)),
        peel_mm=float(rng.uniform(0.2, 0.6)),
        seed=seed,
    )


# elevation in degrees, distance mm, radius mm of each lamp; ambient share; colour temperature-like warmth
LIGHTS: dict[str, dict[str, Any]] = {
    "window": {"lamps": [((15, 45), (900, 1600), (300, 600), 1.0)], "ambient": (0.35, 0.8), "warm": (-0.12, 0.02)},
    "ceiling": {"lamps": [((55, 85), (1300, 2000), (120, 400), 1.0)], "ambient": (0.3, 0.7), "warm": (-0.03, 0.08)},
    "desk-lamp": {"lamps": [((30, 65), (280, 550), (30, 70), 1.0)], "ambient": (0.1, 0.35), "warm": (0.02, 0.22)},
    "two-lamps": {
        "lamps": [((25, 60), (300, 600), (30, 90), 1.0), ((20, 55), (300, 600), (30, 90), 0.7)],
        "ambient": (0.1, 0.4),
        "warm": (-0.05, 0.12),
    },
    "low-lamp": {"lamps": [((12, 28), (300, 700), (20, 50), 1.2)], "ambient": (0.15, 0.4), "warm": (-0.02, 0.12)},
    "window-and-lamp": {
        "lamps": [((15, 40), (900, 1500), (300, 500), 0.6), ((40, 75), (400, 900), (30, 80), 0.7)],
        "ambient": (0.25, 0.5),
        "warm": (-0.08, 0.1),
    },
    "ring": {"ring": True, "ambient": (0.15, 0.4), "warm": (-0.06, 0.03)},
    "flash": {"flash": True, "ambient": (0.15, 0.5), "warm": (-0.05, 0.05)},
    "overcast": {"lamps": [((50, 85), (1500, 2500), (900, 1400), 0.6)], "ambient": (0.8, 1.2), "warm": (-0.1, 0.0)},
}


def _at(place_mm: np.ndarray) -> tuple[float, float, float]:
    x, y, z = place_mm
    return float(x), float(y), float(z)


def light(rng: np.random.Generator, name: str, specimen: Specimen | Broken, camera: Camera) -> Light:
    """One light of a group, placed around the specimen."""
    base = LIGHTS[name]
    crown = np.array([0.0, 0.0, -specimen.crown_height_mm])
    warm = float(rng.uniform(*base["warm"]))
    colour = (1 + warm, 1.0, 1 - 1.3 * warm)
    lamps = []
    for elevation, distance, radius, power in base.get("lamps", ()):
        up, around = np.radians(rng.uniform(*elevation)), rng.uniform(0, 2 * np.pi)
        away = rng.uniform(*distance)
        place = crown + away * np.array([np.cos(up) * np.cos(around), np.cos(up) * np.sin(around), -np.sin(up)])
        lamps.append(
            Lamp(
                place_mm=_at(place),
                radius_mm=float(rng.uniform(*radius)),
                power=float(power * rng.uniform(0.8, 1.2)),
                colour=colour,
            )
        )
    if base.get("ring"):
        reach = rng.uniform(45, 80)
        for around in np.arange(6) * np.pi / 3 + rng.uniform(0, 1):
            offset = reach * (np.cos(around) * camera.rotation[0] + np.sin(around) * camera.rotation[1])
            lamps.append(Lamp(place_mm=_at(camera.eye_mm + offset), radius_mm=0.45 * float(reach), power=0.17, colour=colour))
    if base.get("flash"):
        offset = rng.uniform(12, 25) * camera.rotation[0] + rng.normal(0, 8) * camera.rotation[1]
        lamps.append(Lamp(place_mm=_at(camera.eye_mm + offset), radius_mm=5.0, power=0.8, colour=colour))
    room = float(rng.normal(0, 0.05))
    if rng.random() < 0.15:  # somebody's or something's shadow crosses the scene
        reach = 0.8 * specimen.radius_mm
        edge = (float(rng.uniform(0, 360)), float(rng.uniform(-reach, reach)), float(10 ** rng.uniform(-0.3, 1.0)))
        lamps[0] = replace(lamps[0], edge=edge)
    return Light(
        name=name, lamps=tuple(lamps), ambient=float(rng.uniform(*base["ambient"])), ambient_colour=(1 + room, 1.0, 1 - room)
    )
