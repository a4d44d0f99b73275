"""What a window that was killed left behind, told in a few lines before anything is done with it."""

from __future__ import annotations

from specimeter.record.model import Record
from specimeter_napari import look
from specimeter_napari.journal import Replayed

MOST = 6


def told(left: Replayed, written: Record | None) -> list[str]:
    """How many edits there are, the last ones by name, and how the features differ from what is written."""
    done = left.states[1 : left.at + 1]
    lines = [f"{len(done)} {'edit was' if len(done) == 1 else 'edits were'} made after the last time it was written."]
    if len(done) > MOST:
        lines.append(f"The last {MOST}: " + ", ".join(label for label, _ in done[-MOST:]) + ".")
    elif done:
        lines.append(", ".join(label for label, _ in done).capitalize() + ".")
    lines += differs(written, left.made[left.at].record)
    if not left.whole:
        lines.append("The edit that was in hand when the window ended is missing.")
    return lines


def differs(written: Record | None, found: Record | None) -> list[str]:
    """One line for each feature that is not as written, and one for the outcome."""
    if found is None:
        return []
    before = {} if written is None else {feature.id: feature for feature in written.features}
    lines = []
    for feature in found.features:
        old = before.get(feature.id)
        now = look.STATUS_WORD[feature.status]
        if old is None:
            lines.append(f"{feature.id}: {now}, not in the written record")
        elif old != feature:
            lines.append(f"{feature.id}: {now} (written: {look.STATUS_WORD[old.status]})")
    shown = lines[:MOST] + ([f"and {len(lines) - MOST} more"] if len(lines) > MOST else [])
    if written is not None and written.outcome != found.outcome:
        shown.append(f"outcome: {found.outcome} (written: {written.outcome})")
    return shown
