"""The coupon's outcome over all its specimens: what is missing, what failed, what took its place, and rules over all of them.

A specimen stands for itself if its record is reviewed and within. One that broke a limit, or whose limits or validity ask for
another, can be stood for by those that replace it, if the retest rule lets it; it stays in the list with its outcome.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from specimeter.coupon.entered import Entered, Specimen
from specimeter.judge import rules
from specimeter.judge.model import Verdict
from specimeter.judge.verdicts import Evidence
from specimeter.measure.feature import Feature
from specimeter.record import recompute
from specimeter.record.folder import Folder
from specimeter.record.rebuild import area_of
from specimeter.segment.model import Unseen

RANK = ("exceeds", "replace", "not-measured", "undecided", "within")  # an earlier one prevails
ASKS_ANOTHER = ("replace", "void")

FOUND = {
    "within": "is within its limits",
    "exceeds": "exceeds its limits",
    "replace": "asks for another specimen",
    "undecided": "is undecided",
    "not-measured": "is not measured",
    "void": "was no valid test",
    "no-limits": "has no limits to compare with",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """One specimen as it counts: `outcome` of its own test, `stands` for its place with all that replaced it, and why."""

    specimen: Specimen
    outcome: str  # as recorded, or "missing"
    stands: str  # one of RANK
    because: str
    replaced_by: tuple[str, ...] = ()
    folder: Folder | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """The coupon's outcome, its reasons, and the state of each specimen in the order of the file."""

    outcome: str
    because: tuple[str, ...]
    states: tuple[State, ...]
    missing: tuple[str, ...]
    verdicts: tuple[Verdict, ...]


def decide(entered: Entered, folders: Mapping[str, Folder], faults: Mapping[str, str] | None = None) -> Result:
    """The outcome over all specimens.

    Parameters
    ----------
    folders : mapping
        Id of a specimen -> its record; one that has none is missing.
    faults : mapping, optional
        Id of a specimen -> why its record cannot be relied on.
    """
    faults = faults or {}
    states = {one.id: _state(entered, one, folders, faults) for one in entered.specimen}
    reasons: list[tuple[str, str]] = []
    missing = []
    for test, wanted in entered.required.items():
        originals = [one for one in entered.specimen if one.test == test and one.replaces is None]
        if len(originals) < wanted:
            missing.append(f"{wanted - len(originals)} of {wanted} {test} specimens are not in the file")
        absent = [one.id for one in originals if states[one.id].outcome == "missing"]
        missing += [f"{id} ({test}): {faults[id]}" if id in faults else f"{id} ({test}) has no record" for id in absent]
    reasons += [("not-measured", f"Missing: {what}.") for what in missing]
    for state in states.values():
        if state.specimen.replaces is None and state.stands != "within" and state.outcome != "missing":
            reasons.append((state.stands, state.because))
    verdicts = tuple(_over_all(entered, states)) if not missing else ()
    reasons += [(verdict.outcome, f"{verdict.name}: {verdict.because}") for verdict in verdicts if verdict.outcome != "within"]
    if missing and entered.rule:
        reasons.append(("not-measured", "The rules over all specimens were not evaluated: not all specimens are there."))
    outcome = min((name for name, _ in reasons), key=RANK.index, default="within")
    told = [sentence for name in RANK for found, sentence in reasons if found == name]
    if outcome == "within":
        told = [f"Every specimen asked for was tested, reviewed and is within its limits: {len(entered.specimen)} in all."]
        told += [state.because for state in states.values() if state.replaced_by]
        told += [f"{verdict.name}: {verdict.because}" for verdict in verdicts]
    return Result(
        outcome=outcome, because=tuple(told), states=tuple(states.values()), missing=tuple(missing), verdicts=verdicts
    )


