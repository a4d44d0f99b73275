"""One rule's verdict: its value, its uncertainty, its limit, and one plain sentence that says why."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from specimeter.judge import values
from specimeter.judge.conformity import conforms, p_conform
from specimeter.judge.expression import value
from specimeter.judge.interval import Interval, NotMeasured, total
from specimeter.judge.limits import FEATURE_TESTS, Rule
from specimeter.judge.membership import Member, in_unit, least_size_mm, least_width_mm, members
from specimeter.judge.model import Verdict
from specimeter.judge.sums import open_sum, summed
from specimeter.judge.wording import limit as limit_words
from specimeter.judge.wording import listed, quantity
from specimeter.measure.feature import Feature
from specimeter.segment.model import Unseen
from specimeter.sheet import Sheet


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Everything that a rule may look at; a size that was not obtained is None."""

    sheet: Sheet
    features: Sequence[Feature]
    guarded: bool
    smallest_resolvable_mm: float | None
    area: Interval | None = None  # examined, in mm2
    section: Mapping[str, float] | None = None
    unseen: Sequence[Unseen] = ()  # parts of the area in which the picture could show nothing


def judge(rule: Rule, evidence: Evidence) -> Verdict:
    """The verdict of one rule. It never raises: what cannot be evaluated is ``not-measured``, and says why."""
    try:
        if rule.test == "observation":
            return _observation(rule, evidence)
        if rule.test == "section":
            known = values.of_section(evidence.section, rule, evidence.sheet)
            limit = _limit(rule, known)
            return _section(rule, evidence, known, limit)
        limit = _limit(rule, values.of_sheet(evidence.sheet, rule.unit))
    except NotMeasured as reason:
        return _not_measured(rule, str(reason))
    counted = members(rule, evidence.sheet, evidence.features, guarded=evidence.guarded)
    try:
        verdict = BY_TEST[rule.test](rule, evidence, counted, limit)
    except NotMeasured as reason:
        return _not_measured(rule, str(reason), limit, counted)
    return _seen_well_enough(rule, evidence, verdict, limit)


def _each(rule: Rule, evidence: Evidence, counted: list[Member], limit: Interval) -> Verdict:
    """The worst feature decides; one beyond the limit decides even where another could not be measured."""
    if not counted:
        return _none_found(rule, evidence, limit)
    upper = rule.sense in ("at most", "below")
    kept: dict[str, bool | None] = {}
    for member in counted:
        if member.size is not None:
            truth = conforms(member.size, rule.sense, limit, guarded=evidence.guarded)
            kept[member.id] = None if truth is False and member.counts is None else truth
    sized = [member for member in counted if member.size is not None]
    truth = False if False in kept.values() else None if None in kept.values() else True
    if truth is not False and len(sized) < len(counted):
        raise NotMeasured(next(member.why_not for member in counted if member.size is None))
    deciding = [member for member in sized if kept[member.id] is truth]
    worst = (max if upper else min)(deciding, key=lambda member: member.size.value)
    subject = worst.id + (
        f", the {'largest' if upper else 'smallest'} of {len(sized)},"
        if len(sized) > 1 and worst.size.value == (max if upper else min)(m.size.value for m in sized)
        else ""
    )
    doubtful = [worst] if truth is None and worst.counts is None else []
    return _decided(rule, evidence, subject, worst.size, limit, truth, counted, doubtful=doubtful)


def _sum(rule: Rule, evidence: Evidence, counted: list[Member], limit: Interval) -> Verdict:
    """The sum of what counts by its values; whether it keeps the limit is asked of every sum that the doubts leave open."""
    if not counted:
        return _none_found(rule, evidence, limit)
    sized = [member for member in counted if member.size is not None]
    possible = open_sum(rule, sized, guarded=evidence.guarded)
    truth = conforms(possible, rule.sense, limit, guarded=True)
    if len(sized) < len(counted) and not (truth is False and rule.sense in ("at most", "below")):
        raise NotMeasured(next(member.why_not for member in counted if member.size is None))
    inside = [member for member in sized if member.by_value]
    outside = [member for member in sized if not member.by_value]
    doubtful = [member for member in sized if member.counts is None]
    measured = summed(rule, inside)
    subject = f"The sum of {len(inside)} ({listed([member.id for member in inside])})" if inside else "The sum of none"
    return _decided(rule, evidence, subject, measured, limit, truth, [*inside, *outside], doubtful=doubtful)


def _count(rule: Rule, evidence: Evidence, counted: list[Member], limit: Interval) -> Verdict:
    """How many count; those in doubt leave the number open."""
    if not counted:
        return _none_found(rule, evidence, limit)
    certain = sum(member.counts is True for member in counted)
    number = sum(member.by_value is True for member in counted)
    truth = conforms(Interval(certain, number, len(counted)), rule.sense, limit, guarded=True)
    doubtful = [member for member in counted if member.counts is None]
    return _decided(rule, evidence, "The number counted", Interval.exact(number), limit, truth, counted, doubtful=doubtful)


