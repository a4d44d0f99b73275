"""Cuts painted by lot, not rendered: joints filled with other surfaces, so that no one renderer is learned."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from specimeter.scene import fracture_lot, shapes
from specimeter.scene.section_joint import Joint, butt, fillet
from specimeter.training import relief
from specimeter.training.noise import smooth, soft_step, spectral
from specimeter.training.section_labels import LAMINATION, SIDE, Parts, beside, drawn, filled, planes
from specimeter.training.texture import surface

Array = np.ndarray
OPEN_ROOT = 0.35  # share of butt welds from one side whose root is drawn again until it is not fused


class Skins:
    """A few surfaces of metal and of benches, drawn once and laid again turned, moved, brighter or darker."""

    def __init__(self, rng: np.random.Generator, room: int, metals: int = 4, grounds: int = 3) -> None:
        self.metals = [_bare_metal(rng, room) for _ in range(metals)]
        self.grounds = [
            surface(rng, room) if rng.random() < 0.8 else relief.shaded(rng, relief.skin(rng, room)) for _ in range(grounds)
        ]

    def metal(self, rng: np.random.Generator) -> Array:
        """Linear light of bare metal, median about 0.25."""
        return _laid_again(rng, self.metals[int(rng.integers(len(self.metals)))])

    def ground(self, rng: np.random.Generator) -> Array:
        """Linear light of a bench."""
        return _laid_again(rng, self.grounds[int(rng.integers(len(self.grounds)))])


def _laid_again(rng: np.random.Generator, skin: Array) -> Array:
    turned = np.rot90(skin, int(rng.integers(4)))[:: int(rng.choice([-1, 1]))]
    moved = np.roll(turned, tuple(int(v) for v in rng.integers(0, len(skin), 2)), (0, 1)) if rng.random() < 0.5 else turned
    gain = np.exp(rng.normal(0, 0.03, 3)) * (1 + 0.1 * smooth(rng, len(skin), 3)[..., None])
    return (moved * gain).astype(np.float32)


def painted(rng: np.random.Generator, mm_per_cell: float, room: int = SIDE, skins: Skins | None = None) -> Array:
    """A sample uint8 (7, room, room), as of `section_labels.of_scene`, of a random joint of our own painting."""
    skins = Skins(rng, room, 2, 1) if skins is None else skins
    joint = _joint(rng)
    turn = rng.choice([0.0, np.pi / 2, np.pi, rng.uniform(0, 2 * np.pi)]) + rng.normal(0, 0.1)
    spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) * ([1, -1] if rng.random() < 0.5 else [1, 1])
    middle = joint.weld.mean(0) if rng.random() < 0.7 else (joint.metal.min(0) + joint.metal.max(0)) / 2
    place = room / 2 + rng.normal(0, 0.08 * room, 2)

    def cells(points: np.ndarray) -> Array:
        return (np.asarray(points, float).reshape(-1, 2) - middle) @ spin / mm_per_cell + place

    shape = (room, room)
    features, lines = _imperfections(rng, joint)
    gap = float(np.exp(rng.uniform(np.log(0.02), np.log(1.2))))
    parts = Parts(
        metal=cells(_worn(rng, joint.metal)),
        welds=[cells(p) for p in (joint.weld, *joint.others)],
        gaps=[cells(p) for p in joint.gaps],
        gap_cells=gap / mm_per_cell,
        haz_cells=float(rng.uniform(0.5, 4.0)) / mm_per_cell,
        features=[(cells(outline), kind) for outline, kind in features],
    )
    metal = filled([parts.metal], shape)
    light = _lay(_ground(rng, skins, parts, shape, mm_per_cell), skins.metal(rng), metal)
    strength = _strength(rng, parts, shape, mm_per_cell)
    light *= _etching(rng, parts, [cells(p) for p in joint.runs], strength, shape, mm_per_cell)
    light = _edge(rng, light, metal, mm_per_cell)
    if parts.gaps:
        share = drawn(parts.gaps, max(parts.gap_cells, 0.3), shape) * metal * min(1.0, max(parts.gap_cells, 0.3))
        tone = rng.uniform(0.0, 0.12) if rng.random() < 0.85 else rng.uniform(0.3, 2.0)
        light = _lay(light, np.float32(tone * 0.25) * np.ones(3, np.float32), np.clip(share, 0, 1))
    light = _voids(rng, light, [(*one, line) for one, line in zip(parts.features, lines, strict=True)], shape)
    light = _distractors(rng, light, shape, mm_per_cell)
    if rng.random() < 0.3:  # a glare that burns a part of it away
        light = (
            light
            + (rng.uniform(0.2, 3) * soft_step(smooth(rng, room, int(rng.integers(2, 5))), rng.uniform(0.8, 2.2), 0.3))[
                ..., None
            ]
        )
    light *= rng.uniform(0.5, 1.6) * np.exp(rng.normal(0, 0.12, 3)) / max(float(np.percentile(light, 90)), 1e-3) * 0.6
    coded = np.clip(light, 0, 1) ** (1 / 2.2)
    return np.concatenate([(coded * 255).astype(np.uint8).transpose(2, 0, 1), planes(parts, strength)])


def _joint(rng: np.random.Generator) -> Joint:
    over = (float(rng.uniform(0.3, 1.8)), float(rng.uniform(10, 60))) if rng.random() < 0.3 else None
    count = int(rng.integers(0, 3))
    if rng.random() < 0.5:
        joint = fillet(rng, str(rng.choice(["tee", "tee", "lap", "corner"])), undercuts=count, overlap=over)
        if rng.random() < 0.2:  # fused through
            joint.gaps = []
    else:
        kind, open_root = str(rng.choice(["v", "v", "double-v", "square"])), rng.random() < OPEN_ROOT
        joint = butt(rng, kind, undercuts=count, overlap=over)
        while open_root and kind != "double-v" and not joint.gaps:
            joint = butt(rng, kind, undercuts=count, overlap=over)
    if rng.random() < 0.6:
        joint.weld = _fused_otherwise(rng, joint)
    return joint


def _fused_otherwise(rng: np.random.Generator, joint: Joint) -> Array:
    """The weld metal with its fusion line moved in and out by a slow amount, its ends where they were."""
    fusion = joint.weld[len(joint.face) :]
    share = np.linspace(0, 1, len(fusion))
    middle = joint.face[[0, -1]].mean(0)
    wave = np.interp(share, np.linspace(0, 1, 6), rng.normal(0, 1, 6)) * np.sin(np.pi * share) ** 0.5
    moved = (
        middle
        + (fusion - middle) * np.exp(rng.uniform(0.02, 0.2) * wave + rng.normal(0, 0.08) * np.sin(np.pi * share))[:, None]
    )
    if joint.kind in ("v", "double-v", "square"):
        moved[:, 1] = fusion[:, 1]
    return np.concatenate([joint.face, moved])


def _worn(rng: np.random.Generator, metal: Array) -> Array:
    """The metal's outline made uneven, as saws, shears and rust leave it."""
    step = np.hypot(*(np.roll(metal, -1, 0) - metal).T)
    reach = np.concatenate([[0.0], np.cumsum(step)])
    at = np.arange(0, reach[-1], 0.2)
    closed = np.concatenate([metal, metal[:1]])
    line = np.column_stack([np.interp(at, reach, column) for column in closed.T])
    rough = float(np.exp(rng.uniform(np.log(0.003), np.log(0.06))))
    noise = rough * np.column_stack([shapes.smooth_noise(rng, len(line), grain) for grain in (0.005, 0.01)])
    return line + noise


