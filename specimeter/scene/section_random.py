"""Random sections: butt and fillet welds cut, ground, etched or not, bare on a bench or in resin, beside a card or a rule."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from specimeter.scene import card as cards
from specimeter.scene import fracture_lot, geometry, groups, rule_random, shapes
from specimeter.scene.describe import Bench, Cut, Imaging, Mark, Opening, Scene
from specimeter.scene.fracture_random import ImagingLot, Lens, camera_over, card_beside, in_clear_view
from specimeter.scene.section import Section
from specimeter.scene.section_joint import Joint, butt, fillet
from specimeter.scene.section_truth import gauge_points_mm

TESTS = ("macro-fillet", "macro-butt")
# level, diffuse, rough, grinding marks' widths mm, their slope, saw marks' slope
CUTS = {
    "polished": (0.55, 0.16, 0.16, (0.02, 0.05), 0.02, 0.0),
    "ground-fine": (0.5, 0.22, 0.26, (0.03, 0.1), 0.06, 0.0),
    "ground-coarse": (0.48, 0.25, 0.32, (0.06, 0.25), 0.09, 0.02),
    "sawn": (0.46, 0.25, 0.3, (0.08, 0.3), 0.06, 0.12),
    "milled": (0.5, 0.18, 0.22, (0.15, 0.4), 0.08, 0.0),
}
ETCHES = ("none", "weak", "fair", "fair", "strong", "half")
RESINS = (
    (0.02, 0.02, 0.022),
    (0.015, 0.05, 0.03),
    (0.16, 0.05, 0.03),
    (0.35, 0.33, 0.28),
    (0.55, 0.54, 0.5),
    (0.05, 0.08, 0.2),
)
TINTS = ((1.0, 1.0, 1.0), (1.0, 0.85, 0.62), (0.8, 0.9, 1.0), (1.0, 0.92, 0.8))
NEAREST_MM = 90.0
FEATURES = ("pore", "pore", "slag", "crack", "sidewall", "inter-run", "root")


def section_scene(
    seed: int,
    rngs: Sequence[np.random.Generator],
    names: dict[str, str],
    camera_kinds: Mapping[str, Lens],
    imaging: ImagingLot,
    options: dict[str, Any],
) -> Scene:
    """One scene; the arguments are those of `fracture_random.broken_scene`."""
    more = np.random.default_rng([seed, 77])  # what came later is drawn apart, so that all else stays as it was
    specimen = _specimen(rngs[6], names["test"], more)
    place = options["height"] or ("level", "level", "level", "block", "unknown")[int(rngs[7].integers(5))]
    card_seed, camera_seed = (int(rngs[k].integers(1 << 62)) for k in (7, 8))
    kind = "strip" if names["card"] == "rule" else names["card"]
    focal, nearest = camera_kinds[names["camera"]]
    close = (focal, min(nearest, NEAREST_MM))  # sections are small: who photographs one goes near
    if kind == "none" and options["mm_per_px"] is None:
        fill = float(rngs[9].uniform(0.6, 0.9))  # of the picture
        options = {**options, "mm_per_px": float(np.ptp(specimen.body_mm, axis=0).max() / (fill * options["width_px"] * 0.75))}
    for gap in np.arange(0.0, 60.0, 4.0):
        placed = card_beside(np.random.default_rng(card_seed), kind, specimen, place, gap)
        view = camera_over(np.random.default_rng(camera_seed), names["camera"], close, specimen, placed, options)
        if in_clear_view(specimen, placed, view):
            break
    cut = _cut(rngs[1], names["finish"], more)
    chosen = [] if options["clean"] else _features(rngs[10], specimen, options["openings"])
    if options["marks"] and more.random() < 0.2:
        chosen += _laminations(more, specimen, chosen)
    spots = [m for m in fracture_lot.marks(rngs[0], specimen, chosen) if m.kind != "ink"] if options["marks"] else []
    if names["card"] == "none":
        points = gauge_points_mm(specimen)
        spots = [Mark(kind="punch", lines_mm=tuple(points[:, None]), size_mm=0.4, strength=0.25, seed=seed), *spots]
    drawn = None
    if names["card"] == "rule":
        placed, drawn = rule_random.laid(seed, placed)
    r = rngs[12]
    u_height = round(float(r.uniform(0.2, 0.8)), 1)
    true_height = specimen.crown_height_mm + placed.origin_mm[2] if placed.kind != "none" else 0.0
    known = None if place == "unknown" and placed.kind != "none" else true_height + float(r.normal(0, u_height / 2))
    printed = None
    if placed.shrink != (1.0, 1.0) and drawn is None:
        printed = cards.SIZE_MM[placed.kind][0] * placed.shrink[0] + float(r.normal(0, 0.03))
    distance = float(np.linalg.norm(view.eye_mm - geometry.crown(specimen)))
    return Scene(
        seed=seed,
        id=f"SC-{seed:06d}",
        specimen=specimen,
        finish=cut,
        weld=None,
        light=groups.light(rngs[2], names["light"], specimen, view),
        bench=Bench(name=names["bench"], clutter=int(rngs[3].integers(0, 9)), seed=int(rngs[3].integers(1 << 31))),
        card=placed,
        rule=drawn,
        camera=view,
        imaging=_in_focus(imaging(rngs[4], view, specimen, options["ideal"]), rngs[4]),
        openings=tuple(chosen),
        marks=tuple(spots),
        width_calliper_mm=float(np.ptp(specimen.face_mm[:, 0])) + float(r.normal(0, 0.05)),
        parent_thickness_mm=specimen.joint.thickness,
        printed_length_mm=printed,
        surface_height_mm=known,
        surface_height_U_mm=u_height,
        camera_distance_mm=round(distance * float(r.normal(1, 0.02))) if r.random() < 0.3 else None,
        groups={**names, "height": place, "joint": specimen.joint.kind, "mount": specimen.mount, "etch": cut.name.split()[-1]},
    )


def _in_focus(imaging: Imaging, rng: np.random.Generator) -> Imaging:
    """Who photographs a section focuses on it."""
    return imaging if imaging.off else replace(imaging, focus_height_mm=float(rng.normal(0, 0.8)))


def _specimen(rng: np.random.Generator, test: str, more: np.random.Generator) -> Section:
    fillets, butts = ("tee", "tee", "lap", "corner"), ("v", "v", "double-v", "square")
    kind = str(rng.choice(fillets if test == "macro-fillet" else butts))
    count = int(rng.choice([0, 0, 1, 2]))
    over = (float(more.uniform(0.4, 1.6)), float(more.uniform(12, 50))) if more.random() < 0.12 else None
    joint = (fillet if test == "macro-fillet" else butt)(rng, kind, undercuts=count, overlap=over)
    metal = _worn(rng, joint)
    mount = "resin" if rng.random() < 0.45 else "bare"
    drawn = metal * [1.0, -1.0]
    shift = -(drawn.min(0) + drawn.max(0)) / 2
    face = (drawn + shift)[::-1]
    body = face
    if mount == "resin":
        half = np.ptp(face, axis=0) / 2
        if rng.random() < 0.5 and half.max() < 32:
            radius = float(np.hypot(*face.T).max() + rng.uniform(2, 6))
            angle = np.linspace(0, 2 * np.pi, 400, endpoint=False)
            body = radius * np.column_stack([np.cos(angle), np.sin(angle)])
        else:
            corner = float(rng.uniform(1, 5))
            body = _rounded(half + rng.uniform(3, 9, 2) + 0.3 * corner, corner)
    joint.metal = metal
    turn = float(rng.choice([-90.0, -90.0, -90.0, 0.0, 90.0, rng.uniform(-180, 180)]) + rng.normal(0, 4))
    size = np.ptp(body, axis=0)
    return Section(
        test=test,
        thickness_mm=float(size[0]),
        width_mm=float(size[1]),
        body_mm=body,
        face_mm=face,
        crown_height_mm=float(rng.uniform(6, 30)),
        axis_angle_deg=turn,
        joint=joint,
        shift_mm=shift,
        mount=mount,
        resin=_shade(RESINS[int(rng.integers(len(RESINS)))], rng.uniform(0.7, 1.4)),
        gap_mm=float(rng.choice([0.03, 0.08, 0.2, 0.35]) if more.random() < 0.9 else more.uniform(0.4, 1.2)),
        shrunk_mm=float(more.choice([0.0, more.uniform(0.02, 0.12)])),
    )


def _shade(colour: tuple[float, float, float], level: float) -> tuple[float, float, float]:
    red, green, blue = np.array(colour) * level
    return float(red), float(green), float(blue)


def _rounded(half: np.ndarray, corner: float) -> np.ndarray:
    angle = np.linspace(0, np.pi / 2, 24)
    quarter = corner * np.column_stack([np.cos(angle), np.sin(angle)])
    inner = half - corner
    turns = [(1, 1, quarter), (-1, 1, quarter[::-1] * [-1, 1]), (-1, -1, -quarter), (1, -1, quarter[::-1] * [1, -1])]
    return np.concatenate([inner * [sx, sy] + part for sx, sy, part in turns])


def _worn(rng: np.random.Generator, joint: Joint) -> np.ndarray:
    """The metal's outline with its far corners chamfered or broken, and surfaces as a mill and a saw leave them."""
    metal = joint.metal
    step, following = np.hypot(*(np.roll(metal, -1, 0) - metal).T), np.roll(metal, -1, 0)
    before = np.roll(step, 1)
    away = np.min(np.linalg.norm(metal[:, None] - np.concatenate([joint.weld, *joint.others])[None, ::8], axis=2), axis=1)
    points = []
    for k, point in enumerate(metal):
        size = float(rng.choice([0.0, rng.uniform(0.1, 0.4), rng.uniform(0.5, 1.8)], p=[0.3, 0.5, 0.2]))
        if away[k] > 5.5 and min(step[k], before[k]) > 5 and size:
            previous = metal[k - 1]
            points += [point + size * (previous - point) / before[k], point + size * (following[k] - point) / step[k]]
        else:
            points.append(point)
    outline = np.array(points)
    pieces = []
    rough = float(rng.choice([0.004, 0.012, 0.025]))
    weld = np.concatenate([joint.weld, *joint.others])[::6]
    for start, end in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        length = float(np.hypot(*(end - start)))
        count = max(1, int(length / 0.15))
        line = start + (end - start) * (np.arange(count) / count)[:, None]
        if count > 30:
            normal = np.array([end[1] - start[1], start[0] - end[0]]) / length
            clear = np.min(np.linalg.norm(line[:, None] - weld[None], axis=2), axis=1)
            window = (
                np.clip((clear - 0.3) / 1.0, 0, 1)
                * np.clip(np.arange(count) / 8, 0, 1)
                * np.clip((count - np.arange(count)) / 8, 0, 1)
            )
            wave = rough * (0.5 * shapes.smooth_noise(rng, count, 0.25) + 0.9 * shapes.smooth_noise(rng, count, 0.02))
            line = line + (wave * window)[:, None] * normal
        pieces.append(line)
    return np.concatenate(pieces)


