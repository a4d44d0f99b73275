"""Which features a rule looks at, whether each one counts, and how small a feature it must be able to see."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from specimeter.judge import values
from specimeter.judge.expression import Expression, holds, value
from specimeter.judge.interval import Interval, NotMeasured, and_
from specimeter.judge.limits import FEATURE_SIZES, MM_PER_INCH, Rule, in_inches
from specimeter.measure.feature import Feature
from specimeter.sheet import Sheet

UNAIDED_MM = 0.5  # judgement: what a rule without a least size is taken to ask for; an unaided eye marks such an opening
LOOKED_FOR_MM = 10.0  # a least size in `counted` is looked for up to here
STEPS = 400
WIDTH_OF_LENGTH = 1 / 3  # judgement: openings drawn out by a bend are some 1/3 to 1/10 as wide as long
WIDTHS = ("width_mm", "depth_mm", "through_wall_mm")
WIDTH_NAMES = frozenset(WIDTHS) | frozenset(map(in_inches, WIDTHS))


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """A feature that a rule's kinds name, whether it counts (None: not known), and its size in the rule's unit."""

    feature: Feature
    counts: bool | None  # as the decision looks at it: with its uncertainty where guarded
    by_value: bool | None  # by its values alone
    kind_open: bool = False  # whether the rule names it is not known, since its kind is not
    size: Interval | None  # None where the rule has no size, or where it could not be had
    why_not: str = ""
    seen: Interval | None = None  # of one that is cut off: at least this, where the rule's size follows from what is seen

    @property
    def id(self) -> str:
        return self.feature.id

    @property
    def measured(self) -> Interval:
        """The size of one that has a size."""
        assert self.size is not None
        return self.size


def named(rule: Rule, feature: Feature) -> bool:
    """Whether the rule's kinds name the feature's kind or its cause, and nobody has set it aside."""
    return feature.status != "rejected" and (feature.kind in rule.kinds or feature.cause in rule.kinds)


def kind_open(rule: Rule, feature: Feature) -> bool:
    """Whether it hangs on a kind that the picture does not tell surely if the rule names the feature.

    A person who confirmed it, or named its kind, has settled that.
    """
    if feature.status != "proposed" or feature.cause in rule.kinds:
        return False
    return any((kind in rule.kinds) is not (feature.kind in rule.kinds) for kind in feature.may_be)


def members(rule: Rule, sheet: Sheet, features: Sequence[Feature], *, guarded: bool) -> list[Member]:
    """Every feature that the rule names or may name, except those that certainly do not count."""
    found, on_sheet = [], values.of_sheet(sheet, rule.unit)
    conditions, size_expression = _conditions(rule), rule.size_expression
    asked = frozenset().union(*(part.names for part in (*conditions, size_expression) if part is not None))
    for feature in features:
        its_own, open_kind = named(rule, feature), kind_open(rule, feature)
        if not (its_own or open_kind):
            continue
        known = values.of_feature(feature, on_sheet, seen_part=True, asked=asked)
        counts, by_value = (_counts(rule, known, guarded=way) for way in (guarded, False)) if conditions else (True, True)
        if counts is False:
            continue
        if open_kind:
            counts, by_value = None, its_own and by_value
        size, why_not, seen = None, "", None
        if size_expression is not None:
            try:
                size = _size(rule, values.of_feature(feature, on_sheet, asked=asked) if feature.seen else known)
            except NotMeasured as reason:
                why_not = str(reason)
                seen = _seen(rule, known)
        found.append(
            Member(
                feature=feature,
                counts=counts,
                by_value=by_value,
                kind_open=open_kind,
                size=size,
                why_not=why_not,
                seen=seen,
            )
        )
    return found


def _size(rule: Rule, known: values.Known) -> Interval:
    assert rule.size_expression is not None
    return in_unit(value(rule.size_expression, known), rule.size_expression, rule.unit)


def _seen(rule: Rule, known: values.Known) -> Interval | None:
    try:
        size = _size(rule, known)
    except NotMeasured:
        return None
    return size if size.high == math.inf else None


def in_unit(size: Interval, expression: Expression, unit: str) -> Interval:
    """A size in the rule's unit, whatever unit its names are in."""
    have, power = expression.quantity.unit, expression.quantity.dimension
    if have in ("", unit):
        return size
    return size.scaled(MM_PER_INCH**power if unit == "mm" else MM_PER_INCH**-power)


def least_size_mm(rule: Rule, sheet: Sheet, limit: float) -> float:
    """The smallest feature, by its greatest dimension, that the rule must not overlook, in mm.

    For `each` it is the limit itself: what is larger must be seen. For the others it is the least size that `counted` and
    `where` let in; where they let in every size, it is `UNAIDED_MM`.
    """
    if rule.test == "each":
        limit_mm = _as_length_mm(limit, rule)
        return limit_mm if limit_mm and rule.sense in ("at most", "below") else UNAIDED_MM
    return _least_counted_mm(rule, sheet, FEATURE_SIZES) or UNAIDED_MM


def least_width_mm(rule: Rule, sheet: Sheet, limit: float) -> float:
    """How fine the photograph must resolve for the rule, in mm: the width of the narrowest feature that it must not overlook.

    Openings are narrower than they are long, and a photograph shows what is wide enough for it. So a third of the least length
    is asked for, which is rounder than most openings are, but nothing finer than `UNAIDED_MM`, which an unaided eye, by which
    codes are judged, marks too. Where the rule counts or limits the width itself, that width is asked for as it is.
    """
    widths = []
    if rule.test == "each" and rule.size_expression is not None and rule.size_expression.names & WIDTH_NAMES:
        widths.append(least_size_mm(rule, sheet, limit))
    if any(condition.names & WIDTH_NAMES for condition in _conditions(rule)):
        widths.append(_least_counted_mm(rule, sheet, WIDTHS) or UNAIDED_MM)
    if widths:
        return max(widths)
    least_mm = least_size_mm(rule, sheet, limit)
    return max(least_mm * WIDTH_OF_LENGTH, min(least_mm, UNAIDED_MM))


def _least_counted_mm(rule: Rule, sheet: Sheet, sizes: Iterable[str]) -> float:
    """The least of `sizes` that the rule's conditions let in, found by trying; 0 if they let in every size."""
    sheet_values = values.of_sheet(sheet, rule.unit)
    for step in range(1, STEPS + 1):
        size_mm = LOOKED_FOR_MM * step / STEPS
        known = {"at_corner": None, **sheet_values}
        for name, power in FEATURE_SIZES.items():
            tried = name in sizes
            known[name] = Interval.exact(size_mm**power) if tried else "not tried"
            known[in_inches(name)] = Interval.exact((size_mm / MM_PER_INCH) ** power) if tried else "not tried"
        if _counts(rule, known, guarded=False) is not False:
            return LOOKED_FOR_MM * (step - 1) / STEPS
    return LOOKED_FOR_MM


def _as_length_mm(limit: float, rule: Rule) -> float:
    """A limit on an area is seen as the side of a square of that area; a plain ratio as no length at all (0)."""
    if limit <= 0 or rule.dimension == 0:
        return 0.0
    side = math.sqrt(limit) if rule.dimension == 2 else limit
    return side * MM_PER_INCH if rule.unit == "in" else side


def _counts(rule: Rule, known: values.Known, *, guarded: bool) -> bool | None:
    return and_([holds(condition, known, guarded=guarded) for condition in _conditions(rule)])


def _conditions(rule: Rule) -> list[Expression]:
    conditions = [rule.where_expression] + ([rule.counted_expression] if rule.test != "each" else [])
    return [condition for condition in conditions if condition is not None]
