"""Verdicts of rules over how features are spread: their number, share, spacing, and the worst window along the weld."""

from __future__ import annotations

from collections.abc import Sequence

from specimeter.judge import values
from specimeter.judge.conformity import conforms
from specimeter.judge.interval import Interval, NotMeasured, total
from specimeter.judge.limits import MM_PER_INCH, Rule
from specimeter.judge.membership import Member
from specimeter.judge.model import Verdict
from specimeter.judge.sums import open_sum, summed
from specimeter.judge.verdicts import Evidence, decided, none_found, told
from specimeter.judge.wording import listed, size_words
from specimeter.measure.spacing import clear_among

NO_WELD = "the length of weld examined is not known: enter weld.weld_axis_px in the sheet"


def count(rule: Rule, evidence: Evidence, counted: list[Member], limit: Interval) -> Verdict:
    """How many count, or, with `of`, how many per square millimetre or inch examined, or per length of weld examined.

    Those in doubt leave the number open.
    """
    whole = None if rule.of is None else _whole(rule, evidence)
    if not counted:
        return none_found(rule, evidence, limit)
    certain = sum(member.counts is True for member in counted)
    number = sum(member.by_value is True for member in counted)
    possible, measured = Interval(certain, number, len(counted)), Interval.exact(number)
    if whole is not None:
        possible, measured = possible / whole, measured / whole
        possible = possible if evidence.guarded else Interval(certain / whole.value, measured.value, len(counted) / whole.value)
    truth = conforms(possible, rule.sense, limit, guarded=True)
    doubtful = [member for member in counted if member.counts is None]
    subject = "The number counted" if whole is None else f"The number counted ({number})"
    return decided(rule, evidence, subject, measured, limit, truth, counted, doubtful=doubtful)


def share(rule: Rule, evidence: Evidence, counted: list[Member], limit: Interval) -> Verdict:
    """The counted areas in percent of the examined area, or lengths in percent of the weld's length examined.

    Without a `size` the areas, or the extents along the weld, are taken. Each photograph's face has its own share.
    """
    whole = _whole(rule, evidence, unit="mm")
    if not counted:
        return none_found(rule, evidence, limit)
    parts: dict[str, Interval] = {}
    for member in counted:
        part = _part(rule, member)
        if part is None:
            name = "area_mm2" if rule.of == "area" else "along_weld_mm"
            raise NotMeasured(member.why_not or f"the {size_words(name)} of {member.id} is not measured")
        parts[member.id] = part
    percent = Interval.exact(100.0)
    certain = total([parts[m.id] for m in counted if m.counts is True])
    most = total([parts[m.id] for m in counted])
    inside = [m for m in counted if m.by_value]
    measured = total([parts[m.id] for m in inside]) / whole * percent
    low, high = (certain / whole * percent), (most / whole * percent)
    if not evidence.guarded:
        low, high = low.collapsed(), high.collapsed()
    truth = conforms(Interval(low.low, measured.value, high.high), rule.sense, limit, guarded=True)
    doubtful = [m for m in counted if m.counts is None]
    return decided(rule, evidence, f"The share of {len(inside)}", measured, limit, truth, counted, doubtful=doubtful)


def spacing(rule: Rule, evidence: Evidence, counted: list[Member], limit: Interval) -> Verdict:
    """The least clear distance among the counted, whatever else lies between them.

    Where the outlines cannot be compared among themselves (no surface is at hand) the distance to the nearest feature of any
    kind stands in, and a nearer neighbour that does not count leaves it open. With one that may not count the least distance
    among all, and that among those that certainly count, are its bounds.
    """
    if len(counted) < 2:
        return told(rule, None, None, limit, "within", "Fewer than two that count: no spacing to compare.", counted)
    among = _clear(rule, evidence, counted)
    if among is None:
        return _spacing_by_nearest(rule, evidence, counted, limit)
    if len(among) < len(counted):
        lost = next(member.id for member in counted if member.id not in among)
        raise NotMeasured(f"the place of {lost} on the surface is not known")
    nearest = min(among, key=lambda id_: among[id_].value)
    distance, doubtful = among[nearest], [member for member in counted if member.counts is None]
    truth = conforms(distance, rule.sense, limit, guarded=evidence.guarded)
    if truth is not True and doubtful:
        certain = _clear(rule, evidence, [member for member in counted if member.counts]) or {}
        least = min((one for one in certain.values()), key=lambda one: one.value, default=None)
        if least is None or conforms(least, rule.sense, limit, guarded=evidence.guarded) is not truth:
            return decided(rule, evidence, _nearest_words(nearest), distance, limit, None, counted, doubtful=doubtful)
    return decided(rule, evidence, _nearest_words(nearest), distance, limit, truth, counted)


