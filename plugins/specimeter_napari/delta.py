"""What changed from one piece of JSON data to the next, small enough to be written down after every stroke."""

from __future__ import annotations

import marshal
from typing import Any

SET, TABLE, ITEMS, TAIL = "=", "~", "#", "+"


def between(old: Any, new: Any) -> list:
    """The change from `old` to `new`, itself JSON data: `applied(old, between(old, new)) == new`.

    Tables are compared key by key, lists whose items all carry distinct ids item by item, a list that only grew keeps its
    beginning; everything else is replaced whole.
    """
    if isinstance(old, dict) and isinstance(new, dict):
        changed = {key: between(old[key], value) if key in old else [SET, value] for key, value in new.items()}
        changed = {key: change for key, change in changed.items() if not (key in old and _same(old[key], new[key]))}
        return [TABLE, changed, [key for key in old if key not in new]]
    if isinstance(old, list) and isinstance(new, list):
        before, after = _by_id(old), _by_id(new)
        if before is not None and after is not None:
            changed = {id: item for id, item in after.items() if not _same(before.get(id), item)}
            return [ITEMS, list(after), changed]
        if len(new) >= len(old) and _same(new[: len(old)], old):
            return [TAIL, new[len(old) :]]
    return [SET, new]


def applied(old: Any, change: list) -> Any:
    """`old` after a change; parts that did not change are shared, not copied."""
    how, what, *rest = change
    if how == SET:
        return what
    if how == TAIL:
        return [*old, *what]
    if how == ITEMS:
        before, changed = _by_id(old) or {}, rest[0]
        return [changed.get(id, before.get(id)) for id in what]
    kept = {key: value for key, value in old.items() if key not in rest[0]}
    return kept | {key: applied(old.get(key), inner) for key, inner in what.items()}


def _same(one: Any, other: Any) -> bool:
    """Equal as JSON, where 1, 1.0 and true are three things: compared byte by byte, which is quick for long outlines."""
    return one is other or (one == other and marshal.dumps(one, 2) == marshal.dumps(other, 2))


def _by_id(items: list) -> dict[str, Any] | None:
    if not items or not all(isinstance(item, dict) and isinstance(item.get("id"), str) for item in items):
        return None
    table = {item["id"]: item for item in items}
    return table if len(table) == len(items) else None
