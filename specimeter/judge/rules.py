"""One rule's verdict: what it looks at is compared with its limit, and nothing that could not be measured passes."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace

from specimeter.judge import values
from specimeter.judge.by_face import by_face
from specimeter.judge.conformity import conforms
from specimeter.judge.expression import value
from specimeter.judge.interval import Interval, NotMeasured, total
from specimeter.judge.limits import FEATURE_TESTS, Rule
from specimeter.judge.membership import Member, in_unit, least_size_mm, least_width_mm, members
from specimeter.judge.model import Verdict
from specimeter.judge.spread import count, share, spacing, window
from specimeter.judge.sums import open_sum, summed
from specimeter.judge.verdicts import Evidence, decided, none_found, not_measured, told
from specimeter.judge.wording import expression_words, listed


def judge(rule: Rule, evidence: Evidence, counted: list[Member]) -> Verdict:
    """The verdict of one rule, over its `members`. It never raises: what cannot be evaluated is ``not-measured``, and says why.

    Of several photographs, shares, spacing, windows and numbers per area or length are evaluated on each by itself.
    """
    if len(evidence.faces) > 1 and (rule.of is not None or rule.test in ("share", "spacing", "window")):
        return by_face(rule, evidence, lambda rule, face: _judge(rule, face, members_of(rule, face)))
    return _judge(rule, evidence, counted)


def members_of(rule: Rule, evidence: Evidence) -> list[Member]:
    """What a rule over features looks at; nothing for the others."""
    if rule.test not in FEATURE_TESTS:
        return []
    return members(rule, evidence.sheet, evidence.features, guarded=evidence.guarded)


def _judge(rule: Rule, evidence: Evidence, counted: list[Member]) -> Verdict:
    try:
        if rule.test == "observation":
            return _observation(rule, evidence)
        if rule.test == "section":
            known = values.of_section(evidence.section, rule, evidence.sheet)
            limit = _limit(rule, known)
            return _section(rule, evidence, known, limit)
        limit = _limit(rule, values.of_sheet(evidence.sheet, rule.unit))
    except NotMeasured as reason:
        return not_measured(rule, str(reason))
    try:
        verdict = BY_TEST[rule.test](rule, evidence, counted, limit)
    except NotMeasured as reason:
        return not_measured(rule, str(reason), limit, counted)
    return _seen_well_enough(rule, evidence, verdict, limit)


def _each(rule: Rule, evidence: Evidence, counted: list[Member], limit: Interval) -> Verdict:
    """The worst feature decides; one beyond the limit decides even where another could not be measured."""
    if not counted:
        return none_found(rule, evidence, limit)
    upper = rule.sense in ("at most", "below")
    kept: dict[str, bool | None] = {}
    for member in counted:
        if member.size is not None:
            truth = conforms(member.size, rule.sense, limit, guarded=evidence.guarded)
            kept[member.id] = None if truth is False and member.counts is None else truth
    sized = [member for member in counted if member.size is not None]
    truth = False if False in kept.values() else None if None in kept.values() else True
    if truth is not False and len(sized) < len(counted):
        beyond = [(m.id, m.seen) for m in counted if m.seen and m.counts and _breaks(rule, evidence, m.seen, limit)]
        if beyond:
            longest, seen = max(beyond, key=lambda one: one[1].value)
            return _seen_part(rule, evidence, f"The part of {longest} that is seen", seen, limit, counted)
        raise NotMeasured(next(member.why_not for member in counted if member.size is None))
    deciding = [member for member in sized if kept[member.id] is truth]
    worst = (max if upper else min)(deciding, key=lambda member: member.measured.value)
    subject = worst.id + (
        f", the {'largest' if upper else 'smallest'} of {len(sized)},"
        if len(sized) > 1 and worst.measured.value == (max if upper else min)(m.measured.value for m in sized)
        else ""
    )
    doubtful = [worst] if truth is None and worst.counts is None else []
    return decided(rule, evidence, subject, worst.measured, limit, truth, counted, doubtful=doubtful)


def _sum(rule: Rule, evidence: Evidence, counted: list[Member], limit: Interval) -> Verdict:
    """The sum of what counts by its values; whether it keeps the limit is asked of every sum that the doubts leave open."""
    if not counted:
        return none_found(rule, evidence, limit)
    sized = [member for member in counted if member.size is not None]
    possible = open_sum(rule, sized, guarded=evidence.guarded)
    truth = conforms(possible, rule.sense, limit, guarded=True)
    if len(sized) < len(counted) and not (truth is False and rule.sense in ("at most", "below")):
        cut = {member.id: member.seen for member in counted if member.seen and member.counts}
        certain = [member for member in sized if member.counts]
        at_least = total(
            [summed(rule, certain), *(Interval.around(seen.value, seen.value - seen.low) for seen in cut.values())]
        )
        if cut and _breaks(rule, evidence, at_least, limit):
            names = listed([*(member.id for member in certain), *cut])
            subject = f"The sum of {len(certain) + len(cut)} ({names}), of those that are cut off the part that is seen,"
            return _seen_part(rule, evidence, subject, at_least, limit, counted)
        raise NotMeasured(next(member.why_not for member in counted if member.size is None))
    inside = [member for member in sized if member.by_value]
    outside = [member for member in sized if not member.by_value]
    doubtful = [member for member in sized if member.counts is None]
    measured = summed(rule, inside)
    subject = f"The sum of {len(inside)} ({listed([member.id for member in inside])})" if inside else "The sum of none"
    return decided(rule, evidence, subject, measured, limit, truth, [*inside, *outside], doubtful=doubtful)


def _breaks(rule: Rule, evidence: Evidence, at_least: Interval, limit: Interval) -> bool:
    """Whether something of at least this size breaks an upper limit; it never keeps one, and a lower one is left open."""
    return rule.sense in ("at most", "below") and conforms(at_least, rule.sense, limit, guarded=evidence.guarded) is False


def _seen_part(
    rule: Rule, evidence: Evidence, subject: str, at_least: Interval, limit: Interval, counted: list[Member]
) -> Verdict:
    """The verdict where what is seen of something cut off, or continued elsewhere, breaks the limit already."""
    part = Interval.around(at_least.value, at_least.value - at_least.low)
    verdict = decided(rule, evidence, subject, part, limit, False, counted)
    return replace(verdict, p_conform=None, because=f"{verdict.because} The whole is larger still.")


def _section(rule: Rule, evidence: Evidence, known: values.Known, limit: Interval) -> Verdict:
    size = rule.size_expression
    assert size is not None  # a rule about a section names its size
    measured = in_unit(value(size, known), size, rule.unit)
    truth = conforms(measured, rule.sense, limit, guarded=evidence.guarded)
    return decided(rule, evidence, expression_words(size.text, size.names), measured, limit, truth, [])


def _observation(rule: Rule, evidence: Evidence) -> Verdict:
    wanted = rule.must_be is not False
    seen = (evidence.sheet.observations or {}).get(rule.observation or "")
    if seen is None:
        raise NotMeasured(f"the sheet holds no observation {rule.observation}")
    if seen == "undetermined":
        outcome, text = "undecided", "left undetermined"
    else:
        outcome, text = ("within" if seen is wanted else rule.beyond), str(seen).lower()
    because = f"The observation {rule.observation} is {text}; the rule asks for {str(wanted).lower()}."
    return told(rule, None, None, None, outcome, because, [])


BY_TEST: Mapping[str, Callable[[Rule, Evidence, list[Member], Interval], Verdict]] = {
    "each": _each,
    "sum": _sum,
    "count": count,
    "share": share,
    "spacing": spacing,
    "window": window,
}


def _limit(rule: Rule, known: values.Known) -> Interval:
    assert rule.limit_expression is not None  # only an observation has no limit
    try:
        limit = value(rule.limit_expression, known)
    except NotMeasured as reason:
        raise NotMeasured(f"the limit {rule.limit} has no value: {reason}") from reason
    if limit.value < 0 and rule.test in FEATURE_TESTS:
        raise NotMeasured(f"the limit {rule.limit} comes out below 0 ({limit.value:.6g})")
    return limit


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
            f"The photo must show features {need_mm:.2g} mm wide for this rule, and {have}: no finding is no evidence here."
        )
        return told(rule, verdict.value, verdict.U, limit, "not-measured", because, (), features=verdict.features)
    least_mm = least_size_mm(rule, evidence.sheet, limit.value)
    hiding = max(evidence.unseen, key=lambda part: part.length_mm, default=None)
    if hiding is None or hiding.length_mm < least_mm:
        return verdict
    because = (
        f"The photo is {hiding.why} over {hiding.length_mm:.2g} mm of the examined area, where a feature of the "
        f"{least_mm:.3g} mm that this rule must see would be hidden: no finding is no evidence there."
    )
    return told(rule, verdict.value, verdict.U, limit, "not-measured", because, (), features=verdict.features)
