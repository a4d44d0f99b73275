"""The cut metal's outline, found on its own: of the regions proposed the one that makes a joint, its border followed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from specimeter.colour import to_linear
from specimeter.errors import AreaError
from specimeter.photo import Photo
from specimeter.scale.model import Scale
from specimeter.scale.place import card_outlines_px
from specimeter.scale.surface import Surface
from specimeter.segment.joint import find_butt, find_fillet
from specimeter.segment.model import ExaminedArea
from specimeter.segment.plates import Run, resampled, runs
from specimeter.segment.section_propose import regions, small
from specimeter.sheet import Sheet

RIM_MM = 3.2  # round the card: what it lies on
COARSE_MM, FINE_MM = 0.2, 0.06  # between points of an outline that is only to be judged
STEP_PX = 1.0  # between points of the outline
REACH = 2.6  # cells to either side in which the border is looked for at first
FINE_PX = 3.0  # pixels to either side in which it is looked for at last
TURN = 0.35  # price of a step of the border sideways, in units of a clear edge
LIKE_AIR, PLAIN = (
    0.22,
    0.12,
)  # levels from outside (0) to inside (1): of a notch; scatter of metal that a mark is told from it in
NOTCH_CELLS = 3.0  # how deep a notch may be that is cut out, in units of the first search's reach
PLATEAU_PX = (2.0, 5.0)  # from the edge: where its two levels are taken
FIRST_SHARE = 0.55  # an edge so strong against the strongest ends the metal, though a stronger one follow (a cut's own side)
THICK_SHARE = 0.1  # how far the plate's thickness in the picture may be off the sheet's
EXPLAINED = (0.7, 0.9)  # share of the outline that is plate or weld, from no confidence to full
LEAST_EXPLAINED = 0.65  # below that it is no cut that could be shown to a person as one
RIVAL = 0.7  # of the best one's worth, from which another place in the photograph makes it unsure
LEAST_CONFIDENCE = 0.5
MEND = "outline the metal of the cut in [region] outline_px"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """One outline in pixels, and how much speaks for it."""

    outline_px: np.ndarray
    support: float  # 0 to 1: how much of it lies on a clear edge
    worth: float
    joint: bool
    thick: float = 1.0  # 0 to 1: how well the plate's thickness agrees with the sheet's
    plain: float = 1.0  # how much of a piece it is
    explained: float = 1.0  # share of the outline that is plate surface or the face of a weld


def find_section(photo: Photo, sheet: Sheet, scale: Scale, surface: Surface) -> ExaminedArea:
    """The outline of the cut metal to a fraction of a pixel.

    Raises
    ------
    AreaError
        If nothing in the photograph has straight plates with a weld between them.
    """
    middle = np.array([(photo.width_px - 1) / 2, (photo.height_px - 1) / 2])
    seen = small(photo.rgb, card_outlines_px(scale), RIM_MM / float(surface.mm_per_px_at(middle)))
    size = np.array([photo.width_px, photo.height_px], float)
    found = []
    for clear, mask in regions(seen):
        contour = max(cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len)
        coarse = seen.to_photograph(np.asarray(contour, float).reshape(-1, 2))
        if (one := _judged(coarse, None, sheet, surface, size)) is not None:
            plain = float(np.clip(0.25 + 0.5 * clear, 0.05, 1.5))
            found.append(replace(one, worth=one.worth * plain, plain=plain))
    found.sort(key=lambda one: -one.worth)
    light = _light(photo)
    finer = []
    for one in found[:4]:
        outline, support = follow(light, one.outline_px, REACH * seen.cell_px, FINE_PX)
        if (judged := _judged(outline, support, sheet, surface, size)) is not None:
            finer.append(replace(judged, worth=judged.worth * one.plain, plain=one.plain))
    finer.sort(key=lambda one: -one.worth)
    if not finer or not finer[0].joint or finer[0].explained < LEAST_EXPLAINED:
        raise AreaError(
            "no cut through a weld stands out from the background",
            file=photo.file,
            field="region.outline_px",
            expected="metal with straight plate surfaces and a weld between them",
            mend=MEND,
        )
    best = finer[0]
    confidence = float(np.clip((best.support - 0.45) / 0.35, 0.05, 0.98))
    confidence *= float(np.clip((best.explained - EXPLAINED[0]) / (EXPLAINED[1] - EXPLAINED[0]), 0.05, 1.0))
    if best.thick < 0.3:
        confidence = min(confidence, 0.4)
    middle = best.outline_px.mean(axis=0)
    reach = 0.25 * float(np.ptp(best.outline_px, axis=0).max())
    rivals = [one.worth for one in finer[1:] if np.hypot(*(one.outline_px.mean(axis=0) - middle)) > reach]
    if rivals and max(rivals) > RIVAL * best.worth:
        confidence = min(confidence, 0.4)
    cautions = ()
    if confidence < LEAST_CONFIDENCE:
        cautions = ("The cut was outlined with low confidence: check its outline, or give it in [region].",)
    return _area(photo, best.outline_px, confidence, cautions)


def drawn_section(photo: Photo, area: ExaminedArea) -> ExaminedArea:
    """The sheet's region with its border moved onto the edge it was drawn along, where one lies within a hand's reach."""
    outline, support = follow(_light(photo), area.outline_px, 4.0, FINE_PX)
    fine = _area(photo, outline if support > 0.5 else area.outline_px, area.confidence, area.cautions)
    return replace(fine, found_by="sheet", exclude_px=area.exclude_px)


def _area(photo: Photo, outline_px: np.ndarray, confidence: float, cautions) -> ExaminedArea:
    outline = np.clip(outline_px, 0, [photo.width_px - 1, photo.height_px - 1])
    return ExaminedArea(
        outline_px=outline,
        found_by="auto",
        edges_px=(np.concatenate([outline, outline[:1]]),),
        confidence=confidence,
        cautions=tuple(cautions),
    )


def _light(photo: Photo) -> np.ndarray:
    """Linear light of the three colours, float32 (H, W, 3)."""
    return np.asarray(to_linear(photo.rgb.astype(np.float32) / np.iinfo(photo.rgb.dtype).max), np.float32)


def _judged(
    outline_px: np.ndarray, support: float | None, sheet: Sheet, surface: Surface, picture_px: np.ndarray
) -> Candidate | None:
    """How well an outline fits a cut through the sheet's weld; None if it cannot be one."""
    developed = surface.develop(outline_px)
    if not np.isfinite(developed).all():
        return None
    step = COARSE_MM if support is None else FINE_MM
    outline = resampled(developed, max(step, float(np.ptp(developed, axis=0).max()) / 1500))
    plates = runs(outline)
    if len(plates) < 3:
        return None
    straight = min(sum(run.length_mm for run in plates) / (len(outline) * step), 1.0)
    joint = (find_fillet if sheet.specimen.test == "macro-fillet" else find_butt)(outline, plates)
    explained = straight
    if joint is not None:
        faces = (
            (joint.face,) if hasattr(joint, "face") else tuple(face for face in (joint.top, joint.bottom) if face is not None)
        )
        curved = sum(_not_straight(face, plates) for face in faces)
        explained = min(straight + curved / (len(outline) * step), 1.0)
    worth = straight * explained * (1.0 if support is None else 0.1 + support)
    thick = 1.0
    if joint is None:
        worth *= 0.1
    elif sheet.specimen.parent_thickness_mm is not None:
        thick = _thick(plates, joint, sheet.specimen.parent_thickness_mm)
        worth *= 0.1 + 0.9 * thick
    away = np.abs(outline_px.mean(axis=0) / picture_px - 0.5).max()  # what is photographed lies rather in the middle
    worth *= 1.0 - 0.6 * float(np.clip(2 * away, 0, 1)) ** 2
    return Candidate(
        outline_px=outline_px,
        support=support or 0.0,
        worth=float(worth),
        joint=joint is not None,
        thick=thick,
        explained=explained,
    )


