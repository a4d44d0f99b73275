"""Where the edge of a dark opening lies, to a fraction of a pixel: half-level in linear light, tips by integrated darkness."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy
import skimage

from specimeter.segment.contour import evenly, normals, sample
from specimeter.segment.tips import move_tips

# From rendered faces that the weights never saw: two thirds of the widths lay within 0.7 px, of the lengths within 3 px.
FLOOR_EDGE_PX = 0.4  # what lip, wall, sharpening and tone curve leave of an edge's place at the best of contrasts
TIP_FACTOR = 2.0  # scatter of tips over that of the fitted ramp alone
SMOOTHING_PX = 0.5  # added to the picture before its contour is drawn
CLIPPED = 0.94  # linear light from which a camera's highlights are cut off or rolled off
NEAR_SHARE = 0.1  # weight of the plane against the ring's own light near an edge


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """One opening's outline in a patch's own pixels, with the light it was drawn by.

    Parameters
    ----------
    outline_px : array, shape (N, 2)
        Closed polygon [x, y] in the patch, last point not repeated.
    darkness : float
        Share of the surrounding light that the interior lacks, 0 to 1, corrected for blur where the opening is thin.
    noise : float
        Standard deviation of the surrounding metal's relative light (texture included).
    u_edge_px, u_tip_px : float
        Standard uncertainties of an edge across, and of a tip along, in pixels.
    """

    outline_px: np.ndarray
    darkness: float
    noise: float
    u_edge_px: float
    u_tip_px: float


def relative_darkness(light: np.ndarray, ring: np.ndarray, blur_px: float) -> tuple[np.ndarray, np.ndarray, float]:
    """Share of light missing against the ring around, and the ring's own scatter.

    The surrounding level is a plane, bent near the ring towards the ring's own light there: streaks of the lay that run into
    an opening set the half-level of its edge where they meet it.

    Parameters
    ----------
    light : float32 array, shape (H, W)
        Linear light of a patch.
    ring : bool array, shape (H, W)
        Surrounding metal; a fifth of it may be lip, glare or another opening (Tukey weights, three rounds).
    blur_px : float

    Returns
    -------
    darkness : float32 array, shape (H, W)
    plain : float32 array, shape (H, W)
        The same against the plane alone.
    noise : float
        1.4826 times the median absolute deviation of the ring's darkness.
    """
    rows, cols = np.nonzero(ring)
    values = light[rows, cols].astype(np.float64)
    height, width = light.shape
    x, y = (cols - width / 2) / width, (rows - height / 2) / height
    design = np.column_stack([np.ones_like(x), x, y])
    level = float(np.median(values))
    plane = np.array([level, 0.0, 0.0])
    if len(values) >= 24:
        for _ in range(3):
            residual = values - design @ plane
            spread = 1.4826 * float(np.median(np.abs(residual))) + 1e-6
            weight = np.clip(1 - (residual / (4 * spread)) ** 2, 0, None) ** 2
            normal = design.T @ (weight[:, None] * design) + np.diag([1e-9, 1e-2, 1e-2]) * weight.sum()
            plane = np.linalg.solve(normal, design.T @ (weight * values))
    gx = (np.arange(width) - width / 2) / width
    gy = (np.arange(height) - height / 2) / height
    field = plane[0] + plane[1] * gx[None, :] + plane[2] * gy[:, None]
    field = np.clip(field, 0.4 * level, 2.5 * level).astype(np.float32) + np.float32(1e-6)
    plain = (1 - light / field).astype(np.float32)
    reach = 2.5 * blur_px + 1.5
    seen = ring.astype(np.float32)
    share = cv2.GaussianBlur(seen, (0, 0), reach)
    local = (cv2.GaussianBlur(seen * light / field, (0, 0), reach) + NEAR_SHARE) / (share + NEAR_SHARE)
    field *= np.clip(local, 0.3, 3.0)
    darkness = (1 - light / field).astype(np.float32)
    off = darkness[rows, cols]
    return darkness, plain, float(1.4826 * np.median(np.abs(off - np.median(off))) + 1e-4)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FirstEdge:
    """The half-level contour of a proposed interior, before blur is undone: enough to judge by."""

    outline_px: np.ndarray
    darkness_map: np.ndarray
    plain_map: np.ndarray
    ring: np.ndarray
    peak: float  # relative darkness of the interior (upper quartile of the core)
    noise: float


def first_edge(
    light: np.ndarray, core: np.ndarray, *, blur_px: float, bound: np.ndarray | None = None, bridge: np.ndarray | None = None
) -> FirstEdge | None:
    """The closed half-level contour that encloses most of `core`; parameters as of `trace`; None where there is none."""
    usable = np.ones_like(core) if bound is None else bound
    for _ in range(2):
        ring = _ring(core, blur_px, usable)
        if ring.sum() < 12:
            return None
        darkness, plain, noise = relative_darkness(light, ring, blur_px)
        peak = float(np.percentile(darkness[core], 75))
        if not peak > 0.02:
            return None
        body = _body(core, darkness, peak)
        if body.sum() > 0.97 * core.sum():
            break
        core = body
    polygon = _half_level(darkness, core, peak, usable, blur_px, bridge)
    if polygon is None:
        return None
    return FirstEdge(outline_px=polygon, darkness_map=darkness, plain_map=plain, ring=ring, peak=peak, noise=noise)


def _body(core: np.ndarray, darkness: np.ndarray, peak: float) -> np.ndarray:
    """The core without thin arms that are lighter than it: a streak or line that runs into an opening is not part of it."""
    padded = np.pad(core, 1).astype(np.uint8)
    thick = float(cv2.distanceTransform(padded, cv2.DIST_L2, 5).max())
    if thick < 2:
        return core
    size = 2 * max(1, round(0.35 * thick)) + 1
    opened = cv2.morphologyEx(padded, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    stout = cv2.dilate(opened, np.ones((3, 3), np.uint8))[1:-1, 1:-1] > 0
    body = core & (stout | (darkness > 0.7 * peak))
    large = [part for size, part in _parts(body) if size >= 0.1 * body.sum()]
    for _, arm in (
        _parts(core & ~body) if len(large) > 1 else ()
    ):  # a neck between two parts of the body belongs to it, however thin
        touched = cv2.dilate(arm.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        if sum(bool(np.any(part & touched)) for part in large) > 1:
            body = body | arm
    parts = _parts(body)
    return max(parts, key=lambda part: part[0])[1] if parts else core


def _parts(mask: np.ndarray) -> list[tuple[int, np.ndarray]]:
    """Size and mask of each connected part."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    return [(int(stats[k, 4]), labels == k) for k in range(1, count)]


