"""The commands, one module each: `HELP`, `arguments(parser)` and `run(options)`; heavy imports stay inside `run`."""

from __future__ import annotations

import sys

DONE, FAULT, REFUSED, UNMET, INTERRUPTED = 0, 1, 2, 3, 130


def tell(stage: str) -> None:
    """Say on stderr which stage of a long work has begun."""
    print(f"  {stage} ...", file=sys.stderr, flush=True)
