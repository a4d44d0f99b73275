"""Trainees' results brought together: marked again by the kept key, per trainee, per kind and over time, with plots."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal
from xml.etree.ElementTree import SubElement

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from specimeter.errors import LibraryError
from specimeter.library import catalogue, marking
from specimeter.library.entry import Reading, Seen
from specimeter.library.page import add, new, table
from specimeter.library.plot import Plot
from specimeter.library.store import Store
from specimeter.report import words
from specimeter.sheet import KINDS, Kind

FORMAT, VERSION = "specimeter-result", 1
MOST_MARKS, MOST_BYTES = 500, 20_000_000
PARTS = ("finding", "naming", "size", "verdict", "which test")
Point = tuple[Annotated[float, Field(ge=-1e5, le=1e5)], Annotated[float, Field(ge=-1e5, le=1e5)]]


class Part(BaseModel):
    """Frozen; no NaN or infinity."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Mark(Part):
    """One mark: pixels of the picture, the kind named, the length said."""

    shape: Literal["line", "oval"]
    points_px: Annotated[tuple[Point, ...], Field(min_length=2, max_length=200)]
    kind: Kind
    length_mm: Annotated[float, Field(gt=0)] | None = None


class Done(Part):
    """What was done with one task; what the page scored is not taken over."""

    task: str
    marks: Annotated[tuple[Mark, ...], Field(max_length=MOST_MARKS)] = ()
    verdict: Literal["accept", "reject"] | None = None
    choice: str | None = None
    seconds: Annotated[float, Field(ge=0)] = 0.0
    result: dict[str, Any] | None = None
    right: bool | None = None


class Result(Part):
    """A result file, as the page saves it."""

    format: Literal["specimeter-result"]
    version: Literal[1]
    exercise: Annotated[str, Field(pattern="^[0-9a-f]{16}$")]
    title: str = ""
    trainee: Annotated[str, Field(min_length=1, max_length=80)]
    started: str
    finished: str
    tasks: tuple[Done, ...]


def read(path: str | Path) -> Result:
    """A result file; LibraryError says what is wrong with it."""
    path = Path(path)
    try:
        if path.stat().st_size > MOST_BYTES:
            raise LibraryError("this is far too large for a result", file=path)
        result = Result.model_validate_json(path.read_bytes())
        datetime.fromisoformat(result.started)
        return result
    except OSError as error:
        raise LibraryError(f"the result cannot be read: {error.strerror}", file=path) from error
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        field = ".".join(str(part) for part in first["loc"]) or None
        raise LibraryError(first["msg"], file=path, field=field, expected="a result as the exercise's page saves it") from error
    except ValueError as error:
        raise LibraryError(f"the time of its start is no date: {error}", file=path, field="started") from error


def key_of(store: Store, exercise: str) -> dict[str, Any]:
    """The key of an exercise that this library made."""
    path = store.folder / "exercises" / f"{exercise}.json"
    if not path.is_file():
        raise LibraryError(f"this library made no exercise {exercise}", file=path, mend="name the library that made it")
    try:
        return json.loads(path.read_bytes())
    except (OSError, ValueError) as error:
        raise LibraryError(
            f"the key of the exercise cannot be read ({error})", file=path, mend="take it from a copy"
        ) from error