def trace(
    light: np.ndarray, core: np.ndarray, *, blur_px: float, bound: np.ndarray | None = None, bridge: np.ndarray | None = None
) -> Trace | None:
    """Outline the opening whose dark interior is `core`.

    Parameters
    ----------
    light : float32 array, shape (H, W)
        Linear light of a patch that holds the opening with a margin of surrounding metal.
    core : bool array, shape (H, W)
        The interior as proposed, lip bridges included: whatever it covers is one opening.
    blur_px : float
        Standard deviation of the picture's own blur, in pixels.
    bound : bool array, optional
        Where there is metal to look at; outside it nothing is outlined.
    bridge : bool array, optional
        Lips between dark parts that are to be one opening.

    Returns
    -------
    Trace or None
        None when no closed half-level contour encloses the core: then there is no edge to measure.
    """
    first = first_edge(light, core, blur_px=blur_px, bound=bound, bridge=bridge)
    if first is None:
        return None
    polygon, depth = _settle(first.outline_px, first.darkness_map, first.peak, blur_px)
    polygon = _unclip(polygon, light, first.ring, depth, blur_px)
    polygon, tip_errors = move_tips(polygon, first.plain_map, depth, first.noise, blur_px)
    slope = depth / (np.sqrt(2 * np.pi) * max(blur_px, 0.5))  # of a blurred step at its half-level
    edge = float(np.hypot(FLOOR_EDGE_PX, first.noise / slope))
    tip = TIP_FACTOR * float(np.mean(tip_errors)) if tip_errors else 2 * edge
    tip = max(edge, float(np.hypot(tip, edge)))
    return Trace(outline_px=polygon, darkness=depth, noise=first.noise, u_edge_px=edge, u_tip_px=tip)


def _ring(core: np.ndarray, blur_px: float, usable: np.ndarray) -> np.ndarray:
    """Metal around the core: from beyond the blur and the lip outwards, wider round wide cores."""
    inner = round(2.0 * blur_px + 2)
    outer = inner + max(4, round(3 * blur_px), round(0.15 * np.sqrt(core.sum())))
    seed = core.astype(np.uint8)
    near, far = (cv2.dilate(seed, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1,) * 2)) for r in (inner, outer))
    return (far > 0) & (near == 0) & usable


