"""A broken specimen as a thing that sight lines and light meet: relief, hollows, shadows on the face, its sides."""

from __future__ import annotations

import cv2
import numpy as np

from specimeter.scene import geometry, light, marks
from specimeter.scene.describe import Lamp, Light, Scene, broken_end
from specimeter.scene.fracture_features import work_in
from specimeter.scene.fracture_relief import Relief, make
from specimeter.scene.material import noise

TOP, WALL = 1, 2
_FINER = 1.35  # texels to a pixel
_STEPS = 28


def relief_of(scene: Scene, per_mm: float | None = None) -> Relief:
    """The maps of a scene's broken end with all features and marks."""
    specimen, finish = broken_end(scene)
    relief = make(specimen, finish, per_mm or _FINER / geometry.mm_per_px(specimen, scene.camera))
    for feature in scene.openings:
        work_in(relief, feature)
    for mark in scene.marks:
        marks.apply(relief.maps, mark)
    return relief


class BrokenEnd:
    """A scene's broken specimen, prepared once."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.specimen = broken_end(scene)[0]
        self.px_per_mm = 1 / geometry.mm_per_px(self.specimen, scene.camera)
        self.relief = relief_of(scene)
        self.maps = self.relief.maps
        self.frame = geometry.axes(self.specimen)
        self.crown = geometry.crown(self.specimen)
        hollow_a, hollow_s = np.gradient(self.relief.hollow * np.float32(self.maps.per_mm))
        within = self.relief.hollow > 0  # a rim is no part of its hollow: differences reach over it, slopes may not
        self.maps.slope_s -= np.clip(hollow_s, -4, 4) * within
        self.maps.slope_a -= np.clip(hollow_a, -4, 4) * within
        self.slopes = np.dstack([self.maps.slope_s, self.maps.slope_a, self.maps.rough])
        whole = self.relief.height - self.relief.hollow
        self.whole = whole
        self.lit = np.dstack([self._lit(whole, lamp) for lamp in scene.light.lamps])
        self.open = self._open(whole)
        self.wall = noise(np.random.default_rng(scene.seed + 5), (256, 256), 8.0, (0.4, 3.0))

    def box(self) -> np.ndarray:
        """World corners, shape (8, 3), of a box that holds it."""
        low, high = self.specimen.body_mm.min(0), self.specimen.body_mm.max(0)
        top, foot = 2.0, -self.specimen.crown_height_mm
        local = [[s, a, z] for s in (low[0], high[0]) for a in (low[1], high[1]) for z in (foot, top)]
        return np.array(local) @ self.frame + self.crown

    def _at(self, field: np.ndarray, s: np.ndarray, a: np.ndarray) -> np.ndarray:
        """Values of a map, shape (N, ...), at developed s, a (N,); its border's beyond it."""
        count, width = len(s), 4096
        pad = -count % width
        column, row = (
            np.pad(((v - start) * self.maps.per_mm).astype(np.float32), (0, pad)).reshape(-1, width)
            for v, start in ((s, self.maps.s0), (a, self.maps.a0))
        )
        if not count:
            return np.zeros((0, *field.shape[2:]), np.float32)
        found = np.asarray(cv2.remap(field, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
        return found.reshape(count + pad, *field.shape[2:])[:count]

    def meet(self, rays: np.ndarray) -> dict[str, np.ndarray]:
        """Where unit sight lines (N, 3) first meet it: `part` (0: they miss), `reach` in mm, and what shading needs."""
        eye = (self.scene.camera.eye_mm - self.crown) @ self.frame.T
        d = rays @ self.frame.T.astype(rays.dtype)
        count = len(rays)
        part, normal = np.zeros(count, np.uint8), np.zeros((count, 3), np.float32)
        lead = (-eye[2] / d[:, 2]).astype(np.float32)  # to the mean plane; all else is counted from there
        p = (eye + lead[:, None].astype(float) * d).astype(np.float32)
        z = np.zeros(count, np.float32)
        run = d[:, :2] / -d[:, 2:]  # mm sideways for each mm down
        for _ in range(6):
            height = self._at(self.relief.height, p[:, 0] - run[:, 0] * z, p[:, 1] - run[:, 1] * z)
            z += 0.8 * (height - z)
        s, a = p[:, 0] - run[:, 0] * z, p[:, 1] - run[:, 1] * z
        top = self._at(self.relief.inside, s, a) > 0
        part[top] = TOP
        index = np.flatnonzero(top)
        deep = self._descend(s[index], a[index], run[index])
        s[index] += run[index, 0] * deep
        a[index] += run[index, 1] * deep
        z[index] -= deep
        self._walls(part, s, a, z, p, run, normal)
        reach = lead + z / d[:, 2].astype(np.float32)
        reach = np.where(part > 0, reach, np.inf).astype(np.float32)
        return {"part": part, "reach": reach, "s": s, "a": a, "z": z, "normal": normal}

    def _descend(self, s: np.ndarray, a: np.ndarray, run: np.ndarray) -> np.ndarray:
        """How far down sight lines end that enter a hollow at s, a; 0 elsewhere."""
        result = np.zeros(len(s), np.float32)
        index = np.flatnonzero(self._at(self.relief.hollow, s, a) > 1e-3) if len(s) else np.zeros(0, int)
        if not len(index):
            return result
        s, a, run = s[index], a[index], run[index]
        deepest = float(self.relief.hollow.max())
        deep, over = np.zeros(len(index), np.float32), self._at(self.relief.hollow, s, a)
        running, step = np.ones(len(index), bool), np.float32(deepest / _STEPS)
        for _ in range(_STEPS):
            ahead = deep + step
            gap = self._at(self.relief.hollow, s + run[:, 0] * ahead, a + run[:, 1] * ahead) - ahead
            end = running & (gap <= 0)
            deep = np.where(end, deep + step * over / np.maximum(over - gap, 1e-6), np.where(running, ahead, deep))
            over = np.where(running, np.maximum(gap, 0), over)
            running &= ~end
        result[index] = deep
        return result

    def _walls(
        self,
        part: np.ndarray,
        s: np.ndarray,
        a: np.ndarray,
        z: np.ndarray,
        p: np.ndarray,
        run: np.ndarray,
        normal: np.ndarray,
    ) -> None:
        """Sight lines that miss the top but meet a side below it."""
        foot = self.specimen.crown_height_mm
        index = np.flatnonzero(part == 0)
        if not len(index):
            return
        down = np.concatenate([np.linspace(-1.5, 2, 8), np.linspace(2, foot, 28)[1:]]).astype(np.float32)
        before = np.full(len(index), -1.0, np.float32)
        left = np.ones(len(index), bool)
        for k, depth in enumerate(down):
            at_s, at_a = p[index, 0] + run[index, 0] * depth, p[index, 1] + run[index, 1] * depth
            gap = self._at(self.relief.inside, at_s, at_a)
            below = self._at(self.relief.height, at_s, at_a) > -depth
            hit = left & (gap > 0) & below & (before <= 0)
            if hit.any() and k:
                share = before[hit] / (before[hit] - gap[hit] - 1e-6)
                at = down[k - 1] + (depth - down[k - 1]) * np.clip(share, 0, 1)
                chosen = index[hit]
                part[chosen], z[chosen] = WALL, -at
                s[chosen], a[chosen] = p[chosen, 0] + run[chosen, 0] * at, p[chosen, 1] + run[chosen, 1] * at
            left &= ~hit
            before = gap
        wall = np.flatnonzero(part == WALL)
        if len(wall):
            e = np.float32(0.3)
            gs = self._at(self.relief.inside, s[wall] - e, a[wall]) - self._at(self.relief.inside, s[wall] + e, a[wall])
            ga = self._at(self.relief.inside, s[wall], a[wall] - e) - self._at(self.relief.inside, s[wall], a[wall] + e)
            normal[wall] = light.unit(np.column_stack([np.atleast_1d(gs), np.atleast_1d(ga), np.full(len(wall), 1e-3)]))

    def blocked(self, points: np.ndarray, rays: np.ndarray) -> np.ndarray:
        """1 where it stands between a point on the bench and the sky along a ray, (N,) float32."""
        p = ((points - self.crown) @ self.frame.T).astype(np.float32)
        d = (rays @ self.frame.T).astype(np.float32)
        result = np.zeros(len(p), np.float32)
        reach = (-p[:, 2]) / np.maximum(d[:, 2], 1e-3)  # up to the level of the face
        reach = np.minimum(reach, 400)
        (s0, a0), (s, a), (ds, da) = np.array([self.maps.s0, self.maps.a0]), p[:, :2].T.copy(), d[:, :2].T.copy()
        rows, columns = np.array(self.maps.shape) / self.maps.per_mm
        for share in (np.arange(20, dtype=np.float32) + 0.5) / 20:
            at = reach * share
            qs, qa = s + ds * at, a + da * at
            near = (qs > s0) & (qa > a0) & (np.abs(qs - s0) < columns) & (np.abs(qa - a0) < rows)
            index = np.flatnonzero(near & (result == 0))
            if len(index):
                result[index] = self._at(self.relief.inside, qs[index], qa[index]) > 0
        return result

    def central(self, part: dict[str, np.ndarray]) -> np.ndarray:
        """Which points met, (N,) bool, a camera's meter looks at."""
        return part["part"] == TOP

    def carve(self, rgb: np.ndarray) -> None:
        """Nothing: hollows are met by sight lines."""

    def _lit(self, whole: np.ndarray, lamp: Lamp) -> np.ndarray:
        """Share of a lamp's disc that each texel sees over the relief round it."""
        toward = self.frame @ (np.asarray(lamp.place_mm) - self.crown)
        distance = float(np.linalg.norm(toward))
        flat = np.hypot(*toward[:2])
        rise = float(toward[2] / max(flat, 1e-3))
        size = max(lamp.radius_mm / distance, 0.02) * (1 + rise * rise)
        if rise > 6:
            return np.ones(whole.shape, np.float32)
        step = toward[:2] / flat * self.maps.per_mm
        seen = np.ones(whole.shape, np.float32)
        for reach in np.geomspace(1.2 / self.maps.per_mm, 3.0 / max(rise, 0.25), 14):
            move = np.array([[1, 0, step[0] * reach], [0, 1, step[1] * reach]], np.float32)
            ahead = np.asarray(
                cv2.warpAffine(
                    whole,
                    move,
                    whole.shape[::-1],
                    flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                    borderMode=cv2.BORDER_REPLICATE,
                )
            ).reshape(whole.shape)
            over = (ahead - whole) / np.float32(reach) - np.float32(rise)  # slope above the lamp's middle
            seen = np.minimum(seen, np.clip(0.5 - 0.5 * over / np.float32(size), 0, 1))
        return seen

    def _open(self, whole: np.ndarray) -> np.ndarray:
        """Share of the sky that each texel sees, from how deep it lies below its surroundings."""
        buried = np.zeros(whole.shape, np.float32)
        for size_mm in (0.12, 0.4, 1.2):
            low = cv2.GaussianBlur(whole, (0, 0), max(size_mm * self.maps.per_mm, 0.8))
            buried += np.clip((low - whole) / np.float32(size_mm), -0.3, 2.0)
        return np.exp(-0.75 * np.clip(buried, -0.3, None)).clip(0.08, 1.15)

    def shade(self, points: np.ndarray, view: np.ndarray, part: dict[str, np.ndarray]) -> np.ndarray:
        """Radiance (N, 3) of points met, for sight lines that come from `view`."""
        scene = self.scene
        s, a = part["s"], part["a"]
        wall = part["part"] == WALL
        slopes = self._at(self.slopes, s, a).reshape(-1, 3)
        metal, body = (self._at(field, s, a).reshape(-1, 3) for field in (self.maps.metal, self.maps.body))
        local = light.unit(np.column_stack([-slopes[:, 0], -slopes[:, 1], np.ones(len(s), np.float32)]))
        rough = slopes[:, 2]
        if wall.any():
            local[wall] = part["normal"][wall]
            u, v = (s[wall] + a[wall]) * 8, part["z"][wall] * 8
            grain = self.wall[v.astype(int) % 256, u.astype(int) % 256]
            tone = np.random.default_rng(scene.seed + 6).uniform(0.08, 0.45) * (1 + 0.2 * grain)
            metal[wall], body[wall], rough[wall] = tone[:, None], 0.35 * tone[:, None], 0.4
        normal = (local @ self.frame.astype(np.float32)).astype(np.float32)
        facing = np.einsum("ij,ij->i", normal, view)
        lay = np.broadcast_to(self.frame[0].astype(np.float32), normal.shape)
        lit = self._at(self.lit, s, a).reshape(len(s), -1)
        lit[wall] = 1
        around = self._at(self.open, s, a)
        around = np.where(wall, 0.6, around).astype(np.float32)
        rgb = np.zeros((len(s), 3), np.float32)
        dark = Light(name="room", lamps=(), ambient=scene.light.ambient, ambient_colour=scene.light.ambient_colour)
        rgb += light.metal(dark, points, view, normal, lay, rough, rough, metal, body, self.crown) * around[:, None]
        for number, lamp in enumerate(scene.light.lamps):
            one = Light(name="lamp", lamps=(lamp,), ambient=0.0)
            rgb += light.metal(one, points, view, normal, lay, rough, rough, metal, body, self.crown) * lit[:, number, None]
        return rgb * np.clip(facing + 1.2, 0.2, 1)[:, None]