def _not_straight(face, plates: tuple[Run, ...]) -> float:
    """Length in mm of a weld's face that no straight run covers already."""
    points = face.points
    length = float(np.sum(np.hypot(*np.diff(points, axis=0).T)))
    straight = sum(run.length_mm for run in plates if np.min(np.hypot(*(points - run.point).T)) < 0.1 + 2 * run.scatter_mm)
    return max(length - straight, 0.0)


def _thick(plates: tuple[Run, ...], joint, thickness_mm: float) -> float:
    """0 to 1: whether a plate of the joint is as thick as the sheet says, from the surface that faces away from it."""
    face = joint.face if hasattr(joint, "face") else joint.top
    best = 0.0
    for toe in face.toes:
        for run in plates:
            if run.normal @ toe.plate.normal < -0.98:
                apart = -float(toe.plate.height(run.point[None])[0])
                best = max(best, float(np.exp(-0.5 * (np.log(max(apart, 1e-3) / thickness_mm) / THICK_SHARE) ** 2)))
    return best


# ------------------------------------------------------------------ following the border


def follow(light: np.ndarray, outline_px: np.ndarray, reach_px: float, fine_px: float) -> tuple[np.ndarray, float]:
    """An outline moved onto the edge along it, and the share of it that lies on a clear one.

    First the path of clearest edge within `reach_px` is taken, by dynamic programming round the outline; then, within
    `fine_px`, the half-level of linear light between what lies inside and outside, point by point.

    Parameters
    ----------
    light : float32 array, shape (H, W, 3)
        Linear light.
    outline_px : array, shape (N, 2)
        Closed polygon [x, y].
    """
    signed = _signed(outline_px)
    points, normals = _along(signed, max(reach_px / 6, STEP_PX), 0.35 * reach_px)
    offsets = np.arange(-reach_px, reach_px + 0.5, max(0.5, reach_px / 24))
    strength = _strength(light, points, normals, offsets)
    path = _path(strength, TURN * 24 / len(offsets))
    moved = points + offsets[path][:, None] * normals
    points, normals = _along(moved, STEP_PX, 2.5)
    offsets = np.arange(-fine_px - 1.5, fine_px + 1.6, 0.5)
    strength = _strength(light, points, normals, offsets, along=1)
    path = _path(strength, 0.12)
    points = points + cv2.GaussianBlur(offsets[path].astype(np.float32).reshape(-1, 1), (1, 5), 0).ravel()[:, None] * normals
    points, normals = _along(points, STEP_PX, 1.2)
    carved = carve(light, points, normals, NOTCH_CELLS * reach_px)
    if carved is not None:  # notches too narrow for the path: the line goes round them, and is placed anew
        points, normals = _along(carved, STEP_PX, 1.0)
        offsets = np.arange(-2.0, 2.01, 0.5)
        path = _path(_strength(light, points, normals, offsets, along=1), 0.12)
        points, normals = _along(points + offsets[path][:, None] * normals, STEP_PX, 1.2)
    at, clear = _half_level(light, points, normals)
    return points + at[:, None] * normals, float(np.mean(clear))