def _bare_metal(rng: np.random.Generator, room: int) -> Array:
    """Linear light of bare metal, median about 0.25."""
    if rng.random() < 0.35:
        return relief.shaded(rng, relief.skin(rng, room))
    tone = rng.uniform(0.01, 0.12) * spectral(rng, room, power=rng.uniform(0.0, 1.5))
    lay = rng.uniform(0, np.pi)
    for _ in range(int(rng.integers(1, 3))):
        stretch = np.exp(rng.uniform(np.log(4), np.log(120)))
        tone = tone + np.exp(rng.uniform(np.log(0.01), np.log(0.3))) * spectral(
            rng, room, power=rng.uniform(0.2, 1.4), stretch=stretch, angle=lay
        )
        lay += rng.normal(0, 0.6)
    tone = tone + rng.uniform(0, 0.35) * smooth(rng, room, int(rng.integers(1, 5)))
    grey = 0.25 * np.exp(np.clip(tone, -2, 1.3))
    return (grey[..., None] * (1 + rng.normal(0, 0.04, 3))).astype(np.float32)


def _lay(under: Array, over: Array, share: Array) -> Array:
    share = share[..., None] if share.ndim == 2 else share
    return (under * (1 - share) + over * share).astype(np.float32)


def _ground(rng: np.random.Generator, skins: Skins, parts: Parts, shape: tuple[int, int], mm_per_cell: float) -> Array:
    """What lies round the metal: a bench with things on it and the cut's shadow, or resin; brighter or darker."""
    room = shape[0]
    light = (
        skins.ground(rng)
        * np.float32(np.exp(rng.uniform(np.log(0.05), np.log(3.0))))
        * np.exp(rng.normal(0, 0.25, 3)).astype(np.float32)
    )
    for _ in range(int(rng.integers(0, 7))):
        light = _thing(rng, skins, light)
    if rng.random() < 0.45:  # resin
        around = parts.metal
        low, high = around.min(0), around.max(0)
        centre, half = (low + high) / 2, (high - low) / 2 + rng.uniform(2, 8) / mm_per_cell
        if rng.random() < 0.5:
            angle = np.linspace(0, 2 * np.pi, 90)
            ring = centre + float(np.hypot(*half)) * np.column_stack([np.cos(angle), np.sin(angle)])
        else:
            ring = cv2.boxPoints((tuple(centre.tolist()), tuple((2 * half).tolist()), float(rng.normal(0, 4))))
        tone = np.exp(rng.uniform(np.log(0.01), np.log(0.8))) * np.exp(rng.normal(0, 0.3, 3))
        body = (tone * np.exp(rng.uniform(0, 0.15) * spectral(rng, room, power=rng.uniform(0.2, 1.6)))[..., None]).astype(
            np.float32
        )
        body += (rng.uniform(0, 0.25) * soft_step(smooth(rng, room, 3), rng.uniform(0.5, 2), 0.4))[..., None].astype(np.float32)
        light = _lay(light, body, filled([ring], shape))
    elif rng.random() < 0.7:  # its shadow on the bench
        reach = np.exp(rng.uniform(np.log(1), np.log(25)))
        turn = rng.uniform(0, 2 * np.pi)
        shade = filled([parts.metal + reach * np.array([np.cos(turn), np.sin(turn)])], shape)
        shade = cv2.GaussianBlur(np.maximum(shade, filled([parts.metal], shape)), (0, 0), rng.uniform(0.5, 0.6 * reach + 0.6))
        light = light * (1 - rng.uniform(0.2, 0.95) * shade[..., None])
    return light.astype(np.float32)


