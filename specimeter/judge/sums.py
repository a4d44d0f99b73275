"""The sum of several features' sizes: what is common to them all (scale, surface) adds up, what is each one's own does not."""

from __future__ import annotations

import ast
import math
from collections import defaultdict
from collections.abc import Sequence

from specimeter.judge.interval import Interval
from specimeter.judge.limits import Rule
from specimeter.judge.membership import Member

OWN = "place of"  # how the budget of a length names the terms that belong to one feature alone: the places of its tips
K = 2.0


def summed(rule: Rule, counted: Sequence[Member]) -> Interval:
    """The sum of the members' sizes with its expanded uncertainty (k = 2), in the rule's unit.

    Where the sizes are lengths with their budgets, terms of the same source (scale, surface) are taken to err all one way
    and add linearly, and the places of the tips add as the root of the sum of squares. Without such budgets whole
    uncertainties add linearly, which is the safe side.

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.2 (independent) and 5.2.2, note 1 (correlation of +1: linear addition).
    """
    value = math.fsum(member.measured.value for member in counted)
    if _is_length(rule) and all(map(_budgeted, counted)):
        own: list[float] = []
        common: dict[str, float] = defaultdict(float)
        for member in counted:
            unit = member.measured.value / (member.feature.length_mm or math.nan)
            for term in member.feature.budget:
                if term.source.startswith(OWN):
                    own.append(term.contribution * unit)
                else:
                    common[term.source] += abs(term.contribution) * unit
        U = K * math.hypot(*own, *common.values())
    else:
        U = math.fsum(member.measured.U for member in counted)
    return Interval(max(0.0, value - U), value, value + U)


def open_sum(rule: Rule, counted: Sequence[Member], *, guarded: bool) -> Interval:
    """From the least to the greatest that the sum may be: without what may not count, and with all of it."""
    certain, every = (summed(rule, chosen) for chosen in ([m for m in counted if m.counts], counted))
    by_value = math.fsum(member.measured.value for member in counted if member.by_value)
    if not guarded:
        certain, every = certain.collapsed(), every.collapsed()
    return Interval(certain.low, by_value, every.high)


def _is_length(rule: Rule) -> bool:
    size = rule.size_expression
    return size is not None and isinstance(size.tree, ast.Name) and size.tree.id in ("length_mm", "length_in")


def _budgeted(member: Member) -> bool:
    """Whether the length's budget is there and explains its U."""
    feature = member.feature
    if (
        not feature.budget
        or not feature.length_mm
        or feature.U_length_mm is None
        or any(term.unit != "mm" for term in feature.budget)
    ):
        return False
    return math.isclose(K * math.hypot(*(term.contribution for term in feature.budget)), feature.U_length_mm, rel_tol=1e-6)
