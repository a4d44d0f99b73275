"""A batch from its tasks to its notes: what an earlier run did is kept, the rest is done in processes or by a scheduler."""

from __future__ import annotations

import multiprocessing
import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import Any

from specimeter.batch import tasks as batch_tasks
from specimeter.batch import work
from specimeter.batch.tasks import BatchError, Task

Note = dict[str, Any]
Progress = Callable[[int, int, int, float | None], None]
REACHED_S = 8  # a scheduler that has not answered by then is not there
DIED = "the process that measured it died (out of memory, or a fault in a library): measure it alone to see more"


def run(
    tasks: Sequence[Task],
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress = lambda finished, failed, total, left_s: None,
) -> list[Note]:
    """Do every task and give their notes in the order of the tasks.

    Parameters
    ----------
    workers : int, optional
        Processes on this machine; by default one for each processor.
    scheduler : str, optional
        Address of a running ``dask.distributed`` scheduler, ``tcp://host:8786``; its workers must see the same files.
    progress : callable
        Told after each task: how many are finished, how many of them failed, how many there are, and the seconds left (None
        while it cannot be told).

    Raises
    ------
    BatchError
        If the scheduler cannot be reached.
    """
    notes: dict[int, Note] = {number: note for number, task in enumerate(tasks) if (note := work.done(task)) is not None}
    begun, before = time.monotonic(), len(notes)

    def keep(number: int, note: Note) -> None:
        notes[number] = note
        now = len(notes) - before
        left = (time.monotonic() - begun) / now * (len(tasks) - len(notes))
        progress(len(notes), sum(one["status"] == work.FAILED for one in notes.values()), len(tasks), left)

    if notes:
        progress(len(notes), 0, len(tasks), None)
    for number, problem in batch_tasks.twins(list(tasks)).items():
        if number not in notes:
            keep(number, work.failed(tasks[number], problem))
    left = [(number, task) for number, task in enumerate(tasks) if number not in notes]
    doing = _scheduled(left, scheduler) if scheduler else _in_processes(left, workers or os.cpu_count() or 1)
    for number, note in doing:
        keep(number, note)
    return [notes[number] for number in range(len(tasks))]


def _in_processes(left: Iterable[tuple[int, Task]], workers: int) -> Iterator[tuple[int, Note]]:
    """Tasks in a pool; where a process dies, those that were under way are tried once more, each in a process of its own."""
    waiting = list(left)
    suspects: list[tuple[int, Task]] = []
    while waiting:
        under_way: dict[Future, tuple[int, Task]] = {}
        with _pool(min(workers, len(waiting))) as pool:
            try:
                while waiting or under_way:
                    while waiting and len(under_way) < workers:
                        entry = waiting.pop(0)
                        try:
                            under_way[pool.submit(work.do, entry[1])] = entry
                        except BrokenProcessPool:
                            waiting.insert(0, entry)
                            raise
                    for future in wait(under_way, return_when=FIRST_COMPLETED).done:
                        note = future.result()
                        yield under_way.pop(future)[0], note
            except BrokenProcessPool:
                suspects += under_way.values()
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                raise
    for number, task in suspects:
        yield number, work.done(task) or _alone(task)


def _alone(task: Task) -> Note:
    with _pool(1) as pool:
        try:
            return pool.submit(work.do, task).result()
        except BrokenProcessPool:
            return work.failed(task, DIED)


def _pool(workers: int) -> ProcessPoolExecutor:
    context = multiprocessing.get_context("spawn")  # a fork would copy the threads' locks of numerical libraries
    return ProcessPoolExecutor(max_workers=workers, mp_context=context, initializer=work.one_thread)


def _scheduled(left: Iterable[tuple[int, Task]], address: str) -> Iterator[tuple[int, Note]]:
    """Tasks on the workers of a scheduler; those of a worker that is lost are done by another, and give the same record."""
    try:
        from distributed import Client, as_completed
        from distributed.scheduler import KilledWorker
    except ImportError as error:
        raise BatchError(
            "a scheduler needs the library distributed, which is not installed", mend="pip install 'specimeter[cluster]'"
        ) from error
    left = list(left)
    if not left:
        return
    try:
        client = Client(address, timeout=REACHED_S)
    except (OSError, TimeoutError, ValueError) as error:
        raise BatchError(
            f"the scheduler at {address} cannot be reached ({type(error).__name__})",
            field="--scheduler",
            expected="the address of a running dask scheduler, such as tcp://127.0.0.1:8786",
        ) from error
    with client:
        futures = {client.submit(work.do, task, pure=False, retries=2): (number, task) for number, task in left}
        try:
            for future in as_completed(futures):
                number, task = futures[future]
                try:
                    yield number, future.result()
                except KilledWorker:
                    yield number, work.failed(task, DIED)
        except BaseException:
            client.cancel(list(futures))
            raise
