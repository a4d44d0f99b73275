"""What several people said of the same things, as two plain tables: calls (verdict and kinds) and sizes."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from pathlib import Path

import pandas as pd

from specimeter.errors import LibraryError
from specimeter.library import collect, marking
from specimeter.library.store import Store
from specimeter.toml_file import nearest

CALLS = ("item", "rater", "repeat", "verdict", "kinds", "reference", "reference_kinds")
SIZES = ("item", "rater", "repeat", "value_mm", "reference_mm")
_VERDICTS = {"within": "accept", "exceeds": "reject", "replace": "reject"}


def from_results(store: Store, results: Sequence[collect.Result]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Calls and sizes from exercise results. The same picture met again, in whatever exercise, is a blind repeat.

    `kinds` is what was marked in the picture, by name, joined by semicolons.
    """
    calls, sizes = [], []
    for result in sorted(results, key=lambda one: one.started):
        key = {task["id"]: task for task in collect.key_of(store, result.exercise)["tasks"]}
        for done in result.tasks:
            task = key.get(done.task)
            if task is None or task["type"] != "mark":
                continue
            marks = [mark.model_dump() for mark in done.marks]
            told = marking.marked(task["key"], marks, done.verdict)
            items = task["key"]["items"]
            item = f"e{task['entry']}"
            common = {"item": item, "rater": result.trainee, "at": result.started}
            true_kinds = sorted({one["kinds"][0] for one in items if one["scored"] and one["kinds"]})
            calls.append(
                {
                    **common,
                    "verdict": done.verdict,
                    "kinds": ";".join(sorted({mark["kind"] for mark in marks})),
                    "reference": task["key"]["verdict"],
                    "reference_kinds": ";".join(true_kinds),
                }
            )
            for mark, index in told["hits"]:
                value, true = marks[mark]["length_mm"], items[index]["length_mm"]
                if value is not None and true is not None:
                    sizes.append({**common, "item": f"{item}.{index}", "value_mm": value, "reference_mm": true})
    return _numbered(calls, CALLS), _numbered(sizes, SIZES)


def from_records(paths: Iterable[str | Path]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Calls and sizes from records of the same photographs by several people, in the order in which they were made.

    The rater is who reviewed the record, else who measured, by its sheet. The size is the greatest length; no reference.
    """
    from specimeter.record import model

    calls, sizes = [], []
    loaded = [(Path(path), model.load(path)) for path in paths]
    for path, record in sorted(loaded, key=lambda pair: pair[1].log[0].when):
        people = record.sheet.get("people") or {}
        who = record.review.by or people.get("measured_by")
        if not who:
            raise LibraryError(
                "the record names nobody who measured or reviewed it",
                file=path,
                mend="fill in people.measured_by, or review it",
            )
        common = {"item": record.photos[0].sha256[:16], "rater": str(who), "at": record.log[0].when}
        kept = [feature for feature in record.features if feature.status != "rejected"]
        kinds = ";".join(sorted({feature.kind for feature in kept}))
        calls.append(
            {**common, "verdict": _VERDICTS.get(record.outcome), "kinds": kinds, "reference": None, "reference_kinds": None}
        )
        lengths = [feature.length_mm for feature in kept if feature.length_mm is not None]
        if lengths:
            sizes.append({**common, "value_mm": max(lengths), "reference_mm": None})
    return _numbered(calls, CALLS), _numbered(sizes, SIZES)


def from_table(path: str | Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Calls and sizes from a CSV table with columns item, rater and any of repeat, verdict, kinds, reference, value_mm, ...

    The names part, appraiser, trial and value are taken for item, rater, repeat and value_mm.
    """
    path = Path(path)
    try:
        frame = pd.read_csv(io.BytesIO(path.read_bytes()), dtype={"item": str, "rater": str, "part": str, "appraiser": str})
    except (OSError, ValueError) as error:
        raise LibraryError(f"the table cannot be read: {error}", file=path, expected="a CSV table in UTF-8") from error
    frame = frame.rename(columns={"part": "item", "appraiser": "rater", "trial": "repeat", "value": "value_mm"})
    known = dict.fromkeys((*CALLS, *SIZES))
    for name in frame.columns:
        if name not in known:
            near = nearest(str(name), known)
            mend = f'the nearest known column is "{near}"' if near else "remove it"
            raise LibraryError(f'unknown column "{name}"', file=path, expected=", ".join(known), mend=mend)
    for name in ("item", "rater"):
        if name not in frame.columns:
            raise LibraryError(f"the table has no column called {name}", file=path, expected=", ".join(known))
    if "repeat" not in frame.columns:
        frame["repeat"] = frame.groupby(["item", "rater"]).cumcount() + 1
    for name in ("value_mm", "reference_mm"):
        if name in frame.columns and not pd.api.types.is_numeric_dtype(frame[name]):
            raise LibraryError("a value is not a number", file=path, field=name, expected="numbers with a decimal point")
    calls = frame.reindex(columns=CALLS).astype(object)
    calls = calls.where(calls.notna(), None)
    sizes = frame.reindex(columns=SIZES)
    return calls[calls["verdict"].notna() | calls["kinds"].notna()], sizes[sizes["value_mm"].notna()]


def _numbered(rows: list[dict], columns: Sequence[str]) -> pd.DataFrame:
    """The rows as a frame, a person's times with one item counted in the order of time."""
    frame = pd.DataFrame(rows, columns=[*(name for name in columns if name != "repeat"), "at"])
    frame["repeat"] = frame.groupby(["item", "rater"]).cumcount() + 1
    return frame.reindex(columns=list(columns))
