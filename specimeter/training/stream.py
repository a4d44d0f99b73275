"""Examples as they are made: processes draw them one after the other while a network is trained on those that are there."""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from typing import Any


class Stream:
    """Calls `make(seed)` for one seed after the other in processes of their own; `taken(seed, example)` gets what they return.

    `taken` runs in a thread of its own, one example at a time; None, where nothing could be drawn, is left out.
    """

    def __init__(self, make: Callable[[int], Any], seeds: Iterable[int], jobs: int, taken: Callable[[int, Any], None]) -> None:
        self.open = True
        self.pool = ProcessPoolExecutor(jobs, mp_context=multiprocessing.get_context("spawn"))
        self.thread = threading.Thread(target=self._fill, args=(make, iter(seeds), 2 * jobs, taken), daemon=True)
        self.thread.start()

    def _fill(self, make: Callable[[int], Any], seeds: Iterator[int], ahead: int, taken: Callable[[int, Any], None]) -> None:
        waiting = {self.pool.submit(make, seed): seed for seed, _ in zip(seeds, range(ahead), strict=False)}
        while waiting and self.open:
            done = next(as_completed(waiting))
            seed, example = waiting.pop(done), done.result()
            following = next(seeds, None)
            if following is not None:
                try:
                    waiting[self.pool.submit(make, following)] = following
                except RuntimeError:  # closed meanwhile
                    return
            if example is not None:
                taken(seed, example)

    def close(self) -> None:
        """No more examples."""
        self.open = False
        self.pool.shutdown(wait=False, cancel_futures=True)
