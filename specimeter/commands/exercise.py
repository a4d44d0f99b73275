"""`specimeter exercise`: practice and examinations from the library, marked fairly, collected over time."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from specimeter.commands import DONE
from specimeter.rounding import counted

if TYPE_CHECKING:
    from specimeter.library.collect import Result

HELP = "make exercises from a library and collect trainees' results"
DESCRIPTION = "Exercises open in any browser by double click. A trainee saves a result file; the trainer collects them."
EPILOG = (
    "Example:\n"
    "  specimeter exercise make weld-library week-1 --number 50 --single-mm 3 --quiz 5\n"
    "  specimeter exercise collect weld-library results/*.json --out progress"
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the sub-commands."""
    commands = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    for name, (adds, does, says) in ACTIONS.items():
        action = commands.add_parser(name, help=says, description=says[:1].upper() + says[1:] + ".")
        action.add_argument("library", metavar="LIBRARY", help="the library's folder")
        adds(action)
        action.set_defaults(does=does)


def run(options: argparse.Namespace) -> int:
    """Run one sub-command."""
    return options.does(options)


def _make_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("out", metavar="OUT", help="folder for the exercise")
    parser.add_argument("--title", default="Find and judge", help="name of the exercise")
    parser.add_argument("--number", type=int, default=50, metavar="N", help="pictures (50)")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="another seed chooses and orders otherwise (1)")
    parser.add_argument("--clean-share", type=float, metavar="0-1", help="share without findings (0.5; 0.6 in an examination)")
    parser.add_argument("--examination", action="store_true", help="no answers in the page at all")
    parser.add_argument("--single-mm", type=float, metavar="MM", help="your limit for any one imperfection")
    parser.add_argument("--total-mm", type=float, metavar="MM", help="your limit for all together")
    parser.add_argument(
        "--tolerance-mm", type=float, metavar="MM", help="how near a mark must be (1 mm, or the readers' spread)"
    )
    parser.add_argument("--quiz", type=int, default=0, metavar="N", help="so many questions which test shows what")
    parser.add_argument(
        "--repeats", type=int, default=0, metavar="N", help="so many pictures come twice, for agreement studies"
    )
    parser.add_argument("--kind", help="only pictures of this kind, besides clean ones")
    parser.add_argument("--test", help="only pictures of this test")
    parser.add_argument("words", nargs="*", metavar="WORD", help="only pictures with these words")


def _make(options: argparse.Namespace) -> int:
    from specimeter.library import exercise, store
    from specimeter.library.find import Query

    wish = exercise.Wish(
        title=options.title,
        number=options.number,
        seed=options.seed,
        clean_share=options.clean_share,
        examination=options.examination,
        single_mm=options.single_mm,
        total_mm=options.total_mm,
        tolerance_mm=options.tolerance_mm,
        quiz=options.quiz,
        repeats=options.repeats,
        kind=options.kind,
        query=Query(words=" ".join(options.words), test=options.test),
    )
    with store.open_store(options.library) as library:
        key = exercise.make(library, options.out, wish)
    print(f"exercise {key['id']}, {len(key['tasks'])} tasks: open {options.out}/index.html")
    if len(key["tasks"]) < exercise.MODULE:
        print(f"fewer than {exercise.MODULE} cases teach less: learning is steepest between 20 and 50", file=sys.stderr)
    return DONE


def _collect_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("results", nargs="+", metavar="RESULT.json", help="result files that trainees saved")
    parser.add_argument("--out", required=True, metavar="DIR", help="folder for tables and the page")


def _results(options: argparse.Namespace) -> list[Result]:
    from specimeter.library import collect

    results = [collect.read(path) for path in options.results]
    return list({(one.trainee, one.exercise, one.started): one for one in results}.values())  # the same file twice counts once


def _collect(options: argparse.Namespace) -> int:
    from pathlib import Path

    from specimeter import files
    from specimeter.library import collect, page, store
    from specimeter.report import table

    with store.open_store(options.library) as library:
        tasks, items = collect.marked(library, _results(options))
    out = Path(options.out)
    with store.explained(out, "the tables"):
        files.put(out / "assets" / "site.css", page.asset("site.css"))
        files.put(out / "tasks.csv", table.csv(list(tasks.columns), tasks.itertuples(index=False)))
        files.put(out / "items.csv", table.csv(list(items.columns), items.itertuples(index=False)))
        files.put(out / "index.html", page.html(collect.report(tasks, items)))
    for name, own in tasks.groupby("trainee"):
        share = collect.shares(own)
        told = ", ".join(f"{part} {100 * share[part]:.0f} %" for part in collect.PARTS if share[part] == share[part])
        print(f"{name}: {len(own)} tasks, {told}")
    print(f"Page    {out / 'index.html'}\nTables  {out / 'tasks.csv'}, {out / 'items.csv'}")
    return DONE


def _reference_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("results", nargs="+", metavar="RESULT.json", help="result files of readers you trust")
    parser.add_argument("--who", default="", metavar="NAME", help="who puts them in, for the log")


def _reference(options: argparse.Namespace) -> int:
    from specimeter.library import collect, store

    with store.open_store(options.library) as library:
        number = collect.as_readings(library, _results(options), who=options.who)
    print(f"{counted(number, 'reading')} put into the library; three or more of a picture make a reference by majority")
    return DONE


ACTIONS = {
    "make": (_make_options, _make, "make an exercise"),
    "collect": (_collect_options, _collect, "mark results again and show progress"),
    "reference": (_reference_options, _reference, "take results of trusted readers as readings of the pictures"),
}
