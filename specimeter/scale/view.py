"""Where the camera stood: a pinhole with radial distortion over the plane that the marker lies on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """One photograph's camera in the marker's own coordinates.

    World: millimetres, x right and y down along the marker as printed, z away from the camera (into the bench),
    origin at the card's top-left corner. A surface that stands `h` nearer to the camera than the marker is at z = -h.
    Camera: X_camera = rotation @ X_world + translation_mm, looking along +z; pixels as in the public API, [x, y],
    origin at the centre of the top-left pixel.

    Parameters
    ----------
    focal_px : float
        Principal distance in pixels (square pixels).
    centre_px : array, shape (2,)
        Principal point [x, y].
    k1, k2 : float
        Radial distortion on normalised coordinates (Brown 1971): x_d = x (1 + k1 r^2 + k2 r^4).
    rotation : array, shape (3, 3)
    translation_mm : array, shape (3,)
    """

    focal_px: float
    centre_px: np.ndarray
    rotation: np.ndarray
    translation_mm: np.ndarray
    k1: float = 0.0
    k2: float = 0.0

    @property
    def matrix(self) -> np.ndarray:
        """Camera matrix K, shape (3, 3)."""
        cx, cy = self.centre_px
        return np.array([[self.focal_px, 0.0, cx], [0.0, self.focal_px, cy], [0.0, 0.0, 1.0]])

    @property
    def eye_mm(self) -> np.ndarray:
        """The lens's centre of projection in world millimetres, shape (3,)."""
        return -self.rotation.T @ self.translation_mm

    @property
    def distance_mm(self) -> float:
        """Height of the lens over the marker's plane, in mm."""
        return float(-self.eye_mm[2])

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the marker plane's normal, in degrees."""
        return float(np.degrees(np.arccos(np.clip(self.rotation[2, 2], -1.0, 1.0))))

    def project(self, points_mm: np.ndarray) -> np.ndarray:
        """Pixels [x, y], shape (N, 2), of world points in mm, shape (N, 3)."""
        across, down, ahead = (np.asarray(points_mm, float).reshape(-1, 3) @ self.rotation.T + self.translation_mm).T
        x, y = across / ahead, down / ahead
        r2 = x * x + y * y
        stretch = 1.0 + self.k1 * r2 + self.k2 * r2**2
        pixels = np.empty((len(x), 2))
        for column, (place, centre) in enumerate(zip((x, y), self.centre_px, strict=True)):
            pixels[:, column] = place * stretch * self.focal_px + centre
        return pixels

    def rays(self, points_px: np.ndarray) -> np.ndarray:
        """Unit directions in world coordinates, shape (N, 3), of the sight lines through pixels [x, y], shape (N, 2)."""
        points = np.asarray(points_px, float).reshape(-1, 2)
        distorted = (points - self.centre_px) / self.focal_px
        normalised = distorted
        if self.k1 or self.k2:
            normalised = distorted * self._undistortion(distorted[:, 0] ** 2 + distorted[:, 1] ** 2)[:, None]
        directions = np.column_stack([normalised, np.ones(len(points))]) @ self.rotation
        x, y, z = directions.T
        return directions / np.sqrt(x * x + y * y + z * z)[:, None]

    def _undistortion(self, r2_distorted: np.ndarray) -> np.ndarray:
        """Ratio of the undistorted to the distorted radius, shape (N,).

        Newton's method on g (1 + k1 r^2 g^2 + k2 r^4 g^4) = 1.
        """
        a, b = self.k1 * r2_distorted, self.k2 * r2_distorted**2
        ratio = np.ones_like(r2_distorted)
        for _ in range(8):  # quadratic: three steps for a photographic lens
            g2 = ratio * ratio
            step = (ratio * (1.0 + g2 * (a + g2 * b)) - 1.0) / np.maximum(1.0 + g2 * (3.0 * a + g2 * 5.0 * b), 0.1)
            ratio -= step
            if not np.abs(step).max(initial=0.0) > 1e-13:
                break
        return ratio

    def on_plane(self, points_px: np.ndarray, *, height_mm: float = 0.0) -> np.ndarray:
        """World [x, y] in mm, shape (N, 2), where pixels meet the plane `height_mm` nearer to the camera; NaN if behind."""
        eye, directions = self.eye_mm, self.rays(points_px)
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = (-height_mm - eye[2]) / directions[:, 2]
        reach = np.where(reach > 0, reach, np.nan)
        return eye[:2] + reach[:, None] * directions[:, :2]