def _state(entered: Entered, one: Specimen, folders: Mapping[str, Folder], faults: Mapping[str, str]) -> State:
    """One specimen's state; those that replace it are worked out first."""
    later = [other for other in entered.specimen if other.replaces == one.id]
    after = [_state(entered, other, folders, faults) for other in later]
    folder = folders.get(one.id)
    known: dict[str, Any] = {"specimen": one, "folder": folder, "replaced_by": tuple(other.id for other in later)}
    if one.id in faults:
        return State(**known, outcome="missing", stands="not-measured", because=f"{one.id}: {faults[one.id]}.")
    if folder is None:
        return State(**known, outcome="missing", stands="not-measured", because=f"{one.id} has no record.")
    record = folder.record
    outcome = record.outcome
    if record.sheet["specimen"].get("test") != one.test:
        test = record.sheet["specimen"].get("test")
        return State(**known, outcome=outcome, stands="not-measured", because=f"The record of {one.id} is of a {test}.")
    if record.review.state == "unreviewed":
        return State(
            **known, outcome=outcome, stands=_doubt(outcome), because=f"{one.id} {FOUND[outcome]}, but nobody has reviewed it."
        )
    if outcome == "within":
        return State(**known, outcome=outcome, stands="within", because=f"{one.id} is within its limits.")
    why = record.reasons[0] if record.reasons else "no reason was recorded"
    if outcome in ASKS_ANOTHER or outcome in entered.retest.after:
        return _replaced(entered, known, outcome, why, after)
    if outcome in ("undecided", "not-measured", "no-limits"):
        stands = "not-measured" if outcome == "no-limits" else outcome
        return State(**known, outcome=outcome, stands=stands, because=f"{one.id} {FOUND[outcome]}: {why}")
    because = f"{one.id} exceeds its limits: {why}"
    if later:
        because += f" The retest rule lets nothing take its place, so {_and(known['replaced_by'])} cannot stand for it."
    return State(**known, outcome=outcome, stands="exceeds", because=because)


def _replaced(entered: Entered, known: dict, outcome: str, why: str, after: Sequence[State]) -> State:
    """A specimen that may be replaced, and how those that replaced it came out."""
    id, wanted = known["specimen"].id, entered.retest.specimens
    told = f"{id} ({outcome}: {why.rstrip('.')})"
    if len(after) < wanted:
        stands = "exceeds" if outcome == "exceeds" and not after else "replace"
        needed = f"{wanted} specimen{'s' if wanted > 1 else ''} in its place"
        return State(
            **known, outcome=outcome, stands=stands, because=f"{told} asks for {needed}, and {len(after)} were tested."
        )
    worst = min((state.stands for state in after), key=RANK.index)
    names = _and(known["replaced_by"])
    if worst == "within":
        return State(**known, outcome=outcome, stands="within", because=f"{told} was replaced by {names}, within their limits.")
    because = " ".join(state.because for state in after if state.stands == worst)
    return State(**known, outcome=outcome, stands=worst, because=f"{told} was replaced by {names}: {because}")


def _doubt(outcome: str) -> str:
    """What an unreviewed outcome counts for: what exceeds still does, nothing else is settled."""
    return outcome if outcome in ("exceeds", "replace", "not-measured") else "undecided"


def _over_all(entered: Entered, states: Mapping[str, State]) -> list[Verdict]:
    """The verdicts of the rules over all specimens that stand for themselves; features are called ``specimen/f1``."""
    standing = [state for state in states.values() if state.folder is not None and state.outcome not in ASKS_ANOTHER]
    standing = [state for state in standing if not (state.outcome == "exceeds" and state.stands == "within")]
    if not standing or not entered.rule:
        return []
    features: list[Feature] = []
    resolvable: list[float | None] = []
    unseen: list[Unseen] = []
    records = {state.specimen.id: state.folder.record for state in standing if state.folder is not None}
    for specimen, record in records.items():
        features += [_renamed(specimen, feature) for feature in recompute.features_of(record)]
        resolvable += [examined.smallest_resolvable_mm for examined in record.examined]
        unseen += [part for examined in record.examined for part in area_of(record, examined.photo).unseen]
    evidence = Evidence(
        sheet=recompute.sheet_of(next(iter(records.values()))),
        features=features,
        guarded=entered.decision == "guarded",
        smallest_resolvable_mm=None if None in resolvable else max(size for size in resolvable if size is not None),
        unseen=unseen,
    )
    return [rules.judge(rule, evidence, rules.members_of(rule, evidence)) for rule in entered.rule]


def _renamed(specimen: str, feature: Feature) -> Feature:
    return replace(feature, id=f"{specimen}/{feature.id}")


def _and(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
