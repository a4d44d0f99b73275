"""`specimeter measure`: photographs of one specimen, its sheet and limits become a record and its report."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING

from specimeter.commands import DONE, loading, tell

if TYPE_CHECKING:
    from pathlib import Path
    from typing import TextIO

    from specimeter.photo import Photo
    from specimeter.record.model import Record

HELP = "measure what photographs of a specimen show and write the record and its report"
DESCRIPTION = (
    "Measure what one photograph of a bend face, a broken face or a section shows, or several of one specimen: both halves of "
    "a fracture, say. Each photograph has its own scale and examined area, and all must be good enough for `within`. Writes "
    "DIR/<specimen id>/ with record.json, features.csv, overlay.png, report.html and report.pdf."
)
EPILOG = (
    "Examples: specimeter measure bend.jpg --sheet bend.sheet.toml --limits limits.toml --out records\n"
    "          specimeter measure half-a.jpg half-b.jpg --sheet nick.sheet.toml --out records\n\n"
    "What the sheet gives in pixels holds for the first photograph; a table [[other_photo]] for each later one may hold\n"
    "its own axis, scale, region, weld_axis_px, camera_file. Pictures of one imperfection are linked in the review (--same),\n"
    "and it counts once, at its larger size.\n\n"
    "Exit: 0 measured and recorded, whatever the verdict; 2 an input was refused and nothing was written;\n"
    "1 a fault of the tool."
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    parser.add_argument("photo", metavar="PHOTO", nargs="+", help="photograph (JPEG, PNG, TIFF, HEIC); several of one specimen")
    parser.add_argument("--sheet", required=True, metavar="S.toml", help="what the specimen is and how it was tested")
    parser.add_argument("--limits", metavar="L.toml", help="the acceptance limits that you enter from your code")
    parser.add_argument("--out", required=True, metavar="DIR", help="folder for the record")
    parser.add_argument("--replace", action="store_true", help="put the new record in place of an existing one, which is kept")
    parser.add_argument(
        "--method",
        default="learned",
        metavar="NAME",
        help="which segmenter proposes: learned (default), openings; broken faces have their own",
    )
    parser.add_argument(
        "--settings", metavar="settings.toml", help="laboratory, logo, language (default: settings.toml beside the sheet)"
    )
    parser.add_argument(
        "--equipment", metavar="E.toml", help="the equipment register (default: equipment.toml beside the sheet)"
    )
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout, people's text on stderr")
    parser.add_argument("--quiet", action="store_true", help="no progress lines")


def run(options: argparse.Namespace) -> int:
    """Measure, write, print the finding."""
    from concurrent.futures import ThreadPoolExecutor
    from importlib import import_module

    first, beside = options.photo[0], ThreadPoolExecutor(2)
    with loading():
        from specimeter import photo as photos

        decoded = beside.submit(_lit, first)  # decoding leaves the loading of modules alone
        from specimeter import job
        from specimeter.report import text

        import_module("scipy.special")  # of SciPy, the part that the scale asks for
    beside.submit(_load_further)

    talk = sys.stderr if options.json else sys.stdout
    record, folder = job.measure(
        options.photo,
        options.sheet,
        options.limits,
        out=options.out,
        replace=options.replace,
        method=options.method,
        settings_file=options.settings,
        register_file=options.equipment,
        progress=(lambda stage: None) if options.quiet else tell,
        read=lambda file: decoded.result() if file == first else photos.read(file),
    )
    try:
        _print_finding(text.summary(record), record, folder, talk, as_json=options.json)
    except BrokenPipeError:
        raise
    except OSError as error:
        reason = error.strerror or error
        print(f"specimeter: the record is in {folder}, but it could not be printed here ({reason})", file=sys.stderr)
        sys.stdout = None  # what is left in it would fail again on leaving
    return DONE


def _load_further() -> None:
    """Load what nearly every photograph asks for after its scale."""
    from importlib import import_module

    with loading():
        for name in ("scipy.ndimage", "scipy.spatial", "scipy.fft", "scipy.optimize", "xlsxwriter"):
            import_module(name)


def _lit(file: str) -> Photo:
    """The photograph with its linear light, which every stage asks for."""
    from specimeter import photo as photos

    photo = photos.read(file)
    photo.linear()
    return photo


def _print_finding(summary: str, record: Record, folder: Path, talk: TextIO, *, as_json: bool) -> None:
    print(summary, file=talk)
    print(f"\nRecord  {folder}\nReport  {folder / 'report.html'}\n        {folder / 'report.pdf'}", file=talk)
    if as_json:
        data = record.model_dump(mode="json", exclude_none=True)
        answer = {
            "record": str(folder / "record.json"),
            "outcome": data["outcome"],
            "features": data["features"],
            "mm_per_px": data["scales"][0]["mm_per_px"],
        }
        print(json.dumps(answer, ensure_ascii=False, allow_nan=False))
    for stream in filter(None, (talk, sys.stdout)):
        stream.flush()
