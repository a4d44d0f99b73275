"""Random broken specimens: nick-break and fillet-break halves with their notches, on a bench, beside a card."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from specimeter.scene import card as cards
from specimeter.scene import fracture_lot as lot
from specimeter.scene import geometry, groups, shapes
from specimeter.scene.camera import look_at
from specimeter.scene.describe import Bench, Broken, Camera, Card, Imaging, Mark, Scene, Specimen, Zone, broken_end
from specimeter.scene.fracture_relief import strip_mm

TESTS = ("nick-break", "fillet-break")
FRACTURES = tuple(lot.FRACTURES)
Lens = tuple[tuple[float, float], float]  # 35 mm equivalent focal lengths, least distance in mm
ImagingLot = Callable[[np.random.Generator, Camera, Specimen | Broken, bool], Imaging]
Curve = Callable[[np.ndarray], np.ndarray]
BEYOND = 60.0  # mm: zones reach this far out; the body's outline cuts them


def broken_scene(
    seed: int,
    rngs: Sequence[np.random.Generator],
    names: dict[str, str],
    camera_kinds: Mapping[str, Lens],
    imaging: ImagingLot,
    options: dict[str, Any],
) -> Scene:
    """One scene; `rngs` are fourteen generators, `names` the groups chosen, `imaging` draws the sensor.

    `options`: clean, marks, width_px, mm_per_px, height, openings, ideal, tilt_deg, half.
    """
    specimen = _specimen(rngs[6], names["test"], names["card"])
    place = options["height"] or ("level", "level", "block", "bench", "unknown")[int(rngs[7].integers(5))]
    card_seed, camera_seed = (int(rngs[k].integers(1 << 62)) for k in (7, 8))
    for gap in np.arange(0.0, 60.0, 4.0):
        placed = card_beside(np.random.default_rng(card_seed), names["card"], specimen, place, gap)
        view = camera_over(
            np.random.default_rng(camera_seed), names["camera"], camera_kinds[names["camera"]], specimen, placed, options
        )
        if in_clear_view(specimen, placed, view):
            break
    metal = lot.fracture(rngs[1], names["finish"], int(rngs[1].integers(1 << 31)))
    chosen = [] if options["clean"] else lot.features(rngs[10], specimen, options["openings"])
    spots = lot.marks(rngs[0], specimen, chosen) if options["marks"] else []
    if names["card"] == "none":
        points = gauge_points_mm(specimen)
        spots = [Mark(kind="punch", lines_mm=tuple(points[:, None]), size_mm=0.6, strength=0.25, seed=seed), *spots]
    r = rngs[12]
    u_height = round(float(r.uniform(0.3, 1.5)), 1)
    true_height = specimen.crown_height_mm + placed.origin_mm[2] if placed.kind != "none" else 0.0
    known = None if place == "unknown" and placed.kind != "none" else true_height + float(r.normal(0, u_height / 2))
    printed = None
    if placed.shrink != (1.0, 1.0):
        printed = cards.SIZE_MM[placed.kind][0] * placed.shrink[0] + float(r.normal(0, 0.03))
    distance = float(np.linalg.norm(view.eye_mm - geometry.crown(specimen)))
    scene = Scene(
        seed=seed,
        id=f"SC-{seed:06d}",
        specimen=specimen,
        finish=metal,
        weld=None,
        light=groups.light(rngs[2], names["light"], specimen, view),
        bench=Bench(name=names["bench"], clutter=int(rngs[3].integers(0, 9)), seed=int(rngs[3].integers(1 << 31))),
        card=placed,
        camera=view,
        imaging=imaging(rngs[4], view, specimen, options["ideal"]),
        openings=tuple(chosen),
        marks=tuple(spots),
        width_calliper_mm=specimen.width_mm + float(r.normal(0, 0.05)),
        parent_thickness_mm=specimen.thickness_mm,
        printed_length_mm=printed,
        surface_height_mm=known,
        surface_height_U_mm=u_height,
        camera_distance_mm=round(distance * float(r.normal(1, 0.02))) if r.random() < 0.3 else None,
        groups={**names, "height": place},
    )
    return mate(scene) if options["half"] == "b" else scene


def mate(scene: Scene) -> Scene:
    """The same break seen on its other half: all mirrored along the weld."""

    def over(outline: np.ndarray) -> np.ndarray:
        return outline[::-1] * [1.0, -1.0]

    specimen, finish = broken_end(scene)
    specimen = replace(
        specimen,
        half="b",
        body_mm=over(specimen.body_mm),
        face_mm=over(specimen.face_mm),
        zones=tuple(replace(zone, outline_mm=over(zone.outline_mm)) for zone in specimen.zones),
    )
    openings = []
    for one in scene.openings:
        left = one.kind == "slag" and one.seed % 2  # the lump stayed in the other half: its bed, stained by it
        openings.append(replace(one, outline_mm=over(one.outline_mm), fill="dark" if left else one.fill, seed=one.seed + 1))
    finish = replace(finish, ridge_deg=-finish.ridge_deg)
    return replace(scene, id=f"{scene.id}-b", specimen=specimen, openings=tuple(openings), finish=finish)


def gauge_points_mm(specimen: Broken) -> np.ndarray:
    """Two punched points at the ends of the face, developed [s, a], shape (2, 2), that a known length lies between."""
    low, high = specimen.face_mm.min(0), specimen.face_mm.max(0)
    middle = (low[0] + high[0]) / 2
    return np.array([[middle, low[1] + 1.2], [middle, high[1] - 1.2]])


def _specimen(rng: np.random.Generator, test: str, card: str) -> Broken:
    nick = test == "nick-break"
    most = 74.0 if card == "frame" else 110.0
    if nick:
        width = float(rng.uniform(20, 45))
        thickness = float(rng.uniform(6, 26))
        ends = rng.uniform(2.0, 6.0, 2) if rng.random() < 0.9 else np.array([rng.uniform(2.5, 6.0), 0.0])
        ends = np.minimum(ends, 0.2 * width)
    else:
        width = float(rng.uniform(25, most))
        thickness = float(rng.uniform(4, 13))
        ends = rng.uniform(0.0, 7.0, 2) * (rng.random(2) < 0.7)
    root = float(rng.choice([-1, 1]))
    below = 0.0 if nick else float(rng.uniform(1.5, 9))  # the plate's own surface beside the root
    above = (
        float(rng.choice([0.0, rng.uniform(0.8, 2.5)], p=[0.6, 0.4])) if nick else float(rng.choice([0.0, rng.uniform(0.8, 5)]))
    )
    wave = [_wave(rng, amount) for amount in rng.uniform(0.05, [0.35, 0.35, 0.5, 0.25])]
    bulge = float(rng.uniform(0, 1.6)) if nick else float(rng.uniform(-0.4, 0.8))
    half_s, half_a = thickness / 2, width / 2
    lean = rng.normal(0, 0.03, 2)

    def low_a(s: np.ndarray) -> np.ndarray:
        return -half_a + ends[0] + (wave[0](s) + lean[0] * s if ends[0] else 0.05 * wave[0](s))

    def high_a(s: np.ndarray) -> np.ndarray:
        return half_a - ends[1] + (wave[1](s) + lean[1] * s if ends[1] else 0.05 * wave[1](s))

    def cap(a: np.ndarray) -> np.ndarray:  # towards +s before the root side is chosen
        return half_s + bulge * (1 - (a / half_a) ** 2) - bulge + wave[2](a)

    def foot(a: np.ndarray) -> np.ndarray:
        return -half_s + (0.35 if nick else 0.15) * wave[3](a)

    face = _outline(low_a, high_a, foot, cap)
    body = _outline(
        lambda s: -half_a + 0.02 * wave[0](s),
        lambda s: half_a + 0.02 * wave[1](s),
        (lambda a: foot(a)) if below == 0 else (lambda a: np.full_like(a, -half_s - below)),
        (lambda a: cap(a)) if above == 0 else (lambda a: cap(a) + above),
    )
    zones = []
    if below:
        zones.append(_zone(rng, "plate", strip_mm(-BEYOND, 0, -BEYOND, BEYOND), -rng.uniform(0.1, 1.5), 0.0))
        zones[-1] = replace(zones[-1], outline_mm=strip_mm(-half_s - below - 3, 0, -BEYOND, BEYOND))
    if above:
        kind = str(rng.choice(["saw-cut", "disc-cut"])) if nick else "cap"
        level, slope = (-rng.uniform(0.3, 1.2), 0.0) if nick else (-rng.uniform(0.2, 1.0), -rng.uniform(0.1, 0.5))
        zones.append(_zone(rng, kind, strip_mm(half_s - bulge - 2, half_s + above + 2, -BEYOND, BEYOND), level, slope))
    cut = str(rng.choice(["saw-cut", "saw-cut", "disc-cut", "machined"]))
    for number, (low, high) in enumerate(((-half_a - 3, -half_a + ends[0] + 1.5), (half_a - ends[1] - 1.5, half_a + 3))):
        if ends[number]:
            zones.append(
                _zone(rng, cut, strip_mm(-BEYOND, BEYOND, low, high), rng.choice([-1, -1, 1]) * rng.uniform(0.15, 1.3), 0.0)
            )
    if root > 0:
        face, body = (outline[::-1] * [-1.0, 1.0] for outline in (face, body))
        zones = [replace(zone, outline_mm=zone.outline_mm[::-1] * [-1.0, 1.0], slope_s=-zone.slope_s) for zone in zones]
    shift = (body.min(0) + body.max(0)) / 2
    zones = [_cut_to(replace(zone, outline_mm=zone.outline_mm - shift), body - shift) for zone in zones]
    size = np.ptp(body, axis=0)
    return Broken(
        test=test,
        thickness_mm=float(size[0]),
        width_mm=float(size[1]),
        body_mm=body - shift,
        face_mm=face - shift,
        zones=tuple(zones),
        root=root,
        crown_height_mm=float(np.exp(rng.uniform(np.log(4.0), np.log(70.0)))),
        axis_angle_deg=float(rng.choice([0.0, 90.0]) + rng.normal(0, 4)),
    )


def _cut_to(zone: Zone, body: np.ndarray) -> Zone:
    """A zone's box no larger than the body needs."""
    low, high = body.min(0) - 4, body.max(0) + 4
    return replace(zone, outline_mm=np.clip(zone.outline_mm, low, high))


