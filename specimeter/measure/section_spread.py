"""How sure each size of a section is: the outline displaced and perturbed, other fusion lines, what definitions leave open."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from specimeter.measure.weld_sizes import Drawn
from specimeter.segment.faying_line import Faying
from specimeter.segment.plates import Run, fitted_again
from specimeter.segment.weld_face import Toe
from specimeter.segment.weld_metal import WeldMetal

TRIES = 6  # perturbed outlines from which the scatter of each size is had
CORRELATED_MM = 0.35  # how far along the outline its errors hang together: ground edges, blur, the picture's pixels
UNSURE_MM = 0.2  # what an outline is off where nothing speaks for it (from scenes); its confidence takes of that
UNCLEAR_PX = 3.0  # how far a stretch of outline lies off, as a root mean square, where no clear edge shows (from scenes)
BESIDE_PX = 1.5  # from such a place: what lies so near lies there
LEAST_UNCLEAR, STRETCHES = 0.3, 8  # share of a stretch that is unclear; stretches that are moved by themselves
EDGE_PX = 0.4  # standard uncertainty of the outline's place, all of it alike: half-level against a broken edge (judgement)
CORNER_PX = 0.8  # what a corner or a chord that is drawn from two plates, or two toes, is off at the best (from scenes)
# of a toe angle, for the curve of the face within the stretch that it is taken from: at least, and of the turn (from scenes)
ANGLE_U_DEG, CURVED = 3.0, 0.08
WAVY_MM = 0.035  # by which plates stand off their straight lines over some centimetres, as far as a step is taken at the weld
U_THICKNESS_MM = 0.1  # of a plate's thickness as the sheet tells it: rolling tolerances, a calliper beside the weld (judgement)
WEDGE_PX = 0.75  # as thick a wedge of air under a lip may be and not be told from none
HIDDEN = 2.0  # of a blunt edge's height: standard uncertainty of how far in its toe may lie beneath it (from scenes with lips)
ROUNDED_MM = 0.22  # by which a line that is held smooth rounds the tip at the root, as a root mean square (from scenes)


def u_edge(px_mm: float, confidence: float) -> float:
    """Standard uncertainty of the whole outline's place in mm, all of it alike."""
    return float(np.hypot(EDGE_PX * px_mm, UNSURE_MM * (1 - confidence)))


def spread_of(
    evaluate: Callable,
    outline: np.ndarray,
    plates: tuple[Run, ...],
    weld: np.ndarray | None,
    drawn: Mapping[str, Drawn],
    *,
    px_mm: float,
    u_edge_mm: float,
    unclear_mm: np.ndarray,
    doubled_mm: tuple[np.ndarray, np.ndarray] | None = None,
) -> dict[str, float]:
    """Standard uncertainty of each size from the outline: displaced alike all round, perturbed along it, and each stretch whose
    edge the photograph does not show displaced by itself; `unclear_mm`: places (N, 2) of such stretches. Where a further edge
    runs inside the outline, either may be the cut's: `doubled_mm`, places (M, 2) and how far in it lies (M,). Infinite where a
    size goes missing each time, or with a stretch that is not seen.
    """
    rng = np.random.default_rng(0)
    normal = _normals(outline)
    sigma = _roughness(outline, normal, px_mm)
    moved = [outline + u_edge_mm * normal, outline - u_edge_mm * normal]
    step = float(np.median(np.hypot(*np.diff(outline, axis=0).T)))
    tried = [outline + sigma * _smooth(rng, len(outline), CORRELATED_MM / step)[:, None] * normal for _ in range(TRIES)]
    bumps = _bumps(outline, unclear_mm, step)
    aside = [outline + sign * UNCLEAR_PX * px_mm * bump[:, None] * normal for bump in bumps for sign in (1.0, -1.0)]
    if doubled_mm is not None and len(doubled_mm[0]):
        places, inwards = doubled_mm
        for bump in _bumps(outline, places, step):
            there = np.min(np.hypot(*(places[:, None] - outline[bump > 0.5][None]).transpose(2, 0, 1)), axis=1) < CORRELATED_MM
            if there.any():
                aside.append(outline - float(np.median(inwards[there])) * bump[:, None] * normal)
    off: dict[str, list[list[float]]] = {name: [[], [], []] for name in drawn}
    for k, group in enumerate((moved, tried, aside)):
        for one in group:
            again = evaluate(one, fitted_again(one, plates), weld)
            for name in drawn:
                if again is not None and name in again[0]:
                    off[name][k].append(again[0][name].value - drawn[name].value)
    result = {}
    for name, (displaced, scattered, beside) in off.items():
        lost = 2 + TRIES - len(displaced) - len(scattered)  # a size that goes missing when the outline moves a little is unsure
        u = np.hypot(_middle(displaced), _middle(scattered))
        always = displaced and scattered and len(beside) == len(aside)
        result[name] = float(np.hypot(u * (1 + lost), np.sqrt(np.sum(np.square(beside)) / 2))) if always else np.inf
    return result


