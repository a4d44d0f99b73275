"""Where the weld meets the plates: the face between two plate surfaces, its toes and its angles at them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from specimeter.segment.plates import Run, between, fit_line

LEFT_SCALES, LEAST_LEFT_MM = 4.0, 0.04  # a face has left the plate where it stays further off than this (scatters; mm)
STAY_MM, RETURN_MM = 0.25, 0.8  # and for as long as this; what comes back for as long had not left
TANGENT_MM = (0.05, 1.2, 2.5)  # from the toe: where the stretch of the face begins whose parabola gives the toe's place and
TANGENT_SHARE = 0.35  # angle, and where it ends, at the least and at the most; and that end's share of the face
CORNER_POINTS, LEAST_POINTS = 3, 8  # of the outline: those next to the toe are rounded by the lens; as many are fitted at least
SHORTEST_FACE_MM = 0.8
UNDERCUT_MM = 0.05  # a notch shallower than this at the toe is no undercut
BEFORE_MM, NOTCH_MM, BEFORE_SHARE = 1.0, 3.0, 1 / 3  # a notch may begin behind something that stands over the plate for so long
# and by so much of the notch's depth: a burr, or dirt; what comes up again sooner than NOTCH_MM is a notch, and no valley
SUNK_DEG = 6.0  # over 180: what a toe angle is off at the most (K of `section_spread.ANGLE_U_DEG`)
LEVEL_MM = 0.01  # below its plate's line, and that plate's scatter, where a notch begins: plates are wavy
OVERLAP_MM = 0.1  # weld metal that hangs over the plate by less is a steep toe
LIP_MM = 4.0  # from the toe along the face: where a lip has its tip
ROUNDED_END = 0.2  # of an overlap's underside, at either end, that the lens has rounded
BLUNT_MM = (0.1, 0.4)  # over the plate: between these heights a blunt end stands nearly square to it,
BLUNT_RUN_MM, BLUNT_TOP_MM, TURN_MM = (
    0.12,
    1.3,
    0.3,
)  # going aside no farther; below this it turns off, over such a stretch
LEAST_RISE = 0.1  # sine of an underside's slope, below which it meets the plate nowhere in particular


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
        Between plate surface and weld face, through the air (ISO 5817:2014 shows it so, 505): 180 is flush, 90 abrupt; more
        than 180 where the face goes down from a plate that stands higher.
    tangent : array, shape (2, 2)
        The piece of the face that the angle was taken from, from the toe on.
    notch : array, shape (N, 2), or None
        The outline below the plate's surface at the toe, from the plate's side to the face's: an undercut.
    lip : array, shape (N, 2), or None
        The outline from the toe round weld metal that hangs over the plate, to where it stands over the toe: an overlap.
    blunt_mm : float
        Height of a blunt edge in which the weld metal ends at the plate, 0 if it runs out: such an edge may hang over the
        plate, the gap beneath too thin or too bright to be seen, and the toe lie farther in.
    """

    plate: Run
    point: np.ndarray
    angle_deg: float
    tangent: np.ndarray
    notch: np.ndarray | None
    lip: np.ndarray | None = None
    blunt_mm: float = 0.0
    sunk: bool = False  # the face goes down below the plate here, and farther in stands over it: no notch, and no toe either


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeldFace:
    """The weld's face between the toe on the run before it and the toe on the run after it, in the outline's order."""

    points: np.ndarray  # (N, 2) from the first toe to the second
    toes: tuple[Toe, Toe]

    @property
    def width_mm(self) -> float:
        """Toe to toe, in mm."""
        return float(np.hypot(*(self.toes[0].point - self.toes[1].point)))

    @property
    def bead_mm(self) -> float:
        """How far it stands out over both plates' surfaces, in mm, 0 at least: a step between these is no bead."""
        return max(float(np.min([toe.plate.height(self.points) for toe in self.toes], axis=0).max()), 0.0)