def _zone(rng: np.random.Generator, kind: str, outline: np.ndarray, level: float, slope: float) -> Zone:
    return Zone(kind=kind, outline_mm=outline, level_mm=float(level), slope_s=float(slope), seed=int(rng.integers(1 << 31)))


def _wave(rng: np.random.Generator, amount: float) -> Curve:
    """A smooth random curve over +-60 mm of an r.m.s. in mm."""
    values = 0.8 * shapes.smooth_noise(rng, 1200, 0.06) + 0.2 * shapes.smooth_noise(rng, 1200, 0.012)
    places = np.linspace(-60, 60, 1200)
    return lambda at: amount * np.interp(at, places, values)


def _outline(low_a: Curve, high_a: Curve, low_s: Curve, high_s: Curve, step: float = 0.12) -> np.ndarray:
    """The closed outline of a four-sided patch between curves a = f(s) and s = f(a)."""
    span_a, span_s = (float(np.ptp([f(np.zeros(1))[0] for f in pair])) for pair in ((low_a, high_a), (low_s, high_s)))
    along = np.linspace(0, 1, max(12, int(span_a / step)))[:-1]
    across = np.linspace(0, 1, max(12, int(span_s / step)))[:-1]
    u = np.concatenate([along, np.ones(len(across)), 1 - along, np.zeros(len(across))])
    v = np.concatenate([np.zeros(len(along)), across, np.ones(len(along)), 1 - across])
    a, s = np.zeros(len(u)), np.zeros(len(u))
    for _ in range(8):
        a = low_a(s) + (high_a(s) - low_a(s)) * u
        s = low_s(a) + (high_s(a) - low_s(a)) * v
    return np.column_stack([s, a])