def u_unclear(notch: np.ndarray, unclear_mm: np.ndarray, *, px_mm: float) -> float:
    """Standard uncertainty in mm of a notch's edge, (N, 2), for the share of its points beside which no clear edge shows."""
    if not len(unclear_mm):
        return 0.0
    away = np.min(np.hypot(*(notch[:, None] - unclear_mm[None]).transpose(2, 0, 1)), axis=1)
    return UNCLEAR_PX * px_mm * float(np.sqrt(np.mean(away < BESIDE_PX * px_mm)))


def _bumps(outline: np.ndarray, unclear_mm: np.ndarray, step: float) -> list[np.ndarray]:
    """For each stretch without a clear edge, the longest first, how far each point of the outline takes part, (N,) 0 to 1."""
    off = np.zeros(len(outline), bool)
    for point in np.asarray(unclear_mm, float).reshape(-1, 2):
        away = np.hypot(*(outline - point).T)
        off[int(np.argmin(away))] = True
    reach = max(round(CORRELATED_MM / step), 1)
    wide = np.convolve(np.concatenate([off[-reach:], off, off[:reach]]), np.ones(2 * reach + 1), "valid")
    dense = wide > (2 * reach + 1) * LEAST_UNCLEAR
    count, labels = 0, np.zeros(len(outline), int)
    for k in range(len(outline)):
        if dense[k]:
            count += not dense[k - 1] or k == 0
            labels[k] = count
    if count > 1 and dense[0] and dense[-1]:  # one stretch across the outline's seam
        labels[labels == count] = 1
    sizes = np.bincount(labels, minlength=count + 1)[1:]
    found = []
    kernel = np.ones(reach) / reach
    for label in 1 + np.argsort(-sizes)[:STRETCHES]:
        own = (labels == label).astype(float)
        if own.any():
            found.append(np.convolve(np.concatenate([own[-reach:], own, own[:reach]]), kernel, "same")[reach:-reach])
    return found


def spread_of_metal(
    evaluate: Callable, outline: np.ndarray, plates: tuple[Run, ...], tried: Sequence[np.ndarray], spread: Mapping[str, float]
) -> dict[str, float]:
    """Standard uncertainty of what is had from the weld metal: the outline's own, and that of other likely lines."""
    again = [found[0] for weld in tried if (found := evaluate(outline, plates, weld)) is not None]
    result = {}
    for name in ("penetration_mm", "weld_area_mm2"):
        values = [drawn[name].value for drawn in again if name in drawn]
        if name in spread and len(values) > 1:
            result[name] = float(np.hypot(spread[name], np.std(values)))
    return result


def _middle(differences: list[float]) -> float:
    """Root mean square of differences, one far out apart from the rest weighing no more than six times their median."""
    if not differences:
        return 0.0
    size = np.abs(differences)
    return float(np.sqrt(np.mean(np.minimum(size, max(6 * float(np.median(size)), 1e-9)) ** 2)))


def u_toe(toe: Toe, *, px_mm: float, u_edge_mm: float) -> float:
    """Standard uncertainty of a toe's place along its plate in mm: the gentler the face leaves it, the less sure; under a lip,
    the thinner the wedge of air ends, whose last part is too thin to be seen.
    """
    turn = np.radians(np.clip(180.0 - toe.angle_deg - ANGLE_U_DEG, 2.0, 90.0))  # it may be as gentle as that
    seen = np.hypot(0.5 * toe.plate.scatter_mm, u_edge_mm) / np.tan(turn / 2 + 0.02)
    wedge = 0.0 if toe.lip is None else WEDGE_PX * px_mm / np.tan(np.radians(np.clip(toe.angle_deg, 10.0, 80.0)))
    return float(np.hypot(np.hypot(0.1 * px_mm, seen), np.hypot(HIDDEN * toe.blunt_mm, wedge)))


