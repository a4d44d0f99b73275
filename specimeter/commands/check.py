"""`specimeter check`: recompute records and compare, verify hashes, log, issue and signature."""

from __future__ import annotations

import argparse

from specimeter.commands import DONE, UNMET, loading

HELP = "recompute a record and verify that nothing in it was changed"
DESCRIPTION = (
    "Recompute every number of a record from its stored outlines, scale, surface, sheet and limits; verify the hashes of its "
    "files and photographs, the chain of its log, its report, its issue and signature. Earlier versions are read."
)
EPILOG = (
    "Example: specimeter check records/HW-3-SB1\n\n"
    "Exit: 0 everything that could be checked holds; 3 something does not, and it is named; 2 there is no record."
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    parser.add_argument("records", nargs="+", metavar="RECORD", help="folder of a record, or its record.json")
    parser.add_argument(
        "--photo", action="append", default=[], metavar="FILE", help="a photograph that the folder does not keep"
    )
    parser.add_argument("--key", metavar="PUBLIC.pem", help="the public key that must have signed the issue")


def run(options: argparse.Namespace) -> int:
    """Check each record and print what was checked."""
    from pathlib import Path

    with loading():
        from specimeter.audit import audit
        from specimeter.errors import RecordError
        from specimeter.record import seal
        from specimeter.report.text import plain

    key = None if options.key is None else seal.public_key(options.key)
    for record in options.records:
        if not Path(record).exists():
            raise RecordError("there is no such record", file=record, expected="a record's folder, or its record.json")
    sound = True
    for record in options.records:
        print(plain(str(record)))
        steps = audit(record, photo_files=options.photo, key=key)
        for step in steps:
            mark = {True: "ok", False: "FAULT", None: "not checked"}[step.holds]
            for number, told in enumerate(step.told):
                print(f"  {mark if number == 0 else '':11}  {step.name if number == 0 else '':11}  {plain(told)}")
        wrong = sum(step.holds is False for step in steps)
        sound = sound and not wrong
        print("  nothing was found changed" if not wrong else f"  {wrong} of {len(steps)} checks failed")
    return DONE if sound else UNMET
