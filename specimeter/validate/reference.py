"""Reference sets: the tool's own least-squares fits against solutions in high precision, digits of agreement beside a bound.

Each set of points is made from its number alone, with Python's own generator (its `random()` gives the same numbers in every
version), and rounded to six decimals, so that the data are exactly known. The solutions in ``reference.json`` were
computed once with 60 digits (`tests/benchmarks/reference_solutions.py`); nothing of the tool took part in that. The manner is
that of published tests of algorithms for coordinate metrology (ISO 10360-6: reference data, reference pairs, declared errors).
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from importlib.resources import files
from random import Random

import numpy as np

from specimeter.scale.fitting import slopes, solve
from specimeter.segment.plates import fit_line
from specimeter.validate.statistics import Row

SETS = 60
NOISE = 0.02  # of each point, in mm or pixels; a fit's standard uncertainties follow from it
DECLARED = 0.01  # greatest error of any unknown, in its own standard uncertainty
STEP = 1e-4
SAYS = (
    "Each set's points are known exactly and its solution was computed once with 60 digits; an error is stated in the standard "
    "uncertainty of that unknown, which the points' noise leaves."
)

Unknowns = np.ndarray  # (U,)
Residual = Callable[[np.ndarray, np.ndarray], np.ndarray]  # sets of unknowns (M, U), points (N, D) -> (M, K)


@dataclass(frozen=True, slots=True)
class Shape:
    """One thing that is fitted: how its points lie about it, and how it is fitted."""

    name: str
    truth: Callable[[Random], list[float]]
    point: Callable[[Random, list[float]], list[float]]
    residual: Residual
    most: int = 40  # points
    known: int = 0  # how many coordinates come first that carry no error


def draw(shape: Shape, number: int) -> tuple[np.ndarray, np.ndarray]:
    """The unknowns (U,) from which a set was made, and its points, shape (N, D), rounded to 1e-6."""
    random = Random(f"{shape.name} {number}")
    truth = shape.truth(random)
    count = 10 + int(random.random() * (shape.most - 10))
    points = []
    for _ in range(count):
        exact = shape.point(random, truth)
        known = shape.known  # coordinates without error: places on the card
        points.append([round(x + (_bell(random) if k >= known else 0.0), 6) for k, x in enumerate(exact)])
    return np.array(truth), np.array(points)


def _bell(random: Random) -> float:
    """Nearly normal with the standard deviation NOISE: twelve uniform numbers added."""
    return NOISE * (sum(random.random() for _ in range(12)) - 6)


def _between(random: Random, low: float, high: float) -> float:
    return low + (high - low) * random.random()


def _circle_truth(random: Random) -> list[float]:
    return [_between(random, -50, 50), _between(random, -50, 50), _between(random, 1, 40)]


def _circle_point(random: Random, p: list[float]) -> list[float]:
    turn = _between(random, 0, 1 + 5 * (p[2] % 1))  # arcs of 57 degrees to the whole
    return [p[0] + p[2] * math.cos(turn), p[1] + p[2] * math.sin(turn)]


def _off_circle(p: np.ndarray, points: np.ndarray) -> np.ndarray:
    return np.hypot(points[:, 0] - p[:, :1], points[:, 1] - p[:, 1:2]) - p[:, 2:]


def _line_truth(random: Random) -> list[float]:
    return [_between(random, 0, math.pi), _between(random, -30, 30), _between(random, 5, 60)]


def _line_point(random: Random, p: list[float]) -> list[float]:
    along = _between(random, -p[2], p[2]) / 2
    cosine, sine = math.cos(p[0]), math.sin(p[0])
    return [along * cosine - p[1] * sine, along * sine + p[1] * cosine]


def _plane_truth(random: Random) -> list[float]:
    return [_between(random, -0.6, 0.6), _between(random, -0.6, 0.6), _between(random, -80, 80)]


def _plane_point(random: Random, p: list[float]) -> list[float]:
    x, y = _between(random, -40, 40), _between(random, -40, 40)
    return [x, y, p[2] * math.sqrt(1 + p[0] ** 2 + p[1] ** 2) - p[0] * x - p[1] * y]


def _off_plane(p: np.ndarray, points: np.ndarray) -> np.ndarray:
    a, b, d = p[:, :1], p[:, 1:2], p[:, 2:]
    return (a * points[:, 0] + b * points[:, 1] + points[:, 2]) / np.sqrt(1 + a**2 + b**2) - d


def _cylinder_truth(random: Random) -> list[float]:
    axis = [_between(random, -0.3, 0.3), _between(random, -0.3, 0.3)]
    return [*axis, _between(random, -20, 20), _between(random, -20, 20), _between(random, 8, 40)]


def _cylinder_point(random: Random, p: list[float]) -> list[float]:
    """On the part of a bend that is seen: 120 degrees of the cylinder whose axis goes through (x, y, 0) along (a, b, 1)."""
    axis = np.array([p[0], p[1], 1.0]) / math.sqrt(1 + p[0] ** 2 + p[1] ** 2)
    across = np.cross(axis, [0.0, 1.0, 0.0])
    across /= np.linalg.norm(across)
    up = np.cross(axis, across)
    turn, along = _between(random, -math.pi / 3, math.pi / 3), _between(random, -25, 25)
    place = np.array([p[2], p[3], 0.0]) + along * axis + p[4] * (math.cos(turn) * up + math.sin(turn) * across)
    return [float(x) for x in place]


def _off_cylinder(p: np.ndarray, points: np.ndarray) -> np.ndarray:
    axis = np.stack([p[:, 0], p[:, 1], np.ones(len(p))], axis=1)
    axis /= np.linalg.norm(axis, axis=1)[:, None]
    foot = np.stack([p[:, 2], p[:, 3], np.zeros(len(p))], axis=1)
    from_foot = points[None] - foot[:, None]
    return np.linalg.norm(np.cross(from_foot, axis[:, None]), axis=2) - p[:, 4:]


def _homography_truth(random: Random) -> list[float]:
    turn, zoom = _between(random, -math.pi, math.pi), _between(random, 8, 40)
    tilts = [_between(random, -1e-3, 1e-3), _between(random, -1e-3, 1e-3)]
    c, s = zoom * math.cos(turn), zoom * math.sin(turn)
    return [c, -s, _between(random, 900, 2000), s, c * _between(random, 0.9, 1.1), _between(random, 900, 2000), *tilts]


def _homography_point(random: Random, p: list[float]) -> list[float]:
    """[x, y] on the card in mm, and where the picture shows it in pixels."""
    x, y = _between(random, 0, 100), _between(random, 0, 60)
    w = p[6] * x + p[7] * y + 1
    return [x, y, (p[0] * x + p[1] * y + p[2]) / w, (p[3] * x + p[4] * y + p[5]) / w]


def _off_homography(p: np.ndarray, points: np.ndarray) -> np.ndarray:
    x, y, u, v = points.T
    w = p[:, 6:7] * x + p[:, 7:8] * y + 1
    return np.concatenate(
        [(p[:, :1] * x + p[:, 1:2] * y + p[:, 2:3]) / w - u, (p[:, 3:4] * x + p[:, 4:5] * y + p[:, 5:6]) / w - v], axis=1
    )


def _off_line(p: np.ndarray, points: np.ndarray) -> np.ndarray:
    return -np.sin(p[:, :1]) * points[:, 0] + np.cos(p[:, :1]) * points[:, 1] - p[:, 1:2]


LINE = Shape("line", _line_truth, _line_point, _off_line)
SHAPES = (
    LINE,
    Shape("circle", _circle_truth, _circle_point, _off_circle),
    Shape("plane", _plane_truth, _plane_point, _off_plane),
    Shape("cylinder", _cylinder_truth, _cylinder_point, _off_cylinder),
    Shape("homography", _homography_truth, _homography_point, _off_homography, known=2),
)


def fitted(shape: Shape, truth: np.ndarray, points: np.ndarray) -> np.ndarray:
    """The unknowns (U,) as the tool's own code fits them: plates' lines by `fit_line`, the others by the views' `solve`."""
    if shape is LINE:
        middle, direction, *_ = fit_line(points)
        turn = math.atan2(direction[1], direction[0])
        turn += math.pi * round((truth[0] - turn) / math.pi)  # a line has two directions
        return np.array([turn, middle @ [-math.sin(turn), math.cos(turn)]])
    steps = STEP * _sizes(truth)
    start = truth + 20 * steps * np.resize([1.0, -1.0], len(truth))
    found = solve(lambda p: shape.residual(p, points) / NOISE, start, steps)
    if found is None:
        raise ArithmeticError(f"the fit of a {shape.name} did not begin")
    return found


