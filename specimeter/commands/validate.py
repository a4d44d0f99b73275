"""`specimeter validate`: this installation against random scenes whose truth is known."""

from __future__ import annotations

import argparse

HELP = "measure this installation against random scenes whose truth is known"
DESCRIPTION = "Render random scenes with exact truth, run the main job on each, and print how it did."
EPILOG = ""
OWN_PARSER = True  # every option belongs to the validation's own parser


def arguments(parser: argparse.ArgumentParser) -> None:
    """Take everything, untouched."""
    parser.add_argument("options", nargs=argparse.REMAINDER)


def run(options: argparse.Namespace) -> int:
    """Hand over to the validation."""
    from specimeter.validate import main

    return main(options.options)
