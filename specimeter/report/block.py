"""The plain blocks that a report is made of; HTML and PDF each set them in their own way."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

Block = dict[str, Any]


def section(heading: str, blocks: list[Block]) -> Block:
    """A heading and its blocks, those without rows left out."""
    return {"heading": heading, "blocks": [block for block in blocks if block.get("rows", True)]}


def text(words: str) -> Block:
    """A paragraph."""
    return {"is": "text", "text": words}


def points(items: Iterable[str]) -> Block:
    """A list."""
    return {"is": "points", "items": list(items)}


def facts(rows: list[list[str]], caption: str = "") -> Block:
    """Names and values."""
    return {"is": "facts", "caption": caption, "rows": rows}


def table(
    caption: str, heads: list[str], rows: list[list[str]], *, wide: int = 1, first: float = 0, numbers: tuple[int, ...] = ()
) -> Block:
    """`wide`: the column of running text; `first`: width of the first column in widths of that, 0 for as wide as it needs."""
    layout = {"wide": wide, "first": first, "numbers": list(numbers)}
    return {"is": "table", "caption": caption, "heads": heads, "rows": rows, **layout}
