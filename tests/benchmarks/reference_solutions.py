"""Solutions of the reference sets with 60 digits, by mpmath alone: `python tests/benchmarks/reference_solutions.py` writes
``specimeter/validate/reference.json``.

The residuals are written here a second time, and the minimum is found by Gauss-Newton with differences of 1e-20 until a
step is below 1e-27: nothing of the tool's own fits takes part. A line is the fixed point of the weights that
`specimeter.segment.plates.fit_line` names (Tukey's, of 4.685 robust standard deviations).
"""

from __future__ import annotations

import json
from pathlib import Path

from mpmath import atan2, cos, hypot, lu_solve, matrix, mp, mpf, sin, sqrt

from specimeter.validate.reference import SETS, SHAPES, draw

mp.dps = 60
DIFFERENCE, SETTLED = mpf(10) ** -20, mpf(10) ** -27
PLACE = Path(__file__).resolve().parents[2] / "specimeter" / "validate" / "reference.json"


def circle(p, q):
    return [hypot(q[0] - p[0], q[1] - p[1]) - p[2]]


def plane(p, q):
    return [(p[0] * q[0] + p[1] * q[1] + q[2]) / sqrt(1 + p[0] ** 2 + p[1] ** 2) - p[2]]


def cylinder(p, q):
    """Distance of a point from the axis through (x, y, 0) along (a, b, 1), less the radius: Pythagoras, no cross product."""
    x, y, z = q[0] - p[2], q[1] - p[3], q[2]
    along = (p[0] * x + p[1] * y + z) / sqrt(1 + p[0] ** 2 + p[1] ** 2)
    return [sqrt(x * x + y * y + z * z - along * along) - p[4]]


def homography(p, q):
    w = p[6] * q[0] + p[7] * q[1] + 1
    return [(p[0] * q[0] + p[1] * q[1] + p[2]) / w - q[2], (p[3] * q[0] + p[4] * q[1] + p[5]) / w - q[3]]


RESIDUALS = {"circle": circle, "plane": plane, "cylinder": cylinder, "homography": homography}


def least_squares(residual, start, points):
    """Gauss-Newton from the truth; it converges linearly, by the share that residual and curvature give."""
    p = [mpf(x) for x in start]
    scale = [max(abs(x), mpf(10) ** -3) for x in p]
    for _ in range(60):
        off = [part for q in points for part in residual(p, q)]
        jacobian = matrix(len(off), len(p))
        for k in range(len(p)):
            sides = []
            for sign in (1, -1):
                moved = list(p)
                moved[k] += sign * DIFFERENCE * scale[k]
                sides.append([part for q in points for part in residual(moved, q)])
            for row, (more, less) in enumerate(zip(*sides, strict=True)):
                jacobian[row, k] = (more - less) / (2 * DIFFERENCE * scale[k]) * scale[k]
        step = lu_solve(jacobian.T * jacobian, jacobian.T * matrix(off))  # normal equations: there are digits enough
        p = [x - s * step[k] for k, (x, s) in enumerate(zip(p, scale, strict=True))]
        if max(abs(step[k]) for k in range(len(p))) < SETTLED:
            return p
    raise ArithmeticError("the reference solution did not settle")


def median(values):
    values = sorted(values)
    half = len(values) // 2
    return values[half] if len(values) % 2 else (values[half - 1] + values[half]) / 2


def line(truth, points):
    """Angle and offset of the weighted orthogonal line whose weights are those of its own residuals."""
    weights = [mpf(1)] * len(points)
    before = None
    for _ in range(2000):
        total = sum(weights)
        x = sum(w * q[0] for w, q in zip(weights, points, strict=True)) / total
        y = sum(w * q[1] for w, q in zip(weights, points, strict=True)) / total
        xx = sum(w * (q[0] - x) ** 2 for w, q in zip(weights, points, strict=True))
        yy = sum(w * (q[1] - y) ** 2 for w, q in zip(weights, points, strict=True))
        xy = sum(w * (q[0] - x) * (q[1] - y) for w, q in zip(weights, points, strict=True))
        turn = atan2(2 * xy, xx - yy) / 2  # of the principal axis
        off = [-sin(turn) * (q[0] - x) + cos(turn) * (q[1] - y) for q in points]
        middle = median(off)
        bound = mpf("4.685") * mpf("1.4826") * median([abs(each - middle) for each in off])
        weights = [(1 - (each / bound) ** 2) ** 2 if abs(each) < bound else mpf(0) for each in off]
        turn += mp.pi * mp.nint((mpf(float(truth[0])) - turn) / mp.pi)
        now = (turn, -sin(turn) * x + cos(turn) * y)
        if before is not None and max(abs(a - b) for a, b in zip(now, before, strict=True)) < SETTLED:
            return list(now)
        before = now
    raise ArithmeticError("the weights did not settle")


def solution(shape, number):
    """The unknowns of one set, far beyond 25 digits."""
    truth, data = draw(shape, number)
    points = [[mpf(f"{x:.6f}") for x in q] for q in data.tolist()]
    if shape.name == "line":
        return line(truth, points)
    return least_squares(RESIDUALS[shape.name], truth.tolist(), points)


def main() -> None:
    """Write every solution to 25 digits."""
    told = {}
    for shape in SHAPES:
        told[shape.name] = [[mp.nstr(x, 25) for x in solution(shape, number)] for number in range(SETS)]
        print(shape.name, len(told[shape.name]), flush=True)
    PLACE.write_text(json.dumps(told, indent=0) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
