"""`specimeter issue`: freeze a reviewed record under a report number, sign it, or begin a new revision of an issued one."""

from __future__ import annotations

import argparse

from specimeter.commands import DONE, loading

HELP = "freeze a reviewed record under a report number, and sign it"
DESCRIPTION = (
    "Issue a record whose review is complete: report number and revision, a second person's authorisation, SHA-256 over the "
    "record, the photographs and every other file, and, with --sign, an Ed25519 signature. An issued record is frozen: "
    "--amend begins a new revision, which names the old one's hash; the old one is kept beside it."
)
EPILOG = (
    "Examples: specimeter issue records/HW-3-SB1 --by 'A. Miller' --authorised-by 'B. Smith' --sign key.pem\n"
    "          specimeter issue records/HW-3-SB1 --amend --by 'A. Miller' --why 'client name corrected'\n\n"
    "A key is made by: openssl genpkey -algorithm ed25519 -out key.pem\n"
    "and its public half by: openssl pkey -in key.pem -pubout -out public.pem"
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    parser.add_argument("record", metavar="RECORD", help="folder of a record, or its record.json")
    parser.add_argument("--by", required=True, metavar="NAME", help="who issues (or amends)")
    parser.add_argument("--authorised-by", metavar="NAME2", help="the second person, who authorises")
    parser.add_argument("--number", metavar="TEXT", help="the report's number (default: the specimen's id and the date)")
    parser.add_argument("--sign", metavar="KEY.pem", help="Ed25519 private key to sign with; needs specimeter[sign]")
    parser.add_argument("--amend", action="store_true", help="begin a new revision of an issued record")
    parser.add_argument("--why", metavar="REASON", help="the reason for the amendment")
    parser.add_argument(
        "--photo", action="append", default=[], metavar="FILE", help="a photograph that the folder does not keep"
    )


def run(options: argparse.Namespace) -> int:
    """Issue or amend."""
    from datetime import UTC, datetime

    with loading():
        from specimeter import revise
        from specimeter.record import issue, seal

    now = datetime.now(UTC)
    if options.amend:
        record = revise.revise(
            options.record,
            lambda folder: issue.amend(folder.record, sha256=folder.sha256, by=options.by, why=options.why or "", when=now),
            photo_files=options.photo,
        )
        assert record.amends is not None
        print(f"a new revision of {record.amends.number} is open; the issued one is kept beside it")
        return DONE
    key = None if options.sign is None else seal.private_key(options.sign)
    record = revise.revise(
        options.record,
        lambda folder: issue.issue(
            folder.record,
            number=options.number or issue.next_number(folder.record, now),
            by=options.by,
            authorised_by=options.authorised_by or "",
            when=now,
        ),
        photo_files=options.photo,
        seal=lambda record, contents: seal.files(record, contents, key),
    )
    assert record.issue is not None
    print(f"issued as {record.issue.number}, revision {record.issue.revision}; head of the log {record.log[-1].hash}")
    return DONE