def card_beside(rng: np.random.Generator, kind: str, specimen: Broken, height: str, gap_mm: float) -> Card:
    if kind == "none":
        return Card(kind="none")
    crown = specimen.crown_height_mm
    over = {
        "level": float(rng.choice([0.0, rng.normal(0, 1.0)])),
        "block": float(rng.uniform(0.15, 0.7)) * crown,
        "bench": crown - 0.15,
        "unknown": float(rng.choice([crown - 0.15, rng.uniform(0.2, 0.8) * crown])),
    }[height]
    over = min(over, crown - 0.15)
    axis = np.radians(specimen.axis_angle_deg)
    along, across = np.array([np.cos(axis), np.sin(axis)]), np.array([np.sin(axis), -np.cos(axis)])
    turn = float(rng.normal(0, 4)) + (180.0 if rng.random() < 0.3 else 0.0)
    size = np.array(cards.SIZE_MM[kind])
    side = rng.choice([-1, 1])
    if kind == "frame":
        centre, angle = rng.normal(0, 2.0, 2), specimen.axis_angle_deg + turn
    elif rng.random() < 0.75:  # beside a long side of the face
        centre = side * across * (specimen.thickness_mm / 2 + gap_mm + rng.uniform(5, 16) + 10) + along * rng.normal(0, 8)
        angle = specimen.axis_angle_deg + turn
    else:  # before its end
        centre = side * along * (specimen.width_mm / 2 + gap_mm + rng.uniform(5, 16) + 10) + across * rng.normal(0, 8)
        angle = specimen.axis_angle_deg + 90 + turn
    shrink = (1.0, 1.0)
    if rng.random() < 0.4:
        both = 1 + rng.normal(-0.002, 0.003) + np.array([0, rng.normal(0, 0.0006)])
        shrink = (float(both[0]), float(both[1]))
    radians = np.radians(angle)
    frame = np.array([[np.cos(radians), np.sin(radians)], [-np.sin(radians), np.cos(radians)]])
    origin = np.asarray(centre) - (size * shrink / 2) @ frame
    return Card(
        kind=kind,
        origin_mm=(float(origin[0]), float(origin[1]), float(over - crown)),
        angle_deg=float(angle),
        shrink=shrink,
        white=float(rng.uniform(0.7, 0.88)),
        black=float(rng.uniform(0.025, 0.07)),
        block=over < crown - 2,
    )


