"""How lamps and room light things: metal by an anisotropic lobe, level paper and wood evenly, with the bar's soft shadow."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from specimeter.scene import geometry
from specimeter.scene.describe import Broken, Lamp, Light, Specimen
from specimeter.scene.material import ramp

Shade = Callable[[np.ndarray, np.ndarray], np.ndarray]  # points and rays, both (N, 3) -> what is hidden, (N,)


def unit(vectors: np.ndarray) -> np.ndarray:
    """Vectors (N, 3) over their lengths."""
    return vectors / np.sqrt(np.maximum(np.einsum("ij,ij->i", vectors, vectors), 1e-20))[:, None]


def lamp_at(lamp: Lamp, points: np.ndarray, crown: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Unit direction to the lamp (N, 3), its irradiance square on (N,), and its angular radius (N,)."""
    offset = np.asarray(lamp.place_mm, points.dtype) - points
    squared = np.einsum("ij,ij->i", offset, offset)
    reference = float(np.sum((np.asarray(lamp.place_mm) - crown) ** 2))
    distance = np.sqrt(squared)
    strength = lamp.power * reference / squared
    if lamp.edge:  # a straight shadow edge over bar and bench
        angle, place, soft = lamp.edge
        into = points[:, 0] * np.cos(np.radians(angle)) + points[:, 1] * np.sin(np.radians(angle)) - place
        strength = strength * (1 - 0.88 * ramp(into, -soft, soft))
    return offset / distance[:, None], strength.astype(points.dtype), lamp.radius_mm / distance


def metal(
    light: Light,
    points: np.ndarray,
    view: np.ndarray,
    normal: np.ndarray,
    lay: np.ndarray,
    rough_along: np.ndarray,
    rough_across: np.ndarray,
    reflectance: np.ndarray,
    body: np.ndarray,
    crown: np.ndarray,
) -> np.ndarray:
    """Radiance (N, 3) of brushed metal.

    Ward's anisotropic lobe (Ward, "Measuring and modeling anisotropic reflection", SIGGRAPH 1992, eq. 5a), each lamp's angular
    radius added to both roughnesses in quadrature; the room mirrored as a vertical gradient; plus even scattering.

    Parameters
    ----------
    points, view, normal, lay : arrays (N, 3)
        Place, unit direction to the eye, unit normal, unit direction of the lay (made perpendicular to the normal here).
    rough_along, rough_across : arrays (N,)
    reflectance, body : arrays (N, 3)
    """
    lay = unit(lay - np.einsum("ij,ij->i", lay, normal)[:, None] * normal)
    side = np.cross(normal, lay)
    seen = np.clip(np.einsum("ij,ij->i", normal, view), 0.02, 1)
    # the room in the mirror: brighter above than at the bench, a little of it blocked by the camera and the person behind it
    mirror_up = -(2 * seen * normal[:, 2] - view[:, 2])
    blur = 0.35 + rough_across
    room = 0.25 + 0.75 / (1 + np.exp(-(mirror_up - 0.05) / (0.25 * blur)))
    room *= 1 - 0.25 * np.exp(-((1 - np.clip(mirror_up, -1, 1)) / (0.06 + 0.5 * rough_across**2)))
    radiance = (light.ambient * room)[:, None] * np.asarray(light.ambient_colour, points.dtype) * (reflectance + 0.6 * body)
    for lamp in light.lamps:
        toward, strength, size = lamp_at(lamp, points, crown)
        cosine = np.einsum("ij,ij->i", normal, toward)
        lit = np.clip(cosine, 0, 1)
        half = unit(toward + view)
        hn = np.clip(np.einsum("ij,ij->i", half, normal), 1e-3, 1)
        hx, hy = np.einsum("ij,ij->i", half, lay), np.einsum("ij,ij->i", half, side)
        ax2, ay2 = rough_along**2 + (0.5 * size) ** 2, rough_across**2 + (0.5 * size) ** 2
        lobe = np.exp(-np.minimum((hx * hx / ax2 + hy * hy / ay2) / (hn * hn), 60)) / (4 * np.pi * np.sqrt(ax2 * ay2))
        lobe *= np.sqrt(lit / np.maximum(seen, 0.08))
        power = strength[:, None] * np.asarray(lamp.colour, points.dtype)
        radiance += power * (lobe[:, None] * reflectance * np.float32(np.pi) + lit[:, None] * body)
    return radiance


