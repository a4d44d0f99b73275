"""The scene's own geometry: camera, bent bar (arc, legs, rounded edges), and where sight lines meet it."""

from __future__ import annotations

from typing import Literal, overload

import numpy as np
from numpy.typing import ArrayLike

from specimeter.scene.describe import Broken, Camera, Specimen

STEEPEST_DEG = 60.0  # beyond this the face is not examined (design section 7)


# ------------------------------------------------------------------ camera


def project(camera: Camera, points_mm: ArrayLike) -> np.ndarray:
    """Pixels [x, y], shape (N, 2), of world points in mm, shape (N, 3)."""
    seen = (np.asarray(points_mm, float).reshape(-1, 3) - camera.eye_mm) @ camera.rotation.T
    plane = seen[:, :2] / seen[:, 2:]
    plane = plane * (1.0 + camera.k1 * np.sum(plane**2, axis=1, keepdims=True))
    return plane * camera.focal_px + camera.centre_px


def sight(camera: Camera, points_px: np.ndarray) -> np.ndarray:
    """Unit sight lines in world coordinates, shape (N, 3), through pixels [x, y], shape (N, 2); same dtype as the pixels."""
    drawn = (
        ((points_px - np.asarray(camera.centre_px, np.float32)) / np.float32(camera.focal_px))
        if points_px.dtype == np.float32
        else ((np.asarray(points_px, float) - camera.centre_px) / camera.focal_px)
    )
    plane = drawn.copy()
    if camera.k1:
        drawn_r = np.hypot(drawn[:, 0], drawn[:, 1])
        r = drawn_r.copy()
        for _ in range(6):  # Newton on r (1 + k1 r^2) = drawn radius: converges to rounding for |k1| r^2 < 0.1
            r -= (r * (1 + camera.k1 * r * r) - drawn_r) / (1 + 3 * camera.k1 * r * r)
        plane /= (1 + camera.k1 * r * r)[:, None]
    rays = np.empty((len(plane), 3), plane.dtype)
    rays[:, :2] = plane
    rays[:, 2] = 1
    rays = rays @ camera.rotation.astype(plane.dtype)
    return rays / np.sqrt(np.einsum("ij,ij->i", rays, rays))[:, None]


# ------------------------------------------------------------------ specimen


def axes(specimen: Specimen | Broken) -> np.ndarray:
    """Rows: the specimen's own x (along s at the crown), y (bend axis) and z (up, towards the camera) in the world, (3, 3)."""
    angle = np.radians(specimen.axis_angle_deg)
    axis = np.array([np.cos(angle), np.sin(angle), 0.0])
    up = np.array([0.0, 0.0, -1.0])
    return np.array([np.cross(axis, up), axis, up])


def arc_centre(specimen: Specimen) -> np.ndarray:
    """World place of the bend's centre at mid-width, in mm, shape (3,)."""
    return np.array([0.0, 0.0, -(specimen.crown_height_mm - specimen.radius_mm)])


def crown(specimen: Specimen | Broken) -> np.ndarray:
    """World place of the specimen's crown, or of the middle of a flat face, in mm, shape (3,)."""
    return np.array([0.0, 0.0, -specimen.crown_height_mm])


def half_angle(specimen: Specimen) -> float:
    """Angle from the crown to where each leg begins, in radians."""
    return np.radians(specimen.angle_deg) / 2


def leg_length(specimen: Specimen) -> float:
    """Length of each leg's outer surface from the arc down to the bench, in mm."""
    end, radius = half_angle(specimen), specimen.radius_mm
    return (radius * np.cos(end) + specimen.crown_height_mm - radius) / np.sin(end)


def box(specimen: Specimen) -> np.ndarray:
    """World corners, shape (8, 3), of a box that holds the bar."""
    radius, half = specimen.radius_mm, specimen.width_mm / 2
    reach = max(radius, radius * np.sin(half_angle(specimen)) + leg_length(specimen) * np.cos(half_angle(specimen)))
    local = [[x, y, z] for x in (-reach, reach) for y in (-half, half) for z in (radius - specimen.crown_height_mm, radius)]
    return np.array(local) @ axes(specimen) + arc_centre(specimen)