def _card_frame(card: Card) -> np.ndarray:
    angle = np.radians(card.angle_deg)
    return np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])


def in_clear_view(specimen: Broken, card: Card, camera: Camera) -> bool:
    """Whether face and markers can be seen past each other, and card and body do not stand in one place."""
    if card.kind == "none":
        return True
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * cards.SIZE_MM[card.kind]
    grid = np.stack(np.meshgrid(np.linspace(0, 1, 9), np.linspace(0, 1, 9)), -1).reshape(-1, 2)
    low, high = specimen.body_mm.min(0) - 1.5, specimen.body_mm.max(0) + 1.5
    inverse = geometry.axes(specimen)
    foot, level = 0.0, card.origin_mm[2]

    def on_card(world: np.ndarray) -> np.ndarray:
        flat = (world[:, :2] - card.origin_mm[:2]) @ _card_frame(card).T
        rim = 4.0 if card.block else 1.0
        over = ((flat > -rim) & (flat < corners[2] + rim)).all(1)
        if card.kind == "frame":
            x0, y0, x1, y1 = cards.WINDOW_MM
            over &= ~((flat > [x0 + 1, y0 + 1]) & (flat < [x1 - 1, y1 - 1])).all(1)
        return over

    body = low + grid * (high - low)
    for plane in (foot, -specimen.crown_height_mm):  # the body's own foot and top against the card's column
        world = np.column_stack([body, np.zeros(len(body))]) @ inverse + [0, 0, plane]
        if on_card(world).any():
            return False
    top = np.column_stack([body, np.zeros(len(body))]) @ inverse + geometry.crown(specimen)
    rays = top - camera.eye_mm
    at = camera.eye_mm + rays * ((level - camera.eye_mm[2]) / rays[:, 2])[:, None]
    if level < -specimen.crown_height_mm and on_card(at).any():
        return False
    half = cards.MARKER_MM / 2 + 1
    around = half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    marker = (np.array(list(cards.CENTRES_MM[card.kind].values()))[:, None] + around).reshape(-1, 2)
    points = np.column_stack([marker @ _card_frame(card), np.zeros(len(marker))]) + card.origin_mm
    for share in np.linspace(0, 1, 12):  # does the body stand before a marker?
        z = level + (-specimen.crown_height_mm - level) * share
        way = (z - camera.eye_mm[2]) / (points[:, 2] - camera.eye_mm[2])
        passing = camera.eye_mm + (points - camera.eye_mm) * way[:, None]
        local = (passing - geometry.crown(specimen)) @ inverse.T
        if z > -specimen.crown_height_mm - 0.5 and ((local[:, :2] > low) & (local[:, :2] < high)).all(1).any():
            return False
    return True


