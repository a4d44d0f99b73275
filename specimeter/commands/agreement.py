"""`specimeter agreement`: how far several people agree, from their exercises, their records or a table."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from specimeter.commands import DONE

if TYPE_CHECKING:
    import pandas as pd

HELP = "say how far several people agree with each other and with a reference"
DESCRIPTION = "Kappa with intervals, missed and false rejects, bias of sizes, and gauge repeatability and reproducibility."
EPILOG = (
    "Examples:\n"
    "  specimeter agreement study --out study --library weld-library results/*.json\n"
    "  specimeter agreement study --out study records/*/record.json\n"
    "  specimeter agreement study --out study readings.csv    (columns item, rater, repeat, verdict, value_mm, ...)"
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the sub-command."""
    commands = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    action = commands.add_parser("study", help="write the study", description="Write the study as a page, a PDF and tables.")
    action.add_argument("sources", nargs="+", metavar="SOURCE", help="result files, record.json files, or one CSV table")
    action.add_argument("--library", metavar="LIBRARY", help="the library that made the exercises (for result files)")
    action.add_argument("--out", required=True, metavar="DIR", help="folder for the study")
    action.add_argument("--title", default="Agreement study", help="its title")
    action.set_defaults(does=_study)


def run(options: argparse.Namespace) -> int:
    """Run the sub-command."""
    return options.does(options)


def _study(options: argparse.Namespace) -> int:
    from pathlib import Path

    from specimeter import files
    from specimeter.library import page, store, study, study_report
    from specimeter.report import table

    calls, sizes = _tables(options)
    sections = study.study(calls, sizes)
    out = Path(options.out)
    page_, pdf = study_report.as_html(sections, options.title), study_report.as_pdf(sections, options.title)
    with store.explained(out, "the study"):
        files.put(out / "assets" / "site.css", page.asset("site.css"))
        files.put(out / "calls.csv", table.csv(calls.columns, calls.itertuples(index=False)))
        files.put(out / "sizes.csv", table.csv(sizes.columns, sizes.itertuples(index=False)))
        files.put(out / "index.html", page_)
        files.put(out / "study.pdf", pdf)
    for section in sections:
        print(section.heading)
        for block in section.blocks:
            if block[0] == "text":
                print(f"  {block[1]}")
            elif block[0] == "table":
                for row in block[3]:
                    print("  " + "  ".join(row))
    print(f"Page  {out / 'index.html'}\nPDF   {out / 'study.pdf'}")
    return DONE


def _tables(options: argparse.Namespace) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Calls and sizes from whatever was named."""
    from specimeter.errors import LibraryError
    from specimeter.library import calls, collect, store

    tables = [path for path in options.sources if str(path).lower().endswith(".csv")]
    if tables:
        if len(options.sources) > 1:
            raise LibraryError("one table at a time", expected="one CSV table, or result files, or records")
        return calls.from_table(tables[0])
    if options.library is None:
        return calls.from_records(options.sources)
    with store.open_store(options.library) as library:
        results = {(one.trainee, one.exercise, one.started): one for one in map(collect.read, options.sources)}
        return calls.from_results(library, list(results.values()))
