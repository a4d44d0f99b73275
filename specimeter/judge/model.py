"""What the judge stage hands on: each rule's verdict, and the outcome of the whole."""

from __future__ import annotations

from dataclasses import dataclass

OUTCOMES = ("within", "exceeds", "undecided", "not-measured", "replace", "void", "no-limits")


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """One rule's result; `because` is one plain sentence with value, U, limit and unit in it."""

    rule: str
    name: str
    outcome: str  # within | exceeds | undecided | not-measured | replace
    value: float | None
    U: float | None
    limit: float | None
    unit: str
    sense: str
    because: str
    features: tuple[str, ...] = ()
    p_conform: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """All verdicts, the outcome over them, why, and what the reader must be told."""

    verdicts: tuple[Verdict, ...]
    outcome: str
    because: tuple[str, ...]  # what keeps it from `within`, or what decided it: plain sentences
    cautions: tuple[str, ...] = ()
