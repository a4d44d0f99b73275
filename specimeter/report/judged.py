"""A stored record judged anew, by its own limits or others, as the terminal and a script read it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from specimeter.judge.limits import Limits
from specimeter.judge.model import Judgement, Verdict
from specimeter.record.build import plain as json_ready
from specimeter.record.model import Record
from specimeter.report import words
from specimeter.report.text import plain, wrapped

UNCHANGED = "The record is as it was: what it holds was judged anew here, by the limits named above."


def summary(record: Record, limits: Limits, judgement: Judgement) -> str:
    """Outcome, what beside the rules decides it, each rule's verdict, cautions."""
    reviewed = record.review.state != "unreviewed"
    outcome = words.outcome(judgement.outcome, reviewed=reviewed).upper()
    lines = wrapped(f"{record.id}: {outcome}", "")
    lines += wrapped(f"by {limits.limits.title}; {limits.limits.basis}; {limits.limits.decision}", "  ")
    of_rules = {f"{verdict.name}: {verdict.because}" for verdict in judgement.verdicts}
    lines += [line for reason in judgement.because if reason not in of_rules for line in wrapped(reason, "  ")]
    lines += ["", "Verdicts"]
    for verdict in judgement.verdicts:
        lines += wrapped(f"{verdict.name}: {words.VERDICTS[verdict.outcome].upper()}. {verdict.because}", "  ")
    return "\n".join([*lines, *_end(record, judgement.cautions)])


def levels(record: Record, entered: Mapping[str, Limits], judgements: Mapping[str, Judgement]) -> str:
    """Rules against levels: which of the levels, strictest first, each size meets."""
    by_rule = _by_rule(judgements)
    rows = [["rule", *judgements, "meets"]]
    for rule, verdicts in by_rule.items():
        cells = [words.VERDICTS[verdicts[name].outcome] if name in verdicts else "-" for name in judgements]
        rows.append([rule, *cells, ", ".join(_met(verdicts)) or "none"])
    outcomes = {name: judgement.outcome for name, judgement in judgements.items()}
    whole = [name for name, outcome in outcomes.items() if outcome == "within"]
    rows.append(["all together", *(one.replace("-", " ") for one in outcomes.values()), ", ".join(whole) or "none"])
    rows = [[plain(cell) for cell in row] for row in rows]
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = wrapped(f"{record.id}: which of the levels entered each size meets", "")
    lines += [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in [*rows[:-1], rows[-1]]
    ]
    lines += [""]
    for name, limits in entered.items():
        lines += wrapped(f"{name} is {limits.limits.title}; {limits.limits.basis}; {limits.limits.decision}", "  ")
        if judgements[name].outcome != "within":
            lines += [line for reason in judgements[name].because for line in wrapped(f"not met: {reason}", "    ")]
    cautions = dict.fromkeys(caution for judgement in judgements.values() for caution in judgement.cautions)
    return "\n".join([*lines, *_end(record, tuple(cautions))])


def as_data(record: Record, entered: Mapping[str, Limits], judgements: Mapping[str, Judgement]) -> dict[str, Any]:
    """The same for a script: one judgement's entries, or with names those of each level under ``levels``."""
    told = {
        name: {
            "title": entered[name].limits.title,
            "basis": entered[name].limits.basis,
            "decision": entered[name].limits.decision,
            "outcome": judgement.outcome,
            "because": list(judgement.because),
            "verdicts": [json_ready(asdict(verdict)) for verdict in judgement.verdicts],
            "cautions": list(judgement.cautions),
        }
        for name, judgement in judgements.items()
    }
    head = {"record": record.id, "reviewed": record.review.state != "unreviewed"}
    if list(told) == [""]:
        return head | told[""]
    return head | {"levels": told, "meets": {rule: _met(verdicts) for rule, verdicts in _by_rule(judgements).items()}}


def _by_rule(judgements: Mapping[str, Judgement]) -> dict[str, dict[str, Verdict]]:
    found: dict[str, dict[str, Verdict]] = {}
    for name, judgement in judgements.items():
        for verdict in judgement.verdicts:
            found.setdefault(verdict.rule, {})[name] = verdict
    return found


def _met(verdicts: Mapping[str, Verdict]) -> list[str]:
    return [name for name, verdict in verdicts.items() if verdict.outcome == "within"]


def _end(record: Record, cautions: tuple[str, ...]) -> list[str]:
    lines = (
        ["", "Cautions", *(line for caution in cautions for line in wrapped(words.sentence(caution), "  "))] if cautions else []
    )
    lines += ["", UNCHANGED]
    if record.review.state == "unreviewed":
        lines += wrapped(f"{words.UNREVIEWED[0].upper()}{words.UNREVIEWED[1:]}.", "")
    return [*lines, *wrapped(words.DECIDES, "")]
