"""The bent bar as a thing that sight lines and light meet: where they meet it, how it shines, what it hides."""

from __future__ import annotations

import numpy as np

from specimeter.scene import geometry, light, marks, material, voids
from specimeter.scene.describe import Scene, bent_bar


class Bar:
    """A scene's bent bar, prepared once: its maps with every mark and lip worked in."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.specimen, self.finish, weld = bent_bar(scene)
        self.crown = geometry.crown(self.specimen)
        self.px_per_mm = 1 / geometry.mm_per_px(self.specimen, scene.camera)
        self.maps = material.make(self.specimen, self.finish, weld, self.px_per_mm * 1.3)
        for opening in scene.openings:
            marks.lip(self.maps, opening)
        for mark in scene.marks:
            marks.apply(self.maps, mark)
        self.relief = np.dstack([self.maps.slope_s, self.maps.slope_a, self.maps.rough])

    def box(self) -> np.ndarray:
        """World corners, shape (8, 3), of a box that holds it."""
        return geometry.box(self.specimen)

    def meet(self, rays: np.ndarray) -> dict[str, np.ndarray]:
        """Where unit sight lines (N, 3) first meet it: `part` (0: they miss), `reach` in mm, and what shading needs."""
        return geometry.meet(self.specimen, self.scene.camera.eye_mm, rays)

    def blocked(self, points: np.ndarray, rays: np.ndarray) -> np.ndarray:
        """1 where it stands between a point on the bench and the sky along a ray, (N,) float32."""
        return light.behind_bar(self.specimen, points, rays)

    def central(self, part: dict[str, np.ndarray]) -> np.ndarray:
        """Which points met, (N,) bool, a camera's meter looks at."""
        return (part["part"] == geometry.FACE) & (np.abs(part["s"]) < 0.7 * self.specimen.radius_mm)

    def carve(self, rgb: np.ndarray) -> None:
        """Blend its openings into the linear picture (H, W, 3), in place."""
        for opening in self.scene.openings:
            voids.carve(rgb, self.scene, opening)

    def shade(self, points: np.ndarray, view: np.ndarray, part: dict[str, np.ndarray]) -> np.ndarray:
        """Radiance (N, 3) of points met, for sight lines that come from `view`."""
        scene, specimen, finish, maps = self.scene, self.specimen, self.finish, self.maps
        side = part["part"] == geometry.SIDE
        inside = part["part"] == geometry.INSIDE
        a = np.where(side, part["depth"] - specimen.width_mm / 2, part["a"])
        relief = maps.sample(self.relief, part["s"], a).reshape(-1, 3)
        reflect, body = (maps.sample(m, part["s"], a).reshape(-1, 3) for m in (maps.metal, maps.body))
        normal = part["normal"]
        axis = np.broadcast_to(geometry.axes(specimen)[1].astype(np.float32), normal.shape)
        theta = np.clip(part["s"] / specimen.radius_mm, *(geometry.half_angle(specimen) * np.array([-1, 1])))
        frame = geometry.axes(specimen).astype(np.float32)
        radial = np.sin(theta)[:, None] * frame[0] + np.cos(theta)[:, None] * frame[2]
        along_s = light.unit(np.cross(axis, radial))
        along_a = light.unit(np.where(side[:, None], -radial, np.cross(normal, along_s)))
        bumpy = light.unit(normal - relief[:, :1] * along_s - relief[:, 1:2] * along_a)
        lay = np.radians(finish.lay_deg)
        lay = np.float32(np.cos(lay)) * along_s + np.float32(np.sin(lay)) * along_a
        rough = relief[:, 2]
        rgb = light.metal(
            scene.light,
            points,
            view,
            bumpy,
            lay,
            finish.gloss_along * rough,
            finish.gloss_across * rough,
            reflect,
            body,
            self.crown,
        )
        rgb *= np.where(inside, 0.2, np.where(side, 0.7, 1.0)).astype(np.float32)[:, None]
        for opening in scene.openings:
            if opening.at_corner:
                notch = side & voids.notched(scene, opening, part["s"], part["a"], part["depth"])
                rgb[notch] *= np.float32(0.06)
        return rgb
