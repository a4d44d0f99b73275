"""The validation's results as text for a terminal, as Markdown, as JSON and as a dated PDF."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from specimeter.library.study import Section
from specimeter.library.study_report import as_pdf as set_as_pdf
from specimeter.validate import acceptance, groups
from specimeter.validate.statistics import Row

HEAD = ("what", "goal", "kept", "specimeter", "beside it", "n")
PLAIN_IS = (
    "Beside it: a plain scikit-image pipeline (local threshold, label, regionprops, one mm per pixel for the whole picture) "
    "that is given the true scale at the crown, the true examined area and the true edges, and states one pixel as its U. "
    "That is generous."
)
HAND_IS = "Beside it: a careful hand whose clicks are 1 px off, computed from the truth."
CAVEAT = (
    "The scenes are this project's own drawings: other photographs will be harder. A figure that keeps its goal here says "
    "nothing of a weld: the tool measures and compares with limits that were entered, and the authorised inspector decides."
)


@dataclass(frozen=True, kw_only=True)
class Part:
    """One kind of test: its title, its table, the errors that ended scenes, what stands beside, each group by itself,
    and every scene's results.
    """

    title: str
    rows: Sequence[Row]
    failures: Sequence[tuple[int, str]]
    beside: str
    groups: Sequence[tuple[str, ...]]  # rows under groups.HEAD
    results: Sequence[Mapping[str, Any]]


def _cells(row: Row) -> tuple[str, ...]:
    return row.what, row.goal, acceptance.word(row), row.specimeter, row.plain, row.n


def tally(parts: Iterable[Part]) -> str:
    """How many of the stated goals were kept, as a sentence."""
    kept = [answer for part in parts for row in part.rows if (answer := acceptance.met(row)) is not None]
    few = sum(acceptance.word(row) == "few" for part in parts for row in part.rows)
    told = f"; for {few} more too few were measured to tell (few)" if few else ""
    return f"{sum(kept)} of {len(kept)} stated goals were kept{told}."


def terminal(parts: Sequence[Part]) -> str:
    """Columns padded with spaces."""
    text = []
    for part in parts:
        text += [part.title, "", *_padded([HEAD, *map(_cells, part.rows)]), "", part.beside, *_failed(part.failures), ""]
        if part.groups:
            text += [*_padded([groups.HEAD, *part.groups]), ""]
    return "\n".join([*text, tally(parts)])


def _padded(lines: Sequence[tuple[str, ...]]) -> list[str]:
    widths = [max(len(line[column]) for line in lines) for column in range(len(lines[0]))]
    told = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in lines]
    told.insert(1, "  ".join("-" * width for width in widths))
    return told


def markdown(parts: Sequence[Part], about: Mapping[str, Any]) -> str:
    """A page that says when, where and with which version, and the tables."""
    text = ["# Validation on random scenes", "", *(f"- {name}: {value}" for name, value in about.items()), ""]
    for part in parts:
        text += [f"## {part.title}", "", *_ruled([HEAD, *map(_cells, part.rows)])]
        text += ["", part.beside, *_failed(part.failures), ""]
        if part.groups:
            text += [*_ruled([groups.HEAD, *part.groups]), ""]
    return "\n".join([*text, tally(parts), "", CAVEAT, ""])


def _ruled(lines: Sequence[tuple[str, ...]]) -> list[str]:
    told = ["| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in lines]
    told.insert(1, "|" + "---|" * len(lines[0]))
    return told


def as_json(parts: Sequence[Part], about: Mapping[str, Any]) -> str:
    """Everything: each table's rows and each scene's own results."""
    told = [
        {
            "title": part.title,
            "table": [dict(zip(HEAD, _cells(row), strict=True)) for row in part.rows],
            "groups": [dict(zip(groups.HEAD, line, strict=True)) for line in part.groups],
            "scenes": list(part.results),
        }
        for part in parts
    ]
    return json.dumps({"about": dict(about), "parts": told}, indent=1, allow_nan=False, default=float)


def as_pdf(parts: Sequence[Part], about: Mapping[str, Any], *, when: datetime) -> bytes:
    """A dated sheet for an auditor, PDF/A-2b: what was run, each table, what the figures do not say."""
    ran = Section(heading="What was run")
    ran.table("Installation and scenes", ["item", "value"], [[name, str(value)] for name, value in about.items()])
    ran.text(tally(parts))
    sections = [ran]
    for part in parts:
        section = Section(heading=part.title)
        section.table("Goals and figures", HEAD, [_cells(row) for row in part.rows])
        for line in filter(None, (part.beside, *_failed(part.failures))):
            section.text(line)
        if part.groups:
            section.table("Each group of scenes by itself", groups.HEAD, part.groups)
        sections.append(section)
    last = Section(heading="What this does not say")
    last.text(CAVEAT)
    return set_as_pdf([*sections, last], "Validation sheet", when=when)


def _failed(failures: Sequence[tuple[int, str]]) -> list[str]:
    return ["", "Photographs that ended in an error:", *(f"{n:4d}  {message}" for n, message in failures)] if failures else []
