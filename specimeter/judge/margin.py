"""How far each feature by itself stays from the limits that are put on each one: for lists and tables, never a verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from specimeter.judge import values
from specimeter.judge.conformity import conforms
from specimeter.judge.expression import value
from specimeter.judge.interval import Interval, NotMeasured
from specimeter.judge.limits import Limits, Rule
from specimeter.judge.membership import members
from specimeter.measure.feature import Feature
from specimeter.sheet import Sheet


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """What is left to the limit of one rule, in the rule's unit: below 0 the value lies beyond it. Its U is that of the size.

    `keeps` is True, False or, too close for the uncertainty, None.
    """

    rule: str
    name: str
    left: float
    U: float
    unit: str
    keeps: bool | None


def margins(sheet: Sheet, limits: Limits | None, features: Sequence[Feature]) -> dict[str, Margin]:
    """For every feature that a rule of test ``each`` counts the tightest such margin, as a share of its limit.

    A feature that no such rule counts, or whose size was not measured, has none.
    """
    found: dict[str, tuple[float, Margin]] = {}
    if limits is None:
        return {}
    for rule in limits.rule:
        if rule.test != "each" or rule.limit_expression is None:
            continue
        try:
            limit = value(rule.limit_expression, values.of_sheet(sheet, rule.unit))
        except NotMeasured:
            continue
        for member in members(rule, sheet, features, guarded=limits.guarded):
            if member.size is not None:
                one = _margin(rule, member.size, limit, guarded=limits.guarded)
                share = one.left / max(abs(limit.value), 1e-9)
                if member.id not in found or share < found[member.id][0]:
                    found[member.id] = (share, one)
    return {id: one for id, (_, one) in found.items()}


def _margin(rule: Rule, size: Interval, limit: Interval, *, guarded: bool) -> Margin:
    left = limit.value - size.value
    return Margin(
        rule=rule.id,
        name=rule.label,
        left=left if rule.sense in ("at most", "below") else -left,
        U=size.U,
        unit=rule.shown_unit,
        keeps=conforms(size, rule.sense, limit, guarded=guarded),
    )
