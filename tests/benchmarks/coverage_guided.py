"""Every reader of foreign files under a fuzzer that follows which branches its input opens. Run by hand; needs atheris, by pip.

    python tests/benchmarks/coverage_guided.py [READER ...] [--seconds 60]

Each reader begins from whole files of its own format and runs in a process of its own with limits: 2 GB of memory, 20 s for one
input. What may come out of it is a value or a `SpecimeterError`; anything else ends the run, exit status 1, and the input that
did it stays in the folder that is printed. Printed for each reader: how many inputs it met, and how it ended. A random search
proves no absence: `tests/test_fuzz.py` holds what is always tried.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SAMPLES, STORED = ROOT / "sample_images", ROOT / "tests" / "record" / "version-1.json"
LIMITS_OF_A_RUN = ("-rss_limit_mb=2048", "-timeout=20", "-max_len=60000", "-print_final_stats=1")
JOURNAL_STATES = [{"v": 0}, {"v": 1, "list": [1, 2, 3]}, {"v": 1, "list": [1, 3]}]


def readers() -> dict[str, tuple[str, Callable[[Path], object]]]:
    """Name -> (the file's name, what reads it). Imports specimeter: in the fuzzing process, once the fuzzer is there."""
    from specimeter_napari import journal

    from specimeter import photo, sheet
    from specimeter.coupon import entered
    from specimeter.judge import limits
    from specimeter.library import calls, collect, intake
    from specimeter.library.exchange import transfer
    from specimeter.record import model
    from specimeter.report import house
    from specimeter.scale import equipment

    return {
        "photo": ("x.jpg", photo.read),
        "sheet": ("x.toml", sheet.read),
        "limits": ("x.toml", limits.read),
        "expression": ("x.txt", _expression),
        "record": ("record.json", model.load),
        "journal": ("x.journal", journal.replay),
        "coco": ("x.json", lambda path: list(transfer.pairs(path, {}))),
        "geojson": ("x.geojson", lambda path: list(transfer.pairs(path, {}))),
        "manifest": ("x.csv", lambda path: list(intake.manifest(path, {}))),
        "result": ("x.json", collect.read),
        "calls": ("x.csv", calls.from_table),
        "equipment": ("equipment.toml", equipment.read),
        "coupon": ("x.toml", entered.read),
        "settings": ("x.toml", house.read),
    }


def _expression(path: Path) -> object:
    from specimeter.judge import limits

    rule = {"id": "r", "kinds": ["pore"], "test": "each", "size": "length_mm", "unit": "mm", "sense": "at most"}
    text = path.read_bytes().decode("utf-8", "replace")
    head = {"title": "t", "basis": "b", "decision": "guarded"}
    return limits.from_tables({"limits": head, "rule": [{**rule, "limit": text}]})


def begin_with(reader: str, folder: Path) -> None:
    """Whole files of the reader's format, small ones: what is fuzzed is the reader, not the decoder's patience."""
    import cv2
    import numpy as np

    texts: list[bytes] = []
    if reader == "photo":
        shade = np.add.outer(np.arange(24), np.arange(32)).astype(np.uint8)
        texts = [cv2.imencode(form, shade)[1].tobytes() for form in (".jpg", ".png", ".tif", ".webp")]
    elif reader in ("sheet", "limits"):
        texts = [path.read_bytes() for path in sorted(SAMPLES.glob(f"*.{reader}.toml"))]
    elif reader == "expression":
        texts = [b"0.1 * parent_thickness_mm", b"min(3, 0.25 * weld_width_mm) + 1", b"2 if parent_thickness_mm > 10 else 3"]
    elif reader == "record":
        texts = [STORED.read_bytes(), (STORED.parent / "sealed" / "record.json").read_bytes()]
    elif reader == "journal":
        from specimeter_napari.journal import Journal

        one = Journal(folder / "whole")
        one.begin({"sha256": "0"}, JOURNAL_STATES[0])
        for number, state in enumerate(JOURNAL_STATES[1:]):
            one.edit(f"edit {number}", state)
        one.close(forget=False)
    elif reader in ("coco", "geojson", "result"):
        sys.path.insert(0, str(ROOT / "tests"))
        import test_fuzz

        texts = [
            json.dumps({"coco": test_fuzz.COCO, "geojson": test_fuzz.GEOJSON, "result": test_fuzz.RESULT}[reader]).encode()
        ]
    elif reader == "manifest":
        texts = [b"file,title,kinds,tags\na.png,A picture,pore;crack,x;y\n"]
    elif reader == "calls":
        texts = [b"item,rater,verdict,value_mm\nA,1,accept,1.0\nA,2,reject,1.2\n"]
    elif reader == "equipment":
        texts = [b'[[item]]\nid = "C-7"\nname = "calliper"\ndue = 2030-01-01\n']
    elif reader == "coupon":
        texts = [b'[coupon]\nid = "C-1"\n\n[[specimen]]\nid = "HW-3-SB1"\ntest = "side-bend"\n']
    else:
        texts = [b'[laboratory]\nname = "Workshop"\naddress = "Street 1"\n\n[report]\nlanguage = "de"\n']
    for number, text in enumerate(texts):
        (folder / f"whole-{number}").write_bytes(text)


def fuzz(reader: str, place: Path, seconds: int) -> None:
    """In this process, until the time is over or something comes out that should not."""
    import atheris

    sys.path[:0] = [str(ROOT), str(ROOT / "plugins")]
    with atheris.instrument_imports(include=["specimeter", "specimeter_napari"]):
        name, read = readers()[reader]
    from specimeter.errors import SpecimeterError

    corpus, work = place / "corpus", place / "work"
    corpus.mkdir(), work.mkdir()
    begin_with(reader, corpus)

    def once(data: bytes) -> None:
        (work / name).write_bytes(data)
        with suppress(SpecimeterError):
            read(work / name)

    atheris.Setup(
        [sys.argv[0], str(corpus), f"-max_total_time={seconds}", f"-artifact_prefix={place}/", *LIMITS_OF_A_RUN], once
    )
    atheris.Fuzz()


def main() -> None:
    """Each reader in turn, in a process of its own."""
    parser = argparse.ArgumentParser(description="Readers of foreign files under a fuzzer that follows branches.")
    parser.add_argument("reader", nargs="*")
    parser.add_argument("--seconds", type=int, default=60, help="for each reader (default: 60)")
    parser.add_argument("--in", dest="place", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.place:
        fuzz(options.reader[0], options.place, options.seconds)
        return
    found = False
    for reader in options.reader or readers():
        place = Path(tempfile.mkdtemp(prefix=f"fuzz-{reader}-"))
        call = [sys.executable, __file__, reader, "--seconds", str(options.seconds), "--in", str(place)]
        run = subprocess.run(
            call, capture_output=True, text=True, errors="replace", env={**os.environ, "PYTHONWARNINGS": "ignore"}
        )
        number = re.search(r"number_of_executed_units: (\d+)", run.stderr)
        inputs = [path for path in place.iterdir() if path.is_file()]
        print(f"{reader:<12} {number[1] if number else '?':>9} inputs, {'whole' if not run.returncode else inputs}", flush=True)
        if run.returncode:
            found = True
            print("\n".join(run.stderr.splitlines()[-40:]))
    raise SystemExit(found)


if __name__ == "__main__":
    main()