def _cut(rng: np.random.Generator, name: str, more: np.random.Generator) -> Cut:
    level, diffuse, rough, widths, lay, saw = CUTS[name]
    etch = str(rng.choice(ETCHES))
    strength = {"none": 0.0, "weak": rng.uniform(0.25, 0.45), "strong": rng.uniform(0.9, 1.1)}.get(
        etch, rng.uniform(0.55, 0.85)
    )
    return Cut(
        name=f"{name} {etch}",
        level=float(level * rng.uniform(0.85, 1.1)),
        warm=float(rng.normal(0, 0.02)),
        diffuse=float(diffuse * np.exp(rng.normal(0, 0.2))),
        rough=float(rough * np.exp(rng.normal(0, 0.15))),
        lay_mm=(float(widths[0] * np.exp(rng.normal(0, 0.2))), float(widths[1] * np.exp(rng.normal(0, 0.2)))),
        lay_deg=float(rng.uniform(0, 180)),
        lay=float(lay * np.exp(rng.normal(0, 0.3))),
        saw=float(saw * rng.uniform(0.5, 1.3)),
        saw_mm=float(rng.uniform(0.3, 1.0)),
        etch=float(strength),
        weld_tone=float(rng.choice([rng.uniform(-0.5, -0.15), rng.uniform(0.08, 0.25)], p=[0.75, 0.25])),
        line=float(rng.uniform(0.15, 0.6)),
        haz_tone=float(rng.choice([-1, -1, 1]) * rng.uniform(0.1, 0.3)),
        haz_mm=float(rng.uniform(0.8, 3.2)),
        columns=float(rng.uniform(0.06, 0.22)),
        column_mm=float(rng.uniform(0.2, 0.7)),
        tint=TINTS[int(rng.integers(len(TINTS)))],
        stain=float(rng.choice([0.0, rng.uniform(0.1, 0.4)])) if etch != "none" else 0.0,
        patchy=float(rng.uniform(0.6, 1.0)) if etch == "half" else 0.0,
        rust=float(rng.uniform(0.2, 0.9)) if rng.random() < 0.15 else 0.0,
        chamfer_mm=float(rng.choice([0.0, rng.uniform(0.03, 0.12)])),
        runs=float(rng.uniform(0.1, 0.5)),
        seed=int(rng.integers(1 << 31)),
        extra={
            "rolling_deg": float(rng.choice([0.0, 90.0])),
            "swab_mm": float(more.uniform(0.9, 1.8)) if etch != "none" and more.random() < 0.15 else 0.0,
            "scale_mm": float(more.uniform(0.01, 0.06)) if more.random() < 0.3 else 0.0,
        },
    )


