"""A cut section as a thing that sight lines and light meet: ground metal, etched or not, bare on the bench or in resin."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import ArrayLike

from specimeter.scene import geometry, light, marks, shapes
from specimeter.scene.describe import Broken, Cut, Light, Opening, Scene, record, shows_no
from specimeter.scene.fracture import TOP, BrokenEnd
from specimeter.scene.fracture_features import work_in
from specimeter.scene.fracture_relief import MARGIN_MM, Relief, grains, mask, signed_mm
from specimeter.scene.material import RUST, Maps, blotches, noise, ramp
from specimeter.scene.section_joint import Joint

FINER, FINER_EDGE = 1.15, 2.6  # texels to a pixel, of the metal's looks and of its outline


@record
class Section(Broken):
    """A cut through a weld, its cut surface up and level; developed [s, a] is [x, -y] of the joint's drawing, moved.

    `body_mm` is what stands on the bench (the metal, or the resin round it), `face_mm` the metal's outline.
    """

    joint: Joint
    shift_mm: np.ndarray  # (2,): developed place of the joint's [0, 0]
    mount: str = "bare"  # bare | resin
    resin: tuple[float, float, float] = (0.03, 0.03, 0.03)  # reflectance
    gap_mm: float = 0.1  # width of unfused lines
    shrunk_mm: float = 0.0  # how far the resin has drawn back from the metal: a dark line round it

    def developed(self, points: ArrayLike) -> np.ndarray:
        """Developed [s, a], shape (N, 2), of points of the joint's drawing."""
        return np.asarray(points, float).reshape(-1, 2) * [1.0, -1.0] + self.shift_mm


def cut_of(scene: Scene) -> tuple[Section, Cut]:
    """The section of a scene that shows a cut, and its surface; TypeError if the scene shows something else."""
    if isinstance(scene.specimen, Section) and isinstance(scene.finish, Cut):
        return scene.specimen, scene.finish
    raise TypeError(shows_no(scene, "Section with its Cut"))


def relief_of(scene: Scene, per_mm: float) -> Relief:
    """The maps of a cut with all features and marks."""
    specimen, cut = cut_of(scene)
    rng = np.random.default_rng(cut.seed)
    low, high = specimen.body_mm.min(0) - MARGIN_MM, specimen.body_mm.max(0) + MARGIN_MM
    shape = tuple(np.ceil((high - low) * per_mm).astype(int)[::-1] + 1)
    blank = np.zeros(shape, np.float32)
    maps = Maps(
        per_mm=per_mm,
        s0=float(low[0]),
        a0=float(low[1]),
        slope_s=blank.copy(),
        slope_a=blank.copy(),
        metal=np.zeros((*shape, 3), np.float32),
        body=np.zeros((*shape, 3), np.float32),
        rough=np.full(shape, cut.rough, np.float32),
    )
    tone = 1 + 0.05 * blotches(rng, shape, 7.0, per_mm) + 0.03 * blotches(rng, shape, 1.5, per_mm)
    angle = np.radians(cut.lay_deg + 90)
    grind = noise(rng, shape, per_mm, tuple(max(v, 1.5 / per_mm) for v in cut.lay_mm), stretch=40.0, angle_deg=cut.lay_deg)
    maps.slope_s += grind * np.float32(cut.lay * np.cos(angle))
    maps.slope_a += grind * np.float32(cut.lay * np.sin(angle))
    tone += np.float32(min(0.3 * cut.lay, 0.05)) * grind
    if cut.saw:
        turn = cut.lay_deg + rng.uniform(20, 90)
        lines = noise(rng, shape, per_mm, (cut.saw_mm,), stretch=25.0, angle_deg=turn) * ramp(
            blotches(rng, shape, 14.0, per_mm), -0.6, 1.0
        )
        maps.slope_s += lines * np.float32(cut.saw * np.cos(np.radians(turn + 90)))
        maps.slope_a += lines * np.float32(cut.saw * np.sin(np.radians(turn + 90)))
    colour = cut.level * np.array([1 + cut.warm, 1, 1 - cut.warm], np.float32)
    maps.metal[:] = np.clip(tone, 0.4, 1.6)[..., None] * colour
    maps.body[:] = maps.metal * np.float32(cut.diffuse)
    if cut.etch:
        _etch(maps, specimen, cut, rng)
    _gaps(maps, specimen)
    inside = signed_mm(mask(maps, specimen.body_mm), per_mm)
    if cut.extra.get("scale_mm"):  # mill scale and rust seen edge on
        rim = signed_mm(mask(maps, specimen.face_mm), per_mm) + 0.03 * blotches(rng, shape, 1.0, per_mm)
        dark = (0.8 * (1 - ramp(rim, 0.5 * cut.extra["scale_mm"], cut.extra["scale_mm"])))[..., None].astype(np.float32)
        maps.metal *= 1 - dark
        maps.body += (RUST * np.float32(0.35) - maps.body) * dark
    if cut.rust:
        cover = (
            ramp(blotches(rng, shape, 5.0, per_mm) + 0.6 * blotches(rng, shape, 1.2, per_mm), 2.0 - cut.rust, 3.0)[..., None]
            * 0.8
        ).astype(np.float32)
        maps.body += (RUST * np.float32(rng.uniform(0.6, 1.1)) - maps.body) * cover
        maps.metal *= 1 - 0.85 * cover
    relief = Relief(maps=maps, height=blank.copy(), hollow=blank, inside=inside, face=np.ones(shape, np.float32))
    for one in scene.openings:
        (_slit if one.form in ("line", "lamination") else work_in)(relief, one)
    for mark in scene.marks:
        marks.apply(maps, mark)
    return relief