def window(rule: Rule, evidence: Evidence, counted: list[Member], limit: Interval) -> Verdict:
    """The worst sum of the sizes of what touches a window of `window_mm` anywhere along the weld.

    A feature of which only a part lies in the window counts whole, which is the safe side. Where no place along the weld is
    known the rule is kept if even the sum over the whole specimen keeps it.
    """
    if not counted:
        return none_found(rule, evidence, limit)
    lost = next((member for member in counted if member.size is None), None)
    if lost is not None:
        raise NotMeasured(lost.why_not)
    if not all(member.id in evidence.spans_mm for member in counted):
        whole = open_sum(rule, counted, guarded=evidence.guarded)
        if conforms(whole, rule.sense, limit, guarded=True):
            return decided(rule, evidence, "The sum over the whole weld", whole, limit, True, counted)
        raise NotMeasured("positions along the weld are not measured, so the worst window is not known")
    groups = _windows(rule, evidence, counted)
    possible = [open_sum(rule, group, guarded=evidence.guarded) for group in groups]
    worst = Interval(*(max(getattr(one, end) for one in possible) for end in ("low", "value", "high")))
    truth = conforms(worst, rule.sense, limit, guarded=True)
    chosen = groups[max(range(len(groups)), key=lambda at: (possible[at].value, possible[at].high))]
    doubtful = [member for member in chosen if member.counts is None]
    inside = [member for member in chosen if member.by_value]
    subject = f"The worst sum within {rule.window_mm:g} mm of weld ({listed([m.id for m in inside]) if inside else 'none'})"
    return decided(rule, evidence, subject, summed(rule, inside), limit, truth, chosen, doubtful=doubtful)


def _windows(rule: Rule, evidence: Evidence, counted: Sequence[Member]) -> list[list[Member]]:
    """Who touches a window: one that ends where a feature begins or begins where one ends sees all that any window sees."""
    spans = {member.id: evidence.spans_mm[member.id] for member in counted}
    groups = []
    assert rule.window_mm is not None  # a window's rule has one
    for begin in sorted({end for _, end in spans.values()}):
        end = begin + rule.window_mm * (1 + 1e-9)
        groups.append([m for m in counted if spans[m.id][1] >= begin and spans[m.id][0] <= end])
    return groups


def _whole(rule: Rule, evidence: Evidence, unit: str | None = None) -> Interval:
    """What a share or a count refers to, in the rule's unit."""
    whole = evidence.area if rule.of == "area" else evidence.weld
    if whole is None:
        raise NotMeasured("the examined area is not measured in mm2" if rule.of == "area" else NO_WELD)
    power = 2 if rule.of == "area" else 1
    return whole.scaled(MM_PER_INCH**-power) if (unit or rule.unit) == "in" else whole


def _part(rule: Rule, member: Member) -> Interval | None:
    """A member's area or extent along the weld, in millimetres: the rule's `size` if it has one."""
    if member.size is not None:
        power = 2 if rule.of == "area" else 1
        return member.size.scaled(MM_PER_INCH**power) if rule.unit == "in" else member.size
    name = "area_mm2" if rule.of == "area" else "along_weld_mm"
    size, U = getattr(member.feature, name), getattr(member.feature, f"U_{name}")
    return None if member.why_not or size is None or U is None else Interval.around(size, U)


def _clear(rule: Rule, evidence: Evidence, counted: Sequence[Member]) -> dict[str, Interval] | None:
    if evidence.surface is None or evidence.scale is None:
        return None
    if len({member.feature.photo for member in counted}) > 1:
        raise NotMeasured("the distance between features on different photographs is not known")
    found = clear_among([member.feature for member in counted], surface=evidence.surface, scale=evidence.scale)
    factor = 1 / MM_PER_INCH if rule.unit == "in" else 1.0
    return {id_: Interval(max(0.0, value - U), value, value + U).scaled(factor) for id_, (value, U) in found.items()}


def _spacing_by_nearest(rule: Rule, evidence: Evidence, counted: list[Member], limit: Interval) -> Verdict:
    distances, on_sheet = [], values.of_sheet(evidence.sheet, rule.unit)
    for member in counted:
        known = values.of_feature(member.feature, on_sheet)["nearest_in" if rule.unit == "in" else "nearest_mm"]
        if not isinstance(known, Interval):
            raise NotMeasured(str(known))
        distances.append((member, known))
    nearest, distance = min(distances, key=lambda pair: pair[1].value)
    truth = conforms(distance, rule.sense, limit, guarded=evidence.guarded)
    others = [f.id for f in evidence.features if f.status != "rejected" and f.id not in {m.id for m in counted if m.counts}]
    if truth is not True and others:
        raise NotMeasured(f"the neighbour nearest to {nearest.id} may be one that does not count ({listed(others)})")
    return decided(rule, evidence, _nearest_words(nearest.id), distance, limit, truth, counted)


def _nearest_words(id_: str) -> str:
    return f"The least clear distance, at {id_},"
