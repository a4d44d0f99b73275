"""The command line: parse, run one command, turn its errors into sentences and an exit status."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
import traceback
from collections.abc import Sequence
from typing import Any

from specimeter import __version__
from specimeter.commands import DONE, FAULT, INTERRUPTED, REFUSED
from specimeter.errors import SpecimeterError

COMMANDS = (  # in the order of a day's work; each is specimeter/commands/<name>.py
    "measure",
    "demo",
    "open",
    "judge",
    "review",
    "issue",
    "check",
    "report",
    "coupon",
    "batch",
    "card",
    "scale",
    "camera",
    "validate",
    "doctor",
    "library",
    "exercise",
    "agreement",
)

CAUTION = (
    "The tool measures and compares with limits that you entered. It never says that a weld is safe:\n"
    "the authorised inspector and the governing code decide. Bending machines and etchants injure:\n"
    "guard the machine, wear eye protection, follow the safety data sheet and local rules."
)


def parser(names: Sequence[str] = COMMANDS) -> argparse.ArgumentParser:
    """The command line as one argparse parser, of all commands or of some."""
    top = argparse.ArgumentParser(
        prog="specimeter",
        description="From a photograph of an opened weld test specimen to a finding in millimetres, with uncertainty, "
        "verdict and evidence.",
        epilog=CAUTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"specimeter {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in names:
        module = importlib.import_module(f"specimeter.commands.{name}")
        own: dict[str, Any] = {"add_help": False, "prefix_chars": "\0"} if getattr(module, "OWN_PARSER", False) else {}
        command = commands.add_parser(
            name,
            help=module.HELP,
            description=module.DESCRIPTION,
            epilog=module.EPILOG,
            formatter_class=argparse.RawDescriptionHelpFormatter,
            **own,
        )
        command.set_defaults(stopped="nothing was written")
        module.arguments(command)
        command.set_defaults(run=module.run, refuse=command.error)
    return top


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # matrices are small here: threads would cost more than they give
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")  # looking for them reads about every installed package
    given = sys.argv[1:] if arguments is None else list(arguments)
    options, unknown = parser([name for name in given[:1] if name in COMMANDS] or COMMANDS).parse_known_args(given)
    if unknown:
        options.refuse(f"unrecognized arguments: {' '.join(unknown)} (specimeter {options.command} --help says what it takes)")
    try:
        return options.run(options)
    except SpecimeterError as error:
        print(f"specimeter: {error}", file=sys.stderr)
        return REFUSED
    except KeyboardInterrupt:
        print(f"specimeter: interrupted; {options.stopped}", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        sys.stderr.close()
        return DONE
    except Exception:
        traceback.print_exc()
        print(
            f"specimeter: a fault of the tool, not of your input; {options.stopped}. Please report the lines above.",
            file=sys.stderr,
        )
        return FAULT