def camera_over(
    rng: np.random.Generator, name: str, kind: Lens, specimen: Broken, card: Card, options: dict[str, Any]
) -> Camera:
    (low, high), nearest = kind
    focal_35 = float(rng.uniform(low, high))
    width_px, mm_per_px = options["width_px"], options["mm_per_px"]
    short = round(width_px * 0.75)
    body = np.array([specimen.body_mm.min(0), specimen.body_mm.max(0)])
    corners = np.array([[body[i, 0], body[j, 1], 0] for i in (0, 1) for j in (0, 1)])
    shown = corners @ geometry.axes(specimen) + geometry.crown(specimen)
    if card.kind != "none" and mm_per_px is None:
        flat = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * cards.SIZE_MM[card.kind] @ _card_frame(card)
        shown = np.concatenate([shown, np.column_stack([flat, np.zeros(4)]) + card.origin_mm])
    span = np.ptp(shown[:, :2], axis=0)
    portrait = bool(span[1] > span[0]) if rng.random() < 0.85 else bool(rng.random() < 0.5)
    size = (short, width_px) if portrait else (width_px, short)
    focal_px = focal_35 * np.hypot(*size) / np.hypot(36.0, 24.0)
    tilt = float(min(abs(rng.normal(0, 6)), 18.0)) if options["tilt_deg"] is None else options["tilt_deg"]
    towards, roll = float(rng.uniform(0, 360)), float(rng.normal(0, 4))
    margin = float(rng.uniform(1.05, 1.3))
    k1 = 0.0 if rng.random() < 0.4 else float(np.clip(rng.normal(0, 0.012), -0.03, 0.03))
    shift = rng.normal(0, 0.003, 2) * size
    centre = ((size[0] - 1) / 2 + float(shift[0]), (size[1] - 1) / 2 + float(shift[1]))
    told, stated, near = rng.random() < 0.8, (36.0 / 43.27 * 1.25 if rng.random() < 0.25 else 1.0), float(rng.uniform(0.0, 6.0))
    target = np.array([*(shown[:, :2].min(0) + shown[:, :2].max(0)) / 2, -specimen.crown_height_mm])
    distance = max(nearest, 110.0) if mm_per_px is None else mm_per_px * focal_px

    def at(distance: float) -> Camera:
        rotation, eye = look_at(target, distance, tilt, towards, roll)
        return Camera(
            name=name,
            width_px=size[0],
            height_px=size[1],
            focal_px=float(focal_px),
            centre_px=centre,
            k1=k1,
            rotation=rotation,
            eye_mm=eye,
            focal_35mm_mm=focal_35 * stated / (1 + near / distance) if told else None,
        )

    if mm_per_px is None:
        for _ in range(60):
            seen = (geometry.project(at(distance), shown) - centre) / (np.array(size) / 2)
            if np.abs(seen).max() * margin < 1.0:
                break
            distance *= 1.04
    return at(distance)
