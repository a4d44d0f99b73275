"""Random scenes: every choice seeded, every group named, so that whole finishes, lights, benches or cameras can be held out."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from specimeter.scene import card as cards
from specimeter.scene import fracture_random, geometry, groups, lot, rule_random, section_random, shapes, truth
from specimeter.scene.bench import BENCHES
from specimeter.scene.camera import look_at
from specimeter.scene.describe import Bench, Broken, Camera, Card, Imaging, Mark, Scene, Specimen, Weld

FINISHES = tuple(groups.FINISHES)
LIGHTS = tuple(groups.LIGHTS)
CAMERAS = {  # name: 35 mm equivalent focal lengths, least distance
    "phone-main": ((23.0, 28.0), 150.0),
    "phone-double": ((46.0, 56.0), 150.0),
    "phone-tele": ((65.0, 80.0), 260.0),
    "phone-macro": ((24.0, 36.0), 150.0),
    "bench-camera": ((50.0, 100.0), 250.0),
}
TESTS = ("face-bend", "root-bend", "side-bend", "longitudinal-bend")
BROKEN_TESTS = fracture_random.TESTS  # to be asked for by name: their "finish" is one of FRACTURES
FRACTURES = fracture_random.FRACTURES
MACRO_TESTS = section_random.TESTS  # to be asked for by name: their "finish" is one of CUTS, their card may be a rule
CUTS = tuple(section_random.CUTS)
SECTION_CARDS = ("strip", "strip", "none", "none", "rule", "frame")
CARDS = ("strip", "frame", "none")


def pick(rng: np.random.Generator, wanted: str | Collection[str] | None, among: Collection[str]) -> str:
    """One of `among`, or of `wanted`: a name, several names, or None for any."""
    names = list(among) if wanted is None else [wanted] if isinstance(wanted, str) else list(wanted)
    unknown = set(names) - set(among)
    if unknown:
        raise ValueError(f"unknown {sorted(unknown)}; known are {list(among)}")
    return names[int(rng.integers(len(names)))]


def random_scene(
    seed: int,
    *,
    test: str | Collection[str] | None = None,
    finish: str | Collection[str] | None = None,
    light: str | Collection[str] | None = None,
    bench: str | Collection[str] | None = None,
    camera: str | Collection[str] | None = None,
    card: str | Collection[str] | None = None,
    clean: bool = False,
    marks: bool = True,
    width_px: int = 3264,
    mm_per_px: float | None = None,
    height: str | None = None,
    openings: int | None = None,
    ideal: bool = False,
    tilt_deg: float | None = None,
    angle_deg: float | None = None,
    half: str = "a",
    rule: bool | float = False,
) -> Scene:
    """One scene from a seed; each keyword fixes one choice and leaves the others as random as they were.

    Parameters
    ----------
    test, finish, light, bench, camera, card : str or collection of str, optional
        One name, or the names to choose among: TESTS, BROKEN_TESTS or MACRO_TESTS; FINISHES, FRACTURES or CUTS; LIGHTS;
        BENCHES; CAMERAS; CARDS. Without a test a bend is drawn.
    clean : bool
        No openings at all.
    marks : bool
        False: no marks that might be taken for openings either.
    width_px : int
        Long side of the picture; the short side is three quarters of it. Geometry in mm does not depend on it.
    mm_per_px : float, optional
        Scale at the crown; the camera moves as near as that needs (the card may then leave the picture).
    height : str, optional
        Where the card lies: "level" (with the crown), "block", "bench", or "unknown" (the sheet does not say).
    openings : int, optional
        How many (rows and bridged pairs count as one).
    ideal : bool
        No blur, noise, tone curve or vignetting.
    tilt_deg, angle_deg : float, optional
        Tilt of the camera, and angle of the bend.
    half : str
        "a" or "b": which half of a broken specimen; the same seed gives the mating one.
    rule : bool or float
        True: a rule lies where a strip would; a share from 0 to 1: in so many of the scenes. All else of a scene without
        one stays as it was. Bends only.
    """
    root = np.random.SeedSequence(seed)
    rngs = [np.random.default_rng(s) for s in root.spawn(14)]
    kind = pick(rngs[0], test, TESTS if test is None else (*TESTS, *BROKEN_TESTS, *MACRO_TESTS))
    names = {
        "test": kind,
        "finish": pick(rngs[1], finish, FRACTURES if kind in BROKEN_TESTS else CUTS if kind in MACRO_TESTS else FINISHES),
        "light": pick(rngs[2], light, LIGHTS),
        "bench": pick(rngs[3], bench, BENCHES),
        "camera": pick(rngs[4], camera, CAMERAS),
        "card": pick(rngs[5], card, ("strip", "strip", "frame", "none")[: 4 if kind in BROKEN_TESTS else 3])
        if card is None and kind not in MACRO_TESTS
        else pick(rngs[5], card, SECTION_CARDS if kind in MACRO_TESTS else CARDS),
    }
    if kind in (*BROKEN_TESTS, *MACRO_TESTS):
        options = {
            "clean": clean, "marks": marks, "width_px": width_px, "mm_per_px": mm_per_px, "height": height,
            "openings": openings, "ideal": ideal, "tilt_deg": tilt_deg, "half": half,
        }  # fmt: skip
        make = section_random.section_scene if kind in MACRO_TESTS else fracture_random.broken_scene
        return make(seed, rngs, names, CAMERAS, _imaging, options)
    ruled = rule is True or (rule is not False and rule_random.carries_rule(seed, rule))
    if ruled:
        names["card"] = "strip"
    specimen = _specimen(rngs[6], names["test"], names["card"], angle_deg)
    place = height or ("level", "level", "block", "bench", "unknown")[int(rngs[7].integers(5))]
    card_seed, camera_seed = (int(rngs[k].integers(1 << 62)) for k in (7, 8))
    for gap in np.arange(0.0, 40.0, 4.0):  # the card moves away until neither hides the other
        placed = _card(np.random.default_rng(card_seed), names["card"], specimen, place, gap)
        view = _camera(np.random.default_rng(camera_seed), names["camera"], specimen, placed, width_px, mm_per_px, tilt_deg)
        if _clear(specimen, placed, view):
            break
    weld = _weld(rngs[9], names["test"], specimen, names["finish"])
    metal = groups.finish(rngs[1], names["finish"], int(rngs[1].integers(1 << 31)))
    chosen = [] if clean else lot.openings(rngs[10], specimen, view, weld, openings)
    if names["card"] == "none":  # the two punched gauge points that the sheet's known length lies between
        points = truth.gauge_points_mm(specimen)
        chosen = [o for o in chosen if shapes.distance_to(o.outline_mm, points).min() > 1.0]
        gauge: tuple[Mark, ...] = (Mark(kind="punch", lines_mm=tuple(points[:, None]), size_mm=0.6, strength=0.25, seed=seed),)
    else:
        gauge = ()
    true_height = specimen.crown_height_mm + placed.origin_mm[2] if placed.kind != "none" else 0.0
    r = rngs[12]
    u_height = round(float(r.uniform(0.3, 1.5)), 1)
    known = None if place == "unknown" and placed.kind != "none" else true_height + float(r.normal(0, u_height / 2))
    printed = None
    if placed.shrink != (1.0, 1.0):
        printed = cards.SIZE_MM[placed.kind][0] * placed.shrink[0] + float(r.normal(0, 0.03))
    drawn = None
    if ruled:
        placed, drawn = rule_random.laid(seed, placed)
        printed, names["card"] = None, "rule"
    distance = float(np.linalg.norm(view.eye_mm - geometry.place(specimen, [[0.0, 0.0]])[0]))
    return Scene(
        seed=seed,
        id=f"SC-{seed:06d}",
        specimen=specimen,
        finish=metal,
        weld=weld,
        light=groups.light(rngs[2], names["light"], specimen, view),
        bench=Bench(name=names["bench"], clutter=int(rngs[3].integers(0, 9)), seed=int(rngs[3].integers(1 << 31))),
        card=placed,
        rule=drawn,
        camera=view,
        imaging=_imaging(rngs[4], view, specimen, ideal),
        openings=tuple(chosen),
        marks=gauge + (tuple(lot.face_marks(rngs[0], specimen, chosen)) if marks else ()),
        width_calliper_mm=specimen.width_mm + float(r.normal(0, 0.03)),
        parent_thickness_mm=specimen.thickness_mm if names["test"] != "side-bend" else specimen.width_mm,
        printed_length_mm=printed,
        surface_height_mm=known,
        surface_height_U_mm=u_height,
        camera_distance_mm=round(distance * float(r.normal(1, 0.02))) if r.random() < 0.3 else None,
        groups={**names, "height": place},
    )


def _specimen(rng: np.random.Generator, test: str, card: str, angle_deg: float | None) -> Specimen:
    thickness = float(rng.choice([6.0, 8.0, 10.0, 10.0, 12.0]) if test != "side-bend" else rng.choice([9.5, 10.0, 10.0]))
    former = float(rng.choice([3.0, 4.0, 4.0, 5.0])) * thickness
    width = float(rng.uniform(18, 40)) if test != "side-bend" else float(rng.choice([15.0, 20.0, 25.0, 30.0, 38.0]))
    if card == "frame":
        former, width = min(former, 80 - 2 * thickness), min(width, 36.0)
    radius = former / 2 + thickness
    angle = (
        angle_deg
        if angle_deg is not None
        else 180.0
        if rng.random() < 0.7
        else float(rng.choice([90.0, 120.0, 140.0, 160.0, 170.0]))
    )
    return Specimen(
        test=test,
        former_diameter_mm=round(former, 1),
        thickness_mm=thickness,
        width_mm=round(width, 2),
        angle_deg=angle,
        corner_mm=float(rng.uniform(0.5, min(2.0, 0.3 * thickness))),
        crown_height_mm=float(
            radius * (1 - np.cos(np.radians(angle / 2))) + rng.uniform(8, 45) * np.sin(np.radians(angle / 2))
        ),
        axis_angle_deg=float(rng.choice([0.0, 90.0]) + rng.normal(0, 3)),
    )


def _card(rng: np.random.Generator, kind: str, specimen: Specimen, height: str, gap_mm: float) -> Card:
    if kind == "none":
        return Card(kind="none")
    crown = specimen.crown_height_mm
    over = {
        "level": float(rng.choice([0.0, rng.normal(0, 2)])),
        "block": float(rng.uniform(0.15, 0.7)) * crown,
        "bench": crown - 0.15,
        "unknown": float(rng.choice([crown - 0.15, rng.uniform(0.3, 0.8) * crown])),
    }[height]
    z = -(crown - over)
    axis = np.radians(specimen.axis_angle_deg)
    along, across = np.array([np.cos(axis), np.sin(axis)]), np.array([np.sin(axis), -np.cos(axis)])
    turn = float(rng.normal(0, 3)) + (180.0 if rng.random() < 0.3 else 0.0)
    size = np.array(cards.SIZE_MM[kind])
    reach = specimen.radius_mm
    if kind == "frame":
        centre, angle = rng.normal(0, 1.5, 2), specimen.axis_angle_deg + 90 + turn
    elif rng.random() < 0.65:  # the strip lies before an edge of the bar, its length along the arc
        side = rng.choice([-1, 1])
        centre = side * along * (specimen.width_mm / 2 + gap_mm + rng.uniform(4, 14) + 10) + across * rng.normal(0, 5)
        angle = specimen.axis_angle_deg + 90 + turn
    else:
        side = rng.choice([-1, 1])
        feet = reach + (geometry.leg_length(specimen) * np.cos(geometry.half_angle(specimen)) if over > 0.8 * crown else 0)
        centre = side * across * (feet + gap_mm + rng.uniform(4, 12) + 10) + along * rng.normal(0, 5)
        angle = specimen.axis_angle_deg + turn
    shrink = (1.0, 1.0)
    if rng.random() >= 0.6:
        both = 1 + rng.normal(-0.002, 0.003) + np.array([0, rng.normal(0, 0.0006)])
        shrink = (float(both[0]), float(both[1]))
    turn_rad = np.radians(angle)
    frame = np.array([[np.cos(turn_rad), np.sin(turn_rad)], [-np.sin(turn_rad), np.cos(turn_rad)]])
    origin = np.asarray(centre) - (size * shrink / 2) @ frame
    return Card(
        kind=kind,
        origin_mm=(float(origin[0]), float(origin[1]), float(z)),
        angle_deg=float(angle),
        shrink=shrink,
        white=float(rng.uniform(0.7, 0.88)),
        black=float(rng.uniform(0.025, 0.07)),
        block=over < crown - 2,
    )


def _to_show(specimen: Specimen, card: Card) -> np.ndarray:
    """World points (N, 3) that the picture must hold: the bend, and the card where there is one."""
    reach = specimen.width_mm / 2
    shown = geometry.place(specimen, [[s, a] for s in np.linspace(-1.5, 1.5, 5) * specimen.radius_mm for a in (-reach, reach)])
    if card.kind == "none":
        return shown
    angle = np.radians(card.angle_deg)
    frame = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * cards.SIZE_MM[card.kind] @ frame
    return np.concatenate([shown, np.column_stack([corners, np.zeros(4)]) + card.origin_mm])


def _clear(specimen: Specimen, card: Card, camera: Camera) -> bool:
    """Whether the whole examined face and all markers can be seen past each other."""
    if card.kind == "none":
        return True
    angle = np.radians(card.angle_deg)
    frame = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    face = geometry.place(specimen, geometry.face_outline(specimen, camera, step_mm=2.0))
    rays = face - camera.eye_mm
    meets = camera.eye_mm + rays * ((card.origin_mm[2] - camera.eye_mm[2]) / rays[:, 2])[:, None]
    on_card = (meets[:, :2] - card.origin_mm[:2]) @ frame.T
    size, rim = np.array(cards.SIZE_MM[card.kind]), 4.0 if card.block else 1.0
    over = (on_card > -rim).all(1) & (on_card < size + rim).all(1) & (face[:, 2] > card.origin_mm[2] + 0.01)
    if card.kind == "frame":
        x0, y0, x1, y1 = cards.WINDOW_MM
        over &= ~((on_card > [x0 + 1, y0 + 1]) & (on_card < [x1 - 1, y1 - 1])).all(1)
    if over.any():
        return False
    half = cards.MARKER_MM / 2 + 1
    around = half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    corners = (np.array(list(cards.CENTRES_MM[card.kind].values()))[:, None] + around).reshape(-1, 2)
    points = np.column_stack([corners @ frame, np.zeros(len(corners))]) + card.origin_mm
    rays = points - camera.eye_mm
    length = np.linalg.norm(rays, axis=1)
    return bool((geometry.meet(specimen, camera.eye_mm, rays / length[:, None])["reach"] > length).all())


def _camera(
    rng: np.random.Generator,
    name: str,
    specimen: Specimen,
    card: Card,
    width_px: int,
    mm_per_px: float | None,
    tilt_deg: float | None,
) -> Camera:
    (low, high), nearest = CAMERAS[name]
    focal_35 = float(rng.uniform(low, high))
    short = round(width_px * 0.75)
    shown = _to_show(specimen, card) if mm_per_px is None else _to_show(specimen, Card(kind="none"))
    span = np.ptp(shown[:, :2], axis=0)
    portrait = bool(span[1] > span[0]) if rng.random() < 0.8 else bool(rng.random() < 0.5)
    size = (short, width_px) if portrait else (width_px, short)
    focal_px = focal_35 * np.hypot(*size) / np.hypot(36.0, 24.0)
    crown = np.array([0.0, 0.0, -specimen.crown_height_mm])
    tilt = float(min(abs(rng.normal(0, 7)), 20.0)) if tilt_deg is None else tilt_deg
    towards, roll = float(rng.uniform(0, 360)), float(rng.normal(0, 4))
    margin = float(rng.uniform(1.06, 1.35))
    k1 = 0.0 if rng.random() < 0.4 else float(np.clip(rng.normal(0, 0.012), -0.03, 0.03))
    shift = rng.normal(0, 0.003, 2) * size
    centre = ((size[0] - 1) / 2 + float(shift[0]), (size[1] - 1) / 2 + float(shift[1]))

    target = crown.copy()
    if mm_per_px is None:
        target[:2] = (shown[:, :2].min(0) + shown[:, :2].max(0)) / 2
    distance = max(nearest, 150.0) if mm_per_px is None else mm_per_px * focal_px

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

    # what EXIF says: often nothing is told; some makers refer to the long side instead of the diagonal; near focus lengthens
    told = rng.random() < 0.8
    stated = 36.0 / 43.27 * 1.25 if rng.random() < 0.25 else 1.0
    near = float(rng.uniform(0.0, 6.0))  # mm: a lens of that true focal length that moves out to focus
    if mm_per_px is None:
        for _ in range(60):  # step back until all that must show does
            view = at(distance)
            seen = (geometry.project(view, shown) - centre) / (np.array(size) / 2)
            if np.abs(seen).max() * margin < 1.0:
                break
            distance *= 1.04
    return at(distance)


def _weld(rng: np.random.Generator, test: str, specimen: Specimen, finish: str) -> Weld:
    etched = rng.random() < 0.55
    capped = test in ("face-bend", "root-bend", "longitudinal-bend") and rng.random() < 0.15 and finish != "polished"
    layout = {"side-bend": "section", "longitudinal-bend": "along"}.get(test, "across")
    half = float(rng.uniform(4, 11)) if layout != "along" else float(rng.uniform(0.15, 0.35)) * specimen.width_mm
    if test == "root-bend":
        half *= 0.55
    return Weld(
        layout=layout,
        half_width_mm=half,
        root_half_width_mm=half * float(rng.uniform(0.2, 0.5)),
        shape="K" if rng.random() < 0.4 else "V",
        wobble_mm=float(rng.uniform(0.15, 0.7)),
        contrast=float(rng.uniform(-0.3, 0.2)) if etched else float(rng.normal(0, 0.03)),
        line=float(rng.uniform(0.05, 0.4)) if etched else 0.0,
        haz_mm=float(rng.uniform(1, 3.5)),
        haz=float(rng.uniform(0.03, 0.2)) if etched else 0.0,
        ripple_mm=float(rng.uniform(0.8, 1.8)) if capped else 0.0,
        seed=int(rng.integers(1 << 31)),
    )


def _imaging(rng: np.random.Generator, view: Camera, specimen: Specimen | Broken, ideal: bool) -> Imaging:
    if ideal:
        return Imaging(off=True)
    px = view.width_px / 3264 if view.width_px >= view.height_px else view.height_px / 3264
    fine = geometry.mm_per_px(specimen, view)
    warm = float(rng.normal(0, 0.06))
    focus = float(rng.choice([0.0, -rng.uniform(2, 8), rng.normal(0, 1.0)]))
    return Imaging(
        psf_px=float(rng.uniform(0.55, 1.2)) * (0.6 + 0.4 * px),
        focus_height_mm=focus,
        defocus_px_per_mm=float(rng.uniform(0.01, 0.05)) * 0.05 / fine,
        vignette=float(rng.uniform(0.0, 0.35)),
        flare=float(rng.uniform(0.0, 0.03)),
        exposure=float(np.clip(rng.normal(0.27, 0.07), 0.12, 0.48)),
        paper=float(rng.choice([rng.uniform(0.6, 0.95), rng.uniform(0.95, 1.6)], p=[0.8, 0.2])),
        balance=(1 + warm, 1.0, 1 - warm),
        photons=float(10 ** rng.uniform(3.0, 4.3)),
        read_noise=float(rng.uniform(0.0005, 0.002)),
        chroma_blur_px=float(rng.choice([0.0, 1.0, 2.0])),
        sharpen=float(rng.choice([0.0, rng.uniform(0.2, 0.9)])),
        sharpen_px=float(rng.uniform(0.8, 1.6)),
        curve=float(rng.choice([0.0, rng.uniform(0.1, 0.45)])),
        jpeg_quality=int(rng.integers(80, 98)),
        seed=int(rng.integers(1 << 31)),
    )