def weld_face(outline: np.ndarray, before: Run, after: Run) -> WeldFace | None:
    """The face between two plate surfaces that follow each other in the outline; None if there is none to speak of."""
    count = len(outline)
    margin = (count + after.last - before.first) % count
    index = between(before.first, (before.first + margin) % count, count)
    chain = outline[index]
    ends, begins = (count + before.last - before.first) % count, (count + after.first - before.first) % count
    start = _leaves(chain, before, ends)
    end = len(chain) - 1 - _leaves(chain[::-1], after, len(chain) - 1 - begins)
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


def _leaves(chain: np.ndarray, run: Run, ends: int) -> int:
    """Index in the chain, which begins on the run, at which it leaves the run's line for good; the run ends at `ends`.

    Where it comes back before that for RETURN_MM it had not left: plates are wavy.
    """
    away, middle = np.abs(run.height(chain)), int(np.argmin(np.abs(run.along(chain))))
    limit = max(LEFT_SCALES * run.scatter_mm, LEAST_LEFT_MM)
    step = float(np.median(np.hypot(*np.diff(chain, axis=0).T)))
    stay = max(round(STAY_MM / step), 2)
    off = away > limit
    off[: middle + round(0.4 * run.length_mm / step)] = False  # on the fitted part and at its far end: marks, no face
    held = np.convolve(off, np.ones(stay), "valid") >= stay
    back = max(round(RETURN_MM / step), 3)
    on = np.convolve(~off[:ends], np.ones(back), "valid") >= back if ends > back else np.zeros(0, bool)
    last = int(np.flatnonzero(on)[-1]) + back - 1 if on.any() else 0
    first = np.flatnonzero(held[last:]) + last
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
    step = float(np.median(np.hypot(*np.diff(chain, axis=0).T)))
    down = _goes_down(height, leaves, step)
    if down is not None:  # an undercut, and the face begins where it comes up
        up = np.flatnonzero(height[down:] > 0)
        if len(up):  # else the face goes down to a plate that lies lower
            back = down + int(up[0])
            begin = down + int(np.argmin(height[down:back]))
            level = max(run.scatter_mm, LEVEL_MM)
            while begin > 0 and height[begin] < -level:
                begin -= 1
            if height[begin:back].min() < -UNDERCUT_MM:
                notch = chain[begin : back + 1]
            face_from = back
    low = face_from + max(round(TANGENT_MM[0] / step), CORNER_POINTS)
    reach = np.clip(TANGENT_SHARE * (len(chain) - face_from) * step, *TANGENT_MM[1:])
    high = min(low + max(round((reach - TANGENT_MM[0]) / step), LEAST_POINTS), len(chain))
    lip = _lip(way * run.along(chain[face_from:]), height[face_from:], step) if notch is None else None
    if lip is not None and (under := _under(chain[face_from : face_from + lip[1] + 1], lip[0], run, way)) is not None:
        point, angle, tangent = under
        over_toe = np.concatenate([point[None], chain[face_from + lip[0] : face_from + lip[2] + 1]])
        return Toe(plate=run, point=point, angle_deg=angle, tangent=tangent, notch=None, lip=over_toe), face_from + lip[0]
    if high - low < 5:
        return None
    blunt = _blunt(way * run.along(chain[face_from:]), height[face_from:], step) if notch is None else 0.0
    piece = chain[low:high]
    reach = np.arange(len(piece)) * step
    over = np.polyfit(reach, run.height(piece), 2)
    ahead = np.polyfit(reach, way * run.along(piece), 2)
    start = _crosses(over, float(reach[-1]))
    if start is None:  # the face hardly cuts the plate's line: where it left is the toe
        start = 0.0
        point = run.at(float(run.along(chain[face_from][None])[0]))
    else:
        point = run.at(way * float(np.polyval(ahead, start)))
    rise, forward = (float(np.polyval(np.polyder(curve), start)) for curve in (over, ahead))
    angle = 180.0 - float(np.degrees(np.arctan2(rise, forward)))
    tangent = np.array([point, piece[-1]])
    sunk = notch is None and angle > 180.0 + SUNK_DEG and bool(height[face_from:].max() > UNDERCUT_MM)
    return Toe(plate=run, point=point, angle_deg=angle, tangent=tangent, notch=notch, blunt_mm=blunt, sunk=sunk), face_from


