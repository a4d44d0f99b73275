"""The shape that pixels lie on: a flat plane, or the cylinder of a bend; pixels <-> developed millimetres."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike

from specimeter.errors import SurfaceError
from specimeter.scale.view import View

EDGE_POINTS, EDGE_MM = 4, 1.0  # of a long edge, at least, on the bend
ROUNDS = 5  # of looking for where a sight line meets a rounded edge: to 1e-5 mm
SEAM = 1e-9  # radians and mm: arc and leg overlap by rounding, so that no sight line slips between them

Shape = Literal["flat", "bend"]
Variant = tuple[str, str, "Surface"]  # source, basis, the displaced surface


class Surface(Protocol):
    """What every surface answers; developed coordinates are [s, a] in mm.

    Flat: [x, y] of the world plane. Bend: s along the arc, 0 at the crown line, a along the bend axis.
    """

    @property
    def shape(self) -> Shape:
        """``"flat"`` or ``"bend"``."""

    @property
    def view(self) -> View:
        """The camera that looks at it."""

    @property
    def height_mm(self) -> float:
        """How far it, or its crown, stands nearer to the camera than the marker."""

    @property
    def evidence(self) -> Mapping[str, Any]:
        """How it was placed, JSON-ready."""

    @property
    def cautions(self) -> tuple[str, ...]:
        """What a reader must know of how it was placed."""

    def develop(self, points_px: np.ndarray) -> np.ndarray:
        """Developed [s, a] in mm, shape (N, 2), of pixels [x, y]; NaN where the sight line misses the surface."""

    def project(self, developed_mm: np.ndarray) -> np.ndarray:
        """Pixels [x, y], shape (N, 2), of developed points [s, a] in mm."""

    def steepness_deg(self, points_px: np.ndarray) -> np.ndarray:
        """Angle between the sight line and the surface's normal at pixels, shape (N,); NaN where it misses."""

    def mm_per_px_at(self, point_px: np.ndarray) -> float:
        """Local scale at one pixel: square root of the developed area that one pixel covers there."""

    @property
    def smooth(self) -> Surface:
        """The same without edges at which it falls away."""

    def variants(self) -> tuple[Variant, ...]:
        """The same surface displaced by one standard uncertainty of one of its shape parameters, each in turn."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Flat:
    """The plane `height_mm` nearer to the camera than the marker; developed coordinates are the world's [x, y] in mm."""

    view: View
    height_mm: float
    evidence: Mapping[str, Any] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()
    shape: Shape = field(default="flat", init=False)

    def develop(self, points_px: np.ndarray) -> np.ndarray:
        return self.view.on_plane(points_px, height_mm=self.height_mm)

    def project(self, developed_mm: np.ndarray) -> np.ndarray:
        points = np.asarray(developed_mm, float).reshape(-1, 2)
        return self.view.project(np.column_stack([points, np.full(len(points), -self.height_mm)]))

    def steepness_deg(self, points_px: np.ndarray) -> np.ndarray:
        cosine = self.view.rays(points_px)[:, 2]  # the normal towards the camera is -z
        return np.where(cosine > 0, np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))), np.nan)

    def mm_per_px_at(self, point_px: np.ndarray) -> float:
        return _mm_per_px_at(self, point_px)

    @property
    def smooth(self) -> Flat:
        return self

    def variants(self) -> tuple[Variant, ...]:
        return ()


