"""Sizes of a weld in a section by their definitions: fillet and butt, each with what was drawn to measure it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from specimeter.segment.plates import Run
from specimeter.segment.polylines import area_mm2, corner, crossings, nearest
from specimeter.segment.weld_face import Toe, WeldFace

NARROW_MM, ABOVE_MM = 0.8, (0.2, 0.4, 0.6, 0.8, 1.0)  # of weld metal that is no root run; over its deepest place, where asked
SPIKE_MM, SPIKE_SHARE, STEP_MM = 1.0, 4, 0.05  # over which a face is steadied, that part of it at most; steps along it


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn:
    """One size and its construction: lines and points in mm that show what was measured.

    Parameters
    ----------
    name : str
        As in the record: `leg_1_mm`, ...
    value : float
        In the unit that the name ends in.
    lines : tuple of arrays, each (N, 2)
        The first is the dimension itself; the others are what it was taken from.
    """

    name: str
    value: float
    lines: tuple[np.ndarray, ...]


def _above(points: np.ndarray, start: np.ndarray, end: np.ndarray, outward: np.ndarray) -> np.ndarray:
    """Heights of points over the line from start to end, positive to the side of `outward`."""
    chord = (end - start) / np.hypot(*(end - start))
    normal = np.array([-chord[1], chord[0]])
    return (points - start) @ (normal * np.sign(normal @ outward))


def extreme(heights: np.ndarray) -> int:
    """Index of the greatest height, or of the deepest where nothing rises above the line by more than it sinks below."""
    highest, deepest = int(np.argmax(heights)), int(np.argmin(heights))
    return highest if heights[highest] >= -heights[deepest] else deepest


def steadied(points: np.ndarray) -> np.ndarray:
    """A face, an open path (N, 2), without what juts out or cuts in and back over less than half of SPIKE_MM of its length.

    So a line of the bench does that meets it, or a speck at its edge. Heights over its chord are their running median.

    No weld's face is so sharp: of an arc of 2 mm radius it takes a fiftieth of a millimetre.
    """
    part = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    count = max(round(part[-1] / STEP_MM), 4) + 1
    even = np.column_stack([np.interp(np.linspace(0.0, part[-1], count), part, column) for column in points.T])
    chord = (even[-1] - even[0]) / max(float(np.hypot(*(even[-1] - even[0]))), 1e-9)
    normal = np.array([-chord[1], chord[0]])
    height = (even - even[0]) @ normal
    wide = min(round(SPIKE_MM / STEP_MM), count // SPIKE_SHARE) // 2 * 2 + 1
    middle = scipy.ndimage.median_filter(height, wide, mode="nearest")
    for k in range(wide // 2):  # at either end of as many as there are: toes stay where they are
        middle[k], middle[-1 - k] = np.median(height[: 2 * k + 1]), np.median(height[len(height) - 2 * k - 1 :])
    return even + (middle - height)[:, None] * normal


def fillet(face: WeldFace, through: int) -> dict[str, Drawn]:
    """Sizes of a fillet weld that its face and the two plate surfaces give.

    Parameters
    ----------
    face : WeldFace
        Its two toes lie on the two plates.
    through : int
        Which of the two toes is on the plate that runs through: size 1 is on it.
    """
    toes = (face.toes[through], face.toes[1 - through])
    root = corner(toes[0].plate, toes[1].plate)
    if root is None:
        return {}
    found: dict[str, Drawn] = {}
    for number, toe in enumerate(toes, start=1):
        found |= _sized(f"leg_{number}_mm", float(np.hypot(*(toe.point - root))), np.array([root, toe.point]))
        found |= _sized(f"toe_angle_{number}_deg", toe.angle_deg, toe.tangent, np.array([toe.point, root]))
    steady = steadied(face.points)
    nearest_face = nearest(root, steady)
    found |= _sized("throat_mm", float(np.hypot(*(nearest_face - root))), np.array([root, nearest_face]))
    one, two = toes[0].point, toes[1].point
    outward = (one + two) / 2 - root
    heights = _above(steady, one, two, outward)
    base = float(_above(root[None], one, two, outward)[0])
    lowest = int(np.argmin(heights))
    foot = root + (heights[lowest] - base) * _unit(one, two, outward)
    found |= _sized("theoretical_throat_mm", float(heights[lowest] - base), np.array([root, foot]), np.array([one, two]))
    most = extreme(heights)
    on_chord = steady[most] - heights[most] * _unit(one, two, outward)
    found |= _sized("convexity_mm", float(heights[most]), np.array([on_chord, steady[most]]), np.array([one, two]))
    return found


def parent_share(weld: np.ndarray, root: np.ndarray, face: WeldFace) -> Drawn:
    """Dilution of a fillet weld between square-edged plates: the share of weld metal, a polygon in mm, that was plate.

    What was laid down is what stands before both plates' surfaces, from corner to toes and face; the rest of the weld metal
    was parent metal. (Definition: design section 7; the ratio of areas is common practice, no source.)
    """
    one, two = (toe.point for toe in face.toes)
    way = face.points if np.hypot(*(face.points[0] - one)) <= np.hypot(*(face.points[-1] - one)) else face.points[::-1]
    added = np.concatenate([root[None], one[None], way, two[None]])
    whole = area_mm2(weld)
    share = float(np.clip(1.0 - area_mm2(added) / whole, 0.0, 1.0)) if whole > 0 else 0.0
    return Drawn(name="dilution", value=share, lines=(np.concatenate([added, added[:1]]), np.concatenate([weld, weld[:1]])))


def butt(top: WeldFace, bottom: WeldFace | None, across: np.ndarray) -> dict[str, Drawn]:
    """Sizes of a butt weld that its two sides and the plate surfaces give.

    Parameters
    ----------
    top, bottom : WeldFace
        The face side and the root side; None where a side has no toes to be seen.
    across : array, shape (2,)
        Unit vector from plate 1 (left in the photo) to plate 2.
    """
    toes = sorted(top.toes, key=lambda toe: float(toe.point @ across))
    found = _sized("weld_width_mm", float(np.hypot(*(toes[1].point - toes[0].point))), np.array([t.point for t in toes]))
    for number, toe in enumerate(toes, start=1):
        found |= _sized(f"toe_angle_{number}_deg", toe.angle_deg, toe.tangent, np.array([toe.point, toe.plate.point]))
    for name, face in (("excess_weld_mm", top), ("root_excess_mm", bottom)):
        if face is None:
            continue
        one, two = (toe.point for toe in face.toes)
        outward = face.toes[0].plate.normal + face.toes[1].plate.normal
        steady = steadied(face.points)
        heights = _above(steady, one, two, outward)
        most = extreme(heights)
        foot = steady[most] - heights[most] * _unit(one, two, outward)
        found |= _sized(name, float(heights[most]), np.array([foot, steady[most]]), np.array([one, two]))
    left, right = toes[0].plate, toes[1].plate
    middle = (toes[0].point + toes[1].point) / 2
    places = [plate.at(float(plate.along(middle[None])[0])) for plate in (left, right)]
    normal = _mean_normal(left, right)
    step = float((places[1] - places[0]) @ normal)
    found |= _sized("misalignment_mm", abs(step), np.array([places[0], places[0] + step * normal]), *_extended(toes, middle))
    return found


def beyond(weld: np.ndarray, root: np.ndarray, inward: np.ndarray) -> Drawn:
    """Penetration of a fillet weld: how far the weld metal, a polygon in mm, reaches from the corner along the faying line."""
    reach = crossings(weld, root, inward)
    reach = reach[reach > 0]
    inside = len(reach) % 2 == 1
    if not inside:
        return Drawn(name="penetration_mm", value=0.0, lines=(np.array([root, root]),))
    end = root + reach.min() * inward
    return Drawn(name="penetration_mm", value=float(reach.min()), lines=(np.array([root, end]),))


def through_plate(weld: np.ndarray, plates: Sequence[Run], thickness_mm: float | None) -> Drawn:
    """Penetration of a butt weld: from the face side's plate surfaces to the deepest weld metal, at most the thickness."""
    depth = -np.mean([plate.height(weld) for plate in plates], axis=0)
    deepest = int(np.argmax(depth))
    value = float(depth[deepest]) if thickness_mm is None else float(min(depth[deepest], thickness_mm))
    normal = _mean_normal(*plates)
    return Drawn(
        name="penetration_mm", value=value, lines=(np.array([weld[deepest] + depth[deepest] * normal, weld[deepest]]),)
    )