def etched(specimen: Section, cut: Cut, per_mm: float) -> np.ndarray:
    """How strongly each texel of a cut's maps is etched, float32 (rows, columns); 0: not at all, 1: strongly."""
    rng = np.random.default_rng([cut.seed, 3])
    low, high = specimen.body_mm.min(0) - MARGIN_MM, specimen.body_mm.max(0) + MARGIN_MM
    shape = tuple(np.ceil((high - low) * per_mm).astype(int)[::-1] + 1)
    strength = np.float32(cut.etch) * (1 + 0.12 * blotches(rng, shape, 8.0, per_mm))
    rows, columns = np.indices(shape, sparse=True)
    if cut.patchy:
        turn = rng.uniform(0, 2 * np.pi)
        slope = (columns / shape[1] - 0.5) * np.cos(turn) + (rows / shape[0] - 0.5) * np.sin(turn)
        strength = strength * (1 - cut.patchy * ramp(3 * slope + 0.5 * blotches(rng, shape, 10.0, per_mm), -0.4, 0.8))
    if cut.extra.get("swab_mm"):  # only wiped over the weld: the swab's track ends somewhere in the plates
        weld = specimen.developed(specimen.joint.weld)
        middle = (weld.mean(0) - low) * per_mm
        reach = np.hypot(columns - middle[0], rows - middle[1]) / per_mm
        size = cut.extra["swab_mm"] * float(np.ptp(weld, axis=0).max())
        strength = strength * ramp(size + 0.8 * blotches(rng, shape, 4.0, per_mm) - reach, -0.4, 0.4)
    return strength.astype(np.float32)


