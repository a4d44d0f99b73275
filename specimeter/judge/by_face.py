"""A rule over how features are spread, on several photographs of one specimen: each by itself, the worst decides."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from specimeter.judge.conformity import conforms
from specimeter.judge.interval import Interval
from specimeter.judge.limits import Rule
from specimeter.judge.membership import Member, members
from specimeter.judge.model import Verdict
from specimeter.judge.sums import open_sum
from specimeter.judge.verdicts import Evidence, decided

RANK = ("exceeds", "replace", "not-measured", "undecided", "within")  # an earlier one prevails
APART = (
    "places on different photographs cannot be compared, and no photograph shows everything that counts: link the pictures of "
    "one imperfection (specimeter review RECORD --same ID OTHER)"
)


def by_face(rule: Rule, evidence: Evidence, judge: Callable[[Rule, Evidence], Verdict]) -> Verdict:
    """The worst verdict over the photographs.

    A share, or a number per area or length, is each face's own. A spacing or a window along the weld is a matter of places, so
    it can be kept only where one photograph shows everything that counts; a window also where the sum of all keeps its limit.
    """
    each = {face.photo: judge(rule, face) for face in evidence.faces}
    worst = min(RANK.index(verdict.outcome) for verdict in each.values())
    found = {photo: verdict for photo, verdict in each.items() if RANK.index(verdict.outcome) == worst}
    upper = rule.sense in ("at most", "below")
    photo = (max if upper else min)(found, key=lambda photo: _value(found[photo], upper))
    verdict = found[photo]
    if verdict.outcome == "within":
        counted = tuple(dict.fromkeys(id_ for one in each.values() for id_ in one.features))
        if rule.test in ("spacing", "window") and not _all_on_one(rule, evidence):
            return _apart(rule, evidence, verdict, counted)
        verdict = replace(verdict, features=counted)
    return replace(verdict, because=f"On photograph {photo}: {verdict.because}")


def _value(verdict: Verdict, upper: bool) -> float:
    return verdict.value if verdict.value is not None else float("-inf") if upper else float("inf")


def _all_on_one(rule: Rule, evidence: Evidence) -> bool:
    """Whether one photograph shows every imperfection that counts on any."""
    counted = [{evidence.imperfections[m.id] for m in _members(rule, face)} for face in evidence.faces]
    return set().union(*counted) in counted


def _apart(rule: Rule, evidence: Evidence, verdict: Verdict, counted: tuple[str, ...]) -> Verdict:
    every = _members(rule, evidence)
    if rule.test == "window" and all(member.size is not None for member in every):
        whole = open_sum(rule, every, guarded=evidence.guarded)
        assert verdict.limit is not None  # it was decided
        limit = Interval.exact(verdict.limit)
        if conforms(whole, rule.sense, limit, guarded=True):
            return decided(rule, evidence, "The sum over all photographs", whole, limit, True, every)
    because = f"Not evaluated: {APART}."
    return replace(verdict, outcome="not-measured", value=None, U=None, p_conform=None, because=because, features=counted)


def _members(rule: Rule, evidence: Evidence) -> list[Member]:
    return members(rule, evidence.sheet, evidence.features, guarded=evidence.guarded)
