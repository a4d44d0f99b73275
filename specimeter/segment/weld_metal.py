"""Weld metal, fusion line and heat-affected zone on an etched cut, by texture and tone; nothing where they are not seen."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from specimeter.colour import to_linear
from specimeter.photo import Photo
from specimeter.scale.surface import Surface
from specimeter.segment.joint import find_butt, find_fillet
from specimeter.segment.model import ExaminedArea
from specimeter.segment.plates import resampled
from specimeter.segment.polylines import corner, crossings
from specimeter.segment.weld_face import WeldFace

PX_MM = 0.05  # of the map in which the weld metal is looked for, if the photograph is as fine
LEAST_SEEN = 2.0  # how many scatters weld metal and plate must differ by, taken together
REACH_MM = 1.2  # how far round the proposed border the fusion line is looked for
UNETCHED = "weld metal does not stand out from the plates in tone or texture: the cut is not etched, or too weakly"
NO_JOINT = "no weld was found between two plate surfaces in the outline"
UNCLEAR = "the fusion line is not seen all along its course"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeldMetal:
    """Weld metal in pixels of the photograph.

    Parameters
    ----------
    outline_px : array, shape (N, 2)
        Closed polygon: the weld's face and its fusion line.
    haz_px, u_haz_px : float or None, float
        Greatest width of the heat-affected zone square to the fusion line, and its standard uncertainty.
    seen : float
        By how many scatters weld metal and plate differ.
    """

    outline_px: np.ndarray
    haz_px: float | None
    u_haz_px: float
    seen: float


def look_for(photo: Photo, test: str, surface: Surface, area: ExaminedArea) -> WeldMetal | str:
    """The weld metal of the joint that the area's outline shows, or in words why it is not had."""
    px_mm = float(surface.mm_per_px_at(area.outline_px.mean(axis=0)))
    outline = resampled(surface.develop(area.outline_px), 0.7 * px_mm)
    if test == "macro-fillet":
        joint = find_fillet(outline)
        if joint is None:
            return NO_JOINT
        root = corner(joint.face.toes[0].plate, joint.face.toes[1].plate)
        return find_weld_metal(photo, surface, area, (joint.face,), root)
    joint = find_butt(outline)
    if joint is None:
        return NO_JOINT
    if joint.bottom is not None:
        return find_weld_metal(photo, surface, area, (joint.top, joint.bottom), joint.bottom.points.mean(axis=0))
    middle = (joint.top.toes[0].point + joint.top.toes[1].point) / 2
    normal = joint.top.toes[0].plate.normal
    through = crossings(outline, middle + 0.5 * normal, -normal)
    far = through[through > 2.0]
    root = middle - (float(far.min()) - 0.5 if len(far) else 5.0) * normal
    return find_weld_metal(photo, surface, area, (joint.top,), root)


def find_weld_metal(
    photo: Photo, surface: Surface, area: ExaminedArea, faces: tuple[WeldFace, ...], root: np.ndarray
) -> WeldMetal | str:
    """The weld metal behind a weld's face or faces, or in words why it is not had.

    A region is grown from the faces inwards by a discriminant of tone and texture between what lies just under the face and
    what lies far off in the plates, and its border is then moved to the clearest line within reach.

    Parameters
    ----------
    faces : tuple of WeldFace
        In mm on the surface; the main one first.
    root : array, shape (2,)
        Where the weld is deepest, about: a fillet's corner, a butt weld's middle on the plates' far side.
    """
    chart = _chart(photo, surface, area)
    if chart is None:
        return UNETCHED
    weld, plate, near = _seeds(chart, faces, root)
    if weld.sum() < 60 or plate.sum() < 60:
        return UNETCHED
    values = chart.looks.reshape(-1, chart.looks.shape[2])
    one, two = values[weld.ravel()], values[plate.ravel()]
    pooled = 0.5 * (np.cov(one.T) + np.cov(two.T)) + 0.02 * np.eye(values.shape[1])
    weight = np.linalg.solve(pooled, one.mean(axis=0) - two.mean(axis=0))
    inside, outside = np.median(one @ weight), np.median(two @ weight)
    spread = float(np.sqrt(weight @ pooled @ weight))
    seen = float(inside - outside) / max(spread, 1e-6)
    if seen < LEAST_SEEN:
        return UNETCHED
    odds = (
        (2 * ((values @ weight) - (inside + outside) / 2) / max(inside - outside, 1e-6))
        .reshape(chart.metal.shape)
        .astype(np.float32)
    )
    mask = _grown(chart, odds, weld, near)
    if mask is None:
        return UNCLEAR
    ring = _ring(mask, chart)
    outline = surface.project(ring)
    haz, u_haz = _haz(chart, mask)
    px_mm = float(surface.mm_per_px_at(outline.mean(axis=0)))
    return WeldMetal(outline_px=outline, haz_px=None if haz is None else haz / px_mm, u_haz_px=u_haz / px_mm, seen=seen)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chart:
    """The cut unrolled onto mm: looks float32 (rows, columns, K) of unit spread, and which cells are metal, well inside."""

    looks: np.ndarray
    light: np.ndarray
    metal: np.ndarray
    low: np.ndarray
    mm: float

    def cells(self, points_mm: np.ndarray) -> np.ndarray:
        """Cells [column, row] of points in mm."""
        return (np.asarray(points_mm, float).reshape(-1, 2) - self.low) / self.mm