def edge_drop(specimen: Specimen, a_mm: np.ndarray) -> np.ndarray:
    """How far the rounded long edges fall below the cylinder at a, in mm."""
    corner = specimen.corner_mm
    over = np.clip(np.abs(a_mm) - (specimen.width_mm / 2 - corner), 0.0, corner)
    return corner - np.sqrt(np.maximum(corner**2 - over**2, 0.0))  # in single precision `over` may round past `corner`


def place(specimen: Specimen | Broken, developed_mm: ArrayLike) -> np.ndarray:
    """World points, shape (N, 3), of developed [s, a] in mm: on the arc, the legs and the rounded edges.

    On a broken specimen: on the mean plane of its face.
    """
    s, a = np.asarray(developed_mm, float).reshape(-1, 2).T
    if isinstance(specimen, Broken):
        return np.column_stack([s, a, np.zeros_like(s)]) @ axes(specimen) + crown(specimen)
    end, radius = half_angle(specimen), specimen.radius_mm
    theta = np.clip(s / radius, -end, end)
    beyond = s - theta * radius
    out = radius - edge_drop(specimen, a)
    local = np.column_stack([out * np.sin(theta) + beyond * np.cos(theta), a, out * np.cos(theta) - beyond * np.sin(theta)])
    return local @ axes(specimen) + arc_centre(specimen)


def steepness_deg(specimen: Specimen, camera: Camera, developed_mm: ArrayLike) -> np.ndarray:
    """Angle between sight line and the cylinder's normal, shape (N,), at developed [s, a] (rounded edges ignored)."""
    developed = np.asarray(developed_mm, float).reshape(-1, 2)
    theta = np.clip(developed[:, 0] / specimen.radius_mm, -half_angle(specimen), half_angle(specimen))
    normals = np.column_stack([np.sin(theta), np.zeros_like(theta), np.cos(theta)]) @ axes(specimen)
    to_eye = camera.eye_mm - place(specimen, developed)
    cosine = np.einsum("ij,ij->i", normals, to_eye) / np.linalg.norm(to_eye, axis=1)
    return np.degrees(np.arccos(np.clip(cosine, -1, 1)))


def face_limits(specimen: Specimen, camera: Camera, a_mm: ArrayLike) -> np.ndarray:
    """Least and greatest s, shape (N, 2), that are no steeper than 60 degrees, and on the arc, at each a."""
    a = np.asarray(a_mm, float).ravel()
    reach = specimen.radius_mm * half_angle(specimen)
    grid = np.linspace(-reach, reach, 181)
    developed = np.column_stack([np.tile(grid, len(a)), np.repeat(a, len(grid))])
    flattest = grid[np.argmin(steepness_deg(specimen, camera, developed).reshape(len(a), -1), axis=1)]
    limits = []
    for side in (-reach, reach):
        low, high = flattest.copy(), np.full(len(a), side)
        for _ in range(48):
            middle = (low + high) / 2
            steep = steepness_deg(specimen, camera, np.column_stack([middle, a])) > STEEPEST_DEG
            low, high = np.where(steep, low, middle), np.where(steep, middle, high)
        limits.append(low)
    return np.column_stack(limits)


def face_outline(specimen: Specimen, camera: Camera, step_mm: float = 0.5) -> np.ndarray:
    """Developed outline, shape (N, 2), of the face within 60 degrees of the sight line, over the full width."""
    half = specimen.width_mm / 2
    a = np.linspace(-half, half, max(5, int(2 * half / step_mm)))
    limits = face_limits(specimen, camera, a)
    ends = [np.linspace(limits[i, 0], limits[i, 1], max(5, int(np.ptp(limits[i]) / step_mm)))[1:-1] for i in (-1, 0)]
    return np.concatenate(
        [
            np.column_stack([limits[:, 0], a]),
            np.column_stack([ends[0], np.full(len(ends[0]), half)]),
            np.column_stack([limits[::-1, 1], a[::-1]]),
            np.column_stack([ends[1][::-1], np.full(len(ends[1]), -half)]),
        ]
    )


