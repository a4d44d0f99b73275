"""One task of a batch, done so that doing it twice gives one record: the note of what came of it is written last."""

from __future__ import annotations

import json
import time
import traceback
from pathlib import Path
from typing import Any

from specimeter.batch.tasks import Task
from specimeter.errors import SpecimeterError

NOTES = ".batch"
MEASURED, FAILED = "measured", "failed"


def do(task: Task) -> dict[str, Any]:
    """Measure one specimen's photographs; what went wrong is in the note that comes back, never raised.

    A note has `photo`, `key`, `status` (``measured`` or ``failed``), `seconds`, and `record` (the folder's name) or `problem`.
    """
    began = time.perf_counter()
    note: dict[str, Any] = {"photo": task.name, "key": task.key()}
    try:
        note |= {"status": MEASURED, "record": _measure(task)}
    except SpecimeterError as error:
        note |= {"status": FAILED, "problem": str(error)}
    except Exception:
        note |= {"status": FAILED, "problem": "a fault of the tool, not of the input:\n" + traceback.format_exc(limit=-6)}
    note["seconds"] = round(time.perf_counter() - began, 2)
    _write(task, note)
    return note


def failed(task: Task, problem: str) -> dict[str, Any]:
    """The note of a task that could not even be begun, or whose process died."""
    note = {"photo": task.name, "key": task.key(), "status": FAILED, "problem": problem, "seconds": 0.0}
    _write(task, note)
    return note


def done(task: Task) -> dict[str, Any] | None:
    """The note of an earlier run, if it measured just this and its record is still there; else None."""
    try:
        note = json.loads(_note_file(task).read_bytes())
    except (OSError, ValueError):
        return None
    if not isinstance(note, dict):
        return None
    there = note.get("status") == MEASURED and (Path(task.out) / str(note.get("record")) / "record.json").is_file()
    return note if there and note.get("key") == task.key() else None


def one_thread() -> None:
    """Before the first task of a process: the tasks share the processors, so each keeps to one."""
    import cv2

    cv2.setNumThreads(1)


def _measure(task: Task) -> str:
    """The name of the record's folder; a record of just this photograph and sheet that is there already is taken as it is."""
    from specimeter import job
    from specimeter import sheet as sheets
    from specimeter.record import store

    sheet = sheets.read(task.sheet)
    there = Path(task.out) / store.folder_name(sheet.specimen.id)
    if there.exists() and _same(task, there, sheet):
        return there.name
    try:
        _, folder = job.measure(
            task.photos, task.sheet, task.limits, out=task.out, method=task.method, settings_file=task.settings
        )
    except SpecimeterError:
        if there.exists() and _same(task, there, sheet):  # another process was quicker with the same task
            return there.name
        raise
    return folder.name


def _same(task: Task, there: Path, sheet: Any) -> bool:
    """Whether the record is of these photographs, sheet, limits and method, and sound."""
    from specimeter import photo as photos
    from specimeter.judge import limits as judge_limits
    from specimeter.record import build, folder

    try:
        record = folder.sound(there).record
        limits = None if task.limits is None else judge_limits.read(task.limits)
        entered = None if limits is None else build.plain(limits.model_dump(mode="json", exclude_none=True))
        return (
            [photo.sha256 for photo in record.photos] == [photos.read(photo).sha256 for photo in task.photos]
            and record.sheet == build.plain(sheet.model_dump(mode="json", exclude_none=True))
            and record.limits == entered
            and record.tool.settings.get("segmenter") == task.method
        )
    except SpecimeterError:
        return False


def _note_file(task: Task) -> Path:
    return Path(task.out) / NOTES / f"{task.key()}.json"


def _write(task: Task, note: dict[str, Any]) -> None:
    from specimeter.files import put

    put(_note_file(task), json.dumps(note, ensure_ascii=False).encode("utf-8", "replace"))
