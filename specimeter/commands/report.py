"""`specimeter report`: draw a record's report again, perhaps in another language or with another letterhead."""

from __future__ import annotations

import argparse

from specimeter.commands import DONE, loading

HELP = "render the report of a record again"
DESCRIPTION = (
    "Render overlay, CSV, XLSX, HTML, PDF and the slide of a record again, in its own folder, or with --out into another one "
    "without the photographs. The record itself stays as it is."
)
EPILOG = """Example: specimeter report records/HW-3-SB1 --settings settings.toml --out for-the-client

settings.toml may say, with the logo's file beside it:

    language = 'de'
    logo = 'logo.png'
    [laboratory]
    name = 'Example workshop'
    address = '1 Quay Street, 20000 Harbour'"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    parser.add_argument("record", metavar="RECORD", help="folder of a record, or its record.json")
    parser.add_argument("--settings", metavar="settings.toml", help="the laboratory's name, logo and language")
    parser.add_argument("--out", metavar="DIR", help="write the report there, without the photographs and the record")
    parser.add_argument(
        "--photo", action="append", default=[], metavar="FILE", help="a photograph that the folder does not keep"
    )


def run(options: argparse.Namespace) -> int:
    """Render and write."""
    from pathlib import Path

    with loading():
        from specimeter import job, revise
        from specimeter.errors import RecordError
        from specimeter.files import put
        from specimeter.record import folder as folders
        from specimeter.report import house as houses

    house = None if options.settings is None else houses.read(options.settings)
    if options.out is None:
        record = folders.read(options.record).record
        if record.issue is not None:
            raise RecordError(
                f"the record was issued as {record.issue.number} and is frozen, its report with it",
                file=options.record,
                mend="render a copy: --out DIR",
            )
        revise.revise(options.record, lambda folder: folder.record, photo_files=options.photo, house=house)
        print(Path(options.record) / "report.html")
        return DONE
    folder = folders.sound(options.record)
    house = houses.beside(folder.path) if house is None else house
    files = job.report_files(revise.photographs(folder, options.photo), folder.record, house)
    out = Path(options.out)
    try:
        for name, data in files.items():
            print(put(out / name, data))
    except OSError as error:
        raise RecordError(f"the report cannot be written ({error.strerror})", file=out, expected="a folder") from error
    return DONE