def marked(store: Store, results: Iterable[Result]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Every task marked again, and every item of every reference.

    Returns
    -------
    tasks : pandas.DataFrame
        One row a task: trainee, exercise, when, task, type, finding, named and sized (right, of), verdict, serious, ...
    items : pandas.DataFrame
        One row an item that was asked for: trainee, when, kind, found, named, said and true length in mm.
    """
    tasks, items = [], []
    for result in results:
        key = {task["id"]: task for task in key_of(store, result.exercise)["tasks"]}
        for done in result.tasks:
            if done.task not in key:
                raise LibraryError(f"the exercise has no task {done.task}", field=f"{result.trainee}: tasks")
            task = key[done.task]
            row: dict[str, Any] = {
                "trainee": result.trainee,
                "exercise": result.exercise,
                "when": result.started[:10],
                "started": result.started,
            }
            row |= {"task": done.task, "type": task["type"], "seconds": done.seconds}
            if task["type"] == "which":
                tasks.append({**row, "which": done.choice in task["key"]["right"]})
                continue
            marks = [mark.model_dump() for mark in done.marks]
            told = marking.marked(task["key"], marks, done.verdict)
            tasks.append({**row, "entry": task["entry"], **_row(told, task["key"], done)})
            items += [{**row, "entry": task["entry"], **one} for one in _items(told, task["key"]["items"], marks)]
    return pd.DataFrame(tasks), pd.DataFrame(items)


def _row(told: Mapping[str, Any], key: Mapping[str, Any], done: Done) -> dict[str, Any]:
    return {
        "finding": told["finding"],
        "hits": len(told["hits"]),
        "missed": len(told["missed"]),
        "false": len(told["false"]),
        "named_right": told["named"][0],
        "named_of": told["named"][1],
        "sized_right": told["sized"][0],
        "sized_of": told["sized"][1],
        "verdict_given": done.verdict,
        "verdict_reference": key["verdict"],
        "verdict": told["verdict"],
        "serious": told["serious"],
        "clean": not any(item["scored"] for item in key["items"]),
    }


def _items(
    told: Mapping[str, Any], items: Sequence[Mapping[str, Any]], marks: Sequence[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    by = {item: mark for mark, item in told["hits"]}
    out = []
    for index, item in enumerate(items):
        if item["scored"]:
            mark = marks[by[index]] if index in by else None
            out.append(
                {
                    "item": index,
                    "kind": item["kinds"][0] if item["kinds"] else "disputed",
                    "found": mark is not None,
                    "rejectable": item["rejectable"],
                    "named": mark["kind"] if mark else None,
                    "named_right": bool(mark and mark["kind"] in item["kinds"]) if item["kinds"] and mark else None,
                    "length_mm": item["length_mm"],
                    "said_mm": mark["length_mm"] if mark else None,
                }
            )
    return out


def shares(tasks: pd.DataFrame) -> pd.Series:
    """Finding, naming, size, verdict and which test, each from 0 to 1, NaN where nothing was asked; for one group of tasks."""
    pictures = tasks[tasks["type"] == "mark"]
    questions = tasks[tasks["type"] == "which"]

    def ratio(right: str, of: str) -> float:
        return pictures[right].sum() / pictures[of].sum() if len(pictures) and pictures[of].sum() else float("nan")

    judged = pictures[pictures["verdict"].notna()] if len(pictures) else pictures
    return pd.Series(
        {
            "finding": pictures["finding"].mean() if len(pictures) else float("nan"),
            "naming": ratio("named_right", "named_of"),
            "size": ratio("sized_right", "sized_of"),
            "verdict": (judged["verdict"] == "right").mean() if len(judged) else float("nan"),
            "which test": questions["which"].astype(float).mean() if len(questions) else float("nan"),
        }
    )


def report(tasks: pd.DataFrame, items: pd.DataFrame) -> Any:
    """The page of all results: per trainee, per kind, over time, with plots."""
    page, main = new("Results", "Results")
    add(main, "h1", "Results")
    trainees = sorted(tasks["trainee"].unique())
    add(
        main,
        "p",
        f"{len(trainees)} trainee{'s' if len(trainees) > 1 else ''}, {len(tasks)} tasks, marked by the exercise's key.",
        **{"class": "lead quiet"},
    )
    add(main, "h2", "Each trainee")
    rows = []
    for name in trainees:
        own = tasks[tasks["trainee"] == name]
        share, pictures = shares(own), own[own["type"] == "mark"]
        serious = int(pictures["serious"].astype(bool).sum()) if len(pictures) else 0
        false = int(pictures["false"].sum()) if len(pictures) else 0
        rows.append([name, str(len(own)), *(_percent(share[part]) for part in PARTS), str(serious), str(false)])
    table(main, "Shares right, each marked apart", ["trainee", "tasks", *PARTS, "serious misses", "false marks"], rows)
    if len(items):
        add(main, "h2", "Each kind")
        kinds = [kind for kind in (*KINDS, "disputed") if kind in set(items["kind"])]
        rows, found = [], []
        for kind in kinds:
            own = items[items["kind"] == kind]
            seen = own[own["found"]]
            error = (seen["said_mm"] - seen["length_mm"]).astype(float)
            wrong = seen[seen["named_right"] == False]["named"].value_counts()  # noqa: E712  None is neither
            found.append(own["found"].mean())
            rows.append(
                [
                    words.kind(kind),
                    f"{int(own['found'].sum())} of {len(own)}",
                    _percent(
                        seen["named_right"].dropna().astype(float).mean() if seen["named_right"].notna().any() else float("nan")
                    ),
                    words.kind(wrong.index[0]) if len(wrong) else "–",
                    "–" if error.dropna().empty else f"{error.mean():+.1f} mm".replace("-", "−"),
                ]
            )
        table(
            main, "All trainees together", ["kind", "found", "named right", "most often called", "mean error of length"], rows
        )
        plot = Plot("Share found, by kind", (-0.6, len(kinds) - 0.4), (0, 1), names=kinds, y_title="found")
        plot.bars(found)
        main.append(plot.root)
    add(main, "h2", "Over time")
    dates = sorted(tasks["when"].unique())
    plot = Plot("Finding over time, by trainee", (-0.4, len(dates) - 0.6), (0, 1), names=dates, y_title="finding")
    shown = trainees[:4]
    for row, name in enumerate(shown):
        own = tasks[(tasks["trainee"] == name) & (tasks["type"] == "mark")]
        days = [(index, own[own["when"] == day]["finding"].mean()) for index, day in enumerate(dates)]
        days = [(index, value) for index, value in days if value == value]
        plot.dots([index for index, _ in days], [value for _, value in days], row, joined=True)
    plot.legend(shown)
    main.append(plot.root)
    rows = []
    for name in trainees:
        for day in dates:
            own = tasks[(tasks["trainee"] == name) & (tasks["when"] == day)]
            if len(own):
                share = shares(own)
                rows.append([name, day, str(len(own)), *(_percent(share[part]) for part in PARTS)])
    table(main, "Each day", ["trainee", "day", "tasks", *PARTS], rows)
    note = SubElement(main, "p", {"class": "note"})
    note.text = (
        "Finding weighs a missed rejectable thing three times a false mark. Naming and size are of what was found. "
        "Disputed and very small things are not scored."
    )
    return page


def as_readings(store: Store, results: Iterable[Result], *, who: str = "") -> int:
    """Put results into the library as readings: what this person saw, not knowing what others saw. Returns how many.

    A person's later reading of the same picture takes the place of the earlier one.
    """
    number = 0
    for result in results:
        key = {task["id"]: task for task in key_of(store, result.exercise)["tasks"]}
        for done in result.tasks:
            task = key.get(done.task)
            if task is None or task["type"] != "mark":
                continue
            seen = [_seen(f"m{index}", mark) for index, mark in enumerate(done.marks, start=1)]
            reading = Reading(reader=result.trainee, seen=tuple(seen), verdict=done.verdict)
            entry = catalogue.get(store, task["entry"]).entry
            others = [one for one in entry.readings if one.reader != reading.reader]
            dumped = [one.model_dump(mode="json", exclude_none=True) for one in (*others, reading)]
            catalogue.edit(store, task["entry"], {"readings": dumped}, who=who or result.trainee)
            number += 1
    return number


def _seen(id_: str, mark: Mark) -> Seen:
    """A mark as a feature: an oval becomes an ellipse's outline, a line a narrow one along it."""
    points = np.asarray(mark.points_px, float)
    if mark.shape == "oval":
        middle, half = (points[0] + points[-1]) / 2, np.abs(points[-1] - points[0]) / 2
        turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
        outline = middle + half * np.column_stack([np.cos(turn), np.sin(turn)])
    else:
        line = marking.resampled(points, 13)
        along = np.gradient(line, axis=0)
        across = np.column_stack([-along[:, 1], along[:, 0]]) / np.maximum(np.linalg.norm(along, axis=1), 1e-9)[:, None]
        swell = np.sin(np.linspace(0, np.pi, len(line)))[:, None]
        outline = np.vstack([line + across * swell, (line - across * swell)[-2:0:-1]])
    return Seen(id=id_, kind=mark.kind, outline_px=tuple(map(tuple, outline.round(2).tolist())), length_mm=mark.length_mm)


def _percent(value: float) -> str:
    return "–" if value != value else f"{100 * value:.0f} %"
