"""How a rule's verdict is put together: outcome, value, probability of conformity, and one plain sentence that says why."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from specimeter.judge.conformity import conforms, p_conform
from specimeter.judge.interval import Interval
from specimeter.judge.limits import Rule
from specimeter.judge.membership import Member
from specimeter.judge.model import Verdict
from specimeter.judge.wording import chance, kind_words, listed, quantity
from specimeter.judge.wording import limit as limit_words
from specimeter.measure.feature import Feature
from specimeter.scale.model import Scale
from specimeter.scale.surface import Surface
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
    scale: Scale | None = None
    surface: Surface | None = None
    spans_mm: Mapping[str, tuple[float, float]] = field(default_factory=dict)  # where a feature begins and ends along the weld
    weld: Interval | None = None  # length of weld examined, in mm
    photo: str = ""
    faces: Sequence[Evidence] = ()  # of several photographs, what each shows by itself
    imperfections: Mapping[str, str] = field(default_factory=dict)  # which features are pictures of one, over all photographs


def none_found(rule: Rule, evidence: Evidence, limit: Interval) -> Verdict:
    """No feature counts: there is no value to compare, and a sum or number of nothing is 0."""
    kept = rule.test in ("each", "window") or conforms(Interval.exact(0), rule.sense, limit, guarded=True)
    resolvable = evidence.smallest_resolvable_mm
    known = resolvable and math.isfinite(resolvable)
    tail = f", in which features down to {resolvable:.2g} mm can be resolved" if known else ""
    kinds = listed([kind_words(kind) for kind in rule.kinds], most=4)
    because = f"None that this rule counts ({kinds}) was found in the examined area{tail}."
    return told(rule, None, None, limit, "within" if kept else rule.beyond, because, [])


def _doubt(doubtful: Sequence[Member]) -> tuple[str, str] | None:
    """Whose counting is open, and why; None if nobody's is."""
    if not doubtful:
        return None
    if all(member.kind_open for member in doubtful):
        why = "the picture does not tell its kind surely"
    elif all(member.feature.at_corner is None for member in doubtful):
        why = "whether at a corner is not known"
    else:
        why = "too close to the sizes at which counting begins or ends"
    return listed([member.id for member in doubtful]), why


def decided(
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
    """The verdict of a comparison: True keeps the limit, False breaks it, None is too close or depends on what counts.

    The sentence ends with the probability of conformity (JCGM 106:2012, 7.3), which is also in the verdict as `p_conform`.
    """
    said = f"{subject} is {quantity(measured, rule.shown_unit)}"
    allowed, doubt = f"the limit ({limit_words(rule.sense, limit.value, rule.shown_unit)})", _doubt(doubtful)
    weighed = evidence.guarded and measured.U > 0
    if truth is None:
        outcome = "undecided"
        close = conforms(measured, rule.sense, limit, guarded=evidence.guarded) is None
        said += f": too close to {allowed} for its uncertainty" if close else f", against {allowed}"
        said += f"; whether {doubt[0]} counts is open ({doubt[1]})" if doubt else ""
    else:
        outcome = "within" if truth else rule.beyond
        if truth:
            said += f", which {'with its uncertainty ' if weighed else ''}keeps {allowed}"
        else:
            off = "taken off" if rule.sense in ("at most", "below") else "added"
            said += f", which {f'even with its uncertainty {off} ' if weighed else ''}breaks {allowed}"
        said += f", whether or not {doubt[0]} counts ({doubt[1]})" if doubt else ""
        said += "" if evidence.guarded or measured.U == 0 else "; its uncertainty is told, not weighed"
    number = rule.test == "count" and rule.of is None
    p = None if doubt or number else p_conform(measured, rule.sense, limit)
    said += f"; it conforms with a probability {chance(p)}" if p is not None and measured.U > 0 else ""
    return told(rule, measured.value, None if number else measured.U, limit, outcome, said + ".", counted, p=p)


def not_measured(rule: Rule, reason: str, limit: Interval | None = None, counted: Sequence[Member] = ()) -> Verdict:
    return told(rule, None, None, limit, "not-measured", f"Not evaluated: {reason}.", counted)


def told(
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
