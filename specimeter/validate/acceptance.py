"""Does a row of the table keep its goal? A goal says its sense: "at most 0.2", "at least 0.95", "0.93 to 0.99", "none"."""

from __future__ import annotations

import re

from specimeter.validate.statistics import Row

CHANCE = 0.05  # of holding every time, however right
_NUMBER = r"[-+]?\d+(?:\.\d+)?"
_LIST = rf"{_NUMBER}(?: / {_NUMBER})*"


def met(row: Row) -> bool | None:
    """Whether what was reached keeps the row's goal; None where there is no goal or nothing was measured.

    The first figures of the row count, as many as the goal has: "2.4 / 21.8 / 60" against "at most 2 / 5" compares the
    first two; of "6 of 592" the 6. Where more held than a range allows, that is told only of so many (`n`) that fewer would
    hold of what holds as often as the range allows: 8 of 8 are no sign against 0.99.

    Raises
    ------
    ValueError
        If the goal is no sentence of this kind: a goal that cannot be judged is a mistake in the table.
    """
    if not row.goal:
        return None
    reached = [float(text) for text in re.findall(_NUMBER, (re.match(rf"{_LIST}", row.specimeter) or [""])[0])]
    if not reached:
        return None
    if row.goal == "none":
        return reached[0] == 0
    if between := re.fullmatch(rf"({_NUMBER}) to ({_NUMBER})", row.goal):
        low, high = map(float, between.groups())
        if reached[0] > high and row.n and high ** int(row.n) > CHANCE:
            return None
        return low <= reached[0] <= high
    if not (bound := re.fullmatch(rf"(at most|at least) ({_LIST})", row.goal)):
        raise ValueError(f"a goal that says no sense: {row.goal!r} ({row.what})")
    limits = [float(text) for text in bound.group(2).split(" / ")]
    if len(reached) < len(limits):
        return None
    pairs = zip(reached, limits, strict=False)
    return all(a <= b for a, b in pairs) if bound.group(1) == "at most" else all(a >= b for a, b in pairs)


def word(row: Row) -> str:
    """ "yes", "NO", "few" where too few were measured to tell, or nothing."""
    kept = met(row)
    if kept is None:
        return "few" if " to " in row.goal and row.specimeter[:1].isdigit() else ""
    return "yes" if kept else "NO"
