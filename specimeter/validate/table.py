"""The validation's results as text for a terminal, as Markdown and as JSON."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from specimeter.validate.statistics import Row

HEAD = Row(what="what", goal="goal", specimeter="specimeter", plain="plain pipeline", n="n")
PLAIN_IS = (
    "Plain pipeline: scikit-image local threshold, label, regionprops, one mm per pixel for the whole picture; it is given\n"
    "the true scale at the crown, the true examined area and the true edges, and states one pixel as its U. That is generous."
)


def _cells(row: Row) -> tuple[str, ...]:
    return row.what, row.goal, row.specimeter, row.plain, row.n


def terminal(rows: Sequence[Row], failures: Sequence[tuple[int, str]]) -> str:
    """Columns padded with spaces."""
    lines = [_cells(HEAD), *map(_cells, rows)]
    widths = [max(len(line[column]) for line in lines) for column in range(len(lines[0]))]
    text = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in lines]
    text.insert(1, "  ".join("-" * width for width in widths))
    return "\n".join([*text, "", PLAIN_IS, *_failed(failures)])


def markdown(rows: Sequence[Row], failures: Sequence[tuple[int, str]], about: Mapping[str, Any]) -> str:
    """A page that says when, where and with which version, and the table."""
    lines = ["# Validation on random scenes", "", *(f"- {name}: {value}" for name, value in about.items()), ""]
    lines += ["| " + " | ".join(_cells(HEAD)) + " |", "|" + "---|" * len(_cells(HEAD))]
    lines += ["| " + " | ".join(cell.replace("|", "\\|") for cell in _cells(row)) + " |" for row in rows]
    return "\n".join([*lines, "", PLAIN_IS, *_failed(failures), ""])


def as_json(results: Sequence[Mapping], rows: Sequence[Row], about: Mapping[str, Any]) -> str:
    """Everything: the table's rows and each scene's own results."""
    table = [dict(zip(_cells(HEAD), _cells(row), strict=True)) for row in rows]
    return json.dumps({"about": dict(about), "table": table, "scenes": list(results)}, indent=1, allow_nan=False, default=float)


def _failed(failures: Sequence[tuple[int, str]]) -> list[str]:
    return ["", "Photographs that ended in an error:", *(f"{n:4d}  {message}" for n, message in failures)] if failures else []
