"""`specimeter batch`: many photographs in one run, resumable, with one summary."""

from __future__ import annotations

import argparse

from specimeter.commands import DONE, UNMET
from specimeter.rounding import counted

HELP = "measure many photographs, resumable, with one summary"
DESCRIPTION = (
    "Measure every photograph of a folder that has a sheet beside it (bend.jpg, bend.sheet.toml, perhaps bend.limits.toml), or "
    "those of a manifest, on all processors of this machine or on the workers of a scheduler. One bad file does not stop the "
    "rest. Run the same command again after an interruption: what was measured is kept. Writes a record for each, summary.csv, "
    "summary.xlsx and index.html."
)
EPILOG = (
    "Examples: specimeter batch photographs --limits limits.toml --out records\n"
    "          specimeter batch manifest.csv --out records --scheduler tcp://10.0.0.5:8786\n\n"
    "A manifest is CSV with the head line photo,sheet,limits; its paths are seen from where it lies.\n"
    "Several photographs of one specimen stand in one row: half-a.jpg; half-b.jpg\n"
    "Exit: 0 all were measured, whatever the verdicts; 3 some could not be, and the summary says why; 2 an input was refused."
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    parser.set_defaults(stopped="what was finished is kept, and the same command goes on from there")
    parser.add_argument("source", metavar="FOLDER|MANIFEST.csv", help="folder of photographs and sheets, or a manifest")
    parser.add_argument("--out", required=True, metavar="DIR", help="folder for the records and the summary")
    parser.add_argument("--limits", metavar="L.toml", help="limits for those that have none of their own")
    parser.add_argument("--method", default="learned", metavar="NAME", help="which segmenter proposes (default: learned)")
    parser.add_argument("--settings", metavar="settings.toml", help="the laboratory's name, logo and language")
    parser.add_argument("--workers", type=int, metavar="N", help="processes on this machine (default: one for each processor)")
    parser.add_argument("--scheduler", metavar="ADDRESS", help="a running dask scheduler instead; needs specimeter[cluster]")
    parser.add_argument("--quiet", action="store_true", help="no progress lines")


def run(options: argparse.Namespace) -> int:
    """Do what is left, write the summary, say how it went."""
    from datetime import UTC, datetime
    from pathlib import Path

    from specimeter.batch import summary, tasks, work
    from specimeter.batch.run import run as run_batch
    from specimeter.errors import SpecimeterError
    from specimeter.files import write
    from specimeter.report import text

    if options.workers is not None and not 1 <= options.workers <= 256:
        raise SpecimeterError(f"got {options.workers} processes", field="--workers", expected="from 1 to 256")
    out = Path(options.out)
    todo = tasks.read(options.source, out=out, limits=options.limits, method=options.method, settings=options.settings)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SpecimeterError(f"the folder cannot be made ({error.strerror})", file=out, expected="a folder") from error
    notes = run_batch(
        todo,
        workers=options.workers,
        scheduler=options.scheduler,
        progress=(lambda *_: None) if options.quiet else _tell,
    )
    for name, data in summary.files(notes, out, datetime.now(UTC)).items():
        write(out / name, data)
    wrong = [note for note in notes if note["status"] == work.FAILED]
    print(f"{len(notes) - len(wrong)} of {counted(len(notes), 'photograph')} measured")
    for note in wrong:
        print("\n".join(text.wrapped(f"{note['photo']}: {note['problem'].splitlines()[0]}", "  ")))
    print(f"\nSummary  {out / 'index.html'}\n         {out / 'summary.csv'}\n         {out / 'summary.xlsx'}")
    return UNMET if wrong else DONE


def _tell(finished: int, failed: int, total: int, left_s: float | None) -> None:
    import sys

    line = f"  {finished} of {total}" + (f", {failed} failed" if failed else "")
    if left_s is None:
        line += " done before"
    elif finished < total:
        minutes, seconds = divmod(round(left_s), 60)
        line += f", about {f'{minutes} min ' if minutes else ''}{seconds} s left"
    print(line, file=sys.stderr, flush=True)