def _features(rng: np.random.Generator, specimen: Section, count: int | None) -> list[Opening]:
    """Imperfections in the weld metal and along its borders, none near another."""
    count = int(rng.choice([0, 1, 1, 2, 3])) if count is None else count
    kept: list[Opening] = []
    for _ in range(count):
        for _ in range(12):
            one = _feature(rng, specimen, str(rng.choice(FEATURES)))
            if one is None or (shapes.distance_to(specimen.face_mm, one.outline_mm) > -0.6).any():
                continue
            if all(shapes.distance_to(other.outline_mm, one.outline_mm).min() > 0.6 for other in kept):
                kept.append(one)
                break
    return kept


def _laminations(rng: np.random.Generator, specimen: Section, kept: Sequence[Opening]) -> list[Opening]:
    """Flat inclusions in a plate's middle, parallel to its surfaces: dark lines that no weld made."""
    joint = specimen.joint
    found: list[Opening] = []
    low, high = joint.metal.min(0), joint.metal.max(0)
    for _ in range(int(rng.integers(1, 4))):
        length = float(rng.uniform(2.0, 9.0))
        outline = shapes.ribbon(rng, length, float(rng.uniform(0.03, 0.1)), bend=0.01, ragged=0.4)
        place = np.array([rng.uniform(low[0], high[0]), joint.thickness * rng.uniform(0.3, 0.7)])
        outline = shapes.turn(outline, float(rng.normal(0, 0.02)), specimen.developed(place)[0])
        clear = all(
            shapes.distance_to(specimen.developed(p), outline).min() > 0.8 for p in (joint.weld, *joint.others)
        ) and all(shapes.distance_to(one.outline_mm, outline).min() > 0.6 for one in [*kept, *found])
        if clear and (shapes.distance_to(specimen.face_mm, outline) < -0.8).all():
            found.append(replace(_dark(rng, outline, "other"), form="lamination"))
    return found