def _thing(rng: np.random.Generator, skins: Skins, light: Array) -> Array:
    """A tool, a card, a rule, a cable, a coin or another plate on the bench."""
    room = light.shape[0]
    centre, size = rng.uniform(0, room, 2), np.exp(rng.uniform(np.log(8), np.log(0.6 * room), 2))
    form = int(rng.integers(4))
    if form == 0:
        angle = np.linspace(0, 2 * np.pi, 60)
        ring = centre + size[0] / 2 * np.column_stack([np.cos(angle), np.sin(angle)])
    elif form == 1:
        ring = cv2.boxPoints((tuple(centre.tolist()), tuple(size.tolist()), float(rng.uniform(0, 180))))
    elif form == 2:
        ring = centre + rng.normal(0, 0.4, (5, 2)) * size
    else:
        long = cv2.boxPoints((tuple(centre.tolist()), (2.0 * room, float(min(size) / 3 + 3)), float(rng.uniform(0, 180))))
        ring = np.asarray(long)
    share = filled([ring], light.shape[:2])
    shade = cv2.GaussianBlur(np.roll(share, tuple(int(v) for v in rng.integers(-5, 6, 2)), (0, 1)), (0, 0), rng.uniform(0.6, 6))
    light = light * (1 - rng.uniform(0, 0.8) * shade[..., None])
    if rng.random() < 0.5:
        body = skins.metal(rng) * np.exp(rng.normal(0, 0.6))
    else:
        body = np.full((room, room, 3), np.exp(rng.uniform(np.log(0.02), np.log(1.2))), np.float32) * np.exp(
            rng.normal(0, 0.4, 3)
        )
        if rng.random() < 0.4:  # printed
            step = int(rng.integers(3, 30))
            rows, columns = np.indices((room, room)) // step
            body = body * np.where(rng.random((room // step + 2, room // step + 2))[rows, columns] < 0.3, 0.08, 1.0)[..., None]
    return _lay(light, body.astype(np.float32), share)


def _strength(rng: np.random.Generator, parts: Parts, shape: tuple[int, int], mm_per_cell: float) -> Array:
    """How strongly each cell is etched: not, evenly, in part, or along a swab's track."""
    kind = float(rng.random())
    base = float(np.exp(rng.uniform(np.log(0.2), np.log(1.2))))
    if kind < 0.14:
        return np.zeros(shape, np.float32)
    field = base * (1 + 0.15 * smooth(rng, shape[0], 4))
    if kind < 0.36:  # in part
        y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
        turn = rng.uniform(0, 2 * np.pi)
        weld = parts.welds[0]
        off = ((x - weld[:, 0].mean()) * np.cos(turn) + (y - weld[:, 1].mean()) * np.sin(turn)) / max(
            np.ptp(weld, axis=0).max(), 5
        )
        field = field * soft_step(off + rng.normal(0, 0.3) + 0.15 * smooth(rng, shape[0], 6), 0.0, rng.uniform(0.01, 0.15))
    elif kind < 0.5:
        away = beside(filled(parts.welds[:1], shape)) * mm_per_cell
        field = field * soft_step(-away + smooth(rng, shape[0], 5), -rng.uniform(2, 8), rng.uniform(0.05, 0.6))
    return np.clip(field, 0, 1.5).astype(np.float32)


def _etching(
    rng: np.random.Generator,
    parts: Parts,
    runs: Sequence[np.ndarray],
    strength: Array,
    shape: tuple[int, int],
    mm_per_cell: float,
) -> Array:
    """What the etching makes of each cell's light, float32 (rows, columns, 3), 1 where it changes nothing."""
    room = shape[0]
    share = filled(parts.welds, shape)
    ragged = rng.uniform(0, 0.12) / mm_per_cell * spectral(rng, room, power=1.2)
    away = beside(share) - cv2.distanceTransform((share >= 0.5).astype(np.uint8), cv2.DIST_L2, 5)
    weld = np.clip(0.5 - (away + ragged), 0, 1)
    tone = np.zeros((*shape, 3), np.float32)
    tint = rng.normal(0, rng.choice([0.02, 0.15]), (4, 3))
    gain = float(rng.choice([-1, 1], p=[0.7, 0.3]) * np.exp(rng.uniform(np.log(0.12), np.log(0.9))))
    tone += (gain * weld)[..., None] * (1 + tint[0])
    grain = rng.uniform(0.03, 0.45) * spectral(
        rng, room, power=rng.uniform(0.3, 1.5), stretch=rng.uniform(1, 9), angle=rng.uniform(0, np.pi)
    )
    other = rng.uniform(0.0, 0.3) * spectral(
        rng, room, power=rng.uniform(0.3, 1.5), stretch=rng.uniform(1, 9), angle=rng.uniform(0, np.pi)
    )
    tone += (weld * (grain + other))[..., None]
    into = np.clip(away / max(parts.haz_cells, 0.5), 0, None)  # 0 at the fusion line, 1 at the zone's outer border
    stops = rng.normal(0, 0.28, 4) + rng.choice([-0.25, 0.1])
    profile = np.interp(into, [0, rng.uniform(0.1, 0.4), rng.uniform(0.5, 0.9), 0.999, 1.0], [*stops[:3], stops[3], 0.0])
    if abs(stops[3]) < 0.05:
        profile = profile + np.where(into < 1, -0.08, 0)
    zone = (1 - weld) * (into < 1)
    tone += (zone * profile)[..., None] * (1 + tint[1])
    rim = np.exp(-0.5 * ((into - 1) * parts.haz_cells * mm_per_cell / rng.uniform(0.05, 0.25)) ** 2)
    tone -= (rng.choice([0, rng.uniform(0.05, 0.3)]) * rim)[..., None]
    line = np.exp(-0.5 * ((away + ragged) * mm_per_cell / rng.uniform(0.03, 0.12)) ** 2)
    tone -= (rng.choice([-0.2, 0.0, 0.3, 0.6]) * rng.random() * line)[..., None]
    if runs:
        seam = cv2.GaussianBlur(drawn(runs, max(0.12 / mm_per_cell, 0.5), shape), (0, 0), 0.08 / mm_per_cell + 0.4)
        tone -= (rng.uniform(-0.1, 0.5) * seam * weld)[..., None]
    bands = spectral(rng, room, power=rng.uniform(0.3, 1.2), stretch=rng.uniform(2, 40), angle=rng.uniform(0, np.pi))
    tone += (rng.uniform(0, 0.08) * bands * (1 - weld))[..., None] + (rng.uniform(-0.35, 0.05)) * (1 + tint[2])
    field = strength[..., None] * tone
    if rng.random() < 0.3:  # stains, dried drops
        spot = spectral(rng, room, power=rng.uniform(1.2, 2.0))
        at, width = rng.uniform(0.5, 2), rng.uniform(0.03, 0.5)
        ring = soft_step(spot, at, width) * (1 - rng.choice([0.0, 0.8]) * soft_step(spot, at + 0.4, width))
        field = field - (rng.uniform(0.1, 0.8) * ring)[..., None] * (1 + tint[3])
    return np.exp(np.clip(field, -2.5, 1.0)).astype(np.float32)


def _edge(rng: np.random.Generator, light: Array, metal: Array, mm_per_cell: float) -> Array:
    """The metal's rim: broken and bright, scaled and dark, or neither."""
    if rng.random() < 0.4:
        return light
    inner = cv2.distanceTransform((metal > 0.5).astype(np.uint8), cv2.DIST_L2, 5) * mm_per_cell
    width = np.exp(rng.uniform(np.log(0.03), np.log(0.3)))
    wave = np.clip(1 + 0.8 * smooth(rng, metal.shape[0], 12), 0, None)
    band = metal * np.clip(1.5 - inner / (width * wave + 1e-3), 0, 1)
    gain = rng.choice([rng.uniform(-2, -0.2), rng.uniform(0.1, 1.2)])
    return (light * np.exp(gain * band)[..., None] * np.exp(band[..., None] * rng.normal(0, 0.1, 3))).astype(np.float32)


def _imperfections(rng: np.random.Generator, joint: Joint) -> tuple[list[tuple[np.ndarray, int]], list[bool]]:
    """Outlines in mm with their kinds' numbers, and whether each is a line: in the weld, on its borders, in the plates."""
    found: list[tuple[np.ndarray, int]] = []
    lines: list[bool] = []
    weld = joint.weld
    inside = [p for p in rng.uniform(weld.min(0), weld.max(0), (30, 2)) if shapes.distance_to(weld, p[None])[0] < -0.5]
    for _ in range(int(rng.choice([0, 1, 2, 3, 4]))):
        form = int(rng.integers(6))
        if form in (0, 1, 2) and not inside:
            continue
        place = inside[int(rng.integers(len(inside)))] if inside else weld[0]
        turn = rng.uniform(0, np.pi)
        if form == 0:
            size = float(np.exp(rng.uniform(np.log(0.2), np.log(2.0))))
            own, kind = shapes.turn(shapes.cavity(rng, size * rng.uniform(1, 1.3), size, rough=0.04), turn, place), 1
        elif form == 1:
            size = float(np.exp(rng.uniform(np.log(0.4), np.log(3.0))))
            own, kind = shapes.turn(fracture_lot.angular(rng, size, size * rng.uniform(0.25, 0.8)), turn, place), 2
        elif form == 2:
            own = shapes.ribbon(rng, float(rng.uniform(0.6, 4)), float(rng.uniform(0.03, 0.2)), bend=0.15, ragged=0.35)
            own, kind = shapes.turn(own, turn, place), 3
        elif form in (3, 4):  # along the fusion line or between runs
            path = joint.runs[int(rng.integers(len(joint.runs)))] if form == 4 and joint.runs else weld[len(joint.face) :]
            if len(path) < 12:
                continue
            k = int(rng.integers(4, len(path) - 4))
            along = path[k + 3] - path[k - 3]
            own = shapes.ribbon(rng, float(rng.uniform(0.5, 3.5)), float(rng.uniform(0.04, 0.35)), bend=0.03, ragged=0.25)
            own, kind = shapes.turn(own, np.arctan2(along[1], along[0]), path[k]), 4
        else:
            low, high = joint.metal.min(0), joint.metal.max(0)
            own = shapes.ribbon(rng, float(rng.uniform(2, 9)), float(rng.uniform(0.03, 0.12)), ragged=0.4)
            own = shapes.turn(
                own, rng.normal(0, 0.03), [rng.uniform(low[0], high[0]), joint.thickness * rng.uniform(0.25, 0.75)]
            )
            if shapes.distance_to(weld, own).min() < 0.6:
                continue
            kind = LAMINATION
        found.append((own, kind))
        lines.append(kind > 2)
    return found, lines


def _voids(
    rng: np.random.Generator, light: Array, features: Sequence[tuple[np.ndarray, int, bool]], shape: tuple[int, int]
) -> Array:
    """Pores, slag and lines laid into the light: dark, oxidised or glassy, some with a bright far wall."""
    for outline, _, line in features:
        share = filled([outline], shape)
        grey = float(np.median(light[share > 0.3].mean(axis=1))) if (share > 0.3).any() else 0.2
        tone = grey * (rng.uniform(0.0, 0.3) if line or rng.random() < 0.7 else rng.uniform(0.3, 0.7))
        body = np.full(3, tone, np.float32) * np.exp(rng.normal(0, 0.15, 3)).astype(np.float32)
        body = body * np.exp(rng.uniform(0, 0.5) * smooth(rng, shape[0], 40))[..., None]
        light = _lay(light, body, share)
        if not line and rng.random() < 0.5:
            soft = cv2.GaussianBlur(share, (0, 0), 1.2)
            rows, columns = np.gradient(soft)
            turn = rng.uniform(0, 2 * np.pi)
            wall = np.clip(columns * np.cos(turn) + rows * np.sin(turn), 0, None) * share
            light = light + (rng.uniform(0.3, 3) * grey * wall)[..., None]
    return light.astype(np.float32)


def _distractors(rng: np.random.Generator, light: Array, shape: tuple[int, int], mm_per_cell: float) -> Array:
    """Scratches, stamps, ink, dust and punch marks: nothing that the weld did."""
    room = shape[0]
    for _ in range(int(rng.integers(0, 5))):
        start = rng.uniform(0, room, 2)
        path = start + np.cumsum(rng.normal(0, 0.05, (20, 2)) + rng.normal(0, 1, 2), axis=0) * rng.uniform(1, 12)
        width = np.exp(rng.uniform(np.log(0.3), np.log(2.0)))
        light = light * np.exp(rng.uniform(-1.2, 0.7) * np.clip(drawn([path], width, shape) * min(width, 1), 0, 1))[..., None]
    if rng.random() < 0.25:
        ink = np.zeros(shape, np.uint8)
        text = "".join(rng.choice(list("ABCDEFHKLMNPRSTUX0123456789-/"), int(rng.integers(1, 6))))
        place, size = tuple(int(v) for v in rng.uniform(0.05, 0.8, 2) * room), rng.uniform(0.5, 2.5)
        cv2.putText(ink, text, place, int(rng.integers(0, 8)), size, 255, int(rng.integers(1, 5)), cv2.LINE_AA)
        share = (ink.astype(np.float32) / 255)[..., None] * rng.uniform(0.4, 1)
        light = light * (1 - share) + share * rng.uniform(0, 0.3, 3).astype(np.float32)
    if rng.random() < 0.3:
        dots = np.zeros(shape, np.float32)
        for place in rng.uniform(2, room - 3, (int(rng.integers(1, 30)), 2)).astype(int):
            cv2.circle(dots, (int(place[0]), int(place[1])), int(rng.integers(0, 3)), 1.0, -1)
        light = light * np.exp(rng.uniform(-1.5, 0.8) * cv2.GaussianBlur(dots, (0, 0), 0.7))[..., None]
    return light.astype(np.float32)