def carve(light: np.ndarray, points: np.ndarray, normals: np.ndarray, reach_px: float) -> np.ndarray | None:
    """The outline with notches cut out of it that look like what lies outside beside them; None where there are none.

    Only what hangs together with the outside, within `reach_px` of the outline, and is three pixels deep or more.
    """
    low = np.floor(points.min(axis=0)).astype(int) - 3
    size = np.ceil(points.max(axis=0)).astype(int) + 4 - low
    low = np.maximum(low, 0)
    size = np.minimum(size, np.array(light.shape[1::-1]) - low)
    local = np.round((points - low) * 16).astype(np.int32).reshape(-1, 1, 2)
    metal = np.zeros(size[::-1], np.uint8)
    cv2.fillPoly(metal, [local], 1, shift=4)
    depth = cv2.distanceTransform(metal, cv2.DIST_L2, 5)
    band = (metal > 0) & (depth < reach_px)
    far = np.concatenate([np.arange(-9.0, -3.9), np.arange(4.0, 7.1)])
    profile = _profiles(light, points, normals, far)
    inside, outside = (_settled(np.median(part, axis=1)) for part in (profile[:, far < 0], profile[:, far > 0]))
    across = inside - outside
    size_of = np.maximum(np.sum(across**2, axis=1), 1e-9)
    rough = np.std(np.sum(profile[:, far < 0] * across[:, None], axis=2) / size_of[:, None], axis=1)
    rough = np.median(rough[(np.arange(len(rough))[:, None] + np.arange(-60, 61, 4)) % len(rough)], axis=1)
    seeds = np.ones(metal.shape, np.uint8)
    cells = np.clip(np.round(points - low).astype(int), 0, size - 1)
    seeds[cells[:, 1], cells[:, 0]] = 0
    labels = cv2.distanceTransformWithLabels(seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)[1]
    point_of = np.zeros(int(labels.max()) + 1, int)
    point_of[labels[cells[:, 1], cells[:, 0]]] = np.arange(len(points))
    rows, columns = np.nonzero(band)
    near = point_of[labels[rows, columns]]
    seen = light[rows + low[1], columns + low[0]]
    level = np.sum((seen - outside[near]) * across[near], axis=1) / size_of[near]
    air = np.zeros(metal.shape, np.uint8)
    air[rows, columns] = level < 0.5
    count, parts = cv2.connectedComponents(air, connectivity=4)
    levels, marks = np.zeros(metal.shape, np.float32), np.zeros(metal.shape, np.float32)
    levels[rows, columns], marks[rows, columns] = level, rough[near]
    cut = np.zeros(metal.shape, bool)
    for part in range(1, count):
        mine = parts == part
        if depth[mine].min() >= 2.0 or depth[mine].max() < 4.0:
            continue
        mouth = np.count_nonzero(mine & (depth < 2.0))  # two rows of cells, about
        open_ = mouth > 0.35 * depth[mine].max()
        if open_ and np.percentile(levels[mine], 35) < LIKE_AIR and np.median(marks[mine]) < PLAIN:
            cut |= mine
    if not cut.any():
        return None
    left = cv2.morphologyEx(((metal > 0) & ~cut).astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    contour = max(cv2.findContours(left, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=cv2.contourArea)
    return _signed(np.asarray(contour, float).reshape(-1, 2) + low)


def _settled(values: np.ndarray) -> np.ndarray:
    """Running medians round the outline over some forty points, float (N, 3)."""
    index = (np.arange(len(values))[:, None] + np.arange(-40, 41, 4)) % len(values)
    return np.median(values[index], axis=1)


def _signed(outline_px: np.ndarray) -> np.ndarray:
    """The outline with the metal on its left as drawn with y down, so that normals point outwards one way."""
    x, y = np.asarray(outline_px, float).T
    return outline_px if np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)) > 0 else outline_px[::-1]