def _chart(photo: Photo, surface: Surface, area: ExaminedArea) -> Chart | None:
    developed = surface.develop(area.outline_px)
    mm = max(PX_MM, float(surface.mm_per_px_at(area.outline_px.mean(axis=0))))
    low = developed.min(axis=0) - 3 * mm
    size = np.ceil((developed.max(axis=0) + 3 * mm - low) / mm).astype(int) + 1
    if np.prod(size) > 12_000_000 or min(size) < 20:
        return None
    x, y = np.meshgrid(low[0] + np.arange(size[0]) * mm, low[1] + np.arange(size[1]) * mm)
    pixels = surface.project(np.column_stack([x.ravel(), y.ravel()])).astype(np.float32).reshape(*x.shape, 2)
    linear = np.asarray(to_linear(photo.rgb.astype(np.float32) / np.iinfo(photo.rgb.dtype).max), np.float32)
    seen = np.asarray(cv2.remap(linear, pixels[..., 0], pixels[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
    metal = np.zeros(x.shape, np.uint8)
    cv2.fillPoly(metal, [np.round((developed - low) / mm).astype(np.int32).reshape(-1, 1, 2)], 1)
    inner = cv2.erode(metal, np.ones((3, 3), np.uint8), iterations=max(1, round(0.15 / mm))) > 0
    light = np.log(seen.mean(axis=2) + 1e-3)
    light = _filled(light, inner)
    red, blue = (_filled(np.log(seen[..., k] + 1e-3) - np.log(seen[..., 1] + 1e-3), inner) for k in (0, 2))

    def blur(field, at_mm):
        return cv2.GaussianBlur(field, (0, 0), max(at_mm / mm, 0.6))

    fine = light - blur(light, 0.15)
    middle = blur(light, 0.12) - blur(light, 0.6)
    looks = [blur(light, 0.25), blur(red, 0.4), blur(blue, 0.4)]
    looks += [np.log(blur(fine**2, 0.5) + 1e-6) / 2, np.log(blur(middle**2, 0.7) + 1e-6) / 2]
    stack = []
    for field, unit in zip(looks, (0.25, 0.08, 0.08, 0.5, 0.5), strict=True):
        stack.append((field - np.median(field[inner])) / unit)
    return Chart(looks=np.dstack(stack).astype(np.float32), light=light, metal=inner, low=low, mm=mm)


def _filled(field: np.ndarray, inner: np.ndarray) -> np.ndarray:
    """The field with what lies outside the metal taken from the nearest metal, so that no blur reaches across the edge."""
    labels = cv2.distanceTransformWithLabels((~inner).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)[1]
    lookup = np.zeros(int(labels.max()) + 1, np.float32)
    lookup[labels[inner]] = field[inner]
    return lookup[labels].astype(np.float32)


def _seeds(chart: Chart, faces: tuple[WeldFace, ...], root: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cells that are weld metal for certain, plate for certain, and those that may be either."""
    shape = chart.metal.shape
    polygon = np.concatenate([faces[0].points, root[None]] if len(faces) == 1 else [faces[0].points, faces[1].points])
    core = np.zeros(shape, np.uint8)
    cv2.fillPoly(core, [np.round(chart.cells(polygon)).astype(np.int32).reshape(-1, 1, 2)], 1)
    size = float(np.hypot(*np.ptp(polygon, axis=0)))
    depth = cv2.distanceTransform(core, cv2.DIST_L2, 5) * chart.mm
    weld = (depth > 0.35 * float(depth.max())) & chart.metal
    away = cv2.distanceTransform(1 - core, cv2.DIST_L2, 5) * chart.mm
    far = max(4.5, 0.45 * size)
    plate = (away > far) & (away < far + 12) & chart.metal
    if plate.sum() < 60:
        plate = (away > 0.6 * float(away[chart.metal].max())) & chart.metal
    return weld, plate, (away < max(0.6 * size, 3.0)) & chart.metal


def _grown(chart: Chart, odds: np.ndarray, weld: np.ndarray, near: np.ndarray) -> np.ndarray | None:
    """The weld metal as a mask: the least cut between sure weld and the rest along weak odds (graph cut by GrabCut's solver
    is not needed: the odds are smooth), made whole; None where it runs into the plates."""
    soft = cv2.GaussianBlur(odds, (0, 0), max(0.12 / chart.mm, 0.7))
    part = ((soft > 0) & near) | weld
    part = cv2.morphologyEx(part.astype(np.uint8), cv2.MORPH_OPEN, _disc(0.25, chart.mm))
    part = cv2.morphologyEx(part, cv2.MORPH_CLOSE, _disc(0.5, chart.mm))
    _, labels = cv2.connectedComponents(part, connectivity=4)
    inside = labels[weld & (labels > 0)]
    if not len(inside):
        return None
    mask = (labels == np.bincount(inside).argmax()).astype(np.uint8)
    contours = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    filled = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(filled, [max(contours, key=cv2.contourArea)], -1, 1, cv2.FILLED)
    rim = filled.astype(bool) & ~near
    edge = (cv2.dilate(filled, np.ones((3, 3), np.uint8)) > 0) & chart.metal & ~near
    if rim.any() or edge.sum() > 0.15 * np.sqrt(filled.sum()) * 3.5:
        return None
    return filled > 0


def _disc(radius_mm: float, mm: float) -> np.ndarray:
    size = 2 * max(1, round(radius_mm / mm)) + 1
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))


def _ring(mask: np.ndarray, chart: Chart) -> np.ndarray:
    """The mask's border in mm, smoothed over its cells, and let out to the metal's own edge where it lies along it."""
    reach = max(2, round(0.15 / chart.mm) + 1)
    grown = cv2.dilate(mask.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=reach)
    edge = (grown > 0) & ~chart.metal  # the strip along the edge that the chart left out
    near = cv2.dilate((mask & ~_inside(chart, reach)).astype(np.uint8), np.ones((3, 3), np.uint8), iterations=reach) > 0
    whole = (mask | (edge & near)).astype(np.uint8)
    contour = max(cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=cv2.contourArea)
    points = np.asarray(contour, float).reshape(-1, 2)
    soft = gaussian_filter1d(points, max(0.1 / chart.mm, 1.0), axis=0, mode="wrap")
    return chart.low + soft * chart.mm


def _inside(chart: Chart, cells: int) -> np.ndarray:
    return cv2.erode(chart.metal.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=cells) > 0


def _haz(chart: Chart, mask: np.ndarray) -> tuple[float | None, float]:
    """Greatest width of the zone beside the weld metal whose tone differs from the plate's, in mm, and its u."""
    away = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5) * chart.mm
    beyond = chart.metal & ~mask
    steps = np.arange(0.2, 5.0, 0.15)
    tone = chart.looks[..., 0]
    level = np.array(
        [np.median(tone[part]) if (part := beyond & (away >= a) & (away < a + 0.15)).sum() > 20 else np.nan for a in steps]
    )
    scatter = np.array(
        [
            np.std(tone[part]) / np.sqrt(part.sum() * chart.mm**2 / 0.25 + 1)
            if (part := beyond & (away >= a) & (away < a + 0.15)).sum() > 20
            else np.nan
            for a in steps
        ]
    )
    known = np.isfinite(level)
    if known.sum() < 12:
        return None, 0.0
    level, scatter, steps = level[known], scatter[known], steps[known]
    best = None
    for k in range(3, len(steps) - 4):  # one step of the level: the zone's outer border
        before, after = level[:k], level[k:]
        left = np.sum((before - np.polyval(np.polyfit(steps[:k], before, 1), steps[:k])) ** 2) + np.sum(
            (after - after.mean()) ** 2
        )
        if best is None or left < best[0]:
            best = (left, k, before[-1] - after.mean())
    left, k, jump = best
    noise = max(float(np.sqrt(left / len(steps))), float(np.median(scatter)), 0.02)
    if abs(jump) < 3 * noise or abs(level[:k].mean() - level[k:].mean()) < 3 * noise:
        return None, 0.0
    return float(steps[k]), 0.25
