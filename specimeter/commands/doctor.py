"""`specimeter doctor`: is this installation whole, and what mends it."""

from __future__ import annotations

import argparse

from specimeter.commands import DONE, UNMET
from specimeter.errors import SpecimeterError

HELP = "say what this installation lacks or has doubled, and how to mend it"
DESCRIPTION = (
    "Look at Python, every library, the trained networks, the shipped data, the PDF printer and the window's parts.\n"
    "Nothing is changed and nothing is sent anywhere. Exit status 0: all is well; 3: something is to be mended."
)
EPILOG = "Example: specimeter doctor\nThen: specimeter demo, and specimeter validate for figures from this machine."

MARK = {"well": "well  ", "absent": "absent", "wrong": "WRONG "}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    parser.add_argument("--licences", action="store_true", help="list the licence of every library that comes along")


def run(options: argparse.Namespace) -> int:
    """Look, and say."""
    from specimeter import __version__, doctor

    try:
        import packaging.requirements  # noqa: F401  (what the doctor itself reads requirements with)
    except ImportError as error:
        raise SpecimeterError("the library 'packaging' is not installed", mend="python -m pip install packaging") from error
    if options.licences:
        rows = doctor.licences()
        wide = [max(len(row[column]) for row in rows) for column in (0, 1)]
        for name, version, licence in rows:
            print(f"{name.ljust(wide[0])}  {version.ljust(wide[1])}  {licence}")
        return DONE
    checks = doctor.examine()
    width = max(len(check.what) for check in checks)
    print(f"specimeter {__version__}\n")
    for check in checks:
        print(f"  {MARK[check.state]}  {check.what.ljust(width)}  {check.found}")
        if check.mend:
            print(f"{' ' * (width + 12)}{'to mend it' if check.state == 'wrong' else 'to add it'}: {check.mend}")
    wrong = sum(check.state == "wrong" for check in checks)
    print(f"\n{wrong} to be mended." if wrong else "\nThe installation is whole.")
    return UNMET if wrong else DONE