def _along(outline: np.ndarray, step: float, smooth: float) -> tuple[np.ndarray, np.ndarray]:
    """Points `step` apart round a closed outline, and outward normals from its course over about `smooth` pixels."""
    closed = np.concatenate([outline, outline[:1]])
    reach = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    count = max(int(reach[-1] / step), 16)
    at = np.arange(count) * reach[-1] / count
    points = np.column_stack([np.interp(at, reach, column) for column in closed.T])
    sigma = max(smooth / step, 0.8)
    wide = int(np.ceil(4 * sigma))
    padded = np.concatenate([points[-wide:], points, points[:wide]])
    kernel = np.exp(-0.5 * (np.arange(-wide, wide + 1) / sigma) ** 2)
    soft = np.column_stack([np.convolve(column, kernel / kernel.sum(), "valid") for column in padded.T])[:count]
    way = np.roll(soft, -1, axis=0) - np.roll(soft, 1, axis=0)
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    return points, np.column_stack([way[:, 1], -way[:, 0]])


def _profiles(light: np.ndarray, points: np.ndarray, normals: np.ndarray, offsets: np.ndarray) -> np.ndarray:
    """Light across an outline, float32 (N, offsets, 3)."""
    grid = points[:, None] + offsets[None, :, None] * normals[:, None]
    return np.asarray(
        cv2.remap(
            light,
            grid[..., 0].astype(np.float32),
            grid[..., 1].astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


def _strength(light, points, normals, offsets, along: int = 2) -> np.ndarray:
    """How clear an edge lies at each place across, float32 (N, offsets), 1 where it is the clearest thereabouts."""
    step = offsets[1] - offsets[0]
    profile = np.sqrt(np.maximum(_profiles(light, points, normals, offsets), 0))
    if along:
        profile = cv2.blur(np.concatenate([profile[-along:], profile, profile[:along]]), (1, 2 * along + 1))[along:-along]
    smooth = cv2.GaussianBlur(profile, (0, 0), sigmaX=max(0.8 / step, 0.6), sigmaY=1e-3)
    slope = np.sqrt(np.sum(np.gradient(smooth, axis=1) ** 2, axis=2))
    strongest = cv2.dilate(slope.max(axis=1).reshape(-1, 1), np.ones((15, 1), np.uint8)).reshape(-1, 1)
    strength = slope / np.maximum(np.maximum(strongest, 0.15 * np.median(strongest)), 1e-6)
    gap = max(round(1.5 / float(step)), 1)
    before = np.maximum.accumulate(strength, axis=1)
    inner = np.concatenate([np.zeros((len(points), gap), np.float32), before[:, :-gap]], axis=1)
    return (strength * np.where(inner > FIRST_SHARE, 0.45, 1.0)).astype(np.float32)


def _path(strength: np.ndarray, turn: float) -> np.ndarray:
    """Index across at each point along, of the closed path with most strength and least wandering."""
    count, width = strength.shape
    doubled = np.concatenate([strength, strength])  # twice round: the second turn has forgotten where the first began
    best = np.empty(doubled.shape, np.float32)
    came = np.zeros(doubled.shape, np.int8)
    best[0] = doubled[0]
    for k in range(1, 2 * count):
        before = best[k - 1]
        choices = np.full((5, width), -np.inf, np.float32)
        for n, shift in enumerate((-2, -1, 0, 1, 2)):
            low, high = max(0, -shift), width - max(0, shift)
            choices[n, low:high] = before[low + shift : high + shift] - turn * abs(shift)
        pick = np.argmax(choices, axis=0)
        came[k] = pick - 2
        best[k] = choices[pick, np.arange(width)] + doubled[k]
    path = np.empty(2 * count, int)
    path[-1] = int(np.argmax(best[-1]))
    for k in range(2 * count - 1, 0, -1):
        path[k - 1] = path[k] + came[k, path[k]]
    return np.concatenate([path[count : count + count // 2], path[count // 2 : count]])


def _half_level(light: np.ndarray, points: np.ndarray, normals: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where each profile crosses half-way between inside and outside, in pixels, and whether the edge is clear there."""
    offsets = np.arange(-PLATEAU_PX[1] - 1, PLATEAU_PX[1] + 1.01, 0.25)
    profile = _profiles(light, points, normals, offsets)
    inside, outside = (
        _local(profile[:, (offsets >= low) & (offsets <= high)].mean(axis=1))
        for low, high in ((-PLATEAU_PX[1], -PLATEAU_PX[0]), (PLATEAU_PX[0], PLATEAU_PX[1]))
    )
    way = inside - outside
    size = np.sqrt(np.sum(way**2, axis=1))
    level = (
        np.sum((profile - outside[:, None]) * way[:, None], axis=2) / np.maximum(size, 1e-6)[:, None] ** 2
    )  # 1 inside, 0 outside
    noise = np.std(level[:, (offsets < -PLATEAU_PX[0]) & (offsets > -PLATEAU_PX[1])], axis=1)
    near = np.abs(offsets) <= 2.6
    at = np.full(len(points), np.nan)
    part, places = level[:, near], offsets[near]
    falls = (part[:, :-1] >= 0.5) & (part[:, 1:] < 0.5)
    for k in np.flatnonzero(falls.any(axis=1)):
        where = np.flatnonzero(falls[k])
        cross = places[where] + 0.25 * (part[k, where] - 0.5) / (part[k, where] - part[k, where + 1])
        at[k] = cross[np.argmin(np.abs(cross))]
    known = np.isfinite(at)
    if known.sum() < 8:
        return np.zeros(len(points)), np.zeros(len(points), bool)
    index = np.arange(len(points))
    at = np.where(known, at, np.interp(index, index[known], at[known], period=len(points)))
    clear = known & (noise < 0.28)
    return at, clear


def _local(values: np.ndarray, reach: int = 6) -> np.ndarray:
    """Running median-like mean round the outline, float (N, 3)."""
    padded = np.concatenate([values[-reach:], values, values[:reach]])
    return np.asarray(cv2.blur(padded.reshape(-1, 1, 3).astype(np.float32), (1, 2 * reach + 1))).reshape(-1, 3)[reach:-reach]