def mm_per_px(specimen: Specimen | Broken, camera: Camera, developed_mm: tuple[float, float] = (0.0, 0.0)) -> float:
    """Square root of the developed area that one pixel covers at a developed point (analytic Jacobian, central differences)."""
    step = 1e-3
    s, a = developed_mm
    points = project(camera, place(specimen, np.array([[s - step, a], [s + step, a], [s, a - step], [s, a + step]])))
    jacobian = np.array([points[1] - points[0], points[3] - points[2]]) / (2 * step)
    return float(1 / np.sqrt(abs(np.linalg.det(jacobian))))


# ------------------------------------------------------------------ sight lines onto the bar

MISS, FACE, SIDE, INSIDE = 0, 1, 2, 3


@overload
def profile_distance(specimen: Specimen, x: np.ndarray, z: np.ndarray) -> np.ndarray: ...


@overload
def profile_distance(specimen: Specimen, x: np.ndarray, z: np.ndarray, gradient: Literal[True]) -> tuple[np.ndarray, ...]: ...


def profile_distance(
    specimen: Specimen, x: np.ndarray, z: np.ndarray, gradient: bool = False
) -> np.ndarray | tuple[np.ndarray, ...]:
    """Signed distance, in mm, to the bar's profile (a strip of the thickness along arc and legs) in its own x, z.

    With `gradient` also the unit gradient (gx, gz), the developed s, and the depth below the outer surface.
    """
    end, half = half_angle(specimen), specimen.thickness_mm / 2
    middle = specimen.radius_mm - half
    side = np.sign(x) + (x == 0)
    ax = np.abs(x)
    r = np.sqrt(ax * ax + z * z)
    theta = np.arctan2(ax, z)
    on_arc = theta <= end
    sin, cos = np.float32(np.sin(end)), np.float32(np.cos(end))
    du, dv = ax - middle * sin, z - middle * cos
    u = du * cos - dv * sin
    v = du * sin + dv * cos
    outside = u - np.clip(u, 0, leg_length(specimen))
    leg = np.sqrt(outside * outside + v * v)
    arc = np.where(on_arc, np.abs(r - middle), np.inf)
    use_arc = arc <= leg
    distance = np.where(use_arc, arc, leg) - half
    if not gradient:
        return distance
    radial = np.sign(r - middle) / np.maximum(r, 1e-6)
    gx = np.where(use_arc, ax * radial, sin * np.sign(v)) * side
    gz = np.where(use_arc, z * radial, cos * np.sign(v))
    s = np.where(use_arc, theta * specimen.radius_mm, end * specimen.radius_mm + u) * side
    depth = half - np.where(use_arc, r - middle, v)
    return distance, gx, gz, s, depth


def bar_distance(specimen: Specimen, p: np.ndarray) -> np.ndarray:
    """Signed distance, in mm, to the whole bar with rounded edges from points (N, 3) in its own frame."""
    r = specimen.corner_mm
    d = profile_distance(specimen, p[:, 0], p[:, 2]) + r
    e = np.abs(p[:, 1]) - (specimen.width_mm / 2 - r)
    return np.minimum(np.maximum(d, e), 0) + np.hypot(np.maximum(d, 0), np.maximum(e, 0)) - r