@dataclass(frozen=True, kw_only=True, eq=False)
class Bend:
    """The tension face of a bend: an arc of a cylinder towards the camera, running on in two flat tangent legs.

    The cylinder's axis is parallel to the marker's plane. Developed: s in mm along the arc, 0 at the crown line, where the
    normal is the marker plane's normal, going on straight along the legs; a in mm along the axis, 0 at `crown_mm`.
    Seen from the camera [s, a] turns the same way round as [x, y] (not mirrored).

    Parameters
    ----------
    crown_mm : array, shape (2,)
        World [x, y] of the developed origin [0, 0].
    direction_deg : float
        Of the axis (+a) in the world's x-y plane, from x towards y.
    height_mm : float
        Of the crown over the marker's plane, towards the camera.
    radius_mm : float
        Outer radius: of the tension face.
    angle_deg : float
        Bend angle: the arc spans half of it to either side of the crown, and the legs enclose 180 degrees less it.
    u_crown_mm, u_direction_deg, u_radius_mm : float
        Standard uncertainties: of the crown's place across the axis, of the axis's direction, of the radius.
    edges_px : two arrays, each of shape (K, 2)
        Where the bar's two long edges are seen, pixels [x, y] along each; none: the face goes on for ever along the axis.
    edge_radius_mm, u_edge_radius_mm : float
        Of the rounding of those edges: within that of an edge the face falls away from the cylinder in a quarter circle.
        a goes on straight over it, and s is that of the cylinder above.

    Raises
    ------
    SurfaceError
        If the radius or the angle cannot be, or the lens would stand on or under the surface.
    """

    view: View
    crown_mm: np.ndarray
    direction_deg: float
    height_mm: float
    radius_mm: float
    angle_deg: float
    u_crown_mm: float = 0.0
    u_direction_deg: float = 0.0
    u_radius_mm: float = 0.0
    edges_px: tuple[np.ndarray, ...] = ()
    edge_radius_mm: float = 0.0
    u_edge_radius_mm: float = 0.0
    basis: Mapping[str, str] = field(default_factory=dict)  # of each u, by "radius", "direction", "crown", "edges"
    evidence: Mapping[str, Any] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()
    shape: Shape = field(default="bend", init=False)

    def __post_init__(self) -> None:
        if not 0 < self.radius_mm < np.inf:
            raise SurfaceError(f"a bend's radius is above 0 mm, not {self.radius_mm!r}")
        if not 0 < self.angle_deg <= 180:
            raise SurfaceError(f"a bend's angle is above 0 and at most 180 degrees, not {self.angle_deg!r}")
        if not self.view.distance_mm > self.height_mm:
            raise SurfaceError(
                f"the crown stands {self.height_mm:.1f} mm over the marker, but the lens only {self.view.distance_mm:.1f} mm",
                field="scale.surface_height_mm",
                mend="check the height of the crown over the marker, or the camera's distance",
            )

    @cached_property
    def smooth(self) -> Bend:
        """The same without its long edges: the cylinder and its legs alone."""
        return replace(self, edges_px=()) if self.edges_px else self

    @cached_property
    def frame(self) -> np.ndarray:
        """Rows: unit vectors across the axis (+s at the crown), along it (+a) and up towards the camera, in world axes."""
        phi = np.radians(self.direction_deg)
        return np.array([[np.sin(phi), -np.cos(phi), 0.0], [np.cos(phi), np.sin(phi), 0.0], [0.0, 0.0, -1.0]])

    @cached_property
    def axis_point_mm(self) -> np.ndarray:
        """World point, shape (3,), on the cylinder's axis under the developed origin."""
        return np.array([*np.asarray(self.crown_mm, float), self.radius_mm - self.height_mm])

    @cached_property
    def arc_half_mm(self) -> float:
        """Arc length from the crown line to where the flat legs begin."""
        return float(self.radius_mm * np.radians(self.angle_deg) / 2)

    @cached_property
    def feet_mm(self) -> np.ndarray | None:
        """Where each long edge's rounding meets the end face, a = c0 + c1 s + c2 s^2: shape (2, 3), the lesser a first.

        None where no two edges or no rounding are known, or one that could not be. A sight line that leans outwards touches
        the rounding before its foot: the foot lies r (sqrt(1 + t^2) - 1) less far out than that line at the foot's depth r,
        t its slope.
        """
        if len(self.edges_px) != 2 or not 0 < self.edge_radius_mm < self.radius_mm:
            return None
        feet = []
        for line in self.edges_px:
            rays = self.view.rays(np.asarray(line, float)) @ self.frame.T
            s, a, cosine = self._met(rays, np.full(len(rays), self.edge_radius_mm))
            known = np.isfinite(s)
            if known.sum() < EDGE_POINTS or np.ptp(s[known]) < EDGE_MM:
                return None
            feet.append((s[known], a[known], rays[known, 1] / cosine[known]))
        if np.mean(feet[0][1]) > np.mean(feet[1][1]):
            feet.reverse()
        within = [
            self.edge_radius_mm * (np.hypot(1.0, np.maximum(out * slope, 0.0)) - 1.0)
            for out, (_, _, slope) in zip((-1.0, 1.0), feet, strict=True)
        ]
        return np.array(
            [
                np.polynomial.polynomial.polyfit(s, a - out * less, 2)
                for out, less, (s, a, _) in zip((-1.0, 1.0), within, feet, strict=True)
            ]
        )

    def develop(self, points_px: np.ndarray) -> np.ndarray:
        return self.hit(self.view.rays(points_px))[0]

    def steepness_deg(self, points_px: np.ndarray) -> np.ndarray:
        cosine = self.hit(self.view.rays(points_px))[1]
        return np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))

    def points_mm(self, developed_mm: np.ndarray) -> np.ndarray:
        """World points, shape (N, 3), of developed points [s, a]."""
        s, a = np.asarray(developed_mm, float).reshape(-1, 2).T
        on_arc = np.clip(s, -self.arc_half_mm, self.arc_half_mm)
        theta, leg = on_arc / self.radius_mm, s - on_arc
        sine, cosine = np.sin(theta), np.cos(theta)
        over: float | np.ndarray = self.radius_mm
        if self.feet_mm is not None:
            into = self.edge_radius_mm - self._from_edge(s, a)[0]
            over = over - self.edge_radius_mm + np.sqrt(self.edge_radius_mm**2 - np.clip(into, 0, self.edge_radius_mm) ** 2)
        local = np.empty((len(s), 3))
        local[:, 0], local[:, 1], local[:, 2] = over * sine + leg * cosine, a, over * cosine - leg * sine
        return self.axis_point_mm + local @ self.frame

    def world(self, developed_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """World points and outward unit normals, each of shape (N, 3), of developed points [s, a]."""
        s = np.asarray(developed_mm, float).reshape(-1, 2)[:, 0]
        theta = np.clip(s, -self.arc_half_mm, self.arc_half_mm) / self.radius_mm
        normal = np.column_stack([np.sin(theta), np.zeros_like(theta), np.cos(theta)])
        return self.points_mm(developed_mm), normal @ self.frame

    def project(self, developed_mm: np.ndarray) -> np.ndarray:
        return self.view.project(self.points_mm(developed_mm))

    def steepness_on_deg(self, developed_mm: np.ndarray) -> np.ndarray:
        """Steepness in degrees, shape (N,), at developed points; above 90 where the surface turns away from the camera."""
        points, normals = self.world(developed_mm)
        towards = self.view.eye_mm - points
        cosine = np.einsum("ij,ij->i", towards, normals) / np.linalg.norm(towards, axis=1)
        return np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))

    def mm_per_px_at(self, point_px: np.ndarray) -> float:
        return _mm_per_px_at(self, point_px)

    def variants(self) -> tuple[Variant, ...]:
        across = self.frame[0, :2]
        displaced = (
            ("radius of the bend", "radius", self.u_radius_mm, {"radius_mm": self.radius_mm + self.u_radius_mm}),
            (
                "direction of the bend axis",
                "direction",
                self.u_direction_deg,
                {"direction_deg": self.direction_deg + self.u_direction_deg},
            ),
            ("place of the crown", "crown", self.u_crown_mm, {"crown_mm": self.crown_mm + self.u_crown_mm * across}),
            (
                "rounding of the long edges",
                "edges",
                self.u_edge_radius_mm if len(self.edges_px) == 2 else 0.0,
                {"edge_radius_mm": self.edge_radius_mm + self.u_edge_radius_mm},
            ),
        )
        return tuple(
            (source, self.basis.get(name, "judgement"), replace(self, **changed))
            for source, name, u, changed in displaced
            if u > 0
        )

    def hit(self, rays: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Developed [s, a] and the cosine of the steepness where sight lines (unit, world, (N, 3)) first meet the surface.

        NaN where they miss.
        Across the axis the face is the border of a convex region (a disc's arc and two of its tangents), so a line from
        outside enters it at most once, through exactly one of the three pieces: a quadratic for the arc, a plane for a leg.
        """
        rays = rays @ self.frame.T
        s, a, cosine = meeting(self._eye, rays, self.radius_mm, np.radians(self.angle_deg) / 2)
        if self.feet_mm is not None:
            near = np.flatnonzero(self._from_edge(s, a)[0] < self.edge_radius_mm)
            if len(near):
                s[near], a[near], cosine[near] = self._on_rounding(rays[near], s[near], a[near], cosine[near])
        return np.column_stack([s, a]), cosine

    @cached_property
    def _eye(self) -> np.ndarray:
        return self.frame @ (self.view.eye_mm - self.axis_point_mm)

    def _from_edge(self, s: np.ndarray, a: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """How far inwards of the nearer long edge's foot points [s, a] lie, in mm, and which way along a that edge lies."""
        assert self.feet_mm is not None  # asked for where the edges' rounding is known
        low, high = (np.polynomial.polynomial.polyval(s, foot) for foot in self.feet_mm)
        way = np.where(a + a > low + high, 1.0, -1.0)
        return np.where(way > 0, high - a, a - low), way

    def _met(self, rays: np.ndarray, depth_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """s, a and cosine where sight lines in the bend's own axes meet it at each one's depth under its face."""
        half = np.radians(self.angle_deg) / 2
        s, a, cosine = (x[:, 0] for x in meeting(self._eye, rays[:, None], self.radius_mm - depth_mm, half))
        return s + depth_mm * np.clip(s / (self.radius_mm - depth_mm), -half, half), a, cosine

    def _on_rounding(
        self, rays: np.ndarray, s: np.ndarray, a: np.ndarray, cosine: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The same for sight lines that meet the cylinder within a long edge's rounding: where they meet that.

        Across the edge it is a quarter circle of radius r. A line that is `into` it at the cylinder and goes on outwards by
        `slope` for each mm of depth meets it at the lesser root d of (into + slope d)^2 + (r - d)^2 = r^2; where it passes it
        by, at its nearest. The slope is the line's own at that depth, found anew until nothing changes.
        """
        r, depth = self.edge_radius_mm, np.zeros(len(s))
        for _ in range(ROUNDS):
            inwards, way = self._from_edge(s, a)
            slope = way * rays[:, 1] / cosine
            into = r - inwards - depth * slope
            middle = r - into * slope
            root = np.sqrt(np.maximum(middle**2 - (1 + slope**2) * into**2, 0.0))
            depth = np.where(into > 0, np.clip((middle - root) / (1 + slope**2), 0.0, r), 0.0)
            met = self._met(rays, depth)
            on = np.isfinite(met[2])
            s, a, cosine = (np.where(on, new, old) for new, old in zip(met, (s, a, cosine), strict=True))
        return s, a, cosine


def meeting(eye: np.ndarray, rays: np.ndarray, radius_mm: ArrayLike, half: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where sight lines meet a bend, in axes across, along and up from the cylinder's axis: s, a and cosine, as `Bend.hit`.

    Of one lens `eye` (3,), its unit `rays` (N, 3), each (N,); or of bends side by side that span `half` radians to either
    side: (B, 3), (B, N, 3), radii (B,), each (B, N).
    """
    du, dv, dt = (np.ascontiguousarray(rays[..., k]) for k in range(3))
    across, along, up = (np.asarray(eye)[..., k, None] for k in range(3))
    radius = np.asarray(radius_mm)[..., None]
    with np.errstate(divide="ignore", invalid="ignore"):
        square, middle = du**2 + dt**2, across * du + up * dt
        root = np.sqrt(middle**2 - square * (across**2 + up**2 - radius**2))
        reach = -(middle + root) / square
        u, t = across + reach * du, up + reach * dt
        theta = np.arctan2(u, t)
        found = (reach > 0) & (np.abs(theta) <= half + SEAM)
        s, a = radius * theta, along + reach * dv
        cosine = -(u * du + t * dt) / radius
        for values in (s, a, cosine):
            values[~found] = np.nan
        for side in (-1.0, 1.0):
            missed = np.isnan(cosine)
            if not missed.any():
                break
            normal_u, normal_t = side * np.sin(half), np.cos(half)
            from_u, from_v, from_t, far = (np.broadcast_to(x, missed.shape)[missed] for x in (across, along, up, radius))
            way_u, way_t = du[missed], dt[missed]
            facing = way_u * normal_u + way_t * normal_t
            reach = (far - from_u * normal_u - from_t * normal_t) / facing
            leg = side * ((from_u + reach * way_u) * normal_t - (from_t + reach * way_t) * normal_u)
            on_it = (facing < 0) & (reach > 0) & (leg > -SEAM)
            for values, there in (
                (s, side * (far * half + leg)), (a, from_v + reach * dv[missed]), (cosine, -facing),
            ):  # fmt: skip
                values[missed] = np.where(on_it, there, np.nan)
    return s, a, cosine


def _mm_per_px_at(surface: Flat | Bend, point_px: np.ndarray) -> float:
    """Square root of the Jacobian's determinant, by central differences over one pixel."""
    x, y = np.asarray(point_px, float).ravel()
    right, left, down, up = surface.develop(np.array([[x + 0.5, y], [x - 0.5, y], [x, y + 0.5], [x, y - 0.5]]))
    (a, b), (c, d) = right - left, down - up
    return float(np.sqrt(abs(a * d - b * c)))