def _sizes(truth: np.ndarray) -> np.ndarray:
    """Of what size each unknown is, for differences."""
    return np.maximum(np.abs(truth), 1e-3)


def uncertainties(shape: Shape, unknowns: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Standard uncertainty of each unknown (U,) that the points' noise leaves."""
    jacobian = slopes(lambda p: shape.residual(p, points) / NOISE, unknowns, STEP * _sizes(unknowns))
    return np.sqrt(np.diag(np.linalg.inv(jacobian.T @ jacobian)))


def solutions() -> dict[str, list[list[float]]]:
    """For each shape, the unknowns of every set in high precision, as the nearest double numbers."""
    stored = json.loads((files("specimeter.validate") / "reference.json").read_text(encoding="utf-8"))
    return {name: [[float(text) for text in one] for one in sets] for name, sets in stored.items()}


def compare(shape: Shape, number: int, solution: list[float]) -> tuple[float, float]:
    """Least digits to which an unknown agrees, and the greatest error in an unknown's own standard uncertainty."""
    truth, points = draw(shape, number)
    found, right = fitted(shape, truth, points), np.array(solution)
    error = np.abs(found - right)
    digits = -np.log10(np.maximum(error, 1e-16 * np.abs(right)) / np.maximum(np.abs(right), 1e-12))
    return float(digits.min()), float((error / uncertainties(shape, right, points)).max())


def rows() -> list[Row]:
    """The table: for each shape the digits of agreement (least and median over the sets) and the greatest error."""
    table, known = [], solutions()
    for shape in SHAPES:
        told = np.array([compare(shape, number, right) for number, right in enumerate(known[shape.name])])
        digits, errors = told.T
        what, n = f"{shape.name}: greatest error, standard uncertainties", str(len(told))
        table.append(Row(what=what, goal=f"at most {DECLARED:g}", specimeter=f"{errors.max():.6f}", n=n))
        what = f"{shape.name}: digits of agreement, least / median"
        table.append(Row(what=what, specimeter=f"{digits.min():.1f} / {np.median(digits):.1f}", n=n))
    return table
