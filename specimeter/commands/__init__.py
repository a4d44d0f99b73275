"""The commands, a module each: `HELP`, `arguments(parser)` and `run(options)`; heavy imports stay in `run`, in `loading`."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager

DONE, FAULT, REFUSED, UNMET, INTERRUPTED = 0, 1, 2, 3, 130


def tell(stage: str) -> None:
    """Say on stderr which stage of a long work has begun."""
    print(f"  {stage} ...", file=sys.stderr, flush=True)


@contextmanager
def loading() -> Iterator[None]:
    """Heavy modules are loaded in a quarter less time where nobody looks for what became free: they stay, all of them."""
    before = len(sys.modules)
    gc.disable()
    try:
        yield
    finally:
        if len(sys.modules) > before:
            gc.freeze()
        gc.enable()