def _half_level(
    darkness: np.ndarray, core: np.ndarray, peak: float, usable: np.ndarray, blur_px: float, bridge: np.ndarray | None = None
) -> np.ndarray | None:
    """The closed contour at half the interior's darkness that encloses most of the core and stays near its border."""
    near = 2 * round(2 * blur_px + 2) + 1  # farther out than the blur reaches, darkness belongs to something else
    usable = usable & (cv2.dilate(core.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (near, near))) > 0)
    field = cv2.GaussianBlur(darkness, (0, 0), SMOOTHING_PX)
    if bridge is not None:
        field = np.where(bridge, np.maximum(field, 0.9 * peak), field)
    region = usable & (field > peak / 2)
    if region.any():
        stout = cv2.dilate(_body(region, darkness, peak).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        usable = usable & (stout | ~region)
    field = np.where(usable, field, 0.0)
    padded = np.pad(field, 1, constant_values=0.0)
    best, best_inside = None, 0
    rows, cols = np.nonzero(core)
    step = max(1, len(rows) // 40)
    probes = [(float(c), float(r)) for r, c in zip(rows[::step], cols[::step], strict=True)]
    for contour in skimage.measure.find_contours(padded, peak / 2):
        if len(contour) < 6 or np.any(contour[0] != contour[-1]):
            continue
        polygon = contour[:-1, ::-1] - 1.0
        ring = polygon.astype(np.float32).reshape(-1, 1, 2)
        inside = sum(cv2.pointPolygonTest(ring, probe, False) >= 0 for probe in probes)
        if inside > best_inside:
            best, best_inside = polygon, inside
    return best if best is not None and best_inside >= 0.5 * len(probes) else None


def _settle(contour: np.ndarray, darkness: np.ndarray, peak: float, blur_px: float) -> tuple[np.ndarray, float]:
    """The outline whose own half-level contour, blurred as the picture is, is the contour seen; and the darkness without blur.

    A half-level contour shifts at curved edges (by blur^2 / (2 radius)) and spreads where the opening is thinner than the blur.
    Both follow from the outline and the blur alone, so the outline is moved until, drawn and blurred, it passes through the
    contour seen. Nothing but the contour is taken from the picture: its texture cannot pull the outline.
    """
    reach = 3 * blur_px + 3
    low = np.maximum(np.floor(contour.min(axis=0) - reach), 0).astype(int)
    high = np.minimum(np.ceil(contour.max(axis=0) + reach + 1), darkness.shape[::-1]).astype(int)
    seen = evenly(contour - low, 1.0)
    outline = seen.copy()
    spread = float(np.hypot(blur_px, SMOOTHING_PX))
    outward = normals(seen, min(max(2, round(blur_px)), len(seen) // 4))
    core = _cover(seen, (high[1] - low[1], high[0] - low[0])) > 0.5
    inside = darkness[low[1] : high[1], low[0] : high[0]][core]
    dark = float(np.percentile(inside, 75)) if len(inside) else peak
    depth = dark
    for _ in range(5):
        model = cv2.GaussianBlur(_cover(outline, core.shape), (0, 0), spread)
        top = float(np.clip(np.percentile(model[core], 75), 0.05, 1.0)) if core.any() else 1.0
        depth = float(np.clip(dark / top, dark, max(dark, 0.97)))
        short = 0.5 * peak / depth - sample(model, seen[:, :1], seen[:, 1:]).ravel()
        step = scipy.ndimage.gaussian_filter1d(short, max(1.0, 0.7 * blur_px), mode="wrap") * np.sqrt(2 * np.pi) * spread
        outline = outline + np.clip(0.8 * step, -0.4 * spread, 0.4 * spread)[:, None] * outward
    return outline + low, depth


def _unclip(polygon: np.ndarray, light: np.ndarray, ring: np.ndarray, depth: float, blur_px: float) -> np.ndarray:
    """Where the metal around is overexposed, move the outline out to the half-level of the light that was cut off.

    A blurred step of height B passes the level h of the contour at z blurs from its middle, B ndtr(z) = h, with the slope
    B pdf(z) / blur: slope times blur over h is pdf(z) / ndtr(z), which gives z (0 where nothing was cut off).
    """
    if np.mean(light[ring] > CLIPPED) < 0.6:
        return polygon
    outward = normals(polygon, min(max(2, round(blur_px)), len(polygon) // 4))
    d = 0.5
    lines = [
        sample(light, polygon[:, :1] + k * d * outward[:, :1], polygon[:, 1:] + k * d * outward[:, 1:]) for k in (-1, 0, 1)
    ]
    slope, level = np.median((lines[2] - lines[0]) / (2 * d)), np.median(lines[1]) - (1 - depth) * 0.5
    z = np.linspace(-1.5, 0.0, 61)
    mills = np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi) / scipy.special.ndtr(z)
    at = float(np.interp(-slope * float(np.hypot(blur_px, 0.29)) / max(level, 0.05), -mills, z))
    return polygon - at * blur_px * outward


def _cover(polygon: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Share of each pixel that the polygon covers, by supersampling."""
    times = 4 if shape[0] * shape[1] < 40_000 else 2
    fine = np.zeros((shape[0] * times, shape[1] * times), np.uint8)
    points = (polygon + 0.5) * times - 0.5
    cv2.fillPoly(fine, [np.round(points * 16).astype(np.int32)], 255, shift=4)
    return cv2.resize(fine, (shape[1], shape[0]), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