def meet(specimen: Specimen, eye_mm: np.ndarray, rays: np.ndarray) -> dict[str, np.ndarray]:
    """Where sight lines first meet the bar.

    Parameters
    ----------
    eye_mm : array (3,), world
    rays : array (N, 3), unit, world; computed in their dtype (float32 is exact to about 1e-4 mm here)

    Returns
    -------
    dict of arrays (N,) or (N, 3): `part` (MISS, FACE, SIDE, INSIDE), `reach` (mm along the ray), `s`, `a`, `depth`
    (mm below the outer surface) and `normal` (world).
    """
    dtype = rays.dtype
    frame = axes(specimen)
    d = rays @ frame.T.astype(dtype)
    start = (eye_mm - arc_centre(specimen)) @ frame.T
    radius, half, corner = specimen.radius_mm, specimen.width_mm / 2, specimen.corner_mm
    end = half_angle(specimen)
    # begin on the plane that touches the crown: all numbers stay small, which keeps float32 exact
    lead = (radius - start[2]) / d[:, 2]
    p = (start + lead[:, None].astype(float) * d).astype(dtype)
    n = len(d)
    tau = np.full(n, np.inf, dtype)

    aa = d[:, 0] ** 2 + d[:, 2] ** 2
    bb = p[:, 0] * d[:, 0] + p[:, 2] * d[:, 2]
    cc = p[:, 0] ** 2 + p[:, 2] ** 2 - dtype.type(radius**2)
    disc = bb * bb - aa * cc
    t = (-bb - np.sqrt(np.maximum(disc, 0))) / aa
    x, y, z = p[:, 0] + t * d[:, 0], p[:, 1] + t * d[:, 1], p[:, 2] + t * d[:, 2]
    good = (disc > 0) & (np.abs(np.arctan2(x, z)) <= end) & (np.abs(y) <= half - corner)
    tau[good] = t[good]
    deep = -(specimen.crown_height_mm - radius)
    for side in (-1.0, 1.0):  # the flat outer side of each leg
        nx, nz = side * np.sin(end), np.cos(end)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (radius - p[:, 0] * nx - p[:, 2] * nz) / (d[:, 0] * nx + d[:, 2] * nz)
            x, y, z = p[:, 0] + t * d[:, 0], p[:, 1] + t * d[:, 1], p[:, 2] + t * d[:, 2]
            front = d[:, 0] * nx + d[:, 2] * nz < 0
        u = (side * x - radius * np.sin(end)) * np.cos(end) - (z - radius * np.cos(end)) * np.sin(end)
        good = front & np.isinf(tau) & (u > 0) & (z > deep) & (np.abs(y) <= half - corner)
        tau[good] = t[good]
    # the rest: rays that come near the bar are followed by their distance to it
    widest = max(radius, radius * np.sin(end) + leg_length(specimen) * np.cos(end)) + 0.5
    last = (deep - radius) / d[:, 2]
    ends = p + last[:, None] * d
    near = np.isinf(tau)
    for k, bound in ((0, widest), (1, half + 0.5)):
        near &= (np.minimum(p[:, k], ends[:, k]) < bound) & (np.maximum(p[:, k], ends[:, k]) > -bound)
    index = np.flatnonzero(near)
    at, limit = np.zeros(len(index), dtype), last[index]
    for _ in range(160):
        if not len(index):
            break
        q = p[index] + at[:, None] * d[index]
        gap = bar_distance(specimen, q)
        hit = gap < 3e-4
        tau[index[hit]] = at[hit] + gap[hit]
        at = at + np.maximum(gap, 1e-4)
        keep = ~hit & (at < limit)
        index, at, limit = index[keep], at[keep], limit[keep]

    found = np.flatnonzero(np.isfinite(tau))
    q = p[found] + tau[found, None] * d[found]
    distance, gx, gz, s, depth = profile_distance(specimen, q[:, 0], q[:, 2], gradient=True)
    e = np.maximum(np.abs(q[:, 1]) - (half - corner), 0)
    dd = np.maximum(distance + corner, 0)
    total = np.maximum(np.hypot(dd, e), 1e-6)
    flat = dd <= 0
    local = np.column_stack(
        [
            np.where(flat, 0, gx * dd / total),
            np.sign(q[:, 1]) * np.where(flat, 1, e / total),
            np.where(flat, 0, gz * dd / total),
        ]
    )
    outward = depth < specimen.thickness_mm / 2
    steep = np.abs(local[:, 1]) > np.float32(0.94)
    part = np.zeros(n, np.uint8)
    part[found] = np.where(steep, SIDE, np.where(outward, FACE, INSIDE))
    result = {"part": part, "reach": np.full(n, np.inf, dtype)}
    result["reach"][found] = lead[found] + tau[found]
    for name, values in (("s", s), ("a", q[:, 1]), ("depth", depth)):
        result[name] = np.zeros(n, dtype)
        result[name][found] = values
    result["normal"] = np.zeros((n, 3), dtype)
    result["normal"][found] = local @ frame.astype(dtype)
    return result