def falling(
    specimen: Specimen | Broken,
    light: Light,
    x: np.ndarray,
    y: np.ndarray,
    z_mm: float,
    rng: np.random.Generator,
    solid: Shade,
    hidden: Shade | None = None,
) -> np.ndarray:
    """Light that falls on the level plane z = z_mm at a grid of x, y (mm), soft shadows included: (len(y), len(x), 3).

    The specimen throws a shadow, as `solid(points, rays)` -> (N,) says (of a bent bar: `behind_bar`), and so does
    whatever `hidden(points, rays)` -> (N,) bool says stands in the way.
    """
    crown = geometry.crown(specimen)
    gx, gy = np.meshgrid(x, y)
    ground = np.column_stack([gx.ravel(), gy.ravel(), np.full(gx.size, z_mm)])
    total = np.zeros((*gx.shape, 3), np.float32)
    for lamp in (*light.lamps, None):
        count = max(4, 14 // len(light.lamps)) if lamp else 14
        blocked = np.zeros(len(ground), np.float32)
        for k in range(count):
            r, phi = np.sqrt((k + rng.random(len(ground))) / count), 2 * np.pi * (k * 0.618 + rng.random())
            if lamp:
                disc = np.column_stack([r * np.cos(phi), r * np.sin(phi), np.zeros(len(r))])
                rays = unit(np.asarray(lamp.place_mm) + lamp.radius_mm * disc - ground)
            else:  # cosine-weighted over the half-space above
                rays = np.column_stack([r * np.cos(phi), r * np.sin(phi), -np.sqrt(np.maximum(1 - r * r, 1e-4))])
            shaded = solid(ground, rays)
            blocked += shaded if hidden is None else np.maximum(shaded, hidden(ground, rays))
        share = cv2.GaussianBlur((1 - blocked / count).reshape(gx.shape), (0, 0), 1.2)[..., None]
        if lamp:
            toward, strength, size = lamp_at(lamp, ground, crown)
            cosine = np.clip((-toward[:, 2] + 0.5 * size) / (1 + 0.5 * size), 0, None)  # a wide lamp sets gradually
            total += share * (cosine * strength).reshape(*gx.shape, 1) * lamp.colour
        else:
            total += share * light.ambient * np.asarray(light.ambient_colour)
    return total.astype(np.float32)


def behind_bar(specimen: Specimen, points: np.ndarray, rays: np.ndarray) -> np.ndarray:
    """1 where the bar stands between a point and the sky along a ray, by following the distance to the bar."""
    frame = geometry.axes(specimen)
    p = ((points - geometry.arc_centre(specimen)) @ frame.T).astype(np.float32)
    d = (rays @ frame.T).astype(np.float32)
    result = np.zeros(len(p), np.float32)
    at = np.full(len(p), 0.4, np.float32)
    bound = specimen.radius_mm + 0.01
    reach = np.hypot(np.hypot(p[:, 0], p[:, 1]), 0)
    index = np.flatnonzero(reach < 12 * specimen.crown_height_mm)
    for _ in range(24):
        if not len(index):
            break
        q = p[index] + at[index, None] * d[index]
        gap = geometry.bar_distance(specimen, q)
        result[index[gap < 0.1]] = 1
        at[index] += np.maximum(gap, 0.25)
        index = index[(gap >= 0.1) & (q[:, 2] < bound)]
    return result