def _etch(maps: Maps, specimen: Section, cut: Cut, rng: np.random.Generator) -> None:
    """Weld metal, fusion line and heat-affected zone as an etchant shows them."""
    shape, per_mm = maps.shape, maps.per_mm
    joint = specimen.joint
    strength = etched(specimen, cut, per_mm)
    ragged = 0.06 * blotches(rng, shape, 0.5, per_mm)
    tone: np.ndarray = np.ones(shape, np.float32)
    for polygon in (joint.weld, *joint.others):
        share = mask(maps, specimen.developed(polygon))
        inner = (signed_mm(share, per_mm) + ragged).astype(np.float32)
        weld = ramp(inner, -0.06, 0.06)
        middle = specimen.developed(polygon).mean(0)
        texels = maps.texel(middle)[0]
        y, x = np.indices(shape, dtype=np.float32)
        towards = np.degrees(np.arctan2(y - np.float32(texels[1]), x - np.float32(texels[0]))) % 180
        grain: np.ndarray = np.zeros(shape, np.float32)
        for k in range(4):  # columns grow from the fusion line to the middle
            near = np.clip(1 - np.abs((towards - 45 * k + 90) % 180 - 90) / 45, 0, 1)
            grain += near * noise(rng, shape, per_mm, (max(cut.column_mm, 2 / per_mm),), stretch=5.0, angle_deg=45.0 * k)
        _, _, facet = grains(rng, shape, per_mm, max(cut.column_mm * 1.6, 3 / per_mm), 0.1)
        grain = 0.7 * grain + 0.5 * facet
        haz = ramp(inner, -cut.haz_mm, -0.02) * (1 - weld)
        fine = ramp(inner, -0.98 * cut.haz_mm, -0.94 * cut.haz_mm) * (1 - weld)  # its outer border is a step, a little
        line = np.exp(-0.5 * (inner / 0.07) ** 2)
        tone += strength * (
            cut.weld_tone * weld + cut.columns * weld * grain + cut.haz_tone * (0.55 * haz + 0.45 * fine) - cut.line * line
        )
        for run in joint.runs:
            edge = np.zeros(shape, np.uint8)
            points = np.round(maps.texel(specimen.developed(run)) * 16).astype(np.int32)
            cv2.polylines(edge, [points.reshape(-1, 1, 2)], False, 255, max(1, round(0.12 * per_mm)), cv2.LINE_AA, 4)
            band = cv2.GaussianBlur(edge.astype(np.float32) / 255, (0, 0), 0.1 * per_mm + 0.3)
            tone -= strength * np.float32(cut.runs) * band * weld
        maps.rough *= 1 + 0.25 * strength * weld
    parent = noise(rng, shape, per_mm, (max(0.12, 2 / per_mm), 0.5), stretch=3.0, angle_deg=cut.extra.get("rolling_deg", 0.0))
    tone += 0.05 * strength * parent
    if cut.stain:
        field = blotches(rng, shape, 6.0, per_mm) + 0.5 * blotches(rng, shape, 1.5, per_mm)
        tone -= np.float32(cut.stain) * ramp(field, 0.8, 2.2)
    tone = np.clip(tone, 0.12, 1.7)[..., None]
    dark = np.clip(1 - tone, 0, 1)
    hue = 1 + dark * (np.array(cut.tint, np.float32) - 1)
    dull = np.float32(1 - 0.25 * cut.etch)
    maps.metal *= tone * hue * dull
    maps.body *= (0.4 + 0.6 * tone) * hue * np.float32(1 + 0.5 * cut.etch)


def _slit(relief: Relief, one: Opening) -> None:
    """A crack, an unfused line or a lamination that a cut crosses: a dark gap, at times with oxide or grinding dust in it."""
    rng, maps = np.random.default_rng(one.seed), relief.maps
    texels = maps.texel(one.outline_mm)
    low = np.maximum(np.floor(texels.min(0)).astype(int) - 1, 0)
    high = np.minimum(np.ceil(texels.max(0)).astype(int) + 2, maps.shape[::-1])
    if (high <= low).any():
        return
    size = high - low
    share = shapes.coverage(texels, low[0], low[1], size[0], size[1]).astype(np.float32)
    own = np.float32(rng.choice([rng.uniform(0.02, 0.2), rng.uniform(0.2, 0.45)], p=[0.75, 0.25]))  # of the metal's light
    left = np.clip(own * np.exp(0.4 * blotches(rng, share.shape, 0.4, maps.per_mm)), 0, 0.6)[..., None]
    box, share = np.s_[low[1] : high[1], low[0] : high[0]], share[..., None]
    colour = (1 + rng.normal(0, 0.06, 3)).astype(np.float32)
    for look in (maps.metal, maps.body):
        look[box] *= 1 - share * (1 - left * colour)
    for slope in (maps.slope_s, maps.slope_a):
        slope[box] *= 1 - share[..., 0]


