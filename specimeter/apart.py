"""Decoding apart: a picture that is huge, or claims more than its bytes hold, in a process with a limit on its memory.

Ordinary photographs are decoded where they are read. These few are not trusted: whatever a decoder does with them, crash or
grow, happens in a process of its own, which the system ends at the limit.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np

from specimeter import decode

HUGE_PX = 60_000_000
DENSE_PX, LEAST_BYTES = 16_000_000, 1 / 300  # a pixel: photographs take 0.1 byte to 3, a picture that means harm a thousandth
BASE_BYTES, PER_PX = 2_500_000_000, 24  # address space: Python with its libraries, and copies while a pixel is decoded
SECONDS = 180
REFUSED, NO_MEMORY = 3, 4


def wanted(data: bytes, size: tuple[int, int]) -> bool:
    """Whether a file of that content, whose head claims that width and height, is to be decoded apart."""
    count = size[0] * size[1]
    return count > HUGE_PX or (count > DENSE_PX and len(data) < LEAST_BYTES * count)


def pixels(data: bytes, kind: str, size: tuple[int, int]) -> np.ndarray:
    """As `decode.pixels`, from another process.

    Raises
    ------
    decode.Undecodable
        As there; or the decoder crashed, or takes too long.
    MemoryError
        It would take more memory than a picture of that size may.
    """
    limit = BASE_BYTES + PER_PX * size[0] * size[1]
    own = str(Path(__file__).resolve().parents[1])
    paths = os.pathsep.join(filter(None, [own, os.environ.get("PYTHONPATH")]))
    call = [sys.executable, "-m", __name__, kind, str(limit)]
    environment = {**os.environ, "PYTHONPATH": paths, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    try:
        run = subprocess.run(call, input=data, capture_output=True, env=environment, timeout=SECONDS)
    except subprocess.TimeoutExpired as error:
        raise decode.Undecodable(f"decoding it takes more than {SECONDS} s", "use the camera's original photo") from error
    if run.returncode == REFUSED:
        raise decode.Undecodable(*json.loads(run.stdout))
    if run.returncode == NO_MEMORY:
        raise MemoryError
    if run.returncode:
        raise decode.Undecodable("its decoder crashed on it: it is damaged, or means harm", "copy it from the camera again")
    head, _, body = run.stdout.partition(b"\n")
    told = json.loads(head)
    return np.frombuffer(body, told["dtype"]).reshape(told["shape"])


def main(kind: str, limit: int) -> int:
    """In the process of its own: the file from stdin, its pixels to stdout behind one line of JSON."""
    try:
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    except (ImportError, ValueError, OSError):  # not POSIX, or a lower limit is set already: then that one holds
        pass
    out = sys.stdout.buffer
    try:
        data = sys.stdin.buffer.read()
        with decode.strictly():
            found = np.ascontiguousarray(decode.pixels(data, decode.header(data, kind), kind))
        out.write(json.dumps({"dtype": found.dtype.str, "shape": found.shape}).encode() + b"\n")
        out.write(found.data.cast("B"))
    except decode.Undecodable as error:
        out.write(json.dumps([error.problem, error.mend]).encode())
        return REFUSED
    except MemoryError:
        return NO_MEMORY
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], int(sys.argv[2])))