def _share(rule: Rule, evidence: Evidence, counted: list[Member], limit: Interval) -> Verdict:
    """The counted areas in percent of the examined area."""
    if rule.of == "length":
        raise NotMeasured("the examined weld length is not measured")
    if evidence.area is None:
        raise NotMeasured("the examined area is not measured in mm2")
    if not counted:
        return _none_found(rule, evidence, limit)
    for member in counted:
        if _area_of(member) is None:
            raise NotMeasured(member.why_not or f"the area_mm2 of {member.id} is not measured")
    percent = Interval.exact(100.0)
    areas = {member.id: _area_of(member) for member in counted}
    certain = total([areas[m.id] for m in counted if m.counts is True])
    most = total([areas[m.id] for m in counted])
    inside = [m for m in counted if m.by_value]
    measured = total([areas[m.id] for m in inside]) / evidence.area * percent
    low, high = (certain / evidence.area * percent), (most / evidence.area * percent)
    if not evidence.guarded:
        low, high = low.collapsed(), high.collapsed()
    truth = conforms(Interval(low.low, measured.value, high.high), rule.sense, limit, guarded=True)
    doubtful = [m for m in counted if m.counts is None]
    return _decided(rule, evidence, f"The share of {len(inside)}", measured, limit, truth, counted, doubtful=doubtful)


def _spacing(rule: Rule, evidence: Evidence, counted: list[Member], limit: Interval) -> Verdict:
    """The least clear distance among the counted; a nearer neighbour that does not count leaves it open."""
    if len(counted) < 2:
        return _told(rule, None, None, limit, "within", "Fewer than two that count: no spacing to compare.", counted)
    distances = []
    for member in counted:
        known = values.of_feature(member.feature, rule, evidence.sheet)["nearest_in" if rule.unit == "in" else "nearest_mm"]
        if isinstance(known, str):
            raise NotMeasured(known)
        distances.append((member, known))
    nearest, distance = min(distances, key=lambda pair: pair[1].value)
    truth = conforms(distance, rule.sense, limit, guarded=evidence.guarded)
    others = [f.id for f in evidence.features if f.status != "rejected" and f.id not in {m.id for m in counted if m.counts}]
    if truth is not True and others:
        raise NotMeasured(f"the neighbour nearest to {nearest.id} may be one that does not count ({listed(others)})")
    return _decided(rule, evidence, f"The least clear distance, at {nearest.id},", distance, limit, truth, counted)


def _window(rule: Rule, evidence: Evidence, counted: list[Member], limit: Interval) -> Verdict:
    """The worst sum within a window along the weld: asks for positions along the weld."""
    if not counted:
        return _none_found(rule, evidence, limit)
    whole = open_sum(rule, [member for member in counted if member.size is not None], guarded=evidence.guarded)
    missing = [member for member in counted if member.size is None]
    if not missing and rule.sense in ("at most", "below") and conforms(whole, rule.sense, limit, guarded=True):
        return _decided(rule, evidence, "The sum over the whole weld", whole, limit, True, counted)
    raise NotMeasured("positions along the weld are not measured, so the worst window is not known")


def _section(rule: Rule, evidence: Evidence, known: values.Known, limit: Interval) -> Verdict:
    measured = in_unit(value(rule.size_expression, known), rule.size_expression, rule.unit)
    truth = conforms(measured, rule.sense, limit, guarded=evidence.guarded)
    return _decided(rule, evidence, rule.size, measured, limit, truth, [])


def _observation(rule: Rule, evidence: Evidence) -> Verdict:
    wanted = rule.must_be is not False
    seen = (evidence.sheet.observations or {}).get(rule.observation)
    if seen is None:
        raise NotMeasured(f"the sheet holds no observation {rule.observation}")
    if seen == "undetermined":
        outcome, text = "undecided", "left undetermined"
    else:
        outcome, text = ("within" if seen is wanted else rule.beyond), str(seen).lower()
    because = f"The observation {rule.observation} is {text}; the rule asks for {str(wanted).lower()}."
    return _told(rule, None, None, None, outcome, because, [])


BY_TEST: Mapping[str, Callable[[Rule, Evidence, list[Member], Interval], Verdict]] = {
    "each": _each,
    "sum": _sum,
    "count": _count,
    "share": _share,
    "spacing": _spacing,
    "window": _window,
}


def _limit(rule: Rule, known: values.Known) -> Interval:
    try:
        limit = value(rule.limit_expression, known)
    except NotMeasured as reason:
        raise NotMeasured(f"the limit {rule.limit} has no value: {reason}") from reason
    if limit.value < 0 and rule.test in FEATURE_TESTS:
        raise NotMeasured(f"the limit {rule.limit} comes out below 0 ({limit.value:.6g})")
    return limit


def _area_of(member: Member) -> Interval | None:
    if member.size is not None:
        return member.size
    area, U = member.feature.area_mm2, member.feature.U_area_mm2
    return None if member.why_not or area is None or U is None else Interval.around(area, U)