def _feature(rng: np.random.Generator, specimen: Section, form: str) -> Opening | None:
    joint = specimen.joint
    weld = specimen.developed(joint.weld)
    inside = [p for p in rng.uniform(weld.min(0), weld.max(0), (40, 2)) if shapes.distance_to(weld, p[None])[0] < -0.9]
    if form in ("pore", "slag", "crack"):
        if not inside:
            return None
        centre = inside[0]
        if form == "pore":
            return fracture_lot.pore(rng, centre, float(rng.uniform(0.3, 1.3)), str(rng.choice(["dark", "oxidised"])))
        if form == "slag":
            length = float(rng.uniform(0.5, 2.0))
            outline = shapes.turn(
                fracture_lot.angular(rng, length, length * rng.uniform(0.35, 0.7)), rng.uniform(0, np.pi), centre
            )
            return fracture_lot.make(rng, outline, "slag", "slag", 0.4 * length, "dark")
        outline = shapes.ribbon(rng, float(rng.uniform(0.8, 2.5)), float(rng.uniform(0.05, 0.15)), bend=0.1, ragged=0.3)
        return _dark(rng, shapes.turn(outline, rng.uniform(0, np.pi), centre), "crack")
    if form == "root":
        if not joint.gaps or specimen.test == "macro-butt":
            return None
        start = specimen.developed(joint.gaps[0])[0]
        outline = shapes.ribbon(rng, 0.9, max(specimen.gap_mm, 0.12), ragged=0.2)
        return _dark(rng, shapes.turn(outline, rng.normal(0, 0.05), start + np.array([0.35, 0.0])), "lack-of-root-fusion")
    lines = joint.runs if form == "inter-run" else [joint.weld[-len(joint.weld) // 2 :]]
    if not lines:
        return None
    line = specimen.developed(lines[int(rng.integers(len(lines)))])
    k = int(rng.integers(len(line) // 4, 3 * len(line) // 4))
    along = line[min(k + 3, len(line) - 1)] - line[k - 3]
    outline = shapes.ribbon(rng, float(rng.uniform(0.8, 3.0)), float(rng.uniform(0.08, 0.3)), bend=0.03, ragged=0.25)
    kind = "lack-of-inter-run-fusion" if form == "inter-run" else "lack-of-sidewall-fusion"
    return _dark(rng, shapes.turn(outline, np.arctan2(along[1], along[0]), line[k]), kind)


def _dark(rng: np.random.Generator, outline: np.ndarray, kind: str) -> Opening:
    return Opening(
        outline_mm=outline,
        kind=kind,
        form="line",
        depth_mm=float(rng.uniform(0.2, 0.6)),
        fill="dark",
        seed=int(rng.integers(1 << 31)),
    )