def _gaps(maps: Maps, specimen: Section) -> None:
    """Lines along which the plates lie on each other, or stand apart, without being fused: dark."""
    thick = max(1, round(specimen.gap_mm * maps.per_mm))
    for gap in specimen.joint.gaps:  # with square ends: a round one would reach half of its width beyond what it is said to
        one, two = maps.texel(specimen.developed(gap))
        way = (two - one) / np.hypot(*(two - one))
        side = 0.5 * thick * np.array([-way[1], way[0]])
        ring = np.array([one + side, two + side, two - side, one - side])
        low = np.maximum(np.floor(ring.min(0)).astype(int) - 1, 0)
        size = np.minimum(np.ceil(ring.max(0)).astype(int) + 2, maps.shape[::-1]) - low
        if (size <= 0).any():
            continue
        share = shapes.coverage(ring, low[0], low[1], size[0], size[1]).astype(np.float32)[..., None]
        dark = share * np.float32(min(1.0, 0.5 + 3 * specimen.gap_mm))
        box = np.s_[low[1] : low[1] + size[1], low[0] : low[0] + size[0]]
        maps.metal[box] *= 1 - 0.93 * dark
        maps.body[box] *= 1 - 0.85 * dark


class CutFace(BrokenEnd):
    """A scene's cut section, prepared once."""

    specimen: Section

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.specimen, self.cut = cut_of(scene)
        self.px_per_mm = 1 / geometry.mm_per_px(self.specimen, scene.camera)
        self.relief = relief_of(scene, FINER * self.px_per_mm)
        self.maps = self.relief.maps
        self.frame = geometry.axes(self.specimen)
        self.crown = geometry.crown(self.specimen)
        hollow_a, hollow_s = np.gradient(self.relief.hollow * np.float32(self.maps.per_mm))
        within = self.relief.hollow > 0  # as on a broken face: differences reach over a rim, slopes may not
        self.maps.slope_s -= np.clip(hollow_s, -4, 4) * within
        self.maps.slope_a -= np.clip(hollow_a, -4, 4) * within
        self.slopes = np.dstack([self.maps.slope_s, self.maps.slope_a, self.maps.rough])
        whole = -self.relief.hollow
        self.lit = np.dstack([self._lit(whole, lamp) for lamp in scene.light.lamps])
        self.open = self._open(whole)
        self.wall = noise(np.random.default_rng(scene.seed + 5), (256, 256), 8.0, (0.4, 3.0))
        self.edge_per_mm = FINER_EDGE * self.px_per_mm
        self.metal_share = self._fine(self.specimen.face_mm)
        self.body_share = self.metal_share if self.specimen.mount == "bare" else self._fine(self.specimen.body_mm)
        if self.specimen.shrunk_mm:
            wide = cv2.GaussianBlur(self.metal_share, (0, 0), max(self.specimen.shrunk_mm * self.edge_per_mm, 0.5))
            self.near_metal = np.clip(3 * wide, 0, 1)
        self._dull_edges()

    def _fine(self, outline_mm: np.ndarray) -> np.ndarray:
        """Share of each fine texel inside an outline, float32."""
        low, high = self.specimen.body_mm.min(0) - MARGIN_MM, self.specimen.body_mm.max(0) + MARGIN_MM
        self.low = low.astype(np.float32)
        size = np.ceil((high - low) * self.edge_per_mm).astype(int) + 1
        return shapes.coverage((outline_mm - low) * self.edge_per_mm, 0, 0, int(size[0]), int(size[1]), lines=4).astype(
            np.float32
        )

    def _pick(self, field: np.ndarray, s: np.ndarray, a: np.ndarray) -> np.ndarray:
        count, width = len(s), 4096
        if not count:
            return np.zeros(0, np.float32)
        pad = -count % width
        x, y = (
            np.pad(((v - low) * np.float32(self.edge_per_mm)).astype(np.float32), (0, pad)).reshape(-1, width)
            for v, low in ((s, self.low[0]), (a, self.low[1]))
        )
        return np.asarray(cv2.remap(field, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)).reshape(-1)[:count]

    def _dull_edges(self) -> None:
        """A narrow broken edge round the metal, which leans outwards."""
        width = self.cut.chamfer_mm
        if not width:
            return
        depth = signed_mm(mask(self.maps, self.specimen.face_mm), self.maps.per_mm)
        lean = np.float32(0.8) * (1 - ramp(depth, 0.6 * width, width))
        ga, gs = np.gradient(depth * np.float32(self.maps.per_mm))
        self.slopes[..., 0] -= lean * np.clip(gs, -1, 1)
        self.slopes[..., 1] -= lean * np.clip(ga, -1, 1)

    def meet(self, rays: np.ndarray) -> dict[str, np.ndarray]:
        """As of a broken end, on a level cut with a finely drawn outline."""
        eye = (self.scene.camera.eye_mm - self.crown) @ self.frame.T
        d = rays @ self.frame.T.astype(rays.dtype)
        count = len(rays)
        part, normal = np.zeros(count, np.uint8), np.zeros((count, 3), np.float32)
        lead = (-eye[2] / d[:, 2]).astype(np.float32)
        p = (eye + lead[:, None].astype(float) * d).astype(np.float32)
        z = np.zeros(count, np.float32)
        run = d[:, :2] / -d[:, 2:]
        s, a = p[:, 0].copy(), p[:, 1].copy()
        part[self._pick(self.body_share, s, a) > 0.5] = TOP
        index = np.flatnonzero(part == TOP)
        deep = self._descend(s[index], a[index], run[index])
        s[index] += run[index, 0] * deep
        a[index] += run[index, 1] * deep
        z[index] -= deep
        self._walls(part, s, a, z, p, run, normal)
        reach = lead + z / d[:, 2].astype(np.float32)
        reach = np.where(part > 0, reach, np.inf).astype(np.float32)
        return {"part": part, "reach": reach, "s": s, "a": a, "z": z, "normal": normal, "flat_s": p[:, 0], "flat_a": p[:, 1]}

    def shade(self, points: np.ndarray, view: np.ndarray, part: dict[str, np.ndarray]) -> np.ndarray:
        """Radiance (N, 3): the metal's, and round it the resin's."""
        rgb = super().shade(points, view, part)
        scene = self.scene
        if self.specimen.mount == "bare":
            return rgb
        share = np.where(part["part"] == TOP, self._pick(self.metal_share, part["flat_s"], part["flat_a"]), 0.0)[:, None]
        count = len(points)
        normal = np.broadcast_to(self.frame[2].astype(np.float32), (count, 3)).copy()
        grain = self.wall[(part["flat_a"] * 3).astype(int) % 256, (part["flat_s"] * 3).astype(int) % 256]
        body = np.array(self.specimen.resin, np.float32) * (1 + 0.08 * grain)[:, None]
        gloss = np.full((count, 3), 0.03, np.float32)
        rough = np.full(count, 0.3, np.float32)
        lay = np.broadcast_to(self.frame[0].astype(np.float32), normal.shape)
        all_light = Light(
            name="all", lamps=scene.light.lamps, ambient=scene.light.ambient, ambient_colour=scene.light.ambient_colour
        )
        if self.specimen.shrunk_mm:
            near = self._pick(self.near_metal, part["flat_s"], part["flat_a"])[:, None]
            body = body * (1 - 0.8 * near)
            gloss *= 1 - near
        resin = light.metal(all_light, points, view, normal, lay, rough, rough, gloss, body, self.crown)
        return (share * rgb + (1 - share) * resin).astype(np.float32)

    def central(self, part: dict[str, np.ndarray]) -> np.ndarray:
        """Which points met, (N,) bool, a camera's meter looks at: the metal."""
        return (part["part"] == TOP) & (self._pick(self.metal_share, part["flat_s"], part["flat_a"]) > 0.5)