def _goes_down(height: np.ndarray, leaves: int, step: float) -> int | None:
    """Index from which the outline that left its plate lies below it; None if it rises as a face does.

    It may first stand over the plate a little, on a burr or on dirt that was taken for metal, if a notch follows at once.
    """
    if height[min(leaves + 1, len(height) - 1)] < 0:
        return leaves
    below = np.flatnonzero(height[leaves : leaves + round(BEFORE_MM / step) + 1] < -UNDERCUT_MM)
    if not len(below):
        return None
    down = leaves + int(below[0])
    up = np.flatnonzero(height[down : down + round(NOTCH_MM / step) + 1] > 0)
    if not len(up):
        return None
    return down if height[leaves:down].max(initial=0.0) < -BEFORE_SHARE * height[down : down + int(up[0])].min() else None


def _blunt(ahead: np.ndarray, height: np.ndarray, step: float) -> float:
    """Height of the blunt edge in which a face ends at its plate, in mm; 0 if it does not: as of `Toe.blunt_mm`.

    `ahead` is the face's way along the plate, `height` that over it, from the toe on.
    """
    low, high = (np.flatnonzero(height > mm) for mm in BLUNT_MM)
    if not len(high) or abs(ahead[high[0]] - ahead[low[0]]) > BLUNT_RUN_MM:
        return 0.0
    over = max(round(TURN_MM / step), 3)
    rise, run = (values[low[0] + over :] - values[low[0] : -over] for values in (height, ahead))
    gentle = np.flatnonzero(rise[: len(run)] < np.abs(run))
    top = float(height[low[0] + gentle[0]]) if len(gentle) else np.inf
    return top if top < BLUNT_TOP_MM else 0.0


def _under(chain: np.ndarray, inner: int, run: Run, way: float) -> tuple[np.ndarray, float, np.ndarray] | None:
    """Toe, angle and tangent of an overlap, from the straight underside of its lip: the chain's points from `inner` to its tip.

    The outline rounds the wedge of air at its inner end, and the lip at its tip; None where nothing straight lies between.
    """
    off = max(round(ROUNDED_END * (len(chain) - inner)), 1)
    piece = chain[inner + off : len(chain) - off]
    if len(piece) < 4:
        return None
    middle, direction, *_ = fit_line(piece)
    forward, rise = way * float(direction @ run.direction), float(direction @ run.normal)
    forward, rise = (forward, rise) if rise > 0 else (-forward, -rise)
    if forward >= 0 or rise < LEAST_RISE:
        return None
    height = float(run.height(middle[None])[0])
    point = run.at(float(run.along(middle[None])[0]) - way * forward / rise * height)
    return point, float(np.degrees(np.arctan2(rise, -forward))), np.array([point, piece[-1]])


def _lip(ahead: np.ndarray, height: np.ndarray, step: float) -> tuple[int, int, int] | None:
    """Where the wedge of air under a face that goes back over its plate ends, where its tip is, and stands over the toe again.

    `ahead` is its way towards the weld; indices count from the toe. None where it does not go back by OVERLAP_MM.
    """
    tip = int(np.argmin(ahead[: max(round(LIP_MM / step), 3)]))
    inner = int(np.argmax(ahead[: tip + 1]))
    if ahead[inner] - ahead[tip] < OVERLAP_MM or height[tip] <= 0:
        return None
    again = np.flatnonzero(ahead[tip:] >= ahead[inner])
    return inner, tip, tip + int(again[0]) if len(again) else len(ahead) - 1