def runs_together(weld: np.ndarray, plates: Sequence[Run]) -> bool:
    """Whether a butt weld's metal, a polygon in mm, is thinner over its deepest millimetre than any root run is wide.

    There the lines of both sides follow the plates' own joint, and whether that is fused they do not tell.
    """
    normal = _mean_normal(*plates)
    deepest = weld[int(np.argmin(weld @ normal))]
    across = np.array([-normal[1], normal[0]])
    cuts = [crossings(weld, deepest + up * normal, across) for up in ABOVE_MM]
    return bool(np.median([np.ptp(cut) if len(cut) else 0.0 for cut in cuts]) < NARROW_MM)


def values(found: Mapping[str, Drawn]) -> dict[str, float]:
    """The numbers alone."""
    return {name: drawn.value for name, drawn in found.items()}


def _sized(name: str, value: float, *lines: np.ndarray) -> dict[str, Drawn]:
    return {name: Drawn(name=name, value=value, lines=lines)}


def _unit(start: np.ndarray, end: np.ndarray, outward: np.ndarray) -> np.ndarray:
    chord = (end - start) / np.hypot(*(end - start))
    normal = np.array([-chord[1], chord[0]])
    return normal * np.sign(normal @ outward)


def _mean_normal(left: Run, right: Run) -> np.ndarray:
    normal = left.normal + right.normal
    return normal / np.hypot(*normal)


def _extended(toes: Sequence[Toe], middle: np.ndarray) -> tuple[np.ndarray, ...]:
    return tuple(np.array([toe.plate.point, toe.plate.at(float(toe.plate.along(middle[None])[0]))]) for toe in toes)
