"""`specimeter coupon`: the outcome over all specimens of a test piece, and one summary report."""

from __future__ import annotations

import argparse

from specimeter.commands import DONE

HELP = "the outcome over all specimens of a test piece, with one summary report"
DESCRIPTION = (
    "Put together the records of all specimens cut from one test piece: which are missing, which failed, what took their place "
    "by the retest rule, and what rules over all of them say. Writes DIR/<coupon id>.coupon/ with coupon.json, coupon.csv, "
    "coupon.xlsx, coupon.html and coupon.pdf."
)
EPILOG = (
    "Example: specimeter coupon coupon.toml --records records --out records\n\n"
    "    [coupon]\n    id = 'HW-3'\n    procedure = 'P-12'\n    [required]\n    side-bend = 2\n"
    "    [[specimen]]\n    id = 'HW-3-SB1'\n    test = 'side-bend'\n"
    "    [[specimen]]\n    id = 'HW-3-SB3'\n    test = 'side-bend'\n    replaces = 'HW-3-SB2'\n"
    "    [retest]\n    after = ['exceeds', 'replace', 'void']\n    specimens = 2\n    basis = 'code and clause'\n\n"
    "Exit: 0 the summary was written, whatever the outcome; 2 an input was refused."
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    parser.add_argument("coupon", metavar="coupon.toml", help="the test piece, its specimens and the retest rule")
    parser.add_argument("--records", metavar="DIR", help="folder of the records (default: that of the coupon's file)")
    parser.add_argument("--out", metavar="DIR", help="folder for the summary (default: the folder of records)")
    parser.add_argument("--settings", metavar="settings.toml", help="the laboratory's name, logo and language")
    parser.add_argument("--json", action="store_true", help="print coupon.json on stdout")


def run(options: argparse.Namespace) -> int:
    """Read the records, decide, write."""
    import sys
    from datetime import UTC, datetime
    from pathlib import Path

    from specimeter.coupon import entered as coupons
    from specimeter.coupon import report
    from specimeter.coupon.decide import decide
    from specimeter.coupon.gather import gather, overlays
    from specimeter.errors import RecordError
    from specimeter.files import put
    from specimeter.report import house as houses
    from specimeter.report import text, words

    file = Path(options.coupon)
    coupon = coupons.read(file)
    house = houses.beside(file.parent) if options.settings is None else houses.read(options.settings)
    records = file.parent if options.records is None else Path(options.records)
    found, faults = gather(coupon, records, file.parent)
    result = decide(coupon, found, faults)
    files = report.files(coupon, result, overlays(found), house, datetime.now(UTC))
    out = (records if options.out is None else Path(options.out)) / f"{coupon.coupon.id}.coupon"
    try:
        for name, data in files.items():
            put(out / name, data)
    except OSError as error:
        raise RecordError(f"the summary cannot be written ({error.strerror})", file=out, expected="a folder") from error
    talk = sys.stderr if options.json else sys.stdout
    print(text.plain(f"{coupon.coupon.id}: {words.OUTCOMES[result.outcome].upper()}"), file=talk)
    for sentence in result.because:
        print("\n".join(text.wrapped(sentence, "  ")), file=talk)
    print(f"\nSummary  {out / 'coupon.html'}\n         {out / 'coupon.pdf'}", file=talk)
    if options.json:
        print(files["coupon.json"].decode(), end="")
    return DONE