def own_u(
    name: str,
    toes: tuple[Toe, ...],
    metal: WeldMetal | None,
    gap: Faying | None,
    *,
    px_mm: float,
    u_edge_mm: float,
    through: bool = False,
) -> float:
    """What the definition itself leaves open: how well a toe can be placed on a plate that the face leaves gently.

    `through`: the root's own bead shows that a butt weld goes through its plates, whose thickness then is its penetration.
    """
    floor = 0.1 * px_mm

    def place(toe: Toe) -> float:
        return u_toe(toe, px_mm=px_mm, u_edge_mm=u_edge_mm)

    if name.startswith("toe_angle"):
        toe = toes[int(name[10]) - 1]
        if toe.blunt_mm:
            return float(np.inf)
        curved = np.hypot(ANGLE_U_DEG, CURVED * (180.0 - toe.angle_deg))
        return float(np.hypot(curved, np.degrees(np.hypot(toe.plate.u_angle_rad, 0.2 * px_mm))))
    if name.startswith("leg"):
        return place(toes[int(name[4]) - 1])
    if name == "weld_width_mm":
        return float(np.hypot(place(toes[0]), place(toes[1])))
    if name in ("convexity_mm", "theoretical_throat_mm"):  # half-way along the chord, half of what each toe lifts its end by
        chord = toes[1].point - toes[0].point
        lifted = [place(toe) * abs(float(toe.plate.normal @ chord)) / max(float(np.hypot(*chord)), 1e-9) for toe in toes]
        return float(np.hypot(CORNER_PX * px_mm, 0.5 * np.linalg.norm(lifted)))
    if name == "misalignment_mm":
        ends = [np.hypot(t.plate.u_offset_mm, t.plate.u_angle_rad * abs(float(t.plate.along(t.point[None])[0]))) for t in toes]
        unsure = np.sqrt(max(u_edge_mm**2 - (EDGE_PX * px_mm) ** 2, 0.0))  # of either plate by itself
        return float(np.linalg.norm([2 * floor, WAVY_MM, *ends, unsure, unsure]))
    if name == "penetration_mm" and through:
        return float(np.hypot(U_THICKNESS_MM, 0.5 * px_mm))
    if name == "penetration_mm":
        tip = gap.u_mm if gap is not None else ROUNDED_MM if metal is None else float(np.hypot(metal.u_alike_mm, ROUNDED_MM))
        return float(np.hypot(tip, 0.5 * px_mm))
    if name == "weld_area_mm2" and metal is not None:
        return metal.u_alike_mm * metal.line_mm
    return CORNER_PX * px_mm


def _normals(outline: np.ndarray) -> np.ndarray:
    way = np.roll(outline, -2, axis=0) - np.roll(outline, 2, axis=0)
    way /= np.maximum(np.hypot(*way.T), 1e-12)[:, None]
    return np.column_stack([-way[:, 1], way[:, 0]])


def _roughness(outline: np.ndarray, normal: np.ndarray, px_mm: float) -> float:
    """Robust scatter of the outline about its own course, in mm; at least a tenth of a pixel."""
    count = 9
    padded = np.concatenate([outline[-count:], outline, outline[:count]])
    kernel = np.ones(2 * count + 1) / (2 * count + 1)
    soft = np.column_stack([np.convolve(column, kernel, "valid") for column in padded.T])
    off = np.sum((outline - soft) * normal, axis=1)
    return float(np.clip(1.4826 * np.median(np.abs(off)), 0.1 * px_mm, 0.6 * px_mm))


def _smooth(rng: np.random.Generator, count: int, sigma: float) -> np.ndarray:
    """Noise of unit r.m.s. round a closed line, correlated over `sigma` points."""
    frequency = np.fft.rfftfreq(count)
    spectrum = np.fft.rfft(rng.standard_normal(count)) * np.exp(-2 * (np.pi * frequency * max(sigma, 0.5) / 2) ** 2)
    values = np.fft.irfft(spectrum, count)
    return values / max(float(values.std()), 1e-12)
