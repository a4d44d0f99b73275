"""Where the weld meets the plates: the face between two plate surfaces, its toes and its angles at them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from specimeter.segment.plates import Run, between

LEFT_SCALES, LEAST_LEFT_MM = 4.0, 0.04  # a face has left the plate where it stays further off than this (scatters; mm)
STAY_MM = 0.25  # and for as long as this
TANGENT_MM = (0.05, 1.2)  # stretch of the face, from the toe, whose parabola gives the toe's place and angle
SHORTEST_FACE_MM = 0.8
UNDERCUT_MM = 0.05  # a notch shallower than this at the toe is no undercut


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Toe:
    """One toe: where the weld's face meets a plate's surface.

    Parameters
    ----------
    plate : Run
        That plate's surface.
    point : array, shape (2,)
        On the plate's fitted line.
    angle_deg : float
        Between plate surface and weld face, through the air (ISO 5817:2014 shows it so, 505): 180 is flush, 90 abrupt.
    tangent : array, shape (2, 2)
        The piece of the face that the angle was taken from, from the toe on.
    notch : array, shape (N, 2), or None
        The outline below the plate's surface at the toe, from the plate's side to the face's: an undercut.
    """

    plate: Run
    point: np.ndarray
    angle_deg: float
    tangent: np.ndarray
    notch: np.ndarray | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeldFace:
    """The weld's face between the toe on the run before it and the toe on the run after it, in the outline's order."""

    points: np.ndarray  # (N, 2) from the first toe to the second
    toes: tuple[Toe, Toe]


def weld_face(outline: np.ndarray, before: Run, after: Run) -> WeldFace | None:
    """The face between two plate surfaces that follow each other in the outline; None if there is none to speak of."""
    count = len(outline)
    margin = (count + after.last - before.first) % count
    index = between(before.first, (before.first + margin) % count, count)
    chain = outline[index]
    start = _leaves(chain, before)
    end = len(chain) - 1 - _leaves(chain[::-1], after)
    if end - start < 3:
        return None
    first = _toe(chain[: end + 1], start, before, 1.0)
    second = _toe(chain[start:][::-1], len(chain) - 1 - end, after, -1.0)
    if first is None or second is None:
        return None
    (toe_1, from_1), (toe_2, from_2) = first, second
    face = np.concatenate([toe_1.point[None], chain[from_1 : len(chain) - from_2], toe_2.point[None]])
    if np.hypot(*(toe_1.point - toe_2.point)) < SHORTEST_FACE_MM:
        return None
    return WeldFace(points=face, toes=(toe_1, toe_2))


def _leaves(chain: np.ndarray, run: Run) -> int:
    """Index in the chain, which begins on the run, at which it leaves the run's line for good."""
    away = np.abs(run.height(chain))
    limit = max(LEFT_SCALES * run.scatter_mm, LEAST_LEFT_MM)
    step = float(np.median(np.hypot(*np.diff(chain, axis=0).T)))
    stay = max(round(STAY_MM / step), 2)
    along = np.abs(run.along(chain))
    on_run = along <= 0.5 * run.length_mm * 0.8  # the fitted part: marks on it are no face
    off = (away > limit) & ~on_run
    held = np.convolve(off, np.ones(stay), "valid") >= stay
    first = np.flatnonzero(held)
    return int(first[0]) if len(first) else len(chain) - 1


def _crosses(height: np.ndarray, length: float) -> float | None:
    """Where a parabola fitted to heights over the plate, from 0 to `length` along the face, comes down to 0 before 0."""
    roots = np.roots(height)
    real = roots[np.abs(roots.imag) < 1e-9].real
    real = real[(real < 0.25 * length) & (real > -0.6 * length)]
    return float(real[np.argmin(np.abs(real))]) if len(real) else None


def _toe(chain: np.ndarray, leaves: int, run: Run, way: float) -> tuple[Toe, int] | None:
    """The toe on a run where a chain, walked from the run to the face, leaves it; and the face's first index in the chain.

    `way` is 1 if the chain goes along the run's direction, -1 if against it.
    """
    height = run.height(chain)
    notch, face_from = None, leaves
    if height[min(leaves + 1, len(chain) - 1)] < 0:  # it goes down first: an undercut, and the face begins where it comes up
        up = np.flatnonzero(height[leaves:] > 0)
        if not len(up):
            return None
        back = leaves + int(up[0])
        begin = leaves
        while begin > 0 and height[begin - 1] < 0:
            begin -= 1
        if height[begin:back].min() < -UNDERCUT_MM:
            notch = chain[begin : back + 1]
        face_from = back
    step = float(np.median(np.hypot(*np.diff(chain, axis=0).T)))
    low = face_from + round(TANGENT_MM[0] / step)
    high = min(face_from + max(round(TANGENT_MM[1] / step), 6), len(chain))
    if high - low < 5:
        return None
    piece = chain[low:high]
    reach = np.arange(len(piece)) * step
    over = np.polyfit(reach, run.height(piece), 2)
    ahead = np.polyfit(reach, way * run.along(piece), 2)
    start = _crosses(over, float(reach[-1]))
    if notch is not None or start is None:  # the face hardly cuts the plate's line: where it left is the toe
        start = 0.0
        point = run.at(float(run.along(chain[face_from][None])[0]))
    else:
        point = run.at(way * float(np.polyval(ahead, start)))
    rise, forward = (float(np.polyval(np.polyder(curve), start)) for curve in (over, ahead))
    angle = 180.0 - float(np.degrees(np.arctan2(rise, forward)))
    return Toe(plate=run, point=point, angle_deg=angle, tangent=np.array([point, piece[-1]]), notch=notch), face_from