def _seen_well_enough(rule: Rule, evidence: Evidence, verdict: Verdict, limit: Interval) -> Verdict:
    """`within` becomes ``not-measured`` where the picture cannot show the smallest feature that the rule counts.

    Anywhere, or in a part that is burnt out, black or without structure.
    """
    if verdict.outcome != "within":
        return verdict
    need_mm, have_mm = least_width_mm(rule, evidence.sheet, limit.value), evidence.smallest_resolvable_mm
    if not have_mm or not math.isfinite(have_mm) or have_mm > need_mm * (1 + 1e-9):
        resolved = have_mm and math.isfinite(have_mm)
        have = f"it resolves {have_mm:.2g} mm" if resolved else "what it can resolve is not known"
        because = (
            f"The photo must show openings {need_mm:.2g} mm wide for this rule, and {have}: no finding is no evidence here."
        )
        return _told(rule, verdict.value, verdict.U, limit, "not-measured", because, (), features=verdict.features)
    least_mm = least_size_mm(rule, evidence.sheet, limit.value)
    hiding = max(evidence.unseen, key=lambda part: part.length_mm, default=None)
    if hiding is None or hiding.length_mm < least_mm:
        return verdict
    because = (
        f"The photo is {hiding.why} over {hiding.length_mm:.2g} mm of the examined area, where an opening of the "
        f"{least_mm:.3g} mm that this rule must see would be hidden: no finding is no evidence there."
    )
    return _told(rule, verdict.value, verdict.U, limit, "not-measured", because, (), features=verdict.features)


def _none_found(rule: Rule, evidence: Evidence, limit: Interval) -> Verdict:
    """No feature counts: there is no value to compare, and a sum or number of nothing is 0."""
    kept = rule.test in ("each", "window") or conforms(Interval.exact(0), rule.sense, limit, guarded=True)
    resolvable = evidence.smallest_resolvable_mm
    told = resolvable and math.isfinite(resolvable)
    tail = f", in which openings down to {resolvable:.2g} mm can be resolved" if told else ""
    kinds = listed([kind.replace("-", " ") for kind in rule.kinds], most=4)
    because = f"None that this rule counts ({kinds}) was found in the examined area{tail}."
    return _told(rule, None, None, limit, "within" if kept else rule.beyond, because, [])


def _doubt(doubtful: Sequence[Member]) -> tuple[str, str] | None:
    """Whose counting is open, and why; None if nobody's is."""
    if not doubtful:
        return None
    corner = all(member.feature.at_corner is None for member in doubtful)
    why = "whether at a corner is not known" if corner else "too close to the sizes at which counting begins or ends"
    return listed([member.id for member in doubtful]), why


def _decided(
    rule: Rule,
    evidence: Evidence,
    subject: str,
    measured: Interval,
    limit: Interval,
    truth: bool | None,
    counted: Sequence[Member],
    *,
    doubtful: Sequence[Member] = (),
) -> Verdict:
    """The verdict of a comparison: True keeps the limit, False breaks it, None is too close or depends on what counts."""
    told = f"{subject} is {quantity(measured, rule.shown_unit)}"
    allowed, doubt = f"the limit ({limit_words(rule.sense, limit.value, rule.shown_unit)})", _doubt(doubtful)
    weighed = evidence.guarded and measured.U > 0
    if truth is None:
        outcome = "undecided"
        close = conforms(measured, rule.sense, limit, guarded=evidence.guarded) is None
        told += f": too close to {allowed} for its uncertainty" if close else f", against {allowed}"
        told += f"; whether {doubt[0]} counts is open ({doubt[1]})" if doubt else ""
    else:
        outcome = "within" if truth else rule.beyond
        if truth:
            told += f", which {'with its uncertainty ' if weighed else ''}keeps {allowed}"
        else:
            off = "taken off" if rule.sense in ("at most", "below") else "added"
            told += f", which {f'even with its uncertainty {off} ' if weighed else ''}breaks {allowed}"
        told += f", whether or not {doubt[0]} counts ({doubt[1]})" if doubt else ""
        told += "" if evidence.guarded or measured.U == 0 else "; its uncertainty is told, not weighed"
    p = None if doubt or rule.test == "count" else p_conform(measured, rule.sense, limit)
    U = None if rule.test == "count" else measured.U
    return _told(rule, measured.value, U, limit, outcome, told + ".", counted, p=p)


def _not_measured(rule: Rule, reason: str, limit: Interval | None = None, counted: Sequence[Member] = ()) -> Verdict:
    return _told(rule, None, None, limit, "not-measured", f"Not evaluated: {reason}.", counted)


def _told(
    rule: Rule,
    measured: float | None,
    U: float | None,
    limit: Interval | None,
    outcome: str,
    because: str,
    counted: Sequence[Member],
    *,
    p: float | None = None,
    features: tuple[str, ...] | None = None,
) -> Verdict:
    return Verdict(
        rule=rule.id,
        name=rule.label,
        outcome=outcome,
        value=measured,
        U=U,
        limit=None if limit is None else limit.value,
        unit=rule.shown_unit,
        sense=rule.sense,
        because=because,
        features=tuple(member.id for member in counted) if features is None else features,
        p_conform=p,
    )
